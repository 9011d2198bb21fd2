"""What fits nearly everywhere may be another function: a copy wrong in a corner, the wrong heat, a code, a warning."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from swapbridge.core.layout import Layout
from swapbridge.drafting.drafted import Explained
from swapbridge.drafting.explain import field as fields
from swapbridge.drafting.explain import numbers
from swapbridge.drafting.explain.measured import _differs_somewhere, _of_coolant
from swapbridge.drafting.explain.numbers import Measured, best_formula, fit_formula, fit_straight
from swapbridge.drafting.field_neighbours import capped_by_neighbours
from swapbridge.drafting.lines import Atom, DraftLine
from swapbridge.drafting.recorded_vehicle import Floats, VehicleField, VehicleSeries

TIMES = np.arange(0, 200, 0.1)


def line(values: Floats, channel: str, unit: str = "degC") -> DraftLine:
    text = f"donor.M.{channel}"
    return DraftLine(text, f"({text} / 1 {unit})", unit, VehicleSeries(TIMES, values), 0.1, channel, channel)


def lagged(values: Floats, seconds: float) -> Floats:
    out = values.copy()
    for k in range(1, len(out)):
        out[k] = out[k - 1] + (values[k] - out[k - 1]) * 0.1 / seconds
    return out


RPM = 800 + 1500 * np.abs(np.sin(TIMES / 7)) ** 3
COOLANT = np.minimum(20 + 0.9 * np.maximum(TIMES - 30, 0), 88) + 2 * np.sin(TIMES / 9) * (TIMES > 105)
OIL = lagged(COOLANT, 12.0)
NEEDLE = np.round(np.interp(COOLANT, [20, 50, 80, 104], [0, 40, 100, 100]))


# --- a needle


@pytest.mark.parametrize("fits", [True, False])
def test_a_table_is_found_though_a_growing_sum_went_with_another_quantity(
    fits: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A needle was drafted from oil and engine speed at 0.89; an overheated engine was not seen in 0.997 of a drive."""
    measured = Measured(TIMES, NEEDLE)
    oil, other = line(OIL, "oil"), line(COOLANT if fits else RPM, "other")
    monkeypatch.setattr(numbers, "fit_formula", lambda measured, lines: fit_straight(measured, oil))
    found = best_formula(measured, [oil, other])
    assert {x.channel for x in found.lines} == {"other" if fits else "oil"}


@pytest.mark.parametrize("beside", [(), ("engine_speed",)])
def test_of_the_temperatures_that_fit_a_needle_the_coolant_drives_it(beside: tuple[str, ...]) -> None:
    measured = Measured(TIMES, NEEDLE)
    oil, coolant = line(OIL, "oil_temperature"), line(COOLANT, "coolant_temperature")
    more = [line(RPM, name, "rpm") for name in beside]
    formula = fit_formula(measured, [oil, *more])
    kit: Any = SimpleNamespace(lines=(oil, coolant, *more))
    assert {x.channel for x in _of_coolant(kit, measured, formula).lines} == {"coolant_temperature"}
    of_speed = fit_formula(measured, [line(RPM, "engine_speed", "rpm")])
    assert _of_coolant(kit, measured, of_speed) is of_speed, "no heat in it"


# --- a copy


@pytest.mark.parametrize(
    ("hump", "another"), [(30.0, True), (0.0, False)], ids=["wrong at high speeds", "right everywhere"]
)
def test_a_copy_that_is_wrong_in_one_part_of_a_range_is_another_function(hump: float, another: bool) -> None:
    """What an engine loses, of another engine: right in 0.986 of the recording, and in 0.85 of an unseen drive."""
    speed = line(RPM, "engine_speed", "rpm")
    measured = Measured(TIMES, np.round(RPM / 10 + np.where(RPM > 2200, hump, 0.0)))
    alike = line(RPM / 10, "linked", "")
    copy, own = fit_straight(measured, alike), fit_formula(measured, [speed])
    assert copy.share > 0.75
    assert _differs_somewhere(measured, copy, own) is another


def test_a_few_frames_in_a_corner_tell_no_functions_apart() -> None:
    speed = line(RPM, "engine_speed", "rpm")
    value = np.round(RPM / 10)
    rare = np.argsort(RPM)[-15:]
    value[rare] += 30
    measured = Measured(TIMES, value)
    own = fit_straight(Measured(TIMES, np.round(RPM / 10)), speed)
    assert not _differs_somewhere(measured, fit_straight(measured, line(RPM / 10, "linked", "")), own)


# --- a code


def told(how: Any, sure: float, seen: Any = ()) -> Explained:
    return Explained(Layout(0, 3), "f_0_3", how, sure, how, "0", seen=seen)


@pytest.mark.parametrize(
    ("steps", "choice", "taken"),
    [
        (7, told("state", 0.6), ("state", 0.6)),
        (7, told("threshold", 0.8, (("x", "0", "1"),)), ("table", 0.94)),
        (7, told("open", 0.0), ("table", 0.94)),
        (70, told("state", 0.6), ("table", 0.96)),
    ],
    ids=["codes explain it", "thresholds do", "nothing does", "wide"],
)
def test_a_value_of_few_near_steps_may_be_a_code(
    steps: int, choice: Explained, taken: tuple[str, float], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A state of the engine passed for a table of engine speed, right in 0.998 of the recording within 1.5 steps."""
    monkeypatch.setattr(fields, "explain_number", lambda *_: told("table", 0.96))
    monkeypatch.setattr(fields, "explain_choice", lambda *_: choice)
    message: Any = SimpleNamespace(raw=lambda layout: np.array([0, 1, 2, steps] * 5))
    one = VehicleField("f_0_3", Layout(0, 3), "number", 3, 1.0)
    kit: Any = None
    (made,) = fields._explained(kit, message, one, frozenset())
    assert (made.how, made.confidence) == taken


# --- a warning, and a cut in doubt


def test_a_flag_that_is_no_warning_follows_none() -> None:
    """The lowest bit of an engine's state went with the donor's oil lamp, until that would have been lit."""

    def atom(text: str) -> Atom:
        return Atom(text, VehicleSeries(TIMES, RPM), 1, text, "copy")

    plain, warned = atom("donor.M.f_1_1 == 1"), atom("(donor.M.f_2_1 == 1) or (donor.M.f_1_1 == 1)")
    kit: Any = SimpleNamespace(atoms=(plain, warned), warnings=frozenset({"donor.M.f_2_1"}))
    assert fields._without_warnings(kit) == [plain]


@pytest.mark.parametrize(("beside", "sure"), [("open", 0.56), ("copy", 0.98)])
def test_beside_an_open_bit_a_flag_is_no_surer_than_its_cut(beside: Any, sure: float) -> None:
    one = Explained(Layout(0, 1), "f_0_1", "copy", 0.98, "0", "0")
    next_to = Explained(Layout(1, 1), "f_1_1", beside, 0.0 if beside == "open" else 0.98, "0", "0")
    flags = {0: TIMES > 50, 1: (TIMES > 80) & (TIMES < 120)}
    message: Any = SimpleNamespace(
        raw=lambda layout: flags[layout.start].astype(np.int64), checksum=None,
        fields=(VehicleField("f_0_1", Layout(0, 1), "flag", 1, 0.56),),
    )  # fmt: skip
    assert capped_by_neighbours(message, [one, next_to])[0].confidence == sure
