"""Survey room: `survey`, who speaks on a bus, how often and how regularly, which bits live, how full the bus is."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from swapbridge.capture import ERROR, REMOTE, Capture
from swapbridge.capture.capture import FrameKey, frame_key
from swapbridge.core.errors import InputError
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
_BIT_OF_BYTE = np.unpackbits(np.arange(256, dtype=np.uint8)[:, None], axis=1, bitorder="little").astype(np.int64)
_MIX = np.array([0x9E3779B97F4A7C15 * (2 * i + 1) % 2**64 | 1 for i in range(8)], dtype=np.uint64)
_ROWS = 1 << 16
_FEWEST_GAPS = 4
"""With fewer gaps no step can be told from chance."""
_HINT_ROWS = 512
"""Frames in which a counter or checksum is looked for."""


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
    words, edges, rows = capture.grouped()
    listed, remarks = _listed(words, edges)
    remarks = [*capture.notes.sentences(), *remarks]
    buses = []
    wakes: dict[int, npt.NDArray[np.int64]] = {}
    if progress:
        progress(0.0, "frame lengths")
    slow, fast = slow_and_fast_bits(capture)
    for number, name in enumerate(capture.bus_names):
        if progress:
            progress(0.3, f"load of bus {name}")
        on_bus = slice(None) if len(capture.bus_names) == 1 else np.flatnonzero(capture.bus == number)
        busy = bits_time_ns(slow[on_bus], fast[on_bus], rates[number], data_bit_rate)
        bus, wakes[number] = _bus(
            name, capture.time_ns[on_bus], capture.flags[on_bus], busy, rates[number], start_ns, words, number
        )
        buses.append(bus)
        if bus.peak_load > 1:
            remarks.append(
                f"bus {name} would be {bus.peak_load:.0%} full at {rates[number]:,} bit/s: state its true bit rate"
            )
    # what each identifier takes of its bus, from the same bits
    slow_sums = _sums(slow, rows, edges)
    fast_sums = _sums(fast, rows, edges) if fast.any() else np.zeros_like(slow_sums)
    views = _Views(
        capture.time_ns,
        np.ascontiguousarray(capture.payload).view(np.uint64),
        capture.length if int(capture.length.min()) != int(capture.length.max()) else None,
        int(capture.length.max()),
    )

    def study(at: int) -> IdentifierSurvey:
        key = frame_key(int(words[at]))
        bus = buses[key.bus]
        seconds = float(slow_sums[at]) / bus.bit_rate + float(fast_sums[at]) / data_bit_rate
        load = seconds / (bus.awake_s or max(1, len(bus.load_second)))
        mine = rows[edges[at] : edges[at + 1]]
        return _identifier(views, key, mine, start_ns, bus, wakes[key.bus], load)

    identifiers = []
    for done, one in enumerate(on_threads(study, listed.tolist(), len(capture)), 1):
        identifiers.append(one)
        if progress and done % 16 == 0:
            progress(0.3 + 0.7 * done / len(listed), "identifiers")
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


def _sums(
    bits: npt.NDArray[np.int32], rows: npt.NDArray[np.intp], edges: npt.NDArray[np.intp]
) -> npt.NDArray[np.int64]:
    if not len(rows):
        return np.zeros(0, np.int64)
    return np.add.reduceat(bits.take(rows), edges[:-1], dtype=np.int64)


def _bus(
    name: str,
    time: npt.NDArray[np.int64],
    flags: npt.NDArray[np.uint8],
    busy: npt.NDArray[np.int64],
    bit_rate: int,
    start_ns: int,
    words: npt.NDArray[np.uint64],
    number: int,
) -> tuple[BusSurvey, npt.NDArray[np.int64]]:
    """One bus, and the times it woke."""
    if not len(time):
        none = np.empty(0, np.int64)
        return BusSurvey(name, 0, 0, 0, 0, bit_rate, none, none.astype(np.float64), (), 0.0, 0.0), none
    if (time[1:] < time[:-1]).any():
        order = np.argsort(time, kind="stable")
        time, busy = time[order], busy[order]
    gaps = np.diff(time)
    sleeps = np.flatnonzero(gaps >= int(SLEEP_S * 1e9))
    asleep = tuple(((int(time[at]) - start_ns) / 1e9, (int(time[at + 1]) - start_ns) / 1e9) for at in sleeps.tolist())
    awake_ns = int(time[-1] - time[0]) - int(gaps[sleeps].sum())
    second, load = _load_by_second(time, busy, start_ns)
    bus = BusSurvey(
        name=name,
        frames=len(time),
        error_frames=int(np.count_nonzero(flags & ERROR)),
        remote_frames=int(np.count_nonzero(flags & REMOTE)),
        identifiers=int(np.count_nonzero(words >> np.uint64(32) == number)),
        bit_rate=bit_rate,
        load_second=second,
        load=load,
        asleep=asleep,
        awake_s=awake_ns / 1e9,
        # where no two frames came without a sleep between, each is one of its own second
        mean_load=float(busy.sum()) / max(awake_ns, int(busy.sum())) if awake_ns else float(load.mean()),
    )
    return bus, np.concatenate((time[:1], time[sleeps + 1]))


def _load_by_second(
    time: npt.NDArray[np.int64], busy_ns: npt.NDArray[np.int64], start_ns: int
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]:
    """Seconds with traffic and the share of each that frames starting in it take; `time` ascends."""
    second = (time - start_ns) // 1_000_000_000
    edges = np.flatnonzero(np.concatenate(([True], second[1:] != second[:-1])))
    return second[edges], np.add.reduceat(busy_ns, edges) / 1e9


def _identifier(
    views: _Views,
    key: FrameKey,
    rows: npt.NDArray[np.intp],
    start_ns: int,
    bus: BusSurvey,
    wakes: npt.NDArray[np.int64],
    load: float,
) -> IdentifierSurvey:
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
    return IdentifierSurvey(
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
        distinct=_distinct(words, sizes),
        flips=_flips(words, sizes, full),
        payload=payload[0].tobytes(),
        sending=_sending(time, gaps, period, bus, wakes),
        load=load,
        hints=hints(payload),
    )


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


def _flips(words: npt.NDArray[np.uint64], sizes: npt.NDArray[np.uint8] | None, full: int) -> npt.NDArray[np.int64]:
    """(8 * full,) changes of each bit from one frame to the next, where both frames have that byte."""
    out = np.zeros((full, 8), dtype=np.int64)
    for start in range(0, len(words) - 1, _ROWS):
        block = words[start : start + _ROWS + 1]
        changed = block[1:] ^ block[:-1]
        live = np.bitwise_or.reduce(changed, axis=0).view(np.uint8)
        columns = changed.view(np.uint8)
        for at in np.flatnonzero(live[:full]).tolist():
            column = columns[:, at]
            if sizes is not None:
                both = np.minimum(sizes[start + 1 : start + len(block)], sizes[start : start + len(block) - 1]) > at
                column = column[both]
            out[at] += np.bincount(column, minlength=256) @ _BIT_OF_BYTE
    return out.reshape(-1)


def _distinct(words: npt.NDArray[np.uint64], sizes: npt.NDArray[np.uint8] | None) -> int:
    """Different payloads; above 8 bytes, or with several lengths, counted by a 64-bit hash of each."""
    one = words[:, 0]
    if words.shape[1] > 1:
        for at in range(words.shape[1]):
            # add, multiply, fold: one round a word of a multiplicative hash
            one = (one + words[:, at]) * _MIX[at]
            one = one ^ (one >> np.uint64(29))
    if sizes is not None:
        one = (one + sizes) * _MIX[0] ^ sizes
    ordered = np.sort(one)
    return int(np.count_nonzero(ordered[1:] != ordered[:-1])) + 1
