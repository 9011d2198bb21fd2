"""Asking room: what moves a lamp or a needle: recorded payloads exchanged in groups until it moves, as a pure plan.

First the message: some messages cycle through a few payloads in which everything changes, the others hold one payload.
Then the signal: pairs of recorded payloads are played that differ in some signals and not in others. Payloads are never
mixed, so signals that always change together in the recording can't be told apart, and are named together.
"""

from __future__ import annotations

import math
from collections.abc import Generator
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from swapbridge.asking.trials.gauge import NEVER_SWEPT
from swapbridge.asking.trials.grouping import Finder, Grouping, OneByOne
from swapbridge.asking.trials.permit import Sendable
from swapbridge.asking.trials.things import MessageBits, Thing
from swapbridge.core.errors import InputError, RefusedError
from swapbridge.core.roles import find_role

WRONG = 0.05
"""Share of answers that are wrong."""
DOUBT = 0.01
GROUP_FROM = 4
PAIRS = 4000
"""So many pairs of recorded payloads are looked at."""
MOST_TRIALS = 60


@dataclass(frozen=True, slots=True)
class Exchange:
    """One trial: what is sent in turn.

    Attributes
    ----------
    turns : tuple of dict of int to bytes
        Payloads by word, one turn after the other, and again from the first.
    words : str
        What changes, for the log.
    """

    turns: tuple[dict[int, bytes], ...]
    words: str


@dataclass(frozen=True, slots=True)
class FieldFound:
    """What moves it.

    Attributes
    ----------
    things : tuple of Thing
        More than one where the recording can't separate them, or where several move it.
    words : tuple of int
        Messages that move it.
    doubt : float
        Probability that this is wrong.
    trials : int
    remark : str
    """

    things: tuple[Thing, ...]
    words: tuple[int, ...]
    doubt: float
    trials: int
    remark: str = ""


def check_exchanged(messages: tuple[Sendable, ...]) -> None:
    """Refuse messages that must not be exchanged.

    Raises
    ------
    RefusedError
    """
    never = {find_role(name).name for name in NEVER_SWEPT}
    for one in messages:
        for signal in one.message.signals:
            if signal.role in never:
                raise RefusedError(
                    f"{one.message.label} carries {signal.name}, a speed or a distance, from which a cluster counts "
                    "kilometres: leave this message out"
                )


@dataclass(slots=True)
class FieldPlan:
    """Plans exchanges and takes answers.

    Parameters
    ----------
    messages : tuple of Sendable
    seed : int

    Attributes
    ----------
    answers : list of bool
    result : FieldFound or None
        Once there is nothing left to ask.
    """

    messages: tuple[Sendable, ...]
    seed: int = 0
    answers: list[bool] = field(default_factory=list)
    result: FieldFound | None = None
    _moving: tuple[Sendable, ...] = ()
    _still: dict[int, bytes] = field(default_factory=dict)
    _turns: dict[int, list[bytes]] = field(default_factory=dict)
    _script: Generator[Exchange, bool, FieldFound] = field(init=False)
    _exchange: Exchange | None = None

    def __post_init__(self) -> None:
        check_exchanged(self.messages)
        moving = []
        for one in self.messages:
            heard: dict[bytes, bytes] = {}
            for data in one.payloads:
                heard.setdefault(one.heard(data), data)
            payloads = list(heard.values())
            self._still[one.word] = payloads[0]
            if len(payloads) > 1:
                self._turns[one.word] = _all_change(one, payloads)
                moving.append(one)
        if not moving:
            raise InputError("nothing changes in these messages of the recording: record while it changes")
        self._moving = tuple(moving)
        self._script = self._run()
        self._exchange = next(self._script)

    def next_exchange(self) -> Exchange | None:
        """What to exchange now; None when nothing is left to ask."""
        return self._exchange

    def take(self, moved: bool) -> None:
        """Take an answer: whether it moved."""
        self.answers.append(moved)
        try:
            self._exchange = self._script.send(moved)
        except StopIteration as end:
            self._exchange, self.result = None, end.value

    def _run(self) -> Generator[Exchange, bool, FieldFound]:
        count = len(self._moving)
        odds, step = 0.0, math.log((1 - WRONG) / WRONG)
        while abs(odds) < math.log(1 / DOUBT):
            odds += step if (yield self._of(range(count))) else -step
        if odds < 0:
            return self._end(
                (), (), DOUBT, "nothing moved it: try other messages, or a recording in which it moves more"
            )
        words, doubt = [0], 0.0
        if count > 1:
            finder: Finder = OneByOne(count, WRONG, DOUBT)
            if count >= GROUP_FROM:
                finder = Grouping(count, 2, 1, WRONG, DOUBT, self.seed, confirm=False)
            while (group := finder.next_group()) is not None and len(self.answers) < MOST_TRIALS + 4 * count:
                finder.take(group, (yield self._of(group)))
                if isinstance(finder, Grouping) and finder.contradicted:
                    finder = OneByOne(count, WRONG, DOUBT, finder.answers)
            found, doubt = finder.result()
            words = list(found)
        if not words:
            return self._end((), (), doubt, "no single message moves it: try again")
        things: tuple[Thing, ...] = ()
        for number in words:
            more, wrong = yield from self._signals(self._moving[number])
            things, doubt = things + more, 1 - (1 - doubt) * (1 - wrong)
        remark = "these always change together in the recording" if len(things) > len(words) else ""
        return self._end(things, tuple(self._moving[n].word for n in words), doubt, remark)

    def _of(self, group: range | tuple[int, ...]) -> Exchange:
        turns = {self._moving[n].word: self._turns[self._moving[n].word] for n in group}
        longest = max(len(payloads) for payloads in turns.values())
        every = [{word: payloads[turn % len(payloads)] for word, payloads in turns.items()} for turn in range(longest)]
        words = ", ".join(self._moving[n].message.label for n in group)
        return Exchange(tuple({**self._still, **one} for one in every), words)

    def _signals(self, one: Sendable) -> Generator[Exchange, bool, tuple[tuple[Thing, ...], float]]:
        """Which signals of a message move it: pairs whose changes split what is likely best."""
        things = _signal_things(one)
        if len(things) == 1:
            return things, 0.0
        firsts, seconds, changes = _pairs(one, things, self.seed)
        odds = np.zeros(len(things))  # of: this one moves it
        right, wrong = math.log(1 - WRONG), math.log(WRONG)
        for _ in range(MOST_TRIALS):
            likely = np.exp(odds - odds.max())
            likely /= likely.sum()
            shares = changes @ likely
            best = int(np.argmin(np.abs(shares - 0.5)))
            if abs(shares[best] - 0.5) > 0.5 - DOUBT / 4:  # no pair would show more
                break
            pair = ({**self._still, one.word: firsts[best]}, {**self._still, one.word: seconds[best]})
            names = ", ".join(thing.label for n, thing in enumerate(things) if changes[best, n])
            moved = yield Exchange(pair, names)
            hit = changes[best].astype(bool) == moved
            odds += np.where(hit, right, wrong)
        likely = np.exp(odds - odds.max())
        likely /= likely.sum()
        order = np.argsort(likely)[::-1]
        kept = [int(order[0])] + [int(n) for n in order[1:] if likely[n] > 0.5 * likely[order[0]]]
        return tuple(things[n] for n in sorted(kept)), float(1 - likely[kept].sum())

    def _end(self, things: tuple[Thing, ...], words: tuple[int, ...], doubt: float, remark: str) -> FieldFound:
        return FieldFound(things, words, doubt, len(self.answers), remark)


