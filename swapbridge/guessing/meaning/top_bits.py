"""Guessing room, meaning side: top bits that never moved in this capture, given back to the field they belong to.

A pedal that was never pressed past the middle leaves its top bit still, and a temperature's offset often stands in
bits that stay at one. A map without those bits would be wrong on the next drive, so a field with a meaning is widened
through still, unclaimed bits up to the end of its byte. Bits that stand at one move the offset; they are taken only
where that makes the numbers simpler.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from swapbridge.core.errors import InputError
from swapbridge.core.layout import Layout, layout_from_positions
from swapbridge.signalmap.findings import FoundField


@dataclass(frozen=True, slots=True)
class TopBits:
    """A wider layout, how many bits were added, and what they add to every raw value."""

    layout: Layout
    added: int
    raw_added: int


def add_top_bits(
    field: FoundField, others: Sequence[FoundField], payload: npt.NDArray[np.uint8], length: int
) -> TopBits | None:
    """Widen an unsigned field through still bits above it, at most to the end of its top byte.

    Parameters
    ----------
    field : FoundField
        The field.
    others : sequence of FoundField
        All fields of the message; bits of those that stand in the same frames are taken.
    payload : (N, B) uint8
        The frames in which the field stands.
    length : int
        Bytes of the message.

    Returns
    -------
    TopBits or None
        None where nothing can be added.
    """
    if field.layout.signed or field.kind != "analogue" or not len(payload):
        return None
    taken = {
        p
        for other in others
        if other is not field and (other.mux is None or field.mux is None or other.mux == field.mux)
        for p in other.layout.positions
    }
    positions = list(field.layout.positions)
    raw_added, top = 0, positions[-1]
    while (top + 1) % 8 and top + 1 < 8 * length and top + 1 not in taken and len(positions) < 64:
        top += 1
        bit = (payload[:, top >> 3] >> np.uint8(top & 7)) & 1
        if (bit != bit[0]).any():
            break
        raw_added += int(bit[0]) << len(positions)
        positions.append(top)
    added = len(positions) - field.layout.length
    if not added:
        return None
    try:
        layout = layout_from_positions(tuple(positions))
    except InputError:
        return None
    if layout.byte_order != field.layout.byte_order and len({p >> 3 for p in positions}) > 1:
        return None
    return TopBits(layout, added, raw_added)
