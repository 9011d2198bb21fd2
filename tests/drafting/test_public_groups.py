"""J1939 in drafting: public parameters keep their published layout; commands are never drafted, nor J1939's own."""

from __future__ import annotations

import pytest

from swapbridge.core import j1939
from swapbridge.drafting import never
from swapbridge.drafting.building import build_vehicle
from swapbridge.drafting.recorded_vehicle import Vehicle, VehicleMessage
from swapbridge.guessing.guess import guess
from tests.surveying.heavy import Frame, capture_of, heavy_frames, long_message


def vehicle_of(frames: list[Frame]) -> Vehicle:
    capture = capture_of(sorted(frames))
    return build_vehicle("donor", capture, guess(capture), None)


def message_of(vehicle: Vehicle, number: int) -> VehicleMessage:
    return next(m for m in vehicle.messages.values() if m.group is not None and m.group.number == number)


def test_engine_speed_is_a_channel_without_a_stimulus() -> None:
    engine = message_of(vehicle_of(heavy_frames()), 0xF004)
    (speed,) = [f for f in engine.fields if f.channel == "engine_speed"]
    assert (speed.layout.start, speed.layout.length, speed.scale, speed.unit) == (24, 16, 0.125, "rpm")


@pytest.mark.parametrize("number", [*j1939.COMMANDS, j1939.TRANSPORT])
def test_commands_and_machinery_are_refused(number: int) -> None:
    word = j1939.Identifier(3, number, 3, 0).word
    command = [(k / 50, word, bytes([k & 1, k & 255, 1, 125 + k % 5, 0xFF, 0xFF, 0xFF, 0xFF])) for k in range(900)]
    more = long_message(3.0, 0, 0xFEE3, bytes(28)) * 20 if number == j1939.TRANSPORT else command
    why = never.refused(message_of(vehicle_of([*heavy_frames(), *more]), number))
    assert "J1939" in why or "written by hand" in why


def test_the_same_number_on_a_private_bus_is_nothing_special() -> None:
    word = j1939.Identifier(3, 0, 3, 0).word
    vehicle = vehicle_of([(k / 50, word, bytes([k & 1, k & 255, 1, 0, 0, 0, 0, 0])) for k in range(900)])
    (only,) = vehicle.messages.values()
    assert only.group is None
