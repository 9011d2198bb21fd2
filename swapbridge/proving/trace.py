"""Proving room: the trace of a run beside the exact reference: every frame sent, bit for bit, and when."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field

from swapbridge.core.identifier_words import format_identifier, split_word
from swapbridge.plan.plan import Plan
from swapbridge.plan.program import FrameLike
from swapbridge.proving.bench.nodes import Polled, ReceivedFrame, Restart
from swapbridge.proving.reference.j1939_node import FrameSubject
from swapbridge.proving.reference.reference import Reference
from swapbridge.proving.reference.sent_message import ReferenceMessage
from swapbridge.signalmap.signal_map import MapMessage

LATE_US = 2_000
JOINED = -1
"""Stands for the answers to several identifiers at once where the others have their number."""


@dataclass(slots=True)
class Tally:
    """What became of one sent message's frames."""

    frames: int = 0
    wrong: int = 0
    unasked: int = 0
    missing: int = 0
    late: int = 0
    signals_wrong: dict[str, int] = field(default_factory=dict)
    example: dict[str, str] = field(default_factory=dict)
    name: str = ""

    @property
    def problems(self) -> int:
        """Frames that were not as they had to be, or not when they had to be."""
        return self.wrong + self.unasked + self.missing + self.late

    def when_words(self) -> str:
        """What is wrong with the moments of sending."""
        parts = ((self.unasked, "sent when not due"), (self.missing, "due and not sent"), (self.late, "late"))
        return ", ".join(f"{n:,} {words}" for n, words in parts if n)


@dataclass(slots=True)
class Contents:
    """Tallies by bus and word, those of answers to a scan tool by their number in service 01."""

    tallies: dict[tuple[int, int], Tally] = field(default_factory=dict)
    answers: dict[int, Tally] = field(default_factory=dict)
    strangers: dict[tuple[int, int], int] = field(default_factory=dict)
    passed: int = 0

    def tally(self, target: ReferenceMessage | FrameSubject, *, joined: bool = False) -> Tally:
        """The tally of a message."""
        if joined:
            return self.answers.setdefault(JOINED, Tally(name="answer to several"))
        if target.answers is not None:
            return self.answers.setdefault(target.answers, Tally(name=f"answer {target.answers:02X}"))
        key = target.bus_number, target.message.word
        if key not in self.tallies:
            self.tallies[key] = Tally(name=target.message.name)
        return self.tallies[key]

    @property
    def wrong(self) -> int:
        """Frames that were not as they had to be, or not when they had to be."""
        return sum(t.problems for t in self._all) + sum(self.strangers.values())

    @property
    def _all(self) -> list[Tally]:
        return [*self.tallies.values(), *self.answers.values()]

    def add_answers(self, other: Contents) -> None:
        """Count the answers of another run too."""
        for number, tally in other.answers.items():
            mine = self.answers.setdefault(number, Tally(name=tally.name))
            mine.frames += tally.frames
            mine.wrong += tally.wrong
            mine.unasked += tally.unasked
            mine.missing += tally.missing
            mine.example = {**tally.example, **mine.example}

    def first_problem(self) -> str:
        """One sentence, "" when all is well."""
        for (bus, word), count in self.strangers.items():
            return (
                f"{count} frames of {format_identifier(*split_word(word))} on bus {bus}, for which there was no reason"
            )
        for tally in self._all:
            for name, text in tally.example.items():
                return f"{name}: {text}"
            if tally.unasked or tally.missing or tally.late:
                return f"{tally.name}: {tally.when_words()}"
        return ""


def judge_trace(
    plan: Plan,
    reference: Reference,
    trace: Sequence[ReceivedFrame | Polled | Restart],
    late_us: int | None = LATE_US,
) -> Contents:
    """Run the reference beside a recorded trace and compare every frame given, and when.

    Parameters
    ----------
    late_us : int or None
        A periodic message that was due longer ago than this is late; None where the clock steps.
    """
    judge_of = TraceJudge(plan, reference, late_us)
    judge_of.take(trace)
    return judge_of.contents


