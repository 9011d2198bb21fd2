"""Prove room: what a source of the other vehicle would have said, by readings and by the absent computer's words."""

from __future__ import annotations

from fractions import Fraction
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from swapbridge.core.layout import Layout
from swapbridge.core.roles import find_role
from swapbridge.proving.case import Track
from swapbridge.proving.judges.behaviour import own_words
from swapbridge.proving.judges.behaviour.own_words import _engine_state_voice, _from_map, _same_pace
from swapbridge.proving.verdict import check_of
from swapbridge.signalmap.signal_map import MapMessage, MapSignal
from tests.proving.one_bus import OneBus

T = np.arange(0, 30, 0.1)
RPM = np.where(T < 10, 0.0, 1500.0)
MESSAGE = MapMessage("M", 0x100, False, 8)
OLD = {0: "off", 1: "on", 2: "start", 3: "running", 4: "overrun"}
NEW = {5: "off", 2: "on", 3: "start", 0: "running", 6: "overrun"}


def _state(raw: Any, old: dict[int, str], new: dict[int, str]) -> Any:
    """The donor's state as own words have it: engine speed was read, and the old computer said `raw`."""
    case: Any = OneBus().beside("engine_speed", T, RPM, "rpm")
    layout = Layout(0, 3)
    case.says("engine_running", T, raw, "", scale=Fraction(1), offset=Fraction(0), layout=layout, choices=old)
    signal = MapSignal("S", layout, choices=new, role=find_role("engine_running").name)
    voice = _engine_state_voice(case, 0, signal, "engine_running")
    assert voice is not None
    assert voice.tested
    return voice.raw[np.searchsorted(voice.time_s, [5.0, 15.0, 25.0], "right") - 1].tolist()


def test_what_speed_cannot_tell_apart_is_the_old_computers_own_word() -> None:
    said = np.select([T < 2, T < 10, T < 20], [0, 1, 3], 4)
    assert _state(said, OLD, NEW) == [2, 0, 6], "on, running, overrun"


@pytest.mark.parametrize(("a", "b"), [(0, 3), (0, 4), (1, 3), (1, 4)])
def test_codes_swapped_between_standing_and_running_do_not_cancel(a: int, b: int) -> None:
    """A map with two codes on each other's places: by speed the engine stands at first and runs later."""
    said = np.select([T < 10, T < 20], [a, 3], 4)
    swapped = {**OLD, a: OLD[b], b: OLD[a]}
    stands, runs, later = _state(said, swapped, NEW)
    assert NEW[stands] in ("off", "on")
    assert {NEW[runs], NEW[later]} <= {"running", "overrun"}


def _voice(own: MapSignal, signal: MapSignal, raw: list[int]) -> list[int]:
    track = Track(np.arange(len(raw)) / 10, np.array(raw), np.ones(len(raw), bool), own)
    case: Any = SimpleNamespace(recorded_track=lambda bus, message, signal: track)
    voice = _from_map(case, 0, MESSAGE, own, 1, MESSAGE, signal)
    assert voice is not None
    return [int(raw) for raw in voice.raw]


def test_numbers_without_a_unit_keep_their_value_not_their_bits() -> None:
    fine = MapSignal("A", Layout(0, 12), Fraction(1, 10))
    coarse = MapSignal("A", Layout(0, 10), Fraction(1, 2), Fraction(-20))
    assert _voice(fine, coarse, [0, 100, 205]) == [40, 60, 81]


def test_of_two_flags_one_may_be_lit_at_zero() -> None:
    plain, inverted = (MapSignal("Lamp", Layout(0, 1), choices=c) for c in ({}, {0: "on", 1: "off"}))
    assert _voice(plain, inverted, [1, 0, 1]) == [0, 1, 0]
    assert _voice(inverted, plain, [1, 0, 1]) == [0, 1, 0]
    assert _voice(plain, plain, [1, 0, 1]) == [1, 0, 1]


