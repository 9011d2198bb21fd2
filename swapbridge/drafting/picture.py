"""Drafting room: a message as a picture in text: the field that each bit belongs to, and how each field was found."""

from __future__ import annotations

import textwrap
from string import ascii_lowercase, ascii_uppercase

from swapbridge.drafting.drafted import DraftedMessage
from swapbridge.drafting.outlook import label

LETTERS = ascii_lowercase + ascii_uppercase
STILL, COUNTER, CHECK, OTHER, PAGE, SEVERAL = ".", "#", "+", "*", "=", "%"
BYTES_A_ROW = 8
WIDTH = 96


def message_picture(made: DraftedMessage) -> list[str]:
    """The bits of a message, the highest of a byte first, a letter a field, with a line of words for each letter.

    ``.`` never moved, ``#`` is the counter, ``+`` the checksum, ``=`` selects the page, ``%`` is another
    field on each of several pages, ``*`` moved and is no field's. No line is wider than 96 columns.
    """
    message = made.message
    bits = [OTHER if p in message.moved else STILL for p in range(8 * message.length)]
    if message.counter is not None:
        for position in message.counter[0].positions:
            bits[position] = COUNTER
    if message.pages is not None:
        for position in message.pages.layout.positions:
            bits[position] = PAGE
    if message.checksum is not None:
        for position in message.checksum[0].layout.positions:
            bits[position] = CHECK
    legend = []
    for letter, one in zip(LETTERS, made.fields, strict=False):
        for position in one.layout.positions:
            bits[position] = letter if one.page is None or bits[position] in (OTHER, STILL) else SEVERAL
        words = f"  {letter}  {one.name}: {one.how}, {one.confidence:.0%} sure: {one.words}"
        if one.how == "open":
            words = f"  {letter}  {one.name}: open: {one.words}"
        legend.append(textwrap.shorten(words, WIDTH - 2, placeholder=" ..."))
    out = [f"{label(made)}, {message.length} bytes, {made.life.words}"]
    for first in range(0, message.length, BYTES_A_ROW):
        row = range(first, min(first + BYTES_A_ROW, message.length))
        out.append("  byte " + " ".join(f"{n:<8}" for n in row).rstrip())
        out.append("       " + " ".join("".join(bits[8 * n + k] for k in range(7, -1, -1)) for n in row))
    keys = [
        (COUNTER, "counter"),
        (CHECK, "checksum"),
        (PAGE, "page"),
        (SEVERAL, "another field on each page"),
        (STILL, "never moved"),
        (OTHER, "moved, and no field's"),
    ]
    out.append("  " + ", ".join(f"{key} {words}" for key, words in keys if key in bits))
    return [*out, *(f"  {line}" for line in legend)]
