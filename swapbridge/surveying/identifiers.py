"""Surveying room: what each identifier does: periods, changes of bits, distinct payloads, ways of sending.

What can go over the frames of many identifiers in one call does: a call over few frames is too short for another thread
to use the time.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import Capture, frame_key
from swapbridge.surveying.flips import changes, distinct
from swapbridge.surveying.hints import hints
from swapbridge.surveying.survey_result import BusSurvey, IdentifierSurvey, Sending

WAKE_S = 5.0
"""What comes only this soon after a wake-up is set apart as 'wake-up'."""
_FEWEST_GAPS = 4
"""With fewer gaps a step can't be distinguished from chance."""
_HINT_ROWS = 512
"""Frames in which a counter or checksum is looked for."""
_MOST_TOGETHER = 64
_ENOUGH_ROWS = 1 << 18
"""So many identifiers, or fewer with so many frames, are looked at in one go."""


@dataclass(frozen=True, slots=True)
class Groups:
    """A capture's data frames by identifier, as `Capture.grouped` has them, and the bits each frame takes."""

    capture: Capture
    words: npt.NDArray[np.uint64]
    edges: npt.NDArray[np.intp]
    rows: npt.NDArray[np.intp]
    slow: npt.NDArray[np.int32]
    fast: npt.NDArray[np.int32] | None
    data_bit_rate: int
    in_order: bool
    start_ns: int
    buses: tuple[BusSurvey, ...]
    wakes: tuple[npt.NDArray[np.int64], ...]


def batches(groups: Groups, listed: npt.NDArray[np.intp]) -> list[npt.NDArray[np.intp]]:
    """The listed identifiers in runs that are worth one go."""
    out, begin, frames = [], 0, 0
    counts = np.diff(groups.edges)[listed].tolist()
    for at, count in enumerate(counts, 1):
        frames += count
        if frames >= _ENOUGH_ROWS or at - begin == _MOST_TOGETHER or at == len(counts):
            out.append(listed[begin:at])
            begin, frames = at, 0
    return out


def identifiers(groups: Groups, batch: npt.NDArray[np.intp]) -> list[IdentifierSurvey]:
    """A run of identifiers, numbered as in `groups`."""
    found, payloads = [], []
    for one, payload in _studied(groups, batch):
        found.append(one)
        payloads.append(payload)
    alike: dict[tuple[int, ...], list[int]] = {}
    for at, payload in enumerate(payloads):
        alike.setdefault(payload.shape, []).append(at)
    for same in alike.values():
        for at, words in zip(same, hints(np.stack([payloads[at] for at in same])), strict=True):
            found[at] = replace(found[at], hints=words)
    return found


