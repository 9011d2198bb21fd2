"""Prove room: the quick count of one frame's bits equals the bit-by-bit encoder and the survey's columns."""

from __future__ import annotations

from collections.abc import Callable

from hypothesis import given
from hypothesis import strategies as st

from swapbridge.capture.capture import FD, Capture
from swapbridge.core.can_bits import FD_LENGTHS, frame_bits
from swapbridge.core.identifier_words import identifier_word
from swapbridge.proving.bench.frame_length import frame_length
from swapbridge.surveying.frame_bits import slow_and_fast_bits

identifiers = st.one_of(
    st.tuples(st.integers(0, 0x7FF), st.just(False)), st.tuples(st.integers(0, 0x1FFFFFFF), st.just(True))
)
byte = st.one_of(st.sampled_from([0x00, 0xFF, 0x07, 0xF8, 0x1F, 0x83, 0x3C]), st.integers(0, 255))


@given(identifiers, st.lists(byte, max_size=8).map(bytes))
def test_classic(capture_of: Callable[..., Capture], who: tuple[int, bool], data: bytes) -> None:
    assert frame_length(*who, data) == frame_bits(*who, data)
    slow, _ = slow_and_fast_bits(capture_of([(0, identifier_word(*who), data)]))
    assert frame_length(*who, data) == (slow[0], 0)


@given(identifiers, st.sampled_from(FD_LENGTHS), byte)
def test_fd(capture_of: Callable[..., Capture], who: tuple[int, bool], size: int, fill: int) -> None:
    data = bytes([fill] * size)
    assert frame_length(*who, data, fd=True) == frame_bits(*who, data, fd=True)
    slow, fast = slow_and_fast_bits(capture_of([(0, identifier_word(*who), data)], flags=FD))
    assert frame_length(*who, data, fd=True) == (slow[0], fast[0])
