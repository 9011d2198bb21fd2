"""Prove room: a bit rate at which the recorded frames can't have come so closely is refused."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from swapbridge.proving.judges.recordings.bit_rate import rate_check
from swapbridge.surveying.frame_bits import bus_time_ns
from tests.proving.conftest import make_capture


def _recorded(rate: int, *, every: int = 4, batch_ns: int = 0, step_ns: int = 1_000) -> Any:
    """Frames of a bus with that rate, some of which waited for the one before; stamped by steps, or batch by batch."""
    rng = np.random.default_rng(1)
    rows = [(0, int(word), rng.bytes(8)) for word in rng.integers(1, 0x7FF, 2_000)]
    takes = bus_time_ns(make_capture(rows), rate)
    waits = np.where(np.arange(len(rows)) % every, 0, rng.integers(1_000_000, 3_000_000, len(rows)))
    times = 1_000_000_000 + np.cumsum(takes + waits)
    if batch_ns:
        times = times // batch_ns * batch_ns + np.arange(len(rows)) % 30 * 20_000
    return make_capture([(int(t) // step_ns * step_ns, w, d) for t, (_, w, d) in zip(times, rows, strict=True)])


def _status(capture: Any, rate: int) -> str:
    (check,) = rate_check("host", capture, rate, rate)
    return check.status


@pytest.mark.parametrize(("stated", "status"), [(125_000, "fail"), (250_000, "fail"), (500_000, "pass")])
@pytest.mark.parametrize("step_ns", [1_000, 10_000, 100_000])
def test_frames_never_come_sooner_than_they_take(stated: int, status: str, step_ns: int) -> None:
    capture = _recorded(500_000, step_ns=step_ns)
    assert _status(capture, stated) == status


@pytest.mark.parametrize("true", [125_000, 250_000, 500_000])
@pytest.mark.parametrize("times", [2, 4])
def test_frames_that_waited_for_each_other_come_no_later_than_they_can(true: int, times: int) -> None:
    (check,) = rate_check("host", _recorded(true), true * times, true * times)
    assert check.status == "unproved"
    assert f"{true:,} fits" in check.remedy


def test_senders_that_wait_by_themselves_are_no_slower_bus() -> None:
    """Half of the frames come in pairs, as far apart as frames at half the rate; those of others in between."""
    capture = _recorded(500_000)
    slow = bus_time_ns(capture, 250_000)
    rng = np.random.default_rng(2)
    gaps = np.where(
        rng.random(len(capture)) < 0.5, slow, bus_time_ns(capture, 500_000) + rng.integers(0, 2_000_000, len(capture))
    )
    assert _status(replace(capture, time_ns=1_000_000_000 + np.cumsum(gaps)), 500_000) == "pass"


def test_a_senders_own_tick_is_no_slower_bus() -> None:
    """A frame in every millisecond seems to have waited at 125,000, where a frame takes about as long."""
    capture = _recorded(500_000)
    ticks = 1_000_000 * np.arange(len(capture), dtype=np.int64)
    assert _status(replace(capture, time_ns=1_000_000_000 + ticks), 500_000) == "pass"
    assert abs(np.median(bus_time_ns(capture, 125_000)) / 1_000_000 - 1) < 0.1


def test_the_rate_that_fits_is_named() -> None:
    (check,) = rate_check("host", _recorded(500_000), 125_000, 125_000)
    assert "500,000 fits" in check.remedy


def test_a_recorder_that_stamps_whole_batches_says_nothing_of_the_rate() -> None:
    """Its frames seem to come sooner than any rate allows."""
    assert _status(_recorded(500_000, batch_ns=10_000_000), 500_000) == "pass"


def test_frames_that_never_met_say_nothing_of_the_rate() -> None:
    assert _status(_recorded(500_000, every=1), 250_000) == "pass"


def test_a_few_frames_are_not_judged() -> None:
    capture = _recorded(500_000)
    assert list(rate_check("host", capture.select(np.arange(499)), 250_000, 250_000)) == []
