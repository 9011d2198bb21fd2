"""What a draft does in doubt: a torque too high, a temperature hotter, a time seen once no time, codes put together."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from swapbridge.capture.capture import Capture, FrameKey
from swapbridge.capture.stimulus import Channel, StimulusTrack
from swapbridge.core.errors import InputError
from swapbridge.core.layout import Layout
from swapbridge.drafting import linking, never, recordings
from swapbridge.drafting.building import _without_bottom
from swapbridge.drafting.caution import cautious, high_side
from swapbridge.drafting.channel_words import WordMatch, with_words_together, word_channels
from swapbridge.drafting.drafted import Explained
from swapbridge.drafting.explain import field as fields
from swapbridge.drafting.explain.flags import Watched, explain_flag
from swapbridge.drafting.explain.measured import (
    _goes_with_load,
    _raised,
    _repeats_old_torque,
    _scaled_plainly,
    recorded_ranges,
)
from swapbridge.drafting.explain.numbers import (
    Formula,
    Measured,
    NumberTerm,
    _least_squares,
    best_formula,
    fit_straight,
)
from swapbridge.drafting.lines import Atom, DraftLine
from swapbridge.drafting.recorded_vehicle import Floats, ValueKind, Vehicle, VehicleField, VehicleMessage, VehicleSeries
from swapbridge.drafting.swap_sources import Origin
from swapbridge.signalmap.findings import Findings

TIMES = np.arange(0, 100, 0.05)


def coded(layout: Layout, kind: ValueKind = "choice") -> VehicleField:
    return VehicleField(f"f_{layout.start}_{layout.length}", layout, kind, layout.length, 1.0)


def message(payload: np.ndarray[Any, Any], *made: VehicleField, times: Floats = TIMES) -> VehicleMessage:
    rows = payload.astype(np.uint8)
    moved = frozenset(np.flatnonzero(np.ptp(np.unpackbits(rows, axis=1, bitorder="little"), axis=0)).tolist())
    return VehicleMessage(FrameKey(0, 0x100, False), "M_100", rows.shape[1], 0.05, times, rows, made, None, None, moved)


def line(values: Floats, name: str = "x", channel: str = "", unit: str = "") -> DraftLine:
    plain = f"(d.M.{name} / 1 {unit})" if unit else f"d.M.{name}"
    return DraftLine(f"d.M.{name}", plain, unit, VehicleSeries(TIMES, values), 0.5, channel or name, name)


# --- fits


@given(
    rows=hnp.arrays(np.float64, (40, 4), elements=st.floats(-1, 1).map(lambda x: x if abs(x) > 1e-200 else 0.0)),
    factors=hnp.arrays(np.float64, 4, elements=st.floats(-100, 100)),
    twin=st.booleans(),
)
def test_the_quick_solution_fits_as_well_as_the_library_s(rows: Floats, factors: Floats, twin: bool) -> None:
    """Two columns that are all but one are left to numpy.linalg.lstsq, the oracle, which overflows on subnormals."""
    rows = np.c_[rows, rows[:, :1] + (1e-9 if twin else 0.5) * rows[:, 1:2]]
    wanted = rows[:, :4] @ factors + np.sin(np.arange(40))
    best = np.linalg.lstsq(rows, wanted, rcond=None)[0]
    mine = _least_squares(rows.T, wanted)
    assert np.linalg.norm(rows @ mine - wanted) <= np.linalg.norm(rows @ best - wanted) * (1 + 1e-6) + 1e-6


def test_a_pedal_that_asks_for_less_at_higher_speeds_is_found() -> None:
    """Driver demand: a pedal, a drag, and their product with engine speed; each alone looks worse than a knot."""
    rng = np.random.default_rng(7)
    pedal = np.repeat(np.maximum(0, rng.uniform(-60, 100, 80)), 25)
    rpm = np.convolve(700 + 40 * pedal, np.ones(60) / 60, "same")
    demand = pedal * (2.6 - rpm / 4000) - 6 * rpm / 1000 + 250
    others = [line(np.cumsum(rng.normal(size=len(TIMES))), f"o{k}") for k in range(3)]
    found = best_formula(Measured(TIMES, np.round(2 * demand)), [*others, line(pedal, "pedal"), line(rpm, "rpm")])
    assert {one.channel for one in found.lines} == {"pedal", "rpm"}
    assert len(found.terms) == 4
    assert min(found.share, found.held_out) > 0.999


# --- torque


def kit(**quantities: Floats) -> Any:
    known = {n: SimpleNamespace(channel=n, series=VehicleSeries(TIMES, x)) for n, x in quantities.items()}
    bus = SimpleNamespace(quantities=known, host=SimpleNamespace(bus="host"), donor=SimpleNamespace(bus="donor"))
    return SimpleNamespace(swap=bus, bus="host", linked=())


LOAD = 50 + 45 * np.sin(TIMES / 5)
DOUBTFUL = np.round(10 * LOAD + 120 * np.sign(np.sin(TIMES * 3)))


@pytest.mark.parametrize("share", [0.0, 0.3, 0.95])
def test_a_torque_that_nothing_tells_well_is_told_too_high(share: float) -> None:
    value = np.where(np.arange(len(TIMES)) % 20 < 20 * share, np.round(10 * LOAD), DOUBTFUL)
    measured = Measured(TIMES, value)
    formula = fit_straight(measured, line(LOAD))
    text = _raised(kit(actual_torque=LOAD), measured, formula, Layout(0, 11))
    more = float(text.removeprefix("clamp(").partition(" ")[0])
    short = value - (formula.at(TIMES) + more)
    assert (short > measured.tolerance).mean() <= 0.02
    assert (short > measured.tolerance - more).mean() > 0.02, "the rule alone was too low"


def test_a_torque_that_is_told_well_is_left_alone_and_what_falls_with_load_too() -> None:
    measured = Measured(TIMES, np.round(10 * LOAD))
    assert _raised(kit(actual_torque=LOAD), measured, fit_straight(measured, line(LOAD)), Layout(0, 11)) == ""
    falls = Measured(TIMES, 1000 - DOUBTFUL)
    assert _raised(kit(actual_torque=LOAD), falls, fit_straight(falls, line(LOAD)), Layout(0, 11)) == ""
    assert _raised(kit(), falls, fit_straight(falls, line(LOAD)), Layout(0, 11)) == ""


def test_a_needle_that_nobody_tells_is_sent_high(monkeypatch: pytest.MonkeyPatch) -> None:
    """The donor's recording was torn before the engine ran: what goes with the host's own coolant still goes high."""
    bench = kit()
    bench.swap.vehicle = lambda _: SimpleNamespace(channel={"coolant_temperature": VehicleSeries(TIMES, LOAD)}.get)
    assert _goes_with_load(bench, Measured(TIMES, np.minimum(LOAD, 60)))
    bench.swap.vehicle = lambda _: SimpleNamespace(channel={}.get)
    assert not _goes_with_load(bench, Measured(TIMES, np.minimum(LOAD, 60)))


@pytest.mark.parametrize(("unit", "value"), [("Nm", "clamp(9 + x, 0, 255)"), ("degC", "clamp(x, 0, 255)")])
def test_only_what_may_be_a_torque_is_raised(unit: str, value: str) -> None:
    one = Explained(
        Layout(0, 8), "f", "derived", 0.9, "clamp(x, 0, 255)", "255", unit=unit, raised="clamp(9 + x, 0, 255)"
    )  # fmt: skip
    spread = message(np.tile(np.arange(250), 8)[:, None])
    (out,) = cautious(kit(), spread, [one], EVERY_BIT)
    assert out.value == value
    assert out.confidence == (0.5 if unit == "Nm" else 0.9)


EVERY_BIT = frozenset(range(64))
STANDS = np.where(TIMES < 20, 0.0, 1500 + 1000 * np.sin(TIMES))
PULLS = np.where(TIMES < 20, 0.0, 200 * np.sin(TIMES / 3) * np.sin(TIMES / 7) ** 2)


@pytest.mark.parametrize(
    ("factor", "stronger", "shift", "plain"),
    [(1.0, 1.0, 0.0, True), (0.5, 1.0, 0.0, True), (0.5, 1.6, 0.0, False), (1.0, 1.0, 60.0, False)],
    ids=["the same resolution", "half of it", "a bigger engine", "another zero"],
)
def test_a_scale_that_a_stand_in_gave_is_believed_where_it_is_plain(
    factor: float, stronger: float, shift: float, plain: bool
) -> None:
    """The donor's torque stands in by a formula of the donor's engine, which is the stronger one or is not."""
    theirs = message(
        np.c_[(np.round(500 + stronger * PULLS)).astype(int) & 255, (500 + stronger * PULLS).astype(int) >> 8]
    )
    stand_in = line(500 + stronger * PULLS, "t")
    measured = Measured(TIMES, np.round(300 + factor * PULLS))
    fit = fit_straight(measured, stand_in)
    nice = round(factor / stronger, 4)
    part = next(t.parts for t in fit.terms if t.parts)
    formula = Formula((NumberTerm((), 300 - 500 * nice + shift), NumberTerm(part, nice)), 0.8, 0.8, 0.0, 0.0)
    origin = Origin("donor", theirs, coded(Layout(0, 16), "number"))
    linked = linking.LinkedLine(stand_in, origin, 0.9, frozenset({"manifold_pressure"}))
    assert _scaled_plainly(kit(engine_speed=STANDS), measured, linked, formula) is plain
    assert not _scaled_plainly(kit(), measured, linked, formula), "nobody knows when the engine stands"
    of_torque = linking.LinkedLine(stand_in, origin, 0.9, frozenset({"actual_torque", "engine_speed"}))
    assert _scaled_plainly(kit(engine_speed=STANDS), measured, of_torque, formula), "in Nm, whatever the engines"


@pytest.mark.parametrize(("unproved", "how", "sure"), [(True, "open", 0.0), (False, "copy", 0.5)])
def test_a_torque_whose_scale_is_a_guess_is_open_at_its_high_side(unproved: bool, how: str, sure: float) -> None:
    """It was drafted as a copy, right in 0.78 of the frames, claimed 0.89; 0.28 of an unseen drive were too low."""
    pulls = message(
        np.c_[np.round(PULLS - PULLS.min()).astype(int) & 255, np.round(PULLS - PULLS.min()).astype(int) >> 8]
    )
    copied = Explained(
        Layout(0, 11), "f", "copy", 0.89, "clamp(-333 + 1.6667 * d.M.t, 0, 2047)", "7", share=0.78, unproved=unproved
    )  # fmt: skip
    (out,) = cautious(kit(actual_torque=PULLS), pulls, [copied], EVERY_BIT)
    assert (out.how, out.confidence, out.role, out.unreviewed) == (how, sure, "actual_torque", True)
    if unproved:
        highest = int(pulls.raw(Layout(0, 11)).max())
        assert int(out.value) == int(out.fallback) == high_side(Layout(0, 11), highest, EVERY_BIT) > highest
    (same,) = cautious(kit(), pulls, [copied], EVERY_BIT)
    assert same == copied, "what is no torque stays as it was"


@pytest.mark.parametrize(
    ("layout", "highest", "allowed", "said"),
    [
        (Layout(0, 12), 700, EVERY_BIT, 2006),
        (Layout(0, 10), 700, EVERY_BIT, 1002),
        (Layout(0, 10), 1020, EVERY_BIT, 1020),
        (Layout(0, 12), 700, frozenset(range(10)), 1002),
        (Layout(0, 12, "little_endian", True), 700, EVERY_BIT, 2006),
        (Layout(0, 12, "little_endian", True), -3, EVERY_BIT, 2006),
    ],
    ids=[
        "one bit more",
        "the layout's own",
        "already higher",
        "a bit no check was seen on",
        "signed",
        "all below zero",
    ],
)
def test_an_open_torque_says_the_high_side_below_the_codes(
    layout: Layout, highest: int, allowed: frozenset[int], said: int
) -> None:
    """Codes lie above 0xFA of 0xFF (SAE J1939-71)."""
    assert high_side(layout, highest, allowed) == said


@pytest.mark.parametrize(("bus", "role"), [("host", "actual_torque"), ("donor", "torque_reduction_request")])
def test_what_the_host_s_engine_says_of_its_load_is_no_request_though_it_rested(bus: str, role: str) -> None:
    rests = np.where(TIMES < 85, 0, np.round(PULLS - PULLS.min()) / 4)
    bench = kit(actual_torque=rests)
    bench.bus = bus
    opened = Explained(Layout(0, 8), "f", "open", 0.0, "0", "0")
    (out,) = cautious(bench, message(rests[:, None]), [opened], EVERY_BIT)
    assert out.role == role
    assert bool(int(out.value) > rests.max()) is (bus == "host")


# --- conditions


def test_a_condition_on_a_temperature_goes_on_where_it_is_hotter() -> None:
    """A fan that was seen to run from 98 degC runs at 150; a formula is not believed there."""
    warm = line(np.linspace(20, 100, len(TIMES)), "t", "coolant_temperature", "degC")
    told = message(np.zeros((len(TIMES), 1)))
    ((_, low, high),) = recorded_ranges(told, [warm], hotter=True)
    ((_, same, end),) = recorded_ranges(told, [warm])
    assert low == same
    assert float(high.split()[0]) > 150 > float(end.split()[0])
    fast = line(np.linspace(0, 5000, len(TIMES)), "n", "engine_speed", "rpm")
    assert recorded_ranges(told, [fast], hotter=True) == recorded_ranges(told, [fast])


def woken(lit: Floats) -> list[str]:
    """The times after waking that a flag of three wakes suggests."""
    flag = message(lit[:, None], times=WOKEN)
    atoms = linking.timed_atoms(Watched(WOKEN, lit == 1, 0.12), flag, "< {t}")
    return [a.text or "" for a in atoms]


WOKEN = np.concatenate([np.arange(0, 8, 0.1), np.arange(20, 28, 0.1), np.arange(40, 90, 0.1)])


def test_what_happened_once_after_waking_is_no_time() -> None:
    """A coolant that is warm half a minute after one start; a lamp that goes out at every start, and blinks once."""
    since = np.where(WOKEN < 20, WOKEN, np.where(WOKEN < 40, WOKEN - 20, WOKEN - 40))
    assert woken((since >= 28.4).astype(float)) == []
    assert len(woken((since < 2.45).astype(float))) == 1
    blinks = (since < 2.45) | ((WOKEN > 60) & (WOKEN < 60.15))
    assert len(woken(blinks.astype(float))) == 1


@given(values=st.lists(st.floats(0, 20), min_size=1, max_size=30), near=st.floats(0.01, 3))
def test_middles_are_the_medians_of_what_is_near(values: list[float], near: float) -> None:
    ordered = np.sort(values)
    middles, many = linking._middles(ordered, near)
    for x, middle, count in zip(ordered, middles, many, strict=True):
        close = ordered[(ordered > x - near) & (ordered < x + near)]
        assert (float(np.median(close)), len(close)) == (middle, count)


def test_warnings_that_changed_apart_are_not_alike() -> None:
    """A charge lamp that lights at idle now and then is no oil lamp, though both are dark nearly all the time."""
    oil = (TIMES < 15).astype(int)
    charge = oil | ((TIMES % 30 > 20) & (TIMES % 30 < 20.5))
    told = message(np.stack([oil, oil, charge], axis=1))
    a, b, c = ((told, coded(Layout(8 * k, 1), "flag"), 1) for k in range(3))
    assert linking.lit_alike(a, b)
    assert not linking.lit_alike(a, c)


@pytest.mark.parametrize(("lit_s", "lit"), [(40.0, 1), (26.0, None), (34.0, 1)])
@pytest.mark.parametrize("key", [True, False])
def test_a_lamp_test_before_the_start_is_no_warning(lit_s: float, lit: int | None, key: bool) -> None:
    """Of 40 s with the key on and the engine standing; without the key, what is dark then counts against a lamp too."""
    times = np.arange(0, 100, 0.1)
    speed = VehicleSeries(times, np.where((times > 40) & (times < 90), 900.0, 0.0))
    turned = VehicleSeries(times, np.where(times < 90, 1.0, 0.0))
    told = message((times < lit_s).astype(int)[:, None], times=times)
    swap: Any = SimpleNamespace(
        quantities={"engine_speed": SimpleNamespace(series=speed)},
        words={"key_state": SimpleNamespace(words=("off", "on"), series=turned)} if key else {},
    )
    assert linking.warns(swap, told, coded(Layout(0, 1), "flag")) == lit


def test_a_value_that_never_lasts_is_judged_by_its_changes() -> None:
    times = np.arange(0, 20, 0.01)
    start = (times > 8) & (times < 8.1)
    watched = Watched(times, start, 0.12)
    for said, wrong, share in ((start, 0, 1.0), (start, 1, 1.0), (start, 2, 0.0), (times < 8, 0, 0.6)):
        atom = Atom("x", VehicleSeries(times, said.astype(float)), 1.0, "x", "copy")
        found: Any = SimpleNamespace(share=0.0, wrong_edges=wrong, atom=atom)
        assert fields._brief_share(watched, found) == pytest.approx(share, abs=0.01)
    lasting = Watched(times, times > 8, 0.12)
    assert fields._brief_share(lasting, SimpleNamespace(share=0.7, wrong_edges=0)) == 0.7  # type: ignore[arg-type]


def test_a_value_that_never_lasts_is_not_told_by_what_says_it_all_the_time_before() -> None:
    """'Cranking' was drafted as 'the engine stands': both end with the start."""
    times = np.arange(0, 20, 0.01)
    watched = Watched(times, (times > 8) & (times < 8.1), 0.12)
    told = [
        Atom(name, VehicleSeries(times, said.astype(float)), bits, name, "copy")
        for name, said, bits in (("stands", times < 8.1, 5.0), ("turns", (times > 7.95) & (times < 8.12), 20.0))
    ]
    assert explain_flag(watched, told, [])[0].atom.key == "turns"


# --- bits that belong together


def test_a_flag_below_a_value_is_told_from_its_lowest_bit() -> None:
    value = (60 + 50 * np.sin(TIMES / 2)).astype(int)
    flag = ((TIMES % 25) < 4).astype(int)
    parts = _without_bottom(coded(Layout(0, 8), "number"), (value << 1 | flag).astype(np.uint8)[:, None])
    assert [p.layout.positions for p in parts] == [tuple(range(1, 8)), (0,)]
    assert parts[0].scale == 2.0
    whole = (120 + 100 * np.sin(TIMES / 2)).astype(np.uint8)[:, None]
    assert len(_without_bottom(coded(Layout(0, 8), "number"), whole)) == 1


def test_a_key_whose_bits_were_cut_apart_is_put_together() -> None:
    """One bit says on, the other is set for the second that the starter turns: only both say all three words."""
    key = np.where(TIMES % 25 < 5, 0, np.where((TIMES % 25 > 10) & (TIMES % 25 < 11.5), 2, 1))
    code = np.array([1, 0, 2])[key]
    told = message(code[:, None], coded(Layout(0, 1), "flag"), coded(Layout(1, 1), "flag"))
    said = Channel("key", TIMES, key.astype(float), "", ("off", "on", "start"))
    vehicle = Vehicle("host", {(0x100, False): told}, ((0.0, 100.0),), StimulusTrack({"key": said}), 0.0)
    (whole,) = with_words_together(vehicle).messages[0x100, False].fields
    assert (whole.kind, whole.layout.positions) == ("choice", (0, 1))
    other = message(np.stack([(code & 1), TIMES // 7 % 2], axis=1), coded(Layout(0, 1), "flag"), coded(Layout(8, 1)))
    vehicle = Vehicle("host", {(0x100, False): other}, ((0.0, 100.0),), StimulusTrack({"key": said}), 0.0)
    assert len(with_words_together(vehicle).messages[0x100, False].fields) == 2


def test_flags_side_by_side_run_in_either_byte_order() -> None:
    runs = [layout.positions for layout in fields._runs_from(38, frozenset({38, 39, 24, 5}))]
    assert runs == [(38, 39, 24), (38, 39)]
    assert fields._runs_from(5, frozenset({5, 9})) == []


def test_a_gear_is_not_held_back_for_the_lever_that_it_goes_with() -> None:
    lever = WordMatch("lever", 0.0, {0: "P", 1: "D"}, {"P": 0, "N": 0, "R": 1, "D": 1}, 0.9, 0.93)
    gear = WordMatch("current_gear", 0.0, {0: "0", 1: "1"}, {"0": 0, "1": 1}, 0.99, 0.99)
    key = ("donor", 0x100, False, "f_0_3")
    told, one = message(np.zeros((9, 1)), times=TIMES[:9]), coded(Layout(0, 3))
    for known, held in (({"lever": lever}, True), ({"lever": lever, "current_gear": gear}, False)):
        swap: Any = SimpleNamespace(word_matches={(*key, n): t for n, t in known.items()})
        assert (never.guard_of(swap, "donor", told, one) is not None) is held


@pytest.mark.parametrize(
    ("channels", "below", "torque", "held"),
    [
        ({"engine_speed", "manifold_pressure"}, 40.0, False, True),
        ({"engine_speed", "pedal_position"}, 40.0, False, False),
        ({"engine_speed", "manifold_pressure"}, 0.0, False, False),
        ({"engine_speed", "manifold_pressure"}, 40.0, True, False),
    ],
    ids=["the old engine's torque", "what the driver asks for", "an air mass", "both torques were told"],
)
def test_a_formula_of_load_is_no_torque_of_another_engine(
    channels: set[str], below: float, torque: bool, held: bool
) -> None:
    rpm = np.where(TIMES < 20, 0.0, 1500 + 1000 * np.sin(TIMES))
    made = np.where(TIMES < 20, 100.0, np.clip(100 + 200 * np.sin(TIMES / 3), 100 - below, None))
    told = message(np.stack([made.astype(int) & 255, made.astype(int) >> 8], axis=1))
    formula: Any = SimpleNamespace(lines=[SimpleNamespace(channel=c) for c in channels])
    bench = kit(engine_speed=rpm)
    if torque:
        bench.swap.quantities["actual_torque"] = SimpleNamespace(origin="donor")
    assert _repeats_old_torque(bench, told, coded(Layout(0, 11), "number"), formula) is held


# --- evidence that is none


def named(rows: list[int], payload: int = 0) -> Capture:
    """A recording in which these identifiers come once each."""
    n = len(rows)
    return Capture(
        np.arange(n, dtype=np.int64) * 1000, np.array(rows, np.uint32), np.zeros(n, np.uint8), np.zeros(n, np.uint8),
        np.full(n, 8, np.uint8), np.full((n, 8), payload, np.uint8), ("host",), "host.log",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"host unplugged": [1, 2, 3]}, "nothing vanished"),
        ({"host unplugged": [7, 8]}, "no identifier of the unplugged host"),
        ({"donor alone": [1, 2]}, "no identifier of the donor's computer alone"),
        ({"donor alone": [7, 8, 9]}, "every identifier of the donor's own vehicle"),
        ({"donor": [1, 2, 3], "donor alone": [1]}, "recordings of the two vehicles are the same"),
    ],
)
def test_recordings_that_are_not_what_their_names_say_are_refused_at_once(
    changed: dict[str, list[int]], words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recordings, "guess", lambda *_, **__: pytest.fail("it was guessed"))
    kinds = {"host": [1, 2, 3], "host unplugged": [2, 3], "donor": [7, 8, 9], "donor alone": [7]} | changed
    with pytest.raises(InputError, match=words):
        recordings.open_swap({kind: named(rows) for kind, rows in kinds.items()}, {})


def test_a_draft_without_engine_speed_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing would tell a torque or a warning from anything else: they would be sent as they were most of the time."""
    monkeypatch.setattr(recordings, "guess", lambda *_, **__: Findings((), (), {}))
    kinds = {"host": [1, 2, 3], "host unplugged": [2, 3], "donor": [7, 8, 9], "donor alone": [7]}
    with pytest.raises(InputError, match="engine speed of both vehicles"):
        recordings.open_swap({kind: named(rows, len(kind)) for kind, rows in kinds.items()}, {})


