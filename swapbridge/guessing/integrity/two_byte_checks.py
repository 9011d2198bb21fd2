"""Guessing room: checksums of 16 or 12 bits: a CRC or a sum whose parts were found, or half found, by themselves.

Each byte or nibble of a wide CRC is affine by itself, so two neighbours come in here; they leave as one only where one
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
from swapbridge.guessing.coding.codelength import log2_choose
from swapbridge.guessing.integrity.checksums import EQUATIONS, SHARE, FoundChecksum, distinct_rows, fit_affine
from swapbridge.guessing.integrity.counters import FoundCounter
from swapbridge.guessing.integrity.name_checksum import is_catalogued, orders_fed
from swapbridge.guessing.integrity.sums import unit_totals

FEWEST_BITS = 4
"""Pinned payload bits that must agree with one polynomial: each says as many bits as the CRC has, one of them names it,
and what is tried (places, reflections, coverages, tails) takes eight at most."""
FEWEST_COUNTING = 3
"""Bits of a counter that no check contains: any two bits that go round may be bits of a check."""
TAIL = 2
"""Most constant bytes (a data ID) that may be fed after the payload's own."""
CARRY_BITS = 12.0
"""Bits of evidence, by when and how far it moves, for the high byte of a sum to be called one."""


def join_bytes(
    columns: BitColumns, found: Sequence[FoundChecksum], counters: Sequence[FoundCounter] = ()
) -> list[FoundChecksum]:
    """The same checksums, those of two bytes that are one CRC or one sum of 16 bits joined; none over a counter."""
    out = list(found)
    for check in found:
        if check not in out or not isinstance(check.method, Affine):
            continue
        joined = as_half(columns, check, [f for f in out if f is not check], counters)
        if joined is not None:
            own = set(joined.positions)
            out = [joined if f is check else f for f in out if f is check or not own & set(f.positions)]
    for check in found:
        if check in out and isinstance(check.method, Sum) and check.method.width == 8 and check.counter is None:
            wider = _as_sum(columns, check, check.method, [f for f in out if f is not check])
            out = out if wider is None else [wider if f is check else f for f in out]
    return out


def as_half(
    columns: BitColumns,
    check: FoundChecksum,
    others: Sequence[FoundChecksum] = (),
    counters: Sequence[FoundCounter] = (),
) -> FoundChecksum | None:
    """The CRC of 16 or 12 bits that this is a part of, if it is; its other part may hold bits that never moved.

    Parameters
    ----------
    columns : Columns
        The message's frames.
    check : FoundChecksum
        A byte or nibble that is affine in the others.
    others : sequence of FoundChecksum, optional
        Checks that are not to be taken apart, unless they are parts themselves: affine and without a name.
    counters : sequence of FoundCounter, optional
        What counts in the message. What goes on by one in every frame is no part of a CRC.
    """
    if not _is_part(check):
        return None
    counting = [set(c.positions) for c in counters if c.counter.step == 1 and len(c.positions) >= FEWEST_COUNTING]
    byte = check.positions[0] >> 3
    for low in (byte - 1, byte):
        if low < 0 or low + 1 >= columns.payload.shape[1]:
            continue
        for positions in over_two_bytes(low):
            own = set(positions)
            whole = len(positions) == 16 and len(check.positions) == 8
            if not own & set(check.positions) or (len(positions) == 16 and not whole):
                continue
            if any(own & set(f.positions) and not _is_part(f) for f in others) or any(own >= c for c in counting):
                continue
            joined = _as_crc(columns, positions)
            if joined is not None:
                return joined
    return None


def _is_part(check: FoundChecksum) -> bool:
    """Whether this may be part of a wider CRC: a byte or nibble that is affine in others, and no CRC or XOR itself."""
    return check.counter is None and isinstance(check.method, Affine) and not check.method.name


def _byte(number: int) -> tuple[int, ...]:
    return tuple(range(8 * number, 8 * number + 8))


def over_two_bytes(low: int) -> tuple[tuple[int, ...], ...]:
    """Bits of a check over two neighbouring bytes, least significant first: both of them, or one and half the other."""
    first, second = _byte(low), _byte(low + 1)
    return (
        first + second,
        second + first,
        first[4:] + second,
        first + second[:4],
        second + first[:4],
        second[4:] + first,
    )


