"""A rule worked out over a recording: the language's operations on stand-ins, and what can't be told is not drawn."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from swapbridge.core.layout import Layout
from swapbridge.drafting.drafted import Explained
from swapbridge.drafting.drawn import MOST_POINTS, drawn, rows_kept
from swapbridge.drafting.explain.numbers import Measured, held_out
from swapbridge.drafting.recorded_vehicle import VehicleSeries

TIMES = np.arange(0.0, 100.0, 0.05)
RPM = 2000 + 1500 * np.sin(TIMES / 3)
LAMP = (np.floor(TIMES / 7) % 2).astype(float)
GEAR = np.floor(TIMES / 10) % 4


def kit() -> Any:
    origin = SimpleNamespace(text="donor.A.rpm")
    speed = SimpleNamespace(origin=origin, series=VehicleSeries(TIMES, RPM), unit="rpm")
    warm = SimpleNamespace(
        origin=SimpleNamespace(text="donor.A.warm"), series=VehicleSeries(TIMES, RPM / 50), unit="degC"
    )
    gear = SimpleNamespace(text="host.G.gear", series=VehicleSeries(TIMES, GEAR), unit="")
    atoms = [
        SimpleNamespace(text="donor.A.lamp == 1", series=VehicleSeries(TIMES, LAMP)),
        SimpleNamespace(text="(donor.A.oil == 1 or donor.A.charge == 1)", series=VehicleSeries(TIMES, 1 - LAMP)),
    ]
    swap = SimpleNamespace(quantities={"engine_speed": speed, "warm": warm}, words={})
    return SimpleNamespace(swap=swap, local=[gear], linked=[], atoms=atoms)


def made(value: str, unit: str = "", scale: float = 1.0, offset: float = 0.0, how: Any = "table") -> Any:
    message: Any = SimpleNamespace(time_s=TIMES, period_s=0.05, raw=lambda layout: np.round(RPM / 4).astype(np.int64))
    one = Explained(Layout(0, 16), "x", how, 0.9, value, "0", unit=unit, scale=scale, offset=offset, fitted=True)
    return drawn(kit(), message, one)


@pytest.mark.parametrize(
    ("value", "truth"),
    [
        ("clamp(0.25 * (donor.A.rpm / 1 rpm), 0, 65535)", RPM / 4),
        ("clamp(1000 - max((donor.A.rpm / 1 rpm) - 1500, 0) * 0.1, 0, 65535)", 1000 - np.maximum(RPM - 1500, 0) * 0.1),
        ("choose(donor.A.lamp == 1, 7, 3)", np.where(LAMP > 0.5, 7, 3)),
        ("choose((donor.A.oil == 1 or donor.A.charge == 1) and not (donor.A.lamp == 1), 7, 3)", np.where(LAMP, 3, 7)),
        ("lookup(host.G.gear, 0: 5, 2: 9, else 1)", np.select([GEAR == 0, GEAR == 2], [5, 9], 1)),
        ("choose(donor.A.rpm >= 2000 rpm, 1, 0)", (RPM >= 2000).astype(float)),
    ],
)
def test_a_rule_is_worked_out_as_it_is_written(value: str, truth: Any) -> None:
    picture = made(value)
    assert picture is not None
    rows = np.searchsorted(TIMES, np.array(picture.time_s) - 1e-3)
    assert np.abs(np.array(picture.made) - np.round(truth[rows])).max() <= 1


def test_units_meet_in_the_fields_own() -> None:
    """The quantity in degC, the field in degF at 0.5 degF a step: 40 degC are 104 degF are 208 steps."""
    picture = made("clamp(donor.A.warm, -40 degC, 200 degC)", unit="degF", scale=0.5)
    rows = np.searchsorted(TIMES, np.array(picture.time_s) - 1e-3)
    assert np.abs(np.array(picture.made) - (RPM[rows] / 50 * 1.8 + 32) * 2).max() <= 1


def test_what_a_recording_does_not_tell_is_not_drawn() -> None:
    for value in ("donor.A.unknown", "accumulate(2 * (donor.A.rpm / 1 rpm), wrap=256)", "choose(state == 'run', 1, 0)"):
        assert made(value) is None
    open_one = made("7", how="open")
    assert open_one.made is None
    assert len(open_one.recorded) > 10


def test_the_stretch_was_left_out_of_the_fit() -> None:
    picture = made("clamp(0.25 * (donor.A.rpm / 1 rpm), 0, 65535)")
    assert picture.held_out
    held, _ = held_out(TIMES)
    rows = np.searchsorted(TIMES, np.array(picture.time_s) - 1e-3)
    assert held[rows].all()
    measured = Measured(TIMES, RPM)
    assert (measured.held == held[:: max(1, -(-len(TIMES) // 2500))]).all()


def test_no_spike_is_lost() -> None:
    recorded, told = np.zeros(50_000), np.zeros(50_000)
    recorded[12_345], told[40_001] = 5, -5
    rows = rows_kept(recorded, told)
    assert {12_345, 40_001} <= set(rows.tolist())
    assert len(rows) <= 2 * MOST_POINTS
