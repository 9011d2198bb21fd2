"""The public CRC catalogue: check values, and AUTOSAR's worked example, against our CRC and against `crccheck`."""

from __future__ import annotations

import crccheck
import pytest

from swapbridge.core.crc_catalogue import CATALOGUE, NamedCrc
from swapbridge.core.integrity import Crc

CHECK_TEXT = b"123456789"


@pytest.mark.parametrize("entry", CATALOGUE, ids=lambda e: e.name)
def test_check_values(entry: NamedCrc) -> None:
    crc = Crc(entry.width, entry.polynomial, entry.init, entry.reflect, entry.xor_out, tuple(range(9)))
    assert crc.value(CHECK_TEXT) == entry.check


@pytest.mark.parametrize("entry", CATALOGUE, ids=lambda e: e.name)
def test_parameters_against_crccheck(entry: NamedCrc) -> None:
    # the library's general engine, given the same parameters
    engine = crccheck.crc.Crc(entry.width, entry.polynomial, entry.init, entry.reflect, entry.reflect, entry.xor_out)
    assert engine.process(CHECK_TEXT).final() == entry.check


@pytest.mark.parametrize(("width", "polynomial"), [(3, 0x3), (4, 0x3), (5, 0x15), (6, 0x19), (7, 0x09)])
@pytest.mark.parametrize("reflect", [False, True])
def test_short_crcs_against_crccheck(width: int, polynomial: int, reflect: bool) -> None:
    """Fewer than eight bits are computed bit by bit; the catalogue here begins at eight."""
    ones = (1 << width) - 1
    engine = crccheck.crc.Crc(width, polynomial, ones, reflect, reflect, 1)
    crc = Crc(width, polynomial, ones, reflect, 1, tuple(range(9)))
    for text in (CHECK_TEXT, bytes(9), b"\x80" + bytes(8), bytes(8) + b"\x01"):
        assert crc.value(text) == engine.process(text).final()
        engine.reset()


def test_names_and_parameters_are_unique() -> None:
    assert len({e.name for e in CATALOGUE}) == len(CATALOGUE)
    assert len({(e.width, e.polynomial, e.init, e.reflect, e.xor_out) for e in CATALOGUE}) == len(CATALOGUE)


def test_e2e_profile_1_example() -> None:
    # AUTOSAR E2E profile 1: data ID 0x123 (low byte, high byte, then the data), a payload of zeros, gives 0xCC;
    # start and final XOR amount to zero there, and the J1850 parameters give 0xB0 instead (recomputed)
    covered = (1, 2, 3, 4, 5, 6, 7)
    profile = Crc(8, 0x1D, 0x00, False, 0x00, covered, before=b"\x23\x01")
    assert profile.value(bytes(8)) == 0xCC
    assert Crc(8, 0x1D, 0xFF, False, 0xFF, covered, before=b"\x23\x01").value(bytes(8)) == 0xB0