def _as_crc(columns: BitColumns, positions: tuple[int, ...]) -> FoundChecksum | None:
    width = len(positions)
    if 2 * int(columns.live[list(positions)].sum()) < width:
        return None  # any input moves about half of it
    fit = fit_affine(columns, positions)
    if fit is None or not isinstance(fit.method, Affine):
        return None
    length = columns.payload.shape[1]
    pinned = [p for p in range(8 * length) if fit.verified_bits >> p & 1]
    share = {p: sum((mask >> p & 1) << k for k, mask in enumerate(fit.method.masks)) for p in pinned}
    if sum(part != 0 for part in share.values()) < FEWEST_BITS:
        return None
    filled = [i for i in range(length) if set(_byte(i)) <= set(positions)]
    for method in _crcs(width, share, tuple(i for i in range(length) if i not in filled), filled[0]):
        named = settled_crc(positions, method, distinct_rows(columns))
        if named is not None:
            return FoundChecksum(positions, named, None, (), fit.share, fit.equations, fit.verified_bits)
    return None


def _crcs(width: int, share: dict[int, int], others: tuple[int, ...], own: int) -> Iterator[Crc]:
    """CRCs in which every one of these payload bits has this part, constants still open."""
    top, mask = 1 << (width - 1), (1 << width) - 1
    fed = {p >> 3 for p, v in share.items() if v}
    walks = list(orders_fed(others, own, fed, {p >> 3 for p in share} - fed))
    for reflect in (False, True):
        part = {p: _mirrored(v, width) if reflect else v for p, v in share.items() if v}
        # the next bit up the register is x times this one: where x wraps round, the difference is the polynomial
        toward = -1 if reflect else 1
        polynomials = {
            (value << 1 & mask) ^ part[p + toward]
            for p, value in part.items()
            if value & top and p + toward in part and (p + toward) >> 3 == p >> 3
        }
        for polynomial in sorted(
            p for p in polynomials if p & 1 and p > 1
        ):  # as all are; else it forgets, or is an XOR
            powers = _powers(width, polynomial, 8 * (len(others) + TAIL) + width + 8)
            named = is_catalogued(width, polynomial, reflect)
            for coverage, usual in walks:
                if not (usual or named):
                    continue
                for tail in range(TAIL + 1):
                    places = {
                        p: width
                        + 8 * (len(coverage) - 1 - coverage.index(p >> 3) + tail)
                        + (7 - (p & 7) if reflect else p & 7)
                        for p in part
                    }
                    if not named and 1 in powers[1 : max(places.values()) + 1]:
                        continue  # bytes so far apart are copied: an XOR
                    if all(powers[places[p]] == value for p, value in part.items()):
                        yield Crc(width, polynomial, 0, reflect, 0, coverage, after=bytes(tail))


def _mirrored(value: int, width: int) -> int:
    return int(f"{value:0{width}b}"[::-1], 2)


def _powers(width: int, polynomial: int, count: int) -> list[int]:
    """x to the k modulo a polynomial of degree `width`, for k below `count`."""
    out, state = [], 1
    for _ in range(count):
        out.append(state)
        state = (state << 1 & (1 << width) - 1) ^ (polynomial if state >> (width - 1) else 0)
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
    for partner in (own - 1, own + 1):
        taken = any(p >> 3 == partner for f in others for p in f.positions)
        if taken or partner in method.coverage or not 0 <= partner < columns.payload.shape[1]:
            continue
        moves = (columns.payload[1:, partner] != columns.payload[:-1, partner])[~columns.breaks[1:]]
        shown = 8.0 + log2_choose(len(moves), int(moves.sum())) if moves.any() else 0.0
        if shown < CARRY_BITS:
            continue
        payload = distinct_payloads(columns.payload)
        if len(payload) < 2 * EQUATIONS:
            return None
        value = payload[:, own].astype(np.int64) + 256 * payload[:, partner].astype(np.int64)
        rest = (value - method.factor * unit_totals(payload, method.coverage, 8)) % 65536
        counts = np.bincount(rest)
        every = columns.payload.astype(np.int64)
        away = (
            every[:, own] + 256 * every[:, partner] - method.factor * unit_totals(columns.payload, method.coverage, 8)
        )
        right = away % 65536 == counts.argmax()
        carried = (right[1:] & right[:-1])[~columns.breaks[1:]][moves]
        if counts.max() >= SHARE * len(rest) and carried.mean() >= SHARE:
            positions = _byte(own) + _byte(partner)
            wide = Sum(16, method.coverage, 8, method.factor, int(counts.argmax()))
            verified = low.verified_bits & ~(0xFF << 8 * partner)
            return FoundChecksum(positions, wide, None, (), float(counts.max() / len(rest)), low.equations, verified)
    return None
