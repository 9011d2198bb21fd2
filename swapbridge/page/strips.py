"""Page room: pictures that share one time axis: lanes of all identifiers, fields in units, periods, the raw frame."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import Capture, FrameKey, frame_key
from swapbridge.guessing.layout.message_fields import raw_values
from swapbridge.page.answers import BitPicture, RawFrame, StripLine
from swapbridge.page.pictures import Floats, bit_picture, envelope, shares
from swapbridge.signalmap.signal_map import MapMessage, MapSignal

LANE_COLUMNS = 300
STRIP_POINTS = 1200
MOST_STEPPED_BITS = 2
"""A field of so few bits is a state, whatever it is called: its line goes in steps."""


@dataclass(frozen=True, slots=True)
class FramesByIdentifier:
    """A capture's data frames by identifier and, within each, by time.

    Attributes
    ----------
    keys : tuple of FrameKey
    edges : (G + 1,) intp
        Frames of key g are ``edges[g]:edges[g + 1]``.
    rows : (D,) intp
        Rows of the capture.
    time_s : (D,) float64
        Seconds since the capture's first frame.
    changes : (D + 1,) int32
        How many frames before each one had another payload than the frame of the same identifier before it.
    """

    keys: tuple[FrameKey, ...]
    edges: npt.NDArray[np.intp]
    rows: npt.NDArray[np.intp]
    time_s: Floats
    changes: npt.NDArray[np.int32]

    def of(self, key: FrameKey) -> slice:
        """The frames of one identifier; none where it is not there."""
        if key not in self.keys:
            return slice(0, 0)
        at = self.keys.index(key)
        return slice(int(self.edges[at]), int(self.edges[at + 1]))


def sorted_frames(capture: Capture) -> FramesByIdentifier:
    """The frames of a capture as all pictures over time need them."""
    words, edges, rows = capture.grouped()
    start = int(capture.time_ns.min()) if len(capture) else 0
    time_s = np.empty(len(rows))
    for part in _blocks(len(rows)):
        np.divide(capture.time_ns[rows[part]] - start, 1e9, out=time_s[part])
    _in_order(edges, rows, time_s)
    changes = np.zeros(len(rows) + 1, np.int32)
    columns = np.ascontiguousarray(capture.payload).view(np.uint64).T  # eight bytes at once
    for part in _blocks(len(rows)):
        near = rows[max(0, part.start - 1) : part.stop]
        changed = np.zeros(len(near), np.bool_)
        for column in columns:
            ordered = column[near]
            changed[1:] |= ordered[1:] != ordered[:-1]
        changes[part.start + 1 : part.stop + 1] = changed[len(changed) - (part.stop - part.start) :]
    changes[edges[:-1] + 1] = 0
    np.cumsum(changes, out=changes)
    return FramesByIdentifier(tuple(frame_key(word) for word in words.tolist()), edges, rows, time_s, changes)


_ROWS = 1 << 15


def _blocks(rows: int) -> Iterator[slice]:
    """Parts of so many rows that what is worked out of them stays in the processor's cache."""
    for start in range(0, rows, _ROWS):
        yield slice(start, min(start + _ROWS, rows))


def _in_order(edges: npt.NDArray[np.intp], rows: npt.NDArray[np.intp], time_s: Floats) -> None:
    """Sort the frames of each identifier by time, in place, where a clock stepped back."""
    back = np.flatnonzero(time_s[1:] < time_s[:-1]) + 1
    back = back[~np.isin(back, edges)]
    for group in np.unique(np.searchsorted(edges, back, side="right") - 1):
        part = slice(int(edges[group]), int(edges[group + 1]))
        order = np.argsort(time_s[part], kind="stable")
        rows[part], time_s[part] = rows[part][order], time_s[part][order]


def window(time_s: Floats, span_s: tuple[float, float], beyond: int = 1) -> slice:
    """The part of ascending times inside a span, and `beyond` more at each end, so that lines reach the edges."""
    first, last = np.searchsorted(time_s, span_s[0], "left"), np.searchsorted(time_s, span_s[1], "right")
    return slice(max(0, int(first) - beyond), min(len(time_s), int(last) + beyond))


def lanes(frames: FramesByIdentifier, span_s: tuple[float, float], columns: int = LANE_COLUMNS) -> list[str]:
    """How often each identifier's payload changed over time.

    Returns
    -------
    list of str
        A text for each key with one character a column: share of frames with another payload than before, 0 to 9, and
        ``-`` where no frame came.
    """
    first, last = span_s
    bounds = first + np.arange(columns + 1) * ((last - first) / columns)
    out = []
    for begin, end in pairwise(frames.edges.tolist()):
        time_s = frames.time_s[begin:end]
        at = begin + np.searchsorted(time_s, bounds)
        at[-1] = begin + np.searchsorted(time_s, last, side="right")
        moved = np.diff(frames.changes[at]).astype(np.float64)
        out.append(shares(moved[:, None], np.diff(at)))
    return out


