"""Core room: SAE J1939: identifiers and groups, names and addresses, reserved values, long messages, DM1 and DM2.

Pure: frames and the time go in. Layouts are from memory of SAE J1939-21 (identifiers, transport), J1939-71 (values),
J1939-73 (DM1, DM2) and J1939-81 (names, addresses); tests compare with the Linux kernel's stack, with the library
`can-j1939` and with cantools. The public groups stand in `j1939_groups`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from swapbridge.core.errors import InputError
from swapbridge.core.identifier_words import EXTENDED_BIT

EVERYBODY = 0xFF
NO_ADDRESS = 0xFE
REQUEST, TRANSPORT, TRANSPORT_DATA, ADDRESS_CLAIMED = 0xEA00, 0xEC00, 0xEB00, 0xEE00
ACKNOWLEDGEMENT, NEGATIVE = 0xE800, 1
"""The answer to a request that can't be met, and its first byte (J1939-21, from memory)."""
DM1, DM2 = 0xFECA, 0xFECB
VEHICLE_SPEED = 0xFEF1
RTS, CTS, END, ANNOUNCE, ABORT = 16, 17, 19, 32, 255
CLEARING = {0xFECC: "DM3", 0xFED3: "DM11"}
"""Groups that clear fault codes (J1939-73)."""
GROWING = frozenset({DM1, DM2, 0xFEEC, 0xFEEB, 0xFEDA})
"""Groups that are longer the more they say: codes, vehicle, component and software identification (from memory)."""
COMMANDS = {
    0x0000: "TSC1, which commands torque and speed",
    0x0100: "TC1, which commands the transmission",
    0x0400: "XBR, which commands the brakes",
}
"""Groups that command a module (J1939-71, from memory)."""
ADDRESS_NAMES = {
    0: "engine computer",
    3: "transmission",
    11: "brakes",
    15: "retarder",
    16: "engine retarder",
    23: "instrument cluster",
    33: "body computer",
    37: "gateway",
    49: "cab computer",
    249: "service tool",
    250: "service tool",
}
"""Preferred addresses, from memory of J1939-81's tables."""
LONGEST_MESSAGE = 1785
"""Bytes of the longest message: 255 packets of seven."""
TRANSPORT_WAIT_NS = 1_250_000_000
"""Longest silence within a long message (J1939-21, T2)."""
MOST_AT_ONCE = 16
"""Long messages put together at a time; more than any vehicle has, so that junk fills no memory."""

LAMPS = ("protect", "warning", "stop", "malfunction")
"""Lamps of DM1 from the low bits up."""
FAILURE_MODES = {
    0: "above normal, most severe",
    1: "below normal, most severe",
    2: "erratic",
    3: "voltage high",
    4: "voltage low",
    5: "current low or open circuit",
    6: "current high or grounded",
    7: "mechanical system not responding",
    8: "abnormal frequency or pulse width",
    9: "abnormal update rate",
    10: "abnormal rate of change",
    11: "root cause not known",
    12: "bad device",
    13: "out of calibration",
    14: "special instructions",
    15: "above normal, least severe",
    16: "above normal, moderately severe",
    17: "below normal, least severe",
    18: "below normal, moderately severe",
    19: "received network data in error",
    20: "drifted high",
    21: "drifted low",
    31: "condition exists",
}
UPDATE_RATE, NETWORK_DATA = 9, 19
"""Failure modes that speak of a missing message, and of a wrong one."""


class Group(NamedTuple):
    """A whole message: parameter group number, sender, receiver (`EVERYBODY` for all), content."""

    number: int
    source: int
    to: int
    data: bytes


class Identifier(NamedTuple):
    """A 29-bit identifier taken apart.

    Attributes
    ----------
    priority : int
        0 (first) to 7.
    number : int
        Parameter group number, data pages included; the low byte is 0 in PDU1.
    source, to : int
        Addresses; `to` is `EVERYBODY` in PDU2, which names no receiver.
    """

    priority: int
    number: int
    source: int
    to: int = EVERYBODY

    @classmethod
    def of(cls, word: int) -> Identifier | None:
        """Take an identifier word apart; None for an 11-bit one."""
        found = group_of(word)
        return None if found is None else cls(word >> 26 & 7, *found)

    @property
    def word(self) -> int:
        """Its identifier word."""
        return word_of_group(self.number, self.source, self.to, self.priority)


def is_pdu1(number: int) -> bool:
    """Whether a group names its receiver (PDU format below 240)."""
    return number >> 8 & 0xFF < 0xF0


