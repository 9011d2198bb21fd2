"""Prove room: constants and what never moved, beside what the old sender always said."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from swapbridge.core.layout import Layout
from swapbridge.core.roles import find_role
from swapbridge.proving.case import Track
from swapbridge.proving.judges.behaviour import life
from swapbridge.signalmap.signal_map import MapMessage, MapSignal, SignalMap

DONOR = {
    "Cylinders": (8, 4, "", ""),
    "Variant": (0x713, 16, "", ""),
    "WholeTorque": (480, 16, "Nm", "reference_torque"),
}
"""What the donor's own frames always say: value, bits, unit, role."""
SAFE = 200


def _signal(name: str, bits: int, unit: str, role: str) -> MapSignal:
    return MapSignal(name, Layout(0, bits), unit=unit, role=find_role(role).name if role else "")


def _track(signal: MapSignal, *raw: int) -> Track:
    said = np.repeat(raw, 20)
    return Track(np.arange(len(said)) / 10, said, np.ones(len(said), bool), signal)


def _status(name: str, old: int, new: int, source: tuple[int, ...] = (), bits: int = 16, **more: str) -> str:
    """What is said of a sent signal that always was `old` and always is `new`; a source says what is listed."""
    signals = {n: _signal(n, length, unit, role) for n, (_, length, unit, role) in DONOR.items()}
    message = MapMessage("IDENT", 0x701, False, 8, tuple(signals.values()))
    mine = _signal(name, bits, more.get("unit", ""), more.get("role", ""))
    role = find_role(more["role"]) if more.get("role") else None
    made: Any = SimpleNamespace(
        sources={("donor", "M", "S")} if source else set(), signal=mine, bus=0, role=role, label=name,
        send=SimpleNamespace(name="host.HELLO"), safe_raw=SAFE,
    )  # fmt: skip
    case: Any = SimpleNamespace(
        names=["host", "donor"],
        maps={"host": SignalMap(()), "donor": SignalMap((message,))},
        recorded_track=lambda bus, message, signal: _track(signal, DONOR[signal.name][0]),
        track_of=lambda place: _track(_signal("S", bits, "", ""), *source),
        bridge=SimpleNamespace(sources=(), units={}),
    )
    sent = (SAFE, new) if source else (new,)  # until its source is heard it says its safe answer
    return next((c.status for c in life._constant(case, made, _track(mine, old), _track(mine, *sent))), "")


@pytest.mark.parametrize(("old", "new", "status"), [(6, 8, "open"), (6, 6, "unproved"), (6, 7, "fail"), (8, 8, "")])
def test_what_an_engine_is_is_said_of_the_one_that_is_there(old: int, new: int, status: str) -> None:
    """The old engine had six cylinders, the new one's own frames say eight."""
    assert _status("HelloCylinders", old, new) == status


def test_a_reference_torque_is_that_of_the_engine_that_is_there() -> None:
    assert _status("HelloTorque", 280, 280, unit="Nm", role="reference_torque") == "unproved"
    assert _status("HelloTorque", 280, 480, unit="Nm", role="reference_torque") == "open"


def test_a_code_is_its_own_makers() -> None:
    """Both computers state a variant, each by its own numbers: the modules know the old one's."""
    assert _status("HelloVariant", 0x2B41, 0x2B41) == ""
    assert _status("HelloVariant", 0x2B41, 0x2B42) == "fail"
    assert _status("HelloVariant", 0x2B41, 0x713) == "fail", "the donor's own code, which no module here knows"


@pytest.mark.parametrize(
    ("source", "new", "status"),
    [((0,), 0, "unproved"), ((255,), 255, "unproved"), ((90,), 90, "open"), ((0, 9), 0, "")],
)
def test_a_source_whose_bits_never_moved_is_no_witness(source: tuple[int, ...], new: int, status: str) -> None:
    """The old sender always said 126: 63 % of a tank."""
    assert _status("FuelLevel", 126, new, source, bits=8, unit="%") == status
    assert _status("FuelLevel", new, new, source, bits=8, unit="%") == ""


def test_a_flag_may_differ_between_two_drives() -> None:
    assert _status("Lights", 1, 0, (0,), bits=1) == "open"


