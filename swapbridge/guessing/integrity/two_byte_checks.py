"""Guessing room: checksums of 16 bits: a CRC or a sum whose two bytes were found, or half found, as bytes of their own.

Each byte of a 16-bit CRC is affine by itself, so two neighbours come in here; they leave as one only where one
polynomial explains every pinned bit of both. A 16-bit sum's low byte is a sum by itself; its high byte counts carries.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import numpy.typing as npt

from swapbridge.core.crc_catalogue import CATALOGUE
from swapbridge.core.integrity import Affine, Checksum, Crc, Sum
from swapbridge.core.layout import layout_from_positions
from swapbridge.guessing.coding.bit_columns import BitColumns, distinct_payloads
from swapbridge.guessing.integrity.checksums import EQUATIONS, SHARE, FoundChecksum, distinct_rows, fit_affine
from swapbridge.guessing.integrity.name_checksum import is_catalogued, orders_fed
from swapbridge.guessing.integrity.sums import unit_totals

FEWEST_BITS = 4
"""Pinned payload bits that must agree with one polynomial: each says 16 bits, one of them names it, and what is tried
(orders, reflections, coverages, tails) takes six."""
FEWEST_LIVE = 8
"""Bits of it that must move: any input moves about half."""
TAIL = 2
"""Most constant bytes (a data ID) that may be fed after the payload's own."""
CARRIES = 12
"""Steps in which the high byte of a sum must move, at least, to be called one."""


def join_bytes(columns: BitColumns, found: Sequence[FoundChecksum]) -> list[FoundChecksum]:
    """The same checksums, those of two bytes that are one CRC or one sum of 16 bits joined."""
    out = list(found)
    for check in found:
        if check not in out or not isinstance(check.method, Affine):
            continue
        joined = as_half(columns, check, [f for f in out if f is not check])
        if joined is not None:
            own = set(joined.positions)
            out = [joined if f is check else f for f in out if f is check or not own & set(f.positions)]
    for check in found:
        if check in out and isinstance(check.method, Sum) and check.method.width == 8 and check.counter is None:
            wider = _as_sum(columns, check, check.method, [f for f in out if f is not check])
            out = out if wider is None else [wider if f is check else f for f in out]
    return out


def as_half(columns: BitColumns, check: FoundChecksum, others: Sequence[FoundChecksum] = ()) -> FoundChecksum | None:
    """The CRC of 16 bits that this byte is half of, if it is; its other half may hold bits that never moved.

    Parameters
    ----------
    columns : Columns
        The message's frames.
    check : FoundChecksum
        A byte that is affine in the others.
    others : sequence of FoundChecksum, optional
        Checks that are not to be taken apart, but where they are the other half.
    """
    byte = check.positions[0] >> 3
    method = check.method
    if check.positions != _byte(byte) or check.counter is not None or not isinstance(method, Affine) or method.name:
        return None
    for low in (byte - 1, byte):
        partner = _byte(2 * low + 1 - byte)
        if low < 0 or low + 1 >= columns.payload.shape[1]:
            continue
        if any(set(partner) & set(f.positions) and f.positions != partner for f in others):
            continue
        joined = _as_crc(columns, low)
        if joined is not None:
            return joined
    return None


def _byte(number: int) -> tuple[int, ...]:
    return tuple(range(8 * number, 8 * number + 8))


