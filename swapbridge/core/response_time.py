"""Core room: worst-case response times of frames on one CAN bus, exactly in integers.

The revised analysis of Davis, Burns, Bril and Lukkien, "Controller Area Network (CAN) schedulability analysis:
refuted, revisited and revised", Real-Time Systems 35, 2007 (equations from memory; the tests recompute its worked
example, 2, 3 and 3.5 ms, and its frame bounds of 135 and 160 bits).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from swapbridge.core.can_bits import worst_case_bits
from swapbridge.core.errors import InputError

MOST_INSTANCES = 10_000


@dataclass(frozen=True, slots=True)
class Stream:
    """A frame that is sent again and again; all times in one integer unit.

    Parameters
    ----------
    priority : int
        Smaller wins the bus (`swapbridge.core.can_bits.arbitration_key`).
    cost : int
        Time that one frame takes of the bus, at most.
    period : int
        Shortest time between two of them.
    jitter : int
        How much later than its period one may be queued.
    """

    priority: int
    cost: int
    period: int
    jitter: int = 0

    def __post_init__(self) -> None:
        if self.cost <= 0 or self.period <= 0 or self.jitter < 0:
            raise InputError("a stream needs a cost and a period above 0, and no negative jitter")


def utilization(streams: Sequence[Stream]) -> tuple[int, int]:
    """Share of the bus as (numerator, denominator), exactly."""
    from fractions import Fraction

    total = sum((Fraction(s.cost, s.period) for s in streams), Fraction(0))
    return total.numerator, total.denominator


def response_times(streams: Sequence[Stream], bit_time: int = 1) -> list[int | None]:
    """Worst-case response time of each stream, from queueing to the end of the frame.

    Parameters
    ----------
    streams : sequence of Stream
        Every frame on the bus; equal priorities delay each other.
    bit_time : int
        One bit's time: how late a higher priority frame may be queued and still win; at least 1.

    Returns
    -------
    list of int or None
        In the order given; None where no bound exists (the bus is overloaded at that priority).
    """
    return [_response(streams, number, bit_time) for number in range(len(streams))]


def _response(streams: Sequence[Stream], number: int, bit_time: int) -> int | None:
    own = streams[number]
    higher = [s for i, s in enumerate(streams) if i != number and s.priority <= own.priority]
    lower = [s for i, s in enumerate(streams) if i != number and s.priority > own.priority]
    blocking = max((s.cost for s in lower), default=0)
    top, bottom = utilization([*higher, own])
    if top >= bottom:
        return None
    busy = _busy_period([*higher, own], blocking)
    instances = -(-(busy + own.jitter) // own.period)
    if instances > MOST_INSTANCES:
        return None
    return max(_instance(own, higher, blocking, q, bit_time) for q in range(instances))


def _busy_period(streams: Sequence[Stream], blocking: int) -> int:
    busy = streams[-1].cost
    while True:
        longer = blocking + sum(-(-(busy + s.jitter) // s.period) * s.cost for s in streams)
        if longer == busy:
            return busy
        busy = longer


def _instance(own: Stream, higher: Sequence[Stream], blocking: int, q: int, bit_time: int) -> int:
    """Response time of instance q of the busy period."""
    wait = blocking + q * own.cost
    while True:
        longer = blocking + q * own.cost
        longer += sum(-(-(wait + s.jitter + bit_time) // s.period) * s.cost for s in higher)
        if longer == wait:
            return own.jitter + wait - q * own.period + own.cost
        wait = longer


def frame_time_ns(data_bytes: int, extended: bool, bit_rate: int, fd: bool = False, data_rate: int = 0) -> int:
    """Longest time a frame takes of the bus with intermission, rounded up to a nanosecond.

    Classic frames by the 2007 bound. FD frames by a bound of our own that is not tight: header and arbitration
    stuffed as if every fifth bit were, data and check bits likewise at the second rate.
    """
    if not fd:
        return -(-worst_case_bits(data_bytes, extended) * 1_000_000_000 // bit_rate)
    head = 37 if extended else 18  # to the bit-rate-switch bit
    slow = head + head // 4 + 1 + 12 + 3
    plain = 5 + 8 * data_bytes
    crc = 21 if data_bytes > 16 else 17
    fast = plain + plain // 4 + 1 + 4 + crc + (4 + crc + 3) // 4 + 1
    return -(-slow * 1_000_000_000 // bit_rate) - (-fast * 1_000_000_000 // (data_rate or bit_rate))
