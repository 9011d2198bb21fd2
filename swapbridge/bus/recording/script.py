"""Bus room: the stimulus script: what a person is asked to do to the vehicle while it is being recorded.

`load_script` reads the TOML file; `ScriptRun` is a pure state machine: it takes keys and the time, says what to show,
and returns marks for the stimulus track. It reads no clock and draws nothing.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from importlib.resources import files
from pathlib import Path

from swapbridge.core.errors import InputError

STEP_CHANNEL = "step"
MARK_CHANNEL = "mark"
NOTE_CHANNEL = "note"
MARK_LASTS_NS = 300_000_000
BETWEEN = "between"
"""Value of the step channel while no step is being done."""

MarkValue = float | str


@dataclass(frozen=True, slots=True)
class ScriptMark:
    """One row of the stimulus track: at this time the channel took this value (text values are held).

    Attributes
    ----------
    time_ns : int
        Nanoseconds on the recording's clock.
    channel, value, unit
        As in a stimulus file; rows of the note channel become comment lines.
    asked_ns : int
        When a scan tool asked for the value; 0 for everything that was not asked for.
    """

    time_ns: int
    channel: str
    value: MarkValue
    unit: str = ""
    asked_ns: int = 0


@dataclass(frozen=True, slots=True)
class Setting:
    """What a step makes the vehicle do: from `at_s` on, `channel` has `value`."""

    at_s: float
    channel: str
    value: MarkValue
    unit: str = ""
    say: str = ""


@dataclass(frozen=True, slots=True)
class ScriptStep:
    """One thing to do.

    Attributes
    ----------
    name : str
        Short, for the stimulus track.
    say : str
        The instruction, plain and big.
    seconds : float
        How long it takes; the countdown.
    times : int
        How often it is to be done.
    quiet_s : float
        Hands off between one time and the next, so that each can be recognised.
    caution : str
        Shown above the instruction.
    settings : tuple of Setting
        What happens within the step, by time.
    """

    name: str
    say: str
    seconds: float
    times: int = 1
    quiet_s: float = 0.0
    caution: str = ""
    settings: tuple[Setting, ...] = ()


DOUBLE_PRESS_NS = 500_000_000


class Phase(Enum):
    """Where a run of the script stands."""

    READY = "ready"
    DOING = "doing"
    QUIET = "quiet"
    DONE = "done"


@dataclass(frozen=True, slots=True)
class View:
    """What to show the person.

    Attributes
    ----------
    phase : Phase
    step_number, steps : int
        Counted from 1.
    time_number, times : int
        Which repetition of the step, counted from 1.
    headline, caution : str
    left_s : float
        Seconds left of the countdown, 0 when none runs.
    keys : str
        Which keys do what now.
    """

    phase: Phase
    step_number: int
    steps: int
    time_number: int
    times: int
    headline: str
    caution: str
    left_s: float
    keys: str

    @property
    def cue(self) -> tuple[object, ...]:
        """Changes when the person has something new to do: worth a sound and a flash."""
        return (self.phase, self.step_number, self.time_number, self.headline)


@dataclass(slots=True)
class ScriptRun:
    """Walks a person through a script.

    Keys: ``next`` begins a step or ends it early (a second one within half a second is a finger that bounced),
    ``repeat`` does the last one again, ``skip`` leaves one repetition out, ``mark`` marks an event.
    """

    steps: Sequence[ScriptStep]
    phase: Phase = Phase.READY
    _at: int = 0
    _time: int = 1
    _began_ns: int = 0
    _done_settings: int = 0
    _say: str = ""
    _pressed_ns: int | None = None

    def __post_init__(self) -> None:
        if not self.steps:
            self.phase = Phase.DONE

    def key(self, key: str, now_ns: int) -> list[ScriptMark]:
        """Take a key: ``next``, ``repeat``, ``skip`` or ``mark``; others do nothing."""
        if key == "mark":
            return event_marks(now_ns)
        marks = self.tick(now_ns)
        if key == "next":
            if self._pressed_ns is None or now_ns - self._pressed_ns >= DOUBLE_PRESS_NS:
                self._pressed_ns = now_ns
                marks += self._next(now_ns)
        elif key == "repeat":
            marks += self._repeat(now_ns)
        elif key == "skip" and self.phase is not Phase.DONE:
            marks += self._skip(now_ns)
        return marks

    def finish(self, now_ns: int) -> list[ScriptMark]:
        """The person ends the recording: a step that was being done ends with it."""
        marks = self.tick(now_ns)
        if self.phase is Phase.DOING:
            marks += self._end(now_ns, "ended with the recording")
        self.phase = Phase.DONE
        return marks

    def tick(self, now_ns: int) -> list[ScriptMark]:
        """Let time pass: settings fall due, countdowns end."""
        marks: list[ScriptMark] = []
        while True:
            step = self.steps[self._at] if self.phase is not Phase.DONE else None
            if step is None:
                return marks
            elapsed = (now_ns - self._began_ns) / 1e9
            if self.phase is Phase.DOING:
                due = step.settings[self._done_settings : self._done_settings + 1]
                if due and due[0].at_s <= min(elapsed, step.seconds):
                    setting = due[0]
                    self._done_settings += 1
                    self._say = setting.say or self._say
                    when = self._began_ns + round(setting.at_s * 1e9)
                    marks.append(ScriptMark(when, setting.channel, setting.value, setting.unit))
                    continue
                if elapsed >= step.seconds:
                    end = self._began_ns + round(step.seconds * 1e9)
                    marks += self._end(end, "")
                    self._after_one(end)
                    continue
            elif self.phase is Phase.QUIET and elapsed >= step.quiet_s:
                marks += self._begin(self._began_ns + round(step.quiet_s * 1e9))
                continue
            return marks

    def view(self, now_ns: int) -> View:
        """What to show now."""
        total = len(self.steps)
        if self.phase is Phase.DONE:
            return View(
                self.phase, total, total, 1, 1, "All steps done. q ends the recording.", "", 0.0,
                "space mark  r repeat last  m note  q end",
            )  # fmt: skip
        step = self.steps[self._at]
        elapsed = (now_ns - self._began_ns) / 1e9
        if self.phase is Phase.READY:
            headline, left, keys = step.say, 0.0, "enter BEGIN  s skip  r repeat last  space mark  m note  q end"
        elif self.phase is Phase.DOING:
            headline, left = self._say, max(0.0, step.seconds - elapsed)
            keys = "enter done early  r again  s skip  space mark  m note  q end"
        else:
            headline, left = "Hands off. Leave everything as it is.", max(0.0, step.quiet_s - elapsed)
            keys = "enter go on now  s skip  space mark  m note  q end"
        return View(
            self.phase, self._at + 1, total, self._time, step.times, headline, step.caution, left, keys
        )  # fmt: skip

    def _begin(self, now_ns: int) -> list[ScriptMark]:
        step = self.steps[self._at]
        self.phase, self._began_ns, self._done_settings, self._say = Phase.DOING, now_ns, 0, step.say
        return [ScriptMark(now_ns, STEP_CHANNEL, step.name)]

    def _end(self, now_ns: int, how: str) -> list[ScriptMark]:
        marks = [ScriptMark(now_ns, STEP_CHANNEL, BETWEEN)]
        if how:
            marks.append(ScriptMark(now_ns, NOTE_CHANNEL, f"{self.steps[self._at].name} {how}"))
        return marks

    def _next(self, now_ns: int) -> list[ScriptMark]:
        if self.phase is Phase.DONE:
            return []
        if self.phase is Phase.DOING:
            marks = self._end(now_ns, "ended early")
            self._after_one(now_ns)
            return marks
        return self._begin(now_ns)

    def _skip(self, now_ns: int) -> list[ScriptMark]:
        """Leave out the repetition that is being done, or the one that comes next; the others are still done."""
        if self.phase is Phase.DOING:
            marks = self._end(now_ns, "skipped")
            self._after_one(now_ns)
            return marks
        if self._time < self.steps[self._at].times:
            self._time += 1
        else:
            self._advance()
        return []

    def _repeat(self, now_ns: int) -> list[ScriptMark]:
        if self.phase is Phase.DOING:
            return [*self._end(now_ns, "begun again"), *self._begin(now_ns)]
        if self.phase is not Phase.QUIET and self._at > 0:
            self._at -= 1
            self._time = self.steps[self._at].times
            self.phase = Phase.READY
        elif self.phase is Phase.QUIET:
            self._time = max(1, self._time - 1)
        return self._begin(now_ns)

    def _after_one(self, now_ns: int) -> None:
        step = self.steps[self._at]
        if self._time < step.times:
            self._time += 1
            self.phase, self._began_ns = Phase.QUIET, now_ns
        else:
            self._advance()

    def _advance(self) -> None:
        self._at, self._time = self._at + 1, 1
        self.phase = Phase.READY if self._at < len(self.steps) else Phase.DONE


def event_marks(now_ns: int) -> list[ScriptMark]:
    """An event marked by hand: on, and off again, so that several can be recognised."""
    return [ScriptMark(now_ns, MARK_CHANNEL, 1.0), ScriptMark(now_ns + MARK_LASTS_NS, MARK_CHANNEL, 0.0)]


def note_marks(text: str, now_ns: int) -> list[ScriptMark]:
    """A written note, kept as a comment line in the stimulus file; nothing when it is blank."""
    plain = " ".join(text.split())
    return [ScriptMark(now_ns, NOTE_CHANNEL, plain)] if plain else []


def default_script_text() -> str:
    """The script that ships with the toolkit, as TOML text."""
    return files("swapbridge.bus.recording").joinpath("stimulus_script.toml").read_text(encoding="utf-8")


def load_script(path: Path | None) -> tuple[ScriptStep, ...]:
    """Steps of a script file, or of the one that ships when `path` is None.

    Raises
    ------
    InputError
        The file is missing, is no TOML, or a step in it is incomplete.
    """
    if path is None:
        return parse_script(default_script_text(), "the built-in script")
    try:
        return parse_script(path.read_text(encoding="utf-8-sig"), str(path))
    except FileNotFoundError:
        raise InputError(f"{path} does not exist: name a stimulus script, or omit --script") from None
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path} can't be read ({error}): name a stimulus script in UTF-8") from None


def parse_script(text: str, where: str) -> tuple[ScriptStep, ...]:
    """Steps of a script's TOML text; `where` names it in errors."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{where} is not TOML ({error}): correct that line") from None
    tables = data.get("step")
    if not isinstance(tables, list) or not tables:
        raise InputError(f"{where} has no [[step]]: give at least one with name, say and seconds")
    steps = tuple(_step(table, f"{where}, step {number}") for number, table in enumerate(tables, 1))
    names = [step.name for step in steps]
    for name in names:
        if names.count(name) > 1:
            raise InputError(f"{where}: two steps are called {name!r}; give each its own name")
    return steps


