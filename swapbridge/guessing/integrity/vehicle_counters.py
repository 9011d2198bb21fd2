"""Guessing room: counters of the vehicle's kind, at its place, in messages that are too brief to show them alone.

A counter that goes round once in half a minute looks like a slow quantity for so long. But a maker gives every message
the same kind of counter, and at the same place; where that kind is known beforehand, a dozen steps on time are enough.
"""

from __future__ import annotations

from collections import Counter as Tally
from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from swapbridge.core.integrity import Counter
from swapbridge.guessing.coding.bit_columns import BitColumns
from swapbridge.guessing.coding.codelength import field_words
from swapbridge.guessing.integrity.counters import FoundCounter, frames_between, goes_on_above
from swapbridge.guessing.integrity.slow_counters import rhythm_in_trains

FEWEST_MOVES = 12
"""Steps that a counter must make without a long pause: each by just as much as the clock says."""
FEWEST_RESTS = 4
"""Rests recorded whole, all but all as long as the vehicle's counters have them."""
ON_TIME = 0.98
"""Frames in which it must be as far on as the clock says, from the first one after a long pause on."""
LEAST_SHARE = 0.5
"""Of the vehicle's counters at a place, the share that must be of one kind."""


class CounterKind(NamedTuple):
    """What all counters of a vehicle have in common: where they stand and how they count.

    Attributes
    ----------
    from_end : bool
        Whether the place is counted from the payload's end.
    first : int
        Its lowest bit, counted so.
    bits : int
        Bits side by side.
    counter : Counter
    every : int
        Sendings from one step to the next.
    """

    from_end: bool
    first: int
    bits: int
    counter: Counter
    every: int


def vehicle_counters(found: Sequence[tuple[int, Sequence[FoundCounter]]]) -> list[CounterKind]:
    """Kinds of counters at their places, those that most messages have first.

    Parameters
    ----------
    found : sequence of (payload bytes, counters)
        Of every message, what counts beyond doubt.

    Returns
    -------
    list of CounterKind
        Of each place at most one.
    """
    tally = _kinds(found)
    at = Tally[tuple[bool, int]]()
    for kind, count in tally.items():
        at[kind.from_end, kind.first] += count
    return [k for k, count in tally.most_common() if count > LEAST_SHARE * at[k.from_end, k.first]]


def _kinds(found: Sequence[tuple[int, Sequence[FoundCounter]]]) -> Tally[CounterKind]:
    return Tally(kind for size, counters in found for c in counters for kind in _kinds_of(c, size))


def _kinds_of(c: FoundCounter, size: int) -> list[CounterKind]:
    """What it is by its place from either end; nothing where it may be longer, as it has not gone round yet."""
    if not c.wraps or len(c.positions) > 8 or c.positions[-1] - c.positions[0] != len(c.positions) - 1:
        return []
    places = [(from_end, c.positions[0] - 8 * size * from_end) for from_end in (True, False)]
    return [CounterKind(*place, len(c.positions), c.counter, c.every) for place in places]


def counted_alike(
    counters: Sequence[tuple[int, Sequence[FoundCounter]]], voting: Sequence[tuple[int, Sequence[FoundCounter]]]
) -> list[tuple[FoundCounter, ...]]:
    """The counters of every message, each with how many other messages have one of its kind at its place.

    Parameters
    ----------
    counters : sequence of (payload bytes, counters)
        Of every message.
    voting : sequence of (payload bytes, counters)
        The same, only what counts beyond doubt.

    Returns
    -------
    list of tuple of FoundCounter
        One for each message.
    """
    tally = _kinds(voting)
    out = []
    for (size, mine), (_, sure) in zip(counters, voting, strict=True):
        own = {c.positions for c in sure}
        votes = [max((tally[k] for k in _kinds_of(c, size)), default=0) - (c.positions in own) for c in mine]
        out.append(tuple(replace(c, shared=max(0, n)) for c, n in zip(mine, votes, strict=True)))
    return out


def counter_of_vehicle(
    columns: BitColumns, kinds: Sequence[CounterKind], counters: Sequence[FoundCounter], taken: Collection[int]
) -> FoundCounter | None:
    """A message's counter of one of these kinds, if its bits are on time in every frame.

    Parameters
    ----------
    columns : BitColumns
        The message's frames.
    kinds : sequence of CounterKind
        The vehicle's.
    counters : sequence of FoundCounter
        What was found to count in the message: nothing, or the lower bits of the counter.
    taken : collection of int
        Bits that something else is known to be.

    Returns
    -------
    FoundCounter or None
        None too where it was found already.
    """
    size = int(columns.payload.shape[1])
    step = np.flatnonzero(~columns.breaks[1:]) + 1
    if len(step) < FEWEST_MOVES:
        return None
    known = {p for c in counters for p in c.positions}
    sendings: npt.NDArray[np.int64] | None = None
    for kind in kinds:
        first = kind.first + 8 * size * kind.from_end
        positions = tuple(range(first, first + kind.bits))
        if not 0 <= first <= 8 * size - kind.bits or not known < set(positions) or set(positions) & set(taken):
            continue
        if not columns.live[first]:
            continue
        sendings = frames_between(columns, step) if sendings is None else sendings
        found = _on_time(columns, kind, positions, sendings)
        down = 2 * kind.counter.step > kind.counter.high - kind.counter.low + 1
        if found is not None and not goes_on_above(columns, step, np.array(positions), down=down):
            return found
    return None


def _on_time(
    columns: BitColumns, kind: CounterKind, positions: tuple[int, ...], sendings: npt.NDArray[np.int64]
) -> FoundCounter | None:
    """The counter, if these bits are as far on in each frame as the clock says, wherever in its rhythm it began.

    After a long pause, and in each of several recordings, it begins anew.
    """
    low, high, by = kind.counter.low, kind.counter.high, kind.counter.step
    value = field_words(columns.payload, np.array(positions)).astype(np.int64)
    if value.min() < low or value.max() > high:
        return None
    span = high - low + 1
    begins = np.flatnonzero(columns.breaks[1:]) + 1
    moves = max(int(np.count_nonzero(np.diff(part))) for part in np.split(value, begins))
    if moves < FEWEST_MOVES:
        return None
    passed = np.zeros(len(value), np.int64)
    passed[np.flatnonzero(~columns.breaks[1:]) + 1] = sendings
    on_time = 0
    for part, steps in zip(np.split(value, begins), np.split(passed, begins), strict=True):
        at = np.cumsum(steps) - steps[0]
        on_time += max(
            int(np.bincount((part - by * ((at + phase) // kind.every)) % span).max()) for phase in range(kind.every)
        )
    share = on_time / len(value)
    if share < ON_TIME:  # or the clock can't say how long pauses were
        rests = rhythm_in_trains(by * (value - low), passed[1:], span, FEWEST_RESTS) if by in (1, span - 1) else None
        if rests is None or rests[0] != kind.every:
            return None
        share = rests[1]
    wraps = int(np.count_nonzero(np.diff(value) < 0))
    return FoundCounter(positions, kind.counter, share, len(sendings), wraps, bool((sendings > 1).any()), kind.every)
