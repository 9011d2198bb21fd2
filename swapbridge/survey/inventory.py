"""Survey room: `survey`, who speaks on a bus, how often and how regularly, which bits live, how full the bus is."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from swapbridge.capture import ERROR, REMOTE, Capture
from swapbridge.capture.capture import FrameKey, frame_key
from swapbridge.core.errors import InputError
from swapbridge.survey.flips import distinct, flips
from swapbridge.survey.frame_bits import bits_time_ns, slow_and_fast_bits
from swapbridge.survey.hints import hints
from swapbridge.survey.model import BusSurvey, IdentifierSurvey, Sending, Survey
from swapbridge.survey.threads import on_threads

Progress = Callable[[float, str], None]

SLEEP_S = 1.0
"""A bus without any frame for this long is taken to have slept."""
WAKE_S = 5.0
"""What comes only this soon after a wake-up is set apart as 'wake-up'."""
MOST_IDENTIFIERS = 10_000
"""Beyond this many the busiest are listed: no vehicle has so many, a fuzzed bus or a wrong bit rate does."""
_ROWS = 1 << 15
"""Frames of a bus handled at once."""
_FEWEST_GAPS = 4
"""With fewer gaps no step can be told from chance."""
_HINT_ROWS = 512
"""Frames in which a counter or checksum is looked for."""
_TOGETHER = 32
"""Identifiers looked at in one go: hints are found in many at once."""


def survey(
    capture: Capture,
    *,
    bit_rate: int | Mapping[str, int] = 500_000,
    data_bit_rate: int = 2_000_000,
    progress: Progress | None = None,
) -> Survey:
    """Inventory of a capture.

    Parameters
    ----------
    bit_rate : int or mapping of bus name to int
        Bits a second, for the bus load. 500,000 is what most powertrain buses have (common practice, no source).
    data_bit_rate : int
        Second bit rate of CAN FD frames that switch.
    progress : callable, optional
        Told the share done and what is being done.

    Raises
    ------
    InputError
        The capture has no frames, or a bit rate is not positive.
    """
    if not len(capture):
        raise InputError(f"{capture.source or 'the capture'} holds no frames: there is nothing to survey")
    rates = [bit_rate if isinstance(bit_rate, int) else bit_rate.get(name, 500_000) for name in capture.bus_names]
    if min(*rates, data_bit_rate) <= 0:
        raise InputError("a bit rate is a positive number of bits a second, for example 500000")
    start_ns = int(capture.time_ns.min())
    if progress:
        progress(0.0, "frame lengths")
    words, edges, rows = capture.grouped()
    slow, fast = slow_and_fast_bits(capture)
    listed, remarks = _listed(words, edges)
    remarks = [*capture.notes.sentences(), *remarks]
    if progress:
        progress(0.3, "bus load")

    order = None if (capture.time_ns[1:] >= capture.time_ns[:-1]).all() else np.argsort(capture.time_ns, kind="stable")

    def bus_of(number: int) -> tuple[BusSurvey, npt.NDArray[np.int64]]:
        pieces = _pieces(capture, number, slow, fast, order, (rates[number], data_bit_rate))
        return _bus(capture.bus_names[number], pieces, rates[number], start_ns, words, number)

    buses, wakes = zip(*on_threads(bus_of, range(len(rates)), len(capture)), strict=True)
    for bus in buses:
        if bus.peak_load > 1:
            remarks.append(
                f"bus {bus.name} would be {bus.peak_load:.0%} full at {bus.bit_rate:,} bit/s: state its true bit rate"
            )
    views = _Views(
        capture.time_ns,
        np.ascontiguousarray(capture.payload).view(np.uint64),
        capture.length if int(capture.length.min()) != int(capture.length.max()) else None,
        int(capture.length.max()),
    )

    def study(start: int) -> list[IdentifierSurvey]:
        found, payloads = [], []
        for at in listed[start : start + _TOGETHER].tolist():
            key = frame_key(int(words[at]))
            bus = buses[key.bus]
            mine = rows[edges[at] : edges[at + 1]]
            # what it takes of its bus, from the same bits
            seconds = float(slow.take(mine).sum()) / bus.bit_rate + float(fast.take(mine).sum()) / data_bit_rate
            load = seconds / (bus.awake_s or max(1, len(bus.load_second)))
            one, payload = _identifier(views, key, mine, start_ns, bus, wakes[key.bus], load)
            found.append(one)
            payloads.append(payload)
        return _with_hints(found, payloads)

    identifiers: list[IdentifierSurvey] = []
    for some in on_threads(study, range(0, len(listed), _TOGETHER), len(capture)):
        identifiers += some
        if progress:
            progress(0.3 + 0.7 * len(identifiers) / len(listed), "identifiers")
    return Survey(
        capture.source, len(capture), capture.duration_s, start_ns, tuple(buses), tuple(identifiers), tuple(remarks)
    )


def _listed(words: npt.NDArray[np.uint64], edges: npt.NDArray[np.intp]) -> tuple[npt.NDArray[np.intp], list[str]]:
    if len(words) <= MOST_IDENTIFIERS:
        return np.arange(len(words)), []
    frames = np.diff(edges)
    busiest = np.sort(np.argsort(-frames, kind="stable")[:MOST_IDENTIFIERS])
    return busiest, [
        f"{len(words):,} identifiers: no vehicle has so many (a fuzzed bus, or a wrong bit rate); the "
        f"{MOST_IDENTIFIERS:,} busiest are listed"
    ]


class _Views(NamedTuple):
    """A capture's columns as the identifiers look at them: payload as (N, 1) or (N, 8) words; one length, or all."""

    time_ns: npt.NDArray[np.int64]
    words: npt.NDArray[np.uint64]
    length: npt.NDArray[np.uint8] | None
    longest: int


