"""Survey room: the tables count the bits that the bit-by-bit encoder writes."""

from __future__ import annotations

import numpy as np
from hypothesis import example, given
from hypothesis import strategies as st

from swapbridge.capture.capture import BIT_RATE_SWITCH, ERROR, EXTENDED, FD, REMOTE, Capture
from swapbridge.core import can_bits
from swapbridge.surveying.frame_bits import bus_time_ns, frame_lengths_in_bits, slow_and_fast_bits

Row = tuple[int, int, bytes]
stuffy_bytes = st.sampled_from([0x00, 0xFF, 0x07, 0xF8, 0x1F, 0x83, 0x3C, 0xAA, 0x5A])


@st.composite
def rows(draw: st.DrawFn) -> Row:
    extended = draw(st.booleans())
    identifier = draw(st.one_of(st.just(0), st.integers(0, 0x1FFFFFFF if extended else 0x7FF)))
    kind = draw(st.sampled_from([0, REMOTE, FD, FD | BIT_RATE_SWITCH]))
    size = draw(st.sampled_from(can_bits.FD_LENGTHS) if kind & FD else st.integers(0, 8))
    data = bytes(draw(st.lists(st.one_of(stuffy_bytes, st.integers(0, 255)), min_size=size, max_size=size)))
    return identifier, kind | (EXTENDED if extended else 0), data


def capture_of(frames: list[Row]) -> Capture:
    payload = np.zeros((len(frames), 64), np.uint8)
    for i, (_, flags, data) in enumerate(frames):
        payload[i, : len(data)] = [0] * len(data) if flags & REMOTE else list(data)
    return Capture(
        time_ns=np.arange(len(frames), dtype=np.int64),
        identifier=np.array([row[0] for row in frames], np.uint32),
        flags=np.array([row[1] for row in frames], np.uint8),
        bus=np.zeros(len(frames), np.uint8),
        length=np.array([len(row[2]) for row in frames], np.uint8),
        payload=payload,
    )


@given(st.lists(rows(), min_size=1, max_size=12))
@example([(0, FD, b""), (0x1F, FD | BIT_RATE_SWITCH, bytes(64)), (0, EXTENDED, bytes(8)), (0x7FF, 0, b"\xff" * 7)])
def test_columns_equal_the_bit_by_bit_encoder(frames: list[Row]) -> None:
    slow, fast = slow_and_fast_bits(capture_of(frames))
    for i, (identifier, flags, data) in enumerate(frames):
        assert (slow[i], fast[i]) == can_bits.frame_bits(
            identifier,
            bool(flags & EXTENDED),
            data,
            fd=bool(flags & FD),
            bit_rate_switch=bool(flags & BIT_RATE_SWITCH),
            remote=bool(flags & REMOTE),
        )


def test_no_classic_frame_is_longer_than_the_published_bound() -> None:
    """Davis, Burns, Bril, Lukkien 2007 (from memory): 8s + g + 13 + floor((g + 8s - 1) / 4), g 34 or 54."""
    rng = np.random.default_rng(5)
    for extended, g in ((0, 34), (EXTENDED, 54)):
        for size in range(9):
            data = rng.choice([0x00, 0xFF, 0x0F, 0x78, 0x87], size=(300, size)).astype(np.uint8)
            frames = [(int(rng.integers(0, 0x800)), extended, row.tobytes()) for row in data]
            bits = frame_lengths_in_bits(capture_of(frames))
            assert bits.max() <= 8 * size + g + 13 + (g + 8 * size - 1) // 4
            assert bits.min() >= 8 * size + g + 13


def test_error_frames_count_as_the_longest() -> None:
    """6 + 6 bits of flags, 8 of delimiter, 3 of intermission (ISO 11898-1, from memory)."""
    assert frame_lengths_in_bits(capture_of([(0, ERROR, b"")])).tolist() == [23]


def test_a_length_without_a_code_counts_as_padded() -> None:
    short, padded = bytes([1] * 9), bytes([1] * 9 + [0] * 3)
    bits = frame_lengths_in_bits(capture_of([(0x123, FD, short), (0x123, FD, padded)]))
    assert bits[0] == bits[1] == sum(can_bits.frame_bits(0x123, False, padded, fd=True))


def test_bus_time_takes_each_part_at_its_own_rate() -> None:
    frames = [(0x123, 0, bytes(range(8))), (0x123, FD | BIT_RATE_SWITCH, bytes(range(64)))]
    capture = capture_of(frames)
    slow, fast = slow_and_fast_bits(capture)
    time = bus_time_ns(capture, 500_000, 2_000_000)
    assert time.tolist() == [int(slow[0]) * 2000, int(slow[1]) * 2000 + int(fast[1]) * 500]
    classic = capture.select(slice(0, 1))
    assert bus_time_ns(classic, 83_333)[0] == round(int(slow[0]) * 1e9 / 83_333)
