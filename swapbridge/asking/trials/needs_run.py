"""Asking room: the trials of a needs plan on a table: key off until asleep, key on, send, ask; a pure state machine.

Every trial begins asleep, since 'failed this cycle' only forgets with a new cycle. A trial in which sending paused, for
want of a sign of life, is made again: the module heard a silence that was no part of it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from enum import Enum

from swapbridge.asking.trials.needs_plan import LAMP, NeedsPlan, TrialAnswer
from swapbridge.asking.trials.permit import TrialGate
from swapbridge.asking.trials.status_question import StatusQuestion
from swapbridge.asking.trials.trial_sender import TrialSender
from swapbridge.asking.trials.turns import Key, TrialStatus
from swapbridge.core.errors import InputError
from swapbridge.core.identifier_words import format_identifier, split_word

S = 1_000_000_000
LISTEN_NS = 10 * S
"""How long is listened at first, for anybody else on the bus."""
AWAKE_NS = 3 * S
"""A module that spoke and has been silent for so long has gone to sleep."""
SWITCHING_S = 5.0
"""What a person needs for the key, about."""


class TrialPhase(Enum):
    """What goes on, in words for the person."""

    LISTEN = "listening, key on: checking for other modules on the bus"
    OFF = "KEY OFF, until the module sleeps"
    ON = "KEY ON"
    SEND = "hold space: the module is being watched"
    ASK = "hold space: asking the module"
    PERSON = "hold space: does it complain? y or n"


@dataclass(frozen=True, slots=True)
class Timing:
    """How long things take, in seconds.

    Attributes
    ----------
    asleep_s : float
        Silence after which the module is asleep; key off is waited for as long at least.
    enabling_s : float
        Self-test and enabling time after key on.
    timeout_s : float
        The module's slowest time-out, debouncing included; it is watched for twice as long.
    """

    asleep_s: float = 10.0
    enabling_s: float = 5.0
    timeout_s: float = 5.0

    def __post_init__(self) -> None:
        if not all(0 < value <= 600 for value in (self.asleep_s, self.enabling_s, self.timeout_s)):
            raise InputError("the times of a trial must be above 0 and at most 600 s")

    def trial_s(self, parts: int = 1) -> float:
        """How long a trial takes."""
        return self.asleep_s + 2 * SWITCHING_S + self.enabling_s + parts * 2 * self.timeout_s + 2


@dataclass(slots=True)
class NeedsRun:
    """The plan, its gate and its sender, as one machine over frames, keys and the time.

    Parameters
    ----------
    plan : NeedsPlan
    own : frozenset of int
        Identifier words that the module itself sends.
    address : (int, int) or None
        Request and answer of its diagnostics; None where a person is asked.
    timing : Timing
    kept : callable
        Called after each answer, to keep them.

    Attributes
    ----------
    ended_by : str
        "" while it goes on, "done", or why it ended before.
    marks : list of (str, str)
        What belongs into the log: channel and value.
    """

    plan: NeedsPlan
    own: frozenset[int]
    address: tuple[int, int] | None = None
    timing: Timing = field(default_factory=Timing)
    kept: Callable[[], None] = lambda: None
    ended_by: str = ""
    marks: list[tuple[str, str]] = field(default_factory=list)
    phase: TrialPhase = TrialPhase.LISTEN
    gate: TrialGate = field(init=False)
    sender: TrialSender = field(init=False)
    voided: int = 0
    _since_ns: int = 0
    _sending_ns: int | None = None
    _own_ns: int | None = None
    _spoke: bool = False
    _pressed: bool = False
    _slept: bool = False
    _question: StatusQuestion | None = None

    def __post_init__(self) -> None:
        if not self.own:
            raise InputError("the map names no message that the module sends: set the sender with `swapbridge map set`")
        expected = self.own if self.address is None else self.own | {self.address[1]}
        clash = expected & {one.word for one in self.plan.messages}
        if clash or (self.address is not None and self.address[0] in expected | {o.word for o in self.plan.messages}):
            names = ", ".join(format_identifier(*split_word(word)) for word in sorted(clash))
            raise InputError(
                f"{names or 'the request'} would be sent, but the map says that the module sends it "
                "itself: correct its sender in the map"
            )
        self.gate = TrialGate(self.plan.messages, LISTEN_NS, expected)
        self.sender = TrialSender(self.gate)

    def begin(self, now_ns: int) -> None:
        """Listening begins."""
        self.gate.begin(now_ns)
        self._since_ns = now_ns
        if self.plan.next_trial() is None:
            self.ended_by = "done"

    def heard(self, word: int, data: bytes, now_ns: int) -> None:
        """Take a frame from the bus."""
        self.gate.heard(word, data, now_ns)
        if word in self.own:
            self._own_ns, self._spoke = now_ns, True
        if self._question is not None:
            self._question.on_frame(word, data, now_ns)

    def key(self, key: Key, now_ns: int) -> None:
        """A person pressed a key."""
        self.gate.life(now_ns)
        if key is Key.QUIT:
            self.ended_by = self.ended_by or "stopped by the user"
        elif key is Key.PRESS:
            self._pressed = True
        elif self.phase is TrialPhase.PERSON and key in (Key.YES, Key.NO):
            self._take((LAMP,) if key is Key.YES else (), now_ns)

    def poll(self, now_ns: int) -> tuple[int, bytes] | None:
        """A frame to send now, if any."""
        if self.gate.shut:
            self.ended_by = self.ended_by or self.gate.shut
        if self.ended_by:
            return None
        if self.phase in (TrialPhase.LISTEN, TrialPhase.OFF, TrialPhase.ON):
            self._wait(now_ns)
            return None
        if self._sending_ns is not None and not self.gate.alive(now_ns):
            self.voided += 1
            self.marks.append(("void", "sending paused: this trial is repeated"))
            self._enter(TrialPhase.OFF, now_ns)
            return None
        if self.phase is TrialPhase.SEND:
            self._send(now_ns)
        elif self.phase is TrialPhase.ASK:
            frame = self._ask(now_ns)
            if frame is not None:
                return frame
        return self.sender.poll(now_ns) if self.phase in (TrialPhase.SEND, TrialPhase.ASK, TrialPhase.PERSON) else None

    def status(self, now_ns: int) -> TrialStatus:
        """What a screen shows."""
        trial, number = self.plan.next_trial(), len(self.plan.answers) + 1
        lines = [f"trial {number}: left out: {trial.words if trial is not None else 'nothing'}"]
        lines.append(f"{(now_ns - self._since_ns) / 1e9:.0f} s")
        if self.phase in (TrialPhase.OFF, TrialPhase.ON) and not self._spoke:
            lines.append("the module sends nothing unasked: press enter when you have done it")
        if self.voided:
            lines.append(f"{self.voided} trials were repeated because sending paused")
        sends = self.phase in (TrialPhase.SEND, TrialPhase.ASK, TrialPhase.PERSON)
        return TrialStatus(self.phase.value, tuple(lines), self.gate.alive(now_ns) if sends else None)

    def _wait(self, now_ns: int) -> None:
        waited = now_ns - self._since_ns
        if self.phase is TrialPhase.LISTEN:
            if waited >= LISTEN_NS:
                self._enter(TrialPhase.OFF, now_ns)
        elif self.phase is TrialPhase.OFF:
            silent = now_ns - max(self._since_ns, self._own_ns or 0)
            if silent >= self.timing.asleep_s * 1e9 and (self._spoke or self._pressed):
                self._enter(TrialPhase.ON, now_ns)
        elif self._pressed or (self._own_ns is not None and self._own_ns > self._since_ns):
            self._enter(TrialPhase.SEND, now_ns)

    def _send(self, now_ns: int) -> None:
        trial = self.plan.next_trial()
        assert trial is not None
        if self._sending_ns is None:
            if not self.gate.alive(now_ns):
                return
            self._sending_ns = now_ns
        watch = 2 * self.timing.timeout_s
        sent = (now_ns - self._sending_ns) / 1e9 - self.timing.enabling_s
        part = trial.parts[min(max(0, int(sent // watch)), len(trial.parts) - 1)]
        self.sender.active = {one.word for one in self.plan.messages} - trial.left_out
        self.sender.played, self.sender.spoilt = dict(part.played), part.spoilt
        self._slept |= self._spoke and now_ns - (self._own_ns or 0) > AWAKE_NS
        if sent >= watch * len(trial.parts):
            self._enter(TrialPhase.PERSON if self.address is None else TrialPhase.ASK, now_ns)

    def _ask(self, now_ns: int) -> tuple[int, bytes] | None:
        assert self.address is not None
        if self._question is None:
            self._question = StatusQuestion(*self.address)
        frame = self._question.poll(now_ns)
        if frame is not None:
            self.gate.asked(*frame)
        elif self._question.done:
            if self._question.wrong:
                self.ended_by = f"the module can't be asked, {self._question.wrong}"
            else:
                self._take(None if self._slept else self._question.codes, now_ns)
        return frame

    def _take(self, answer: TrialAnswer, now_ns: int) -> None:
        self.marks.append(("answer", "none" if answer is None else ", ".join(answer) or "no complaint"))
        try:
            self.plan.take(answer)
        except InputError as error:
            self.ended_by = str(error)
        self.kept()
        if self.plan.next_trial() is None:
            self.ended_by = self.ended_by or "done"
        self._enter(TrialPhase.OFF, now_ns)

    def _enter(self, phase: TrialPhase, now_ns: int) -> None:
        self.phase, self._since_ns, self._pressed = phase, now_ns, False
        trial = self.plan.next_trial()
        if phase is TrialPhase.OFF:
            self._sending_ns, self._question, self._slept = None, None, False
            self.sender.active, self.sender.played, self.sender.spoilt = set(), {}, frozenset()
            if trial is not None and not self.ended_by:
                self.marks.append(("trial", f"{len(self.plan.answers) + 1}: left out: {trial.words}"))
        self.marks.append(("phase", phase.name.lower()))
