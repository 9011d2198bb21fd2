"""A scan tool's answers in a capture become channels: single frames, several PIDs, ISO 15765-2, both address forms."""

from __future__ import annotations

import numpy as np
import pytest

from swapbridge.capture.capture import EXTENDED, Capture
from swapbridge.guessing.meaning.obd_channels import obd_channels


def capture_of(frames: list[tuple[float, int, bool, bytes]]) -> Capture:
    n = len(frames)
    payload = np.zeros((n, 8), np.uint8)
    for k, (*_, data) in enumerate(frames):
        payload[k, : len(data)] = list(data)
    return Capture(
        np.array([int(f[0] * 1e9) for f in frames], np.int64),
        np.array([f[1] for f in frames], np.uint32),
        np.array([EXTENDED if f[2] else 0 for f in frames], np.uint8),
        np.zeros(n, np.uint8),
        np.array([len(f[3]) for f in frames], np.uint8),
        payload,
    )


@pytest.mark.parametrize(("identifier", "extended"), [(0x7E8, False), (0x18DAF110, True)])
def test_single_and_multi_frame_answers(identifier: int, extended: bool) -> None:
    """Engine speed in single frames; speed, coolant and speed of engine together in a first and a consecutive frame."""
    frames = []
    for k in range(40):
        t = 0.2 * k
        rpm = 800 + 10 * k
        frames.append(
            (t, identifier, extended, bytes([4, 0x41, 0x0C, *(rpm * 4).to_bytes(2, "big")]).ljust(8, b"\x55"))
        )
        message = bytes([0x41, 0x0C, *(rpm * 4).to_bytes(2, "big"), 0x0D, k, 0x05, 40 + k])
        frames.append((t + 0.05, identifier, extended, bytes([0x10, len(message)]) + message[:6]))
        frames.append((t + 0.06, identifier, extended, bytes([0x21]) + message[6:]))
        frames.append((t + 0.07, 0x7E0, False, bytes([0x30, 0, 0])))
        frames.append((t + 0.08, identifier, extended, bytes([3, 0x7F, 0x01, 0x12])))
    channels, keys = obd_channels(capture_of(frames))
    assert set(channels) == {"engine_speed", "vehicle_speed", "coolant_temp"}
    assert len(channels["engine_speed"].time_s) == 80
    assert channels["engine_speed"].value[-1] == 1190
    assert channels["engine_speed"].unit == "rpm"
    assert channels["coolant_temp"].value.tolist() == list(range(40))
    assert channels["vehicle_speed"].time_s[1] == pytest.approx(0.26)
    assert {(k.identifier, k.extended) for k in keys} == {(identifier, extended)}


def test_other_traffic_is_no_channel() -> None:
    """Few answers, other services and ordinary identifiers give nothing."""
    few = [(k * 0.1, 0x7E8, False, bytes([4, 0x41, 0x0C, 0x10, 0])) for k in range(10)]
    service_09 = [(k * 0.1, 0x7E8, False, bytes([4, 0x49, 0x0C, 0x10, 0])) for k in range(40)]
    plain = [(k * 0.1, 0x123, False, bytes([4, 0x41, 0x0C, 0x10, 0])) for k in range(40)]
    assert obd_channels(capture_of(few))[0] == {}
    assert obd_channels(capture_of(service_09)) == ({}, frozenset())
    assert obd_channels(capture_of(plain)) == ({}, frozenset())


def test_of_two_modules_the_busier_one_is_taken() -> None:
    """The engine computer answers at every request, the transmission at every second."""
    frames = []
    for k in range(60):
        frames.append((k * 0.1, 0x7E8, False, bytes([3, 0x41, 0x0D, k])))
        if k % 2:
            frames.append((k * 0.1 + 0.01, 0x7E9, False, bytes([3, 0x41, 0x0D, 200])))
    channels, keys = obd_channels(capture_of(frames))
    assert channels["vehicle_speed"].value.max() == 59
    assert len(keys) == 2
