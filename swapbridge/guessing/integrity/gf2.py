"""Guessing room: linear algebra over GF(2), for checksums that are affine functions of the other bits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Bits = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Reduced:
    """A matrix in reduced row echelon form.

    Attributes
    ----------
    rows : (R, C) uint8
        The nonzero rows.
    pivots : (R,) intp
        Pivot column of each, ascending among the first `columns` columns.
    consistent : bool
        Whether no row says "zero equals one" (only right-hand sides left).
    """

    rows: Bits
    pivots: npt.NDArray[np.intp]
    consistent: bool


def reduce_rows(matrix: Bits, columns: int) -> Reduced:
    """Gauss-Jordan elimination over GF(2), pivots among the first `columns` columns only.

    Columns beyond are right-hand sides: they are carried along.
    """
    m = matrix.copy()
    count = len(m)
    row = 0
    pivots = []
    for column in range(columns):
        if row >= count:
            break
        below = np.flatnonzero(m[row:, column])
        if not len(below):
            continue
        at = row + int(below[0])
        if at != row:
            m[[row, at]] = m[[at, row]]
        others = np.flatnonzero(m[:, column])
        others = others[others != row]
        m[others] ^= m[row]
        pivots.append(column)
        row += 1
    rest = m[row:, columns:]
    return Reduced(m[:row], np.array(pivots, np.intp), not rest.any())


def solve_affine(inputs: Bits, outputs: Bits) -> tuple[Bits, Bits, int] | None:
    """Write each output bit as the parity of some inputs plus a constant, if that holds in every row.

    Parameters
    ----------
    inputs : (N, C) uint8
        Input bits of N rows.
    outputs : (N, W) uint8
        Output bits.

    Returns
    -------
    (C, W) uint8, (W,) uint8, int or None
        Coefficients (zero where the rows leave them open), constants and the rank of inputs with the constant;
        None when no affine function fits all rows.
    """
    n, columns = inputs.shape
    # the constant first, so that a column that never moves adds nothing to it
    system = np.concatenate([np.ones((n, 1), np.uint8), inputs, outputs], axis=1)
    reduced = reduce_rows(system, columns + 1)
    if not reduced.consistent:
        return None
    coefficients = np.zeros((columns + 1, outputs.shape[1]), np.uint8)
    coefficients[reduced.pivots] = reduced.rows[:, columns + 1 :]
    return coefficients[1:], coefficients[0], len(reduced.pivots)


def relations(matrix: Bits) -> Bits:
    """(D, C) basis of all column sets whose parity is zero in every row (the null space)."""
    columns = matrix.shape[1]
    reduced = reduce_rows(matrix, columns)
    free = np.setdiff1d(np.arange(columns), reduced.pivots)
    basis = np.zeros((len(free), columns), np.uint8)
    for i, column in enumerate(free):
        basis[i, column] = 1
        basis[i, reduced.pivots] = reduced.rows[:, column]
    return basis
