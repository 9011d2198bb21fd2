"""One clock for all buses: adapter stamps land where the frame was on the bus, whatever the adapter's clock does."""

from __future__ import annotations

import random
from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st

from swapbridge.bus.adapters.clock import AdapterClock, start_clock

MS = 1_000_000


def test_without_stamps_the_arrival_counts() -> None:
    clock = AdapterClock()
    assert [clock.stamp(0, at) for at in (5, 9, 9, 12)] == [5, 9, 9, 12]
    assert clock.steps == 0


def test_stamps_remove_the_jitter_of_arrival() -> None:
    """Frames every 10 ms arrive 0.2 to 8 ms late; on the one clock they are 10 ms apart again."""
    rng, clock = random.Random(1), AdapterClock()
    times = []
    for k in range(2000):
        true = k * 10 * MS
        times.append(clock.stamp(true + 10**15, true + round(rng.uniform(0.2, 8.0) * MS)))
    gaps = [b - a for a, b in pairwise(times[200:])]
    assert max(abs(gap - 10 * MS) for gap in gaps) < 0.5 * MS
    assert abs(times[-1] - 1999 * 10 * MS) < 0.5 * MS


def test_drift_is_followed() -> None:
    """A crystal 100 ppm fast is 60 ms ahead after ten minutes; the one clock is never off by more than 1 ms."""
    clock = AdapterClock()
    worst = 0
    for k in range(60_000):
        true = k * 10 * MS
        worst = max(worst, abs(clock.stamp(round(true * 1.0001) + 1, true) - true))
    assert worst < 1 * MS
    assert clock.steps == 0


def test_a_clock_that_is_set_anew_is_counted_and_borne() -> None:
    clock = AdapterClock()
    for k in range(100):
        clock.stamp(10**15 + k * MS, k * MS)
    jumped = [clock.stamp(10**15 - 3600 * 1000 * MS + k * MS, k * MS) for k in range(100, 200)]
    assert clock.steps == 1
    assert jumped == [k * MS for k in range(100, 200)]


@settings(max_examples=50)
@given(st.lists(st.tuples(st.integers(0, 2**62), st.integers(0, 10**9)), max_size=50))
def test_time_never_goes_back(rows: list[tuple[int, int]]) -> None:
    clock, arrival, last = AdapterClock(), 0, -1
    for adapter, wait in rows:
        arrival += wait
        at = clock.stamp(adapter, arrival)
        assert at >= last
        last = at


def test_the_one_clock_runs() -> None:
    clock = start_clock()
    first = clock.now()
    assert first <= clock.now()
    assert clock.at(0) == clock.offset_ns