def _orders(low: int) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Bits of two neighbouring bytes, least significant first, little and big endian."""
    return _byte(low) + _byte(low + 1), _byte(low + 1) + _byte(low)


def _as_crc(columns: BitColumns, low: int) -> FoundChecksum | None:
    if int(columns.live[8 * low : 8 * low + 16].sum()) < FEWEST_LIVE:
        return None
    for positions in _orders(low):
        fit = fit_affine(columns, positions)
        if fit is None or not isinstance(fit.method, Affine):
            return None
        width = columns.payload.shape[1]
        pinned = [p for p in range(8 * width) if fit.verified_bits >> p & 1]
        share = {p: sum((mask >> p & 1) << k for k, mask in enumerate(fit.method.masks)) for p in pinned}
        if sum(part != 0 for part in share.values()) < FEWEST_BITS:
            return None
        for method in _crcs(share, tuple(i for i in range(width) if i not in (low, low + 1)), low):
            named = settled_crc(positions, method, distinct_rows(columns))
            if named is not None:
                return FoundChecksum(positions, named, None, (), fit.share, fit.equations, fit.verified_bits)
    return None


def _crcs(share: dict[int, int], others: tuple[int, ...], own: int) -> Iterator[Crc]:
    """CRCs in which every one of these payload bits has this part, constants still open."""
    fed = {p >> 3 for p, v in share.items() if v}
    walks = list(orders_fed(others, own, fed, {p >> 3 for p in share} - fed))
    for reflect in (False, True):
        part = {p: _mirrored(v) if reflect else v for p, v in share.items() if v}
        # the next bit up the register is x times this one: where x wraps round, the difference is the polynomial
        toward = -1 if reflect else 1
        polynomials = {
            (value << 1 & 0xFFFF) ^ part[p + toward]
            for p, value in part.items()
            if value & 0x8000 and p + toward in part and (p + toward) >> 3 == p >> 3
        }
        for polynomial in sorted(p for p in polynomials if p & 1):  # as all are; else it forgets its oldest bit
            powers = _powers(polynomial, 8 * (len(others) + TAIL) + 24)
            for coverage, usual in walks:
                if not (usual or is_catalogued(16, polynomial, reflect)):
                    continue
                for tail in range(TAIL + 1):
                    places = {
                        p: 16
                        + 8 * (len(coverage) - 1 - coverage.index(p >> 3) + tail)
                        + (7 - (p & 7) if reflect else p & 7)
                        for p in part
                    }
                    if all(powers[places[p]] == value for p, value in part.items()):
                        yield Crc(16, polynomial, 0, reflect, 0, coverage, after=bytes(tail))


def _mirrored(value: int) -> int:
    return int(f"{value:016b}"[::-1], 2)


def _powers(polynomial: int, count: int) -> list[int]:
    """x to the k modulo a polynomial of degree 16, for k below `count`."""
    out, state = [], 1
    for _ in range(count):
        out.append(state)
        state = (state << 1 & 0xFFFF) ^ (polynomial if state & 0x8000 else 0)
    return out


def settled_crc(positions: tuple[int, ...], method: Crc, rows: npt.NDArray[np.uint8]) -> Crc | None:
    """The CRC with its constants, by the catalogue's name where one fits, if it then agrees with the rows."""
    layout = layout_from_positions(positions)
    payloads = [row.tobytes() for row in rows]
    constant = layout.unpack(payloads[0]) ^ Checksum(layout, method).compute(payloads[0])
    options = [
        Crc(method.width, c.polynomial, c.init, c.reflect, c.xor_out, method.coverage, after=method.after, name=c.name)
        for c in CATALOGUE
        if (c.width, c.polynomial, c.reflect) == (method.width, method.polynomial, method.reflect)
    ]
    options.append(
        Crc(method.width, method.polynomial, 0, method.reflect, constant, method.coverage, after=method.after)
    )
    for option in options:
        check = Checksum(layout, option)
        if not check.holds(payloads[0]):
            continue
        if sum(check.holds(p) for p in payloads) >= SHARE * len(payloads):
            return option
    return None


def _as_sum(
    columns: BitColumns, low: FoundChecksum, method: Sum, others: Sequence[FoundChecksum]
) -> FoundChecksum | None:
    """The 16-bit sum whose low byte this is, where a byte beside it holds the carries."""
    own = low.positions[0] >> 3
    if low.positions != _byte(own) or method.unit_bits != 8:
        return None
    payload = distinct_payloads(columns.payload)
    for partner in (own - 1, own + 1):
        taken = any(p >> 3 == partner for f in others for p in f.positions)
        if taken or partner in method.coverage or not 0 <= partner < payload.shape[1]:
            continue
        steps = columns.payload[1:, partner] != columns.payload[:-1, partner]
        if steps[~columns.breaks[1:]].sum() < CARRIES or len(payload) < 2 * EQUATIONS:
            continue
        value = payload[:, own].astype(np.int64) + 256 * payload[:, partner].astype(np.int64)
        rest = (value - method.factor * unit_totals(payload, method.coverage, 8)) % 65536
        counts = np.bincount(rest)
        if counts.max() >= SHARE * len(rest):
            positions = _byte(own) + _byte(partner)
            wide = Sum(16, method.coverage, 8, method.factor, int(counts.argmax()))
            verified = low.verified_bits & ~(0xFF << 8 * partner)
            return FoundChecksum(positions, wide, None, (), float(counts.max() / len(rest)), low.equations, verified)
    return None
