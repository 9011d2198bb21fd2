"""Page room: many frames made small enough to draw. Everything here aggregates before anything is drawn."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import Capture

MOST_POINTS = 2000
"""Points of one line: each bin gives its lowest and highest value, so no spike is lost."""
BIT_COLUMNS = 240


def envelope(
    time_s: npt.NDArray[np.float64], value: npt.NDArray[np.float64], most: int = MOST_POINTS
) -> tuple[list[float], list[float]]:
    """Lowest and highest value of each of `most`/2 bins, in time order.

    Parameters
    ----------
    time_s, value : (N,) float64
        A signal over time, times ascending.
    most : int
        Points wanted at most.

    Returns
    -------
    times, values : lists of float
        At most `most` points; the signal itself where it has no more.
    """
    n = len(time_s)
    if n <= most:
        return np.round(time_s, 6).tolist(), value.tolist()
    edges = np.linspace(0, n, most // 2 + 1).astype(int)[:-1]
    low, high = np.minimum.reduceat(value, edges), np.maximum.reduceat(value, edges)
    middle = time_s[edges]
    step = np.diff(np.append(middle, time_s[-1])) / 2
    times = np.column_stack((middle, middle + step)).ravel()
    return np.round(times, 6).tolist(), np.column_stack((low, high)).ravel().tolist()


def bit_picture(
    time_s: npt.NDArray[np.float64], payload: npt.NDArray[np.uint8], span_s: tuple[float, float]
) -> dict[str, Any]:
    """How much every bit moves, and how often it is set, over time.

    Parameters
    ----------
    time_s : (N,) float64
        Times of one identifier's frames.
    payload : (N, B) uint8
        Their payloads.
    span_s : (float, float)
        First and last second of the picture.

    Returns
    -------
    dict
        `columns`, `bits` (8 * B), and two strings of one character a cell, column after column: `moves` (share of
        frames in which the bit changed, 0 to 9 and - for no frame) and `ones` (share of frames in which it was set).
    """
    bits = np.unpackbits(payload, axis=1, bitorder="little")
    n, width = bits.shape
    columns = min(BIT_COLUMNS, max(1, n))
    start, end = span_s
    place = np.clip(((time_s - start) / max(end - start, 1e-9) * columns).astype(int), 0, columns - 1)
    count = np.bincount(place, minlength=columns)
    moves = np.zeros((columns, width))
    ones = np.zeros((columns, width))
    change = np.zeros_like(bits)
    change[1:] = bits[1:] != bits[:-1]
    present = np.flatnonzero(count)
    edges = np.searchsorted(place, present) if np.all(place[1:] >= place[:-1]) else None
    if edges is not None and len(present):
        moves[present] = np.add.reduceat(change, edges, axis=0, dtype=np.int64)
        ones[present] = np.add.reduceat(bits, edges, axis=0, dtype=np.int64)
    else:
        np.add.at(moves, place, change)
        np.add.at(ones, place, bits)
    return {"columns": columns, "bits": width, "moves": _digits(moves, count), "ones": _digits(ones, count)}


def payload_rows(capture: Capture, identifier: int, extended: bool, bus: str | None) -> npt.NDArray[np.intp]:
    """Row numbers of one identifier's data frames, in time order."""
    for key, rows in capture.groups():
        if key.identifier == identifier and key.extended == extended and bus in (None, capture.bus_names[key.bus]):
            return rows[np.argsort(capture.time_ns[rows], kind="stable")]
    return np.zeros(0, np.intp)


def _digits(sums: npt.NDArray[np.float64], count: npt.NDArray[np.intp]) -> str:
    share = sums / np.maximum(count, 1)[:, None]
    digit = np.where(sums > 0, np.clip(np.ceil(share * 9), 1, 9), 0).astype(np.uint8) + ord("0")
    digit[count == 0] = ord("-")
    return digit.tobytes().decode("ascii")
