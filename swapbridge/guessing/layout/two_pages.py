"""Guessing room: two pages that take turns and hardly change: bits of many bytes turn over together.

Bit by bit nothing shows it, for a bit that turns in every frame is as easily told as one that never does. But a flag is
there to be acted on; a heartbeat turns in every frame, and a check may with it, in a byte or two.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from swapbridge.guessing.coding.bit_columns import FEW_FRAMES, BitColumns

FEWEST_BYTES = 3
"""Bytes beside the selector's own that must turn: more than those of a check."""
TURNS = 0.25
"""Share of frames in which pages turn, at least."""
TOGETHER = 0.98
"""Share of frames in which a bit turns with the selector or stays with it."""


def two_pages(
    columns: BitColumns, exact: list[tuple[int, ...]], taken: npt.NDArray[np.bool_]
) -> list[tuple[tuple[int, ...], tuple[int, ...]]]:
    """Bits that may be the number of two pages, and the bits that turn with it; the first byte's first.

    Parameters
    ----------
    columns : BitColumns
        Frames of one identifier.
    exact : list of tuple of int
        Bits of found counters; the lowest of one may turn with the pages.
    taken : (8 B,) bool
        Bits of checksums.

    Returns
    -------
    list of (selector, decided)
        Each selector has a byte to itself and holds a number and the next one.
    """
    live = columns.live
    follows = ~columns.breaks[1:]
    flips = np.unpackbits((columns.payload[1:] ^ columns.payload[:-1])[follows], axis=1, bitorder="little").astype(bool)
    if len(flips) < 4 * FEW_FRAMES:
        return []
    found = []
    free = live & ~taken
    for positions in exact:
        free[list(positions)] = False
    often = free & (flips.mean(axis=0) >= TURNS)
    for byte in range(len(live) // 8):
        own = np.flatnonzero(live[8 * byte : 8 * byte + 8]) + 8 * byte
        if not len(own) or not often[own].all():
            continue
        turning = often & ((flips == flips[:, own[:1]]).mean(axis=0) >= TOGETHER)
        others = np.flatnonzero(turning & (np.arange(len(live)) >> 3 != byte))
        if not turning[own].all() or len(set((others >> 3).tolist())) < FEWEST_BYTES:
            continue
        selector = tuple(range(int(own[0]), int(own[-1]) + 1))
        number = columns.payload[:, byte] >> np.uint8(selector[0] & 7)
        if set(np.unique(number & np.uint8((1 << len(selector)) - 1)).tolist()) in ({0, 1}, {1, 2}):
            found.append((selector, tuple(others.tolist())))
    return found
