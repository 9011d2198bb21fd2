"""Asking room: one bus being asked: a pure state machine over frames and the time.

What to ask comes from a script (`interview`, `heavy`), a generator of `AskingStep`. This module has the rules for every
question: who may be asked, how long an answer may take, when asking must end. It reads no clock and sends nothing
itself: `poll` returns one frame at a time, each checked against the permit.
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from dataclasses import dataclass, field

from swapbridge.asking.allowed import TOOL_ADDRESSES, Permit, is_diagnostic
from swapbridge.asking.transport import TransportLine
from swapbridge.core import j1939, obd
from swapbridge.core.identifier_words import EXTENDED_BIT, format_identifier, identifier_word, split_word

MS = 1_000_000
S = 1_000_000_000
LISTEN_NS = 2 * S
ANSWER_NS = 300 * MS
"""Wait for a first answer; ISO 15765-4 gives a module 50 ms, a gateway and this computer need theirs too."""
NEXT_FRAME_NS = 1 * S
"""Wait for the next piece of a long answer (ISO 15765-2, N_Cr)."""
PENDING_NS = 5 * S
"""Wait after 'answer pending' (ISO 14229-2, P2*)."""
LONGEST_ANSWER_NS = 20 * S
BUSY_NS = 200 * MS
MOST_BUSY = 3
MOST_FLOWS = 2
LONGEST_SESSION_NS = 300 * S
QUIET_NS = 2 * S
"""Silence, after traffic, that means that the key is off."""
FASTEST_KMH = 5.0
PENDING_CODE, BUSY_CODE = 0x78, 0x21
MOST_REMARKS = 12
MOST_SILENT = 4
"""Questions in a row that nobody answers, after somebody had, before asking ends."""
FUNCTIONAL_11 = obd.REQUEST_ALL[0]
FUNCTIONAL_29 = EXTENDED_BIT | obd.REQUEST_ALL_29[0]

SpeedOf = Callable[[int, bytes], float | None]
"""Vehicle speed in km/h that a frame says (word, data); None for every other frame."""


@dataclass(frozen=True, slots=True)
class ModuleAnswer:
    """A whole answer: from whom (identifier word), and what."""

    word: int
    message: bytes

    @property
    def negative(self) -> int | None:
        """Negative response code, None for a positive answer."""
        return self.message[2] if self.message[:1] == b"\x7f" and len(self.message) >= 3 else None


@dataclass(frozen=True, slots=True)
class AskingStep:
    """One thing to do: frames to send, then to wait until somebody answered or the time is over.

    Attributes
    ----------
    frames : tuple of (int, bytes)
        Ready frames (J1939), else empty.
    request : bytes
        A whole request (ISO 15765), else empty.
    to : int or None
        Module asked, by its answering word; None asks all of the form `extended`.
    wait_ns : int
    until : callable or None
        Ends the wait early when it says so.
    searching : bool
        Silence is no sign that the key is off.
    """

    request: bytes = b""
    to: int | None = None
    extended: bool = False
    frames: tuple[tuple[int, bytes], ...] = ()
    wait_ns: int = ANSWER_NS
    until: Callable[[], bool] | None = None
    searching: bool = False


Script = Generator[AskingStep, list[ModuleAnswer], None]


@dataclass(slots=True)
class AskingSession:
    """Asks one bus.

    Parameters
    ----------
    script : callable
        Makes the script for this session.
    addresses : dict of int to int
        Answering word to request word, beyond those of ISO 15765-4, as the person gave them.
    forbidden : frozenset of int
        Identifier words heard as traffic in recordings.
    speed_of : callable or None
        Reads the vehicle's speed from its own traffic.

    Attributes
    ----------
    ended_by : str
        "" while it goes on, "done", or why it ended before.
    remarks : dict of int to list of str
        What was odd, by answering word.
    notes : list of str
        Sentences that belong to no module.
    asked : int
        Requests sent.
    """

    script: Callable[[AskingSession], Script]
    addresses: dict[int, int] = field(default_factory=dict)
    forbidden: frozenset[int] = frozenset()
    speed_of: SpeedOf | None = None
    permit: Permit = field(init=False)
    ended_by: str = ""
    remarks: dict[int, list[str]] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    heard: set[int] = field(default_factory=set)
    speed_kmh: float | None = None
    asked: int = 0
    groups: list[j1939.Group] = field(default_factory=list)
    assembler: j1939.Assembler = field(default_factory=j1939.Assembler)
    _lines: dict[int, TransportLine] = field(default_factory=dict)
    _functional: dict[bool, TransportLine] = field(default_factory=dict)
    _running: Script | None = None
    _step: AskingStep | None = None
    _answers: list[ModuleAnswer] = field(default_factory=list)
    _out: list[tuple[int, bytes]] = field(default_factory=list)
    _own: list[tuple[int, bytes]] = field(default_factory=list)
    _began_ns: int = 0
    _asked_ns: int = 0
    _deadline_ns: int = 0
    _again_ns: int = 0
    _busy: int = 0
    _foreign: int = 0
    _last_foreign_ns: int = 0
    _silent: int = 0
    _ever_answered: bool = False
    _asking: bool = False
    _flows: dict[int, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.permit = Permit(set(self.addresses.values()), self.forbidden)

    @property
    def due_ns(self) -> int:
        """When `poll` has something to do, if no frame comes before."""
        if self._out or self._finished():
            return 0
        return self._again_ns or self._deadline_ns

    def poll(self, now_ns: int) -> tuple[int, bytes] | None:
        """The next frame to send (word, data), if any is due."""
        if self.ended_by:
            return None
        if self._running is None:
            self._running, self._began_ns = self.script(self), now_ns
            self._advance(None, now_ns)
        self._watch(now_ns)
        if not self.ended_by and not self._out:
            self._time(now_ns)
        if self.ended_by or not self._out:
            return None
        word, data = self._out.pop(0)
        self.permit.check(word, data)
        self._own = [*self._own[-15:], (word, data)]
        return word, data

    def on_frame(self, word: int, data: bytes, now_ns: int) -> None:
        """Take a frame from the bus."""
        if self.ended_by:
            return
        if (word, data) in self._own:  # given back by the adapter
            self._own.remove((word, data))
            return
        line = self._line_of(word)
        if line is None:
            self._traffic(word, data, now_ns)
            return
        self._last_foreign_ns = now_ns
        whole, frames = line.take(data)
        self._flow(word, frames)
        for sentence in line.errors[:1]:
            self.remark(word, f"sends a broken answer ({sentence})")
        line.errors.clear()
        for message in whole:
            self._message(word, message, now_ns)
        if self._waits_for(word) and line.receiving:
            self._extend(now_ns + NEXT_FRAME_NS)

    def remark(self, word: int, words: str) -> None:
        """Keep a sentence about a module, once."""
        known = self.remarks.setdefault(word, [])
        if words not in known and len(known) < MOST_REMARKS:
            known.append(words)

    def note(self, words: str) -> None:
        """Keep a sentence that belongs to no module, once."""
        if words not in self.notes and len(self.notes) < 10 * MOST_REMARKS:
            self.notes.append(words)

    def end(self, reason: str) -> None:
        """End asking now."""
        self.ended_by = self.ended_by or reason
        self._out.clear()

    def may_ask(self, word: int) -> bool:
        """Whether a request may go out under this identifier; reported once when traffic was heard there."""
        if word in self.forbidden or word in self.heard:
            self.note(f"{_name(word)} is used by the vehicle's own traffic: nothing is asked there")
            return False
        return self.permit.may_use(word)

    def set_speed(self, kmh: float) -> None:
        """Take a vehicle speed; asking ends above 5 km/h."""
        self.speed_kmh = kmh
        if kmh > FASTEST_KMH:
            self.end(f"the vehicle is moving ({kmh:.0f} km/h): modules are only asked while it stands still")

    def _line_of(self, word: int) -> TransportLine | None:
        if word in self._lines:
            return self._lines[word]
        if not self._asking or word in self.forbidden or word in self.heard:
            return None  # before the first question, whatever comes is traffic
        request = self.addresses.get(word)
        identifier, extended = split_word(word)
        if request is None and obd.is_answer(identifier, extended) and not (extended and identifier & 0xFF == 0xF1):
            request = identifier_word(*obd.flow_control_identifier(identifier, extended))
        if request is None or request in self.forbidden or request in self.heard:
            return None
        self._lines[word] = TransportLine(request, word)
        return self._lines[word]

    def _flow(self, word: int, frames: list[tuple[int, bytes]]) -> None:
        """Send the flow control that a long answer wants: only of a module that was asked, and twice a question."""
        for frame in frames:
            if not self._waits_for(word):
                self.remark(word, "begins a long answer that was not asked for")
            elif self._flows.get(word, 0) >= MOST_FLOWS:
                self.remark(word, "begins long answers again and again")
            else:
                self._flows[word] = self._flows.get(word, 0) + 1
                self._out.append(frame)

    def _traffic(self, word: int, data: bytes, now_ns: int) -> None:
        self._foreign += 1
        self._last_foreign_ns = now_ns
        self.heard.add(word)
        if is_diagnostic(word) and _looks_asked(data):
            self.heard.discard(word)
            self.end("another scan tool is asking on this bus: unplug it first")
            return
        speed = self.speed_of(word, data) if self.speed_of is not None else None
        if speed is not None:
            self.set_speed(speed)
        group = self.assembler.take(word, data, now_ns)
        self._out += self.assembler.replies
        self.assembler.replies.clear()
        if group is None or group.source in TOOL_ADDRESSES:
            if group is not None and group.number == j1939.ADDRESS_CLAIMED:
                self.groups.append(group)
            return
        if group.number == j1939.VEHICLE_SPEED and len(group.data) >= 3:
            raw = int.from_bytes(group.data[1:3], "little")
            if raw <= 0xFAFF:
                self.set_speed(raw / 256)
        if group.number in _KEPT_GROUPS or group.to == self.permit.address:
            self.groups = [*self.groups[-499:], group]

    def _message(self, word: int, message: bytes, now_ns: int) -> None:
        step = self._step
        if step is None or not step.request or not message:
            self.remark(word, "sends an answer that was not asked for")
            return
        service = step.request[0]
        negative = message[0] == 0x7F and len(message) >= 3
        if negative and message[1] == service and self._waits_for(word):
            self._negative(word, message, now_ns)
            return
        echo = 1 if service in (0x01, 0x09, 0x19, 0x3E) else 2 if service == 0x22 else 0
        fits = message[0] == service + 0x40 and message[1 : 1 + echo] == step.request[1 : 1 + echo]
        if not fits or not self._waits_for(word):
            self.remark(word, f"answers late or to another question (it began with {message[:2].hex(' ')})")
            return
        self._keep(ModuleAnswer(word, message))

    def _negative(self, word: int, message: bytes, now_ns: int) -> None:
        step = self._step
        assert step is not None
        if message[2] == PENDING_CODE:
            self._extend(now_ns + PENDING_NS)
        elif message[2] == BUSY_CODE and step.to is not None and self._busy < MOST_BUSY:
            self._busy += 1
            self._again_ns = now_ns + BUSY_NS
        else:
            self._keep(ModuleAnswer(word, message))

    def _keep(self, answer: ModuleAnswer) -> None:
        if any(one.word == answer.word for one in self._answers):
            self.remark(answer.word, "answers one question twice")
            return
        self._answers.append(answer)

    def _waits_for(self, word: int) -> bool:
        step = self._step
        if step is None or not step.request:
            return False
        return step.to == word if step.to is not None else bool(word & EXTENDED_BIT) == step.extended

    def _extend(self, until_ns: int) -> None:
        self._deadline_ns = max(self._deadline_ns, min(until_ns, self._asked_ns + LONGEST_ANSWER_NS))

    def _watch(self, now_ns: int) -> None:
        self.assembler.expire(now_ns)
        for sentence in self.assembler.problems:
            self.note(sentence)
        self.assembler.problems.clear()
        if self._foreign > 10 and now_ns - self._last_foreign_ns > QUIET_NS:
            self.end("the bus went quiet, so the key is off: nothing more is asked, as that would keep the bus awake")
        elif now_ns - self._began_ns > LONGEST_SESSION_NS:
            self.end(f"asking took longer than {LONGEST_SESSION_NS // S} s")

    def _time(self, now_ns: int) -> None:
        step = self._step
        assert step is not None
        if self._again_ns:
            if now_ns >= self._again_ns and step.to is not None:
                self._again_ns, self._deadline_ns = 0, max(self._deadline_ns, now_ns + ANSWER_NS)
                self._out += self._lines[step.to].ask(step.request)
            return
        if self._finished() or now_ns >= self._deadline_ns:
            self._close(step)
            answers, self._answers = self._answers, []
            self._advance(answers, now_ns)

    def _finished(self) -> bool:
        """Whether the step has what it waits for."""
        step = self._step
        if step is None or self._again_ns:
            return False
        if step.until is not None:
            return step.until()
        return step.to is not None and bool(self._answers)

    def _close(self, step: AskingStep) -> None:
        for word, line in self._lines.items():
            if line.receiving and self._waits_for(word):
                self.remark(word, "began a long answer and stopped half way")
                line.give_up()
        if step.request and (self._answers or not step.searching):
            self._silent = 0 if self._answers else self._silent + 1
            self._ever_answered |= bool(self._answers)

    def _advance(self, answers: list[ModuleAnswer] | None, now_ns: int) -> None:
        assert self._running is not None
        if self._ever_answered and self._silent >= MOST_SILENT:
            self.end("nobody answers any more: is the key off?")
            return
        while not self.ended_by:
            try:
                step = next(self._running) if answers is None else self._running.send(answers)
            except StopIteration:
                self.end("done")
                return
            if self._begin(step, now_ns):
                return
            answers = []

    def _begin(self, step: AskingStep, now_ns: int) -> bool:
        """Start a step; False when it can't be asked at all."""
        self._step, self._busy, self._again_ns = step, 0, 0
        self._flows.clear()
        self._deadline_ns = now_ns + step.wait_ns
        if step.frames:
            self._asked_ns = now_ns
            self.asked += len(step.frames)
            self._out += step.frames
        elif step.request:
            if not self.may_ask(self._request_word(step)):
                return False
            self._asking, self._asked_ns = True, now_ns
            self.asked += 1
            self._out += self._asking_line(step).ask(step.request)
        return True

    def _request_word(self, step: AskingStep) -> int:
        if step.to is None:
            return FUNCTIONAL_29 if step.extended else FUNCTIONAL_11
        if step.to in self.addresses:
            return self.addresses[step.to]
        identifier, extended = split_word(step.to)
        return identifier_word(*obd.flow_control_identifier(identifier, extended))

    def _asking_line(self, step: AskingStep) -> TransportLine:
        if step.to is None:
            word = FUNCTIONAL_29 if step.extended else FUNCTIONAL_11
            if step.extended not in self._functional:
                self._functional[step.extended] = TransportLine(word, word - 1)  # nothing ever answers under this one
            return self._functional[step.extended]
        if step.to not in self._lines:
            self._lines[step.to] = TransportLine(self._request_word(step), step.to)
        return self._lines[step.to]


_KEPT_GROUPS = frozenset({j1939.DM1, j1939.DM2, j1939.ADDRESS_CLAIMED, 0xF003, 0xF004, 0xE800})


def _name(word: int) -> str:
    return format_identifier(*split_word(word))


def _looks_asked(data: bytes) -> bool:
    """Whether a frame under a diagnostic identifier is a scan tool's: a request in one frame, or flow control."""
    if not data:
        return False
    if data[0] >> 4 == 3 and len(data) >= 3:
        return data[0] & 15 <= 2
    return 1 <= data[0] <= 7 and len(data) > data[0] and 0x01 <= data[1] <= 0x3E
