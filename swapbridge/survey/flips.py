"""Survey room: how often each bit changes, and how many payloads differ, over whole columns of one identifier."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Words = npt.NDArray[np.uint64]
Sizes = npt.NDArray[np.uint8]

_ROWS = 17 * 15 << 6
"""Frames handled at once, so that their columns stay in cache."""
_LANES = tuple(
    (np.uint64(shift), np.uint64(lane))
    for shift, lane in ((1, 0x5555555555555555), (2, 0x3333333333333333), (4, 0x0F0F0F0F0F0F0F0F))
)
_FIRST_BYTES = np.array([[255] * size + [0] * (64 - size) for size in range(65)], np.uint8).view(np.uint64)
"""(65, 8) masks that leave the first so many bytes."""
_MIX = np.array([0x9E3779B97F4A7C15 * (2 * i + 1) % 2**64 | 1 for i in range(8)], dtype=np.uint64)


def flips(words: Words, sizes: Sizes | None, full: int) -> npt.NDArray[np.int64]:
    """Changes of each bit from one frame to the next, where both frames have that byte.

    Parameters
    ----------
    words : (N, 1) or (N, 8) uint64
        Payloads as they stand in memory.
    sizes : (N,) uint8, optional
        Their lengths, where they differ.
    full : int
        The longest length.

    Returns
    -------
    (8 * full,) int64
        Bit b of byte k, least significant first, at ``8 * k + b``.
    """
    changed = words[1:] ^ words[:-1]
    if sizes is not None:
        changed &= _FIRST_BYTES[:, : words.shape[1]].take(np.minimum(sizes[1:], sizes[:-1]), axis=0)
    return bit_counts(changed)[: 8 * full]


def bit_counts(words: Words) -> npt.NDArray[np.int64]:
    """How many of (N, W) words have each of their 64 * W bits set.

    Notes
    -----
    Counts stand side by side in one word, as in counting the bits of a word by halves: three bits are added in lanes of
    two, five of those in lanes of four, and seventeen of those in bytes, where 255 just fit.
    """
    width = words.shape[1]
    out = np.zeros((8 * width, 8), np.int64)
    for start in range(0, len(words), _ROWS):
        block = words[start : start + _ROWS]
        lanes = -(-len(block) // 255)
        if len(block) < 255 * lanes:
            filled = np.zeros((255 * lanes, width), np.uint64)
            filled[: len(block)] = block
            block = filled
        counts = block.reshape(1, 3, 5, 17, lanes * width)
        for shift, lane in _LANES:
            # the lower half of each lane and the upper one: bits b, then bits b + shift
            halves = np.concatenate((counts & lane, (counts >> shift) & lane))
            counts = np.add.reduce(halves, axis=1)
        out += counts.view(np.uint8).reshape(8, lanes, 8 * width).sum(axis=1, dtype=np.int64).T
    return out.reshape(-1)


def distinct(words: Words, sizes: Sizes | None) -> int:
    """Different payloads; above 8 bytes, or with several lengths, counted by a 64-bit hash of each."""
    one = words[:, 0]
    if words.shape[1] > 1:
        for at in range(words.shape[1]):
            # add, multiply, fold: one round a word of a multiplicative hash
            one = (one + words[:, at]) * _MIX[at]
            one = one ^ (one >> np.uint64(29))
    if sizes is not None:
        one = (one + sizes) * _MIX[0] ^ sizes
    ordered = np.sort(one)
    return int(np.count_nonzero(ordered[1:] != ordered[:-1])) + 1
