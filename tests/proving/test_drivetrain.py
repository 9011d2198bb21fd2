"""Prove room: a gearbox's turbine beside its engine, its gears beside the road; sides of the vehicle."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from swapbridge.core.layout import Layout
from swapbridge.core.roles import find_role
from swapbridge.proving.case import Track
from swapbridge.proving.judges.maps.drivetrain import judge_drivetrain
from swapbridge.proving.judges.maps.roles_match import judge_roles
from swapbridge.signalmap.signal_map import MapMessage, MapSignal, SignalMap

TIMES = np.arange(0, 120, 0.05)
GEAR = 1 + (TIMES % 40 > 12).astype(int) + (TIMES % 40 > 25)
PEDAL = np.where(TIMES % 12 < 8, 40.0, 0.0)
ROAD = 25.0 * GEAR
TURBINE = ROAD * np.array([0, 90, 45, 28])[GEAR]
ENGINE = TURBINE * np.where(PEDAL > 0, 1.08, 0.99)
NAMES = {0: "N", 1: "1", 2: "2", 3: "3"}


def _judged(**said: tuple[str, str, Any, dict[int, str]]) -> dict[str, str]:
    """What is said of a bus that tells these, each by role, unit, raw values and names of codes."""
    tracks: dict[str, Track] = {}
    roles: dict[str, list[Any]] = {}
    for name, (role, unit, raw, choices) in said.items():
        signal = MapSignal(name, Layout(0, 16), unit=unit, choices=choices, role=find_role(role).name)
        tracks[name] = Track(
            TIMES, np.round(np.asarray(raw, float)).astype(np.int64), np.ones(len(TIMES), bool), signal
        )
        roles.setdefault(role, []).append((SimpleNamespace(name="M"), signal))
    case: Any = SimpleNamespace(
        names=["host"], stimuli={}, by_role=lambda bus, role: roles.get(role, []),
        recorded_track=lambda bus, message, signal: tracks[signal.name],
        role_track=lambda bus, role: tracks[roles[role][0][1].name] if role in roles else None,
        bridge=SimpleNamespace(sources=(), units={}), made=(),
    )  # fmt: skip
    return {c.name: c.status for c in judge_drivetrain(case)}


def _drive(turbine: Any = TURBINE, gear: Any = GEAR, choices: dict[int, str] | None = None) -> dict[str, str]:
    return _judged(
        rpm=("engine_speed", "rpm", ENGINE, {}),
        turbine=("turbine_speed", "rpm", turbine, {}),
        pedal=("pedal_position", "%", PEDAL, {}),
        speed=("vehicle_speed", "km/h", ROAD, {}),
        gear=("current_gear", "", gear, NAMES if choices is None else choices),
    )


@pytest.mark.parametrize(("times", "status"), [(1.0, "pass"), (1.12, "unproved"), (0.9, "unproved"), (0.5, "unproved")])
def test_a_converter_slips_the_way_that_torque_goes(times: float, status: str) -> None:
    """Nothing else measures a turbine; a lower scale shows where the wheels drive the engine."""
    assert _drive(turbine=times * TURBINE)["turns with the engine"] == status


def test_a_turbine_that_freewheels_with_the_pedal_released_is_right() -> None:
    assert _drive(turbine=np.where(PEDAL > 0, 1.0, 1.4) * TURBINE)["turns with the engine"] == "pass"


@pytest.mark.parametrize(
    ("names", "status"),
    [
        (NAMES, "pass"),
        ({0: "N", 1: "1", 3: "2", 2: "3"}, "unproved"),
        ({1: "N", 0: "1", 2: "2", 3: "3"}, "unproved"),
        ({0: "N", 1: "first", 2: "second", 3: "third"}, None),
        ({}, "pass"),
    ],
)
def test_the_higher_a_gear_the_slower_its_shaft(names: dict[int, str], status: str | None) -> None:
    """Codes whose names hold no number say nothing of their order."""
    assert _drive(choices=names).get("gears in order") == status


def _from_side(target: str, source: str) -> str:
    role = find_role("wheel_speed")
    wheel = MapSignal(source, Layout(0, 12), unit="km/h", role=role.name)
    made = SimpleNamespace(
        role=role, bus=1, label=f"donor.WHEELS.{target}", signal=MapSignal(target, Layout(0, 12), unit="km/h"),
        sources=frozenset({("host", "M", source)}), is_open=False,
    )  # fmt: skip
    maps = {"host": SignalMap((MapMessage("M", 0x100, False, 8, (wheel,)),)), "donor": SignalMap(())}
    case: Any = SimpleNamespace(names=["host", "donor"], made=[made], maps=maps)
    return next(c.status for c in judge_roles(case))


@pytest.mark.parametrize(
    ("target", "source", "status"),
    [
        ("fl", "fl", "pass"),
        ("fl", "fr", "unproved"),
        ("WheelFrontLeft", "WheelRearLeft", "unproved"),
        ("speed_rl", "WheelRearLeft", "pass"),
        ("fl", "Wheel1", "pass"),
    ],
)
def test_a_wheel_is_made_from_the_one_on_its_side(target: str, source: str, status: str) -> None:
    assert _from_side(target, source) == status