@pytest.mark.parametrize(("pace", "start", "status"), [(1.0, 0, "pass"), (1.0, 100, "pass"), (1.3, 0, "fail")])
def test_a_total_that_wrapped_is_known_by_its_pace(pace: float, start: int, status: str) -> None:
    """It turns over every few seconds, so that the least error of its rate moves where it stands."""
    total = np.cumsum(np.where(T < 10, 2.0, 6.0) + 2 * np.sin(T))
    own = MapSignal("Fuel", Layout(0, 8))
    made: Any = SimpleNamespace(label="host.M.Fuel")
    new = Track(T, np.floor(pace * total + start).astype(int) % 256, np.ones(len(T), bool), own)
    moments = T[5:-5:2]
    recorded = np.floor(total).astype(int)[5:-5:2] % 256
    assert _same_pace(made, moments, recorded, new, tested=True).status == status


def test_a_total_of_something_else_fails_at_the_same_mean_pace() -> None:
    own = MapSignal("Fuel", Layout(0, 8))
    made: Any = SimpleNamespace(label="host.M.Fuel")
    then, now = (np.floor(np.cumsum(4 + 3 * np.sin(T + late))).astype(int) % 256 for late in (0.0, 3.0))
    new = Track(T, now, np.ones(len(T), bool), own)
    assert _same_pace(made, T[5:-5:2], then[5:-5:2], new, tested=True).status == "fail"


@pytest.mark.parametrize(("said_by", "listed"), [(None, True), ("says engine load as sent", False)])
def test_a_rule_whose_sources_nothing_tells_is_listed(
    said_by: str | None, listed: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Half of a steering angle that nobody measured and that has no role: no loop through a recording tries it."""
    monkeypatch.setattr(own_words, "reproduced_signals", lambda case, bus: iter(()))
    made = SimpleNamespace(
        bus=0, label="host.M.Angle", signal=SimpleNamespace(name="Angle"), is_open=False,
        send=SimpleNamespace(once=0), sources=frozenset({("donor", "M", "Angle")}),
    )  # fmt: skip
    said = [check_of("maps", "host.M.Angle", said_by, True, "", "", "")] if said_by else []
    case: Any = SimpleNamespace(names=["host", "donor"], made=[made], checks=said)
    found = [(c.name, c.status) for c in own_words._one_bus(case, 0)]
    assert found == ([("rule not tested", "open")] if listed else [])


@pytest.mark.parametrize(
    ("said", "status"), [(T > 10, "pass"), (T > 11, "pass"), (np.sin(T) > 0, "unproved"), (0 * T, "unproved")]
)
def test_what_is_made_from_its_own_bus_repeats_its_old_sender(
    said: Any, status: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All that such a rule reads stands in the very recording in which the old sender spoke."""
    flag = MapSignal("Lights", Layout(0, 1))
    old, new = (Track(T, np.asarray(raw).astype(np.int64), np.ones(len(T), bool), flag) for raw in (T > 10, said))
    made: Any = SimpleNamespace(
        bus=0, label="host.M.Lights", signal=flag, is_open=False, role=None, functions=frozenset(),
        message=SimpleNamespace(word=1), send=SimpleNamespace(once=0), sources=frozenset({("host", "M", "Idle")}),
    )  # fmt: skip
    other: Any = SimpleNamespace(
        bus=0, label="host.M.X", is_open=True, send=SimpleNamespace(once=0), sources=frozenset({("donor", "M", "X")})
    )
    one = own_words.Reproduced(made, old, new, crosses=False, tested=True)
    monkeypatch.setattr(own_words, "reproduced_signals", lambda case, bus: iter([one]))
    case: Any = SimpleNamespace(
        names=["host", "donor"], made=[made, other], checks=[], tables=SimpleNamespace(curves=[]),
        reference=SimpleNamespace(targets={(0, 1): SimpleNamespace(signals={})}),
    )  # fmt: skip
    assert [c.status for c in own_words._one_bus(case, 0)] == [status]
