"""Drafting room: a field is no surer than what lies beside it, where bits that nothing explains may be part of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from swapbridge.core.integrity import Affine
from swapbridge.core.layout import Layout
from swapbridge.drafting.building import MOST_CHOICES
from swapbridge.drafting.drafted import Explained
from swapbridge.drafting.explain.field import MOST_CODE_BITS
from swapbridge.drafting.recorded_vehicle import VehicleMessage

MOST_SURE_BESIDE = 0.5
LEAST_VALUES = 3
"""Two flags that take only two values together are one flag sent twice, or two lamps, and no code."""
LEAST_TOGETHER = 2
"""A single change in common says nothing: the key woke both."""


def capped_by_neighbours(message: VehicleMessage, fields: Sequence[Explained]) -> list[Explained]:
    """The fields, at most even where they may be a part of the open bits beside them, or of what is called a checksum.

    Parameters
    ----------
    message : VehicleMessage
        The message as recorded.
    fields : sequence of Explained
        All of its fields.

    Returns
    -------
    list of Explained
        The same fields in the same order.
    """
    return [_capped(message, one, fields) for one in fields]


def _capped(message: VehicleMessage, one: Explained, fields: Sequence[Explained]) -> Explained:
    if one.how == "open" or one.confidence <= MOST_SURE_BESIDE:
        return one
    rests = _rests(one, fields)
    part = next((rest[-1].name for rest in rests if _one_code(message, one.layout, rest)), "")
    if part:
        why = f"it never changes without the bits from it to {part}, which nothing explains: they may be one code"
    elif other := _other_checksum(message, one.layout, fields):
        why = f"{other} may be the checksum, and the byte that is taken for it a part of this field"
    elif rests:  # where all of the bits beside it are explained, that confirms the cut
        return replace(one, confidence=min(one.confidence, _cut_as_surely(message, one.layout)))
    else:
        return one
    return replace(one, confidence=MOST_SURE_BESIDE, words=f"{one.words}; {why}")


def _cut_as_surely(message: VehicleMessage, layout: Layout) -> float:
    """How sure it was that a field of the message lies just there; 1 for one that was cut out later."""
    return next((f.layout_confidence for f in message.fields if f.layout == layout), 1.0)


def _touch(a: Layout, b: Layout) -> bool:
    """Whether two layouts lie side by side, in either byte order."""
    after = {p + 1 for p in a.positions} | {p - 15 for p in a.positions if p % 8 == 7}
    before = {p - 1 for p in a.positions} | {p + 15 for p in a.positions if p % 8 == 0}
    return bool((after | before) & set(b.positions))


def _rests(one: Explained, fields: Sequence[Explained]) -> list[list[Explained]]:
    """What lies from a field to an open one, the open one last: itself, or one with no more than a few bits between.

    A code that was cut into flags has its open bit anywhere.
    """
    out, chains = [], [[f] for f in fields if _touch(one.layout, f.layout)]
    while chains:
        chain = chains.pop()
        if chain[-1].how == "open":
            out.append(chain)
        if sum(f.layout.length for f in (one, *chain)) < MOST_CODE_BITS:
            chains += [
                [*chain, f] for f in fields
                if f is not one and all(f is not c for c in chain) and _touch(chain[-1].layout, f.layout)
            ]  # fmt: skip
    return out


def _one_code(message: VehicleMessage, layout: Layout, rest: Sequence[Explained]) -> bool:
    """Whether a code never changed but in the frames in which those beside it did, so that no frame separates them.

    What is measured changes too often for that to say anything.
    """
    mine = message.raw(layout)
    _, theirs = np.unique(np.stack([message.raw(f.layout) for f in rest]), axis=1, return_inverse=True)
    theirs = theirs.reshape(-1)
    together = np.unique(np.stack([mine, theirs]), axis=1).shape[1]
    if not LEAST_VALUES <= together <= MOST_CHOICES:
        return False
    changes, with_it = np.diff(mine) != 0, np.diff(theirs) != 0
    return int(changes.sum()) >= LEAST_TOGETHER and not (changes & ~with_it).any()


def _other_checksum(message: VehicleMessage, layout: Layout, fields: Sequence[Explained]) -> str:
    """The open byte that may as well be the checksum beside which a field lies; "" where there is none.

    Where one byte is the XOR of all others, so is each of them: the relation does not show which one was computed. That
    one changes with whatever changes, so a byte that changes less often is none.
    """
    if message.checksum is None:
        return ""
    found = message.checksum[0]
    if not isinstance(found.method, Affine) or not found.method.name.startswith("XOR"):
        return ""
    if not _whole_byte(found.layout) or not _touch(layout, found.layout):
        return ""
    often = _changes(message, found.layout)
    opens = [f for f in fields if f.how == "open" and _whole_byte(f.layout)]
    return next((f.name for f in opens if _changes(message, f.layout) >= often), "")


def _changes(message: VehicleMessage, layout: Layout) -> int:
    return int((np.diff(message.raw(layout)) != 0).sum())


def _whole_byte(layout: Layout) -> bool:
    return layout.length == 8 and len({p // 8 for p in layout.positions}) == 1
