"""Guessing room, meaning side: layouts corrected by meaning: low bits joined to the field above them.

The low bits of a quantity that jitters look like noise, and a cut by code length alone may take them for a field of
their own. But where the upper part follows a channel, the lower part shows: added to it, it makes the fit finer if it
belongs there and coarser if it doesn't, sample by sample.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from swapbridge.capture.capture import Capture
from swapbridge.core.errors import InputError
from swapbridge.core.layout import Layout, layout_from_positions
from swapbridge.guessing.layout.message_fields import MessageFields, raw_values, rows_of
from swapbridge.guessing.meaning.align import FieldSeries, Floats, PreparedChannel
from swapbridge.guessing.meaning.fit import Fit, independent, residuals
from swapbridge.signalmap.findings import FoundField

CLEARLY = 4.0
"""Standard errors by which the joined field must fit better."""
LEAST_OF_ROUNDING = 0.4
"""Share of the upper part's own rounding that the lower part must explain."""
MOST_JOINS = 3
CLEARED = 0.3
"""Share of the doubt about a layout that is left when one of its ends is settled by the fit."""


@dataclass(frozen=True, slots=True)
class _LowBits:
    """Low bits that another field may have to give: all of it, or those in its lowest byte."""

    owner: int
    bits: Layout
    left: Layout | None


def join_fields(
    message: MessageFields, capture: Capture, meanings: dict[int, tuple[Fit, PreparedChannel]]
) -> MessageFields | None:
    """Join fields with a meaning with the bits below them where that makes the fit clearly finer.

    Parameters
    ----------
    message : MessageFields
        Layouts as they were cut.
    capture : Capture
        The capture.
    meanings : dict
        Fit and channel of the fields (by index) that follow one.

    Returns
    -------
    MessageFields or None
        The corrected message; None where nothing was to be corrected.
    """
    fields: dict[int, FoundField] = dict(enumerate(message.fields))
    touched = False
    for index in meanings:
        for _ in range(MOST_JOINS):
            if index not in fields or fields[index].kind != "analogue":
                break
            part, gain, layout = _best_part(index, fields, message, capture, meanings)
            if part is None or layout is None:
                break
            touched = True
            fields[index] = _grown(fields[index], layout, part.bits.length, gain)
            if part.left is None:
                del fields[part.owner]
            else:
                fields[part.owner] = _shrunk(fields[part.owner], part.left)
    return replace(message, fields=tuple(fields.values())) if touched else None


def _best_part(
    index: int,
    fields: dict[int, FoundField],
    message: MessageFields,
    capture: Capture,
    meanings: dict[int, tuple[Fit, PreparedChannel]],
) -> tuple[_LowBits | None, float, Layout | None]:
    field, (fit, target) = fields[index], meanings[index]
    best: tuple[_LowBits | None, float, Layout | None] = (None, CLEARLY, None)
    for owner, other in fields.items():
        if owner == index or other.mux != field.mux or other.method or other.kind not in ("analogue", "enum", "flag"):
            continue
        for part in _parts(owner, other):
            layout = _joined(part.bits, field.layout)
            if layout is None:
                continue
            gain = gain_of_joining(field.layout, layout, message, capture, field.mux, fit, target)
            if gain <= best[1]:
                continue
            if owner in meanings:
                # a field with a meaning of its own gives only bits that it does not need
                if part.left is None:
                    continue
                need = gain_of_joining(part.left, other.layout, message, capture, other.mux, *meanings[owner])
                if need > gain / 2:
                    continue
            best = (part, gain, layout)
    return best


def _parts(owner: int, field: FoundField) -> list[_LowBits]:
    positions = field.layout.positions
    out = [_LowBits(owner, field.layout, None)]
    low = sum(p >> 3 == positions[0] >> 3 for p in positions)
    if low < len(positions):
        out.append(
            _LowBits(
                owner,
                layout_from_positions(positions[:low]),
                layout_from_positions(positions[low:], field.layout.signed),
            )
        )
    return out


