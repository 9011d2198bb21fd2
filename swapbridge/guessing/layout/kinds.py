"""Guessing room: what a field's own values say of it: sign, kind, and what the frames could not show."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from swapbridge.guessing.coding.bit_columns import BitColumns, distinct_values
from swapbridge.signalmap.findings import FieldKind

FEW_STATES = 16
"""A field of at most this many distinct values that jumps between them is an enumeration."""
ROUNDS = 8
IN_ORDER = 0.9
"""Rounds of all its values from which on a field that nearly always takes them in one order is no state of anything."""


def is_signed(raw: npt.NDArray[np.int64], follows: npt.NDArray[np.bool_], length: int) -> bool:
    """Whether raw values make more sense as two's complement.

    A quantity crosses zero in small steps: where its path passes from 0 to the top code, that is -1; where it passes
    the middle of the range, a signed reading would jump there. A quantity also leaves part of its range empty, and
    the empty part lies where the reading wraps.

    Parameters
    ----------
    raw : (N,) int64
        Unsigned values in time order.
    follows : (N,) bool
        Whether a value follows the one before it.
    length : int
        Bits of the field.
    """
    if length < 3 or not len(raw):
        return False
    top = raw >> (length - 1) & 1
    if top.min() == top.max():
        return False
    span = float(2**length)
    value = raw.astype(np.float64)
    signed = np.where(top == 1, value - span, value)
    step_unsigned = np.abs(np.diff(value))[follows[1:]]
    step_signed = np.abs(np.diff(signed))[follows[1:]]
    crossing = step_unsigned != step_signed
    if crossing.any():
        # cost of the crossings alone, in bits of step size, under either reading
        cost_unsigned = float(np.log2(1.0 + step_unsigned[crossing]).sum())
        cost_signed = float(np.log2(1.0 + step_signed[crossing]).sum())
        if abs(cost_unsigned - cost_signed) > 2.0 + 0.05 * max(cost_unsigned, cost_signed):
            return cost_signed < cost_unsigned
    unsigned_room = _empty_at_wrap(value, 0.0, span)
    signed_room = _empty_at_wrap(signed, -span / 2, span / 2)
    return signed_room > 1.5 * unsigned_room + 0.02


def _empty_at_wrap(value: npt.NDArray[np.float64], low: float, high: float) -> float:
    """Share of the range that is never reached at its two ends."""
    return float((value.min() - low) + (high - value.max())) / (high - low)


def field_kind(raw: npt.NDArray[np.int64], follows: npt.NDArray[np.bool_], length: int) -> FieldKind:
    """Flag, enumeration or analogue, from how the values move."""
    if length == 1:
        return "flag"
    if not len(raw) or raw.min() == raw.max():
        return "constant"
    states = distinct_values(raw)
    if len(states) == 2 and length <= 2:
        return "enum"
    if len(states) > FEW_STATES:
        return "analogue"
    if length <= 3:
        return "enum"
    # few states that lie apart, or moves that skip states, are codes; a ladder climbed rung by rung is a quantity
    rungs = np.searchsorted(states, raw)
    rung_moves = np.abs(np.diff(rungs)[follows[1:]])
    rung_moves = rung_moves[rung_moves != 0]
    skips = float((rung_moves > 1).mean()) if len(rung_moves) else 1.0
    dense = len(states) / (int(states[-1]) - int(states[0]) + 1)  # 64 bits hold no span of theirs
    if skips < 0.1 and dense > 0.5 and len(rung_moves) > 3 * len(states):
        return "analogue"
    return "enum"


def comes_round(raw: npt.NDArray[np.int64], follows: npt.NDArray[np.bool_]) -> bool:
    """Whether three values or more come again and again in one order, as no states of a machine do.

    Pages do: the field may be their selector, or part of it, with what they hold.

    Parameters
    ----------
    raw : (N,) int64
        Values in time order.
    follows : (N,) bool
        Whether a value follows the one before it.

    Returns
    -------
    bool
        False where there were too few rounds to tell.
    """
    states, index = np.unique(raw, return_inverse=True)
    turns = np.flatnonzero((raw[1:] != raw[:-1]) & follows[1:])
    if not 3 <= len(states) <= FEW_STATES or len(turns) < ROUNDS * len(states):
        return False
    after = np.zeros((len(states), len(states)), np.int64)
    np.add.at(after, (index[turns], index[turns + 1]), 1)
    # from each value on to its usual next one: a swing between two ends does not come by all of them
    usual, at, seen = after.argmax(axis=1), int(after.sum(axis=1).argmax()), set[int]()
    while at not in seen:
        seen.add(at)
        at = int(usual[at])
    return len(seen) > 2 and int(after.max(axis=1).sum()) > IN_ORDER * len(turns)


def is_noise(columns: BitColumns, positions: tuple[int, ...]) -> bool:
    """Whether every bit flips like a coin, the most significant ones too: no quantity does that."""
    follows = ~columns.breaks[1:]
    steps = np.count_nonzero(follows)
    if steps < 100:
        return False
    for p in reversed(positions):  # the most significant bit first, which seldom passes
        column = columns.payload[:, p >> 3]
        flips = np.count_nonzero((column[1:] ^ column[:-1])[follows] & np.uint8(1 << (p & 7)))
        if abs(flips / steps - 0.5) >= 4.0 * 0.5 / np.sqrt(steps):
            return False
    return True
