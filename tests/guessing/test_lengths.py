"""Payloads whose length varies: each byte is studied in the frames that have it, and only there."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import Capture
from swapbridge.capture.stimulus import Channel, StimulusTrack
from swapbridge.core.integrity import Checksum, Crc, checksum_from_dict
from swapbridge.core.layout import Layout
from swapbridge.guessing.coding.bit_columns import make_columns
from swapbridge.guessing.guess import guess
from swapbridge.guessing.layout.study import exact_fields, exact_study, study

N = 1800
T = np.arange(N) * 0.02
Ints = npt.NDArray[np.int64]


def wave(seconds: float, size: float, middle: float) -> Ints:
    value: Ints = np.rint(middle + size * np.sin(2 * np.pi * T / seconds) * np.cos(2 * np.pi * T / 17.3)).astype(
        np.int64
    )
    return value


def capture_of(payload: npt.NDArray[np.uint8], length: npt.NDArray[np.uint8]) -> Capture:
    return Capture(
        np.rint(T * 1e9).astype(np.int64) + 10**9,
        np.full(N, 0x310, np.uint32),
        np.zeros(N, np.uint8),
        np.zeros(N, np.uint8),
        length,
        payload,
    )


def mixed(lengths: tuple[int, ...], shares: tuple[float, ...], width: int) -> tuple[Capture, Ints]:
    """A field of 16 bits in bytes 0-1, one of 8 bits in byte 2, one of 16 bits in the last two bytes of the longest."""
    rng = np.random.default_rng(3)
    payload = np.zeros((N, width), np.uint8)
    tail = wave(7.1, 9_000, 30_000)
    first = wave(5.3, 12_000, 32_000)
    payload[:, 0], payload[:, 1] = first >> 8, first & 0xFF
    payload[:, 2] = wave(3.7, 90, 128)
    payload[:, width - 2], payload[:, width - 1] = tail >> 8, tail & 0xFF
    length = rng.choice(np.array(lengths, np.uint8), N, p=shares)
    payload[np.arange(width)[None, :] >= length[:, None]] = 0
    return capture_of(payload, length), tail


def told(tail: Ints) -> StimulusTrack:
    time, value = np.asarray(T + 1.0, np.float64), np.asarray(tail * 0.1 - 3_000, np.float64)
    return StimulusTrack({"angle": Channel("angle", time, value, "deg", ())})


def test_bytes_that_only_longer_frames_have_are_found_and_followed() -> None:
    capture, tail = mixed((4, 8), (0.6, 0.4), 8)
    (message,) = guess(capture, told(tail)).messages
    assert message.length == 8
    found = {f.layout.positions: f for f in message.fields}
    assert {Layout(7, 16, "big_endian").positions, Layout(55, 16, "big_endian").positions} <= set(found)
    follower = found[Layout(55, 16, "big_endian").positions]
    assert follower.stimulus == "angle"
    assert follower.scale == 0.1
    assert follower.evidence["frames"] == int((capture.length == 8).sum())


def test_short_frames_among_long_ones_do_not_disturb_a_fit() -> None:
    capture, tail = mixed((4, 8), (0.1, 0.9), 8)
    (message,) = guess(capture, told(tail)).messages
    (follower,) = [f for f in message.fields if f.stimulus == "angle" and f.confidence > 0.8]
    assert follower.layout.positions == Layout(55, 16, "big_endian").positions
    assert follower.evidence["r2_held_out"] > 0.999


def test_fd_payloads_of_three_lengths() -> None:
    capture, _ = mixed((8, 24, 64), (0.5, 0.2, 0.3), 64)
    (message,) = guess(capture).messages
    assert message.length == 64
    places = [f.layout.positions for f in message.fields]
    assert Layout(62 * 8 + 7, 16, "big_endian").positions in places
    bits = [p for positions in places for p in positions]
    assert len(bits) == len(set(bits))


def test_a_checksum_covers_no_byte_that_its_frames_lack() -> None:
    check = Checksum(Layout(40, 8), Crc(8, 0x1D, 0xFF, False, 0xFF, (0, 1, 2, 3, 4)))
    rng = np.random.default_rng(5)
    payload = np.zeros((N, 8), np.uint8)
    first = wave(5.3, 12_000, 32_000)
    payload[:, 0], payload[:, 1] = first >> 8, first & 0xFF
    payload[:, 2], payload[:, 3], payload[:, 4] = wave(3.7, 90, 128), np.arange(N) % 16, rng.integers(0, 4, N)
    for row in payload:
        one = bytearray(row[:6].tobytes())
        check.insert(one)
        row[:6] = np.frombuffer(bytes(one), np.uint8)
    length = np.where(np.arange(N) % 10 == 0, 8, 6).astype(np.uint8)
    columns = make_columns(0x310, False, np.rint(T * 1e9).astype(np.int64), length, payload)
    (field,) = [f for f in exact_fields(exact_study(columns)) if f.kind == "checksum"]
    assert field.method is not None
    again = checksum_from_dict(field.method)
    assert again.method == Crc(8, 0x1D, 0xFF, False, 0xFF, (0, 1, 2, 3, 4), name="CRC-8/SAE-J1850")
    assert all(again.holds(row[:6].tobytes()) for row in payload)
    assert study(columns).columns.payload.shape[1] == 6
