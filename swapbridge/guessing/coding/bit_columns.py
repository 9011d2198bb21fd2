"""Guessing room: the frames of one identifier as plain columns, and the pairs of neighbouring frames that are studied.

Everything below works on these columns alone, so one identifier is one task in any process.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import gcd
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import Capture, FrameKey, payloads_at

FEW_FRAMES = 8
"""With fewer frames than this an identifier is not judged."""
Sorted = TypeVar("Sorted", bound=np.generic)
LONG_GAP_NS = 2_000_000_000
"""A silence longer than this (and than ten periods) is a seam: frames on its two sides are no neighbours."""


@dataclass(frozen=True, slots=True)
class BitColumns:
    """Frames of one identifier, in the order they came.

    Attributes
    ----------
    identifier : int
        Identifier without its form; only checksums look at it.
    extended : bool
        29-bit identifier.
    time_ns : (N,) int64
        When each frame came.
    length : (N,) uint8
        Payload bytes.
    payload : (N, B) uint8
        Payloads, zero beyond their length.
    breaks : (N,) bool
        True where a frame does not follow the one before it (the first one, and the first of another capture).
    """

    identifier: int
    extended: bool
    time_ns: npt.NDArray[np.int64]
    length: npt.NDArray[np.uint8]
    payload: npt.NDArray[np.uint8]
    breaks: npt.NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.time_ns)

    @property
    def bits(self) -> npt.NDArray[np.uint8]:
        """(N, 8 B) uint8 of 0 and 1, bit ``8 * byte + weight``."""
        return np.unpackbits(self.payload, axis=1, bitorder="little")

    @property
    def live(self) -> npt.NDArray[np.bool_]:
        """(8 B,) bool: bits that change at all."""
        if not len(self):
            return np.zeros(8 * self.payload.shape[1], bool)
        always, ever = set_always_and_ever(self.payload)
        return np.unpackbits(always ^ ever, bitorder="little").astype(bool)

    @property
    def period_ns(self) -> float:
        """Median time from a frame to its next where that is later, 0 where there is none."""
        steps = np.diff(self.time_ns)[~self.breaks[1:]]
        steps = steps[steps > 0]
        return float(np.median(steps)) if len(steps) else 0.0

    def select(self, rows: npt.NDArray[np.bool_]) -> BitColumns:
        """Some of the frames; a chosen frame follows the chosen one before it unless a break lies between."""
        series = np.cumsum(self.breaks)[rows]
        breaks = np.ones(len(series), bool)
        breaks[1:] = np.asarray(series[1:] != series[:-1], bool)
        return replace(
            self,
            time_ns=self.time_ns[rows],
            length=self.length[rows],
            payload=payloads_at(self.payload, rows),
            breaks=breaks,
        )


def whole_stretches(columns: BitColumns, limit: int, stretches: int = 8) -> BitColumns:
    """About `limit` frames of a long recording, as a few evenly spread stretches of neighbouring frames."""
    n = len(columns)
    if n <= limit:
        return columns
    length = limit // stretches
    rows = np.zeros(n, bool)
    for start in np.linspace(0, n - length, stretches).astype(int):
        rows[start : start + length] = True
    chosen = columns.select(rows)
    breaks = chosen.breaks.copy()
    breaks[1:] = breaks[1:] | (np.diff(np.flatnonzero(rows)) > 1)
    return replace(chosen, breaks=breaks)


def make_columns(
    identifier: int,
    extended: bool,
    time_ns: npt.NDArray[np.int64],
    length: npt.NDArray[np.uint8],
    payload: npt.NDArray[np.uint8],
    breaks: npt.NDArray[np.bool_] | None = None,
) -> BitColumns:
    """Columns of one identifier, cut to its longest payload."""
    width = int(length.max()) if len(length) else 0
    if breaks is None:
        breaks = np.zeros(len(time_ns), bool)
        breaks[:1] = True
    return BitColumns(identifier, extended, time_ns, length, np.ascontiguousarray(payload[:, :width]), breaks)


def bit_columns_of(capture: Capture, key: FrameKey, rows: npt.NDArray[np.intp]) -> BitColumns:
    """Columns of the identifier that these rows of a capture carry, with its seams."""
    time_ns = capture.time_ns[rows]
    breaks = np.ones(len(rows), bool)
    steps = np.diff(time_ns)
    if len(steps):
        breaks[1:] = (steps > LONG_GAP_NS) & (steps > 10 * np.median(steps))
    payload = payloads_at(capture.payload, rows)
    return make_columns(key.identifier, key.extended, time_ns, capture.length[rows], payload, breaks)


def set_always_and_ever(payload: npt.NDArray[np.uint8]) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.uint8]]:
    """Bits that are set in every payload, and those that are in any, eight bytes at a time.

    Parameters
    ----------
    payload : (N, B) uint8
        Payloads.

    Returns
    -------
    always, ever : (B,) uint8
        All ones and all zeros where there is no payload.
    """
    width = payload.shape[1]
    if not width:
        return np.zeros(0, np.uint8), np.zeros(0, np.uint8)
    together = 8 // gcd(width, 8)  # rows that fill whole words
    end = len(payload) - len(payload) % together
    words = np.ascontiguousarray(payload[:end]).reshape(-1, together * width).view(np.uint64)

    def fold(way: np.ufunc) -> npt.NDArray[np.uint8]:
        rows = way.reduce(words, axis=0).view(np.uint8).reshape(together, width)
        return np.asarray(way.reduce(np.concatenate([rows, payload[end:]]), axis=0))

    return fold(np.bitwise_and), fold(np.bitwise_or)


def _sortable(payload: npt.NDArray[np.uint8]) -> npt.NDArray[np.generic]:
    """(N,) one value a payload, in the order of its bytes; up to eight as whole numbers, which sort far quicker."""
    width = payload.shape[1]
    if width > 8:
        return np.ascontiguousarray(payload).view(f"V{width}")[:, 0]
    whole = np.zeros((len(payload), 8), np.uint8)
    whole[:, :width] = payload
    return whole.view(">u8")[:, 0].astype(np.uint64)


def distinct_values(values: npt.NDArray[Sorted]) -> npt.NDArray[Sorted]:
    """(U,) distinct values, ascending, by sorting: numpy's `unique` fills a hash table, which takes far longer.

    Parameters
    ----------
    values : (N,) array
        Numbers, or anything else that sorts.

    Returns
    -------
    (U,) array
        Each value once.
    """
    ordered = np.sort(values)
    if len(ordered) < 2:
        return ordered
    out: npt.NDArray[Sorted] = ordered[np.append(True, ordered[1:] != ordered[:-1])]
    return out


def first_of_each(payload: npt.NDArray[np.uint8]) -> npt.NDArray[np.intp]:
    """Rows in which each distinct payload came first, in the order they came."""
    if not payload.size:
        return np.arange(min(len(payload), 1))
    values = _sortable(payload)
    order = np.argsort(values)  # numpy's `unique` asks for a stable one, which takes half as long again
    ordered = values[order]
    starts = np.flatnonzero(np.append(True, ordered[1:] != ordered[:-1]))
    return np.sort(np.minimum.reduceat(order, starts))


def distinct_payloads(payload: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    """(U, B) distinct payloads, in the order of their bytes.

    Parameters
    ----------
    payload : (N, B) uint8
        Payloads.

    Returns
    -------
    (U, B) uint8
        The distinct rows.
    """
    if not payload.size:
        return payload[:1]
    width = payload.shape[1]
    if width > 8:
        return np.unique(_sortable(payload)).view(np.uint8).reshape(-1, width)
    seen = distinct_values(_sortable(payload))
    return seen.astype(">u8").view(np.uint8).reshape(-1, 8)[:, :width]


@dataclass(frozen=True, slots=True)
class Pairs:
    """Neighbouring frames, each with the one before: what code lengths are counted over.

    Attributes
    ----------
    before, old, new : (U, B) uint8
        Three neighbouring payloads in time order; the step from `old` to `new` is coded, knowing the one before.
    weight : (U,) float64
        How many steps of the recording each stands for.
    """

    before: npt.NDArray[np.uint8]
    old: npt.NDArray[np.uint8]
    new: npt.NDArray[np.uint8]
    weight: npt.NDArray[np.float64]

    @property
    def steps(self) -> float:
        """Steps of the recording that these stand for."""
        return float(self.weight.sum())


_BITS_OF_BYTE = np.unpackbits(np.arange(256, dtype=np.uint8)[:, None], axis=1, bitorder="little").astype(np.int64)


def count_bits(rows: npt.NDArray[np.uint8]) -> npt.NDArray[np.int64]:
    """(8 B,) how often each bit is set in these rows (N, B): each byte's values are counted, not each bit."""
    counts = [np.bincount(column, minlength=256) @ _BITS_OF_BYTE for column in rows.T]
    return np.concatenate(counts) if counts else np.zeros(0, np.int64)


