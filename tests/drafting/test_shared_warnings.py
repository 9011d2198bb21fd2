"""One warning of the donor's lights one lamp of the host's, unless nothing tells two lamps apart."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from swapbridge.capture.capture import FrameKey
from swapbridge.core.layout import Layout
from swapbridge.drafting import shared_warnings
from swapbridge.drafting.drafted import DraftedMessage, Explained
from swapbridge.drafting.recorded_vehicle import VehicleMessage, VehicleSeries

TIMES = np.arange(0, 100, 0.05)
WARNING = "donor.M_3A6.f_22_1"


def lamp(bit: int, sure: float, value: str = f"{WARNING} == 1") -> Explained:
    return Explained(Layout(bit, 1), f"f_{bit}_1", "copy", sure, value, "1")


def drafted(monkeypatch: pytest.MonkeyPatch, apart: bool, *lamps: Explained) -> list[str]:
    """How each lamp of a message is drafted; the second blinks while the engine runs if the two changed apart."""
    stands = TIMES < 15
    blinks = (TIMES % 30 > 20) & (TIMES % 30 < 20.5) if apart else np.zeros(len(TIMES), bool)
    rows = np.packbits(np.stack([stands, stands | blinks], axis=1), axis=1, bitorder="little")
    message = VehicleMessage(
        FrameKey(0, 0x39E, False), "M_39E", 1, 0.05, TIMES, rows, (), None, None, frozenset({0, 1})
    )  # fmt: skip
    speed = SimpleNamespace(series=VehicleSeries(TIMES, np.where(stands, 0.0, 900.0)))
    swap = SimpleNamespace(quantities={"engine_speed": speed}, words={})
    kit: Any = SimpleNamespace(bus="host", swap=swap, warnings=frozenset({WARNING}))
    monkeypatch.setattr(shared_warnings, "drawn", lambda *_: None)
    made: Any = DraftedMessage("host", message, None, lamps, "", "")  # type: ignore[arg-type]
    (out,) = shared_warnings.one_lamp_each(kit, [made])
    return [f"{f.how} {f.value}" for f in out.fields]


def test_the_surer_of_two_lamps_that_changed_apart_keeps_the_warning(monkeypatch: pytest.MonkeyPatch) -> None:
    """An oil lamp that copies the charge lamp's warning is dark when the oil pressure goes: it is open, and lit."""
    assert drafted(monkeypatch, True, lamp(0, 0.98), lamp(1, 0.86)) == [f"copy {WARNING} == 1", "open 1"]
    assert drafted(monkeypatch, True, lamp(0, 0.96), lamp(1, 0.95)) == ["open 1", "open 1"]


def test_lamps_that_nothing_tells_apart_or_of_warnings_of_their_own_stay(monkeypatch: pytest.MonkeyPatch) -> None:
    same = [f"copy {WARNING} == 1"] * 2
    assert drafted(monkeypatch, False, lamp(0, 0.98), lamp(1, 0.86)) == same
    other = lamp(1, 0.86, "donor.M_3A6.f_3_1 == 1")
    assert drafted(monkeypatch, True, lamp(0, 0.98), other) == [same[0], f"copy {other.value}"]
