"""Proving room: the bit rate that the bridge file states, against how closely recorded frames follow each other.

No frame can end sooner after another than it takes on the bus. At half the true rate much of any recording would be
impossible, and at the true rate nothing is. Frames that waited for each other follow as closely as they can: where many
do at a slower rate, and hardly any comes sooner, the bus is slower than stated.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

import numpy as np

from swapbridge.capture.capture import Capture
from swapbridge.proving.case import Case
from swapbridge.proving.verdict import Check, check_of
from swapbridge.surveying.frame_bits import bus_time_ns

FASTEST = 1_000_000
"""Bits a second outside CAN FD's data part (ISO 11898-1)."""
ROOM = 0.8
"""A recorder's moments are so exact at best: what is shorter than this part of a frame is too short."""
IMPOSSIBLE, CLEANER = 0.02, 20
"""Share of the frames that come too soon; and how many times fewer must at a faster rate, or the recorder's own clock
explains them: one that fetches frames in batches shows times between them that no rate explains."""
TOUCHING = 0.1
"""Part of a frame's time by which frames that waited for each other may seem apart."""
FOLLOWS = 0.5
"""Times between frames that waited vary with what those frames take, a sender's own tick of a millisecond does not: so
much of the spread may be left when the frames' times are taken off."""
FEWEST = 500
NEAR_NS = 5_000_000


def judge_bit_rate(case: Case) -> list[Check]:
    """One check for each recorded bus."""
    out: list[Check] = []
    for number, bus in enumerate(case.plan.buses):
        capture = case.bench.captures[number]
        if capture is not None:
            rates = bus.bit_rate, bus.data_rate or bus.bit_rate
            work = partial(_checks, bus.name, capture, rates)
            out += case.once(("rate", number, *rates), work)
    return out


def _checks(name: str, capture: Capture, rates: tuple[int, int]) -> list[Check]:
    return list(rate_check(name, capture.select(capture.is_data), *rates))


def rate_check(name: str, capture: Capture, rate: int, data_rate: int) -> Iterator[Check]:
    """Whether data frames in order of time can have come as closely at that rate."""
    if len(capture) < FEWEST:
        return
    stated = _too_soon(capture, rate, data_rate)
    faster = [times for times in (2, 4, 8) if rate * times <= FASTEST] if stated >= IMPOSSIBLE else []
    fits = next((t for t in faster if CLEANER * _too_soon(capture, t * rate, t * data_rate) <= stated), 1)
    slower = _slower(capture, rate, data_rate) if stated < IMPOSSIBLE else 1
    fitting = rate * fits // slower
    yield check_of(
        "evidence",
        f"bus {name}",
        "bit rate",
        fitting == rate,
        f"{100 * stated:.1f} % of the frames follow the one before sooner than {rate:,} bit/s allows"
        if slower == 1
        else f"frames that waited for each other follow as at {fitting:,} bit/s, and hardly any sooner",
        "no frame sooner than it takes on the bus, and those that waited no later",
        f"correct bit_rate of bus {name} in the bridge file: {fitting:,} fits its recording",
        otherwise="fail" if slower == 1 else "unproved",
    )


def _slower(capture: Capture, rate: int, data_rate: int) -> int:
    """How many times slower than stated the bus is; 1 where that does not show."""
    gaps = np.diff(capture.time_ns)
    for times in (2, 4, 8):
        takes = bus_time_ns(capture, rate // times, data_rate // times)
        sooner = _too_soon(capture, rate // times, data_rate // times)
        for one in (takes[1:], takes[:-1]):
            near = np.abs(gaps / np.maximum(one, 1) - 1) <= TOUCHING
            touching = float(near.mean())
            if touching < IMPOSSIBLE or CLEANER * sooner > touching:
                continue
            if (gaps - one)[near].std() < FOLLOWS * gaps[near].std():
                return times
    return 1


def _too_soon(capture: Capture, rate: int, data_rate: int) -> float:
    """Share of the frames that follow the one before in less time than the shorter of both takes.

    A recorder stamps the beginning or the end of a frame, and in steps of its own, which are allowed for.
    """
    takes = bus_time_ns(capture, rate, data_rate)
    gaps = np.diff(capture.time_ns)
    known = np.unique(gaps[(gaps > 0) & (gaps < NEAR_NS)])
    step = float(np.median(np.diff(known))) if len(known) > 1 else 0.0
    return float((gaps + step < ROOM * np.minimum(takes[1:], takes[:-1])).mean())
