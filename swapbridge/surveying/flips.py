"""Surveying room: how often each bit changes, and how many payloads differ, over whole columns of one identifier."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt

Words = npt.NDArray[np.uint64]
Sizes = npt.NDArray[np.uint8]

_DEEP = 255
_LANES = tuple(
    (np.uint64(shift), np.uint64(lane))
    for shift, lane in ((1, 0x5555555555555555), (2, 0x3333333333333333), (4, 0x0F0F0F0F0F0F0F0F))
)
_FIRST_BYTES = np.array([[255] * size + [0] * (64 - size) for size in range(65)], np.uint8).view(np.uint64)
"""(65, 8) masks that leave the first so many bytes."""
_MIX = np.array([0x9E3779B97F4A7C15 * (2 * i + 1) % 2**64 | 1 for i in range(8)], dtype=np.uint64)


def changes(words: Words, sizes: Sizes | None, cuts: npt.NDArray[np.intp]) -> npt.NDArray[np.int64]:
    """Changes of each bit from one frame of an identifier to its next, where both frames have that byte.

    Parameters
    ----------
    words : (N, W) uint64
        Payloads as they stand in memory, those of one identifier after those of another.
    sizes : (N,) uint8, optional
        Their lengths, where they differ.
    cuts : (G + 1,) intp
        Frames of identifier g are ``words[cuts[g]:cuts[g + 1]]``; each has one or more.

    Returns
    -------
    (G, 64 * W) int64
        Bit b of byte k, least significant first, at ``8 * k + b``.
    """
    changed = words[1:] ^ words[:-1]
    if sizes is not None:
        changed &= _FIRST_BYTES[:, : words.shape[1]].take(np.minimum(sizes[1:], sizes[:-1]), axis=0)
    return bit_counts([changed[begin : end - 1] for begin, end in pairwise(cuts.tolist())], words.shape[1])


def bit_counts(groups: list[Words], width: int) -> npt.NDArray[np.int64]:
    """How many of the (N, width) words of each group have each of their bits set: (G, 64 * width).

    Notes
    -----
    Counts stand side by side in one word, as in counting the bits of a word by halves: three bits are added in lanes of
    two, five of those in lanes of four, and seventeen of those in bytes, where 255 just fit.
    """
    columns = [max(1, -(-len(words) // _DEEP)) for words in groups]
    edges = np.concatenate(([0], np.cumsum(columns)))
    filled = np.zeros((_DEEP, int(edges[-1]), width), np.uint64)
    for words, wide, edge in zip(groups, columns, edges.tolist(), strict=False):
        rows, rest = divmod(len(words), wide)
        filled[:rows, edge : edge + wide] = words[: rows * wide].reshape(rows, wide, width)
        if rest:
            filled[rows, edge : edge + rest] = words[rows * wide :]
    counts = filled.reshape(1, 3, 5, 17, -1)
    for shift, lane in _LANES:
        # the lower half of each lane and the upper one: bits b, then bits b + shift
        counts = np.concatenate((_added(counts & lane), _added((counts >> shift) & lane)))
    by_column = counts.view(np.uint8).reshape(8, -1, 8 * width).astype(np.int64)
    by_group = np.add.reduceat(by_column, edges[:-1], axis=1)
    return by_group.transpose(1, 2, 0).reshape(len(groups), -1)


def _added(counts: Words) -> Words:
    total = counts[:, 0]
    for at in range(1, counts.shape[1]):
        total = total + counts[:, at]
    return total


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
