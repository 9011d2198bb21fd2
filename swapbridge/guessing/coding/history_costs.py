"""Guessing room: what the history of every candidate costs, in numpy: the oracle of `codelength.c`.

Candidates stand in one table: by byte order, by the lowest bit as the order meets the bits from the least significant
end on (little endian as DBC counts them, big endian the last byte first), and by length.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from swapbridge.guessing.coding.bit_columns import Pairs
from swapbridge.guessing.coding.codelength import candidate_bits

LONGEST = 64
"""Bits of the longest field."""
LITTLE, BIG = 0, 1
Costs = npt.NDArray[np.float64]
"""(2, 8 B, LONGEST) bits of each candidate, infinite where there is none."""
PayloadWords = tuple[npt.NDArray[np.uint64], npt.NDArray[np.uint64], npt.NDArray[np.uint64]]


def history_costs(
    pairs: Pairs,
    wanted: npt.NDArray[np.bool_],
    *,
    thorough: bool,
    parts: npt.NDArray[np.bool_] | None,
    heavy: float,
) -> Costs:
    """Code lengths of all candidates that are wanted.

    Parameters
    ----------
    pairs : Pairs
        Steps to count over.
    wanted : (2, 8 B, LONGEST) bool
        Candidates.
    thorough : bool
        Whether all models compete, or the quick ones only.
    parts : (U, 2 B) bool, optional
        Whether each nibble of the payload moves in each step.
    heavy : float
        What one sampled step stands for (`typical_weight`).

    Returns
    -------
    (2, 8 B, LONGEST) float64
        Bits for all steps, infinite where nothing is wanted.
    """
    out = np.full(wanted.shape, np.inf)
    reader = RunReader(pairs)
    width = wanted.shape[1] >> 3
    for order, low in np.argwhere(wanted.any(axis=2)).tolist():
        lengths = np.flatnonzero(wanted[order, low]) + 1
        high = (low + lengths - 1) >> 3
        if order == LITTLE:
            first, last = np.full(len(high), low >> 3), high
        else:
            first, last = width - 1 - high, np.full(len(high), width - 1 - (low >> 3))
        out[order, low, lengths - 1] = candidate_bits(
            *reader.words(order, low, int(lengths[-1])),
            pairs.weight,
            lengths.astype(np.int64),
            thorough=thorough,
            company=None if parts is None else (parts, _far_parts(first, last, parts.shape[1])),
            heavy=heavy,
        )
    return out


def _far_parts(first: npt.NDArray[np.intp], last: npt.NDArray[np.intp], parts: int) -> npt.NDArray[np.bool_]:
    """(L, R) which nibbles lie at least a whole byte off each candidate, so that none is a part of the same field."""
    byte = np.arange(parts)[None, :] >> 1
    return (byte < first[:, None] - 1) | (byte > last[:, None] + 1)


class RunReader:
    """What stands at runs of bits of either order, in payloads that lie three after one another."""

    def __init__(self, pairs: Pairs) -> None:
        self._bytes = np.concatenate([pairs.before, pairs.old, pairs.new]).T.astype(np.uint64)
        self._from: dict[tuple[int, int], npt.NDArray[np.uint64]] = {}

    def words(self, order: int, low: int, length: int) -> PayloadWords:
        """The values before, old and new, of the `length` bits from the one on that the order meets as number `low`."""
        byte, shift = low >> 3 if order == LITTLE else len(self._bytes) - 1 - (low >> 3), low & 7
        on = 1 if order == LITTLE else -1
        whole = self._eight_bytes(byte, on)
        word = whole >> np.uint64(shift) if shift else whole
        if shift and length > 64 - shift:
            word = word | self._bytes[byte + 8 * on] << np.uint64(64 - shift)
        if length < 64:
            word = word & np.uint64((1 << length) - 1)
        before, old, new = word.reshape(3, -1)
        return before, old, new

    def _eight_bytes(self, byte: int, on: int) -> npt.NDArray[np.uint64]:
        """The least significant byte first, the others `on` from it."""
        found = self._from.get((byte, on))
        if found is None:
            found = self._bytes[byte].copy()
            for k in range(1, 8):
                if 0 <= byte + k * on < len(self._bytes):
                    found |= self._bytes[byte + k * on] << np.uint64(8 * k)
            self._from[byte, on] = found
        return found
