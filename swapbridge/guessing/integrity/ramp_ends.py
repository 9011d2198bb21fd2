"""Guessing room: what counts by the clock, but is the upper end of a steady ramp: the bits below it carry into it.

A counter's lowest bit is its own.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from swapbridge.core.integrity import Counter
from swapbridge.guessing.coding.bit_columns import BitColumns
from swapbridge.guessing.coding.codelength import field_words
from swapbridge.surveying.lost import count_sendings

Ints = npt.NDArray[np.int64]
MOST_SIZES = 16
"""Sizes of step that a ramp is looked for with."""
SHARE = 0.9
CARRIES = 0.7
"""Share of all steps that must be as the ramp, or the counter, has them; the same where the lower bits go round."""
TOGETHER = 0.5
BEYOND_CHANCE = 4.0
"""Correlation of what lower bits do with what is missing to the clock above them, and in standard errors of none."""


def live_below(columns: BitColumns, first: int) -> int:
    """The lowest bit from which on all bits of this byte are live up to here; `first` itself where there are none."""
    lowest = first
    while lowest & 7 and columns.live[lowest - 1]:
        lowest -= 1
    return lowest


def goes_on_below(
    payload: npt.NDArray[np.uint8], follows: npt.NDArray[np.intp], frames: Ints, lowest: int, positions: Ints
) -> bool:
    """Whether the bits right below go on with what counts by one and the same step.

    What steps by three moves its upper bits in a rhythm too. A ramp's step is the same where its lower bits go round,
    as it is not where two counters stand side by side.

    Parameters
    ----------
    payload : (N, B) uint8
        Frames of one identifier.
    follows : (M,) intp
        Frames that follow another one within a stretch.
    frames : (M,) int64
        Sendings since the one before.
    lowest : int
        The lowest bit below that may belong to it.
    positions : (K,) int64
        Bits that count, least significant first.

    Returns
    -------
    bool
    """
    first = int(positions[0])
    for start in range(lowest, first):
        bits = np.concatenate([np.arange(start, first), positions])
        word = field_words(payload, bits).astype(np.int64)
        step, span = np.diff(word)[follows - 1], 1 << len(bits)
        low = word & ((1 << first - start) - 1)
        over = low[follows] < low[follows - 1]
        for size in np.unique(step[frames == 1] % span).tolist()[:MOST_SIZES]:
            fits = (step - size * frames) % span == 0
            if size & 1 and fits.mean() >= SHARE and (not over.any() or fits[over].mean() >= CARRIES):
                return True
    return False


def makes_up_below(payload: npt.NDArray[np.uint8], gap: Ints, lowest: int, positions: Ints, counter: Counter) -> bool:
    """Whether the bits right below make up for what is between the clock and what counts by it.

    A ramp by nearly as many codes a frame as its low bits have leaves its upper end going on by one, save where the low
    bits carry: together they keep to the clock better than either does. Flags below a counter know nothing of it.

    Parameters
    ----------
    payload : (N, B) uint8
        Frames of one identifier.
    gap : (N - 1,) int64
        Time from each to the next, ns.
    lowest : int
        The lowest bit below that may belong to it.
    positions : (K,) int64
        Bits that count, least significant first.
    counter : Counter
        How they do.

    Returns
    -------
    bool
    """
    value = field_words(payload, positions).astype(np.int64)
    first = int(positions[0])
    if lowest == first or (counted := count_sendings(value, gap, counter)) is None:
        return False
    span = counter.high - counter.low + 1
    near = counted.sendings < span
    up = 1 if 2 * counter.step <= span else -1
    off: npt.NDArray[np.float64] = up * (counted.sendings - gap / counted.period_ns)[near]
    for start in range(lowest, first):
        on = np.diff(field_words(payload, np.arange(start, first)).astype(np.float64))[near]
        if on.any() and off.std():
            together = -float(np.corrcoef(on, off)[0, 1])
            if together >= TOGETHER and together * len(off) ** 0.5 >= BEYOND_CHANCE:
                return True
    return False
