"""SAE J1939 in core: identifiers, names, reserved values, public groups; `can-j1939` and cantools are the peers."""

from __future__ import annotations

from typing import Any

import cantools.j1939
import pytest
from hypothesis import given
from hypothesis import strategies as st
from j1939 import MessageId, Name, ParameterGroupNumber

from swapbridge.core import j1939, obd
from swapbridge.core.errors import InputError
from swapbridge.core.identifier_words import EXTENDED_BIT
from swapbridge.core.j1939_groups import OTHER_GROUPS, PUBLIC_GROUPS, group_words
from swapbridge.core.roles import find_role
from swapbridge.core.units import find_unit

CANTOOLS: Any = cantools.j1939
IDENTIFIERS = st.integers(0, 0x1FFF_FFFF)


def test_the_worked_identifier_of_engine_speed() -> None:
    """0CF00400 is priority 3, group 61444, from the engine's address 0 (SAE J1939-71's EEC1, from memory)."""
    assert j1939.Identifier.of(EXTENDED_BIT | 0x0CF00400) == (3, 61444, 0, j1939.EVERYBODY)
    assert j1939.Identifier(3, 61444, 0).word == EXTENDED_BIT | 0x0CF00400


def test_eleven_bits_are_never_j1939() -> None:
    assert j1939.Identifier.of(0x400) is None
    assert j1939.group_of(0x400) is None


@given(IDENTIFIERS)
def test_identifiers_come_apart_as_in_cantools_and_can_j1939(identifier: int) -> None:
    mine = j1939.Identifier.of(EXTENDED_BIT | identifier)
    assert mine is not None
    assert mine.word == EXTENDED_BIT | identifier
    theirs = CANTOOLS.frame_id_unpack(identifier)
    assert (mine.priority, mine.source) == (theirs.priority, theirs.source_address)
    assert mine.number == CANTOOLS.pgn_from_frame_id(identifier)
    pdu1 = CANTOOLS.is_pdu_format_1(theirs.pdu_format)
    assert j1939.is_pdu1(mine.number) == pdu1
    assert mine.to == (theirs.pdu_specific if pdu1 else j1939.EVERYBODY)
    other = MessageId(can_id=identifier)
    number = ParameterGroupNumber()
    number.from_message_id(other)
    assert (mine.priority, mine.source) == (other.priority, other.source_address)
    assert j1939.is_pdu1(mine.number) == number.is_pdu1_format


@given(IDENTIFIERS, st.integers(0, 7), st.integers(0, 255))
def test_the_mask_keeps_a_group_and_drops_who_says_it(identifier: int, priority: int, source: int) -> None:
    one = j1939.Identifier.of(EXTENDED_BIT | identifier)
    assert one is not None
    mask = j1939.group_mask(one.number)
    same = one._replace(priority=priority, source=source)
    assert same.word & mask == one.word & mask
    other = j1939.Identifier(one.priority, one.number ^ 0x100, one.source, one.to)
    if j1939.is_pdu1(one.number):
        other = j1939.Identifier(one.priority, one.number ^ 0x1_0000, one.source, one.to)
    assert other.word & mask != one.word & mask


@given(st.integers(0, (1 << 64) - 1))
def test_names_come_apart_as_in_can_j1939(value: int) -> None:
    value &= ~(1 << 48)  # reserved
    data = value.to_bytes(8, "little")
    mine, theirs = j1939.J1939Name.of(data), Name(value=value)
    assert mine.data == data == bytes(theirs.bytes)
    assert (mine.identity, mine.manufacturer, mine.ecu_instance, mine.function_instance, mine.function) == (
        theirs.identity_number,
        theirs.manufacturer_code,
        theirs.ecu_instance,
        theirs.function_instance,
        theirs.function,
    )
    assert (mine.system, mine.system_instance, mine.industry, mine.free) == (
        theirs.vehicle_system,
        theirs.vehicle_system_instance,
        theirs.industry_group,
        bool(theirs.arbitrary_address_capable),
    )


def test_a_name_that_does_not_fit_is_refused() -> None:
    with pytest.raises(InputError, match="function 256"):
        j1939.J1939Name(function=256)
    with pytest.raises(InputError, match="8 bytes"):
        j1939.J1939Name.of(b"\0" * 7)


@pytest.mark.parametrize(
    ("bits", "first", "error", "missing"),
    [
        # SAE J1939-71's table of transmitted signal ranges (from memory)
        (8, 0xFB, (0xFE, 0xFE), (0xFF, 0xFF)),
        (16, 0xFB00, (0xFE00, 0xFEFF), (0xFF00, 0xFFFF)),
        (32, 0xFB00_0000, (0xFE00_0000, 0xFEFF_FFFF), (0xFF00_0000, 0xFFFF_FFFF)),
        (2, 0b10, (0b10, 0b10), (0b11, 0b11)),
        (4, 0b1111, None, (0b1111, 0b1111)),
    ],
)
def test_reserved_values(bits: int, first: int, error: tuple[int, int] | None, missing: tuple[int, int]) -> None:
    assert j1939.reserved_range(bits) == (first, (1 << bits) - 1)
    assert j1939.error_range(bits) == error
    assert j1939.not_available_range(bits) == missing


def test_one_bit_has_no_room_for_a_reserved_value() -> None:
    assert j1939.reserved_range(1) is None


