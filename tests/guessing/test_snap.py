"""Scale and offset snapped to engineers' values, only inside the fit's own error bar."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swapbridge.guessing.meaning.simple_numbers import Snapped, common_scale, simplest_numbers

# Scales and offsets of SAE J1979 and SAE J1939-71 (from memory) and common practice (no source).
PUBLISHED = [
    (0.25, 0.0, "rpm", 6000.0),
    (0.125, 0.0, "rpm", 12000.0),
    (1.0, -40.0, "degC", 120.0),
    (0.75, -48.0, "degC", 160.0),
    (100 / 255, 0.0, "%", 60.0),
    (0.4, 0.0, "%", 60.0),
    (1 / 256, 0.0, "km/h", 15000.0),
    (0.01, 0.0, "km/h", 4000.0),
    (0.05625, 0.0, "km/h", 900.0),
    (1.0, -125.0, "%", 160.0),
    (0.03125, -273.0, "degC", 11000.0),
    (0.001, 0.0, "V", 13000.0),
]


def fitted(scale: float, offset: float, middle: float, error: float, rng: np.random.Generator) -> Snapped:
    """Snap what a fit with these errors would have given."""
    return snap_with(scale, offset, middle, error, rng, "")


def snap_with(scale: float, offset: float, middle: float, error: float, rng: np.random.Generator, unit: str) -> Snapped:
    value = scale * middle + offset
    middle_error = error * abs(scale) * middle * 0.2 + 1e-6
    got_scale = scale * (1 + error * rng.normal())
    got_middle = value + middle_error * rng.normal()
    return simplest_numbers(got_scale, got_middle - got_scale * middle, error * scale, middle, middle_error, unit=unit)


@pytest.mark.parametrize(("scale", "offset", "unit", "middle"), PUBLISHED)
def test_published_values_are_met(scale: float, offset: float, unit: str, middle: float) -> None:
    """Fits with errors of 0.03 to 0.1 % come back exactly, nearly always."""
    right = 0
    for seed in range(20):
        rng = np.random.default_rng(seed)
        got = snap_with(scale, offset, middle, float(rng.uniform(3e-4, 1e-3)), rng, unit)
        right += got.scale == pytest.approx(scale, rel=1e-12) and got.offset == pytest.approx(offset, abs=1e-9)
    assert right >= 17


@settings(max_examples=150)
@given(
    scale=st.floats(1e-4, 50),
    offset=st.floats(-200, 200),
    middle=st.floats(10, 30000),
    error=st.floats(1e-5, 1e-2),
    negative=st.booleans(),
)
def test_a_snap_never_leaves_the_error_bar(
    scale: float, offset: float, middle: float, error: float, negative: bool
) -> None:
    """Whatever comes in, scale and middle value stay within 4.5 errors (and the stated systematic ones)."""
    scale = -scale if negative else scale
    middle_error = abs(scale) * error * 10
    got = simplest_numbers(scale, offset, abs(scale) * error, middle, middle_error)
    allowed = 4.5 * np.hypot(abs(scale) * error, 3e-4 * abs(scale))
    assert abs(got.scale - scale) <= allowed * 1.001 + 1e-12
    value = scale * middle + offset
    blur = np.sqrt(middle_error**2 + (0.02 * scale) ** 2)
    assert abs(got.scale * middle + got.offset - value) <= 4.5 * blur * 1.001 + 1e-9 + abs(value) * 1e-12 + 0.06 * abs(
        scale
    )
    assert np.sign(got.scale) == np.sign(scale)


def test_speeds_are_allowed_one_percent_of_tyre_error() -> None:
    """A wheel's 0.5 % is forgiven for speeds, with words, and for nothing else."""
    speed = simplest_numbers(0.01005, 0.0, 2e-6, 4000, 0.01, unit="km/h")
    assert (speed.scale, speed.offset) == (0.01, 0.0)
    assert "tyre" in speed.words
    other = simplest_numbers(0.01005, 0.0, 2e-6, 4000, 0.01, unit="Nm")
    assert other.scale != 0.01
    assert simplest_numbers(0.0103, 0.0, 2e-6, 4000, 0.01, unit="km/h").scale != 0.01


def test_a_tool_that_rounds_down_is_forgiven_its_half_step() -> None:
    """A fit that reads half a step low everywhere still has offset 0."""
    got = simplest_numbers(0.5, -0.5, 1e-4, 160, 0.01, unit="degC", quantum=1.0)
    assert (got.scale, got.offset) == (0.5, 0.0)


def test_conversions_are_exact() -> None:
    """Fahrenheit to Celsius is 5/9 and -32 (by definition); a mile is 1.609344 km (by definition)."""
    heat = simplest_numbers(5 / 9 * 1.0001, -17.78, 2e-4, 150, 0.03, unit="degC")
    assert heat.scale == pytest.approx(5 / 9)
    assert heat.offset == pytest.approx(-160 / 9)
    assert simplest_numbers(1.6094, 0.01, 4e-4, 40, 0.02, unit="km/h").scale == pytest.approx(1.609344)


def test_a_random_number_saves_hardly_anything() -> None:
    """The bits that a snap saves tell an engineer's number from any number."""
    rng = np.random.default_rng(0)
    by_luck = [
        simplest_numbers(s, float(rng.uniform(-90, 90)), s * 2e-4, 900, s * 0.1).saved_bits
        for s in rng.uniform(0.02, 3, 60)
    ]
    assert np.median(by_luck) < 5
    assert simplest_numbers(0.25, 0.01, 5e-5, 900, 0.03).saved_bits > 12


def test_no_scale_is_left_alone() -> None:
    """A field without slope has nothing to snap."""
    assert simplest_numbers(0.0, 3.0, 0.1, 10, 0.1) == Snapped(0.0, 3.0, False, 0.0, "")


def test_wheels_share_a_scale() -> None:
    """Four tyres that differ by half a percent have one scale; wheels that differ by more have none."""
    assert common_scale([0.0568, 0.0573, 0.0574, 0.0572], 4e-3, 0.01) == 0.057
    assert common_scale([0.01004, 0.00995, 0.00993, 0.01005], 4e-3, 0.01) == 0.01
    assert common_scale([0.05, 0.06], 4e-3, 0.01) is None
