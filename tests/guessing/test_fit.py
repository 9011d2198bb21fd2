"""Lag, robust line, shaped residual and luck, against slow obvious computations and known answers."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swapbridge.capture.stimulus import Channel
from swapbridge.guessing.meaning.align import FieldSeries, coarse_match, prepare, sample
from swapbridge.guessing.meaning.chance import POINTS, judge_luck, shifted_best
from swapbridge.guessing.meaning.fit import fit, line, robust_line


def moving(n: int, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    held = np.repeat(rng.uniform(0, 100, n // 120 + 1), 120)[:n]
    return np.convolve(held, np.ones(30) / 30, "same")


def scene(seed: int, lag: float, *, period: float = 0.02, noise: float = 0.3) -> tuple[FieldSeries, Channel]:
    """One field of 0.1 a bit and a tool that reads it late."""
    rng = np.random.default_rng(seed)
    t = np.arange(0, 60, 0.01)
    value = moving(len(t), seed)
    at = np.arange(0.0, 60, period)
    series = FieldSeries(at, np.round(np.interp(at, t, value) / 0.1)[None, :], period)
    asked = np.arange(1.0, 59, 0.13)
    told = np.interp(asked - lag, t, value) + rng.normal(0, noise, len(asked))
    return series, Channel("x", asked, told, "")


@pytest.mark.parametrize("lag", [0.0, 0.05, 0.13, 0.31, 0.6])
@pytest.mark.parametrize("period", [0.01, 0.05, 0.2])
def test_lag_scale_and_offset_come_back(lag: float, period: float) -> None:
    """Within 20 ms, and within the error bars that the fit itself states."""
    series, channel = scene(4, lag, period=period)
    target = prepare(channel)
    _, near = coarse_match(series, target)
    found = fit(series, 0, target, float(near[0]))
    assert found is not None
    assert found.lag_s == pytest.approx(lag, abs=0.02)
    assert abs(found.scale - 0.1) < 4 * found.scale_error + 1e-4
    assert abs(found.scale * found.middle + found.offset - 0.1 * found.middle) < 4 * found.middle_error + 0.05
    assert found.r2_held > 0.999
    assert found.shape < 1e-4


def test_a_bent_relation_leaves_shape_and_noise_does_not() -> None:
    """Noise alone has no shape however large; a bend of 5 % has, though its r2 is higher."""
    series, channel = scene(5, 0.1, noise=4.0)
    noisy = fit(series, 0, prepare(channel), 0.1)
    quiet_series, quiet = scene(5, 0.1, noise=0.05)
    bent_value = quiet.value + 6 * np.sin(quiet.value / 100 * np.pi)
    bent = fit(quiet_series, 0, prepare(Channel("x", quiet.time_s, bent_value, "")), 0.1)
    assert noisy is not None
    assert bent is not None
    assert bent.r2 > noisy.r2
    assert bent.shape > 4 * noisy.shape
    assert bent.rough > 2 > noisy.rough


def test_outliers_do_not_move_the_line() -> None:
    """A tenth of wild samples (a tool's time-outs) leaves the scale within 1 %."""
    series, channel = scene(6, 0.2)
    rng = np.random.default_rng(0)
    value = channel.value.copy()
    value[rng.random(len(value)) < 0.1] = 0.0
    found = fit(series, 0, prepare(Channel("x", channel.time_s, value, "")), 0.2)
    assert found is not None
    assert found.scale == pytest.approx(0.1, rel=0.01)


@settings(max_examples=60)
@given(st.lists(st.tuples(st.floats(-50, 50), st.floats(-50, 50), st.floats(0.1, 4)), min_size=3, max_size=30))
def test_line_agrees_with_numpy(points: list[tuple[float, float, float]]) -> None:
    """Weighted slope and intercept against numpy.polyfit."""
    x, y, w = (np.array(c) for c in zip(*points, strict=True))
    if np.ptp(x) < 1e-3:
        return
    slope, offset = line(x, y, w)
    want = np.polyfit(x, y, 1, w=np.sqrt(w))
    assert slope == pytest.approx(want[0], abs=1e-6 + 1e-6 * abs(want[0]))
    assert offset == pytest.approx(want[1], abs=1e-5 + 1e-6 * abs(want[1]))


def test_robust_line_is_the_line_where_nothing_is_wild() -> None:
    """Huber's line of clean points is least squares."""
    rng = np.random.default_rng(1)
    x = rng.uniform(0, 10, 200)
    y = 2 * x + 1 + rng.uniform(-0.1, 0.1, 200)
    assert robust_line(x, y, np.ones(200))[:2] == pytest.approx(line(x, y, np.ones(200)), abs=1e-3)


def test_sampling_holds_or_draws_a_line() -> None:
    """Between frames a flag keeps its value and an analogue goes straight."""
    time, raw = np.array([0.0, 1.0, 2.0]), np.array([[0.0, 10.0, 20.0]])
    at = np.array([-1.0, 0.5, 1.0, 1.25, 5.0])
    assert sample(time, raw, at, hold=True).tolist() == [[0, 0, 10, 10, 20]]
    assert sample(time, raw, at, hold=False).tolist() == [[0, 5, 10, 12.5, 20]]


def test_shifted_best_agrees_with_a_plain_loop() -> None:
    """The transform gives at some shifts what rolling the channel and correlating gives."""
    series, channel = scene(7, 0.2)
    target = prepare(channel)
    fast = shifted_best(series, target)
    grid = np.linspace(target.time_s[0], target.time_s[-1], POINTS)
    value = target.value[np.searchsorted(target.time_s, grid, side="right") - 1]
    x = sample(series.time_s, series.raw, grid - 0.2, hold=True)[0]
    for shift in (0, 1, 17, 300, 800):
        slow = np.corrcoef(x, np.roll(value, shift))[0, 1] ** 2
        assert fast[shift] == pytest.approx(slow, abs=1e-9)


def test_luck_knows_a_ramp_and_a_true_follower() -> None:
    """One ramp can't be tested; a channel that moves often gives a true fit a tiny chance figure."""
    series, channel = scene(8, 0.2)
    target = prepare(channel)
    chance = judge_luck(shifted_best(series, target), target)
    assert chance.testable
    assert (chance.p_value(0.999) or 1) < 1e-3
    assert chance.p_value(0.0) == 1.0
    at = np.arange(0, 60, 0.2)
    ramp = prepare(Channel("t", at, np.round(20 + at * 0.7), "degC"))
    untested = judge_luck(shifted_best(series, ramp), ramp)
    assert not untested.testable
    assert untested.p_value(0.99) is None


def test_what_a_channel_tells_of_itself() -> None:
    """Step, noise, movement and memory of a plain channel."""
    rng = np.random.default_rng(2)
    at = np.arange(0, 100, 0.1)
    square = np.round(50 * (np.sin(at / 3) > 0) + rng.normal(0, 0.6, len(at)), 1)
    target = prepare(Channel("s", at, square, ""))
    assert target.quantum == pytest.approx(0.1, abs=1e-6)
    assert target.noise == pytest.approx(0.6, rel=0.35)
    assert target.moves == pytest.approx(10.6, abs=1.5)
    assert 1.0 < target.memory_s < 4.0
    assert not target.is_switch
    assert prepare(Channel("b", at, (square > 25).astype(float), "")).is_switch


def test_too_few_samples_give_no_fit() -> None:
    """A channel that hardly meets the field is not fitted."""
    series, channel = scene(9, 0.1)
    late = Channel("x", channel.time_s + 58, channel.value, "")
    assert fit(series, 0, prepare(late), 0.1) is None
