"""Laws of explaining: a planted rule is found again, noise is never explained, and names and clocks change nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from swapbridge.drafting.explain.flags import Watched, explain_flag, with_hysteresis
from swapbridge.drafting.explain.numbers import (
    GREEDY_ROWS,
    Based,
    Formula,
    Measured,
    NumberPart,
    Sums,
    best_formula,
    fit_table,
)
from swapbridge.drafting.lines import DraftLine, median
from swapbridge.drafting.recorded_vehicle import Floats, VehicleSeries

TIMES = np.arange(0, 160, 0.1)
SEEDS = st.integers(0, 10_000)


def walk(seed: int, low: float, high: float) -> Floats:
    """A quantity that wanders over its range."""
    x = np.convolve(np.random.default_rng(seed).normal(size=len(TIMES) + 100), np.hanning(100), "same")[: len(TIMES)]
    out: Floats = np.round(low + (high - low) * (x - x.min()) / np.ptp(x), 1)
    return out


def line(name: str, values: Floats, later_s: float = 0.0) -> DraftLine:
    return DraftLine(f"d.M.{name}", f"d.M.{name}", "", VehicleSeries(TIMES + later_s, values), 0.1, name, name)


def lines(seed: int) -> list[DraftLine]:
    return [line(n, walk(seed + k, 0, 100 + 50 * k)) for k, n in enumerate(("one", "two", "three"))]


@settings(max_examples=8, deadline=None)
@given(seed=SEEDS, scale=st.sampled_from([0.25, 0.5, 2.0, 4.0, -1.5]), offset=st.integers(-40, 40))
def test_a_copy_is_found_again(seed: int, scale: float, offset: int) -> None:
    known = lines(seed)
    found = best_formula(Measured(TIMES, np.round(known[1].series.value * scale + offset)), known)
    assert [x.channel for x in found.lines] == ["two"]
    assert min(found.share, found.held_out) > 0.97


@settings(max_examples=6, deadline=None)
@given(seed=SEEDS, middle=st.floats(0.35, 0.65), steep=st.floats(1.0, 3.0))
def test_a_bent_needle_is_found_again(seed: int, middle: float, steep: float) -> None:
    """Its bend lies where the drive spends time on both sides of it."""
    x = walk(seed, 0, 100)
    needle = np.round(np.minimum(x, np.quantile(x, middle)) * steep)
    assert fit_table(Measured(TIMES, needle), line("one", x)).share > 0.93


@settings(max_examples=8, deadline=None)
@given(seed=SEEDS, on=st.floats(50, 70), gap=st.floats(2, 15))
def test_a_switch_with_hysteresis_is_found_again(seed: int, on: float, gap: float) -> None:
    known = lines(seed)
    truth = with_hysteresis(known[0].series.value, on, on - gap)
    if (np.diff(truth) != 0).sum() < 4:
        return
    best = explain_flag(Watched(TIMES, truth, 0.16), [], known)[0]
    assert best.atom.quantities == {"one"}
    assert best.share > 0.97


@settings(max_examples=8, deadline=None)
@given(seed=SEEDS)
def test_noise_is_not_explained(seed: int) -> None:
    noise = np.round(np.random.default_rng(seed + 77).uniform(0, 255, len(TIMES)))
    measured = Measured(TIMES, noise)
    found = best_formula(measured, lines(seed))
    assert found.price > 0.9 * measured.price(noise - np.median(noise), 26.0)
    assert found.held_out < 0.3


def told(formula: Formula) -> tuple[list[str], float]:
    return [x.channel for x in formula.lines], formula.held_out


@settings(max_examples=6, deadline=None)
@given(seed=SEEDS, later=st.sampled_from([0.0, 1000.0, 1_000_000.0]))
def test_names_more_channels_and_the_clock_change_nothing(seed: int, later: float) -> None:
    known = lines(seed)
    value = np.round(known[0].series.value * 2 + 7)
    plain = best_formula(Measured(TIMES, value), known)
    moved = [line(x.channel, x.series.value, later) for x in known]
    renamed = [replace(x, text=f"h.X.{x.channel}_2") for x in moved]
    more = [*renamed, line("four", walk(seed + 50, 0, 10), later)]
    again = best_formula(Measured(TIMES + later, value), more)
    assert told(again)[0] == told(plain)[0] == ["one"]
    assert abs(told(again)[1] - told(plain)[1]) < 0.02


@given(values=hnp.arrays(np.float64, st.integers(1, 30), elements=st.floats(-1e6, 1e6)))
def test_the_quick_median_is_numpy_s(values: Floats) -> None:
    assert median(values) == np.median(values)


@given(seed=SEEDS)
def test_above_and_below_a_knot_are_one_formula_and_the_first_is_taken(seed: int) -> None:
    """Beside the value itself both say the same, and no rounding of a processor chooses between them."""
    one = line("one", walk(seed, 0, 100))
    base = [(NumberPart(one, form, 0.0 if form == "x" else 40.3), 0) for form in ("x", "+", "-")]
    noise = np.random.default_rng(seed).normal(size=len(TIMES))
    value = 3 * one.series.value + 5 * np.maximum(one.series.value - 40.3, 0) + noise
    sums = Sums(Measured(TIMES, value), [one.series.value], base)
    above, below = (sums.solve([(), (0,), (k,)])[0] for k in (1, 2))
    assert above == below
    assert sums.greedy([(1,), (2,)], [(), (0,)], np.ones(sums.measured.cut)) == [(1,), (2,)]


@settings(max_examples=10, deadline=None)
@given(seed=SEEDS)
def test_the_candidates_that_are_taken_are_those_that_leave_least_squares(seed: int) -> None:
    """Beside one least-squares fit for each candidate, of more than are weighed at once."""
    rng = np.random.default_rng(seed)
    known = [line(str(k), walk(seed + k, 0, 100)) for k in range(8)]
    base: list[Based] = [(NumberPart(one, "x", 0.0), k) for k, one in enumerate(known)]
    value = 3 * known[2].series.value + known[1].series.value * known[5].series.value / 9 + rng.normal(size=len(TIMES))
    sums = Sums(Measured(TIMES, value), [one.series.value for one in known], base)
    candidates: list[tuple[int, ...]] = [(k,) for k in range(8)]
    candidates += [(a, b) for a in range(8) for b in range(a, 8)]
    assert len(candidates) > GREEDY_ROWS
    weight = rng.uniform(0.1, 1.0, sums.measured.cut)
    terms = [(), (0,)]

    def left(candidate: tuple[int, ...]) -> float:
        a = np.stack([sums.row(t)[: sums.measured.cut] for t in (*terms, candidate)], axis=1)
        b = sums.value[: sums.measured.cut]
        root = np.sqrt(weight)
        factors = np.linalg.lstsq(a * root[:, None], b * root, rcond=1e-12)[0]
        return float((weight * (b - a @ factors) ** 2).sum())

    # the first term is there already: nothing is left of it to gain by
    assert sums.greedy(candidates, terms, weight) == sorted(candidates, key=left)[:5]
