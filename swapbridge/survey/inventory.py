"""Survey room: `survey`, who speaks on a bus, how often and how regularly, which bits live, how full the bus is."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import numpy.typing as npt

from swapbridge.capture import ERROR, REMOTE, Capture
from swapbridge.capture.capture import FrameKey, frame_key
from swapbridge.core.errors import InputError
from swapbridge.survey.frame_bits import bus_time_ns
from swapbridge.survey.hints import hints
from swapbridge.survey.model import BusSurvey, IdentifierSurvey, Sending, Survey

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
    busy_ns = np.zeros(len(capture), dtype=np.int32)
    for number, name in enumerate(capture.bus_names):
        if progress:
            progress(0.3 * number / len(capture.bus_names), f"load of bus {name}")
        bus, wakes[number] = _bus(capture, number, rates[number], data_bit_rate, start_ns, words, busy_ns)
        buses.append(bus)
        if bus.peak_load > 1:
            remarks.append(
                f"bus {name} would be {bus.peak_load:.0%} full at {rates[number]:,} bit/s: state its true bit rate"
            )
    identifiers = []
    for at in listed.tolist():
        if progress and at % 16 == 0:
            progress(0.3 + 0.7 * at / len(words), "identifiers")
        key = frame_key(int(words[at]))
        identifiers.append(
            _identifier(
                capture, key, rows[edges[at] : edges[at + 1]], start_ns, buses[key.bus], wakes[key.bus], busy_ns
            )
        )
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


def _bus(
    capture: Capture,
    number: int,
    bit_rate: int,
    data_bit_rate: int,
    start_ns: int,
    words: npt.NDArray[np.uint64],
    busy_ns: npt.NDArray[np.int32],
) -> tuple[BusSurvey, npt.NDArray[np.int64]]:
    """One bus, and the times it woke; fills in how long each of its frames kept it busy."""
    only = len(capture.bus_names) == 1
    rows: npt.NDArray[np.intp] | slice = slice(None) if only else np.flatnonzero(capture.bus == number)
    frames = capture if only else capture.select(rows)
    busy = bus_time_ns(frames, bit_rate, data_bit_rate)
    busy_ns[rows] = busy
    time = frames.time_ns
    if not len(time):
        none = np.empty(0, np.int64)
        return BusSurvey(
            capture.bus_names[number], 0, 0, 0, 0, bit_rate, none, none.astype(np.float64), (), 0.0, 0.0
        ), none
    if (time[1:] < time[:-1]).any():
        order = np.argsort(time, kind="stable")
        time, busy = time[order], busy[order]
    gaps = np.diff(time)
    sleeps = np.flatnonzero(gaps >= int(SLEEP_S * 1e9))
    asleep = tuple(((int(time[at]) - start_ns) / 1e9, (int(time[at + 1]) - start_ns) / 1e9) for at in sleeps.tolist())
    awake_ns = int(time[-1] - time[0]) - int(gaps[sleeps].sum())
    second, load = _load_by_second(time, busy, start_ns)
    bus = BusSurvey(
        name=capture.bus_names[number],
        frames=len(time),
        error_frames=int(np.count_nonzero(frames.flags & ERROR)),
        remote_frames=int(np.count_nonzero(frames.flags & REMOTE)),
        identifiers=int(np.count_nonzero(words >> np.uint64(32) == number)),
        bit_rate=bit_rate,
        load_second=second,
        load=load,
        asleep=asleep,
        awake_s=awake_ns / 1e9,
        mean_load=float(busy.sum()) / max(awake_ns, int(busy.sum()), 1),
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
    capture: Capture,
    key: FrameKey,
    rows: npt.NDArray[np.intp],
    start_ns: int,
    bus: BusSurvey,
    wakes: npt.NDArray[np.int64],
    busy_ns: npt.NDArray[np.int32],
) -> IdentifierSurvey:
    time = capture.time_ns[rows]
    gaps = time[1:] - time[:-1]
    if len(gaps) and int(gaps.min()) < 0:
        time = np.sort(time)
        gaps = time[1:] - time[:-1]
    if len(wakes) > 1:
        gaps = gaps[np.searchsorted(wakes, time[1:], side="right") == np.searchsorted(wakes, time[:-1], side="right")]
    early, period, late, worst = _quantiles(gaps)
    sizes = capture.length[rows]
    counts = np.bincount(sizes)
    lengths = tuple((size, int(counts[size])) for size in np.flatnonzero(counts).tolist())
    full = lengths[-1][0]
    payload = capture.payload[rows]
    whole = payload if len(lengths) == 1 else payload[sizes == full]
    awake_ns = max(bus.awake_s * 1e9, 1.0)
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
        distinct=_distinct(payload, sizes if len(lengths) > 1 else None),
        flips=_flips(payload, sizes if len(lengths) > 1 else None, full),
        payload=whole[0, :full].tobytes(),
        sending=_sending(time, gaps, period, bus, wakes),
        load=float(busy_ns[rows].sum(dtype=np.int64)) / awake_ns,
        hints=hints(whole[:1024, :full]),
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
    if not len(gaps):
        return "event"
    regular = np.count_nonzero((gaps > 0.7 * period) & (gaps < 1.3 * period)) / len(gaps)
    return "cyclic" if regular >= 0.9 else "mixed" if regular >= 0.5 else "event"


def _flips(payload: npt.NDArray[np.uint8], sizes: npt.NDArray[np.uint8] | None, full: int) -> npt.NDArray[np.int64]:
    """(8 * full,) changes of each bit from one frame to the next, where both frames have that byte."""
    out = np.zeros((full, 8), dtype=np.int64)
    words = payload.view(np.uint64)
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


def _distinct(payload: npt.NDArray[np.uint8], sizes: npt.NDArray[np.uint8] | None) -> int:
    """Different payloads; above 8 bytes, or with several lengths, counted by a 64-bit hash of each."""
    words = payload.view(np.uint64)
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
