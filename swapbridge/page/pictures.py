"""Page room: many frames made small enough to draw. Everything here aggregates before anything is drawn."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from swapbridge.page.answers import BitPicture

MOST_POINTS = 2000
"""Points of one line: each bin gives its lowest and highest value, so no spike is lost."""
BIT_COLUMNS = 240
BREAK_PERIODS, BREAK_S = 5, 0.5
MOST_BREAKS = 400

Floats = npt.NDArray[np.float64]


def breaks(time_s: Floats) -> npt.NDArray[np.intp]:
    """Places n where nothing came between n and n + 1 for so long that no line may join them.

    That is five usual distances, and half a second at least. Where there are very many, the longest.

    Parameters
    ----------
    time_s : (N,) float64
        Times of the frames in s, rising.

    Returns
    -------
    (K,) intp
        The places, rising.
    """
    if len(time_s) < 2:
        return np.zeros(0, np.intp)
    apart = np.diff(time_s)
    found = np.flatnonzero(apart > max(BREAK_PERIODS * float(np.median(apart)), BREAK_S))
    if len(found) > MOST_BREAKS:
        found = np.sort(found[np.argsort(apart[found], kind="stable")[-MOST_BREAKS:]])
    return found


def envelope(time_s: Floats, value: Floats, most: int = MOST_POINTS) -> tuple[list[float], list[float | None]]:
    """Lowest and highest value of each of `most`/2 bins, in time order, with a None wherever nothing came (`breaks`).

    Parameters
    ----------
    time_s, value : (N,) float64
        A signal over time, times ascending. What is no finite number breaks the line too.
    most : int
        Points wanted at most, not counting breaks.

    Returns
    -------
    times, values : lists of float
        The signal itself where it has no more points.
    """
    n = len(time_s)
    cuts = breaks(time_s) + 1
    if n <= most:
        times, values, ends = time_s, value, cuts
    else:
        edges = np.unique(np.concatenate((np.linspace(0, n, most // 2 + 1).astype(np.intp)[:-1], cuts)))
        low, high = np.fmin.reduceat(value, edges), np.fmax.reduceat(value, edges)
        last = np.append(edges[1:], n) - 1
        times = np.column_stack((time_s[edges], (time_s[edges] + time_s[last]) / 2)).ravel()
        values = np.column_stack((low, high)).ravel()
        ends = 2 * np.searchsorted(edges, cuts)
    gone = time_s[cuts - 1]
    times, values = np.insert(times, ends, gone + 1e-6), np.insert(values, ends, np.nan)
    shown = [number if math.isfinite(number) else None for number in values.tolist()]
    return np.round(times, 6).tolist(), shown


def bit_picture(
    time_s: npt.NDArray[np.float64], payload: npt.NDArray[np.uint8], span_s: tuple[float, float]
) -> BitPicture:
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
    if not n:
        return {"columns": columns, "bits": width, "moves": "-" * width, "ones": "-" * width}
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
    return {"columns": columns, "bits": width, "moves": shares(moves, count), "ones": shares(ones, count)}


def shares(sums: Floats, count: npt.NDArray[np.intp]) -> str:
    """A digit a cell: 0 for never, 1 to 9 for the share of `count`, and - where there was nothing to count."""
    share = sums / np.maximum(count, 1)[:, None]
    digit = np.where(sums > 0, np.clip(np.ceil(share * 9), 1, 9), 0).astype(np.uint8) + ord("0")
    digit[count == 0] = ord("-")
    return digit.tobytes().decode("ascii")
