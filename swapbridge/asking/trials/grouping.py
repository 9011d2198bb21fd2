"""Asking room: which of many things a module needs, found by leaving groups of them out; answers may be wrong.

This is group testing. Every set of at most `most` needed things is a hypothesis with a probability. Each trial leaves
out the group whose answer is expected to be most informative, and Bayes' rule weighs the answer, which may be wrong; a
group is left out again only where that is the most informative trial. Each thing found not needed is left out once on
its own before that is accepted. Where the answers show that more is needed than was assumed, or where there is little
to group, things are left out one at a time.
"""

from __future__ import annotations

import itertools
import math
import random
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
import numpy.typing as npt

from swapbridge.core.errors import InputError

FIRST_DOUBT = 0.8
"""From here on things are left out alone, which each has to be once anyway, and which tells about the rest too."""
TRIES = 24
"""Random orders in which a group is grown before each trial."""
LOOKED_AT = 6
"""For so many of them, the most informative first, it is asked what goes with them."""
MOST_SETS = 300_000
"""Hypotheses that are weighed in no time."""
UNLIKELY = 0.001
"""More wrong answers than this probability allows mean that more is needed than was thought."""


class Finder(Protocol):
    """Finds out which things are needed."""

    answers: list[tuple[tuple[int, ...], bool]]

    def next_group(self) -> tuple[int, ...] | None: ...

    def take(self, group: Iterable[int], complained: bool) -> None: ...

    def result(self) -> tuple[tuple[int, ...], float]: ...


def most_for(count: int, most: int) -> int:
    """How many needed things, of `most` at most, can be weighed among `count`."""
    most, sets = min(most, count), 1
    for size in range(1, most + 1):
        sets += math.comb(count, size)
        if sets > MOST_SETS:
            return size - 1
    return most


@dataclass(slots=True)
class Grouping:
    """Plans trials and takes their answers: a pure state machine, the same for the same seed and answers.

    Parameters
    ----------
    count : int
        How many things there are, numbered from 0.
    most, least : int
        How many of them are needed at most, and at least.
    wrong : float
        Share of answers that are wrong.
    doubt : float
        Accepted probability of a wrong result.
    seed : int
    confirm : bool
        Whether everything not needed is left out once alone.
    held : callable
        What goes with a group when it is left out, itself included; a group is chosen that takes nothing with it.

    Raises
    ------
    InputError
        More hypotheses than can be kept, or a share that is none.
    """

    count: int
    most: int
    least: int = 0
    wrong: float = 0.05
    doubt: float = 0.01
    seed: int = 0
    answers: list[tuple[tuple[int, ...], bool]] = field(default_factory=list)
    confirm: bool = True
    held: Callable[[tuple[int, ...]], tuple[int, ...]] = lambda group: group
    _sets: npt.NDArray[np.uint64] = field(init=False)
    _log: npt.NDArray[np.float64] = field(init=False)
    _alone: set[int] = field(default_factory=set)

    def __post_init__(self) -> None:
        most = min(self.most, self.count)
        if not (1 <= self.count <= 64 and 0 < self.wrong < 0.5 and 0 < self.doubt < 1 and 0 <= self.least <= most):
            raise InputError(
                "a search takes 1 to 64 things; no more can be needed than there are, and each share must be "
                "below a half"
            )
        if sum(math.comb(self.count, size) for size in range(most + 1)) > 2_000_000:
            raise InputError(f"{self.count} things of which {most} may be needed are too many at once: split them")
        sets, weights = [], []
        for size in range(self.least, most + 1):
            every = [sum(1 << one for one in chosen) for chosen in itertools.combinations(range(self.count), size)]
            sets += every
            weights += [-math.log(len(every))] * len(every)  # every size is as likely before the first trial
        self._sets, self._log = np.array(sets, np.uint64), np.array(weights)
        given, self.answers = self.answers, []
        for group, complained in given:
            self.take(group, complained)

    def next_group(self) -> tuple[int, ...] | None:
        """What to leave out in the next trial; None when the result is sure."""
        likely = self._probabilities()
        best = int(np.argmax(likely))
        needed = self._members(int(self._sets[best]))
        left = [one for one in range(self.count) if self.confirm and one not in needed and one not in self._alone]
        if 1 - likely[best] > (FIRST_DOUBT if left else self.doubt):
            return self._informative(likely)
        return (left[0],) if left else None

    def take(self, group: Iterable[int], complained: bool) -> None:
        """Take an answer: whether the module complained with this group left out."""
        members = tuple(sorted(set(group)))
        mask = np.uint64(sum(1 << one for one in members))
        hit = (self._sets & mask) != 0
        right = hit if complained else ~hit
        self._log = self._log + np.where(right, math.log(1 - self.wrong), math.log(self.wrong))
        if len(members) == 1 and not complained:
            self._alone.add(members[0])
        self.answers.append((members, complained))

    def give_up(self, one: int) -> None:
        """A thing can't be left out alone: it is not asked for again."""
        self._alone.add(one)

    def result(self) -> tuple[tuple[int, ...], float]:
        """The likeliest set of needed things, and how likely it is to be wrong."""
        likely = self._probabilities()
        best = int(np.argmax(likely))
        return self._members(int(self._sets[best])), float(1 - likely[best])

    @property
    def contradicted(self) -> bool:
        """Whether more answers are against the likeliest set than are wrong by chance."""
        needed = set(self.result()[0])
        against = sum(bool(needed & set(group)) != complained for group, complained in self.answers)
        return _chance(against, len(self.answers), self.wrong) < UNLIKELY

    def _probabilities(self) -> npt.NDArray[np.float64]:
        weights = np.exp(self._log - self._log.max())
        out: npt.NDArray[np.float64] = weights / weights.sum()
        return out

    def _members(self, mask: int) -> tuple[int, ...]:
        return tuple(one for one in range(self.count) if mask >> one & 1)

    def _informative(self, likely: npt.NDArray[np.float64]) -> tuple[int, ...]:
        """The group whose answer is the least foreseen: it hits a needed thing in half of what is likely."""
        kept = np.argsort(likely)[-4000:]
        sets, share = self._sets[kept], likely[kept] / likely[kept].sum()
        draw = random.Random(self.seed * 100_003 + len(self.answers))
        grown: list[tuple[float, list[int]]] = []
        for _ in range(TRIES):
            order = list(range(self.count))
            draw.shuffle(order)
            mask, hit, members = 0, 0.0, []
            for one in order:
                more = mask | 1 << one
                found = _share(sets, share, more)
                if abs(found - 0.5) <= abs(hit - 0.5):
                    mask, hit = more, found
                    members.append(one)
            if members:
                grown.append((abs(hit - 0.5), members))
        grown.sort(key=lambda one: (round(one[0], 9), len(one[1])))
        best: tuple[float, tuple[int, ...]] = (1.0, (0,))
        for off, members in grown[:LOOKED_AT]:
            group = tuple(sorted(members))
            while len(members) > 1 and set(self.held(group)) != set(group):
                members = members[:-1]
                group = tuple(sorted(members))
                off = abs(_share(sets, share, sum(1 << one for one in group)) - 0.5)
            if off < best[0] - 1e-9:
                best = (off, group)
        return best[1]


