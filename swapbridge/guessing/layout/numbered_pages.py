"""Guessing room: a byte that comes round in one order: at one end the number of a page, in the rest what stands on it.

Its few values look like states of one field, but no machine goes through its states round and round. What does is a
number that goes on by one, and what belongs to each number goes with it. Whether that picks a page or follows as a
check does, the byte holds two fields.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from swapbridge.guessing.coding.bit_columns import BitColumns

WIDEST_NUMBER = 4
FEWEST_PAGES = 4
"""Of three values in any order every second goes on by one."""
ROUNDS = 8
IN_ORDER = 0.8
"""Turns that go on by one, at least: of four pages in any order a third do. Lost frames make it more than one."""
COMES_BACK = 0.95
"""Turns at which what stands beside the number is again what it was when the number last was the same."""


def numbered_pages(columns: BitColumns, free: npt.NDArray[np.bool_]) -> list[tuple[tuple[int, ...], tuple[int, ...]]]:
    """Bits of the number and of what stands beside it, for each byte that holds both and nothing else.

    Parameters
    ----------
    columns : BitColumns
        Frames of one identifier.
    free : (8 B,) bool
        Bits that change and are not spoken for.
    """
    found = []
    follows = ~columns.breaks[1:]
    for byte in np.flatnonzero(free.reshape(-1, 8).sum(axis=1) >= FEWEST_PAGES.bit_length()).tolist():
        value = columns.payload[:, byte]
        turns = np.flatnonzero((value[1:] != value[:-1]) & follows)
        if len(turns) < ROUNDS * FEWEST_PAGES:
            continue
        bits = [int(b) for b in np.flatnonzero(free[8 * byte : 8 * byte + 8])]
        for number, low in _ends(bits):
            if _turns_pages(value, turns, low, len(number)):
                own = tuple(8 * byte + b for b in number)
                found.append((own, tuple(8 * byte + b for b in bits if b not in number)))
                break
    return found


def _ends(bits: list[int]) -> list[tuple[list[int], int]]:
    """Runs at either end of a byte whose bits all change, with two bits or more left; and where each begins."""
    runs = []
    for width in range(2, WIDEST_NUMBER + 1):
        for low in (8 - width, 0):
            run = list(range(low, low + width))
            if set(run) <= set(bits) and len(bits) >= width + 2:
                runs.append((run, low))
    return runs


def _turns_pages(value: npt.NDArray[np.uint8], turns: npt.NDArray[np.intp], low: int, width: int) -> bool:
    number = (value >> np.uint8(low) & np.uint8((1 << width) - 1)).astype(np.int64)
    pages = np.unique(number)
    count = len(pages)
    if count < FEWEST_PAGES or np.ptp(pages) != count - 1 or len(turns) < ROUNDS * count:
        return False
    step = (number[turns + 1] - number[turns]) % count
    if np.count_nonzero(step == 1) < IN_ORDER * len(turns):
        return False
    beside = value & ~np.uint8(((1 << width) - 1) << low)
    back = seen = 0
    last = dict[int, int]()
    for page, here in zip(number[turns + 1].tolist(), beside[turns + 1].tolist(), strict=True):
        if page in last:
            seen += 1
            back += last[page] == here
        last[page] = here
    return len(set(last.values())) > 2 and back >= COMES_BACK * seen
