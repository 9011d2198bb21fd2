"""Which bits belong together: a switch beside a value, a bit that only carries, a choice that no number comes near."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swapbridge.core.layout import Layout
from swapbridge.drafting import switches
from swapbridge.drafting.channel_words import Telling
from swapbridge.drafting.explain.field import _jumps, _warned, _warned_of
from swapbridge.drafting.explain.flags import Watched
from swapbridge.drafting.explain.numbers import ROUNDING, Measured, NumberPart, Sums, _term
from swapbridge.drafting.lines import Atom, DraftLine
from swapbridge.drafting.vehicle import VehicleField, VehicleMessage, VehicleSeries, raw_series
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
    assert _warned_of(kit, found[0])
    assert not _warned(kit, Watched(times, np.roll(lit, 150), 0.12)), "one that it does not go with"


def test_both_ends_of_a_field_are_tried() -> None:
    """Bits 3 to 11 move, of which the first or the last may be a switch; a field that stands still gives none."""
    told: Any = message(np.arange(0, 1500), frozenset(range(3, 12)))
    ends = list(switches._ends(told, field(Layout(3, 9), 9)))
    assert [(a.layout.start, b.layout.start, b.layout.length) for a, b in ends] == [(3, 4, 8), (11, 3, 8)]
    assert not list(switches._ends(message(np.zeros(9, int), frozenset()), field(VALUE, 0)))


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
        patch.setattr(switches, "word_channels", lambda v: {"brake": (pressed, ("0", "1"))} if v is vehicle else {})
        patch.setattr(switches, "find_words", found.append)
        switches.cut_switches(swap)
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
    assert switches._goes(Telling("brake", 0.0, {}, {}, 0.99, 0.99))
    assert not switches._goes(Telling("brake", 0.0, {}, {}, 1.0, 0.6))
