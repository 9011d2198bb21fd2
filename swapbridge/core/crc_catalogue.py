"""Core room: CRCs by the names that the public CRC catalogue gives them, with their check values.

From memory of the catalogue (reveng.sourceforge.io, Greg Cook); the tests recompute every check value and compare the
ones that the library `crccheck` knows. `reflect` stands for refin and refout, which are equal in all of these.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class NamedCrc:
    """Parameters of one catalogue entry; `check` is its value over the text ``123456789``."""

    name: str
    width: int
    polynomial: int
    init: int
    reflect: bool
    xor_out: int
    check: int


CATALOGUE: tuple[NamedCrc, ...] = (
    NamedCrc("CRC-8/SAE-J1850", 8, 0x1D, 0xFF, False, 0xFF, 0x4B),
    NamedCrc("CRC-8/AUTOSAR", 8, 0x2F, 0xFF, False, 0xFF, 0xDF),
    NamedCrc("CRC-8/SMBUS", 8, 0x07, 0x00, False, 0x00, 0xF4),
    NamedCrc("CRC-8/GSM-A", 8, 0x1D, 0x00, False, 0x00, 0x37),
    NamedCrc("CRC-8/HITAG", 8, 0x1D, 0xFF, False, 0x00, 0xB4),
    NamedCrc("CRC-8/I-CODE", 8, 0x1D, 0xFD, False, 0x00, 0x7E),
    NamedCrc("CRC-8/MIFARE-MAD", 8, 0x1D, 0xC7, False, 0x00, 0x99),
    NamedCrc("CRC-8/TECH-3250", 8, 0x1D, 0xFF, True, 0x00, 0x97),
    NamedCrc("CRC-8/OPENSAFETY", 8, 0x2F, 0x00, False, 0x00, 0x3E),
    NamedCrc("CRC-8/I-432-1", 8, 0x07, 0x00, False, 0x55, 0xA1),
    NamedCrc("CRC-8/ROHC", 8, 0x07, 0xFF, True, 0x00, 0xD0),
    NamedCrc("CRC-8/MAXIM-DOW", 8, 0x31, 0x00, True, 0x00, 0xA1),
    NamedCrc("CRC-8/NRSC-5", 8, 0x31, 0xFF, False, 0x00, 0xF7),
    NamedCrc("CRC-8/DARC", 8, 0x39, 0x00, True, 0x00, 0x15),
    NamedCrc("CRC-8/GSM-B", 8, 0x49, 0x00, False, 0xFF, 0x94),
    NamedCrc("CRC-8/LTE", 8, 0x9B, 0x00, False, 0x00, 0xEA),
    NamedCrc("CRC-8/CDMA2000", 8, 0x9B, 0xFF, False, 0x00, 0xDA),
    NamedCrc("CRC-8/WCDMA", 8, 0x9B, 0x00, True, 0x00, 0x25),
    NamedCrc("CRC-8/BLUETOOTH", 8, 0xA7, 0x00, True, 0x00, 0x26),
    NamedCrc("CRC-8/DVB-S2", 8, 0xD5, 0x00, False, 0x00, 0xBC),
    NamedCrc("CRC-12/DECT", 12, 0x80F, 0x000, False, 0x000, 0xF5B),
    NamedCrc("CRC-12/GSM", 12, 0xD31, 0x000, False, 0xFFF, 0xB34),
    NamedCrc("CRC-12/CDMA2000", 12, 0xF13, 0xFFF, False, 0x000, 0xD4D),
    NamedCrc("CRC-16/IBM-3740", 16, 0x1021, 0xFFFF, False, 0x0000, 0x29B1),
    NamedCrc("CRC-16/XMODEM", 16, 0x1021, 0x0000, False, 0x0000, 0x31C3),
    NamedCrc("CRC-16/GENIBUS", 16, 0x1021, 0xFFFF, False, 0xFFFF, 0xD64E),
    NamedCrc("CRC-16/KERMIT", 16, 0x1021, 0x0000, True, 0x0000, 0x2189),
    NamedCrc("CRC-16/IBM-SDLC", 16, 0x1021, 0xFFFF, True, 0xFFFF, 0x906E),
    NamedCrc("CRC-16/ARC", 16, 0x8005, 0x0000, True, 0x0000, 0xBB3D),
    NamedCrc("CRC-16/MODBUS", 16, 0x8005, 0xFFFF, True, 0x0000, 0x4B37),
    NamedCrc("CRC-16/USB", 16, 0x8005, 0xFFFF, True, 0xFFFF, 0xB4C8),
    NamedCrc("CRC-16/UMTS", 16, 0x8005, 0x0000, False, 0x0000, 0xFEE8),
)