def _step(table: object, where: str) -> ScriptStep:
    if not isinstance(table, dict):
        raise InputError(f"{where} must be a table")
    known = {"name", "say", "seconds", "times", "quiet_s", "caution", "set"}
    for key in table:
        if key not in known:
            raise InputError(f"{where}: {key!r} is unknown; a step has {', '.join(sorted(known))}")
    seconds = _number(table, "seconds", where, None)
    if not 0 < seconds <= 3600:
        raise InputError(f"{where}: seconds must be above 0 and at most 3600, not {seconds}")
    times = table.get("times", 1)
    if not isinstance(times, int) or isinstance(times, bool) or not 1 <= times <= 100:
        raise InputError(f"{where}: times must be a whole number from 1 to 100, not {times!r}")
    settings = table.get("set", [])
    if not isinstance(settings, list):
        raise InputError(f"{where}: set must be a list of {{at_s, channel, value}}")
    made = sorted((_setting(entry, where, seconds) for entry in settings), key=lambda setting: setting.at_s)
    name, say = _text(table, "name", where), _text(table, "say", where)
    if "," in name or name == BETWEEN:
        raise InputError(f"{where}: a name must have no comma and must not be {BETWEEN!r}")
    return ScriptStep(
        name,
        say,
        seconds,
        times,
        _number(table, "quiet_s", where, 0.0),
        _text(table, "caution", where) if "caution" in table else "",
        tuple(made),
    )


