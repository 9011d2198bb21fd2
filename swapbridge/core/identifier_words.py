"""Core room: how an identifier and its 11- or 29-bit form travel together as one number."""

from __future__ import annotations

from swapbridge.core.errors import InputError

EXTENDED_BIT = 0x8000_0000
"""Set in an identifier word for a 29-bit identifier (the same bit that Linux SocketCAN uses)."""
IDENTIFIER_MASK = 0x1FFF_FFFF
"""The identifier in an identifier word; `split_word` for one, this for a column of them."""

BusIdentifier = tuple[str, int, bool]
"""Bus name, identifier, and whether it has 29 bits."""


def identifier_word(identifier: int, extended: bool) -> int:
    """One number for identifier and form, so that 11-bit 0x123 and 29-bit 0x123 stay apart."""
    if not 0 <= identifier <= (0x1FFF_FFFF if extended else 0x7FF):
        raise InputError(f"identifier 0x{identifier:X} does not fit {29 if extended else 11} bits")
    return identifier | (EXTENDED_BIT if extended else 0)


def split_word(word: int) -> tuple[int, bool]:
    """Identifier and whether it is a 29-bit one."""
    return word & ~EXTENDED_BIT, bool(word & EXTENDED_BIT)


def format_identifier(identifier: int, extended: bool) -> str:
    """Hex as the command line takes it: ``1A0`` for 11 bits, ``CF00400x`` for 29 bits."""
    return f"{identifier:X}x" if extended else f"{identifier:03X}"


def format_words(first: int, last: int) -> str:
    """A range of identifier words as people say it: one, ``300 to 3FF``, or every identifier of its form."""
    if first == last:
        return format_identifier(*split_word(first))
    for bits, begin, end in ((11, 0, 0x7FF), (29, EXTENDED_BIT, EXTENDED_BIT | 0x1FFF_FFFF)):
        if (first, last) == (begin, end):
            return f"every {bits}-bit identifier"
    return f"{format_identifier(*split_word(first))} to {format_identifier(*split_word(last))}"


def parse_identifier(text: str) -> tuple[int, bool]:
    """Read ``1A0``, ``0x1A0`` (11 bits) or ``CF00400x`` (29 bits).

    Raises
    ------
    InputError
        Not hexadecimal, or too large for its form.
    """
    body, extended = (text[:-1], True) if text[-1:] in "xX" and len(text) > 1 else (text, False)
    try:
        identifier = int(body, 16)
    except ValueError:
        raise InputError(
            f"identifier {text!r} is not hexadecimal: write 1A0 for an 11-bit or CF00400x for a 29-bit identifier"
        ) from None
    identifier_word(identifier, extended)
    return identifier, extended
