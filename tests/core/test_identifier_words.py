"""Identifiers as people write them, and the check polynomials of a CAN frame."""

from __future__ import annotations

import pytest
from crccheck.crc import Crc
from hypothesis import given
from hypothesis import strategies as st

from swapbridge.core.can_bits import CRC15, CRC17, CRC21, crc_of_bits
from swapbridge.core.errors import InputError
from swapbridge.core.identifier_words import (
    format_identifier,
    format_words,
    identifier_word,
    parse_identifier,
    split_word,
)

identifiers = st.one_of(
    st.tuples(st.integers(0, 0x7FF), st.just(False)), st.tuples(st.integers(0, 0x1FFF_FFFF), st.just(True))
)


@given(identifiers)
def test_what_is_written_is_read_again(one: tuple[int, bool]) -> None:
    assert parse_identifier(format_identifier(*one)) == one
    assert split_word(identifier_word(*one)) == one


def test_as_people_write_them() -> None:
    assert parse_identifier("CF00400x") == (0x0CF0_0400, True)
    assert parse_identifier("1a0") == parse_identifier("0x1A0") == (0x1A0, False)
    assert format_words(0x300, 0x3FF) == "300 to 3FF"
    assert format_words(0, 0x7FF) == "every 11-bit identifier"


@pytest.mark.parametrize("text", ["", "x", "800", "20000000x", "12G", "-1"])
def test_what_is_no_identifier_is_refused(text: str) -> None:
    with pytest.raises(InputError, match=r"identifier"):
        parse_identifier(text)


@given(st.binary(min_size=1, max_size=24))
def test_frame_checks_against_an_outside_library(data: bytes) -> None:
    """Polynomials and first values of ISO 11898-1:2015 (from memory): a CAN FD check starts with its top bit set."""
    bits = [byte >> (7 - n) & 1 for byte in data for n in range(8)]
    for ours, width, polynomial, first in (
        (CRC15, 15, 0x4599, 0),
        (CRC17, 17, 0x1685B, 1 << 16),
        (CRC21, 21, 0x102899, 1 << 20),
    ):
        outside = Crc(width, polynomial, first)
        outside.process(data)
        assert crc_of_bits(bits, *ours) == outside.final()


@pytest.mark.parametrize(("identifier", "extended", "bits"), [(0x800, False, 11), (1 << 29, True, 29), (-1, True, 29)])
def test_an_identifier_beyond_its_bits_is_refused(identifier: int, extended: bool, bits: int) -> None:
    with pytest.raises(InputError, match=f"does not fit {bits} bits"):
        identifier_word(identifier, extended)
