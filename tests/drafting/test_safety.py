"""What is never drafted, and what is marked: switches of the driver, requests, torques, and what a map knows.

Which answer is the safe one is common practice, no source: a pressed brake ends cruise, a selector that says park or
neutral lets the starter turn, and a request is honoured only when a module asks.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from swapbridge.capture.stimulus import Channel
from swapbridge.compiler.compile import compile_bridge
from swapbridge.core.layout import Layout
from swapbridge.core.progress import Progress
from swapbridge.drafting import draft as driver
from swapbridge.drafting import recordings as reader
from swapbridge.drafting.caution import cautious
from swapbridge.drafting.draft import draft
from swapbridge.drafting.draft_text import bridge_text, draft_map, needs_text
from swapbridge.drafting.drafted import Drafted, Explained
from swapbridge.drafting.explain.flags import Watched, explain_flag
from swapbridge.drafting.explain.kit import Kit
from swapbridge.drafting.explain.measured import separates_running
from swapbridge.drafting.lines import Atom, DraftLine
from swapbridge.drafting.recorded_vehicle import VehicleSeries
from swapbridge.drafting.recordings import open_swap
from swapbridge.drafting.swap_sources import Swap
from swapbridge.language.reading import load_bridge
from swapbridge.signalmap.dbc_write import save_map
from swapbridge.signalmap.signal_map import MapMessage, MapSignal, SignalMap
from tests.drafting.rig import Drive, Floats, Sender, drive, recordings

Extra = Mapping[Layout, Callable[[Drive, Floats], Floats]]
LEVER = ("P", "R", "N", "D")
SWITCHES = {
    "brake": ("0", "1"), "clutch": ("0", "1"), "lever": LEVER, "cruise": ("off", "on"), "idle_raise": ("off", "on"),
    "torque_increase": ("off", "on"),
}  # fmt: skip
MESSAGES = {name: 0x500 + k for k, name in enumerate((*SWITCHES, "in gear flag", "merged", "pressure"))}
LAYOUTS = {name: Layout(16, 2 if name == "lever" else 1) for name in SWITCHES}
NOISE = Layout(32, 6)


def switch(name: str, d: Drive, t: Floats) -> Floats:
    """What a switch says: long enough to be told, by nothing that anything else in the vehicle goes with."""
    rng = np.random.default_rng(1000 + list(SWITCHES).index(name) + len(d.time_s) % 7)
    steps = rng.integers(0, len(SWITCHES[name]), len(d.time_s) // 300 + 1)
    return d.at(np.repeat(steps, 300)[: len(d.time_s)].astype(float), t)


def noise(d: Drive, t: Floats) -> Floats:
    out: Floats = np.random.default_rng(4).integers(5, 50, 200).astype(float)[(t / 0.6).astype(int) % 200]
    return out


def says(layouts: Mapping[str, Layout]) -> Callable[[Drive, Floats], dict[Layout, Floats]]:
    return lambda d, t: {layout: switch(name, d, t) for name, layout in layouts.items()}


def pressure(d: Drive, t: Floats) -> dict[Layout, Floats]:
    return {Layout(16, 8): switch("brake", d, t) * (noise(d, t) * 3 + 40)}


def asks(d: Drive, t: Floats) -> Floats:
    return np.where(d.at(d.pedal, t) > 80, 33.0, 3.0)


def in_gear(d: Drive, t: Floats) -> dict[Layout, Floats]:
    return {Layout(16, 1): np.isin(switch("lever", d, t), (1, 3)).astype(float)}


def swap_of(extra: Extra, *more: Sender, told: tuple[str, ...] = ()) -> Swap:
    """A swap whose old engine computer said some more, some of which a person told of."""
    captures, tracks = recordings(extra, more)
    d, channels = drive(1), dict(tracks["host"].channels)
    for name in told:
        values = switch(name, d, d.time_s)
        rows = np.r_[0, np.flatnonzero(np.diff(values) != 0) + 1]
        texts = () if SWITCHES[name] == ("0", "1") else SWITCHES[name]
        channels[name] = Channel(name, 1_600_000_000.0 + d.time_s[rows] + 0.05, values[rows], "", texts)
    return open_swap(captures, {**tracks, "host": replace(tracks["host"], channels=channels)})[0]


def field(drafted: Drafted, identifier: int, layout: Layout) -> Explained:
    made = next(m for m in drafted.messages if (m.bus, m.message.key.identifier) == ("host", identifier))
    return next(f for f in made.fields if set(layout.positions) & set(f.layout.positions))


@pytest.fixture(scope="module")
def noisy() -> Swap:
    return swap_of({NOISE: noise})


@pytest.fixture(scope="module")
def switches() -> tuple[Swap, Drafted]:
    more = [Sender(MESSAGES[n], 0.05, True, says({n: at})) for n, at in LAYOUTS.items()]
    more.append(Sender(MESSAGES["in gear flag"], 0.05, True, in_gear))
    packed = {"brake": Layout(18, 1), "clutch": Layout(19, 1), "cruise": Layout(20, 1), "idle_raise": Layout(21, 1)}
    more.append(Sender(MESSAGES["merged"], 0.05, True, says(packed)))
    more.append(Sender(MESSAGES["pressure"], 0.05, True, pressure))
    swap = swap_of({}, *more, told=tuple(SWITCHES))
    return swap, draft(swap)


ANSWERS = {
    "brake": {"1"}, "clutch": {"0"}, "lever": {"1", "3"}, "cruise": {"0"}, "idle_raise": {"0"},
    "torque_increase": {"0"}, "in gear flag": {"1"},
}  # fmt: skip


@pytest.mark.parametrize("name", ANSWERS)
def test_a_switch_without_a_module_gives_its_safe_answer(switches: tuple[Swap, Drafted], name: str) -> None:
    made = field(switches[1], MESSAGES[name], LAYOUTS.get(name, Layout(16, 1)))
    assert made.how == "open"
    assert made.value in ANSWERS[name]
    assert made.fallback == made.value
    assert made.unreviewed


def test_a_switch_in_a_field_that_nobody_explains_is_cut_out(switches: tuple[Swap, Drafted]) -> None:
    made = [field(switches[1], MESSAGES["merged"], Layout(p, 1)) for p in (18, 19, 20, 21)]
    assert [m.how for m in made] == ["open"] * 4
    assert [m.value for m in made] == ["1", "0", "0", "0"]


def test_a_value_that_goes_with_the_brake_is_no_row_of_switches(switches: tuple[Swap, Drafted]) -> None:
    made = field(switches[1], MESSAGES["pressure"], Layout(16, 8))
    assert made.layout.length >= 8
    assert made.unreviewed


def test_a_copy_of_a_real_switch_falls_back_to_the_safe_answer() -> None:
    """The host's selector stays: the engine computer's flag follows it, and without it says that a gear is in."""
    stays = Sender(0x600, 0.05, False, says({"lever": Layout(16, 2)}))
    swap = swap_of({}, stays, Sender(MESSAGES["in gear flag"], 0.05, True, in_gear), told=("lever",))
    made = field(draft(swap), MESSAGES["in gear flag"], Layout(16, 1))
    assert (made.how, made.fallback) == ("echo", "1")
    assert "M_600" in made.value


def compiles(swap: Swap, drafted: Drafted, folder: Path) -> None:
    (folder / "signal_maps").mkdir()
    for bus in ("host", "donor"):
        save_map(draft_map(swap, bus, drafted), folder / "signal_maps" / f"{bus}.dbc")
    (folder / "bridge.toml").write_text(bridge_text(swap, drafted, "rig"))
    (folder / "needs.toml").write_text(needs_text(swap, drafted))
    compile_bridge(load_bridge(folder / "bridge.toml"))


def test_safe_answers_compile(switches: tuple[Swap, Drafted], tmp_path: Path) -> None:
    compiles(*switches, tmp_path)


def test_what_moves_with_load_is_marked(tmp_path: Path) -> None:
    """A field without a channel that goes with the pedal: role, limits, safe answer, review; never a plain value."""

    def load(d: Drive, t: Floats) -> dict[Layout, Floats]:
        late = np.convolve(d.pedal, np.ones(80) / 80)[: len(d.pedal)]
        return {Layout(16, 10): d.at(late, t) * 7 + 5 * noise(d, t)}

    swap = swap_of({}, Sender(0x500, 0.02, True, load))
    drafted = draft(swap)
    made = field(drafted, 0x500, Layout(16, 10))
    assert made.role in ("actual_torque", "throttle_position")
    assert made.limits is not None
    assert made.unreviewed
    assert int(made.fallback) >= 550
    compiles(swap, drafted, tmp_path)


EVERY_BIT = frozenset(range(64))


def explained(name: str, at: Layout, role: str = "value", unit: str = "") -> Explained:
    return Explained(at, name, "open", 0.0, "7", "7", role, unit=unit)


@pytest.mark.parametrize(
    ("neighbour", "unit", "role"),
    [("actual_torque", "", "actual_torque"), ("engine_speed", "Nm", "actual_torque"), ("engine_speed", "", "value")],
    ids=["a torque beside it", "in Nm", "neither"],
)
def test_what_a_torque_is_near_or_measured_in_marks_it(noisy: Swap, neighbour: str, unit: str, role: str) -> None:
    swap = noisy
    message = swap.host.messages[0x110, False]
    kit = Kit(swap, "host", (), (), (), (), frozenset(), frozenset(), {})
    fields = [explained("a", Layout(0, 16), neighbour), explained("b", NOISE, unit=unit)]
    made = cautious(kit, message, fields, EVERY_BIT)[1]
    assert made.role == role
    assert made.unreviewed == (made.limits is not None) == (role != "value")


def test_a_request_to_the_engine_rests() -> None:
    """What the donor's computer is asked for, as far as anybody can tell, has limits and asks for nothing."""
    swap = swap_of({NOISE: asks})
    message = swap.host.messages[0x110, False]
    kit = Kit(replace(swap, donor=swap.host, host=swap.donor), "host", (), (), (), (), frozenset(), frozenset(), {})
    made = cautious(kit, message, [explained("b", NOISE)], EVERY_BIT)[0]
    assert (made.role, made.value, made.limits) == ("torque_reduction_request", "3", ("3", "33"))


