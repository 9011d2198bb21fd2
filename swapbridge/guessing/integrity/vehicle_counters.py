"""Guessing room: counters of the vehicle's kind, at its place, in messages that are too brief to show them alone.

A counter that goes round once in half a minute looks like a slow quantity for so long. But a maker gives every message
the same kind of counter, and at the same place; where that kind is known beforehand, a dozen steps on time are enough.
"""

from __future__ import annotations

from collections import Counter as Tally
from collections.abc import Collection, Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from swapbridge.core.integrity import Counter
from swapbridge.guessing.coding.bit_columns import BitColumns
from swapbridge.guessing.coding.codelength import field_words
from swapbridge.guessing.integrity.counters import FoundCounter, frames_between, goes_on_above

FEWEST_MOVES = 12
"""Steps that a counter must make: each by just as much as the clock says."""
ON_TIME = 0.98
"""Frames in which it must be as far on as the clock says, from the first one on."""
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
    tally: Tally[CounterKind] = Tally()
    for size, counters in found:
        for c in counters:
            # one that has not gone round yet may be longer
            if c.wraps and len(c.positions) <= 8 and c.positions[-1] - c.positions[0] == len(c.positions) - 1:
                for from_end in (True, False):
                    first = c.positions[0] - 8 * size * from_end
                    tally[CounterKind(from_end, first, len(c.positions), c.counter, c.every)] += 1
    at = Tally[tuple[bool, int]]()
    for kind, count in tally.items():
        at[kind.from_end, kind.first] += count
    return [k for k, count in tally.most_common() if count > LEAST_SHARE * at[k.from_end, k.first]]


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
    if len(step) < FEWEST_MOVES or len(step) < len(columns) - 1:
        return None  # several recordings have several beginnings
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
    """The counter, if these bits are as far on in each frame as the clock says, wherever in its rhythm it began."""
    low, high, by = kind.counter.low, kind.counter.high, kind.counter.step
    value = field_words(columns.payload, np.array(positions)).astype(np.int64)
    moves = int(np.count_nonzero(np.diff(value)))
    if moves < FEWEST_MOVES or value.min() < low or value.max() > high:
        return None
    span = high - low + 1
    at = np.concatenate(([0], np.cumsum(sendings)))
    for phase in range(kind.every):
        away = (value - by * ((at + phase) // kind.every)) % span
        share = float(np.bincount(away).max()) / len(value)
        if share >= ON_TIME:
            wraps = int(np.count_nonzero(np.diff(value) < 0))
            by_clock = bool((sendings > 1).any())
            return FoundCounter(positions, kind.counter, share, len(sendings), wraps, by_clock, kind.every)
    return None