@pytest.mark.parametrize(("parts", "whole", "cut"), [((0.96, 0.98), 0.7, True), ((0.96, 0.98), 0.97, False)])
def test_a_choice_is_cut_at_a_still_bit_where_its_parts_are_told_better(
    parts: tuple[float, float], whole: float, cut: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A state of three bits, one that stood still, and a flag: told together by half of their values only."""
    sure = dict(zip(("f_1_3", "f_5_1"), parts, strict=True))
    monkeypatch.setattr(
        fields, "_part", lambda _k, _m, p: Explained(p.layout, p.name, "state", sure[p.name], "1", "0")
    )  # fmt: skip
    told: Any = SimpleNamespace(moved=frozenset({1, 2, 3, 5}))
    joint = Explained(Layout(1, 5), "f_1_5", "state", whole, "1", "0")
    made = fields._at_still_bits(kit(), told, coded(Layout(1, 5)), joint)
    assert [m.layout.positions for m in made] == ([(1, 2, 3), (5,)] if cut else [])


def test_a_measured_quantity_that_hardly_moved_is_no_channel_of_words() -> None:
    """A coolant noted at 34 and 35 degC only, without its unit, is still a coolant: no flag stands for it."""
    when, levels = np.array([0.0, 40.0, 80.0]), np.array([34.0, 35.0, 34.0])
    track = StimulusTrack({name: Channel(name, when, levels) for name in ("coolant_temperature", "gear", "brake")}, "")
    vehicle = Vehicle("host", {}, ((0.0, 90.0),), track, 0.0)
    assert set(word_channels(vehicle)) == {"gear", "brake"}