def _all_change(one: Sendable, payloads: list[bytes]) -> list[bytes]:
    """A few payloads, the first one in front, in which every bit changes that changes at all."""
    numbers = [int.from_bytes(one.heard(data), "little") for data in payloads]
    start, open_bits = numbers[0], 0
    for number in numbers:
        open_bits |= number ^ start
    chosen = [payloads[0]]
    while open_bits:
        best = max(
            range(len(numbers)), key=[((number ^ start) & open_bits).bit_count() for number in numbers].__getitem__
        )
        chosen.append(payloads[best])
        open_bits &= ~(numbers[best] ^ start)
    return chosen


def _signal_things(one: Sendable) -> tuple[Thing, ...]:
    """The map's signals that move, and what moves outside of them, bit by bit."""
    bits = {bit for thing in MessageBits(one).things if not thing.signal for bit in thing.bits}
    out = []
    for signal in one.message.signals:
        own = tuple(position for position in signal.layout.positions if position in bits)
        if own and signal.mux_signal is None:
            out.append(Thing(one.word, own, signal.name, f"{one.message.name}.{signal.name}"))
            bits -= set(own)
    out += [Thing(one.word, (bit,), "", f"{one.message.name} bit {bit >> 3}.{bit & 7}") for bit in sorted(bits)]
    return tuple(out)


def _pairs(
    one: Sendable, things: tuple[Thing, ...], seed: int
) -> tuple[list[bytes], list[bytes], npt.NDArray[np.float64]]:
    """Pairs of recorded payloads: next to each other and far apart, and which things differ between them."""
    distinct = list(dict.fromkeys(one.payloads))
    draw = np.random.default_rng(seed)
    near = np.arange(len(distinct) - 1)[: PAIRS // 2]
    a = np.concatenate((near, draw.integers(0, len(distinct), PAIRS // 2)))
    b = np.concatenate((near + 1, draw.integers(0, len(distinct), PAIRS // 2)))
    rows = np.array([list(one.heard(data)) for data in distinct], np.uint8)
    differ = np.unpackbits(rows[a] ^ rows[b], axis=1, bitorder="little")
    changes = np.stack([differ[:, list(thing.bits)].any(axis=1) for thing in things], axis=1).astype(float)
    return [distinct[n] for n in a.tolist()], [distinct[n] for n in b.tolist()], changes
