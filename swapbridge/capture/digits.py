"""Capture room: digits and hex read eight characters at a time, as arithmetic on 64-bit words.

A word is eight bytes of text in little-endian order, so that the first character is the lowest byte. Each function
works on whole columns of words; none loops over frames.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

U64 = npt.NDArray[np.uint64]
Bytes = npt.NDArray[np.uint8]
Index = npt.NDArray[np.intp]


def every_byte(value: int) -> np.uint64:
    """The same byte in all eight places."""
    return np.uint64(value * 0x0101_0101_0101_0101)


_TOP = every_byte(0x80)
_ZERO_CHARACTERS = every_byte(0x30)
_LOW_NIBBLE = every_byte(0x0F)
_ONES = every_byte(0x01)
_CASE = every_byte(0x20)
_FROM_0, _PAST_9 = every_byte(0x80 - 0x30), every_byte(0x80 - 0x3A)
_FROM_A, _PAST_F = every_byte(0x80 - 0x61), every_byte(0x80 - 0x67)
FIRST = np.array([(1 << 8 * k) - 1 for k in range(9)], dtype=np.uint64)
"""FIRST[k] keeps a word's first k characters."""
LAST = ~FIRST[::-1]
"""LAST[k] keeps a word's last k characters."""


def word_view(text: Bytes) -> U64:
    """Word at every byte position of `text`, without a copy; index it with positions."""
    return np.ndarray((len(text) - 7,), dtype="<u8", buffer=text, strides=(1,))


def fill_zeros(word: U64, keep: U64 | np.uint64) -> U64:
    """The characters that `keep` keeps; all others become the character 0."""
    return (word & keep) | (_ZERO_CHARACTERS & ~keep)


def hex_marks(word: U64) -> U64:
    """Top bit of a byte set where the character is a hex digit (either case)."""
    lower = word | _CASE
    digit = (word + _FROM_0) & ~(word + _PAST_9)
    letter = (lower + _FROM_A) & ~(lower + _PAST_F)
    # a carry out of a byte needs a character of 0x80 or more, and those are refused by `word & _TOP`
    return (digit | letter) & ~word & _TOP


def all_marked(marks: U64) -> npt.NDArray[np.bool_]:
    """Rows whose eight marks are all set."""
    out: npt.NDArray[np.bool_] = marks == _TOP
    return out


def hex_value(word: U64) -> U64:
    """Four bytes that eight hex characters spell, the first pair in the lowest byte."""
    nibbles = (word & _LOW_NIBBLE) + ((word >> np.uint64(6)) & _ONES) * np.uint64(9)
    pairs = ((nibbles << np.uint64(4)) | (nibbles >> np.uint64(8))) & np.uint64(0x00FF_00FF_00FF_00FF)
    pairs = (pairs | (pairs >> np.uint64(8))) & np.uint64(0x0000_FFFF_0000_FFFF)
    return (pairs | (pairs >> np.uint64(16))) & np.uint64(0xFFFF_FFFF)


def digit_marks(word: U64) -> U64:
    """Top bit of a byte set where the character is a decimal digit."""
    return (word + _FROM_0) & ~(word + _PAST_9) & ~word & _TOP


def decimal_value(word: U64) -> U64:
    """Number that eight decimal characters spell."""
    value = word & _LOW_NIBBLE
    value = ((value * np.uint64(10 * 0x100 + 1)) >> np.uint64(8)) & np.uint64(0x00FF_00FF_00FF_00FF)
    value = ((value * np.uint64(100 * 0x1_0000 + 1)) >> np.uint64(16)) & np.uint64(0x0000_FFFF_0000_FFFF)
    return (value * np.uint64(10_000 * 0x1_0000_0000 + 1)) >> np.uint64(32)
