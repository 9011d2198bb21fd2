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

    Parameters
    ----------
    matrix : (R, C) uint8
        Rows of the system, 0 or 1; columns from `columns` on are right-hand sides.
    columns : int
        Number of columns that may hold pivots.

    Returns
    -------
    Reduced
        The reduced rows and their pivots.
    """
    # a column is one whole number, its bits the rows, so a step works on all rows at once; the reduced form is one and
    # the same whichever rows are taken as pivots, so rows keep their places until the end
    count, width = matrix.shape
    packed = np.packbits(np.ascontiguousarray(matrix.T), axis=1, bitorder="little")
    column_bits = [int.from_bytes(row.tobytes(), "little") for row in packed]
    unused = (1 << count) - 1
    pivots, rows = [], []
    for column in range(columns):
        here = column_bits[column]
        open_rows = here & unused
        if not open_rows:
            continue
        row = open_rows & -open_rows
        others = here ^ row
        if others:
            for k in range(column, width):
                if column_bits[k] & row:
                    column_bits[k] ^= others
        unused ^= row
        pivots.append(column)
        rows.append(row.bit_length() - 1)
        if not unused:
            break
    size = (count + 7) // 8
    reduced = np.frombuffer(b"".join(bits.to_bytes(size, "little") for bits in column_bits), np.uint8)
    table = np.unpackbits(reduced.reshape(width, size), axis=1, count=count, bitorder="little").T
    consistent = not any(bits & unused for bits in column_bits[columns:])
    return Reduced(np.ascontiguousarray(table[rows]), np.array(pivots, np.intp), consistent)


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