def sample_pairs(columns: BitColumns, limit: int) -> Pairs:
    """Steps between neighbouring frames; at most about `limit` of them in a long recording.

    Sub-sampling keeps every step in which a seldom-changing bit changes (a flag that toggled eight times keeps all
    eight), and thins the rest evenly, each remaining step then standing for several.

    Parameters
    ----------
    columns : BitColumns
        Frames of one identifier.
    limit : int
        About the most steps to keep.

    Returns
    -------
    Pairs
        The steps kept, with the number of steps that each stands for.
    """
    payload = columns.payload
    follows = ~columns.breaks[1:]
    steps = np.flatnonzero(follows) + 1
    if not len(steps):
        empty = payload[:0]
        return Pairs(empty, empty, empty, np.zeros(0))
    weight = np.ones(len(steps))
    if len(steps) > limit:
        flips = payloads_at(payload, steps) ^ payloads_at(payload, steps - 1)
        count = count_bits(flips)
        rare = (count > 0) & (count <= limit // 32)
        keep = (flips & np.packbits(rare, bitorder="little")).any(axis=1)
        rest = np.flatnonzero(~keep)
        room = max(limit - int(keep.sum()), limit // 2)
        if len(rest) > room:
            # evenly spread, but off any short cycle: golden-ratio jitter inside equal stretches
            edges = np.linspace(0, len(rest), room + 1)
            jitter = (np.arange(room) * 0.6180339887498949) % 1.0
            chosen = rest[(edges[:-1] + jitter * np.diff(edges)).astype(np.intp)]
            weight[chosen] = len(rest) / room
            kept = np.union1d(np.flatnonzero(keep), chosen)
            steps, weight = steps[kept], weight[kept]
    has_before = np.zeros(len(columns), bool)
    has_before[2:] = follows[1:] & follows[:-1]
    before = np.where(has_before[steps], steps - 2, steps - 1)
    return Pairs(payloads_at(payload, before), payloads_at(payload, steps - 1), payloads_at(payload, steps), weight)
