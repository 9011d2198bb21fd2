"""Recorded beside made at the same moments: the lag is found and told, and what is too little is never hidden by it."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from swapbridge.core.layout import Layout
from swapbridge.proving.beside import compare_in_time
from swapbridge.proving.case import Track
from swapbridge.proving.judges.behaviour.own_words import Reproduced
from swapbridge.signalmap.signal_map import MapSignal

SIGNAL = MapSignal("Torque", Layout(0, 16), unit="Nm")


def again(said: Any, made: Any) -> Reproduced:
    times = np.arange(0.0, 40.0, 0.01)
    old, new = (
        Track(times, np.round(f(times)).astype(np.int64), np.ones(len(times), dtype=np.bool_), SIGNAL)
        for f in (said, made)
    )
    return Reproduced(SimpleNamespace(signal=SIGNAL), old, new, True, True)  # type: ignore[arg-type]


def drive(t: Any) -> Any:
    """A drive that is nowhere like itself a little later."""
    return 200 + 120 * np.sin(t) + 60 * np.sin(2.7 * t + 1) + t


@given(st.integers(0, 19))
def test_a_lag_is_found_and_taken_away(steps: int) -> None:
    lag_s = 0.05 * steps
    found = compare_in_time(again(drive, lambda t: drive(t - lag_s)))
    assert found is not None
    assert abs(found.lag_s - lag_s) < 0.051
    assert found.share > 0.99


@given(st.floats(0.02, 0.5))
def test_too_little_is_told_whatever_the_lag(share: float) -> None:
    found = compare_in_time(again(drive, lambda t: (1 - share) * drive(t - 0.2)))
    assert found is not None
    most = share * float(drive(np.arange(1.0, 39.0, 0.01)).max())
    assert 0.8 * most - 2 <= found.too_little <= most + 2


def test_the_same_is_the_same_at_once() -> None:
    found = compare_in_time(again(drive, drive))
    assert found is not None
    assert (found.lag_s, found.share, found.farthest, found.too_little) == (0.0, 1.0, 0.0, 0.0)


def test_hardly_any_moments_say_nothing() -> None:
    one = again(drive, drive)
    none = Track(one.old.time_s, one.old.raw, np.zeros(len(one.old.raw), dtype=np.bool_), SIGNAL)
    assert compare_in_time(Reproduced(one.made, none, one.new, True, True)) is None