def test_public_groups_are_consistent() -> None:
    for number, group in PUBLIC_GROUPS.items():
        taken: set[int] = set()
        for one in group.parameters:
            assert not taken & set(one.layout.positions), (group.name, one.name)
            taken |= set(one.layout.positions)
            assert one.scale > 0
            if one.unit:
                find_unit(one.unit)
            if one.role:
                find_role(one.role)
            pid = obd.BY_CHANNEL.get(one.quantity)
            if pid is not None:
                assert pid.unit == one.unit, one.name
        assert len({one.name for one in group.parameters}) == len(group.parameters)
        assert not j1939.is_pdu1(number)
    assert not set(PUBLIC_GROUPS) & (set(OTHER_GROUPS) | set(j1939.CLEARING) | set(j1939.COMMANDS))


def test_the_published_values_of_engine_groups() -> None:
    """Each as in SAE J1939-71 (from memory): 7D at -125 % is 0 %; 0x2EE0 is 1500 rpm; 0x82 is 90 degC."""
    values: dict[int, float] = {}
    for number, data in (
        (61444, bytes.fromhex("f07d7de02effffff")),
        (61443, bytes.fromhex("ffc8ffffffffffff")),
        (65262, bytes.fromhex("82ffe02effffffff")),
        (65265, bytes.fromhex("ff0032ffffffffff")),
        (65266, bytes.fromhex("c800ffffffffffff")),
    ):
        for one in PUBLIC_GROUPS[number].parameters:
            values[one.spn] = float(one.layout.unpack(data) * one.scale + one.offset)
    assert (values[512], values[513], values[190]) == (0, 0, 1500)
    assert (values[91], values[110], values[175]) == (80, 90, 102)
    assert (values[84], values[183]) == (50, 10)


def test_public_parameters_stand_as_the_standard_lays_them_out() -> None:
    """SAE J1939-71: states have 2 or 4 bits within a byte, numbers 1, 2 or 4 whole bytes; no SPN stands twice."""
    for group in PUBLIC_GROUPS.values():
        for one in group.parameters:
            start, length = one.layout.start, one.layout.length
            assert length in (2, 4, 8, 16, 32), (group.name, one.name)
            assert start % 8 + length <= 8 if length < 8 else start % 8 == 0, (group.name, one.name)
            assert start + length <= (8 * 39 if group.name == "EC1" else 64), (group.name, one.name)
    numbers = [one.spn for group in PUBLIC_GROUPS.values() for one in group.parameters]
    assert len(numbers) == len(set(numbers))


def test_group_numbers_are_the_published_ones() -> None:
    """From memory of the SAE J1939 digital annex; decimal there, hexadecimal in the code."""
    published = (
        (61442, "ETC1"),
        (61443, "EEC2"),
        (61444, "EEC1"),
        (61445, "ETC2"),
        (65217, "VDHR"),
        (65247, "EEC3"),
        (65248, "VD"),
        (65251, "EC1"),
        (65253, "HOURS"),
        (65257, "LFC"),
        (65262, "ET1"),
        (65263, "EFLP1"),
        (65265, "CCVS"),
        (65266, "LFE"),
        (65269, "AMB"),
        (65270, "IC1"),
        (65271, "VEP1"),
        (65272, "TRF1"),
        (65276, "DD"),
    )
    assert sorted((number, group.name) for number, group in PUBLIC_GROUPS.items()) == list(published)
    assert {59392, 59904, 60160, 60416, 60928, 61184} <= set(OTHER_GROUPS)
    assert (group_words(0xEE00), group_words(0xEF00)) == ("address claim", "proprietary, to one address")


def test_a_codes_number_ignores_its_failure_mode() -> None:
    """SAE J1939-73: 19 bits of SPN, low byte first, its top three above the 5 bits of FMI; from memory."""
    code = j1939.spn_code(bytes([0xCD, 0xAB, 7 << 5 | 0x15, 0x03]))
    assert (code.spns, code.mode, code.count) == ((0x7ABCD,), 0x15, 3)
    assert j1939.spn_code(bytes([0xCD, 0xAB, 0x1F, 0x7F])).spns == (0xABCD,)
    assert not j1939.spn_code(bytes([1, 0, 0, 0])).ambiguous
    assert j1939.spn_code(bytes([1, 0, 0, 0x80])).ambiguous


@pytest.mark.parametrize(
    ("status", "lamps"),
    [
        (0x04, ("warning",)),
        (0x40, ("malfunction",)),
        (0x10, ("stop",)),
        (0x01, ("protect",)),
        (0xFF, ()),
        (0xAA, ()),
    ],
)
def test_a_lamp_is_on_at_01_and_at_nothing_else(status: int, lamps: tuple[str, ...]) -> None:
    """SAE J1939-73: two bits a lamp, protect, amber, red, malfunction from the lowest; 00 off, 01 on; from memory."""
    found = j1939.read_faults(bytes([status, 0xFF, 0, 0, 0, 0, 0xFF, 0xFF]))
    assert found is not None
    assert found.lamps == lamps


def test_words_of_groups() -> None:
    assert group_words(61444) == "EEC1, electronic engine controller 1"
    assert "clears" in group_words(0xFECC)
    assert group_words(0xFF48) == "proprietary"
    assert group_words(0xFC00) == ""


def test_a_name_of_nothing_is_zero() -> None:
    assert j1939.J1939Name().value == 0
