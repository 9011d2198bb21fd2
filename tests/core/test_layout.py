"""Core room: a layout read and written in one piece equals the one that goes bit by bit."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from swapbridge.core.layout import Layout, pieces, split_layout

SIZE = 8


def _bit_by_bit(layout: Layout, payload: bytes) -> int:
    raw = 0
    for weight, position in enumerate(layout.positions):
        raw |= ((payload[position >> 3] >> (position & 7)) & 1) << weight
    return raw - (1 << layout.length) if layout.signed and raw >> (layout.length - 1) else raw


@st.composite
def _layouts(draw: st.DrawFn) -> Layout:
    order = draw(st.sampled_from(["little_endian", "big_endian"]))
    layout = Layout(draw(st.integers(0, 63)), draw(st.integers(1, 64)), order, draw(st.booleans()))  # type: ignore[arg-type]
    return layout if layout.fits(SIZE) else Layout(layout.start, 1, layout.byte_order, layout.signed)


@given(_layouts(), st.binary(min_size=SIZE, max_size=SIZE))
def test_read_in_one_piece_equals_bit_by_bit(layout: Layout, payload: bytes) -> None:
    assert layout.unpack(payload) == _bit_by_bit(layout, payload)


@given(_layouts(), st.binary(min_size=SIZE, max_size=SIZE), st.data())
def test_written_values_come_back_and_leave_all_other_bits_alone(
    layout: Layout, payload: bytes, data: st.DataObject
) -> None:
    raw = data.draw(st.integers(*layout.raw_range))
    written = bytearray(payload)
    layout.pack(written, raw)
    assert len(written) == SIZE
    assert _bit_by_bit(layout, bytes(written)) == raw
    own = set(layout.positions)
    assert all((written[p >> 3] ^ payload[p >> 3]) >> (p & 7) & 1 == 0 for p in range(8 * SIZE) if p not in own)


@given(st.binary(min_size=SIZE, max_size=SIZE), st.integers(0, 4095))
def test_a_value_in_two_places_is_read_and_written_like_one(payload: bytes, raw: int) -> None:
    split = split_layout(Layout(4, 7, "little_endian"), Layout(34, 5, "big_endian"))
    assert split.unpack(payload) == _bit_by_bit(split, payload)
    written = bytearray(payload)
    split.pack(written, raw)
    assert split.unpack(written) == raw


@pytest.mark.parametrize("layout", [Layout(12, 8), Layout(3, 9, "big_endian")])
def test_a_payload_that_is_too_short_is_no_value(layout: Layout) -> None:
    with pytest.raises(IndexError):
        layout.unpack(b"\xff")
    short = bytearray(b"\xff")
    with pytest.raises(IndexError):
        layout.pack(short, 0)
    assert short == b"\xff"


@given(_layouts())
def test_there_is_one_piece_for_each_byte(layout: Layout) -> None:
    """Bits of one byte that follow each other are one piece, and together the pieces are the layout's bits."""
    cut = pieces(layout)
    assert len(cut) == len({position >> 3 for position in layout.positions})
    assert tuple(8 * one.byte + one.low + bit for one in cut for bit in range(one.width)) == layout.positions