def _setting(entry: object, where: str, seconds: float) -> Setting:
    if not isinstance(entry, dict):
        raise InputError(f"{where}: write each entry of set as {{at_s = 0, channel = '...', value = ...}}")
    value = entry.get("value")
    if isinstance(value, bool):
        value = float(value)
    if not isinstance(value, int | float | str):
        raise InputError(f"{where}: value in set must be a number or text, not {value!r}")
    at_s = _number(entry, "at_s", where, 0.0)
    if at_s > seconds:
        raise InputError(f"{where}: at_s {at_s} is later than the step's {seconds} s")
    channel = _text(entry, "channel", where)
    if channel in (STEP_CHANNEL, MARK_CHANNEL, NOTE_CHANNEL) or "," in channel:
        raise InputError(
            f"{where}: channel {channel!r} is reserved for the recorder, or has a comma: choose another name"
        )
    return Setting(
        at_s,
        channel,
        value if isinstance(value, str) else float(value),
        _text(entry, "unit", where) if "unit" in entry else "",
        _text(entry, "say", where) if "say" in entry else "",
    )


def _number(table: Mapping[str, object], key: str, where: str, default: float | None) -> float:
    value = table.get(key, default)
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < 1e6:
        raise InputError(f"{where}: {key} must be a number, not {value!r}")
    return float(value)


def _text(table: Mapping[str, object], key: str, where: str) -> str:
    value = table.get(key)
    if not isinstance(value, str) or not value.strip():
        raise InputError(f"{where}: {key} must be text")
    return value.strip()
