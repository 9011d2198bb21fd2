"""Guessing room: field and stimulus laid over each other: a self-contained HTML page (SVG made here), or a PNG.

HTML needs nothing installed and can be mailed; PNG needs matplotlib, which is large, so it is an extra (`plot`).
"""

from __future__ import annotations

import html
import io
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import Capture
from swapbridge.capture.stimulus import Channel, StimulusTrack
from swapbridge.core.errors import InputError, MissingToolError
from swapbridge.guessing.findings_report import claims_in_order, formula, message_name, sureness, where
from swapbridge.guessing.layout.message_fields import raw_values
from swapbridge.guessing.meaning.align import Floats
from swapbridge.guessing.meaning.obd_channels import obd_channels
from swapbridge.signalmap.findings import Findings, FoundField, FoundMessage

MOST_PICTURES = 24
MOST_POINTS = 1200
WIDTH, HEIGHT, LEFT, BOTTOM, TOP = 900, 220, 64, 26, 8


@dataclass(frozen=True, slots=True)
class Overlay:
    """One field and the channel it follows, on the tool's clock, seconds from the capture's first frame."""

    title: str
    note: str
    unit: str
    field_time_s: Floats
    field_value: Floats
    channel_time_s: Floats
    channel_value: Floats


def field_overlays(
    findings: Findings,
    captures: Sequence[Capture],
    stimuli: Sequence[StimulusTrack | None],
    *,
    ids: Sequence[tuple[int, bool]] = (),
) -> list[Overlay]:
    """Pictures of the best claims (of these identifiers only, when any are given), in each capture that shows them.

    Parameters
    ----------
    captures, stimuli
        What the findings come from: recordings of one vehicle and one stimulus track each, in order.

    Raises
    ------
    InputError
        No field follows a channel, so there is nothing to draw.
    """
    out = []
    for capture, stimulus in zip(captures, stimuli, strict=True):
        where = f", {capture.source}" if len(captures) > 1 else ""
        out += [replace(one, title=one.title + where) for one in _overlays_in(findings, capture, stimulus, ids)]
    if not out:
        raise InputError(
            "no field follows a channel of numbers, so there is nothing to draw: give --stimulus, or look at other "
            "identifiers"
        )
    return out


def _overlays_in(
    findings: Findings, capture: Capture, stimulus: StimulusTrack | None, ids: Sequence[tuple[int, bool]]
) -> list[Overlay]:
    channels: dict[str, Channel] = dict(obd_channels(capture)[0])
    if stimulus is not None:
        channels.update(stimulus.on_clock_of(capture).channels)
    rows_of = {(capture.bus_names[key.bus], key.identifier, key.extended): rows for key, rows in capture.groups()}
    claims = [
        (m, f, rows_of[m.bus, m.identifier, m.extended])
        for m, f in claims_in_order(findings)
        if f.stimulus in channels
        and not channels[f.stimulus].texts
        and (not ids or (m.identifier, m.extended) in ids)
        and (m.bus, m.identifier, m.extended) in rows_of
    ]
    return [_overlay(m, f, capture, rows, channels[f.stimulus or ""]) for m, f, rows in claims[:MOST_PICTURES]]


def _overlay(
    message: FoundMessage, field: FoundField, capture: Capture, rows: npt.NDArray[np.intp], channel: Channel
) -> Overlay:
    start = float(capture.time_ns.min()) / 1e9
    if field.mux is not None:
        chooser = next(f for f in message.fields if f.name == field.mux[0])
        rows = rows[raw_values(capture.payload[rows], chooser.layout) == field.mux[1]]
    time = capture.time_ns[rows] / 1e9 - start + (field.lag_s or 0.0)
    value = raw_values(capture.payload[rows], field.layout) * field.scale + field.offset
    keep = _thin(len(time))
    keep_channel = _thin(len(channel.time_s))
    return Overlay(
        f"{message_name(message)} {where(field.layout)} as {field.stimulus}",
        f"{formula(field)} {field.unit}, {sureness(field.confidence)} ({field.confidence:.1%}), "
        f"lag {field.lag_s or 0:.2f} s",
        field.unit,
        np.asarray(time[keep], np.float64),
        np.asarray(value[keep], np.float64),
        np.asarray(channel.time_s[keep_channel] - start, np.float64),
        np.asarray(channel.value[keep_channel], np.float64),
    )


