"""Guessing room: sums beyond plain ones: weighed by place, folded, with the carries brought round, or ending in an XOR.

Each form leaves one constant open, which the first rows settle and all others must meet. What a sum runs over is the
whole payload; with weights, what the rows themselves say.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from swapbridge.core.integrity import FieldSum, Term
from swapbridge.core.layout import Layout

Ints = npt.NDArray[np.int64]
FIRST_LOOK = 64
"""Rows on which a form is tried first."""
FEWEST_ROWS = 40
"""Distinct rows there must be: forms and constants are many."""
FEWEST_MOVING = 2
MOST_START = 256
FIRST_ROWS = 12
"""Rows that most starts of a gathered sum fail in already."""
DIGIT_SIGNS = ((1, 0), (-1, -1), (-1, 0))
"""Factor and constant of gathered sums: as they are, complemented, negated."""


@dataclass(frozen=True, slots=True)
class FoldedFit:
    """A sum of fields that explains a check, the share of rows it holds in, and whether others of its form fit too."""

    method: FieldSum
    share: float
    open: bool = False


def fit_field_sum(cleared: npt.NDArray[np.uint8], target: Ints, width: int, share_needed: float) -> FoldedFit | None:
    """The sum, of any form tried here, that gives `target` from the rest of the payload.

    Parameters
    ----------
    cleared : (N, B) uint8
        Distinct payloads with the target's own bits zero.
    target : (N,) int64
        The check's values, below ``2**width``.
    width : int
        Its bits, 3 to 8.
    share_needed : float
        Share of rows that must agree.
    """
    if len(cleared) < FEWEST_ROWS or np.count_nonzero(np.bincount(target)) < 4:
        return None
    few = np.linspace(0, len(cleared) - 1, min(len(cleared), FIRST_LOOK)).astype(np.intp)
    moved = np.bitwise_or.reduce(cleared ^ cleared[:1], axis=0)[None, :]
    for bits in (8, 4):
        if np.count_nonzero(_units(moved, bits)) < FEWEST_MOVING:
            return None
        units = _units(cleared, bits)
        fits: list[FoldedFit] = []
        for method in _forms(_units(cleared[few], bits), target[few], width, bits):
            if fits and not method.register:
                break
            share = float((method_values(method, units, bits) == target).mean())
            if share >= share_needed:
                fits.append(FoldedFit(method, share))
            if fits and not method.register:
                break
        if fits:
            best = max(fits, key=lambda fit: fit.share)
            return replace(best, open=sum(fit.share == best.share for fit in fits) > 1)
    return None


def _units(rows: npt.NDArray[np.uint8], bits: int) -> Ints:
    """(N, units) bytes, or nibbles (the low one of each byte first)."""
    if bits == 8:
        return rows.astype(np.int64)
    return np.stack([rows & 15, rows >> 4], axis=2).reshape(len(rows), -1).astype(np.int64)


@lru_cache(maxsize=8)
def _gathered_once(width: int) -> npt.NDArray[np.uint8]:
    """(3, 256) what `DIGIT_SIGNS` make of each byte's digits of `width` bits, added up once."""
    byte = np.arange(256)
    digits = sum(((byte >> shift) & ((1 << width) - 1) for shift in range(0, 8, width)), np.zeros_like(byte))
    return np.stack([(f * digits + c) & ((1 << width) - 1) for f, c in DIGIT_SIGNS]).astype(np.uint8)


def _forms(some: Ints, wanted: Ints, width: int, bits: int) -> Iterator[FieldSum]:
    """Sums with which all of the first rows agree, or all except one."""
    terms = tuple(Term(Layout(bits * k, bits)) for k in range(some.shape[1]))
    total = some.sum(axis=1)
    may_fail = 1 + len(some) // 100
    ring = (1 << width) - 1
    for factor in (1, -1):
        # carries brought round to the bottom: the sum modulo one less than the power of two
        counts = np.bincount((wanted - factor * total) % ring)
        if counts.max() >= len(some) - may_fail:
            start = int(factor * counts.argmax() % ring)
            yield FieldSum(width, terms, start, fold=width, factor=factor, constant=-1 if factor < 0 else 0)
    if width <= 4 and bits == 8:
        # digits of the sum, gathered in one byte, added up once
        gathered = total.astype(np.uint8)[None, :] + np.arange(MOST_START, dtype=np.uint8)[:, None]
        digits = wanted.astype(np.uint8)
        for made, (factor, constant) in zip(_gathered_once(width), DIGIT_SIGNS, strict=True):
            if width == 4 and factor < 0 <= constant:
                continue  # the complement from a start 16 further on is the same
            if (made[gathered[:, :FIRST_ROWS]] != digits[:FIRST_ROWS]).sum(axis=1).min() > may_fail:
                continue
            fails = (made[gathered] != digits).sum(axis=1)
            # starts 15 apart part only where the digits carry
            for start in np.flatnonzero(fails <= may_fail).tolist():
                yield FieldSum(width, terms, start, 8, width, 1, None, factor, constant)
    reach = np.bitwise_or.reduce(some ^ some[:1], axis=0) & ring  # upper bits never reach a narrower sum
    # not of four bits: they may be the lower half of a byte's, whose upper half hardly moves
    wide = width == 8 and np.count_nonzero(reach) >= FEWEST_MOVING
    ended = _ended(total, wanted, width, may_fail) if wide else None
    if ended is not None:
        yield FieldSum(width, terms, 0, constant=ended[0], xor_out=ended[1])
    weights = _weights(some, wanted, 1 << width)
    if weights is not None and (weights[:-1] > 0).sum() >= FEWEST_MOVING:
        weighed = tuple(Term(t.layout, int(w)) for t, w in zip(terms, weights[:-1], strict=True) if w)
        yield FieldSum(width, weighed, 0, constant=int(weights[-1]))


