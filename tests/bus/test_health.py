"""The first look at a bus: load from exact frame lengths, and the usual troubles named."""

from __future__ import annotations

import can

from swapbridge.bus.adapters.health import NO_TRAFFIC, ONE_FRAME, ONLY_ERRORS, HealthMeter
from swapbridge.core.can_bits import frame_bits

S = 1_000_000_000


def test_load_is_bits_over_bit_rate() -> None:
    """Reference: bits of each frame counted by the bit-by-bit encoder, times frames a second."""
    meter, data = HealthMeter(500_000), bytes(range(8))
    for k in range(1000):
        meter.feed(can.Message(arbitration_id=0x100 + k % 3, data=data, is_extended_id=False), k * S // 1000)
    health = meter.report(S)
    bits = sum(frame_bits(0x100 + k, False, data)[0] for k in range(3)) / 3
    assert health.load is not None
    assert abs(health.load - 1000 * bits / 500_000) < 0.002
    assert round(health.frames_per_s) == 1000
    assert health.identifiers == 3
    assert health.warning == ""
    assert "25 % load" in health.line() or "24 % load" in health.line()


def test_unknown_bit_rate_has_no_load() -> None:
    meter = HealthMeter()
    meter.feed(can.Message(arbitration_id=1, data=b"\1"), 0)
    assert meter.report(S).load is None
    assert "state bitrate=" in meter.report(S).line()


def test_silence_and_errors_are_named() -> None:
    meter = HealthMeter(500_000)
    assert meter.report(0).warning == NO_TRAFFIC
    for k in range(50):
        meter.feed(can.Message(is_error_frame=True), k * S // 50)
    health = meter.report(2 * S)
    assert health.warning == ONLY_ERRORS
    assert health.errors_per_s > 20
    assert "errors/s" in health.line()
    assert meter.report(4 * S).warning == NO_TRAFFIC


def test_one_frame_at_full_load_means_that_nobody_acknowledges() -> None:
    meter = HealthMeter(500_000)
    for k in range(4000):
        meter.feed(can.Message(arbitration_id=0x123, data=bytes(8), is_extended_id=False), k * S // 4000)
    warning = meter.report(S).warning
    assert ONE_FRAME in warning
    assert warning.startswith("123:")


def test_the_last_report_stands_until_its_second_is_over() -> None:
    meter = HealthMeter(500_000)
    meter.feed(can.Message(arbitration_id=1, data=b"\1"), 0)
    first = meter.report(S)
    meter.feed(can.Message(arbitration_id=2, data=b"\1"), S)
    assert meter.report(S + 1) is first
    assert meter.report(2 * S + 1).identifiers == 2


def test_fd_frames_count_at_their_second_rate() -> None:
    meter = HealthMeter(500_000, 2_000_000)
    message = can.Message(
        arbitration_id=1, is_extended_id=False, is_fd=True, bitrate_switch=True, data=bytes(range(64))
    )
    for k in range(100):
        meter.feed(message, k * S // 100)
    slow, fast = frame_bits(1, False, bytes(range(64)), fd=True, bit_rate_switch=True)
    load = meter.report(S).load
    assert load is not None
    assert abs(load - 100 * (slow / 500_000 + fast / 2_000_000)) < 1e-3