def group_mask(number: int) -> int:
    """Bits of an identifier word that say which group it is: not its priority, not its addresses."""
    return EXTENDED_BIT | (0x03FF_0000 if is_pdu1(number) else 0x03FF_FF00)


@dataclass(frozen=True, slots=True)
class J1939Name:
    """A node's NAME (J1939-81), 64 bits; of two nodes that claim one address the lower number keeps it.

    Attributes
    ----------
    identity, manufacturer, ecu_instance, function_instance, function : int
        21, 11, 3, 5 and 8 bits.
    system, system_instance, industry : int
        Vehicle system (7 bits), its instance (4) and the industry group (3).
    free : bool
        Whether the node may take another address when it loses its own.
    """

    identity: int = 0
    manufacturer: int = 0
    ecu_instance: int = 0
    function_instance: int = 0
    function: int = 0
    system: int = 0
    system_instance: int = 0
    industry: int = 0
    free: bool = False

    def __post_init__(self) -> None:
        for part, bits, *_ in _NAME_PARTS:
            if not 0 <= getattr(self, part) < 1 << bits:
                raise InputError(f"{part} {getattr(self, part)} of a J1939 name does not fit {bits} bits")

    @property
    def value(self) -> int:
        """All 64 bits as one number."""
        return sum(int(getattr(self, part)) << start for part, _, start, _ in _NAME_PARTS)

    @property
    def data(self) -> bytes:
        """The eight bytes of an address claim."""
        return self.value.to_bytes(8, "little")

    @classmethod
    def of(cls, data: bytes) -> J1939Name:
        """Read the eight bytes of an address claim."""
        if len(data) != 8:
            raise InputError(f"an address claim has 8 bytes, not {len(data)}")
        value = int.from_bytes(data, "little")
        parts = {part: value >> start & (1 << bits) - 1 for part, bits, start, _ in _NAME_PARTS}
        return cls(**{**parts, "free": bool(parts["free"])})  # type: ignore[arg-type]

    @property
    def words(self) -> str:
        """Its function and what else is not 0: ``manufacturer code 5, function 0, industry group 2``."""
        problems = (f"{words.replace('_', ' ')} {int(getattr(self, part))}" for part, _, _, words in _NAME_PARTS
                if part == "function" or getattr(self, part))  # fmt: skip
        return ", ".join(problems)

    @classmethod
    def of_fields(cls, fields: Mapping[str, int]) -> J1939Name:
        """The NAME with these values in `NAME_FIELDS`, 0 in the others."""
        parts = {part: fields.get(words, 0) for part, _, _, words in _NAME_PARTS}
        return cls(**{**parts, "free": bool(parts["free"])})  # type: ignore[arg-type]


def last_name(address: int) -> J1939Name:
    """The highest possible name, for a node that sends from the address of a missing module.

    Of two nodes that claim one address the lower name keeps it, so this name loses to every other. Each part has the
    J1939-81 value for 'not available'; the identity number differs for each address, because names must be unique.
    """
    return J1939Name(0x1F_FFFF - address, 0x7FF, 7, 31, 0xFF, 0x7F, 15, 7, free=True)


_NAME_PARTS = (
    ("identity", 21, 0, "identity_number"),
    ("manufacturer", 11, 21, "manufacturer_code"),
    ("ecu_instance", 3, 32, "ecu_instance"),
    ("function_instance", 5, 35, "function_instance"),
    ("function", 8, 40, "function"),
    ("system", 7, 49, "vehicle_system"),
    ("system_instance", 4, 56, "vehicle_system_instance"),
    ("industry", 3, 60, "industry_group"),
    ("free", 1, 63, "arbitrary_address_capable"),
)
"""Part, bits, first bit, and the standard's word for it; bit 48 is reserved and 0."""
NAME_FIELDS = {words: bits for _, bits, _, words in _NAME_PARTS}
"""Fields of a NAME in the standard's words, and their bits."""


@dataclass(frozen=True, slots=True)
class NamePattern:
    """Nodes whose NAME has `value` in the bits of `mask`; its other bits don't matter."""

    value: int
    mask: int

    @classmethod
    def of(cls, fields: Mapping[str, int]) -> NamePattern:
        """The NAMEs that have these values in these of `NAME_FIELDS`."""
        problems = [(fields[words], bits, start) for _, bits, start, words in _NAME_PARTS if words in fields]
        return cls(
            sum(v << start for v, _, start in problems), sum((1 << bits) - 1 << start for _, bits, start in problems)
        )

    def fits(self, name: int) -> bool:
        """Whether a NAME is one of these."""
        return not (name ^ self.value) & self.mask

    @property
    def words(self) -> str:
        """``function 0, industry group 2``."""
        problems = [
            f"{words.replace('_', ' ')} {self.value >> start & (1 << bits) - 1}"
            for _, bits, start, words in _NAME_PARTS
            if self.mask >> start & (1 << bits) - 1
        ]
        return ", ".join(problems) or "anything"


