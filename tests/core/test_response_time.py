"""Response times: the published example, the published bounds, and a simulated bus as the obvious oracle."""

from __future__ import annotations

from fractions import Fraction as F

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swapbridge.core.can_bits import fd_frame, worst_case_bits
from swapbridge.core.response_time import Stream, frame_time_ns, response_times, utilization


def test_the_three_message_example() -> None:
    """Davis, Burns, Bril, Lukkien, Real-Time Systems 35, 2007 (from memory; recomputed by hand): 2, 3 and 3.5 ms."""
    streams = [Stream(1, 1000, 2500), Stream(2, 1000, 3500), Stream(3, 1000, 3500)]
    assert response_times(streams, bit_time=1) == [2000, 3000, 3500]


def test_the_frame_bounds() -> None:
    """The same paper: 135 and 160 bits for 8 data bytes."""
    assert (worst_case_bits(8, False), worst_case_bits(8, True)) == (135, 160)
    assert frame_time_ns(8, False, 500_000) == 270_000
    assert frame_time_ns(8, True, 250_000) == 640_000


@given(st.binary(max_size=64), st.integers(0, 0x7FF), st.booleans())
def test_the_fd_bound_covers_real_frames(data: bytes, identifier: int, extended: bool) -> None:
    length = next(n for n in (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64) if n >= len(data))
    frame = fd_frame(identifier, extended, data.ljust(length, b"\0"))
    real = frame.slow_bits * 2000 + frame.fast_bits * 500
    assert real <= frame_time_ns(length, extended, 500_000, True, 2_000_000)


@pytest.mark.parametrize(
    ("length", "extended", "slow_bits", "fast_bits"),
    [(0, False, 38, 35), (8, False, 38, 115), (8, True, 62, 115), (64, False, 38, 680)],
)
def test_the_fd_bound_counted_by_hand(length: int, extended: bool, slow_bits: int, fast_bits: int) -> None:
    """Header 18 or 37 bits with a stuff bit after every 4, 1, 12 and 3 more at the first rate; ESI, DLC and data with
    theirs, 1, 4, and 17 or 21 check bits with the fixed stuff bits at the second."""
    at_once = frame_time_ns(length, extended, 1_000_000, True, 1_000_000)
    assert at_once == 1000 * (slow_bits + fast_bits)
    assert frame_time_ns(length, extended, 500_000, True, 2_000_000) == 2000 * slow_bits + 500 * fast_bits


def test_an_overloaded_bus_has_no_bound() -> None:
    streams = [Stream(1, 6, 10), Stream(2, 6, 10)]
    assert utilization(streams) == (6, 5)
    assert response_times(streams) == [12, None]


def simulate(streams: list[tuple[int, int, int]], offsets: list[int], until: int) -> list[int]:
    """Worst response seen on a bus without preemption: (priority, cost, period), each queued at its offset and on."""
    worst = [0] * len(streams)
    queued: list[tuple[int, int, int]] = []
    releases = sorted((t, p, i) for i, (p, _, period) in enumerate(streams) for t in range(offsets[i], until, period))
    now = 0
    while releases or queued:
        while releases and releases[0][0] <= now:
            t, p, i = releases.pop(0)
            queued.append((p, t, i))
        if not queued:
            now = releases[0][0]
            continue
        queued.sort()
        _, t, i = queued.pop(0)
        now += streams[i][1]
        worst[i] = max(worst[i], now - t)
    return worst


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.integers(1, 6), st.integers(8, 40)), min_size=2, max_size=4),
    st.lists(st.integers(0, 39), min_size=4, max_size=4),
)
def test_no_simulated_bus_ever_waits_longer(shapes: list[tuple[int, int]], offsets: list[int]) -> None:
    streams = [(n, cost, period) for n, (cost, period) in enumerate(shapes)]
    if sum(F(c, p) for _, c, p in streams) >= 1:
        return
    bounds = response_times([Stream(n, c, p) for n, c, p in streams])
    for seen, bound in zip(simulate(streams, offsets, 600), bounds, strict=True):
        assert bound is not None
        assert seen <= bound


def test_equal_priorities_delay_each_other() -> None:
    """Two frames of one identifier: whichever is asked about, the other may have gone first."""
    streams = [Stream(5, 2, 100), Stream(5, 3, 100), Stream(9, 4, 100)]
    # each waits for the third one's frame that has begun (4) and for its twin
    assert response_times(streams, 1) == [4 + 3 + 2, 4 + 2 + 3, 2 + 3 + 4]


def test_a_twin_is_counted_once() -> None:
    """A frame of the same priority goes first or not at all: it is not also the lower one that has just begun."""
    assert response_times([Stream(5, 2, 100), Stream(5, 30, 100), Stream(9, 4, 100)], 1)[0] == 4 + 30 + 2
