"""Prove room: the tables count the bits that the bit-by-bit encoder writes."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from swapbridge.capture.capture import BIT_RATE_SWITCH, ERROR, EXTENDED, FD, REMOTE, Capture
from swapbridge.core.can_bits import FD_LENGTHS, frame_bits
from swapbridge.prove.frame_lengths import frame_lengths, one_frame

bytes_of_runs = st.sampled_from([0x00, 0xFF, 0x07, 0xF8, 0x1F, 0x83, 0x3C, 0xAA, 0x5A])


@st.composite
def frames(draw: st.DrawFn) -> tuple[int, int, bytes]:
    extended = draw(st.booleans())
    identifier = draw(st.integers(0, 0x1FFFFFFF if extended else 0x7FF))
    kind = draw(st.sampled_from([0, REMOTE, FD, FD | BIT_RATE_SWITCH]))
    size = draw(st.sampled_from(FD_LENGTHS) if kind & FD else st.integers(0, 8))
    data = bytes(draw(st.lists(st.one_of(bytes_of_runs, st.integers(0, 255)), min_size=size, max_size=size)))
    return identifier, kind | (EXTENDED if extended else 0), data


def _capture(rows: list[tuple[int, int, bytes]]) -> Capture:
    payload = np.zeros((len(rows), 64), np.uint8)
    for i, (_, _, data) in enumerate(rows):
        payload[i, : len(data)] = list(data)
    return Capture(
        time_ns=np.arange(len(rows), dtype=np.int64),
        identifier=np.array([r[0] for r in rows], np.uint32),
        flags=np.array([r[1] for r in rows], np.uint8),
        bus=np.zeros(len(rows), np.uint8),
        length=np.array([len(r[2]) for r in rows], np.uint8),
        payload=payload,
    )


@given(st.lists(frames(), min_size=1, max_size=12))
def test_columns_equal_the_encoder(rows: list[tuple[int, int, bytes]]) -> None:
    slow, fast = frame_lengths(_capture(rows))
    for i, (identifier, flags, data) in enumerate(rows):
        expected = frame_bits(
            identifier,
            bool(flags & EXTENDED),
            data,
            fd=bool(flags & FD),
            bit_rate_switch=bool(flags & BIT_RATE_SWITCH),
            remote=bool(flags & REMOTE),
        )
        assert (slow[i], fast[i]) == expected
        if not flags & REMOTE:
            single = one_frame(
                identifier, bool(flags & EXTENDED), data, bool(flags & FD), bool(flags & BIT_RATE_SWITCH)
            )
            assert single == expected


def test_error_frames_count_as_the_longest() -> None:
    """6 + 6 bits of flags, 8 of delimiter, 3 of intermission (ISO 11898-1, from memory)."""
    slow, fast = frame_lengths(_capture([(0, ERROR, b"")]))
    assert (slow[0], fast[0]) == (23, 0)


def test_a_length_without_a_code_is_padded() -> None:
    slow, fast = frame_lengths(_capture([(0x123, FD, bytes([1] * 9))]))
    assert (slow[0], fast[0]) == frame_bits(0x123, False, bytes([1] * 9 + [0] * 3), fd=True)
