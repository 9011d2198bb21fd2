"""Prove room: warnings are tried with the fault that they warn of; however a rule is disguised, it must warn."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from swapbridge.capture.capture import Capture
from swapbridge.proving.judges.runs.warnings import judge_warnings
from swapbridge.proving.prove import take_up
from tests.proving import small_swap
from tests.proving.mistakes import World, compiled

LAMP = 'Lamp = "donor.SLOW.Lamp"'
NEEDLE = '"clamp(donor.SLOW.Coolant, -40 degF, 400 degF)"'


@cache
def _captures() -> dict[str, Capture]:
    return small_swap.captures(12.0)


def _tried(bridge_text: str) -> dict[str, str]:
    """What became of each warning of the small swap with another bridge file."""
    world = World(bridge_text, small_swap.maps(), _captures(), {}, "", {})
    with TemporaryDirectory() as folder:
        bridge, plan, needs = compiled(world, Path(folder))
    return {c.subject: c.status for c in judge_warnings(take_up(plan, world.captures, bridge, world.maps, needs=needs))}


def test_sound_warnings_warn() -> None:
    assert _tried(small_swap.BRIDGE) == {"host.TEMPS.Coolant": "pass", "host.TEMPS.Lamp": "pass"}


@pytest.mark.parametrize(
    ("value", "status"),
    [
        ("debounce(donor.SLOW.Lamp, 3 s)", "pass"),
        ("delay(donor.SLOW.Lamp, 2 s)", "pass"),
        ("donor.SLOW.Lamp and donor.FAST.Speed > 400 rpm", "pass"),
        ("donor.SLOW.Lamp and donor.FAST.Speed < 400 rpm", "fail"),
        ("donor.SLOW.Lamp and state != 'run'", "fail"),
        ("choose(donor.SLOW.Lamp, donor.FAST.Speed < 400 rpm, false)", "fail"),
        ("0 * choose(donor.SLOW.Lamp, 2, 1) > 1", "fail"),
        ("accumulate(choose(donor.SLOW.Lamp, 0, 1), most = 9999) > 999", "fail"),
        ("table(choose(donor.SLOW.Lamp, 2, 1), 1: 0, 2: 0) > 0.5", "fail"),
        ("hold(rising(donor.SLOW.Lamp), 3 s)", "fail"),
        ("hidden", "fail"),
    ],
)
def test_a_lamp_is_lit_by_its_fault_however_it_is_made(value: str, status: str) -> None:
    text = small_swap.BRIDGE.replace(
        "[states]", "[values]\nhidden = \"donor.SLOW.Lamp and state != 'run'\"\n\n[states]"
    )
    assert LAMP in text
    assert _tried(text.replace(LAMP, f'Lamp = {{ value = "{value}", fallback = "1" }}'))["host.TEMPS.Lamp"] == status


@pytest.mark.parametrize(("top", "status"), [("400 degF", "pass"), ("232 degF", "pass"), ("226 degF", "fail")])
def test_a_needle_shows_an_engine_that_boils(top: str, status: str) -> None:
    """110 degC are 230 degF."""
    assert NEEDLE in small_swap.BRIDGE
    found = _tried(small_swap.BRIDGE.replace(NEEDLE, NEEDLE.replace("400 degF", top)))
    assert found["host.TEMPS.Coolant"] == status
