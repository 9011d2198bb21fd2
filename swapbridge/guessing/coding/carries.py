"""Guessing room: what a field's lowest bits show of the bits above them: they carry into these."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from swapbridge.guessing.coding.codelength import adaptive_bits, weighted_counts

Floats = npt.NDArray[np.float64]


def carry_saving(
    words: tuple[npt.NDArray[np.uint64], npt.NDArray[np.uint64], npt.NDArray[np.uint64]],
    weight: Floats,
    heavy: float,
    lower: npt.NDArray[np.int64],
    length: npt.NDArray[np.int64],
) -> Floats:
    """Bits that the movement of a field's lowest bits saves in telling that of the bits above them.

    Only their direction counts: two fields that move at the same moments are not one for that.

    Parameters
    ----------
    words : three of (U,) uint64
        Neighbouring values: the one before, the old and the new one.
    weight : (U,) float64
        Steps each stands for.
    heavy : float
        What one sampled step stands for (`typical_weight`).
    lower, length : (P,) int64
        Bits of the lower part and of the whole, for each field that could be.

    Returns
    -------
    (P,) float64
        Bits, below zero where nothing is carried.
    """
    up, top = lower.astype(np.uint64)[:, None], (64 - length + lower)[:, None]
    before, old, new = (w[None, :] >> up for w in words)
    now, last = ((b - a << top.astype(np.uint64)).view(np.int64) >> top for a, b in ((old, new), (before, old)))
    turn = ((words[2][None, :] - (new << up)).view(np.int64) - (words[1][None, :] - (old << up)).view(np.int64)).astype(
        np.int8
    )
    far = np.abs(turn) >= (1 << (lower - 1))[:, None]
    way = np.sign(turn) * (1 + far) + 2  # 0 to 4: far down, down, still, up, far up
    what = np.clip(now, -2, 2)
    what = np.where(what == -2, 2, what) + 1  # 0 to 3: one down, still, one up, more
    steps = weighted_counts(((np.sign(last) + 1) * 20 + way * 4 + what).astype(np.int16), weight, 60) / heavy
    steps = steps.reshape(-1, 3, 5, 4)
    moved = np.stack([steps[:, :, 2], steps[:, :, 0] + steps[:, :, 1] + steps[:, :, 3] + steps[:, :, 4]], axis=2)
    out: Floats = heavy * (adaptive_bits(moved).sum(axis=(1, 2)) - adaptive_bits(steps).sum(axis=(1, 2)))
    return out