def _grown(field: FoundField, layout: Layout, bits: int, gain: float) -> FoundField:
    sure = float(1 - 0.3 * np.exp(-(gain - CLEARLY) / 3))
    confidence = min(sure, max(field.layout_confidence, 0.95))
    bits += int(field.evidence.get("joined_with_low_bits", 0))
    return replace(
        field,
        name=f"field_{layout.start}_{layout.length}",
        layout=layout,
        layout_confidence=confidence,
        confidence=confidence,
        evidence={**field.evidence, "joined_with_low_bits": bits, "join_gain": round(gain, 1)},
    )


def _shrunk(field: FoundField, layout: Layout) -> FoundField:
    name = f"field_{layout.start}_{layout.length}"
    confidence = max(field.layout_confidence, 0.9)
    return replace(field, name=name, layout=layout, layout_confidence=confidence, confidence=confidence)


def doubt_left(message: MessageFields, capture: Capture, index: int, fit: Fit, target: PreparedChannel) -> float:
    """What the fit leaves of the doubt about a field's layout: a factor, 1 where it shows nothing.

    A field whose top bits are wrong does not fit at all. Its low end is settled where no bits lie below it that could
    be its own, or where those that do make the fit clearly coarser; and once more where its own lowest byte makes the
    fit clearly finer.

    Parameters
    ----------
    message : MessageFields
        The message with its fields.
    capture : Capture
        The recording.
    index : int
        Number of the field in the message.
    fit : Fit
        The fit of the field to the channel.
    target : PreparedChannel
        The channel.

    Returns
    -------
    float
        Factor from 0 to 1 on the doubt about the layout.
    """
    field = message.fields[index]
    if field.kind != "analogue":
        return CLEARED
    factor = CLEARED
    for owner, other in enumerate(message.fields):
        if owner == index or other.mux != field.mux or other.method or other.kind not in ("analogue", "enum", "flag"):
            continue
        for part in _parts(owner, other):
            layout = _joined(part.bits, field.layout)
            if layout is not None:
                gain = gain_of_joining(field.layout, layout, message, capture, field.mux, fit, target)
                factor = max(factor, CLEARED if gain < -CLEARLY else 1.0)
    own = _parts(index, field)
    if len(own) > 1 and own[1].left is not None:
        need = gain_of_joining(own[1].left, field.layout, message, capture, field.mux, fit, target)
        factor *= CLEARED if need > CLEARLY else 1.0
    return factor


def _joined(lower: Layout, upper: Layout) -> Layout | None:
    """One layout of a lower and an upper part, where they touch in a byte order that both can be read in."""
    try:
        joined = layout_from_positions((*lower.positions, *upper.positions), upper.signed)
    except InputError:
        return None
    several = [p for p in (lower, upper) if len({b >> 3 for b in p.positions}) > 1]
    return joined if all(p.byte_order == joined.byte_order for p in several) else None


def gain_of_joining(
    apart: Layout,
    joined: Layout,
    message: MessageFields,
    capture: Capture,
    mux: tuple[str, int] | None,
    fit: Fit,
    target: PreparedChannel,
) -> float:
    """By how many standard errors the joined layout fits better than the upper part alone (negative: worse)."""
    rows = rows_of(message, capture, mux)
    time = capture.time_ns[rows] / 1e9
    if len(time) < 20 or (np.diff(time) < 0).any():
        return 0.0
    raw = np.array([raw_values(capture.payload[rows], part) for part in (apart, joined)], np.float64)
    series = FieldSeries(time, raw, float(np.median(np.diff(time))))
    before, after = (residuals(series, row, target, fit.lag_s) for row in (0, 1))
    if before is None or after is None:
        return 0.0
    rounding = np.mean(before[1]) * (fit.scale * fit.step) ** 2 / 12
    return _paired(before[0], after[0], float(rounding))


def _paired(before: Floats, after: Floats, rounding: float) -> float:
    """Standard errors between two sets of standardised residuals of the same samples, squares clipped.

    Neighbours that repeat each other count once; a gain far short of what the upper part's rounding costs is none, for
    any slow field makes a slow fit a little finer.
    """
    apart = np.minimum(before**2, 16) - np.minimum(after**2, 16)
    error = float(apart.std()) / np.sqrt(independent(apart))
    gain = float(apart.mean() / error) if error > 0 else 0.0
    return min(gain, 0.0) if apart.mean() < LEAST_OF_ROUNDING * min(rounding, 4.0) else gain