def test_an_open_field_says_not_available_where_the_map_can() -> None:
    swap = swap_of({NOISE: noise}, Sender(0x502, 0.05, True, says({"lever": LAYOUTS["lever"]})), told=("lever",))
    plainly = draft(swap)
    unknown, lever = field(plainly, 0x110, NOISE), field(plainly, 0x502, LAYOUTS["lever"])
    assert (unknown.how, lever.how) == ("open", "open")
    top = (1 << unknown.layout.length) - 1
    messages = [
        MapMessage(f"M_{i:X}", i, False, 8, (MapSignal(f.name, f.layout, not_available=((1 << f.layout.length) - 1,)),))
        for i, f in ((0x110, unknown), (0x502, lever))
    ]
    drafted = draft(swap, maps={"host": SignalMap(tuple(messages))})
    made = field(drafted, 0x110, NOISE)
    assert (made.value, made.fallback) == (str(top), str(top))
    assert field(drafted, 0x502, LAYOUTS["lever"]).value == lever.value


def test_a_learned_condition_carries_the_range_of_its_sources() -> None:
    times = np.arange(0, 200, 0.02)
    rpm = 2500 + 2500 * np.sin(times / 9)
    line = DraftLine("d.M.rpm", "d.M.rpm", "rpm", VehicleSeries(times, rpm), 0.5, "engine_speed")
    best = explain_flag(Watched(times, rpm > 3000, 0.1), [], [line])[0]
    assert [one.text for one in best.atom.learned] == ["d.M.rpm"]
    assert [one.text for one in best.atom.negated().learned] == ["d.M.rpm"]


