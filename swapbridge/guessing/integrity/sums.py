"""Guessing room: checksums that are sums: of bytes, nibbles or bits, folded or not, any constant, either sign."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import numpy.typing as npt

from swapbridge.core.integrity import Sum

Ints = npt.NDArray[np.int64]

FIRST_LOOK = 200
"""Rows on which a sum is tried first."""
_ONES: Ints = np.array([i.bit_count() for i in range(256)], np.int64)


@dataclass(frozen=True, slots=True)
class SumFit:
    """A sum that explains a field: the method, the share of rows it holds in, and what of the input moves."""

    method: Sum
    share: float
    moving: int
    by_counter: tuple[int, ...] = ()


def _units_by_byte(rows: npt.NDArray[np.uint8], unit_bits: int) -> Ints:
    """(N, B) sum of the units (a byte, nibbles, bits) of each byte."""
    if unit_bits == 8:
        return rows.astype(np.int64)
    if unit_bits == 4:
        return ((rows & 15) + (rows >> 4)).astype(np.int64)
    return _ONES[rows]


def unit_totals(payload: npt.NDArray[np.uint8], coverage: tuple[int, ...], unit_bits: int) -> Ints:
    """(N,) sum of bytes, nibbles or bits of the covered bytes."""
    return np.asarray(_units_by_byte(payload[:, list(coverage)], unit_bits).sum(axis=1), np.int64)


def moving_units(payload: npt.NDArray[np.uint8], coverage: tuple[int, ...], unit_bits: int, width: int) -> int:
    """How many of the covered units (bytes; nibbles) change at all, in bits that reach a sum of that width."""
    part = payload[:, list(coverage)]
    moved = np.bitwise_or.reduce(part ^ part[:1], axis=0)
    if unit_bits == 8:
        moved = moved & np.uint8((1 << min(width, 8)) - 1)
        return int((moved > 0).sum())
    return int(((moved & 15) > 0).sum() + ((moved >> 4) > 0).sum())


def summed_rows(payload: npt.NDArray[np.uint8], method: Sum, modulus: int) -> int:
    """How many different rows of moving units were summed, without pairs that always make the same sum.

    A counter and its complement, both in the sum, add nothing that could prove it, however many rows they make.
    """
    part = payload[:, list(method.coverage)]
    if method.unit_bits == 4:
        part = np.concatenate([part & 15, part >> 4], axis=1)
    if method.unit_bits == 8:
        part = part & np.uint8(min(modulus - 1, 255))  # upper bits never reach a narrower sum
    left = [k for k in range(part.shape[1]) if part[:, k].min() != part[:, k].max()]
    for a, b in combinations(tuple(left), 2):
        both = (part[:, a].astype(np.int64) + part[:, b]) % modulus
        if a in left and b in left and (both == both[0]).all():
            left.remove(a)
            left.remove(b)
    return len(np.unique(np.ascontiguousarray(part[:, left]), axis=0)) if left else 1


def _coverages(width: int, own: tuple[int, ...], odd: tuple[int, ...] | None) -> Iterator[tuple[int, ...]]:
    everything = tuple(i for i in range(width))
    seen = set()
    options = [everything]
    if odd is not None:
        options.append(odd)
    first, last = min(own), max(own)
    options.append(tuple(range(first + 1)))
    options.append(tuple(range(first)))
    options.append(tuple(range(last, width)))
    options.append(tuple(range(last + 1, width)))
    options += [tuple(i for i in everything if i != left) for left in range(width)]
    options += [everything[k:] for k in range(1, width - 1)] + [everything[:k] for k in range(2, width)]
    for option in options:
        if option and option not in seen:
            seen.add(option)
            yield option


def _parities(rows: npt.NDArray[np.uint8], unit_bits: int) -> list[int]:
    """For each byte, as one whole number over all rows, whether the sum of its units is odd."""
    odd = (_units_by_byte(rows, unit_bits) & 1).astype(np.uint8)
    return [int.from_bytes(column.tobytes(), "big") for column in np.packbits(odd, axis=0).T]


def _even_or_odd(
    rows: npt.NDArray[np.uint8], target: Ints, coverages: list[tuple[int, ...]], unit_bits: int
) -> npt.NDArray[np.int64]:
    """For each coverage an upper bound of `_commonest`: rows whose lowest bit leaves the commoner rest.

    A rest modulo a power of two is even or odd, so no one rest is commoner than its kind.
    """
    by_byte = _parities(rows, unit_bits)
    odd_target = int.from_bytes(np.packbits((target & 1).astype(np.uint8)).tobytes(), "big")
    most = []
    for coverage in coverages:
        odd = odd_target
        for byte in coverage:
            odd ^= by_byte[byte]
        count = odd.bit_count()
        most.append(max(count, len(rows) - count))
    return np.array(most, np.int64)


def _commonest(each: Ints, target: Ints, covered: Ints, factor: int, modulus: int) -> Ints:
    """For each coverage (a column of `covered`) the number of rows that leave the commonest rest."""
    many = covered.shape[1]
    rest = (target[:, None] - factor * (each @ covered)) & (modulus - 1)
    counts = np.bincount((rest + modulus * np.arange(many)).ravel(), minlength=modulus * many)
    return np.asarray(counts.reshape(many, modulus).max(axis=1), np.int64)


def fit_sum(
    cleared: npt.NDArray[np.uint8],
    target: Ints,
    width: int,
    own: tuple[int, ...],
    odd: tuple[int, ...] | None,
    counter: Ints | None,
    share_needed: float,
) -> SumFit | None:
    """The sum that gives `target` from the rest of the payload, if there is one.

    Parameters
    ----------
    cleared : (N, B) uint8
        Payloads with the target's own bits zero; preferably distinct rows.
    target : (N,) int64
        The field's values.
    width : int
        The field's bits.
    own : tuple of int
        Bytes the field stands in.
    odd : tuple of int or None
        Bytes that have an odd factor by GF(2) algebra, where that decides it.
    counter : (N,) int64 or None
        Counter values, to allow a constant for each.
    share_needed : float
        Share of rows that must agree.

    Returns
    -------
    SumFit or None
        The method, or None if no sum agrees on enough rows.
    """
    modulus = 1 << width
    # evenly spaced rows that no sum may fail in, were all its bad rows among them
    few = np.linspace(0, len(target) - 1, min(len(target), FIRST_LOOK)).astype(np.intp)
    may_fail = int((1 - share_needed) * len(target)) + 1
    coverages = list(_coverages(cleared.shape[1], own, odd))
    units = [unit_bits for unit_bits in (8, 4, 1) if unit_bits != 8 or width >= 8 or width == 4]
    covered = np.zeros((cleared.shape[1], len(coverages)), np.int64)
    for at, coverage in enumerate(coverages):
        covered[list(coverage), at] = 1
    hopeful = {}
    some, wanted, needed = cleared[few], target[few], len(few) - may_fail
    for unit_bits in units:
        likely = _even_or_odd(some, wanted, coverages, unit_bits) >= needed
        hopeful[unit_bits, 1] = hopeful[unit_bits, -1] = likely
        if likely.any():
            each = _units_by_byte(some, unit_bits)
            for factor in (1, -1):
                hopeful[unit_bits, factor] = _commonest(each, wanted, covered, factor, modulus) >= needed
    for at, coverage in enumerate(coverages):
        for unit_bits in units:
            factors = [f for f in (1, -1) if hopeful[unit_bits, f][at]]
            if not factors:
                continue
            total = unit_totals(cleared, coverage, unit_bits)
            for factor in factors:
                rest = (target - factor * total) & (modulus - 1)
                counts = np.bincount(rest, minlength=modulus)
                constant = int(counts.argmax())
                share = float(counts[constant]) / len(target)
                if share >= share_needed:
                    summed = tuple(i for i in coverage if i not in own or width < 8 * len(own))
                    return SumFit(
                        Sum(width, summed, unit_bits, factor, constant),
                        share,
                        moving_units(cleared, coverage, unit_bits, width),
                    )
    if counter is not None:
        everything = tuple(range(cleared.shape[1]))
        values = np.unique(counter)
        if len(values) <= 16 and len(target) >= 6 * len(values):
            for unit_bits in (8, 4):
                total = unit_totals(cleared, everything, unit_bits)
                for factor in (1, -1):
                    rest = (target - factor * total) & (modulus - 1)
                    turns = int(values.max()) + 1
                    counts = np.bincount(rest + modulus * counter, minlength=modulus * turns).reshape(turns, modulus)
                    right = int(counts.max(axis=1).sum())
                    table = counts.argmax(axis=1).tolist()
                    if right >= share_needed * len(target) and len(set(table)) > 1:
                        method = Sum(width, everything, unit_bits, factor, 0)
                        moving = moving_units(cleared, everything, unit_bits, width) - 1
                        return SumFit(method, right / len(target), moving, tuple(table))
    return None


def tied_sum(cleared: npt.NDArray[np.uint8], method: Sum) -> Sum | None:
    """The sum of the other units that gives the same four bits in every payload, if there is one.

    Parameters
    ----------
    cleared : (N, B) uint8
        Payloads with the check's own bits zero.
    method : Sum
        The sum of bytes or nibbles that was found.

    Returns
    -------
    Sum or None
        That of nibbles for one of bytes, and the other way round.
    """
    if method.width != 4 or method.unit_bits not in (4, 8):
        return None
    other = 12 - method.unit_bits
    apart = unit_totals(cleared, method.coverage, method.unit_bits) - unit_totals(cleared, method.coverage, other)
    apart = method.factor * apart % 16
    if (apart != apart[0]).any():
        return None
    return replace(method, unit_bits=other, constant=(method.constant + int(apart[0])) % 16)
