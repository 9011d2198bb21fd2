"""A gauge is calibrated on a table: within 1 % of its span at the marks and 2 % between, in under 20 minutes."""

from __future__ import annotations

import math
from collections.abc import Callable
from fractions import Fraction
from itertools import pairwise

import pytest

from swapbridge.asking.trials.gauge import GaugeStage, GaugeTrial, check_field
from swapbridge.core.errors import InputError, RefusedError
from swapbridge.core.layout import Layout
from swapbridge.core.roles import find_role
from swapbridge.signalmap.signal_map import MapSignal
from tests.asking.trials.needles import Needle, run


def straight(raw: float) -> float:
    """A rev counter: 0 to 8000 for raw 0 to 32000."""
    return raw / 4


def bent(raw: float) -> float:
    """A temperature needle in degC for raw 0 to 200 (offset -40): flat at 90 from 80 to 105 degC."""
    real = raw - 40
    points = ((0.0, 50.0), (50.0, 50.0), (80.0, 90.0), (105.0, 90.0), (130.0, 130.0), (170.0, 130.0))
    for (x0, y0), (x1, y1) in pairwise(points):
        if real <= x1:
            return y0 if real <= x0 else y0 + (y1 - y0) * (real - x0) / (x1 - x0)
    return 130.0


def curved(raw: float) -> float:
    """A pressure gauge whose scale gets narrower."""
    return 10 * math.pow(raw / 255, 0.85)


SPEEDO = tuple(range(0, 32001, 25))
CASES = [
    (straight, SPEEDO, tuple(float(n) for n in range(0, 8001, 1000))),
    (curved, tuple(range(256)), tuple(float(n) for n in range(11))),
    (bent, tuple(range(90, 171)), (50.0, 70.0, 90.0, 110.0, 130.0)),
]


def worst(trial: GaugeTrial, curve: Callable[[float], float]) -> tuple[float, float]:
    """Largest error at the marks and between them, as a share of the span."""
    table, span = trial.result(), abs(trial.marks[-1] - trial.marks[0])
    at = max(abs(curve(point.raw) - point.mark) for point in table.points) / span
    low, high = table.corners()[0][0], table.corners()[-1][0]
    steps = [low + (high - low) * n / 400 for n in range(401)]
    return at, max(abs(curve(raw) - table.shown(raw)) for raw in steps) / span


@pytest.mark.parametrize("seeds", [1, pytest.param(7, marks=pytest.mark.long)])
def test_damped_gauges_are_read_within_their_target(seeds: int) -> None:
    """The answers are wrong by 0.5 % of the span each, the time constant is 10 s.

    What a person sees is random: of 300 such runs one missed 1 % at a mark (1.2 %), none 2 % between.
    """
    misses = runs = 0
    for curve, values, marks in CASES:
        for seed in range(seeds):
            trial = GaugeTrial(values, marks)
            seconds = run(trial, Needle(curve, 10.0, span=marks[-1] - marks[0]), seed=seed)
            at, between = worst(trial, curve)
            runs, misses = runs + 1, misses + (at > 0.01 or between > 0.02)
            assert seconds < 20 * 60
            assert at <= 0.013, trial.result()
            assert between <= 0.025, trial.result()
    assert misses <= 1


@pytest.mark.parametrize("constant", [5.0, 20.0])
def test_other_dampings_take_their_time_and_come_out_as_well(constant: float) -> None:
    trial = GaugeTrial(SPEEDO, CASES[0][2])
    run(trial, Needle(straight, constant, span=8000), noise=0.0)
    at, between = worst(trial, straight)
    assert at <= 0.01
    assert between <= 0.02
    assert trial.result().settling_s == pytest.approx(5.5 * constant, rel=0.4)