def test_a_drafted_condition_is_believed_where_it_was_recorded() -> None:
    def fast(d: Drive, t: Floats) -> dict[Layout, Floats]:
        return {Layout(16, 1): (d.at(d.rpm, t) > 2500).astype(float)}

    made = field(draft(swap_of({}, Sender(0x500, 0.02, True, fast))), 0x500, Layout(16, 1))
    assert made.how == "threshold"
    name, low, high = made.seen[0]
    assert name in made.value
    assert float(low.split()[0]) <= 0
    assert 2500 < float(high.split()[0]) < 6000


@pytest.mark.parametrize(("threshold", "tells"), [(380.0, True), (2500.0, False)])
def test_running_has_no_highest_speed(threshold: float, tells: bool) -> None:
    """Power steering hangs on 'running': a condition that only tells running from standing holds at any speed."""
    times = np.arange(0, 200, 0.02)
    rpm = np.where(times < 40, 0.0, 2500 + 1800 * np.sin(times / 9))
    line = DraftLine("d.M.rpm", "d.M.rpm", "rpm", VehicleSeries(times, rpm), 0.5, "engine_speed")
    message: Any = SimpleNamespace(time_s=times)
    for says in (rpm > threshold, rpm <= threshold):
        atom = Atom("d.M.rpm > t", VehicleSeries(times, says.astype(float)), 10.0, "key", "threshold", learned=(line,))
        assert separates_running(message, atom, line) is tells
    assert not separates_running(message, atom, replace(line, channel="oil_pressure"))


def test_progress_has_one_home() -> None:
    assert vars(driver)["Progress"] is Progress
    assert vars(reader)["Progress"] is Progress
