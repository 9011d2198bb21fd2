"""Surveying room: one bus: how full each second is, when it slept, when it woke."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import ERROR, REMOTE, Capture
from swapbridge.surveying.frame_bits import bits_time_ns
from swapbridge.surveying.silent_bus import SLEEP_S
from swapbridge.surveying.survey_result import BusSurvey

_ROWS = 1 << 16
"""Frames of the capture handled at once."""


class LoadPiece(NamedTuple):
    """Frames of one bus in a row, none of them earlier than those of the piece before."""

    time_ns: npt.NDArray[np.int64]
    flags: npt.NDArray[np.uint8]
    busy_ns: npt.NDArray[np.int64]


def load_pieces(
    capture: Capture,
    number: int,
    slow: npt.NDArray[np.int32],
    fast: npt.NDArray[np.int32],
    order: npt.NDArray[np.intp] | None,
    rates: tuple[int, int],
) -> Iterator[LoadPiece]:
    """One bus in pieces that stay in cache: whole columns would cost more in new memory than in work."""
    for start in range(0, len(capture), _ROWS):
        stop = min(start + _ROWS, len(capture))
        on_bus = slice(start, stop) if order is None else order[start:stop]
        if len(capture.bus_names) > 1:
            places = np.flatnonzero(capture.bus[on_bus] == number)
            on_bus = places + start if order is None else order[start:stop][places]
        time, flags = capture.time_ns[on_bus], capture.flags[on_bus]
        if len(time):
            yield LoadPiece(time, flags, bits_time_ns(slow[on_bus], fast[on_bus], *rates))


def bus_survey(
    name: str, parts: Iterable[LoadPiece], bit_rate: int, start_ns: int, words: npt.NDArray[np.uint64], number: int
) -> tuple[BusSurvey, npt.NDArray[np.int64]]:
    """One bus with its silences, not yet judged, and the times when traffic came back."""
    frames = errors = remotes = busy_ns = 0
    first = last = 0
    sleeps: list[tuple[int, int]] = []
    seconds, loads = [np.empty(0, np.int64)], [np.empty(0, np.int64)]
    for time, flags, busy in parts:
        if not frames:
            first = last = int(time[0])
        gaps = np.diff(time, prepend=last)
        for at in np.flatnonzero(gaps >= int(SLEEP_S * 1e9)).tolist():
            sleeps.append((int(time[at] - gaps[at]), int(time[at])))
        second = (time - start_ns) // 1_000_000_000
        edges = _changes(second)
        seconds.append(second[edges])
        loads.append(np.add.reduceat(busy, edges))
        last = int(time[-1])
        frames += len(time)
        errors += int(np.count_nonzero(flags & ERROR))
        remotes += int(np.count_nonzero(flags & REMOTE))
        busy_ns += int(busy.sum())
    # a piece may end within a second
    second, load = np.concatenate(seconds), np.concatenate(loads)
    edges = _changes(second)
    shares = np.add.reduceat(load, edges) / 1e9 if len(edges) else np.empty(0)
    awake_ns = last - first - sum(wake - asleep for asleep, wake in sleeps)
    bus = BusSurvey(
        name=name,
        frames=frames,
        error_frames=errors,
        remote_frames=remotes,
        identifiers=int(np.count_nonzero(words >> np.uint64(32) == number)),
        bit_rate=bit_rate,
        load_second=second[edges],
        load=shares,
        asleep=(),
        unclear=tuple(((asleep - start_ns) / 1e9, (wake - start_ns) / 1e9) for asleep, wake in sleeps),
        awake_s=awake_ns / 1e9,
        # where no two frames came without a sleep between, each is one of its own second
        mean_load=busy_ns / max(awake_ns, busy_ns) if awake_ns else float(shares.mean()) if frames else 0.0,
    )
    return bus, np.array([first, *(wake for _, wake in sleeps)][: len(sleeps) + bool(frames)], np.int64)


def _changes(column: npt.NDArray[np.int64]) -> npt.NDArray[np.intp]:
    """Where each run of equal values begins."""
    return np.flatnonzero(np.diff(column, prepend=column[:1] - 1))
