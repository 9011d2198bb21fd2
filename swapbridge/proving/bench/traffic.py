"""Proving room: recorded traffic of one bus as columns in simulated time, with the schedule it has when left alone.

Frames that nothing disturbs keep the times computed here for a whole column at once; only where a node under test
sends does the simulated bus (`swapbridge.proving.bench.simulated_bus`) go frame by frame.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import ERROR, EXTENDED, FD, REMOTE, Capture
from swapbridge.core.can_bits import INTERMISSION_BITS
from swapbridge.core.identifier_words import EXTENDED_BIT, IDENTIFIER_MASK, split_word
from swapbridge.proving.bench.frame_length import frame_length
from swapbridge.surveying.frame_bits import slow_and_fast_bits

Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Rates:
    """Bit rates of a bus, in bit/s; `data` is CAN FD's second rate."""

    nominal: int = 500_000
    data: int = 2_000_000

    def duration_ns(self, slow: Ints, fast: Ints) -> Ints:
        """Time that frames of so many bits take of the bus, intermission included."""
        out: Ints = (slow * 1_000_000_000 + self.nominal // 2) // self.nominal
        if fast.any():
            out = out + (fast * 1_000_000_000 + self.data // 2) // self.data
        return out

    @property
    def intermission_ns(self) -> int:
        """Three recessive bits: received frames are complete this long before the bus is free."""
        return INTERMISSION_BITS * 1_000_000_000 // self.nominal


@dataclass(frozen=True, slots=True)
class Traffic:
    """Recorded frames of one bus, in the order in which they ask for it.

    Attributes
    ----------
    word : (N,) int64
        Identifier words; -1 for an error frame, which nobody receives.
    flags, length, payload
        As in `Capture`.
    order : (N,) int64
        Arbitration: the smaller wins.
    release_ns : (N,) int64
        When each asks for the bus, rising.
    duration_ns : (N,) int64
        What each takes of the bus, with intermission.
    start_ns : (N,) int64
        When each starts if no node under test sends.
    calm : (N + 1,) bool
        Every frame before is through when this one asks, so that the schedule from here on depends on nothing before.
    rates : Rates
    """

    word: Ints
    flags: npt.NDArray[np.uint8]
    length: npt.NDArray[np.uint8]
    payload: npt.NDArray[np.uint8]
    order: Ints
    release_ns: Ints
    duration_ns: Ints
    start_ns: Ints
    calm: npt.NDArray[np.bool_]
    rates: Rates

    def __len__(self) -> int:
        return len(self.word)

    @property
    def received_ns(self) -> Ints:
        """When each frame is complete, left alone."""
        return self.start_ns + self.duration_ns - self.rates.intermission_ns

    def load(self, from_ns: int, to_ns: int) -> float:
        """Share of the time that the bus is busy, left alone."""
        rows = (self.start_ns >= from_ns) & (self.start_ns < to_ns)
        return float(self.duration_ns[rows].sum()) / max(1, to_ns - from_ns)


def words_of(capture: Capture) -> Ints:
    """(N,) identifier words of a capture's frames, -1 for error frames."""
    words = capture.words.astype(np.int64)
    return np.where(capture.flags & ERROR, -1, words)


def arbitration_orders(words: Ints, remote: npt.NDArray[np.bool_]) -> Ints:
    """`core.can_bits.arbitration_key` for a column; an error frame interrupts whatever runs, so it comes first."""
    identifier = words & IDENTIFIER_MASK
    extended = (words & EXTENDED_BIT) != 0
    keys = np.where(
        extended,
        (identifier >> 18) << 21 | 0b11 << 19 | (identifier & 0x3FFFF) << 1 | remote,
        identifier << 21 | remote.astype(np.int64) << 20,
    )
    return np.where(words < 0, -1, keys)


def traffic_from(capture: Capture, rates: Rates, begin_ns: int | None = None) -> Traffic:
    """One bus's frames of a capture, as they were recorded.

    A recorded time is when the frame was complete. The recording's own order is kept: its arbitration was decided on
    the real bus. Frames closer together than their lengths allow are pushed apart.

    Parameters
    ----------
    capture : Capture
        Frames of one bus only.
    rates : Rates
        Bit rates of that bus.
    begin_ns : int or None
        Capture time that becomes 0; by default 1 ms before the first frame.
    """
    if begin_ns is None:
        begin_ns = int(capture.time_ns.min()) - 1_000_000 if len(capture) else 0
    rows = np.argsort(capture.time_ns, kind="stable")
    # a row longer than its kind of frame can be is a J1939 message put together of packets, which are there too
    capture = capture.select(rows[(capture.length[rows] <= 8) | ((capture.flags[rows] & FD) != 0)])
    duration = _durations(capture, rates)
    release = np.maximum(capture.time_ns - begin_ns + rates.intermission_ns - duration, 0)
    start = _first_come(release, duration)
    words = words_of(capture)
    return _settle(
        words,
        capture.flags,
        capture.length,
        capture.payload,
        arbitration_orders(words, (capture.flags & REMOTE) != 0),
        start,
        duration,
        start,
        rates,
    )


def empty_traffic(rates: Rates) -> Traffic:
    """A bus on which nothing was recorded."""
    nothing = np.zeros(0, np.int64)
    return _settle(
        nothing,
        np.zeros(0, np.uint8),
        np.zeros(0, np.uint8),
        np.zeros((0, 8), np.uint8),
        nothing,
        nothing,
        nothing,
        nothing,
        rates,
    )


def merge(traffic: Traffic, added: Traffic) -> Traffic:
    """Recorded frames and added ones (a babbling node, a burst) on one bus, arbitrated where they meet."""
    width = max(traffic.payload.shape[1], added.payload.shape[1])
    release = np.concatenate([traffic.release_ns, added.release_ns])
    rows = np.argsort(release, kind="stable")
    release = release[rows]
    duration = np.concatenate([traffic.duration_ns, added.duration_ns])[rows]
    order = np.concatenate([traffic.order, added.order])[rows]
    return _settle(
        np.concatenate([traffic.word, added.word])[rows],
        np.concatenate([traffic.flags, added.flags])[rows],
        np.concatenate([traffic.length, added.length])[rows],
        np.concatenate([_padded_to(traffic.payload, width), _padded_to(added.payload, width)])[rows],
        order,
        release,
        duration,
        _by_priority(release, duration, order),
        traffic.rates,
    )


def pick(traffic: Traffic, rows: npt.NDArray[np.bool_]) -> Traffic:
    """Some frames only; nobody moves into the room that the others leave, except frames that had waited for it."""
    return at_other_times(traffic, traffic.release_ns[rows], np.flatnonzero(rows))


def at_other_times(traffic: Traffic, release: Ints, rows: Ints) -> Traffic:
    """Frames of a traffic (rows may repeat) asking for the bus at other times, arbitrated anew."""
    sort = np.argsort(release, kind="stable")
    rows, release = rows[sort], release[sort]
    duration, order = traffic.duration_ns[rows], traffic.order[rows]
    return _settle(
        traffic.word[rows],
        traffic.flags[rows],
        traffic.length[rows],
        traffic.payload[rows],
        order,
        release,
        duration,
        _by_priority(release, duration, order),
        traffic.rates,
    )


def with_payloads(traffic: Traffic, payload: npt.NDArray[np.uint8]) -> Traffic:
    """The same frames with other data, as long on the bus as their new stuff bits make them, arbitrated anew."""
    changed = np.flatnonzero((payload != traffic.payload).any(axis=1))
    word = traffic.word[changed]
    frames = Capture(
        time_ns=traffic.release_ns[changed],
        identifier=(word & ~EXTENDED_BIT).astype(np.uint32),
        flags=traffic.flags[changed],
        bus=np.zeros(len(changed), np.uint8),
        length=traffic.length[changed],
        payload=payload[changed],
    )
    duration = traffic.duration_ns.copy()
    duration[changed] = _durations(frames, traffic.rates)
    return _settle(
        traffic.word,
        traffic.flags,
        traffic.length,
        payload,
        traffic.order,
        traffic.release_ns,
        duration,
        _by_priority(traffic.release_ns, duration, traffic.order),
        traffic.rates,
    )


def repeated_frame(word: int, data: bytes, rates: Rates, share: float, start_ns: int, end_ns: int) -> Traffic:
    """A node that sends one classic frame over and over, for a share of the bus's time."""
    identifier, extended = split_word(word)
    duration = int(rates.duration_ns(np.array([frame_length(identifier, extended, data)[0]]), np.zeros(1, np.int64))[0])
    release = np.arange(start_ns, end_ns, round(duration / share), dtype=np.int64)
    count = len(release)
    words = np.full(count, word, np.int64)
    payload = np.frombuffer(data.ljust(8, b"\0"), np.uint8)
    takes = np.full(count, duration, np.int64)
    return _settle(
        words,
        np.full(count, EXTENDED if extended else 0, np.uint8),
        np.full(count, len(data), np.uint8),
        np.tile(payload, (count, 1)),
        arbitration_orders(words, np.zeros(count, bool)),
        release,
        takes,
        _first_come(release, takes),
        rates,
    )


def _durations(capture: Capture, rates: Rates) -> Ints:
    """(N,) time that each frame takes of its bus, intermission included."""
    slow, fast = slow_and_fast_bits(capture)
    return rates.duration_ns(slow.astype(np.int64), fast.astype(np.int64))


def _first_come(release: Ints, duration: Ints) -> Ints:
    """Start times when each frame waits for all before it: ``start[i] = max(release[i], end of i - 1)``."""
    before = np.concatenate([[0], np.cumsum(duration)[:-1]]) if len(duration) else duration
    out: Ints = np.maximum.accumulate(release - before) + before
    return out


def _by_priority(release: Ints, duration: Ints, order: Ints) -> Ints:
    """Start times when the smallest `order` of those that ask goes next; whole idle stretches are left as they are."""
    n = len(release)
    start = release.copy()
    if not n:
        return start
    # Where frames queue up does not depend on their order, only on their lengths, so first-come finds the places.
    queue = _first_come(release, duration)
    ends = queue + duration
    begins = np.concatenate([[True], release[1:] >= ends[:-1]])
    heads = np.flatnonzero(begins)
    tails = np.concatenate([heads[1:], [n]])
    for a, b in zip(heads[tails - heads > 1].tolist(), tails[tails - heads > 1].tolist(), strict=True):
        ask, takes, rank = release[a:b].tolist(), duration[a:b].tolist(), order[a:b].tolist()
        waiting: list[tuple[int, int]] = []
        free, i = ask[0], 0
        placed = [0] * (b - a)
        while i < b - a or waiting:
            while i < b - a and ask[i] <= free:
                heapq.heappush(waiting, (rank[i], i))
                i += 1
            if not waiting:
                free = ask[i]
                continue
            _, k = heapq.heappop(waiting)
            placed[k] = free
            free += takes[k]
        start[a:b] = placed
    return start


def _settle(
    word: Ints,
    flags: npt.NDArray[np.uint8],
    length: npt.NDArray[np.uint8],
    payload: npt.NDArray[np.uint8],
    order: Ints,
    release: Ints,
    duration: Ints,
    start: Ints,
    rates: Rates,
) -> Traffic:
    settled = np.concatenate([[0], np.maximum.accumulate(start + duration)]).astype(np.int64)
    calm = np.concatenate([settled[:-1] <= release, [True]])
    return Traffic(word, flags, length, payload, order, release, duration, start, calm, rates)


def _padded_to(payload: npt.NDArray[np.uint8], width: int) -> npt.NDArray[np.uint8]:
    if payload.shape[1] == width:
        return payload
    return np.pad(payload, ((0, 0), (0, width - payload.shape[1])))
