"""Which bits belong together: a switch beside a value, a bit that only carries, a choice that no number comes near."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swapbridge.core.layout import Layout
from swapbridge.drafting import cut_switches, swap_sources
from swapbridge.drafting.channel_words import WordMatch
from swapbridge.drafting.explain import flags
from swapbridge.drafting.explain.field import _by_either, _jumps, _warned, _warned_of
from swapbridge.drafting.explain.flags import Watched, explain_flag
from swapbridge.drafting.explain.numbers import ROUNDING, Measured, NumberPart, Sums, _term
from swapbridge.drafting.lines import Atom, DraftLine
from swapbridge.drafting.recorded_vehicle import VehicleField, VehicleMessage, VehicleSeries, raw_series
from tests.drafting.rig import Sender, drive, record

VALUE = Layout(0, 12)


def message(raw: np.ndarray[Any, Any], moved: frozenset[int] = frozenset(range(16))) -> Any:
    """A message whose first two bytes are a value, low byte first."""
    payload = np.stack([raw & 0xFF, raw >> 8], axis=1).astype(np.uint8)
    return SimpleNamespace(payload=payload, raw=lambda layout: raw_series(payload, layout), moved=moved)


def field(layout: Layout, moving: int) -> VehicleField:
    return VehicleField(f"f_{layout.start}_{layout.length}", layout, "number", moving, 1.0)


@pytest.mark.parametrize(
    ("raw", "position", "jumps"),
    [
        (np.arange(0, 1500), 8, False),
        (np.arange(0, 1500) // 3, 4, False),
        (np.arange(0, 1500) % 200 + 256 * (np.arange(0, 1500) // 100 % 2), 8, True),
    ],
    ids=["a total that carries", "a slow total", "a switch above a value"],
)
def test_a_bit_that_carries_is_no_switch(raw: np.ndarray[Any, Any], position: int, jumps: bool) -> None:
    assert _jumps(message(raw), field(VALUE, 12), field(Layout(position, 1), 1)) is jumps


@given(factor=st.floats(-1e6, 1e6, allow_nan=False), most=st.floats(1.0, 1e6))
def test_a_factor_is_no_finer_than_its_term_needs(factor: float, most: float) -> None:
    """Right to a small part of what is near enough (and 64 bits hold the rest)."""
    times = np.arange(0.0, 10.0)
    measured = Measured(times, times)
    part = NumberPart(DraftLine("d.M.x", "d.M.x", "", VehicleSeries(times, times), 1.0), "x")
    term = _term(Sums(measured, [np.full(10, most)], [(part, 0)]), (0,), factor)
    assert abs(term.factor - factor) * most <= measured.tolerance / ROUNDING + 1e-9 * abs(factor) * most
    assert term.decimals is not None
    assert term.decimals <= 9


def test_a_warning_prefers_what_warns_where_both_tell_as_well() -> None:
    times = np.arange(0, 100, 0.1)
    lit = (times % 40) < 8
    atoms = [
        Atom(f"{name} == 1", VehicleSeries(times, lit.astype(float)), bits, name, "copy", name)
        for name, bits in (("donor.A.oil", 30.0), ("donor.B.stands", 5.0))
    ]
    kit: Any = SimpleNamespace(warnings=frozenset({"donor.A.oil"}), atoms=tuple(atoms))
    found = _warned(kit, Watched(times, lit, 0.12))
    assert [c.atom.text for c in found] == ["donor.A.oil == 1"]
    assert _warned_of(kit, found[0], lit=True)
    assert not _warned(kit, Watched(times, np.roll(lit, 150), 0.12)), "one that it does not go with"


@pytest.mark.parametrize(("apart", "either"), [(0, True), (1, True), (4, False)])
@pytest.mark.parametrize("lit", [True, False])
def test_a_lamp_that_goes_with_two_warnings_is_lit_by_either(apart: int, either: bool, lit: bool) -> None:
    """An oil lamp was copied from the charge lamp, by two wrong changes each: it was dark for 0.84 of its time."""
    times = np.arange(0, 400, 0.1)
    due = (times % 40) < 8
    other = due.copy()
    for n in range(apart):
        other[40 * 10 * n + 200 : 40 * 10 * n + 206] = True  # the other one was lit by itself
    atoms = [
        Atom(f"donor.A.{name} == 1", VehicleSeries(times, said.astype(float)), 9.0, f"donor.A.{name}", "copy", name)
        for name, said in (("oil", due), ("charge", other))
    ]
    kit: Any = SimpleNamespace(warnings=frozenset({"donor.A.oil", "donor.A.charge"}), atoms=tuple(atoms))
    watched = Watched(times, due if lit else ~due, 0.12)
    found = _by_either(kit, watched, explain_flag(watched, atoms, [], pairs=False)[0], lit=lit)
    text = found.atom.text or ""
    assert ("charge" in text) is either
    assert "oil" in text
    assert _warned_of(kit, found, lit=lit)
    assert found.share > 0.98


@pytest.mark.parametrize(
    ("word", "negated", "lit", "allowed"),
    [("or", False, True, True), ("and", False, True, False), ("and", True, False, True), ("or", True, False, False)],
)
def test_either_of_two_warnings_lights_a_lamp_and_none_waits_for_the_other(
    word: str, negated: bool, lit: bool, allowed: bool
) -> None:
    """An oil lamp that waited for the charge lamp too was dark for 0.74 of the time in which it was due."""
    times = np.arange(0, 10.0)
    one, other = (
        Atom(f"donor.A.{n} == 1", VehicleSeries(times, (times % k > 1).astype(float)), 5.0, f"donor.A.{n}=1", "copy", n)
        for n, k in (("oil", 3), ("charge", 5))
    )
    atoms = [a.negated() if negated else a for a in (one, other)]
    joined = flags._joined(lambda: atoms[0], lambda: atoms[1], word)
    kit: Any = SimpleNamespace(warnings=frozenset({"donor.A.oil", "donor.A.charge"}))
    found: Any = SimpleNamespace(atom=joined)
    assert _warned_of(kit, found, lit) is allowed


@given(on=st.floats(20, 8000), gap=st.sampled_from([0.001, 0.0025, 0.1, 3.0]))
def test_the_two_ends_of_a_threshold_are_written_apart(on: float, gap: float) -> None:
    """1012.48 and 1012.4775 came out as one number of five digits, which the compiler refused with all beside it."""
    line = DraftLine("d.M.x", "d.M.x", "", VehicleSeries(np.zeros(1), np.zeros(1)), 0.01)
    text = flags.threshold_atom(line, on, on - gap).text or ""
    _, up, down = text.removesuffix(")").split(", ")
    assert float(up) > float(down)


@pytest.mark.parametrize("inverted", [False, True])
def test_a_switch_that_was_seen_to_cross_one_way_only_does_not_flicker_on_the_way_back(inverted: bool) -> None:
    """'Cold' up to 65.5 degC and not from 65.6 on flickered through a drive; 'warm' had its two per cent already."""
    times = np.arange(0, 100, 0.1)
    warm = 20 + times * 0.7
    line = DraftLine("d.M.x", "d.M.x", "degC", VehicleSeries(times, np.round(warm, 1)), 0.1)
    (best, *_) = flags.explain_flag(Watched(times, (warm > 60) ^ inverted, 0.12), [], [line], pairs=False)
    on, off = (float(p.split(" ")[0]) for p in (best.atom.text or "").removesuffix(")").split(", ")[1:])
    assert abs(on - off) > 1.0
    assert best.share > 0.99


@pytest.mark.parametrize(
    ("code", "parts"), [("lamps", 2), ("dark without key", 2), ("to and fro", 1), ("state", 1), ("no key", 1)]
)
def test_two_lamps_side_by_side_are_cut_into_flags_and_a_state_is_not(code: str, parts: int) -> None:
    """A state whose bits all go out with the start looks like two lamps, but for its own code at the crank."""
    times = np.arange(0, 100, 0.1)
    runs, cranks, off = times > 40, (times > 39) & (times <= 40), times > 92
    one = np.where(runs, 0, np.where((times // 8) % 2 > 0, 1, 2) if code == "to and fro" else 1)
    other = np.where(times > 39 if code == "state" else times > 41.5, 0, 2) if code != "to and fro" else 0
    if code == "dark without key":
        runs = runs & ~off
        one, other = (np.where(off, 0, lamp) for lamp in (one, other))
    payload = (one | other).astype(np.uint8)[:, None]
    whole = VehicleField("f_0_2", Layout(0, 2), "choice", 2, 1.0)
    told = _message(payload, times, (whole,))
    swap = _swap(SimpleNamespace(messages={(0x210, False): told}, track=None, bus="host"))
    swap.quantities = {"engine_speed": SimpleNamespace(series=VehicleSeries(times, np.where(runs, 900.0, 0.0)))}
    if code != "no key":
        swap.words["key_state"] = SimpleNamespace(
            words=("on", "start", "off"), series=VehicleSeries(times, np.where(off, 2.0, cranks))
        )
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(cut_switches, "find_words", lambda swap: None)
        cut_switches.cut_lamps(swap)
    assert len(swap.host.messages[0x210, False].fields) == parts


@pytest.mark.parametrize(("late_s", "heard"), [(0.03, True), (-0.25, False)])
def test_a_code_of_the_donors_computer_that_changes_after_anothers_is_that_ones_echo(
    late_s: float, heard: bool
) -> None:
    """A transmission's gear was drafted from the engine computer's, which only had it from the transmission."""
    times = np.arange(0, 200, 0.02)
    gear = VehicleSeries(times, (times // 9).astype(int) % 5 * 1.0)
    payloads = {n: gear.at(times - lag).astype(np.uint8)[:, None] for n, lag in (("engine", late_s), ("gearbox", 0.0))}
    fields = (VehicleField("f_0_3", Layout(0, 3), "choice", 3, 1.0),)
    messages = {(n, False): _message(payloads[k], times, fields) for n, k in ((0x100, "engine"), (0x200, "gearbox"))}
    donor: Any = SimpleNamespace(bus="donor", messages=messages)
    swap: Any = SimpleNamespace(donor=donor, donor_alive=frozenset({(0x100, False)}))
    assert swap_sources._heard_back(swap) == (frozenset({("donor", 0x100, False, "f_0_3")}) if heard else frozenset())


def test_both_ends_of_a_field_are_tried() -> None:
    """Bits 3 to 11 move, of which the first or the last may be a switch; a field that stands still gives none."""
    told: Any = message(np.arange(0, 1500), frozenset(range(3, 12)))
    ends = list(cut_switches._ends(told, field(Layout(3, 9), 9)))
    assert [(a.layout.start, b.layout.start, b.layout.length) for a, b in ends] == [(3, 4, 8), (11, 3, 8)]
    assert not list(cut_switches._ends(message(np.zeros(9, int), frozenset()), field(VALUE, 0)))


def test_a_switch_at_the_end_of_a_staying_modules_value_is_found() -> None:
    """The field is cut, its channel has a source, and the value beside the switch keeps its bits."""

    def says(d: Any, t: Any) -> dict[Layout, Any]:
        pressed = (np.floor(t / 3) % 2 == 1).astype(float)
        return {Layout(0, 1): pressed, Layout(1, 8): pressed * (40 + 30 * np.sin(t))}

    d = drive(1)
    capture = record([Sender(0x210, 0.02, False, says)], d, "host", 1)
    times = (capture.time_ns - capture.time_ns.min()) / 1e9
    whole = field(Layout(0, 9), 9)
    told = _message(capture.payload, times, (whole,))
    vehicle: Any = SimpleNamespace(messages={(0x210, False): told}, track=None, bus="host")
    pressed = VehicleSeries(np.arange(0, d.time_s[-1], 3.0), np.arange(0, d.time_s[-1], 3.0) // 3 % 2)
    swap = _swap(vehicle)
    found: list[Any] = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(cut_switches, "word_channels", lambda v: {"brake": (pressed, ("0", "1"))} if v is vehicle else {})
        patch.setattr(cut_switches, "find_words", found.append)
        cut_switches.cut_switches(swap)
    assert found == [swap]
    flag, rest = vehicle.messages[0x210, False].fields
    assert (flag.layout.positions, flag.kind) == ((0,), "flag")
    assert rest.layout.positions == tuple(range(1, 9))


def _message(payload: Any, times: Any, fields: tuple[VehicleField, ...]) -> VehicleMessage:
    key: Any = SimpleNamespace(identifier=0x210, extended=False)
    return VehicleMessage(key, "M_210", 8, 0.02, times, payload, fields, None, None, frozenset(range(9)))


def _swap(host: Any) -> Any:
    donor = SimpleNamespace(messages={}, track=None, bus="donor")
    words = {"brake": SimpleNamespace(origin=None, words=("0", "1"))}
    return SimpleNamespace(
        host=host, donor=donor, words=words, is_source=lambda *a: True,
        vehicle=lambda bus: host if bus == "host" else donor,
        alive=lambda bus: [(0x210, False)] if bus == "host" else [],
    )  # fmt: skip


def test_going_with_a_channel_means_both_ways() -> None:
    """A value that tells the switch, and moves on while it stands, is not the switch."""
    assert cut_switches._goes(WordMatch("brake", 0.0, {}, {}, 0.99, 0.99))
    assert not cut_switches._goes(WordMatch("brake", 0.0, {}, {}, 1.0, 0.6))
