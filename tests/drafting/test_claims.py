"""What a draft claims and sends where recordings lack something: codes, requests, heat that nobody recorded."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from swapbridge.core.layout import Layout
from swapbridge.drafting.channel_words import WordMatch
from swapbridge.drafting.drafted import Explained
from swapbridge.drafting.explain import field as fields
from swapbridge.drafting.explain.field import explain_choice
from swapbridge.drafting.explain.flags import Watched, explain_flag
from swapbridge.drafting.explain.measured import _made, _Way
from swapbridge.drafting.explain.numbers import Formula, NumberPart, NumberTerm
from swapbridge.drafting.lines import Atom, DraftLine
from swapbridge.drafting.recorded_vehicle import VehicleSeries
from swapbridge.drafting.swap_sources import Origin, Word, local_atoms
from tests.drafting.test_in_doubt import EVERY_BIT, TIMES, coded, line, message


def bench(bus: str, *atoms: Atom, lines: tuple[DraftLine, ...] = (), words: tuple[Word, ...] = ()) -> Any:
    """A kit of one bus with these conditions, quantities and channels of words."""
    swap = SimpleNamespace(
        quantities={}, word_matches={}, words={w.channel: w for w in words},
        host=SimpleNamespace(bus="host"), donor=SimpleNamespace(bus="donor"),
    )  # fmt: skip
    return SimpleNamespace(swap=swap, bus=bus, atoms=atoms, lines=lines, warnings=frozenset(), linked=())


def flag_atom(values: np.ndarray[Any, Any], text: str, how: Any = "copy") -> Atom:
    return Atom(text, VehicleSeries(TIMES, values.astype(float)), 8, text, how, text, frozenset({text}))


SPEED = 60 + 50 * np.sin(TIMES / 3)


# --- requests


@pytest.mark.parametrize(
    ("bus", "copied", "above", "how"),
    [
        ("donor", False, 105.0, "open"),
        ("host", False, 105.0, "threshold"),
        ("donor", False, 60.0, "threshold"),
        ("donor", True, 105.0, "copy"),
    ],
    ids=["rests and is only guessed", "the engine's own", "half of the time", "another module says it"],
)
def test_a_flag_to_the_engine_that_rests_is_not_drafted_from_thresholds(
    bus: str, copied: bool, above: float, how: str
) -> None:
    """It may be a request: thresholds that fitted one drive asked for a cut in 0.05 and 0.08 of another."""
    flag = (above < SPEED).astype(int)
    kit = bench(
        bus, *([flag_atom(flag, "host.M.shift == 1")] if copied else []), lines=(line(SPEED, "v", "vehicle_speed"),)
    )
    made = explain_choice(kit, message(flag[:, None]), coded(Layout(0, 1), "flag"))
    assert made.how == how
    if how == "open":
        assert (made.value, made.fallback, made.unreviewed) == ("0", "0", True)


# --- codes that no recording held


GEAR = (TIMES // 6 % 4).astype(int)


@pytest.mark.parametrize(
    ("names", "length", "most"),
    [
        (("0", "1", "2", "3"), 2, 0.94),
        (("0", "1", "2", "3"), 3, 0.94),
        (("P", "R", "N", "D"), 2, 0.985),
        (("P", "R", "N", "D"), 3, 0.94),
        (("0", "1"), 1, 0.985),
    ],
    ids=["gears are counted", "gears, spare codes", "a whole lever", "a lever with spare codes", "a switch"],
)
def test_a_code_that_no_recording_held_may_come(names: tuple[str, ...], length: int, most: float) -> None:
    """A gear that nobody drove in was claimed at 0.98, and the drive that used it had 0.83 of its frames right."""
    gear = GEAR % len(names)
    told = message(gear[:, None])
    one = coded(Layout(0, length))
    match = WordMatch("gear", 0.0, dict(enumerate(names)), {w: v for v, w in enumerate(names)}, 1.0, 1.0)
    word = Word("gear", names, VehicleSeries(TIMES, gear.astype(float)), Origin("host", told, one), match)
    kit = bench("host", words=(word,))
    kit.swap.word_matches["host", 0x100, False, one.name, "gear"] = match
    made = fields._by_words(kit, told, one)
    assert made is not None
    assert made.confidence == most


@pytest.mark.parametrize(("length", "most"), [(2, 0.985), (3, 0.94)])
def test_a_choice_of_conditions_with_spare_codes_is_not_sure(length: int, most: float) -> None:
    atoms = [flag_atom(np.equal(GEAR, v), f"host.M.g == {v}", "echo") for v in range(4)]
    made = explain_choice(bench("host", *atoms), message(GEAR[:, None]), coded(Layout(0, length)))
    assert (made.how, made.confidence) == ("echo", most)


@pytest.mark.parametrize(("joined", "most"), [(False, 0.96), (True, 0.94)])
def test_a_threshold_that_only_fits_beside_another_condition_is_not_sure(joined: bool, most: float) -> None:
    """Two conditions fit more by chance: one of a state's bits was claimed at 0.96 and right in 0.77 of a drive."""
    other = np.sin(TIMES) > 0
    flag = (SPEED > 65) & other if joined else SPEED > 65
    kit = bench("host", flag_atom(other, "host.M.o == 1"), lines=(line(SPEED, "v", "vehicle_speed"),))
    made = explain_choice(kit, message(flag[:, None]), coded(Layout(0, 1), "flag"))
    assert (made.how, made.confidence) == ("threshold", most)


def test_a_value_is_no_surer_than_its_layout() -> None:
    """Above a needle stood a flag that moved once: the two as one value were claimed at 0.96."""
    assert needle().confidence > 0.75
    assert needle(layout_confidence=0.7).confidence == 0.7


