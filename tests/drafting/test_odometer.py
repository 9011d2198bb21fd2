"""An odometer is neither made up nor repeated."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from swapbridge.capture.capture import FrameKey
from swapbridge.capture.stimulus import Channel, StimulusTrack
from swapbridge.core.layout import Layout
from swapbridge.drafting.explain.measured import explain_number
from swapbridge.drafting.recorded_vehicle import Vehicle, VehicleField, VehicleMessage

TIMES = np.arange(0, 100, 0.1)


@pytest.mark.parametrize(("channel", "opened"), [("odometer", True), ("trip_distance", True), ("coolant_temp", False)])
def test_what_goes_with_the_odometer_is_open_and_nothing_recorded_is_sent(channel: str, opened: bool) -> None:
    """It was drafted as a table of the coolant: both only climb while an engine warms up."""
    raw = (1000 + TIMES * 7).astype(np.int64)
    payload = np.stack([raw & 0xFF, raw >> 8], axis=1).astype(np.uint8)
    one = VehicleField("f_0_16", Layout(0, 16), "number", 11, 0.9)
    message = VehicleMessage(
        FrameKey(0, 0x100, False), "M_100", 2, 0.1, TIMES, payload, (one,), None, None, frozenset(range(16))
    )
    said = Channel(channel, TIMES[::5], (raw / 10)[::5], "km")
    vehicle = Vehicle("host", {(0x100, False): message}, ((0.0, 100.0),), StimulusTrack({channel: said}), 0.0)
    swap = SimpleNamespace(vehicle=lambda bus: vehicle, quantities={}, host=vehicle, donor=vehicle)
    kit: Any = SimpleNamespace(swap=swap, bus="host", lines=(), local=(), linked=(), atoms=(), warnings=frozenset())
    made = explain_number(kit, message, one, frozenset(range(16)))
    assert made.how == "open"
    assert (made.value == "65535") is opened
    assert ("odometer" in made.words) is opened
