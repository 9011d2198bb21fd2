"""Core room: fault codes as SAE J2012 writes them, their status bits in words, and which module a code misses.

Letters and digits, the ranges of lost communication and invalid data, failure types and the modules' names are from
memory of SAE J2012 and ISO 14229-1; the tests compare the names with the table that the library `obd` carries.
"""

from __future__ import annotations

from typing import Literal

from swapbridge.core.errors import InputError

About = Literal["lost communication", "invalid data", ""]
"""What a code means for the network: a module is missing, or its data is wrong; "" is any other code."""

_LETTERS = "PCBU"
STATUS_BITS = (
    "failed now",
    "failed this cycle",
    "pending",
    "confirmed",
    "not tested since cleared",
    "failed since cleared",
    "not tested this cycle",
    "lamp on",
)
"""ISO 14229-1's status of a fault code, from bit 0 up."""
FAILED_NOW, FAILED_THIS_CYCLE, PENDING, CONFIRMED = 0x01, 0x02, 0x04, 0x08

FAILURE_TYPES = {
    0x81: "invalid serial data",
    0x82: "alive or sequence counter wrong or not stepping",
    0x83: "checksum of the signals wrong",
    0x84: "signal below what is allowed",
    0x85: "signal above what is allowed",
    0x86: "signal invalid",
    0x87: "message missing",
    0x88: "bus off",
}
"""Failure types that speak of bus signals, from memory of SAE J2012's digital annex."""

_LOST: dict[int, str] = {
    0x100: "engine computer",
    0x101: "transmission",
    0x102: "transfer case",
    0x103: "gear shift module",
    0x104: "cruise control",
    0x105: "fuel injector module",
    0x106: "glow plug module",
    0x107: "throttle actuator",
    0x109: "fuel pump module",
    0x110: "drive motor module",
    0x111: "battery energy module A",
    0x112: "battery energy module B",
    0x114: "four-wheel drive clutch",
    0x115: "engine computer B",
    0x121: "anti-lock brakes",
    0x122: "stability control",
    0x123: "yaw rate sensor",
    0x124: "lateral acceleration sensor",
    0x125: "multi-axis acceleration sensor",
    0x126: "steering angle sensor",
    0x127: "tyre pressure monitor",
    0x128: "park brake",
    0x129: "brake system",
    0x130: "steering effort",
    0x131: "power steering",
    0x132: "ride level",
    0x140: "body computer",
    0x141: "body computer A",
    0x142: "body computer B",
    0x146: "gateway A",
    0x147: "gateway B",
    0x151: "restraints",
    0x154: "occupant sensing",
    0x155: "instrument cluster",
    0x156: "information centre A",
    0x158: "head-up display",
    0x159: "parking assist",
    0x164: "climate control",
    0x165: "rear climate control",
    0x166: "auxiliary heater",
    0x167: "immobiliser",
    0x168: "vehicle security",
    0x180: "automatic lighting",
    0x184: "radio",
    0x198: "telematics",
    0x212: "steering column",
    0x235: "cruise distance sensor",
}
_INVALID: dict[int, str] = {
    0x401: "engine computer",
    0x402: "transmission",
    0x403: "transfer case",
    0x404: "gear shift module",
    0x405: "cruise control",
    0x406: "fuel injector module",
    0x407: "glow plug module",
    0x408: "throttle actuator",
    0x410: "fuel pump module",
    0x411: "drive motor module",
    0x412: "battery energy module A",
    0x413: "battery energy module B",
    0x414: "four-wheel drive clutch",
    0x415: "anti-lock brakes",
    0x416: "stability control",
    0x417: "park brake",
    0x418: "brake system",
    0x419: "steering effort",
    0x420: "power steering",
    0x421: "ride level",
    0x422: "body computer",
    0x423: "instrument cluster",
    0x424: "climate control",
    0x425: "auxiliary heater",
    0x426: "immobiliser",
    0x427: "vehicle security",
    0x428: "steering angle sensor",
    0x429: "steering column",
    0x430: "tyre pressure monitor",
    0x431: "body computer A",
}
_NETWORK = 0xC000
"""The two top bits of a U code."""


def written(code: int) -> str:
    """A two-byte code as SAE J2012 writes it: ``written(0xC100) == "U0100"``."""
    return f"{_LETTERS[code >> 14]}{code >> 12 & 3}{code & 0xFFF:03X}"


def written_long(code: int) -> str:
    """A three-byte code with its failure type: ``written_long(0xC10087) == "U0100-87"``."""
    return f"{written(code >> 8)}-{code & 0xFF:02X}"


def read_code(text: str) -> int:
    """The two bytes of a code; a failure type behind it is passed over.

    Raises
    ------
    InputError
        It is not written as SAE J2012 does.
    """
    body = text.strip().upper().partition("-")[0]
    try:
        if len(body) != 5 or body[0] not in _LETTERS or body[1] not in "0123":
            raise ValueError
        return _LETTERS.index(body[0]) << 14 | int(body[1]) << 12 | int(body[2:], 16)
    except ValueError:
        raise InputError(f"{text!r} is not a fault code: write it like U0100 or U0100-87") from None


def about(code: int) -> tuple[About, str]:
    """What a two-byte code means for the network, and the module that is missing or wrong ("" where unknown)."""
    number = code ^ _NETWORK
    if 0x100 <= number <= 0x2FF:
        return "lost communication", _LOST.get(number, "")
    if 0x400 <= number <= 0xFFF:
        return "invalid data", _INVALID.get(number, "")
    return "", ""


def modules_named() -> tuple[tuple[int, str], ...]:
    """Every two-byte code whose module has a name here, with that name."""
    return tuple((_NETWORK | number, name) for table in (_LOST, _INVALID) for number, name in table.items())


def text_of(code: int, failure_type: int | None = None) -> str:
    """A code's text where it speaks of the network, its failure type included; "" for every other code."""
    kind, module = about(code)
    parts = [f"{kind} {'with' if kind == 'lost communication' else 'from'} {module or 'a module'}"] if kind else []
    if failure_type in FAILURE_TYPES:
        parts.append(FAILURE_TYPES[failure_type])
    return ": ".join(parts)


def status_words(status: int, available: int = 0xFF) -> tuple[str, ...]:
    """Status bits in words.

    Parameters
    ----------
    available : int
        The bits that the module says it keeps; the others mean nothing.
    """
    return tuple(words for bit, words in enumerate(STATUS_BITS) if status & available & 1 << bit)
