"""Proving room: overlays of source and translated signal, drawn as inline SVG."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from swapbridge.proving.curves import Points
from swapbridge.proving.verdict import ProofOverlay

MARKS = 6


def overlay_picture(overlay: ProofOverlay, number: int) -> str:
    """A figure with two curves, on one scale where they share a unit, and buttons that zoom without any script."""
    times = [t for t, _ in (*overlay.source, *overlay.sent)]
    if not times:
        return ""
    begin, end = min(times), max(max(times), min(times) + 1e-3)
    source_axis, sent_axis = _axis(overlay.source), _axis(overlay.sent)
    if overlay.source_unit == overlay.sent_unit:
        source_axis = sent_axis = _axis((*overlay.source, *overlay.sent))
    buttons = "".join(
        f'<input type="radio" name="z{number}" id="z{number}x{zoom}" class="z{zoom}"{" checked" if zoom == 1 else ""}>'
        f'<label for="z{number}x{zoom}">{zoom}x</label>'
        for zoom in (1, 4, 16)
    )
    marks = "".join(
        f'<span style="left:{100 * i / MARKS:.3f}%">{begin + (end - begin) * i / MARKS:.1f} s</span>'
        for i in range(MARKS + 1)
    )
    return (
        f"<figure><figcaption>{escape(overlay.title)}</figcaption>"
        f'<div class="legend"><b class="source">thick: {escape(overlay.source_name)}{_unit(overlay.source_unit)}</b>, '
        f'<b class="sent">thin: {escape(overlay.sent_name)}{_unit(overlay.sent_unit)}</b></div>'
        f'<div class="zoom">zoom {buttons}</div><div class="picture">{_scale(source_axis, "source")}'
        f'<div class="scroll"><div class="inner"><svg viewBox="0 0 1000 100" preserveAspectRatio="none" role="img" '
        f'aria-label="{escape(overlay.title)}">{_curve(overlay.source, begin, end, source_axis, "source")}'
        f'{_curve(overlay.sent, begin, end, sent_axis, "sent")}</svg><div class="times">{marks}</div></div></div>'
        f"{_scale(sent_axis, 'sent')}</div></figure>"
    )


def _unit(unit: str) -> str:
    return f" ({escape(unit)})" if unit else ""


def _axis(points: Points) -> tuple[float, float]:
    values = [v for _, v in points]
    if not values:
        return 0.0, 1.0
    low, high = min(values), max(values)
    return (low, high) if high > low else (low - 0.5, high + 0.5)


def _scale(axis: tuple[float, float], kind: str) -> str:
    low, high = axis
    values = [high - (high - low) * i / 4 for i in range(5)]
    marks = "".join(f"<span>{f'{v:.0f}' if abs(v) >= 1000 else f'{v:.4g}'}</span>" for v in values)
    return f'<div class="axis {kind}">{marks}</div>'


def _curve(points: Points, begin: float, end: float, axis: tuple[float, float], kind: str) -> str:
    return f'<polyline class="{kind}" points="{_steps(points, begin, end, axis)}"/>'


def _steps(points: Sequence[tuple[float, float]], begin: float, end: float, axis: tuple[float, float]) -> str:
    """Each value is held until the next, as frames do."""
    low, high = axis
    out, last = [], None
    for t, v in points:
        x, y = 1000 * (t - begin) / (end - begin), 97 - 94 * (v - low) / (high - low)
        if last is not None and last != y:
            out.append(f"{x:.2f},{last:.2f}")
        out.append(f"{x:.2f},{y:.2f}")
        last = y
    return " ".join(out)