def _ended(total: Ints, wanted: Ints, width: int, may_fail: int) -> tuple[int, int] | None:
    """What is added to a sum and what it is then combined with by XOR, if one pair alone explains the rows.

    The top bit does the same either way, so it is left to what is added; and what is counted down is what is counted
    up, complemented.
    """
    odd = np.count_nonzero((total ^ wanted) & 1)
    if may_fail < odd < len(total) - may_fail:
        return None  # in the lowest bit nothing is carried
    top = 1 << width
    made = (total[None, :] + np.arange(top)[:, None]) % top ^ wanted[None, :]
    first = np.sort(made[:, :FIRST_ROWS], axis=1)
    alike = FIRST_ROWS - 1 - may_fail
    near = np.flatnonzero((first[:, alike:] == first[:, :-alike]).any(axis=1))
    found = []
    for added in near.tolist():
        counts = np.bincount(made[added], minlength=top)
        ending = int(counts.argmax())
        if counts[ending] >= len(total) - may_fail and 2 * ending < top:
            found.append((added, ending))
    return found[0] if len(found) == 1 else None


def _open_in_lowest_bits(system: Ints) -> bool:
    """Whether the lowest bits alone rule weights out: over GF(2) a column goes with others, or the last is free of all.

    Elimination modulo a power of two is elimination over GF(2) in the lowest bits, so it ends the same way, only later.
    """
    low = np.packbits((system & 1).astype(np.uint8), axis=0)
    *given, check = [int.from_bytes(column.tobytes(), "big") for column in low.T]
    basis: list[int] = []
    for column in given:
        for known in basis:
            column = min(column, column ^ known)
        if not column:
            return True
        basis.append(column)
    for known in basis:
        check = min(check, check ^ known)
    return check != 0


def _weights(units: Ints, target: Ints, modulus: int) -> Ints | None:
    """(units + 1,) weights, the constant last, that give the target modulo a power of two; None where there are none.

    Elimination in the ring, where a pivot must be odd. What a unit's lowest bits keep still is taken off it first, so
    that a flag high in a byte has odd steps too.
    """
    moving = np.flatnonzero(units.min(axis=0) != units.max(axis=0))
    away = units[:, moving] - units[:1, moving]
    together = np.bitwise_or.reduce(away, axis=0)
    shift = np.array([(int(v) & -int(v)).bit_length() - 1 for v in together], np.int64)
    away >>= shift
    system = np.concatenate([np.ones((len(units), 1), np.int64), away, target[:, None]], axis=1) & (modulus - 1)
    columns = system.shape[1] - 1
    if len(units) < 2 * columns + 16 or _open_in_lowest_bits(system):
        return None
    at = 0
    solved = np.zeros(columns, np.int64)
    for column in range(columns):
        odd = np.flatnonzero(system[at:, column] & 1)
        system[[at, at + odd[0]]] = system[[at + odd[0], at]]
        system[at] = system[at] * pow(int(system[at, column]), -1, modulus) & (modulus - 1)
        others = np.flatnonzero(system[:, column])
        others = others[others != at]
        system[others] = (system[others] - system[others, column][:, None] * system[at]) & (modulus - 1)
        at += 1
    if (system[at:, -1] != 0).any():
        return None
    solved[:] = system[:columns, -1]
    weights = solved[1:] >> shift
    if (weights << shift != solved[1:]).any():
        return None
    out = np.zeros(units.shape[1] + 1, np.int64)
    out[moving] = weights
    out[-1] = (solved[0] - (weights * units[0, moving]).sum()) % modulus
    return out


def method_values(method: FieldSum, units: Ints, bits: int) -> Ints:
    """(N,) what the sum gives for each row of units (bytes or nibbles of the whole payload)."""
    total = np.full(len(units), method.start, np.int64)
    for term in method.terms:
        total = total + term.weight * units[:, term.layout.start // bits]
    if method.register:
        total = total % (1 << method.register)
    done = 0
    while method.fold and (done < method.folds or (not method.folds and (total >> method.fold).any())):
        digits, rest = np.zeros_like(total), total
        while rest.any():
            digits, rest = digits + (rest & ((1 << method.fold) - 1)), rest >> method.fold
        total = digits
        done += 1
    return np.asarray((method.factor * total + method.constant) % method.turns ^ method.xor_out, np.int64)
