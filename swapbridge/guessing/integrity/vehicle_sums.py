"""Guessing room: sums of other forms that one message proves (`folded.py`), looked for in the vehicle's other messages.

Weights, what a sum ends with and how its digits are folded are the vehicle's; only a constant may be the message's own.
So a handful of payloads are enough, where a form that is not known takes forty.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from swapbridge.core.integrity import FieldSum, Term
from swapbridge.core.layout import Layout
from swapbridge.guessing.coding.bit_columns import BitColumns, distinct_payloads
from swapbridge.guessing.integrity.checksums import EQUATIONS, FoundChecksum
from swapbridge.guessing.integrity.folded import MOST_START, method_values

Ints = npt.NDArray[np.int64]
BITS_NEEDED = 24
"""Bits that a message's own payloads must say: as many as a check has for each beyond the first, less what names a
start among all, and as many again where its constant is the other message's too."""
FEWEST_VALUES = 3
"""Values that the check must take."""
ROWS = 96
"""Distinct payloads on which a sum is tried."""


def vehicle_sums(proven: Sequence[tuple[int, FoundChecksum]]) -> list[tuple[int, FoundChecksum]]:
    """Of all checks those whose form may be looked for in other messages.

    Parameters
    ----------
    proven : sequence of (payload bytes, FoundChecksum)
        Checks that are sure, and how long their messages are.

    Returns
    -------
    list of (payload bytes, FoundChecksum)
        Sums of bytes that are weighed by place, folded, or end in an XOR, one of each form and place.
    """
    seen: dict[tuple[object, ...], tuple[int, FoundChecksum]] = {}
    for size, found in proven:
        method = found.method
        if isinstance(method, FieldSum) and found.counter is None and found.equations >= EQUATIONS and not found.open:
            line = _line(method)
            if line is not None:
                form = (replace(method, terms=method.terms[:1], start=0, constant=0), line, found.positions, size)
                seen.setdefault(form, (size, found))
    return list(seen.values())


def sum_of_vehicle(columns: BitColumns, sums: Sequence[tuple[int, FoundChecksum]]) -> FoundChecksum | None:
    """The check of one message that a sum proven in other messages of the vehicle shows, if it does.

    Parameters
    ----------
    columns : BitColumns
        Frames of one identifier.
    sums : sequence of (payload bytes, FoundChecksum)
        As `vehicle_sums` has them.

    Returns
    -------
    FoundChecksum or None
        The check, or None if none of them fits.
    """
    rows = distinct_payloads(columns.payload)
    if len(rows) < FEWEST_VALUES:
        return None
    few = rows[np.linspace(0, len(rows) - 1, min(len(rows), ROWS)).astype(np.intp)]
    length = rows.shape[1]
    for size, known in sums:
        for positions in dict.fromkeys(_places(known.positions, size, length)):
            if not 0 <= positions[0] <= positions[-1] < 8 * length:
                continue
            target = np.zeros(len(few), np.int64)
            cleared = few.copy()
            for k, p in enumerate(positions):
                target |= (few[:, p >> 3] >> (p & 7) & 1).astype(np.int64) << k
                cleared[:, p >> 3] &= np.uint8(0xFF ^ (1 << (p & 7)))
            if len(np.unique(target)) < FEWEST_VALUES:
                continue
            for method in _forms(known.method, size, length):
                settled = _settled(method, cleared.astype(np.int64), target)
                if settled is not None:
                    moved = np.bitwise_or.reduce(rows ^ rows[:1], axis=0)
                    own = sum(1 << p for p in positions)
                    verified = int.from_bytes(moved.tobytes(), "little") & ~own
                    method, is_open = settled
                    return FoundChecksum(
                        positions, method, None, (), 1.0, len(few) - 1, verified, shared=1, open=is_open
                    )
    return None


def _places(positions: tuple[int, ...], size: int, length: int) -> Iterator[tuple[int, ...]]:
    """Where such a check stands in a message of another length: counted from its end or from its start."""
    for away in (8 * (length - size), 0):
        yield tuple(p + away for p in positions)


def _line(method: FieldSum) -> tuple[int, int] | None:
    """What a byte's weight grows by from place to place, and that of the first; None where it is no such line.

    Bytes that stand still have no weight, whatever they count for.
    """
    if any(t.layout.start & 7 or t.layout.length != 8 for t in method.terms) or len(method.terms) < 2:
        return None
    at = [(t.layout.start >> 3, t.weight) for t in method.terms]
    if all(w == 1 for _, w in at):
        return 0, 1
    top = 1 << method.width
    lines = [
        (by, (at[0][1] - by * at[0][0]) % top)
        for by in range(top)
        if all((w - at[0][1] - by * (i - at[0][0])) % top == 0 for i, w in at)
    ]
    return lines[0] if len(lines) == 1 and len(at) > 2 else None


def _forms(method: object, size: int, length: int) -> Iterator[FieldSum]:
    """The sum over all bytes of a message of another length, its weights counted from either end."""
    if not isinstance(method, FieldSum):
        return
    line = _line(method)
    if line is None:
        return
    by, first = line
    for away in dict.fromkeys((0, size - length) if by else (0,)):
        weights = [(first + by * (i + away)) % (1 << method.width) for i in range(length)]
        yield replace(method, terms=tuple(Term(Layout(8 * i, 8), w) for i, w in enumerate(weights) if w))


def _settled(method: FieldSum, cleared: Ints, target: Ints) -> tuple[FieldSum, bool] | None:
    """The sum with the message's own constant, if it then gives all of the rows, and whether another one does too."""
    said = method.width * (len(target) - 1)
    if method.fold:
        if said + method.width < BITS_NEEDED:
            return None
        # gathered in a byte, or with the carries brought round
        starts = range(MOST_START if method.register else (1 << method.fold) - 1)
        right = [
            start
            for start in (method.start, *starts)
            if (method_values(replace(method, start=start), cleared, 8) == target).all()
        ]
        as_known = method.start in right
        if not right or (not as_known and said + method.width - 8 < BITS_NEEDED):
            return None
        return replace(method, start=right[0]), not as_known and len(right) > 1
    bare = method_values(replace(method, constant=0, xor_out=0), cleared, 8)
    rest = ((target ^ method.xor_out) - bare) % method.turns
    if (rest != rest[0]).any():
        return None
    constant = int(rest[0])
    if said + (method.width if constant == method.constant else 0) < BITS_NEEDED:
        return None
    return replace(method, constant=constant), False
