"""Guess room, meaning side: layouts mended by what a field means: low bits given back to the field above them.

The low bits of a quantity that jitters look like noise, and a cut by code length alone may take them for a field of
their own. But where the upper part follows a channel, the lower part tells: added to it, it makes the fit finer if it
belongs there and coarser if it doesn't, sample by sample.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from swapbridge.capture import Capture
from swapbridge.core.errors import InputError
from swapbridge.core.layout import Layout, layout_from_positions
from swapbridge.guess.align import Floats, Series, Target
from swapbridge.guess.fields import MessageFields, raw_values
from swapbridge.guess.findings import FoundField
from swapbridge.guess.fit import Fit, residuals

CLEARLY = 4.0
"""Standard errors by which the joined field must fit better."""
MOST_JOINS = 3


def mend_message(
    message: MessageFields, capture: Capture, meanings: dict[int, tuple[Fit, Target]]
) -> MessageFields | None:
    """Join fields with a meaning with the field below them where that makes the fit clearly finer.

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
        The mended message; None where nothing was to be mended.
    """
    gone: set[int] = set()
    mended: dict[int, FoundField] = {}
    for index, (fit, target) in meanings.items():
        field = message.fields[index]
        if field.kind != "analogue" or index in gone:
            continue
        for _ in range(MOST_JOINS):
            step = _finer(field, message, capture, fit, target, gone | set(meanings) | set(mended))
            if step is None:
                break
            field, lower = step
            gone.add(lower)
            mended[index] = field
    if not mended:
        return None
    fields = [mended.get(k, f) for k, f in enumerate(message.fields) if k not in gone]
    return replace(message, fields=tuple(fields))


def _finer(
    field: FoundField, message: MessageFields, capture: Capture, fit: Fit, target: Target, taken: set[int]
) -> tuple[FoundField, int] | None:
    for k, other in enumerate(message.fields):
        if k in taken or other.mux != field.mux or other.kind not in ("analogue", "enum", "flag") or other.method:
            continue
        layout = _joined(other.layout, field.layout)
        if layout is None:
            continue
        gain = gain_of_joining(field.layout, layout, message, capture, field.mux, fit, target)
        if gain > CLEARLY:
            sure = float(1 - 0.3 * np.exp(-(gain - CLEARLY) / 3))
            evidence = {**field.evidence, "joined_with_low_bits": other.layout.length, "join_gain": round(gain, 1)}
            name = f"field_{layout.start}_{layout.length}"
            confidence = min(sure, max(field.layout_confidence, other.layout_confidence, 0.9))
            return replace(
                field, name=name, layout=layout, layout_confidence=confidence, confidence=confidence, evidence=evidence
            ), k
    return None


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
    target: Target,
) -> float:
    """By how many standard errors the joined layout fits better than the upper part alone (negative: worse)."""
    rows = message.rows
    if mux is not None:
        chooser = next((f for f in message.fields if f.name == mux[0]), None)
        if chooser is None:
            return 0.0
        rows = rows[raw_values(capture.payload[rows], chooser.layout) == mux[1]]
    time = capture.time_ns[rows] / 1e9
    if len(time) < 20 or (np.diff(time) < 0).any():
        return 0.0
    raw = np.array([raw_values(capture.payload[rows], part) for part in (apart, joined)], np.float64)
    series = Series(time, raw, float(np.median(np.diff(time))))
    before, after = (residuals(series, row, target, fit.lag_s) for row in (0, 1))
    return _paired(before, after)


def _paired(before: Floats | None, after: Floats | None) -> float:
    """Standard errors between two sets of standardised residuals of the same samples, squares clipped."""
    if before is None or after is None or len(before) < 20:
        return 0.0
    apart = np.minimum(before**2, 16) - np.minimum(after**2, 16)
    error = float(apart.std()) / np.sqrt(len(apart))
    return float(apart.mean() / error) if error > 0 else 0.0
