"""Checksums by the words people use, against functions from outside and the published definitions."""

from __future__ import annotations

import functools
import operator
import random

import crccheck
import pytest
from e2e import p01, p02, p05, p11

from swapbridge.core.checksum_names import FAMILIES, ChecksumPlace, families_help, named_checksum
from swapbridge.core.errors import InputError
from swapbridge.core.integrity import Checksum, Crc, checksum_from_dict
from swapbridge.core.layout import Layout

LOW_NIBBLE_OF_1 = Layout(8, 4)
FIRST = ChecksumPlace(Layout(0, 8), 8, 0x1A3, False, LOW_NIBBLE_OF_1)
LAST = ChecksumPlace(Layout(56, 8), 8, 0x1A3, False, Layout(52, 4))
IDS = tuple(range(0x21, 0x31))


def payloads() -> list[bytearray]:
    rng = random.Random(5)
    out = [bytearray(rng.randbytes(8)) for _ in range(40)]
    for k, payload in enumerate(out):
        payload[1] = payload[1] & 0xF0 | k % 15
    return out


@pytest.mark.parametrize(
    ("text", "mode"),
    [("", "BOTH"), (" low", "LOW"), (" nibble", "NIBBLE"), (" alternating", "ALT")],
)
def test_e2e_profile_1(text: str, mode: str) -> None:
    """The library `autosar-e2e` protects, in each mode of the data ID."""
    checksum = named_checksum(f"e2e-1 with data id 0x523{text}", FIRST)
    for payload in payloads():
        p01.e2e_p01_protect(
            payload, 0x523, data_id_mode=getattr(p01, f"E2E_P01_DATAID_{mode}"), increment_counter=False
        )
        assert checksum.holds(payload)


@pytest.mark.parametrize(("text", "mode"), [("", "BOTH"), (" nibble", "NIBBLE")])
def test_e2e_profile_11(text: str, mode: str) -> None:
    checksum = named_checksum(f"e2e-11 with data id 0x523{text}", FIRST)
    for payload in payloads():
        p11.e2e_p11_protect(
            payload, 0x523, data_id_mode=getattr(p11, f"E2E_P11_DATAID_{mode}"), increment_counter=False
        )
        assert checksum.holds(payload)


@pytest.mark.parametrize("profile", ["e2e-2", "e2e-22", "crc8-2f"])
def test_e2e_profiles_2_and_22(profile: str) -> None:
    """Profile 22 is 2 with another header; `autosar-e2e` has 2."""
    checksum = named_checksum(f"{profile} with data ids {','.join(map(str, IDS))}", FIRST)
    for payload in payloads():
        p02.e2e_p02_protect(payload, bytes(IDS), increment_counter=False)
        assert checksum.holds(payload)


def test_e2e_profile_5() -> None:
    checksum = named_checksum("e2e-5 with data id 0x1234", ChecksumPlace(Layout(0, 16), 8, 0x100, False))
    for payload in payloads():
        p05.e2e_p05_protect(payload, 0x1234, increment_counter=False)
        assert checksum.holds(payload)


def carry(payload: bytes) -> int:
    """LIN's classic checksum, as ISO 17987-3 describes it (from memory): 255 is taken off whenever it is passed."""
    total = 0
    for byte in payload[:7]:
        total += byte
        if total >= 256:
            total -= 255
    return ~total & 0xFF


def tsc1(payload: bytes, identifier: int) -> int:
    """SAE J1939-71, SPN 4207, as the standard writes it (from memory)."""
    total = sum(payload[:7]) + (payload[7] & 0x0F)
    total += (identifier & 0xFF) + (identifier >> 8 & 0xFF) + (identifier >> 16 & 0xFF) + (identifier >> 24 & 0xFF)
    return (((total >> 6) & 0x03) + (total >> 3) + total) & 0x07


def complement(payload: bytes) -> int:
    return 255 - sum(payload[:7]) % 256


def nibbles_with_identifier(payload: bytes) -> int:
    return sum(int(digit, 16) for digit in payload[:7].hex() + "1a3") % 256


PLAIN = {
    "sum": lambda d: sum(d[:7]) % 256,
    "sum over 0-2, 4": lambda d: (d[0] + d[1] + d[2] + d[4]) % 256,
    "Sum  Complement": complement,
    "sum inverted": complement,
    "sum negated": lambda d: -sum(d[:7]) % 256,
    "sum with identifier plus 8": lambda d: (sum(d[:7]) + 0x01 + 0xA3 + 8) % 256,
    "nibble sum with identifier": nibbles_with_identifier,
    "nibble_sum with identifier": nibbles_with_identifier,
    "bit count": lambda d: sum(f"{b:08b}".count("1") for b in d[:7]),
    "lin": carry,
    "sum complement fold 8": carry,
    "sum plus 3 final 0x5A": lambda d: (sum(d[:7]) + 3) % 256 ^ 0x5A,
    "sum over 0-2 modulo 255": lambda d: sum(d[:3]) % 255,
    "nibble sum over 0-6 modulo 11 negated": lambda d: -sum(int(x, 16) for x in bytes(d[:7]).hex()) % 11,
    "weighted sum of 4:3, 23:10bex3, 30:7 x -2 plus 9": lambda d: (
        ((d[0] >> 4 & 7) + 3 * ((d[2] << 2) + (d[3] >> 6)) - 2 * ((d[3] >> 6) + ((d[4] & 31) << 2)) + 9) % 256
    ),
    "weighted sum of 0:8, 12:4 fold 3 once modulo 8": lambda d: (lambda t: ((t & 7) + (t >> 3 & 7) + (t >> 6 & 7)) % 8)(
        d[0] + (d[1] >> 4)
    ),
    "xor": lambda d: functools.reduce(operator.xor, d[:7]),
    "xor over 1-3 with identifier": lambda d: d[1] ^ d[2] ^ d[3] ^ 0x01 ^ 0xA3,
    "crc8-j1850": lambda d: crccheck.crc.Crc8SaeJ1850.calc(d[:7]),
    "crc8-j1850 with identifier": lambda d: crccheck.crc.Crc8SaeJ1850.calc(b"\x01\xa3" + d[:7]),
    "crc8-2f with data id 0x77": lambda d: crccheck.crc.Crc8Autosar.calc(b"\x77\x00" + d[:7]),
    "CRC-8/NRSC-5": lambda d: crccheck.crc.Crc8Nrsc5.calc(d[:7]),
    "crc8 poly 0x31 init 0xff": lambda d: crccheck.crc.Crc8Nrsc5.calc(d[:7]),
    "crc8 poly 0x31 reflected": lambda d: crccheck.crc.Crc8MaximDow.calc(d[:7]),
}


