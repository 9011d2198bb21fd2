"""Guessing room: what counts along with a counter: a second counter adds no information, bits of a check may do so.

A check of little more than a counter goes in step with it. Where it covers more it slips by itself, and where its bits
are not the counter's own it goes on by another step. A frame that the logger lost both miss.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import gcd

import numpy as np
import numpy.typing as npt

from swapbridge.guessing.coding.bit_columns import BitColumns
from swapbridge.guessing.coding.codelength import field_words
from swapbridge.guessing.integrity.checksums import IN_STEP
from swapbridge.guessing.integrity.counters import FoundCounter, usual_steps

TWINS = 0.995
"""Share of frames in which two counters that tell the same are equally far apart."""


def without_redundant(columns: BitColumns, counters: Sequence[FoundCounter]) -> list[FoundCounter]:
    """The counters that are not most likely bits of a check of another one.

    Parameters
    ----------
    columns : BitColumns
        The message's frames.
    counters : sequence of FoundCounter
        All that counts in it.

    Returns
    -------
    list of FoundCounter
        Without those that slip by themselves beside one that does not, and those that count otherwise in step with one
        that goes on by one.
    """
    return [
        c
        for c in counters
        if not any(_slips_beside(c, o, columns) or _mirrors(c, o, columns) for o in counters if o is not c)
    ]


def counted_apart(one: FoundCounter, other: FoundCounter, columns: BitColumns) -> npt.NDArray[np.int64]:
    """Each frame's distance between two counters, as far as the first one goes round.

    Parameters
    ----------
    one, other : FoundCounter
        Two counters of a message.
    columns : BitColumns
        Its frames.

    Returns
    -------
    (N,) int64
        The same for as long as neither slips.
    """
    span = one.counter.high - one.counter.low + 1
    a, b = (field_words(columns.payload, np.array(c.positions)).astype(np.int64) for c in (one, other))
    return np.asarray((other.counter.step * a - one.counter.step * b) % span, np.int64)


def are_twins(one: FoundCounter, other: FoundCounter, columns: BitColumns) -> bool:
    """Whether two counters of one size and step stay the same distance apart: either is as good as the other.

    Parameters
    ----------
    one, other : FoundCounter
        Two counters of a message.
    columns : BitColumns
        Its frames.

    Returns
    -------
    bool
        True where nothing tells which of them counts.
    """
    return one.counter.step == other.counter.step and _in_step(one, other, columns)


def _mirrors(one: FoundCounter, other: FoundCounter, columns: BitColumns) -> bool:
    """Whether this goes on by another step than one, and in step with a counter of its size that goes on by one."""
    return one.counter.step != 1 and other.counter.step == 1 and _in_step(one, other, columns)


def _in_step(one: FoundCounter, other: FoundCounter, columns: BitColumns) -> bool:
    span = one.counter.high - one.counter.low + 1
    if span != other.counter.high - other.counter.low + 1 or gcd(one.counter.step * other.counter.step, span) > 1:
        return False
    return bool(np.bincount(counted_apart(one, other, columns)).max() >= TWINS * len(columns))


def _slips_beside(one: FoundCounter, other: FoundCounter, columns: BitColumns) -> bool:
    """Whether this goes in step with another counter, but for a few steps that it alone misses."""
    span = one.counter.high - one.counter.low + 1
    rounds = other.counter.high - other.counter.low + 1
    if one.share == 1.0 or rounds % span or gcd(one.counter.step * other.counter.step, span) > 1:
        return False
    apart = (np.diff(counted_apart(one, other, columns)) != 0)[~columns.breaks[1:]]
    if not apart.any() or apart.mean() >= 1 - IN_STEP:
        return False
    goes, runs = (usual_steps(columns, c) for c in (one, other))
    return bool((~goes & runs).any() and not (goes & ~runs).any())
