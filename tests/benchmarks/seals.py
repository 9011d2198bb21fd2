"""Checks of every family for invented vehicles, written from their plain definitions.

Nothing here knows how guessing works, or shares its arithmetic.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Ints = npt.NDArray[np.int64]
Bytes = npt.NDArray[np.uint8]


@dataclass(frozen=True)
class Seal:
    """The check of one vehicle: writes itself into payloads at the given bits."""

    name: str
    width: int
    value: Callable[[Bytes, int, int], Ints]
    """From payloads with the check's bits cleared, identifier and message number."""
    picked: tuple[int, ...] = ()
    """Constants, one for each value of the counter, that are fed behind the payload; none for most."""


def _crc(rows: Bytes, width: int, polynomial: int, init: int, reflect: bool) -> Ints:
    """CRC of every row, bit by bit (the plain definition)."""
    mask = (1 << width) - 1
    state = np.full(len(rows), init, np.int64)
    for column in rows.T.astype(np.int64):
        for bit in range(8) if reflect else range(7, -1, -1):
            carry = (state >> (width - 1) & 1) ^ (column >> bit & 1)
            state = (state << 1 & mask) ^ np.where(carry == 1, polynomial, 0)
    if reflect:
        turned = np.zeros_like(state)
        for k in range(width):
            turned |= (state >> k & 1) << (width - 1 - k)
        state = turned
    return state


def _with(rows: Bytes, *extra: int, front: bool = False) -> Bytes:
    tail = np.tile(np.array(extra, np.uint8), (len(rows), 1))
    return np.concatenate([tail, rows] if front else [rows, tail], axis=1)


def _nibbles(rows: Bytes) -> Ints:
    return np.asarray(((rows & 15).astype(np.int64) + (rows >> 4)).sum(axis=1), np.int64)