@pytest.mark.parametrize("text", PLAIN)
def test_against_outside_functions(text: str) -> None:
    checksum = named_checksum(text, LAST)
    for payload in payloads():
        expected: int = PLAIN[text](bytes(payload))  # type: ignore[no-untyped-call]
        assert checksum.compute(payload) == expected


def test_j1939_tsc1() -> None:
    """The three-bit fold of a published layout."""
    checksum = named_checksum("j1939 tsc1", ChecksumPlace(Layout(60, 4), 8, 0x0C000003, True))
    for payload in payloads():
        assert checksum.compute(payload) == tsc1(bytes(payload), 0x0C000003)


def test_rfc_1071() -> None:
    """The Internet checksum's worked example (RFC 1071, section 3): the sum of its words is 0xDDF2."""
    payload = bytes.fromhex("0001f203f4f5f6f7")
    words = "weighted sum of 7:16be, 23:16be, 39:16be, 55:16be fold 16"
    place = ChecksumPlace(Layout(71, 16, "big_endian"), 10, 0x100, False)
    assert named_checksum(words, place).compute(payload + b"\0\0") == 0xDDF2
    assert named_checksum(words + " complement", place).compute(payload + b"\0\0") == 0x220D


def test_half_bytes() -> None:
    checksum = named_checksum("xor", ChecksumPlace(Layout(60, 4), 8, 0x1A3, False))
    for payload in payloads():
        digits = [int(d, 16) for d in payload.hex()]
        digits[14] = 0
        assert checksum.compute(payload) == functools.reduce(operator.xor, digits)


def test_every_example_of_the_help_is_read_and_kept() -> None:
    for family in FAMILIES:
        text = family.example.replace("1,2,...,16", ",".join(map(str, IDS)))
        checksum = named_checksum(
            text, ChecksumPlace(Layout(0, 8 if family.name == "xor" else 16), 8, 1, False, Layout(16, 4))
        )
        assert isinstance(checksum, Checksum)
        assert checksum_from_dict(checksum.to_dict()) == checksum
        assert family.example in families_help()


def test_the_name_of_a_known_crc_is_kept() -> None:
    method = named_checksum("crc8 poly 0x1D init 0xFF final 0xFF", LAST).method
    assert method.to_dict()["name"] == "CRC-8/SAE-J1850"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("crc8-j1580", "near: crc8-j1850"),
        ("sum over 0-9", "byte 8 is beyond the 8 bytes"),
        ("sum with data id 3", "takes no 'with data id 0x123'"),
        ("crc8", "needs its polynomial"),
        ("crc8 poly 0", "polynomial 0"),
        ("crc8 poly 0x107", "more than the 8 bits"),
        ("crc16 poly 0x1021", "has 16 bits, its signal 8"),
        ("e2e-2 with data ids 1,2", "16 data IDs"),
        ("weighted sum", "lists its fields"),
        ("weighted sum of 60:8", "outside the 8 bytes"),
        ("weighted sum of 0:8x-1 fold 3", "can't be negative"),
        ("sum modulo 300", "modulo 2 to 256"),
        ("e2e-1", "includes a data ID"),
        ("crc8-2f with data id 5 nibble", "a mode of E2E profiles"),
        ("", "is not known"),
    ],
)
def test_refusals(text: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        named_checksum(text, LAST)


def test_a_list_of_ids_needs_the_counter() -> None:
    with pytest.raises(InputError, match="set it "):
        named_checksum("crc8-2f with data ids 1,2", ChecksumPlace(Layout(0, 8), 8, 0x100, False))


def test_a_nibble_xor_takes_the_identifier_by_half_bytes() -> None:
    """Worked by hand: 1A4 is the half bytes 0, 1, A, 4, whose XOR is F."""
    place = ChecksumPlace(Layout(0, 4), 8, 0x1A4, False, None)
    checksum = named_checksum("xor with identifier", place)
    assert [n for n in range(16) if checksum.holds(bytearray([n, *bytes(7)]))] == [15]


@pytest.mark.parametrize(("data_id", "fed"), [("0x12", "1200"), ("0x1234", "3412"), ("0x12345", "452301")])
def test_a_data_id_goes_in_low_byte_first_with_two_bytes_at_least(data_id: str, fed: str) -> None:
    method = named_checksum(f"crc8-j1850 with data id {data_id}", FIRST).method
    assert isinstance(method, Crc)
    assert method.before == bytes.fromhex(fed)