@pytest.mark.parametrize(
    ("seconds", "new", "status"),
    [(0.9, 1, "pass"), (2.0, 1, "unproved"), (2.0, 2, "pass"), (3.5, 1, "fail"), (3.5, 2, "fail"), (3.5, 0, "pass")],
)
def test_a_short_state_shows_what_was_always_so_and_is_never_so_now(
    seconds: float, new: int, status: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A flag that was never set with the engine stopped; `new` 2 is one that is set four times out of five."""
    count = int(100 * seconds)
    flag = _signal("AtIdle", 1, "", "")
    now = np.arange(count) % 5 > 0 if new == 2 else np.full(count, new)
    made: Any = SimpleNamespace(signal=flag, bus=0, label="AtIdle", send=SimpleNamespace(period_us=10_000))
    case: Any = SimpleNamespace(bridge=SimpleNamespace(buses=[SimpleNamespace(holds_engine=False)]))
    stopped = np.zeros(count, np.int64) + 4
    monkeypatch.setattr(life, "_cells", lambda *_: np.r_[stopped, stopped * 0 + 22])
    monkeypatch.setattr(life, "_cells_of", lambda *_: stopped)
    time_s = np.arange(2 * count) / 100
    before = Track(time_s, np.r_[stopped * 0, stopped * 0 + 1], np.ones(2 * count, bool), flag)
    after = Track(time_s[:count], now.astype(np.int64), np.ones(count, bool), flag)
    assert [c.status for c in life._when(case, made, before, after)] == [status]


@pytest.mark.parametrize(("as_before", "status"), [(True, "pass"), (False, "unproved")])
def test_a_flag_of_a_request_is_set_with_it(as_before: bool, status: str) -> None:
    """Something is asked for in every fifth frame, and the flag was set then; now it may be set at other times."""
    number, bit = _signal("Request", 12, "Nm", "torque_reduction_request"), _signal("Active", 1, "", "")
    rows = np.arange(500)
    asks = np.where(rows % 5 == 0, 900, 4000)
    flag, other = (rows % 5 == 0).astype(int), (rows % 5 == 2).astype(int)

    def track(signal: MapSignal, raw: Any) -> Track:
        return Track(rows / 100, raw, np.ones(len(rows), bool), signal)

    made: list[Any] = [
        SimpleNamespace(bus=0, message=None, signal=signal, role=find_role(signal.role) if signal.role else None,
                        is_open=False, label=signal.name)
        for signal in (number, bit)
    ]  # fmt: skip
    case: Any = SimpleNamespace(
        recorded_track=lambda bus, message, signal: track(signal, asks if signal is number else flag),
        sent_track=lambda one: track(one.signal, asks if one.signal is number else flag if as_before else other),
    )
    assert [c.status for c in life._with_request(case, made)] == [status]


GEARS = {7: "R", 1: "N", 5: "1", 3: "2", 0: "3", 6: "4", 2: "fault"}


@pytest.mark.parametrize(
    ("choices", "new", "statuses"),
    [
        (GEARS, (1, 5, 3, 0), ["pass"]),
        (GEARS, (1, 5, 3, 0, 6), ["open", "pass"]),
        (GEARS, (1, 5, 3, 0, 2), ["fail"]),
        (GEARS | {6: "5th"}, (1, 5, 3, 0, 6), ["fail"]),
        (GEARS | {6: "9"}, (1, 5, 3, 0, 6), ["fail"]),
        ({}, (1, 5, 3, 0, 6), ["fail"]),
        ({}, (1, 5, 3, 0, 8), ["pass"]),
    ],
    ids=["as before", "a further gear", "a fault", "no number", "too far", "no names", "a code that goes on"],
)
def test_a_gear_that_the_old_drive_never_came_to(
    choices: dict[int, str], new: tuple[int, ...], statuses: list[str]
) -> None:
    """A gearbox's codes stand in any order; a gear after the last one that was said is not wrong, but not proved."""
    signal = MapSignal("Gear", Layout(0, 4), choices=choices)
    made: Any = SimpleNamespace(signal=signal, bus=0, label="donor.TCU.Gear", send=SimpleNamespace(period_us=10_000))
    case: Any = SimpleNamespace(bridge=SimpleNamespace(buses=[SimpleNamespace(holds_engine=True)]))
    checks = list(life._when(case, made, _track(signal, 7, 1, 5, 3, 0), _track(signal, *new)))
    assert [c.status for c in checks] == statuses
    assert all("'4'" in c.measured for c in checks if c.status == "open")