def error_range(bits: int) -> tuple[int, int] | None:
    """Raw values of an unsigned parameter that say 'error' (J1939-71), or None.

    A state of two bits: 10. A number of whole bytes, up to four: the top byte FE.
    """
    if bits == 2:
        return 2, 2
    if bits in (8, 16, 24, 32):
        return 0xFE << bits - 8, (0xFF << bits - 8) - 1
    return None


def not_available_range(bits: int) -> tuple[int, int] | None:
    """Raw values that say 'not available': the top byte FF, or all bits set; None for one bit, which has no room."""
    if bits in (8, 16, 24, 32):
        return 0xFF << bits - 8, (1 << bits) - 1
    return ((1 << bits) - 1,) * 2 if bits > 1 else None


def reserved_range(bits: int) -> tuple[int, int] | None:
    """All raw values that are no measurement, as one range up to all bits set; None for one bit.

    Numbers of whole bytes are valid up to a top byte of FA; FB to FD are reserved for other uses.
    """
    if bits in (8, 16, 24, 32):
        return 0xFB << bits - 8, (1 << bits) - 1
    error, missing = error_range(bits), not_available_range(bits)
    if missing is None:
        return None
    return (error or missing)[0], missing[1]


def is_claim(word: int) -> bool:
    """Whether an identifier word is that of 'address claimed', or of 'cannot claim'."""
    return word & (EXTENDED_BIT | 0x03FF_0000) == EXTENDED_BIT | ADDRESS_CLAIMED << 8


def is_transport(word: int) -> bool:
    """Whether an identifier word is one of packets: control or data."""
    return word & (EXTENDED_BIT | 0x03F8_0000) == EXTENDED_BIT | 0xE8_0000 and (word >> 16 & 7) in (3, 4)


def group_of(word: int) -> tuple[int, int, int] | None:
    """Group number, sender and receiver of an identifier word; None for an 11-bit one."""
    if not word & EXTENDED_BIT:
        return None
    number = word >> 8 & 0x3FFFF
    if is_pdu1(number):
        return number & 0x3FF00, word & 0xFF, number & 0xFF
    return number, word & 0xFF, EVERYBODY


def word_of_group(number: int, source: int, to: int = EVERYBODY, priority: int = 6) -> int:
    """Identifier word of a group."""
    low = to if is_pdu1(number) else 0
    return EXTENDED_BIT | priority << 26 | (number | low) << 8 | source


@dataclass(frozen=True, slots=True)
class SpnCode:
    """One fault code of DM1 or DM2.

    Attributes
    ----------
    spns : tuple of int
        Suspect parameter number; three candidates where the conversion bit leaves it open.
    mode : int
        Failure mode identifier.
    count : int or None
        How often it occurred; None where that is not available.
    """

    spns: tuple[int, ...]
    mode: int
    count: int | None

    @property
    def ambiguous(self) -> bool:
        """Whether the conversion bit is set: an older way of writing the number, and the frame doesn't say which."""
        return len(self.spns) > 1

    @property
    def text(self) -> str:
        """``SPN 110 FMI 0``, with every candidate where it is ambiguous."""
        return f"SPN {' or '.join(str(n) for n in self.spns)} FMI {self.mode}"


def spn_code(data: bytes) -> SpnCode:
    """Read four bytes of DM1 or DM2."""
    one, two, three, four = data[:4]
    now = one | two << 8 | (three & 0xE0) << 11
    count = four & 0x7F
    if four & 0x80:  # conversion methods 1 to 3 share this bit
        low = three >> 5
        numbers: tuple[int, ...] = (one << 11 | two << 3 | low, two << 11 | one << 3 | low, now)
        numbers = tuple(dict.fromkeys(numbers))
    else:
        numbers = (now,)
    return SpnCode(numbers, three & 0x1F, None if count == 0x7F else count)


@dataclass(frozen=True, slots=True)
class Faults:
    """What a DM1 or DM2 says: lamps that are on, and codes."""

    lamps: tuple[str, ...]
    codes: tuple[SpnCode, ...]