def identifier_bits(
    capture: Capture, frames: FramesByIdentifier, key: FrameKey, span_s: tuple[float, float]
) -> BitPicture:
    """The bits of one identifier over a span."""
    part = frames.of(key)
    near = window(frames.time_s[part], span_s, 0)
    width = max(1, int(capture.length[frames.rows[part]].max()))
    return bit_picture(frames.time_s[part][near], capture.payload[frames.rows[part][near], :width], span_s)


def field_strips(
    capture: Capture, frames: FramesByIdentifier, key: FrameKey, message: MapMessage, span_s: tuple[float, float]
) -> list[StripLine]:
    """Signals of a message in physical units over a span; reserved values break the line, states go in steps."""
    part = frames.of(key)
    near = window(frames.time_s[part], span_s)
    rows, time_s = frames.rows[part][near], frames.time_s[part][near]
    payload, length = capture.payload[rows], capture.length[rows]
    out = []
    for signal in message.signals:
        if signal.checksum is not None or signal.counter is not None or signal.is_float:
            continue
        chosen = length >= -(-(max(signal.layout.positions) + 1) // 8)
        selector = message.signal(signal.mux_signal) if signal.mux_signal is not None else None
        if selector is not None:
            chosen &= np.isin(raw_values(payload, selector.layout), signal.mux_values)
        if signal.layout.fits(payload.shape[1]):
            out.append(_strip(signal, time_s[chosen], raw_values(payload[chosen], signal.layout)))
    return out


def _strip(signal: MapSignal, time_s: Floats, raw: npt.NDArray[Any]) -> StripLine:
    values = raw.astype(np.float64) * float(signal.scale) + float(signal.offset)
    values[np.isin(raw, (*signal.not_available, *signal.error_codes))] = np.nan
    step = bool(signal.choices) or signal.layout.length <= MOST_STEPPED_BITS
    states = {f"{float(signal.physical(code)):g}": words for code, words in signal.choices.items()}
    return strip(signal.name, signal.unit, time_s, values, step=step, states=states)


def strip(
    name: str, unit: str, time_s: Floats, values: Floats, *, step: bool, states: dict[str, str] | None = None
) -> StripLine:
    """One line over time as the page's script draws it."""
    times, shown = envelope(time_s, values, STRIP_POINTS)
    return {"name": name, "unit": unit, "step": step, "states": states or {}, "times": times, "values": shown}


def period_strip(frames: FramesByIdentifier, key: FrameKey, span_s: tuple[float, float]) -> StripLine:
    """Milliseconds from each frame of an identifier to its next: period, jitter and frames that did not come."""
    time_s = frames.time_s[frames.of(key)]
    near = time_s[window(time_s, span_s, 2)]
    times, values = envelope(near[1:], np.diff(near) * 1000, STRIP_POINTS)
    joined = [(t, v) for t, v in zip(times, values, strict=True) if v is not None]  # a long wait is what is looked for
    return {
        "name": "from frame to frame",
        "unit": "ms",
        "step": False,
        "states": {},
        "times": [t for t, _ in joined],
        "values": [v for _, v in joined],
    }


def frame_at(capture: Capture, frames: FramesByIdentifier, key: FrameKey, at_s: float) -> RawFrame | None:
    """The last frame of an identifier at or before a moment, and how old it is then; None before the first."""
    part = frames.of(key)
    time_s = frames.time_s[part]
    n = int(np.searchsorted(time_s, at_s, side="right")) - 1
    if n < 0:
        return None
    row = int(frames.rows[part][n])
    data = capture.payload[row, : int(capture.length[row])].tobytes()
    return {
        "number": n + 1,
        "of": len(time_s),
        "time_s": round(float(time_s[n]), 6),
        "data": data.hex(" ").upper(),
        "bits": " ".join(f"{byte:08b}" for byte in data),
        "age_s": round(at_s - float(time_s[n]), 6),
    }


def text_blocks(time_s: Floats, values: Floats, texts: Iterable[str], end_s: float) -> list[tuple[float, float, str]]:
    """Stretches in which a channel of words holds one."""
    words = list(texts)
    if not len(time_s):
        return []
    starts = np.flatnonzero(np.concatenate(([True], np.diff(values) != 0)))
    ends = np.append(time_s[starts[1:]], max(end_s, float(time_s[-1])))
    pairs = zip(time_s[starts].tolist(), ends.tolist(), values[starts].tolist(), strict=True)
    return [(round(a, 4), round(b, 4), words[int(v)]) for a, b, v in pairs]
