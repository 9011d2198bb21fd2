"""Core room's bit encoder against published check values, bounds and an independent stuffing oracle."""

from __future__ import annotations

import re

import pytest
from crccheck.crc import Crc15Can, Crc17CanFd, Crc21CanFd
from hypothesis import given
from hypothesis import strategies as st

from swapbridge.core.can_bits import (
    CRC15,
    CRC17,
    CRC21,
    FD_LENGTHS,
    arbitration_key,
    classic_frame,
    crc_of_bits,
    fd_frame,
    worst_case_bits,
)
from swapbridge.core.errors import InputError


def _to_bits(data: bytes) -> list[int]:
    return [int(c) for byte in data for c in f"{byte:08b}"]


def _stuff_by_text(text: str) -> str:
    """Another way to stuff: a regular expression over the text of the bits, restarted behind every stuff bit."""
    done, rest = "", text
    while match := re.search(r"00000|11111", rest):
        done += rest[: match.end()]
        rest = ("1" if match.group()[0] == "0" else "0") + rest[match.end() :]
    return done + rest


def _classic_text(identifier: int, extended: bool, data: bytes, remote: bool) -> str:
    """Fields as text, CRC from the library crccheck, to compare whole frames with."""
    rtr = "1" if remote else "0"
    head = f"0{identifier >> 18:011b}11{identifier & 0x3FFFF:018b}{rtr}00" if extended else f"0{identifier:011b}{rtr}00"
    plain = head + f"{len(data):04b}" + ("" if remote else "".join(f"{b:08b}" for b in data))
    # Leading zeros leave a CRC that starts from zero alone, so that the bits can be fed as whole bytes.
    padded = plain.zfill(-(-len(plain) // 8) * 8)
    crc = Crc15Can.calc(int(padded, 2).to_bytes(len(padded) // 8, "big"))
    return _stuff_by_text(plain + f"{crc:015b}") + "1" + "0" + "1" + "1" * 7


identifiers = st.one_of(
    st.tuples(st.integers(0, 0x7FF), st.just(False)), st.tuples(st.integers(0, 0x1FFFFFFF), st.just(True))
)
runs = st.builds(bytes, st.lists(st.sampled_from([0x00, 0xFF, 0x07, 0xF8, 0x1F, 0x83, 0x3C, 0xAA]), max_size=8))


def test_crc_check_values_of_the_public_catalogue() -> None:
    """CRC-15/CAN 0x059E, CRC-17 0x04F03, CRC-21 0x0ED841 for '123456789' (public CRC catalogue, and crccheck)."""
    text = b"123456789"
    assert crc_of_bits(_to_bits(text), CRC15[0], CRC15[1], 0) == 0x059E == Crc15Can.calc(text)
    assert crc_of_bits(_to_bits(text), CRC17[0], CRC17[1], 0) == 0x04F03 == Crc17CanFd.calc(text)
    assert crc_of_bits(_to_bits(text), CRC21[0], CRC21[1], 0) == 0x0ED841 == Crc21CanFd.calc(text)


@given(identifiers, st.one_of(st.binary(max_size=8), runs), st.booleans())
def test_classic_frame_equals_an_independent_encoder(who: tuple[int, bool], data: bytes, remote: bool) -> None:
    frame = classic_frame(*who, data, remote)
    assert "".join(map(str, frame.bits)) == _classic_text(*who, data, remote)


@given(identifiers, st.one_of(st.binary(max_size=8), runs))
def test_worst_case_is_never_exceeded(who: tuple[int, bool], data: bytes) -> None:
    assert classic_frame(*who, data).slow_bits <= worst_case_bits(len(data), who[1])


def test_published_bounds() -> None:
    """135 and 160 bits at 8 bytes (Davis, Burns, Bril, Lukkien 2007)."""
    assert worst_case_bits(8, False) == 135
    assert worst_case_bits(8, True) == 160


def test_shortest_and_known_lengths() -> None:
    """An 11-bit frame without stuff bits has 44 + 8 s bits and 3 of intermission (ISO 11898-1, from memory)."""
    for size in range(9):
        frame = classic_frame(0x2AA, False, b"\xaa" * size)
        assert frame.slow_bits == 47 + 8 * size + frame.stuff_bits
        frame = classic_frame(0x0AAAAAAA, True, b"\xaa" * size)
        assert frame.slow_bits == 67 + 8 * size + frame.stuff_bits


@given(identifiers, st.sampled_from(FD_LENGTHS), st.data(), st.booleans())
def test_fd_frame_can_be_read_back(who: tuple[int, bool], size: int, data: st.DataObject, switch: bool) -> None:
    """A reader that knows only the standard's rules takes the frame apart again, CRC and stuff count included."""
    payload = data.draw(st.one_of(st.binary(min_size=size, max_size=size), st.just(b"\0" * size)))
    frame = fd_frame(*who, payload, switch)
    crc_width, polynomial, start = CRC17 if size <= 16 else CRC21
    body = list(frame.bits[:-10])
    tail_groups = -(-(4 + crc_width) // 4)
    tail = body[-(4 + crc_width + tail_groups) :]
    front = body[: len(body) - len(tail)]
    plain, run, stuffed = [], 0, 0
    last = None
    skip = False
    for bit in front:
        if skip:
            assert bit != last
            last, run, skip, stuffed = bit, 1, False, stuffed + 1
            continue
        run = run + 1 if bit == last else 1
        last, skip = bit, run == 5
        plain.append(bit)
        skip = run == 5
    check, previous = [], front[-1]
    for i, bit in enumerate(tail):
        if i % 5 == 0:
            assert bit == 1 - previous, "fixed stuff bits are the complement of the bit before"
        else:
            check.append(bit)
        previous = bit
    value = int("".join(map(str, plain)), 2)
    length_of_plain = (36 if who[1] else 17) + 5 + 8 * size
    assert len(plain) == length_of_plain
    assert (value & ((1 << 8 * size) - 1)).to_bytes(size, "big") == payload
    gray = stuffed % 8 ^ (stuffed % 8 >> 1)
    assert check[:4] == [gray >> 2 & 1, gray >> 1 & 1, gray & 1, gray.bit_count() & 1]
    crc = crc_of_bits([*front, *check[:4]], crc_width, polynomial, start)
    assert check[4:] == [int(c) for c in f"{crc:0{crc_width}b}"]
    assert frame.fast_bits == (0 if not switch else len(body) - (frame.slow_bits - 3 - 9) + 1)
    if switch:
        slow_front = frame.slow_bits - 3 - 9  # without intermission, acknowledge and end of frame
        assert (36 if who[1] else 17) <= slow_front <= (36 if who[1] else 17) * 5 // 4


def test_arbitration_order_of_the_standard() -> None:
    """29-bit 0x0CF00400 has base 0x33C and beats 11-bit 0x400; an 11-bit frame wins a tie of bases."""
    assert arbitration_key(0x0CF00400, True) < arbitration_key(0x400, False)
    assert arbitration_key(0x33C, False) < arbitration_key(0x0CF00400, True)
    assert arbitration_key(0x33C, False, remote=True) < arbitration_key(0x33C << 18, True)
    assert arbitration_key(0x33C, False) < arbitration_key(0x33C, False, remote=True)


@given(identifiers, identifiers)
def test_arbitration_order_is_the_order_of_the_bits_sent(a: tuple[int, bool], b: tuple[int, bool]) -> None:
    """The frame that sends a dominant bit where the other sends a recessive one goes on: compare the plain bits."""

    def field(identifier: int, extended: bool) -> str:
        if extended:
            return f"{identifier >> 18:011b}11{identifier & 0x3FFFF:018b}0"
        return f"{identifier:011b}00"

    if a != b:
        assert (arbitration_key(*a) < arbitration_key(*b)) == (field(*a) < field(*b))


def test_refusals() -> None:
    with pytest.raises(InputError, match="0 to 8 bytes"):
        classic_frame(1, False, bytes(9))
    with pytest.raises(InputError, match="not 9"):
        fd_frame(1, False, bytes(9))
    with pytest.raises(InputError, match="does not fit 11 bits"):
        classic_frame(0x800, False, b"")