def _studied(groups: Groups, batch: npt.NDArray[np.intp]) -> Iterator[tuple[IdentifierSurvey, npt.NDArray[np.uint8]]]:
    """Each identifier without hints, and the first of its longest payloads, in which they are looked for."""
    capture, edges = groups.capture, groups.edges
    rows = np.concatenate([groups.rows[edges[at] : edges[at + 1]] for at in batch.tolist()])
    cuts = np.concatenate(([0], np.cumsum(np.diff(edges)[batch])))
    time = capture.time_ns.take(rows)
    words = np.ascontiguousarray(capture.payload).view(np.uint64).take(rows, axis=0)
    shortest, longest = int(capture.length.min()), int(capture.length.max())
    sizes = None if shortest == longest else capture.length.take(rows)
    flips = changes(words, sizes, cuts)
    slow = np.add.reduceat(groups.slow.take(rows), cuts[:-1], dtype=np.int64).tolist()
    fast = [0] * len(batch)
    if groups.fast is not None:
        fast = np.add.reduceat(groups.fast.take(rows), cuts[:-1], dtype=np.int64).tolist()
    for number, at in enumerate(batch.tolist()):
        key = frame_key(int(groups.words[at]))
        bus, wakes = groups.buses[key.bus], groups.wakes[key.bus]
        mine = slice(int(cuts[number]), int(cuts[number + 1]))
        when, sent = time[mine], words[mine]
        if not groups.in_order:
            when = np.sort(when)
        gaps = when[1:] - when[:-1]
        if len(wakes) > 1:
            woken = np.searchsorted(wakes, when, side="right")
            gaps = gaps[woken[1:] == woken[:-1]]
        gaps.sort()
        early, period, late, worst = _quantiles(gaps)
        lengths: tuple[tuple[int, int], ...] = ((longest, len(when)),)
        whole, own = sent[:_HINT_ROWS], None
        if sizes is not None:
            own = sizes[mine]
            counts = np.bincount(own)
            lengths = tuple((size, int(counts[size])) for size in np.flatnonzero(counts).tolist())
            whole = sent[np.flatnonzero(own == lengths[-1][0])[:_HINT_ROWS]]
        full = lengths[-1][0]
        payload = whole.view(np.uint8)[:, :full]
        seconds = slow[number] / bus.bit_rate + fast[number] / groups.data_bit_rate
        one = IdentifierSurvey(
            bus=bus.name,
            identifier=key.identifier,
            extended=key.extended,
            frames=len(when),
            lengths=lengths,
            period_ms=period / 1e6,
            early_ms=early / 1e6,
            late_ms=late / 1e6,
            worst_gap_ms=worst / 1e6,
            first_s=(int(when[0]) - groups.start_ns) / 1e9,
            last_s=(int(when[-1]) - groups.start_ns) / 1e9,
            distinct=distinct(sent, own if len(lengths) > 1 else None),
            flips=flips[number, : 8 * full],
            payload=payload[0].tobytes(),
            sending=_sending(when, gaps, period, bus, _woken(bus, wakes, groups.start_ns)),
            load=seconds / (bus.awake_s or max(1, len(bus.load_second))),
            hints=(),
        )
        yield one, payload


def _woken(bus: BusSurvey, heard: npt.NDArray[np.int64], start_ns: int) -> npt.NDArray[np.int64]:
    """Of the times at which a bus was heard again those at which it may have woken: not after a dropout."""
    if not bus.dropouts:
        return heard
    ends = np.array([end for _, end in bus.dropouts]) * 1e9 + start_ns
    return heard[(np.abs(heard[:, None] - ends) > 1e6).all(axis=1)]


def _quantiles(gaps: npt.NDArray[np.int64]) -> tuple[float, float, float, float]:
    """5th percentile, median, 95th percentile (nearest rank) and maximum of gaps in order."""
    if not len(gaps):
        return (float("nan"),) * 4
    last = len(gaps) - 1
    return tuple(float(gaps[round(share * last)]) for share in (0.05, 0.5, 0.95, 1.0))  # type: ignore[return-value]


def _sending(
    time: npt.NDArray[np.int64],
    gaps: npt.NDArray[np.int64],
    period: float,
    bus: BusSurvey,
    wakes: npt.NDArray[np.int64],
) -> Sending:
    # the time since the bus last woke, for every frame; a stretch must be long enough to tell 'only at its start'
    if bus.awake_s >= 4 * WAKE_S * len(wakes) and len(time) <= 1000 * len(wakes):
        since = time - wakes[np.searchsorted(wakes, time, side="right") - 1]
        if int(since.max()) <= int(WAKE_S * 1e9):
            return "wake-up"
    if len(time) < 0.95 * bus.awake_s:
        return "rare"
    if len(gaps) < _FEWEST_GAPS:
        return "event"
    # gaps in order, from above 0.7 periods to below 1.3
    within = np.searchsorted(gaps, [math.floor(0.7 * period) + 1, math.ceil(1.3 * period)])
    regular = (int(within[1]) - int(within[0])) / len(gaps)
    return "cyclic" if regular >= 0.9 else "mixed" if regular >= 0.5 else "event"
