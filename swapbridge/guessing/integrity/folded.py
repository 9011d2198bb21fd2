"""Guessing room: sums beyond those of whole bytes: weighed by place, folded, or with the carries brought round.

Each form leaves one constant open, which the first rows settle and all others must meet. What a sum runs over is the
whole payload; with weights, what the rows themselves say.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

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


@dataclass(frozen=True, slots=True)
class FoldedFit:
    """A sum of fields that explains a check, and the share of rows that it holds in."""

    method: FieldSum
    share: float


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
    for units, bits in ((_units(cleared, 8), 8), (_units(cleared, 4), 4)):
        moving = np.flatnonzero(units.min(axis=0) != units.max(axis=0))
        if len(moving) < FEWEST_MOVING:
            return None
        for method in _forms(units, few, target, width, bits):
            right = method_values(method, units, bits) == target
            if right.mean() >= share_needed:
                return FoldedFit(method, float(right.mean()))
    return None


def _units(rows: npt.NDArray[np.uint8], bits: int) -> Ints:
    """(N, units) bytes, or nibbles (the low one of each byte first)."""
    if bits == 8:
        return rows.astype(np.int64)
    return np.stack([rows & 15, rows >> 4], axis=2).reshape(len(rows), -1).astype(np.int64)


def _forms(units: Ints, few: npt.NDArray[np.intp], target: Ints, width: int, bits: int) -> Iterator[FieldSum]:
    """Sums that all of the first rows, but for one, agree with."""
    terms = tuple(Term(Layout(bits * k, bits)) for k in range(units.shape[1]))
    some, wanted = units[few], target[few]
    total = some.sum(axis=1)
    allowed = len(few) - 1 - len(few) // 100
    ring = (1 << width) - 1
    for factor in (1, -1):
        # carries brought round to the bottom: the sum modulo one less than the power of two
        rest = (wanted - factor * total) % ring
        if np.bincount(rest, minlength=ring).max() >= allowed:
            start = int(factor * np.bincount(rest, minlength=ring).argmax() % ring)
            yield FieldSum(width, terms, start, fold=width, factor=factor, constant=-1 if factor < 0 else 0)
    if width <= 4 and bits == 8:
        # digits of the sum, gathered in one byte, added up once
        starts = np.arange(MOST_START)[:, None]
        gathered = (total[None, :] + starts) & 255
        digits = sum((gathered >> shift) & ((1 << width) - 1) for shift in range(0, 8, width))
        for factor, constant in ((1, 0), (-1, -1), (-1, 0)):
            agrees = ((factor * digits + constant) % (1 << width) == wanted[None, :]).sum(axis=1)
            if agrees.max() >= allowed:
                yield FieldSum(width, terms, int(agrees.argmax()), 8, width, 1, None, factor, constant)
    weights = _weights(some, wanted, 1 << width)
    if weights is not None and (weights[:-1] > 0).sum() >= FEWEST_MOVING:
        weighed = tuple(Term(t.layout, int(w)) for t, w in zip(terms, weights[:-1], strict=True) if w)
        yield FieldSum(width, weighed, 0, constant=int(weights[-1]))


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
    if len(units) < 2 * columns + 16:
        return None
    at = 0
    solved = np.zeros(columns, np.int64)
    for column in range(columns):
        odd = np.flatnonzero(system[at:, column] & 1)
        if not len(odd):
            return None  # it goes with the others: weights stay open
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
    return np.asarray((method.factor * total + method.constant) % method.turns, np.int64)