def test_hysteresis_is_told() -> None:
    trial = GaugeTrial(SPEEDO, CASES[0][2])
    run(trial, Needle(straight, 5.0, friction=0.04, span=8000), noise=0.0)
    middle = trial.result().points[4]
    assert 0.4 * 0.04 * 32000 < middle.hysteresis < 1.1 * 0.04 * 32000
    assert abs(straight(middle.raw) - middle.mark) <= 80


def test_rest_zones_are_told_and_a_straight_gauge_has_a_scale() -> None:
    rested = GaugeTrial(CASES[2][1], CASES[2][2])
    run(rested, Needle(bent, 10.0, span=80), noise=0.002)
    table = rested.result()
    plateau = table.points[2].plateau
    assert plateau is not None
    assert plateau[0] == pytest.approx(120, abs=3)
    assert plateau[1] == pytest.approx(145, abs=3)
    assert any("rests at 90" in words for words in table.remarks)
    assert table.line is None
    plain = GaugeTrial(SPEEDO, CASES[0][2])
    run(plain, Needle(straight, 5.0, span=8000))
    line = plain.result().line
    assert line is not None
    assert line[0] == pytest.approx(0.25, rel=0.01)


def test_only_recorded_values_are_ever_asked_for() -> None:
    values = tuple(range(0, 1000, 7)) + tuple(range(2000, 3000, 3))
    trial = GaugeTrial(values, (0.0, 1.0, 2.0, 3.0))
    seen = set()
    needle, now = Needle(lambda raw: raw / 1000, 5.0, span=3), 0
    for _ in range(40_000):
        raw = trial.raw(now)
        seen.add(raw)
        needle.step(raw, 0.1)
        now += 100_000_000
        if now % 60_000_000_000 == 0:
            trial.press(now)
    assert seen <= set(values)


def test_a_missed_mark_is_left_out_and_told() -> None:
    trial, now = GaugeTrial(range(100), (0.0, 5.0, 9.0)), 0
    for _ in range(3):
        now += 10_000_000_000
        trial.press(now)
    for stage in (GaugeStage.UP, GaugeStage.DOWN, GaugeStage.UP, GaugeStage.DOWN):
        assert trial.stage is stage
        for mark in (1, 2, 3):
            now += 30_000_000_000
            (trial.skip if mark == 2 else trial.press)(now)
    assert [point.mark for point in trial.result().points] == [0.0, 9.0]
    assert any("mark 5 was not passed" in words for words in trial.result().remarks)


def test_a_pause_moves_nothing() -> None:
    trial = GaugeTrial(range(100), (0.0, 9.0))
    for second in (10, 20, 30):
        trial.press(second * 1_000_000_000)
    before = trial.raw(50_000_000_000)
    trial.pause(50_000_000_000)
    assert trial.raw(90_000_000_000) == before
    trial.resume(90_000_000_000)
    assert trial.raw(95_000_000_000) == before
    assert trial.raw(140_000_000_000) > before


def field(role: str = "", **rest: object) -> MapSignal:
    name = find_role(role).name if role else ""
    return MapSignal("Field", Layout(0, 8), Fraction(1), role=name, **rest)  # type: ignore[arg-type]


@pytest.mark.parametrize("role", ["vehicle_speed", "wheel_speed", "distance"])
def test_speed_and_distance_are_never_swept(role: str) -> None:
    with pytest.raises(RefusedError, match="never swept"):
        check_field(field(role))
    check_field(field("coolant_temperature"))


@pytest.mark.parametrize(
    ("values", "marks", "words"),
    [
        ((1, 2, 3), (0.0, 1.0), "different values"),
        (range(50), (1.0,), "two or more marks"),
        (range(50), (1.0, 3.0, 2.0), "order"),
    ],
)
def test_too_little_is_refused(values: tuple[int, ...], marks: tuple[float, ...], words: str) -> None:
    with pytest.raises(InputError, match=words):
        GaugeTrial(values, marks)
    with pytest.raises(InputError, match="not finished"):
        GaugeTrial(range(50), (0.0, 1.0)).result()
