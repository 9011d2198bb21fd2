"""Asking room: which of many things a module needs, found by leaving groups of them out; answers may be wrong.

Call it grouping. Every set of at most `most` needed things is a hypothesis with a probability. Each trial leaves out
the group whose answer tells most, and Bayes' rule takes the answer in, right or wrong; so a group is left out again
only where that is what tells most. What comes out as not needed is left out once alone before it is believed.
"""

from __future__ import annotations

import itertools
import json
import math
import random
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from swapbridge.core.errors import InputError

FIRST_DOUBT = 0.8
"""From here on things are left out alone, which each has to be once anyway, and which tells about the rest too."""
TRIES = 24
"""Random orders in which a group is grown before each trial."""


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
        Probability of a wrong result that is borne.
    seed : int

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
    _sets: npt.NDArray[np.uint64] = field(init=False)
    _log: npt.NDArray[np.float64] = field(init=False)
    _alone: set[int] = field(default_factory=set)

    def __post_init__(self) -> None:
        most = min(self.most, self.count)
        if not (1 <= self.count <= 64 and 0 < self.wrong < 0.5 and 0 < self.doubt < 1 and 0 <= self.least <= most):
            raise InputError("grouping takes 1 to 64 things, no more needed than there are, and shares below half")
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
        left = [one for one in range(self.count) if one not in needed and one not in self._alone]
        if 1 - likely[best] > (FIRST_DOUBT if left else self.doubt):
            return self._telling(likely)
        return (left[0],) if left else None

    def take(self, group: Iterable[int], complained: bool) -> None:
        """Take an answer: whether the module complained with this group left out."""
        members = tuple(sorted(set(group)))
        mask = np.uint64(sum(1 << one for one in members))
        hit = (self._sets & mask) != 0
        right = hit if complained else ~hit
        self._log = self._log + np.where(right, math.log(1 - self.wrong), math.log(self.wrong))
        if len(members) == 1:
            self._alone.add(members[0])
        self.answers.append((members, complained))

    def result(self) -> tuple[tuple[int, ...], float]:
        """The likeliest set of needed things, and how likely it is to be wrong."""
        likely = self._probabilities()
        best = int(np.argmax(likely))
        return self._members(int(self._sets[best])), float(1 - likely[best])

    def to_json(self) -> str:
        """Everything, so that a trial can go on another day; `grouping_from` reads it."""
        names = ("count", "most", "least", "wrong", "doubt", "seed", "answers")
        return json.dumps({name: getattr(self, name) for name in names})

    def _probabilities(self) -> npt.NDArray[np.float64]:
        weights = np.exp(self._log - self._log.max())
        out: npt.NDArray[np.float64] = weights / weights.sum()
        return out

    def _members(self, mask: int) -> tuple[int, ...]:
        return tuple(one for one in range(self.count) if mask >> one & 1)

    def _telling(self, likely: npt.NDArray[np.float64]) -> tuple[int, ...]:
        """The group whose answer is the least foreseen: it hits a needed thing in half of what is likely."""
        kept = np.argsort(likely)[-4000:]
        sets, share = self._sets[kept], likely[kept] / likely[kept].sum()
        draw = random.Random(self.seed * 100_003 + len(self.answers))
        best: tuple[float, tuple[int, ...]] = (1.0, (0,))
        for _ in range(TRIES):
            order = list(range(self.count))
            draw.shuffle(order)
            mask, hit, members = 0, 0.0, []
            for one in order:
                more = mask | 1 << one
                found = float(share[(sets & np.uint64(more)) != 0].sum())
                if abs(found - 0.5) <= abs(hit - 0.5):
                    mask, hit = more, found
                    members.append(one)
            if members and abs(hit - 0.5) < best[0] - 1e-9:
                best = (abs(hit - 0.5), tuple(sorted(members)))
        return best[1]


def grouping_from(text: str) -> Grouping:
    """Read what `Grouping.to_json` gave.

    Raises
    ------
    InputError
        It is something else.
    """
    try:
        data = json.loads(text)
        data["answers"] = [(tuple(group), bool(complained)) for group, complained in data["answers"]]
        return Grouping(**data)
    except (ValueError, TypeError, KeyError):
        raise InputError("this holds no trials of a grouping: name the file that an earlier trial kept") from None
