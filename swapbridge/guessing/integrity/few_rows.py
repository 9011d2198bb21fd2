"""Guessing room: a CRC of the catalogue where little moves: too few payloads to solve for one, enough to know one.

Whatever a CRC starts from and ends with, what two payloads differ in alone decides what their checks differ in. So a
named polynomial, at one of the usual places, either meets every payload or is soon refuted.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from swapbridge.core.crc_catalogue import CATALOGUE
from swapbridge.core.integrity import Crc
from swapbridge.guessing.coding.bit_columns import BitColumns, distinct_payloads
from swapbridge.guessing.integrity.checksums import FoundChecksum
from swapbridge.guessing.integrity.gf2 import reduce_rows
from swapbridge.guessing.integrity.two_byte_checks import over_two_bytes, settled_crc

TAIL = 2
"""Most constant bytes (a data ID) that may be fed after the payload's own."""
CHANCE_BITS = 30.0
"""Bits that the payloads must say: some hundred CRCs and places are tried, and a check that is none does harm."""
FEWEST_ROWS = 4
ROWS = 96
REFUTING = 4
"""Distinct payloads that are compared; how many of them are tried on all CRCs at once, which refutes nearly all."""


def catalogue_crc(columns: BitColumns) -> FoundChecksum | None:
    """The CRC at the payload's end or start that a catalogue's polynomial, over all the rest, explains.

    Parameters
    ----------
    columns : Columns
        The message's frames, of one payload length.
    """
    rows = distinct_payloads(columns.payload)
    length = rows.shape[1]
    if len(rows) < FEWEST_ROWS or length < 3:
        return None
    few = rows[np.linspace(0, len(rows) - 1, min(len(rows), ROWS)).astype(np.intp)]
    moved = np.unpackbits(few ^ few[:1], axis=1, bitorder="little")
    live = np.asarray(moved.any(axis=0))
    for width in (16, 12, 8):
        for positions in _places(length, width):
            own = {p >> 3 for p in positions if {p ^ k for k in range(8)} <= set(positions)}
            others = tuple(i for i in range(length) if i not in own)
            inputs = [p for p in np.flatnonzero(live).tolist() if p not in positions]
            target = moved[:, list(positions)]
            if 2 * int(live[list(positions)].sum()) < width or not inputs:
                continue  # a CRC mixes all that moves into all of its bits
            away = moved[:, inputs]
            if width * len(reduce_rows(away, len(inputs)).pivots) < CHANCE_BITS:
                continue
            methods, tables = _tables(width, others, length)
            head = slice(1, 1 + REFUTING)
            left = (((away[head] @ tables[:, inputs]) & 1) == target[head]).all(axis=(1, 2))
            for k in np.flatnonzero(left).tolist():
                if (((away @ tables[k, inputs]) & 1) == target).all():
                    named = settled_crc(positions, methods[k], rows)
                    if named is not None:
                        verified = sum(1 << p for p in inputs)
                        return FoundChecksum(positions, named, None, (), 1.0, len(few) - 1, verified)
    return None


def _places(length: int, width: int) -> Iterator[tuple[int, ...]]:
    """Bits of the last and the first byte or more, least significant first, in either byte order."""
    if width == 8:
        yield tuple(range(8 * length - 8, 8 * length))
        yield tuple(range(8))
        return
    for low in (length - 2, 0):
        yield from (p for p in over_two_bytes(low) if len(p) == width)


def _methods(width: int, coverage: tuple[int, ...]) -> Iterator[Crc]:
    """Each polynomial and bit order of the catalogue, with and without constant bytes at the end."""
    seen = dict.fromkeys((c.polynomial, c.reflect) for c in CATALOGUE if c.width == width)
    for polynomial, reflect in seen:
        for tail in range(TAIL + 1):
            yield Crc(width, polynomial, 0, reflect, 0, coverage, after=bytes(tail))


@lru_cache(maxsize=256)
def _tables(width: int, coverage: tuple[int, ...], length: int) -> tuple[tuple[Crc, ...], npt.NDArray[np.uint8]]:
    """The methods over these bytes, and (M, 8 B, W) what each payload bit adds to each bit of each one's CRC."""
    methods = tuple(_methods(width, coverage))
    return methods, np.stack([_parts(method, length) for method in methods])


def _parts(method: Crc, length: int) -> npt.NDArray[np.uint8]:
    """(8 B, W) what each payload bit adds to each bit of the CRC."""
    out = np.zeros((8 * length, method.width), np.uint8)
    for byte in method.coverage:
        for bit in range(8):
            payload = bytearray(length)
            payload[byte] = 1 << bit
            value = method.value(bytes(payload))
            out[8 * byte + bit] = value >> np.arange(method.width) & 1
    return out