def _thin(n: int) -> slice:
    return slice(None, None, max(1, -(-n // MOST_POINTS)))


def draw_html(pictures: Sequence[Overlay], title: str) -> str:
    """One page, all in one file: a line for the field, dots for the stimulus."""
    body = "\n".join(f"<h2>{html.escape(p.title)}</h2><p>{html.escape(p.note)}</p>{_svg(p)}" for p in pictures)
    return (
        '<!doctype html><html lang="en"><meta charset="utf-8">'
        f"<title>{html.escape(title)}</title><style>"
        "body{font:15px sans-serif;margin:2em auto;max-width:960px;color:#222;background:#fff}"
        "h2{font-size:1.05em;margin:1.6em 0 0}p{margin:.2em 0 .4em;color:#555}"
        "svg{width:100%;height:auto;border:1px solid #ccc}text{font-size:11px;fill:#444}"
        ".field{fill:none;stroke:#0b5a7a;stroke-width:1.4}.told{fill:#c2410c}.grid{stroke:#e4e4e4}"
        f"</style><h1>{html.escape(title)}</h1>"
        "<p>Line: the field, moved by its lag. Dots: the stimulus.</p>\n"
        f"{body}</html>\n"
    )


def _svg(p: Overlay) -> str:
    low = float(min(p.field_value.min(), p.channel_value.min()))
    high = float(max(p.field_value.max(), p.channel_value.max()))
    high = high if high > low else low + 1.0
    first, last = float(p.channel_time_s.min()), float(p.channel_time_s.max())
    last = last if last > first else first + 1.0

    def x(t: Floats) -> Floats:
        return np.asarray(LEFT + (t - first) / (last - first) * (WIDTH - LEFT - 20))

    def y(v: Floats) -> Floats:
        return np.asarray(TOP + (high - v) / (high - low) * (HEIGHT - TOP - BOTTOM))

    inside = (p.field_time_s >= first) & (p.field_time_s <= last)
    line = " ".join(
        f"{a:.1f},{b:.1f}" for a, b in zip(x(p.field_time_s[inside]), y(p.field_value[inside]), strict=True)
    )
    dots = "".join(
        f'<circle class="told" cx="{a:.1f}" cy="{b:.1f}" r="1.7"/>'
        for a, b in zip(x(p.channel_time_s), y(p.channel_value), strict=True)
    )
    levels = np.linspace(low, high, 4)
    moments = np.linspace(first, last, 6)
    grid = "".join(
        f'<line class="grid" x1="{LEFT}" x2="{WIDTH - 20}" y1="{b:.1f}" y2="{b:.1f}"/>'
        f'<text x="{LEFT - 6}" y="{b + 4:.1f}" text-anchor="end">{v:.4g}</text>'
        for v, b in zip(levels, y(levels), strict=True)
    ) + "".join(
        f'<text x="{a:.1f}" y="{HEIGHT - 8}" text-anchor="middle">{t:.0f} s</text>'
        for t, a in zip(moments, x(moments), strict=True)
    )
    unit = f'<text x="6" y="14">{html.escape(p.unit)}</text>'
    return (
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{html.escape(p.title)}">{grid}{dots}'
        f'<polyline class="field" points="{line}"/>{unit}</svg>'
    )


def draw_png(pictures: Sequence[Overlay], title: str) -> bytes:
    """The same as one PNG picture.

    Raises
    ------
    MissingToolError
        matplotlib is not installed.
    """
    try:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure
    except ImportError:
        raise MissingToolError(
            "a PNG picture needs matplotlib: pip install 'swapbridge[plot]', or name a file that ends in .html"
        ) from None
    figure = Figure(figsize=(10, 2.3 * len(pictures) + 0.6), layout="constrained")
    FigureCanvasAgg(figure)
    figure.suptitle(title)
    axes = figure.subplots(len(pictures), 1, squeeze=False)[:, 0]
    for axis, p in zip(axes, pictures, strict=True):
        axis.plot(p.channel_time_s, p.channel_value, ".", color="#c2410c", markersize=3, label="stimulus")
        axis.plot(p.field_time_s, p.field_value, color="#0b5a7a", linewidth=1, label="field, moved by its lag")
        axis.set_title(f"{p.title}: {p.note}", fontsize=9)
        axis.set_ylabel(p.unit)
        axis.set_xlim(p.channel_time_s.min(), p.channel_time_s.max())
    axes[0].legend(fontsize=8)
    axes[-1].set_xlabel("s")
    out = io.BytesIO()
    figure.savefig(out, format="png", dpi=110)
    return out.getvalue()