class _Piece(NamedTuple):
    """Frames of one bus in a row, none of them earlier than those of the piece before."""

    time_ns: npt.NDArray[np.int64]
    flags: npt.NDArray[np.uint8]
    busy_ns: npt.NDArray[np.int64]


def _pieces(
    capture: Capture,
    number: int,
    slow: npt.NDArray[np.int32],
    fast: npt.NDArray[np.int32],
    order: npt.NDArray[np.intp] | None,
    rates: tuple[int, int],
) -> Iterator[_Piece]:
    """One bus in pieces that stay in cache: whole columns would cost more in new memory than in work."""
    for start in range(0, len(capture), _ROWS):
        stop = min(start + _ROWS, len(capture))
        on_bus = slice(start, stop) if order is None else order[start:stop]
        if len(capture.bus_names) > 1:
            places = np.flatnonzero(capture.bus[on_bus] == number)
            on_bus = places + start if order is None else order[start:stop][places]
        time, flags = capture.time_ns[on_bus], capture.flags[on_bus]
        if len(time):
            yield _Piece(time, flags, bits_time_ns(slow[on_bus], fast[on_bus], *rates))


def _bus(
    name: str, pieces: Iterator[_Piece], bit_rate: int, start_ns: int, words: npt.NDArray[np.uint64], number: int
) -> tuple[BusSurvey, npt.NDArray[np.int64]]:
    """One bus, and the times it woke."""
    frames = errors = remotes = busy_ns = 0
    first = last = 0
    sleeps: list[tuple[int, int]] = []
    seconds, loads = [np.empty(0, np.int64)], [np.empty(0, np.int64)]
    for time, flags, busy in pieces:
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
        asleep=tuple(((asleep - start_ns) / 1e9, (wake - start_ns) / 1e9) for asleep, wake in sleeps),
        awake_s=awake_ns / 1e9,
        # where no two frames came without a sleep between, each is one of its own second
        mean_load=busy_ns / max(awake_ns, busy_ns) if awake_ns else float(shares.mean()) if frames else 0.0,
    )
    return bus, np.array([first, *(wake for _, wake in sleeps)][: len(sleeps) + bool(frames)], np.int64)


def _changes(column: npt.NDArray[np.int64]) -> npt.NDArray[np.intp]:
    """Where each run of equal values begins."""
    return np.flatnonzero(np.diff(column, prepend=column[:1] - 1))


def _identifier(
    views: _Views,
    key: FrameKey,
    rows: npt.NDArray[np.intp],
    start_ns: int,
    bus: BusSurvey,
    wakes: npt.NDArray[np.int64],
    load: float,
) -> tuple[IdentifierSurvey, npt.NDArray[np.uint8]]:
    """One identifier without hints, and the first of its longest payloads, in which they are looked for."""
    time = views.time_ns.take(rows)
    gaps = time[1:] - time[:-1]
    if len(gaps) and int(gaps.min()) < 0:
        time = np.sort(time)
        gaps = time[1:] - time[:-1]
    if len(wakes) > 1:
        gaps = gaps[np.searchsorted(wakes, time[1:], side="right") == np.searchsorted(wakes, time[:-1], side="right")]
    early, period, late, worst = _quantiles(gaps)
    sizes = None
    lengths: tuple[tuple[int, int], ...] = ((views.longest, len(rows)),)
    if views.length is not None:
        sizes = views.length.take(rows)
        counts = np.bincount(sizes)
        lengths = tuple((size, int(counts[size])) for size in np.flatnonzero(counts).tolist())
    full = lengths[-1][0]
    words = views.words.take(rows, axis=0)
    if len(lengths) == 1 or sizes is None:
        sizes, whole = None, words[:_HINT_ROWS]
    else:
        whole = words[np.flatnonzero(sizes == full)[:_HINT_ROWS]]
    payload = whole.view(np.uint8)[:, :full]
    found = IdentifierSurvey(
        bus=bus.name,
        identifier=key.identifier,
        extended=key.extended,
        frames=len(rows),
        lengths=lengths,
        period_ms=period / 1e6,
        early_ms=early / 1e6,
        late_ms=late / 1e6,
        worst_gap_ms=worst / 1e6,
        first_s=(int(time[0]) - start_ns) / 1e9,
        last_s=(int(time[-1]) - start_ns) / 1e9,
        distinct=distinct(words, sizes),
        flips=flips(words, sizes, full),
        payload=payload[0].tobytes(),
        sending=_sending(time, gaps, period, bus, wakes),
        load=load,
        hints=(),
    )
    return found, payload


def _with_hints(found: list[IdentifierSurvey], payloads: list[npt.NDArray[np.uint8]]) -> list[IdentifierSurvey]:
    alike: dict[tuple[int, ...], list[int]] = {}
    for at, payload in enumerate(payloads):
        alike.setdefault(payload.shape, []).append(at)
    for group in alike.values():
        for at, words in zip(group, hints(np.stack([payloads[at] for at in group])), strict=True):
            found[at] = replace(found[at], hints=words)
    return found


def _quantiles(gaps: npt.NDArray[np.int64]) -> tuple[float, float, float, float]:
    """5th percentile, median, 95th percentile (nearest rank) and maximum."""
    if not len(gaps):
        return (float("nan"),) * 4
    ordered = np.sort(gaps)
    last = len(gaps) - 1
    return tuple(float(ordered[round(share * last)]) for share in (0.05, 0.5, 0.95, 1.0))  # type: ignore[return-value]


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
    regular = np.count_nonzero((gaps > 0.7 * period) & (gaps < 1.3 * period)) / len(gaps)
    return "cyclic" if regular >= 0.9 else "mixed" if regular >= 0.5 else "event"
