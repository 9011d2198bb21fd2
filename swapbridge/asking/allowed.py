"""Asking room: everything that asking may ever put on a bus. This list is the only one.

A whole request after transport must fit one of `REQUESTS` byte by byte; a frame must carry such a request, or be a
flow control, to an address that this session may ask. Clearing, routines, writing, sessions beyond the default and
security access are not here, and nothing else in the program can make them.
"""

from __future__ import annotations

from collections.abc import Container
from dataclasses import dataclass, field

from swapbridge.core import j1939, obd
from swapbridge.core.errors import RefusedError
from swapbridge.core.identifier_words import EXTENDED_BIT, format_identifier, split_word

_ANY = range(0x100)
REQUESTS: tuple[tuple[Container[int], ...], ...] = (
    ((0x01,), (0x00, 0x01, 0x0D)),  # J1979: what is offered, lamp and number of codes, vehicle speed
    ((0x03,),),  # stored codes
    ((0x07,),),  # pending codes
    ((0x09,), (0x00, 0x02, 0x04, 0x0A)),  # what is offered, VIN, calibration, name of the module
    ((0x0A,),),  # permanent codes
    ((0x19,), (0x01, 0x02), _ANY),  # ISO 14229 ReadDTCInformation: number and format, codes by status
    ((0x19,), (0x06,), _ANY, _ANY, _ANY, _ANY),  # extended data of one code
    ((0x19,), (0x0A,)),  # every code that the module can set
    ((0x22,), (0xF1,), range(0x80, 0xA0)),  # identification
    ((0x3E,), (0x00,)),  # tester present, answer wanted
)
"""Each byte of a whole request, one row a request: SAE J1979 / ISO 15031-5 and ISO 14229-1."""

GROUPS = {
    j1939.DM2: "previously active codes",
    0xFEEB: "component identification",
    0xFEDA: "software identification",
    0xFEEC: "vehicle identification",
    0xFDC5: "identification of the module",
    j1939.ADDRESS_CLAIMED: "address claimed",
}
"""SAE J1939 groups that may be requested. Never DM3 or DM11, which clear codes."""
TOOL_ADDRESSES = (249, 250)
"""Addresses of a service tool off the vehicle (SAE J1939, from memory)."""

FLOW_CONTROL = (0x30, 0x32)
"""First bytes of a flow control: go on, or too long for us (ISO 15765-2)."""


def is_allowed(request: bytes) -> bool:
    """Whether a whole request is on the list."""
    return any(
        len(request) == len(row) and all(byte in allowed for byte, allowed in zip(request, row, strict=True))
        for row in REQUESTS
    )


def is_diagnostic(word: int) -> bool:
    """Whether an identifier is one that ISO 15765-4 gives to asking: 7DF, 7E0 to 7E7, and their 29-bit forms."""
    identifier, extended = split_word(word)
    if extended:
        return identifier == obd.REQUEST_ALL_29[0] or identifier & 0x1FFF00FF == 0x18DA00F1
    return identifier == obd.REQUEST_ALL[0] or 0x7E0 <= identifier <= 0x7E7


@dataclass(slots=True)
class Permit:
    """Judges every frame just before it is sent.

    Parameters
    ----------
    words : set of int
        Identifier words that may be asked: those of ISO 15765-4, and those that the person gave.
    forbidden : frozenset of int
        Words heard as traffic: never sent, whoever asks.
    address : int or None
        Our J1939 address, once one is claimed or being claimed.
    """

    words: set[int] = field(default_factory=set)
    forbidden: frozenset[int] = frozenset()
    address: int | None = None

    def may_use(self, word: int) -> bool:
        """Whether this identifier may be asked at all."""
        return word not in self.forbidden and (is_diagnostic(word) or word in self.words)

    def check(self, word: int, data: bytes) -> None:
        """Let a frame through.

        Raises
        ------
        RefusedError
            It is not on the list.
        """
        if not (self._asks(word, data) if self.may_use(word) else self._j1939(word, data)):
            name = format_identifier(*split_word(word))
            raise RefusedError(f"{name} {data.hex(' ')} is not on the list of permitted requests: nothing was sent")

    def _asks(self, word: int, data: bytes) -> bool:
        if len(data) != 8:
            return False
        if data[0] in FLOW_CONTROL:
            return word not in (obd.REQUEST_ALL[0], EXTENDED_BIT | obd.REQUEST_ALL_29[0])
        length = data[0]
        return 1 <= length <= 7 and is_allowed(bytes(data[1 : 1 + length]))

    def _j1939(self, word: int, data: bytes) -> bool:
        found = j1939.group_of(word)
        if found is None or word in self.forbidden:
            return False
        number, source, to = found
        if number == j1939.ADDRESS_CLAIMED and to == j1939.EVERYBODY:
            return len(data) == 8 and (source == self.address or source == j1939.NO_ADDRESS)
        if source != self.address or source not in TOOL_ADDRESSES:
            return False
        if number == j1939.REQUEST:
            return len(data) == 3 and int.from_bytes(data, "little") in GROUPS
        return (
            number == j1939.TRANSPORT
            and to != j1939.EVERYBODY
            and len(data) == 8
            and data[0] in (j1939.CTS, j1939.END)
            and int.from_bytes(data[5:8], "little") in GROUPS
        )