@pytest.mark.parametrize(("third", "most"), [("open", 0.5), ("copy", 0.98)])
def test_bits_of_a_field_of_which_some_are_open_may_be_one_code(
    third: Any, most: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One bit of a gear went with the lever, was claimed at 0.98, and was right in 0.41 of a drive as a gear."""
    told = message((TIMES % 8).astype(int)[:, None])
    hows = {"f_0_1": "copy", "f_1_1": "threshold", "f_2_1": third}
    monkeypatch.setattr(
        fields, "_part", lambda _k, _m, p: Explained(p.layout, p.name, hows[p.name], 0.98, "1", "0")
    )  # fmt: skip
    whole = Explained(Layout(0, 3), "f_0_3", "open", 0.0, "0", "0")
    made = fields._in_bits(bench("host"), told, coded(Layout(0, 3)), whole)
    assert [m.confidence for m in made] == [most] * 3


@pytest.mark.parametrize(("joined", "how"), [(False, "copy"), (True, "open")])
def test_a_warning_that_needs_something_beside_it_is_another_one(joined: bool, how: str) -> None:
    """A charge lamp was told by the oil lamp or the starter: without an alternator it was dark for 0.79 of a drive."""
    oil, starts = TIMES < 50, (TIMES > 80) & (TIMES < 90)
    rpm = np.where(oil | starts, 0.0, 1500.0)
    lamp = oil | starts if joined else oil
    kit = bench("host", flag_atom(oil, "donor.M.oil == 1"), flag_atom(starts, "host.K.key == 2"))
    kit.warnings = frozenset({"donor.M.oil"})
    kit.swap.quantities["engine_speed"] = SimpleNamespace(series=VehicleSeries(TIMES, rpm))
    made = explain_choice(kit, message(lamp.astype(int)[:, None]), coded(Layout(0, 1), "flag"))
    assert made.how == how
    if how == "open":
        assert (made.value, made.kept) == ("1", True)


# --- heat


def needle(*more: tuple[str, float], heat: float = -2.0, layout_confidence: float = 1.0) -> Explained:
    """A rule of coolant that rises to 100 and stays there, with other quantities of no weight."""
    coolant = line(np.linspace(20, 90, len(TIMES)), "t", "coolant_temperature", "degC")
    terms = [NumberTerm((), 100.0), NumberTerm((NumberPart(coolant, "-", 70.0),), heat)]
    for name, factor in more:
        terms.append(NumberTerm((NumberPart(line(12 + np.sin(TIMES), name, name), "x"),), factor))
    formula = Formula(tuple(terms), 0.93, 0.99, 0.0, 0.0)
    told = message(np.clip(np.round(formula.at(TIMES)), 0, 255)[:, None])
    way = _Way(0.0, "derived" if more else "table", formula, "follows", 0.97)
    one = replace(coded(Layout(0, 8), "number"), layout_confidence=layout_confidence)
    return _made(told, one, way, None, EVERY_BIT)


@pytest.mark.parametrize("more", [(), (("module_voltage", 0.4), ("pedal_position", -0.01))])
def test_a_needle_goes_hot_beyond_what_was_recorded_whatever_else_its_rule_leans_on(
    more: tuple[tuple[str, float], ...],
) -> None:
    """Voltage and pedal told 0.01 of a needle better; above 105 degC it then said its usual middle, for good."""
    assert needle(*more).fallback == "255"


def test_what_heat_hardly_moves_keeps_its_highest_recorded_value() -> None:
    """A value of which heat is a small part, and one that it lowers."""
    assert needle(("vehicle_speed", 5.0), heat=-0.1).fallback == "165"
    assert needle(heat=1.0).fallback == "150"


# --- conditions


def test_a_word_and_the_field_that_says_it_are_one_condition() -> None:
    """'x or x' was written: what a person said is a little late, so that both together told a flag better."""
    flag = TIMES % 20 > 10
    early, late = (np.roll(flag, k) for k in (-60, 60))
    atoms = [
        flag_atom(early, "host.M.x == 1"),
        Atom("host.M.x == 1", VehicleSeries(TIMES, late.astype(np.float64)), 8, "x", "echo"),
    ]
    found = explain_flag(Watched(TIMES, early | late, 0.12), atoms, [])
    assert found
    assert all((c.atom.text or "").count("host.M.x == 1") == 1 for c in found)


@pytest.mark.parametrize(
    ("share", "wrong", "words"),
    [
        (0.99, 9, "the closest condition (it) has 9 changes at wrong times"),
        (0.8, 9, "the closest condition (it) is right for 80% of the time"),
        (0.4, 0, "no condition explains it"),
    ],
)
def test_an_open_choice_says_what_is_wrong_with_the_closest_condition(share: float, wrong: int, words: str) -> None:
    """'Right for 100% of the time' was told of a field that was left open for its flicker."""
    it: Any = SimpleNamespace(share=share, wrong_edges=wrong, atom=SimpleNamespace(words="it"))
    assert fields._missed([it]) == words


def test_a_condition_on_another_module_s_field_is_told_with_its_value() -> None:
    """'x or x' was told of x == 3 or x == 5."""
    told = message(GEAR[:, None], coded(Layout(0, 2)))
    vehicle = SimpleNamespace(messages={(0x100, False): told})
    swap: Any = SimpleNamespace(vehicle=lambda _: vehicle, is_source=lambda *_: True)
    words = [a.words for a in local_atoms(swap, "host")]
    assert words == [a.text for a in local_atoms(swap, "host")]
    assert len(set(words)) == 4
