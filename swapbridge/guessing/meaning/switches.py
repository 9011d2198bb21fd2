"""Guessing room, meaning side: a switch that stands inside a field becomes a flag of its own.

Where a bit always moves together with its neighbours (the fan goes up whenever the compressor comes on), the payload
alone can't separate it from them, and they are cut as one enumeration. A channel of on and off can: a bit that changes
whenever the channel does, the same way round, and never else, is what it shows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import Capture
from swapbridge.core.layout import Layout, layout_from_positions
from swapbridge.guessing.layout.message_fields import MessageFields, raw_values, rows_of
from swapbridge.guessing.meaning.align import LAGS_S, Floats, PreparedChannel
from swapbridge.signalmap.findings import FoundField

FEWEST_CHANGES = 4
"""Changes of the channel from which on their agreement is no chance."""
MOST_BITS = 16
"""A longer field is a number, and its bits are no switches."""
JITTER_S = 0.25
"""How much the delay from hand to bus may wander, beside the frame's period (common practice, no source)."""
SURE = 0.97
"""Confidence in the layout of a flag that was found so, and of what is left beside it."""


def part_switches(message: MessageFields, capture: Capture, targets: Sequence[PreparedChannel]) -> MessageFields | None:
    """Cut a bit out of an enumeration where a channel of on and off follows just that bit.

    Parameters
    ----------
    message : MessageFields
        Layouts as they were cut.
    capture : Capture
        The capture.
    targets : sequence of Target
        Channels that no field follows as it stands; those with other than two values are passed over.

    Returns
    -------
    MessageFields or None
        The message with its new flags; None where there are none.
    """
    fields = list(message.fields)
    touched = False
    for target in targets:
        changes = np.flatnonzero(np.diff(target.value)) + 1
        if not target.is_switch or len(changes) < FEWEST_CHANGES:
            continue
        when, on = target.time_s[changes], target.value[changes] == target.value.max()
        # the shortest field first: where a flag shows the channel, a number that shows it too stays whole
        for at in sorted(range(len(fields)), key=lambda k: fields[k].layout.length):
            bit = _bit_that_follows(message, capture, fields[at], when, on)
            if bit is not None:
                if fields[at].layout.length > 1:
                    fields[at : at + 1] = _parts(message, capture, fields[at], bit)
                    touched = True
                break
    return replace(message, fields=tuple(fields)) if touched else None


def _bit_that_follows(
    message: MessageFields, capture: Capture, field: FoundField, when: Floats, on: npt.NDArray[np.bool_]
) -> int | None:
    """Place in the field, from its lowest bit, of the one bit that follows."""
    if field.kind not in ("flag", "enum") or field.method is not None or field.layout.length > MOST_BITS:
        return None
    rows = rows_of(message, capture, field.mux)
    if len(rows) < FEWEST_CHANGES:
        return None
    time, raw = capture.time_ns[rows] / 1e9, raw_values(capture.payload[rows], field.layout)
    if (np.diff(time) < 0).any():
        return None
    found = []
    for place in range(field.layout.length):
        bit = raw >> place & 1
        at = np.flatnonzero(np.diff(bit)) + 1
        if len(at) != len(when):
            continue
        late = when - time[at]  # a channel reports later than the bus
        steady = float(np.ptp(late)) <= JITTER_S + 2 * float(np.median(np.diff(time)))
        same = (bit[at] == 1) == on
        if steady and -JITTER_S <= float(np.median(late)) <= LAGS_S[-1] and (same.all() or not same.any()):
            found.append(place)
    if len(found) > 1:
        # where several bits say the same, the one that stands alone is the switch
        moving = int(np.bitwise_or.reduce(raw ^ raw[0]))
        found = [place for place in found if not moving >> (place + 1) & 1 and not moving & (1 << place) >> 1]
    return found[0] if len(found) == 1 else None


def _parts(message: MessageFields, capture: Capture, field: FoundField, bit: int) -> list[FoundField]:
    """The flag, and what moves of the bits below and above it."""
    positions = field.layout.positions
    seen = raw_values(capture.payload[rows_of(message, capture, field.mux)], field.layout)
    moving = int(np.bitwise_or.reduce(seen ^ seen[0]))
    out = []
    for low, high in ((0, bit), (bit, bit + 1), (bit + 1, len(positions))):
        live = [k for k in range(low, high) if moving >> k & 1]
        if live:
            out.append(_part(field, layout_from_positions(positions[live[0] : live[-1] + 1])))
    return out


def _part(field: FoundField, layout: Layout) -> FoundField:
    sure = min(SURE, field.layout_confidence)
    return replace(
        field,
        name=f"field_{layout.start}_{layout.length}",
        layout=layout,
        kind="flag" if layout.length == 1 else "enum",
        layout_confidence=sure,
        confidence=sure,
        evidence={**field.evidence, "parted_by_a_switch": True},
    )
