"""Guessing room: the name and parameters of a checksum that was found as an affine function.

In a CRC, the part that one payload bit has in the result is a power of x modulo the polynomial, by how far the bit
stands from the end. Comparing all polynomials, both bit orders and a few ways to walk the payload is one table look-up.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from swapbridge.core.crc_catalogue import CATALOGUE
from swapbridge.core.integrity import Affine, Checksum, Crc
from swapbridge.core.layout import layout_from_positions
from swapbridge.guessing.coding.bit_columns import BitColumns
from swapbridge.guessing.integrity.checksums import FoundChecksum

FEWEST_BITS = 6
"""Pinned payload bits that must agree: each has a chance of one in 256 to do so by accident."""
TAIL = 2
"""Most constant bytes (a data ID) that may be fed after the payload's own."""
ROWS = 160
XOR_OF_SOME = "XOR of some of the bytes"
_REVERSED = np.array([int(f"{i:08b}"[::-1], 2) for i in range(256)], np.uint8)


def name_checksum(found: FoundChecksum, columns: BitColumns) -> FoundChecksum:
    """The same checksum as an XOR over the whole payload or as a CRC with its parameters, where it is one."""
    if not isinstance(found.method, Affine) or found.method.width != 8 or found.positions[0] & 7:
        return found
    if found.positions != tuple(range(found.positions[0], found.positions[0] + 8)):
        return found
    rows = columns.payload[np.linspace(0, len(columns) - 1, min(ROWS, len(columns))).astype(np.intp)]
    for method in _options(found, columns):
        named = _settled(found, method, rows)
        if named is not None:
            return named
    return found


def _options(found: FoundChecksum, columns: BitColumns) -> Iterator[Affine | Crc]:
    own = found.positions[0] >> 3
    width = columns.payload.shape[1]
    others = tuple(i for i in range(width) if i != own)
    yield Affine(8, tuple(sum(1 << (8 * i + k) for i in others) for k in range(8)), 0, "XOR of the bytes")
    assert isinstance(found.method, Affine)
    pinned = [p for p in range(8 * width) if found.verified_bits >> p & 1 and p >> 3 != own]
    if len(pinned) < FEWEST_BITS:
        return
    column = np.array(
        [sum((mask >> p & 1) << k for k, mask in enumerate(found.method.masks)) for p in pinned], np.uint8
    )
    powers = _powers()
    fed = {p >> 3 for p, part in zip(pinned, column.tolist(), strict=True) if part}
    left_out = {p >> 3 for p in pinned} - fed
    if len(left_out) > len(fed):
        return
    joined = [i for i in others if any(mask >> 8 * i & 0xFF for mask in found.method.masks)]
    if len(joined) < len(others):
        yield Affine(8, tuple(sum(1 << (8 * i + k) for i in joined) for k in range(8)), 0, XOR_OF_SOME)
    column, pinned = column[column != 0], [p for p, part in zip(pinned, column.tolist(), strict=True) if part]
    if len(pinned) < FEWEST_BITS:
        return
    for coverage, usual in orders_fed(others, own, fed, left_out):
        for tail in range(TAIL + 1):
            behind = np.array([len(coverage) - 1 - coverage.index(p >> 3) + tail for p in pinned])
            weight = np.array([p & 7 for p in pinned])
            for reflect in (False, True):
                place = 8 + 8 * behind + (7 - weight if reflect else weight)
                wanted = _REVERSED[column] if reflect else column
                for polynomial in np.flatnonzero((powers[:, place] == wanted).all(axis=1)).tolist():
                    if not polynomial & 1 or polynomial == 1:
                        continue  # an even one would forget its oldest bit, and x^8 + 1 gives the XOR of the bytes
                    named = is_catalogued(8, polynomial, reflect)
                    if not named and (not usual or (powers[polynomial, 1 : place.max() + 1] == 1).any()):
                        continue  # where x to the k is 1 again within the payload, bytes so far apart are copied
                    yield Crc(8, polynomial, 0, reflect, 0, coverage, after=bytes(tail))


def is_catalogued(width: int, polynomial: int, reflect: bool) -> bool:
    """Whether a catalogue lists the polynomial in this bit order."""
    return any((c.width, c.polynomial, c.reflect) == (width, polynomial, reflect) for c in CATALOGUE)


def orders_fed(
    others: tuple[int, ...], own: int, fed: set[int], left_out: set[int]
) -> Iterator[tuple[tuple[int, ...], bool]]:
    """Orders in which a CRC may walk a payload: from either end, round from anywhere; and whether it is a usual one.

    Of two bytes that a CRC joins either is one of the other, backwards and by the mirrored polynomial. So an order that
    is not usual only counts with a polynomial that a catalogue lists.

    No payload bit that is fed to a CRC has no part in it, so a byte with a pinned bit that has none is not fed. A byte
    that never moved may be fed or not; at the end of the walk that makes a difference.

    Parameters
    ----------
    others : tuple of int
        Payload bytes beside the check's own.
    own : int
        The check's byte, or its lower one.
    fed, left_out : set of int
        Bytes with a pinned bit that has a part in the check, and those with one that has none.
    """
    may_be = tuple(i for i in others if i not in left_out)
    after, before = tuple(i for i in may_be if i > own), tuple(i for i in may_be if i < own)
    usual = [may_be, may_be[::-1], after, before]
    round_from = [may_be[k:] + may_be[:k] for k in range(1, len(may_be))]
    seen = set()
    for walk in usual + round_from:
        is_usual = walk in usual
        while fed <= set(walk):
            if walk not in seen:
                seen.add(walk)
                yield walk, is_usual
            if walk[-1] in fed:
                break
            walk = walk[:-1]


def _settled(found: FoundChecksum, method: Affine | Crc, rows: npt.NDArray[np.uint8]) -> FoundChecksum | None:
    """The method with its constants settled, if it then agrees with every row."""
    layout = layout_from_positions(found.positions)
    counter = layout_from_positions(found.counter) if found.counter else None
    bare = Checksum(layout, method, counter, (), None)
    rest: dict[int, int] = {}
    for row in rows:
        payload = row.tobytes()
        state = counter.unpack(payload) if counter else 0
        value = layout.unpack(payload) ^ bare.compute(payload)
        if rest.setdefault(state, value) != value:
            return None
    table = [rest.get(v, 0) for v in range(max(rest) + 1)]
    constant = table[max(rest)]
    if isinstance(method, Affine):
        return None if counter else replace(found, method=replace(method, constant=constant))
    zero = rows[0].tobytes()
    for named in CATALOGUE:
        if (named.width, named.polynomial, named.reflect) != (8, method.polynomial, method.reflect):
            continue
        filled = replace(method, init=named.init, xor_out=named.xor_out, name=named.name)
        change = Checksum(layout, filled).compute(zero) ^ Checksum(layout, method).compute(zero)
        if counter:
            return replace(found, method=filled, by_counter=tuple(v ^ change for v in table))
        if change == constant:
            return replace(found, method=filled)
    if counter:
        return replace(found, method=method, by_counter=tuple(table))
    return replace(found, method=replace(method, xor_out=constant))


@lru_cache(maxsize=1)
def _powers() -> npt.NDArray[np.uint8]:
    """(256, K) x to the k modulo each polynomial of degree 8."""
    out = np.zeros((256, 8 * 68), np.uint8)
    state = np.ones(256, np.int64)
    polynomial = np.arange(256)
    for k in range(out.shape[1]):
        out[:, k] = state
        state = np.where(state & 0x80, ((state << 1) & 0xFF) ^ polynomial, state << 1)
    return out