def make_seal(rng: np.random.Generator, name: str) -> Seal:
    """One formula with its constants; `per` is what differs between messages."""
    constant = int(rng.choice([0, 0, 0xFF, int(rng.integers(256))]))
    per = str(rng.choice(["nothing", "identifier", "own"]))
    secret = rng.integers(0, 65536, 64)
    poly8 = int(rng.choice([0x1D, 0x2F, 0x07, 0x31, 0x9B, 0xD5]))
    poly16 = int(rng.choice([0x1021, 0x8005, 0x8BB7]))
    init = int(rng.choice([0, 0xFFFF]))
    reflect = bool(rng.random() < 0.2)
    front = bool(rng.random() < 0.5)
    listed = tuple(int(v) for v in secret[48:64] & 255)
    ending = int(secret[47] & 255) or 0x55
    part = 0.5 + 0.3 * (int(secret[46]) & 1)
    rolled = 1 + (int(secret[45]) & 1)

    def differs(identifier: int, number: int) -> tuple[int, int]:
        if per == "identifier":
            return identifier & 255, identifier >> 8 & 255
        return (int(secret[number] & 255), int(secret[number] >> 8)) if per == "own" else (0, 0)

    def xor(rows: Bytes, i: int, k: int) -> Ints:
        a, b = differs(i, k)
        return np.asarray(np.bitwise_xor.reduce(rows, axis=1).astype(np.int64) ^ a ^ b ^ constant, np.int64)

    def sums(rows: Bytes, i: int, k: int) -> Ints:
        return np.asarray((rows.astype(np.int64).sum(axis=1) + sum(differs(i, k)) + constant) % 256, np.int64)

    def less(rows: Bytes, i: int, k: int) -> Ints:
        return np.asarray((constant - rows.astype(np.int64).sum(axis=1) - sum(differs(i, k))) % 256, np.int64)

    def long(rows: Bytes, i: int, k: int) -> Ints:
        return np.asarray((rows.astype(np.int64).sum(axis=1) + sum(differs(i, k)) + rows.shape[1]) % 256, np.int64)

    def nibble(rows: Bytes, i: int, k: int) -> Ints:
        digits = sum(i >> s & 15 for s in range(0, 32, 4)) if per == "identifier" else sum(differs(i, k))
        return (constant - _nibbles(rows) - digits) % 16

    def plus(rows: Bytes, i: int, k: int) -> Ints:
        return (constant + _nibbles(rows) + sum(differs(i, k))) % 16

    def folded(rows: Bytes, i: int, k: int) -> Ints:
        total = rows.astype(np.int64).sum(axis=1) + sum(differs(i, k)) + constant
        return np.asarray(((total & 15) + (total >> 4)) % 16, np.int64)

    def carried(rows: Bytes, i: int, k: int) -> Ints:
        total = rows.astype(np.int64).sum(axis=1) + sum(differs(i, k))
        while (total >> 8).any():
            total = (total & 255) + (total >> 8)
        return np.asarray(255 - total, np.int64)

    def weighed(rows: Bytes, i: int, k: int) -> Ints:
        return (rows.astype(np.int64) @ np.arange(1, rows.shape[1] + 1) + sum(differs(i, k))) % 256

    def crc8(rows: Bytes, i: int, k: int) -> Ints:
        fed = _with(rows, *differs(i, k), front=front) if per != "nothing" else rows
        return _crc(fed, 8, poly8, init & 255, reflect) ^ (0xFF if init else 0)

    def crc16(rows: Bytes, i: int, k: int) -> Ints:
        fed = _with(rows, *differs(i, k)) if per != "nothing" else rows
        return _crc(fed, 16, poly16, init, reflect)

    def ended(rows: Bytes, i: int, k: int) -> Ints:
        return sums(rows, i, k) ^ ending

    def less_ended(rows: Bytes, i: int, k: int) -> Ints:
        return ((nibble(rows, i, k) ^ ending) + 3) % 16

    def xor_nibbles(rows: Bytes, i: int, k: int) -> Ints:
        both = xor(rows, i, k)
        return (both & 15) ^ (both >> 4)

    def some(rows: Bytes) -> Bytes:
        return rows[:, -max(2, int(np.ceil(part * rows.shape[1]))) :]

    def crc8_part(rows: Bytes, i: int, k: int) -> Ints:
        return crc8(some(rows), i, k)

    def crc16_part(rows: Bytes, i: int, k: int) -> Ints:
        return crc16(some(rows), i, k)

    def sum_part(rows: Bytes, i: int, k: int) -> Ints:
        return sums(some(rows), i, k)

    def xor_part(rows: Bytes, i: int, k: int) -> Ints:
        return xor(some(rows), i, k)

    def crc8_rolled(rows: Bytes, i: int, k: int) -> Ints:
        return crc8(np.roll(rows, rolled, axis=1), i, k)

    def crc8_listed(rows: Bytes, i: int, k: int) -> Ints:
        return _crc(rows, 8, poly8, init & 255, reflect) ^ (0xFF if init else 0)

    def crc12(rows: Bytes, i: int, k: int) -> Ints:
        return _crc(_with(rows, *differs(i, k)), 12, 0x80F, 0, False)

    def crc4(rows: Bytes, i: int, k: int) -> Ints:
        return _crc(_with(rows, *differs(i, k)), 4, 0x3, 0, False)

    def sum16(rows: Bytes, i: int, k: int) -> Ints:
        return np.asarray((rows.astype(np.int64).sum(axis=1) + 37 * sum(differs(i, k)) + constant) % 65536, np.int64)

    widths: dict[str, tuple[int, Callable[[Bytes, int, int], Ints]]] = {
        "xor": (8, xor),
        "sum": (8, sums),
        "less": (8, less),
        "long": (8, long),
        "nibbles": (4, nibble),
        "plus nibbles": (4, plus),
        "folded": (4, folded),
        "carried": (8, carried),
        "weighed": (8, weighed),
        "crc8": (8, crc8),
        "crc16": (16, crc16),
        "sum, then XOR": (8, ended),
        "nibbles, then XOR": (4, less_ended),
        "XOR of nibbles": (4, xor_nibbles),
        "crc8 of a part": (8, crc8_part),
        "crc16 of a part": (16, crc16_part),
        "sum of a part": (8, sum_part),
        "XOR of a part": (8, xor_part),
        "crc8 rolled": (8, crc8_rolled),
        "crc8 by counter": (8, crc8_listed),
        "crc12": (12, crc12),
        "crc4": (4, crc4),
        "sum16": (16, sum16),
    }
    width, value = widths[name]
    return Seal(f"{name}, {per}", width, value, listed if name == "crc8 by counter" else ())


FORMULAS = {
    "none": 0.12,
    "xor": 0.12,
    "sum": 0.12,
    "less": 0.08,
    "long": 0.08,
    "nibbles": 0.12,
    "plus nibbles": 0.03,
    "folded": 0.03,
    "carried": 0.03,
    "weighed": 0.02,
    "crc8": 0.19,
    "crc16": 0.06,
}
"""How many vehicles in a hundred keep to each."""
RARE = (
    "sum, then XOR",
    "nibbles, then XOR",
    "XOR of nibbles",
    "crc8 of a part",
    "crc16 of a part",
    "sum of a part",
    "XOR of a part",
    "crc8 rolled",
    "crc8 by counter",
    "crc12",
    "crc4",
    "sum16",
)
"""Families that no vehicle is drawn with, only asked to have (`guess_checks`)."""
INSTEAD = {4: "nibbles", 8: "sum", 16: "crc16"}
"""What a map's check of another width than the vehicle's is taken for."""
