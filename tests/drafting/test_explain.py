"""What explains a field: planted conditions, tables, sums and products are found again, and noise is not explained."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from swapbridge.drafting.explain.flags import Watched, explain_flag, joined_atoms, threshold_atom, with_hysteresis
from swapbridge.drafting.explain.measured import _formula_within_reach, _reached
from swapbridge.drafting.explain.numbers import Measured, best_formula
from swapbridge.drafting.explain.totals import find_total
from swapbridge.drafting.lines import Atom, DraftLine, number_text
from swapbridge.drafting.recorded_vehicle import Floats, VehicleSeries

TIMES = np.arange(0, 200, 0.02)


def walk(seed: int, low: float, high: float) -> Floats:
    """A quantity that wanders over its range."""
    rng = np.random.default_rng(seed)
    x = np.convolve(rng.normal(size=len(TIMES) + 400), np.hanning(400), "same")[: len(TIMES)]
    x = (x - x.min()) / np.ptp(x)
    out: Floats = low + (high - low) * x
    return out


def line(name: str, values: Floats, unit: str = "", step: float = 0.5) -> DraftLine:
    return DraftLine(
        f"d.M.{name}",
        f"(d.M.{name} / 1 {unit})" if unit else f"d.M.{name}",
        unit,
        VehicleSeries(TIMES, values),
        step,
        name,
    )


RPM, COOLANT, PEDAL = walk(1, 0, 5000), walk(2, 20, 95), walk(3, 0, 100)
LINES = [line("rpm", RPM, "rpm"), line("coolant", COOLANT, "degC"), line("pedal", PEDAL, "%")]


@pytest.mark.parametrize(
    ("truth", "uses"),
    [
        (0.25 * RPM + 12, {"rpm"}),
        (np.interp(COOLANT, [20, 40, 75, 95], [0, 10, 90, 100]), {"coolant"}),
        (0.02 * RPM + 1.5 * COOLANT, {"rpm", "coolant"}),
        (RPM * PEDAL / 2000, {"rpm", "pedal"}),
    ],
    ids=["copy", "table", "sum", "product"],
)
def test_planted_values_are_found(truth: Floats, uses: set[str]) -> None:
    found = best_formula(Measured(TIMES, np.round(truth)), LINES)
    assert {one.channel for one in found.lines} == uses
    assert found.held_out > 0.97


def test_a_running_total_is_found_by_its_rate() -> None:
    total = np.floor(np.cumsum(RPM * PEDAL) * 0.02 * 4e-4) % 256
    found = find_total(TIMES, total, 8, LINES)
    assert found is not None
    assert "d.M.rpm" in found.text
    assert "d.M.pedal" in found.text
    assert "wrap=256" in found.text
    assert find_total(TIMES, np.round(RPM) % 256, 8, LINES) is None


def test_noise_is_left_alone() -> None:
    noise = np.round(np.random.default_rng(9).uniform(0, 255, len(TIMES)))
    measured = Measured(TIMES, noise)
    found = best_formula(measured, LINES)
    assert found.held_out < 0.2
    assert found.price > 0.9 * measured.price(noise - np.median(noise), 26.0)


def test_hysteresis_is_found() -> None:
    truth = with_hysteresis(COOLANT, 82.0, 74.0)
    best = explain_flag(Watched(TIMES, truth, 0.1), [], LINES)[0]
    assert best.share > 0.99
    assert best.wrong_edges == 0
    assert best.atom.quantities == {"coolant"}


def test_two_conditions_are_found() -> None:
    truth = (RPM >= 2400) & (PEDAL < 40)
    best = explain_flag(Watched(TIMES, truth, 0.1), [], LINES)[0]
    assert best.share > 0.98
    assert best.atom.quantities == {"rpm", "pedal"}


@pytest.mark.parametrize(("lapses", "joined"), [(1, False), (2, True)])
def test_a_second_condition_has_to_be_needed_twice(lapses: int, joined: bool) -> None:
    """A flag of the other vehicle fits but for a moment, and some switch was off just then, as switches often are."""
    truth = with_hysteresis(COOLANT, 60.0, 60.0 - 1e-9)
    near, switch = truth.copy(), np.zeros(len(TIMES), bool)
    for at in np.flatnonzero(~truth & np.roll(~truth, 150) & np.roll(~truth, -150))[[300, -300][:lapses]]:
        near[at : at + 20], switch[at - 60 : at + 60] = True, True

    def told(name: str, said: npt.NDArray[np.bool_]) -> Atom:
        return Atom(f"d.M.{name} == 1", VehicleSeries(TIMES, said.astype(float)), 9.0, name, "copy", name)

    best = explain_flag(Watched(TIMES, truth, 0.1), [told("near", near), told("switch", switch)], [])[0]
    assert ("switch" in best.atom.key) is joined
    assert best.share > 0.98


def test_a_threshold_says_what_the_language_says() -> None:
    """`hysteresis(x, on, off)`: true from on, false from off, unchanged in between."""
    x = np.array([0.0, 5, 10, 7, 5, 4, 6, 10])
    said, now = [], False
    for value in x:
        now = value >= 8 or (now and value > 4)
        said.append(now)
    assert with_hysteresis(x, 8.0, 4.0).tolist() == said
    atom = threshold_atom(line("rpm", RPM, "rpm"), 8.0, 4.0)
    assert atom.text == "hysteresis(d.M.rpm, 8 rpm, 4 rpm)"


@pytest.mark.parametrize("value", [0.0, 12.0, -0.03125, 1234567.0, 1e-7, 0.1])
def test_numbers_are_written_without_exponents(value: float) -> None:
    text = number_text(value, 7)
    assert "e" not in text
    assert float(text) == pytest.approx(value, rel=1e-6)


@pytest.mark.parametrize(("own", "reached"), [((20, 24), True), ((31, 60), False), ((2, 14), False)])
def test_a_formula_leans_on_nothing_that_is_elsewhere_in_its_own_drive(own: tuple[int, int], reached: bool) -> None:
    """Learned from 18 to 28 degC of intake air: a drive in other air would hear its safe answer all along."""
    times = np.arange(0.0, 50.0)
    air = line("air", np.linspace(18, 28, 50), "degC")
    air = replace(air, channel="intake_temperature", series=VehicleSeries(times, np.linspace(18, 28, 50)))
    told = SimpleNamespace(time_s=times, raw=lambda layout: np.linspace(*own, 50).round().astype(np.int64))
    origin = SimpleNamespace(message=told, field=SimpleNamespace(layout=None, scale=1.0, offset=0.0))
    kit: Any = SimpleNamespace(swap=SimpleNamespace(quantities={"intake_temperature": SimpleNamespace(origin=origin)}))
    message: Any = SimpleNamespace(time_s=times)
    assert _reached(kit, message, air) is reached
    assert _reached(kit, message, replace(air, channel="pedal_position")), "nobody says it: nothing to compare with"


@pytest.mark.parametrize(("weight", "told"), [(0.0, True), (3.0, False)])
def test_what_needs_a_quantity_out_of_reach_is_open(weight: float, told: bool) -> None:
    """A value of engine speed alone is told; one that hangs on air which the donor never had is not told by halves."""
    air = walk(5, 18, 28)
    lines = (LINES[0], replace(line("air", air, "degC"), channel="intake_temperature"))
    origin = SimpleNamespace(
        message=SimpleNamespace(time_s=TIMES, raw=lambda layout: np.full(len(TIMES), 50)),
        field=SimpleNamespace(layout=None, scale=1.0, offset=0.0),
    )
    quantities = {"intake_temperature": SimpleNamespace(origin=origin)}
    kit: Any = SimpleNamespace(swap=SimpleNamespace(quantities=quantities), lines=lines)
    message: Any = SimpleNamespace(time_s=TIMES)
    measured = Measured(TIMES, np.round(0.01 * RPM + weight * 4 * (air - 18)))
    formula = _formula_within_reach(kit, message, measured)
    assert (formula is not None) is told


def _wavering(name: str, rng: np.random.Generator) -> Atom:
    """A condition by frames of its own, ten of which at least say the same one after the other."""
    said = np.repeat(rng.integers(0, 2, 20), 10).astype(np.float64)
    return Atom(name, VehicleSeries(np.sort(rng.uniform(0, 30, 200)), said), 9.0, name, "copy", name)


@pytest.mark.parametrize("word", ["and", "or"])
def test_two_conditions_joined_hold_as_both_do_at_every_moment(word: str) -> None:
    """Two conditions with clocks of their own, whose frames mostly repeat what the one before said."""
    rng = np.random.default_rng(5)
    moments = np.arange(0.0, 30.0, 0.013)
    for _ in range(20):
        a, b = (_wavering(name, rng) for name in ("a", "b"))
        both = a.at(moments) & b.at(moments) if word == "and" else a.at(moments) | b.at(moments)
        joined = joined_atoms(a, b, word)
        np.testing.assert_array_equal(joined.at(moments), both)
        assert len(joined.series.time_s) < 50, "only where one of them changes"
