"""Guessing room: fields that are all ones until their module has a value, and then move on together.

All ones is how a message says 'not available' (SAE J1939-71 has it so for every parameter). The jump from there to the
first value is no step of the quantity: the first value has to be stated anyway, as for any other field, and what comes
before is determined by its end. So a field's history is counted from its first value on, and what it costs is to be
called such a field at all.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from swapbridge.guessing.coding.bit_columns import Pairs, count_bits

FEWEST_FALLS = 6
"""Bits that must leave all ones in one step: so many fall together when values come, hardly otherwise."""
FEWEST_STEPS = 3
"""Steps of the sample, the last one away from there: a payload that jitters is at ones for a frame or two by chance."""
FEWEST_BYTES = 2
"""Or whole bytes that are all ones until some of their bits fall, in any number of steps: by chance so many bits begin
at one once in 65,000 times, those that stay one afterwards among them."""
OPENING_BITS = 3.0
"""Naming one field of an opening: each of the parts into which a field is cut pays it."""
RESTING_BITS = 4.0
ALSO_RESTING_BITS = 2.0
"""A low bit that rests at its first value, though those above it move, is odd in a field: makers use their codes. More
of them rest for the same reason, a quantity on a coarse grid, and cost what dead bits in a gap do."""


@dataclass(frozen=True, slots=True)
class Opening:
    """Where a message's first values are not available yet.

    Attributes
    ----------
    ones : (8 B,) bool
        Bits that are one in every frame of it, those that never change among them.
    falls : (8 B,) bool
        Those of them that are zero right after.
    moves : (8 B,) bool
        Bits that move after it.
    after : Pairs
        The steps after it.
    steps : float
        Steps of the whole recording.
    """

    ones: npt.NDArray[np.bool_]
    falls: npt.NDArray[np.bool_]
    moves: npt.NDArray[np.bool_]
    after: Pairs
    steps: float

    def price(self, resting: npt.NDArray[np.intp], length: npt.NDArray[np.intp]) -> npt.NDArray[np.float64]:
        """What candidates of so many bits, so many of the lowest at rest, cost beside their history after the opening.

        One bit has no code to spare for 'not available': that it fell just then has to be stated.
        """
        grid = np.where(resting > 0, RESTING_BITS + ALSO_RESTING_BITS * (resting - 1), 0.0)
        alone = np.where(length == 1, np.log2(self.steps), 0.0)
        return np.asarray(OPENING_BITS + grid + alone)


def find_opening(pairs: Pairs, alive: npt.NDArray[np.bool_]) -> Opening | None:
    """The stretch at the beginning in which fields are all ones, where there is one.

    Parameters
    ----------
    pairs : Pairs
        Steps in the order they came.
    alive : (8 B,) bool
        Bits that change and are not spoken for.

    Returns
    -------
    Opening or None
        Of all steps the one in which most bits leave the ones that they stood at from the beginning on.
    """
    if not len(pairs.new):
        return None
    steps = len(pairs.new)
    lost = np.unpackbits(~(pairs.old & pairs.new), axis=1, bitorder="little").astype(bool)
    first = np.where(lost.any(axis=0), lost.argmax(axis=0), steps)
    first[np.unpackbits(pairs.old[0], bitorder="little") == 0] = -1
    count = np.bincount(first[alive & (first >= 0)], minlength=steps)[:steps]
    enough = count >= FEWEST_FALLS
    enough[: FEWEST_STEPS - 1] = False
    ends = first.reshape(-1, 8).min(axis=1)  # of the byte's ones
    falls = (alive & (first == np.repeat(ends, 8))).reshape(-1, 8).any(axis=1) & (ends >= 0) & (ends < steps)
    enough |= np.bincount(ends[falls], minlength=steps) >= FEWEST_BYTES
    end = int(np.where(enough, count, 0).argmax())
    if not enough[end] or end + 1 >= steps:
        return None
    rest = slice(end + 1, None)
    before = pairs.before[rest].copy()
    before[0] = pairs.old[end + 1]  # what stands before the first step is the jump itself
    after = Pairs(before, pairs.old[rest], pairs.new[rest], pairs.weight[rest])
    flips = np.bitwise_or.reduce(after.old ^ after.new, axis=0)
    moves = np.unpackbits(flips, bitorder="little").astype(bool) & alive
    return Opening(first >= end, (first == end) & alive, moves, after, pairs.steps)


def no_state_yet(pairs: Pairs, alive: npt.NDArray[np.bool_]) -> npt.NDArray[np.intp]:
    """Lower bits of pairs that may be states of two bits which are not available at first: both ones.

    Parameters
    ----------
    pairs : Pairs
        Steps in the order they came.
    alive : (8 B,) bool
        Bits that change and are not spoken for.

    Returns
    -------
    (P,) intp
        Bits whose upper neighbour in the byte falls once and for all, before which neither was ever zero.
    """
    if not len(pairs.new):
        return np.zeros(0, np.intp)
    moved = pairs.old ^ pairs.new
    ones = np.unpackbits(pairs.old[0], bitorder="little").astype(bool)
    once = ones & alive & (count_bits(moved) == 1)
    if not once.any():
        return np.zeros(0, np.intp)
    moves = np.unpackbits(moved, axis=1, bitorder="little").astype(bool)
    first = moves.argmax(axis=0)
    upper = np.flatnonzero(once & (np.arange(len(once)) & 7 != 0))
    lower = upper - 1
    return np.asarray(lower[ones[lower] & alive[lower] & (first[lower] >= first[upper]) & ~once[lower]])
