"""Simulated modules that wait for messages and bits, and the recording that a trial plays: apart from the trial.

`Waiting` answers whole trials; `OnTable` is a node on a bus, with sleep, self-test, time-outs, damping, enabling
conditions and codes that latch, written from ISO 14229-1's status bits (from memory).
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from fractions import Fraction

from swapbridge.asking.trials.needs_plan import LAMP, NeedsPlan, Trial, TrialAnswer
from swapbridge.asking.trials.permit import Sendable
from swapbridge.core.layout import Layout
from swapbridge.signalmap.signal_map import MapMessage, MapSignal

MS = 1_000_000


def recorded(sizes: list[int], draw: random.Random, rows: int = 1500) -> tuple[Sendable, ...]:
    """Messages whose first bits move freely; the rest never moves."""
    out = []
    for number, size in enumerate(sizes):
        signals = tuple(MapSignal(f"S{bit}", Layout(bit, 1)) for bit in range(size))
        message = MapMessage(f"M{number}", 0x100 + number, False, 8, signals, period_ms=Fraction(20), senders=("ECM",))
        payloads = tuple(draw.getrandbits(size).to_bytes(8, "little") for _ in range(rows))
        out.append(Sendable(message, 20 * MS, payloads))
    return tuple(out)


def moves(payloads: tuple[bytes, ...], bit: int) -> bool:
    return len({data[bit >> 3] >> (bit & 7) & 1 for data in payloads}) > 1


@dataclass
class Waiting:
    """Complains, but for wrong answers, when a needed message is missing or a needed bit stands still, if it watches.

    Attributes
    ----------
    enabling : set of int
        Words without which it watches nothing.
    bits : dict of int to set of int
        Needed bits of each needed word.
    """

    enabling: set[int]
    bits: dict[int, set[int]]
    draw: random.Random
    wrong: float = 0.05
    trials: list[Trial] = field(default_factory=list)

    def answer(self, trial: Trial) -> TrialAnswer:
        self.trials.append(trial)
        bad = bool(trial.left_out & set(self.bits))
        for part in trial.parts:
            for word, bits in self.bits.items():
                payloads = part.played.get(word)
                bad |= payloads is not None and not all(moves(payloads, bit) for bit in bits)
        complains = bad and not trial.left_out & self.enabling
        return (LAMP,) if complains != (self.draw.random() < self.wrong) else ()


def module(seed: int, wrong: float = 0.05) -> tuple[tuple[Sendable, ...], Waiting]:
    """14 messages with 200 bits in all; one to three are needed, with five bits at most; up to two let it watch."""
    draw = random.Random(seed)
    sizes = [14] * 10 + [15] * 4
    draw.shuffle(sizes)
    messages = recorded(sizes, draw)
    chosen = draw.sample(range(14), draw.randrange(1, 4) + 2)
    watch = {0x100 + one for one in chosen[: draw.randrange(3)]}
    needed = chosen[2:]
    bits: dict[int, set[int]] = {0x100 + one: set() for one in needed}
    for number in range(draw.randrange(len(needed), 6)):
        one = needed[number] if number < len(needed) else draw.choice(needed)
        bits[0x100 + one].add(draw.randrange(sizes[one]))
    return messages, Waiting(watch, bits, draw, wrong)


def found(plan: NeedsPlan) -> tuple[set[int], dict[int, set[int]]]:
    """What a plan found: words that let it watch, and the needed bits of each needed word."""
    assert plan.result is not None
    watch = {one.thing.word for one in plan.result.messages if one.verdict == "enables monitoring"}
    bits: dict[int, set[int]] = {one.thing.word: set() for one in plan.result.messages if one.verdict == "needed"}
    for one in plan.result.bits:
        if one.verdict in ("needed", "undecided") and one.thing.word in bits:
            bits[one.thing.word] |= set(one.thing.bits)
    return watch, bits


def run(plan: NeedsPlan, waiting: Waiting) -> int:
    """All trials of a plan."""
    while (trial := plan.next_trial()) is not None:
        plan.take(waiting.answer(trial))
    return len(plan.answers)


@dataclass
class OnTable:
    """A module on a table: speaks while awake, sleeps after key off, watches messages and bits, answers 19 01 and 02.

    Parameters
    ----------
    bits : dict of int to set of int
        Needed bits of each needed word.
    enabling : set of int
        It watches nothing until each of these was heard after key on, and no longer than a time-out ago.
    timeout_ns, enable_ns, after_run_ns : int
    latched : dict of int to int
        Status by code; 'confirmed' (0x08) stays for good.
    """

    bits: dict[int, set[int]]
    enabling: set[int] = field(default_factory=set)
    own: int = 0x500
    request: int = 0x7A0
    answer: int = 0x7A8
    timeout_ns: int = 2_000 * MS
    enable_ns: int = 3_000 * MS
    after_run_ns: int = 4_000 * MS
    latched: dict[int, int] = field(default_factory=dict)
    key_on_ns: int | None = 0
    key_off_ns: int = 0
    cycles: int = 0
    never_sleeps: bool = False
    _heard: dict[int, int] = field(default_factory=dict)
    _moved: dict[tuple[int, int], int] = field(default_factory=dict)
    _last: dict[int, bytes] = field(default_factory=dict)
    _spoke_ns: int = -1

    def codes(self) -> dict[int, tuple[int, int | None]]:
        """Code by number: word and bit (None: missing)."""
        out: dict[int, tuple[int, int | None]] = {}
        for number, word in enumerate(sorted(self.bits)):
            out[0xC10087 + (number << 12)] = (word, None)
            out |= {0xC40086 + (number << 12) + (bit << 16): (word, bit) for bit in self.bits[word]}
        return out

    def key(self, on: bool, now_ns: int) -> None:
        if on and self.key_on_ns is None:
            self.key_on_ns = now_ns
            if not self.never_sleeps and now_ns - self.key_off_ns >= self.after_run_ns:
                self.cycles += 1
                self._heard, self._moved, self._last = {}, {}, {}
                self.latched = {code: status & ~0x03 for code, status in self.latched.items()}
        elif not on and self.key_on_ns is not None:
            self.key_on_ns, self.key_off_ns = None, now_ns

    def hear(self, word: int, data: bytes, now_ns: int) -> list[tuple[int, bytes]]:
        if word == self.request and self.key_on_ns is not None:
            return self._say(data)
        self._heard[word] = now_ns
        before = self._last.get(word, data)
        for bit in range(8 * len(data)):
            if (before[bit >> 3] ^ data[bit >> 3]) >> (bit & 7) & 1:
                self._moved[word, bit] = now_ns
        self._last[word] = data
        return []

    def step(self, now_ns: int) -> list[tuple[int, bytes]]:
        if self.key_on_ns is not None:
            self._watch(now_ns)
        awake = self.key_on_ns is not None or now_ns - self.key_off_ns < self.after_run_ns
        if awake and now_ns - self._spoke_ns >= 100 * MS:
            self._spoke_ns = now_ns
            return [(self.own, bytes(8))]
        return []

    def _watch(self, now_ns: int) -> None:
        assert self.key_on_ns is not None
        begin = self.key_on_ns + self.enable_ns
        if now_ns < begin or any(
            now_ns - self._heard.get(word, -(1 << 60)) > self.timeout_ns for word in self.enabling
        ):
            return
        for code, (word, bit) in self.codes().items():
            last = self._heard.get(word, 0) if bit is None else self._moved.get((word, bit), 0)
            if bit is not None and word not in self._heard:
                continue
            failed = now_ns - max(last, begin) > self.timeout_ns
            status = self.latched.get(code, 0)
            self.latched[code] = status | 0x0B if failed else status & ~0x01

    def _say(self, data: bytes) -> list[tuple[int, bytes]]:
        failing = {code: status for code, status in self.latched.items() if status & data[3]}
        if data[1:3] == b"\x19\x01":
            return [(self.answer, bytes((6, 0x59, 0x01, 0x0B, 0x00, 0, len(failing), 0x55)))]
        body = b"\x59\x02\x0b" + b"".join(c.to_bytes(3, "big") + bytes((s,)) for c, s in failing.items())
        if data[1:3] == b"\x19\x02" and len(body) <= 7:
            return [(self.answer, bytes((len(body),)) + body.ljust(7, b"\x55"))]
        if data[1:3] == b"\x19\x02":
            self._rest = body[6:]
            return [(self.answer, bytes((0x10, len(body))) + body[:6])]
        if data[0] == 0x30:
            pieces = [self._rest[n : n + 7] for n in range(0, len(self._rest), 7)]
            return [(self.answer, bytes((0x20 | (n + 1) & 15,)) + p.ljust(7, b"\x55")) for n, p in enumerate(pieces)]
        return []

    _rest: bytes = b""