class TraceJudge:
    """Judges a trace piece by piece, for runs whose trace is too long to keep."""

    def __init__(self, plan: Plan, reference: Reference, late_us: int | None = LATE_US) -> None:
        self.contents = Contents()
        self._reference, self._late_us = reference, late_us
        self._passing = _Passing(plan)
        self._begin: int | None = None

    def take(self, trace: Sequence[ReceivedFrame | Polled | Restart]) -> None:
        """The next piece."""
        reference, late_us = self._reference, self._late_us
        passing = self._passing if self._passing.passes_any else None
        if self._begin is None and trace:
            self._begin = trace[0].now_us
        for event in trace:
            if isinstance(event, ReceivedFrame):
                now, bus, word, data = event
                reference.heard(bus, word, data, now)
                if passing is not None:
                    passing.heard(event)
                continue
            if isinstance(event, Restart):
                raise ValueError("a restarted translator needs a reference of its own: cut the trace there")
            now, frame = event
            if late_us is not None:
                for target in reference.overdue(now, late_us):
                    self.contents.tally(target).late += 1
            reference.polled(now)
            if frame is not None:
                self._one_frame(now, frame)
            elif (decision := reference.next_due(now)) is not None and decision.payload is not None:
                self.contents.tally(decision.target, joined=decision.joined).missing += 1

    def _one_frame(self, now: int, frame: FrameLike) -> None:
        out = self.contents
        key = frame.bus, frame.word
        if self._passing.takes(frame.bus, frame.word, frame.data):
            out.passed += 1
            return
        decision = self._reference.decide(*key, now)
        if decision is None:
            out.strangers[key] = out.strangers.get(key, 0) + 1
            return
        tally = out.tally(decision.target, joined=decision.joined)
        tally.frames += 1
        data = bytes(frame.data)
        if not decision.due or decision.payload is None:
            tally.unasked += 1
        elif data != decision.payload and not decision.target.nearly(data, decision.payload):
            tally.wrong += 1
            seconds = ((now - (self._begin or 0)) & 0xFFFF_FFFF) / 1e6
            _note_difference(
                tally, None if decision.joined else decision.target.message, data, decision.payload, seconds
            )


def _note_difference(tally: Tally, message: MapMessage | None, got: bytes, expected: bytes, seconds: float) -> None:
    """Which signals differ, and the first example of each."""
    named: set[int] = set()
    size = min(len(got), len(expected))
    for signal in message.signals if message is not None else ():
        if not signal.layout.fits(size):
            continue
        named.update(signal.layout.positions)
        a, b = signal.layout.unpack(got), signal.layout.unpack(expected)
        if a != b:
            tally.signals_wrong[signal.name] = tally.signals_wrong.get(signal.name, 0) + 1
            if signal.name not in tally.example and len(tally.example) < 40:
                unit = f" {signal.unit}" if signal.unit else ""
                tally.example[signal.name] = (
                    f"at {seconds:.3f} s sent {float(signal.physical(a)):g}{unit} (raw {a}), "
                    f"must be {float(signal.physical(b)):g}{unit} (raw {b})"
                )
    rest = [p for p in range(8 * size) if p not in named and (got[p >> 3] ^ expected[p >> 3]) >> (p & 7) & 1]
    if rest or len(got) != len(expected):
        tally.signals_wrong["other bits"] = tally.signals_wrong.get("other bits", 0) + 1
        tally.example.setdefault("other bits", f"at {seconds:.3f} s sent {got.hex()}, must be {expected.hex()}")


class _Passing:
    """Frames that pass rules let through: each heard one may be sent once, unchanged, in order."""

    def __init__(self, plan: Plan) -> None:
        self._rules = plan.passes
        self.passes_any = bool(plan.passes)
        self._waiting: dict[tuple[int, int], deque[bytes]] = {}
        self._buses = range(len(plan.buses))

    def heard(self, event: ReceivedFrame) -> None:
        for target in self._buses:
            for rule in self._rules:
                if rule.bus != event.bus or not rule.first <= event.word <= rule.last:
                    continue
                if rule.to_bus not in (target, -1) or (rule.block and rule.to_bus == -1 and target == event.bus):
                    continue
                if not rule.block:
                    word = event.word if rule.new_word < 0 else rule.new_word
                    self._waiting.setdefault((target, word), deque(maxlen=64)).append(event.data)
                break

    def takes(self, bus: int, word: int, data: bytes) -> bool:
        """Whether a sent frame is one of those, the oldest of its identifier that is left."""
        waiting = self._waiting.get((bus, word))
        while waiting:
            # one that found the queue full was dropped
            if waiting.popleft() == data:
                return True
        return False