def read_faults(data: bytes) -> Faults | None:
    """Read the content of DM1 or DM2; None when its length is not the length of any number of codes.

    One code of zeros means that there is none. A single frame is filled up with FF.
    """
    if len(data) < 6:
        return None
    body = data[2:]
    if len(data) == 8:
        body = body[:4]
    elif len(body) % 4:
        return None
    lamps = tuple(name for bit, name in enumerate(LAMPS) if data[0] >> 2 * bit & 3 == 1)
    quads = (body[i : i + 4] for i in range(0, len(body), 4))
    return Faults(lamps, tuple(spn_code(q) for q in quads if q[:3] != b"\0\0\0" and q != b"\xff" * 4))


@dataclass(slots=True)
class _Long:
    number: int
    to: int
    size: int
    packets: int
    last_ns: int
    parts: dict[int, bytes] = field(default_factory=dict)


@dataclass(slots=True)
class Assembler:
    """Puts long messages together: those announced to everybody, and those sent to us.

    Parameters
    ----------
    address : int or None
        Our own address; None only listens.
    overhears : bool
        Take what others send to one another too.

    Attributes
    ----------
    replies : list of (int, bytes)
        Frames that the transport owes (word, data); the caller takes them away.
    problems : list of str
        Sentences about broken transfers; the caller takes them away.
    """

    address: int | None = None
    overhears: bool = False
    replies: list[tuple[int, bytes]] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    _open: dict[tuple[int, int], _Long] = field(default_factory=dict)

    @property
    def open_transfers(self) -> bool:
        """Whether a long message is under way."""
        return bool(self._open)

    def receives_from(self, source: int) -> bool:
        """Whether a long message of this address is under way."""
        return any(key[0] == source for key in self._open)

    def take(self, word: int, data: bytes, now_ns: int) -> Group | None:
        """Take a frame; a whole message when one is complete."""
        found = group_of(word)
        if found is None:
            return None
        number, source, to = found
        if number == TRANSPORT and len(data) == 8:
            self._control(source, to, data, now_ns)
            return None
        if number == TRANSPORT_DATA:
            return self._part(source, to, data, now_ns)
        return Group(number, source, to, data)

    def expire(self, now_ns: int) -> None:
        """Give up what has been silent too long."""
        for key, one in list(self._open.items()):
            if now_ns - one.last_ns > TRANSPORT_WAIT_NS:
                del self._open[key]
                self.problems.append(
                    f"address {key[0]}: a long message (group {one.number}) stopped after {len(one.parts)} of "
                    f"{one.packets} frames"
                )

    def _control(self, source: int, to: int, data: bytes, now_ns: int) -> None:
        size, number = int.from_bytes(data[1:3], "little"), int.from_bytes(data[5:8], "little")
        key = (source, to)
        if data[0] == ABORT and (self.overhears or to == self.address):
            self._open.pop(key, None)
            if self.overhears:
                self._open.pop((to, source), None)
            return
        ours = data[0] == RTS and to == self.address
        if not (
            ours or (self.overhears and data[0] == RTS and to != EVERYBODY) or (data[0] == ANNOUNCE and to == EVERYBODY)
        ):
            return
        if not 9 <= size <= LONGEST_MESSAGE or data[3] != (size + 6) // 7:
            self.problems.append(f"address {source}: announces {size} bytes in {data[3]} frames, which can't be")
            return
        if key not in self._open and len(self._open) >= MOST_AT_ONCE:
            return
        if key in self._open:
            self.problems.append(f"address {source}: a long message was cut short by another one")
        self._open[key] = _Long(number, to, size, data[3], now_ns)
        if ours:
            self._reply(source, bytes([CTS, data[3], 1, 0xFF, 0xFF]) + data[5:8])

    def _part(self, source: int, to: int, data: bytes, now_ns: int) -> Group | None:
        one = self._open.get((source, to))
        if one is None or len(data) != 8 or not 1 <= data[0] <= one.packets:
            return None
        if data[0] != len(one.parts) + 1:
            del self._open[source, to]
            self.problems.append(f"address {source}: frame {len(one.parts) + 1} of a long message is missing")
            return None
        one.parts[data[0]] = data[1:]
        one.last_ns = now_ns
        if len(one.parts) < one.packets:
            return None
        del self._open[source, to]
        whole = b"".join(one.parts[n] for n in range(1, one.packets + 1))[: one.size]
        if to == self.address:
            done = bytes([END]) + one.size.to_bytes(2, "little") + bytes([one.packets, 0xFF])
            self._reply(source, done + one.number.to_bytes(3, "little"))
        return Group(one.number, source, to, whole)

    def _reply(self, to: int, data: bytes) -> None:
        assert self.address is not None
        self.replies.append((word_of_group(TRANSPORT, self.address, to, 7), data))