def _share(sets: npt.NDArray[np.uint64], share: npt.NDArray[np.float64], mask: int) -> float:
    return float(share[(sets & np.uint64(mask)) != 0].sum())


@dataclass(slots=True)
class OneByOne:
    """One thing after the other, each left out alone until it is as sure as the whole has to be.

    Parameters
    ----------
    count : int
    wrong, doubt : float
    answers : list
        Answers that are known; only those of things left out alone count.
    """

    count: int
    wrong: float = 0.05
    doubt: float = 0.01
    answers: list[tuple[tuple[int, ...], bool]] = field(default_factory=list)

    def next_group(self) -> tuple[int, ...] | None:
        """What to leave out in the next trial; None when the result is sure."""
        share = self.doubt / self.count
        sure = math.log((1 - share) / share)
        return next(((one,) for one, odds in enumerate(self._odds()) if abs(odds) < sure), None)

    def take(self, group: Iterable[int], complained: bool) -> None:
        """Take an answer: whether the module complained with this group left out."""
        self.answers.append((tuple(sorted(set(group))), complained))

    def result(self) -> tuple[tuple[int, ...], float]:
        """The likeliest set of needed things, and how likely it is to be wrong."""
        odds = self._odds()
        doubt = 1 - math.prod(1 / (1 + math.exp(-abs(one))) for one in odds)
        return tuple(one for one, value in enumerate(odds) if value > 0), doubt

    def _odds(self) -> list[float]:
        out, step = [0.0] * self.count, math.log((1 - self.wrong) / self.wrong)
        for group, complained in self.answers:
            if len(group) == 1:
                out[group[0]] += step if complained else -step
        return out


def _chance(wrong: int, count: int, share: float) -> float:
    """How likely `wrong` or more of `count` answers are wrong."""
    below = sum(math.comb(count, k) * share**k * (1 - share) ** (count - k) for k in range(wrong))
    return max(0.0, 1 - below)
