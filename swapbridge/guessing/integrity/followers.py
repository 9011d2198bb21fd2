"""Guessing room: a check that only follows a counter, and which of two fields in step is which.

Where nothing but a counter moves, whatever formula a check has, it is a function of the counter, one to one. Two
counters in step are a longer description than a counter and its check, so that is what they are taken for.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from swapbridge.core.integrity import Affine
from swapbridge.guessing.coding.bit_columns import BitColumns
from swapbridge.guessing.coding.codelength import field_words
from swapbridge.guessing.integrity.checksums import SHARE, FoundChecksum
from swapbridge.guessing.integrity.counters import FoundCounter
from swapbridge.guessing.integrity.gf2 import solve_affine

FEWEST_ROUNDS = 3
FEWEST_TOGETHER = 200
"""Times that a counter goes round, or steps that it makes, before what goes round with it is called its check."""
MOST_OTHERS = 2
"""States that the rest of the payload may have."""
MET = 2
FEW_STATES = 16
"""How many of so few states of a counter may have another one's check, in a whole byte that is picked from a list: more
than two do by chance once in a hundred times."""

Ints = npt.NDArray[np.int64]


class _Pair(NamedTuple):
    """A counter, a field that is a function of it, and how plainly the two are distinguished (0: not at all)."""

    counter: FoundCounter
    positions: tuple[int, ...]
    plain: int


def follower_of_counter(
    columns: BitColumns, counters: Sequence[FoundCounter], places: Mapping[int, int] | None = None
) -> FoundChecksum | None:
    """The one byte or nibble that is a function of a counter, one to one: a check on it.

    None where several are: they are pages of contents that go round with the counter.

    Parameters
    ----------
    columns : Columns
        The message's frames.
    counters : sequence of FoundCounter
        What counts in it.
    places : mapping of int to int, optional
        Where other messages of the vehicle have their checks, by `place_of`, and how many do.
    """
    alike = places or {}
    pairs = [pair for counter in counters for pair in _pairs(columns, counter)]
    together = {frozenset(p >> 2 for p in (*pair.counter.positions, *pair.positions)) for pair in pairs}
    if len(together) != 1:
        return None

    def votes(pair: _Pair) -> int:
        return alike.get(place_of(columns, pair.positions), 0)

    pair = max(pairs, key=lambda pair: (pair.plain, votes(pair), _habit(columns, pair.positions)))
    check = _as_check(columns, pair)
    return check if pair.plain else replace(check, shared=votes(pair))


def place_of(columns: BitColumns, positions: Sequence[int]) -> int:
    """Where a check stands: its first bit counted from the payload's end.

    Parameters
    ----------
    columns : BitColumns
        Frames of one identifier.
    positions : sequence of int
        Bits of the check.

    Returns
    -------
    int
        Its first bit, counted from the end of the payload.
    """
    return min(positions) - 8 * int(columns.payload.shape[1])


def _pairs(columns: BitColumns, counter: FoundCounter) -> Iterator[_Pair]:
    if len(counter.positions) > 8 or (counter.wraps < FEWEST_ROUNDS and counter.steps < FEWEST_TOGETHER):
        return
    value = field_words(columns.payload, np.array(counter.positions)).astype(np.int64)
    live = columns.live
    if not live[list(counter.positions)].all():
        return
    own = set(counter.positions)
    for byte in range(columns.payload.shape[1]):
        bits = [p for p in range(8 * byte, 8 * byte + 8) if live[p] and p not in own]
        halves = [[p for p in bits if p >> 2 == 2 * byte + half] for half in (0, 1)]
        split = any(p >> 3 == byte for p in own)
        # a field over both nibbles, or one that keeps to its own
        options = [bits] if not split and all(halves) else [half for half in halves if half]
        for moving in options:
            formula = _function_of(value, columns.payload, moving, counter)
            if formula is not None:
                whole = tuple(range(moving[0] >> 3 << 3, (moving[0] >> 3 << 3) + 8))
                nibble = tuple(range(moving[0] >> 2 << 2, (moving[0] >> 2 << 2) + 4))
                field = whole if len(options) == 1 and not split and len(moving) > 1 and all(halves) else nibble
                # where both count up and other bits move, two counters are as likely
                if not own & set(field) and (formula or _nothing_else(columns, (*counter.positions, *field))):
                    yield _Pair(counter, field, formula)


def _nothing_else(columns: BitColumns, positions: Sequence[int]) -> bool:
    """Whether hardly anything but these bits moves."""
    rest = columns.payload.copy()
    for p in positions:
        rest[:, p >> 3] &= np.uint8(0xFF ^ (1 << (p & 7)))
    return len(np.unique(rest, axis=0)) <= MOST_OTHERS


def _function_of(
    value: Ints, payload: npt.NDArray[np.uint8], moving: Sequence[int], counter: FoundCounter
) -> int | None:
    """How clearly these bits are a check on the counter; None where they are no one-to-one function of it."""
    if len(moving) < 2:
        return None
    field = field_words(payload, np.array(moving)).astype(np.int64)
    pairs, counts = np.unique(np.stack([value, field], axis=1), axis=0, return_counts=True)
    order = np.argsort(-counts, kind="stable")
    states = len(np.unique(value))
    first = pairs[order[:states]]
    met = MET if len(moving) == 8 and states <= FEW_STATES else 0
    if len(np.unique(first[:, 0])) < states or len(np.unique(first[:, 1])) < states - met or states < 3:
        return None
    if counts[order[:states]].sum() < SHARE * len(value):
        return None
    span = counter.counter.high - counter.counter.low + 1
    on = np.flatnonzero(np.diff(value) % span == counter.counter.step)  # where a frame is missing both go further
    steps = np.diff(field)[on] % (1 << len(moving))
    sizes = {int(step) for step in steps}
    if len(moving) > len(counter.positions) or len(sizes) > 1:
        return 2  # it spills over, or does not count by itself
    if sizes != {1}:
        return 1
    return 0 if counter.counter.step == 1 else None  # what counts by one is the counter, and the other its check


def _habit(columns: BitColumns, positions: tuple[int, ...]) -> int:
    """What makers do with two that cannot be told apart: the check in the last byte, else in the first, low nibble."""
    byte, last = positions[0] >> 3, int(columns.payload.shape[1]) - 1
    return 4 * (byte == last) + 2 * (byte == 0) + (positions[0] & 7 == 0)


def _as_check(columns: BitColumns, pair: _Pair) -> FoundChecksum:
    """As parities of the counter's bits where it is affine, else as a table over the counter."""
    field, inputs = pair.positions, pair.counter.positions
    both = columns.bits[:, [*inputs, *field]]
    rows, counts = np.unique(both, axis=0, return_counts=True)
    rows = rows[np.argsort(-counts, kind="stable")]
    rows = rows[np.unique(rows[:, : len(inputs)], axis=0, return_index=True)[1]]  # the usual one for each count
    verified = sum(1 << p for p in inputs)
    solved = solve_affine(rows[:, : len(inputs)], rows[:, len(inputs) :])
    weights = 1 << np.arange(len(field))
    if solved is not None:
        coefficients, constant, _ = solved
        masks = tuple(sum(1 << p for p, c in zip(inputs, column, strict=True) if c) for column in coefficients.T)
        method = Affine(len(field), masks, int(constant @ weights))
        return FoundChecksum(field, method, None, (), 1.0, 0, verified, distinguished=pair.plain)
    table = [0] * (1 << len(inputs))
    for row in rows:
        table[int(row[: len(inputs)] @ (1 << np.arange(len(inputs))))] = int(row[len(inputs) :] @ weights)
    bare = Affine(len(field), (0,) * len(field))
    return FoundChecksum(field, bare, inputs, tuple(table), 1.0, 0, verified, distinguished=pair.plain)
