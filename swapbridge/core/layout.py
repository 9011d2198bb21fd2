"""Core room: where a signal's bits stand in a payload, exactly as DBC counts them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal, NamedTuple

from swapbridge.core.errors import InputError

ByteOrder = Literal["little_endian", "big_endian"]
MAX_SIGNAL_BITS = 64
MAX_PAYLOAD_BYTES = 64


@dataclass(frozen=True, slots=True)
class Layout:
    """Position, length, byte order and sign of a signal.

    Bits are numbered as DBC numbers them: bit ``8 * byte + weight``, weight 0 the least significant bit of its byte::

        byte      0                        1
        bit       7  6  5  4  3  2  1  0   15 14 13 12 11 10  9  8

    Parameters
    ----------
    start : int
        DBC start bit: the least significant bit when little endian, the most significant bit when big endian.
    length : int
        Number of bits, 1 to 64.
    byte_order : {"little_endian", "big_endian"}
        DBC writes 1 for little endian and 0 for big endian.
    signed : bool
        Two's complement when true.

    Raises
    ------
    InputError
        The layout has no bits, too many, or begins before the payload.
    """

    start: int
    length: int
    byte_order: ByteOrder = "little_endian"
    signed: bool = False

    def __post_init__(self) -> None:
        if not 1 <= self.length <= MAX_SIGNAL_BITS:
            raise InputError(f"a signal has 1 to {MAX_SIGNAL_BITS} bits, not {self.length}: give it another length")
        if self.byte_order not in ("little_endian", "big_endian"):
            raise InputError(f"byte order is little_endian or big_endian, not {self.byte_order!r}")
        if not 0 <= self.start < 8 * MAX_PAYLOAD_BYTES:
            raise InputError(
                f"start bit {self.start} is outside a payload of 0 to 64 bytes: give a start bit from 0 to 511"
            )

    @property
    def positions(self) -> tuple[int, ...]:
        """Bit numbers (``8 * byte + weight``), least significant first."""
        return _positions(self.start, self.length, self.byte_order)

    @property
    def raw_range(self) -> tuple[int, int]:
        """Smallest and largest raw value."""
        if self.signed:
            return -(1 << (self.length - 1)), (1 << (self.length - 1)) - 1
        return 0, (1 << self.length) - 1

    def fits(self, payload_bytes: int) -> bool:
        """Whether every bit lies inside a payload of that many bytes."""
        return max(self.positions) < 8 * payload_bytes

    def unpack(self, payload: bytes | bytearray) -> int:
        """Raw value in a payload that the layout fits into."""
        first, last, shift, order = _window(self.start, self.length, self.byte_order)
        if last >= len(payload):
            raise IndexError(f"a payload of {len(payload)} bytes has no byte {last}")
        whole = payload[first] if first == last else int.from_bytes(payload[first : last + 1], order)
        raw = whole >> shift & (1 << self.length) - 1
        if self.signed and raw >> (self.length - 1):
            raw -= 1 << self.length
        return raw

    def pack(self, payload: bytearray, raw: int) -> None:
        """Write a raw value into a payload, leaving all other bits alone.

        Raises
        ------
        InputError
            The value does not fit the layout's bits.
        """
        mask = (1 << self.length) - 1
        if self.signed or not 0 <= raw <= mask:
            low, high = self.raw_range
            if not low <= raw <= high:
                raise InputError(f"raw value {raw} does not fit {self.length} bits ({low} to {high})")
        first, last, shift, order = _window(self.start, self.length, self.byte_order)
        if last >= len(payload):
            raise IndexError(f"a payload of {len(payload)} bytes has no byte {last}")
        if first == last:
            payload[first] = payload[first] & ~(mask << shift) | (raw & mask) << shift
            return
        others = int.from_bytes(payload[first : last + 1], order) & ~(mask << shift)
        payload[first : last + 1] = (others | (raw & mask) << shift).to_bytes(last + 1 - first, order)


@dataclass(frozen=True, slots=True)
class SplitLayout(Layout):
    """A value in two places: an unsigned layout of `length` bits in all, whose upper ones stand where `upper` says.

    ``start`` and ``byte_order`` are those of the lower bits.
    """

    upper: Layout = Layout(0, 1)

    def __post_init__(self) -> None:
        Layout.__post_init__(self)
        if self.signed or self.upper.signed:
            raise InputError("a value in two parts is unsigned: leave its sign out")
        if self.upper.length >= self.length:
            raise InputError(
                f"a value of {self.length} bits can't have {self.upper.length} of them in its upper part: give fewer"
            )
        if set(self.lower.positions) & set(self.upper.positions):
            raise InputError("the two parts of a value share bits: start one of them elsewhere")

    @property
    def lower(self) -> Layout:
        """The lower bits' own layout."""
        return Layout(self.start, self.length - self.upper.length, self.byte_order)

    @property
    def positions(self) -> tuple[int, ...]:
        """Bit numbers, least significant first."""
        return self.lower.positions + self.upper.positions

    def unpack(self, payload: bytes | bytearray) -> int:
        """Raw value in a payload that the layout fits into."""
        lower = self.lower
        return lower.unpack(payload) | self.upper.unpack(payload) << lower.length

    def pack(self, payload: bytearray, raw: int) -> None:
        """Write a raw value into a payload, leaving all other bits alone.

        Raises
        ------
        InputError
            The value does not fit the layout's bits.
        """
        low, high = self.raw_range
        if not low <= raw <= high:
            raise InputError(f"raw value {raw} does not fit {self.length} bits ({low} to {high})")
        lower = self.lower
        lower.pack(payload, raw & (1 << lower.length) - 1)
        self.upper.pack(payload, raw >> lower.length)


def split_layout(lower: Layout, upper: Layout) -> SplitLayout:
    """A value whose lower bits stand in one layout and whose upper ones in another."""
    return SplitLayout(lower.start, lower.length + upper.length, lower.byte_order, lower.signed, upper)


class Piece(NamedTuple):
    """A run of bits that stay together: `width` bits of payload byte `byte` from `low` up, at `weight` of the value."""

    byte: int
    low: int
    weight: int
    width: int

    @property
    def mask(self) -> int:
        """The run's bits, moved down to bit 0."""
        return (1 << self.width) - 1


def pieces(layout: Layout) -> tuple[Piece, ...]:
    """The layout cut at byte borders, least significant first."""
    out: list[Piece] = []
    for weight, position in enumerate(layout.positions):
        byte, low = position >> 3, position & 7
        if out and out[-1].byte == byte and out[-1].low + out[-1].width == low:
            out[-1] = out[-1]._replace(width=out[-1].width + 1)
        else:
            out.append(Piece(byte, low, weight, 1))
    return tuple(out)


@lru_cache(maxsize=4096)
def _window(start: int, length: int, byte_order: ByteOrder) -> tuple[int, int, int, Literal["little", "big"]]:
    """First and last byte that hold the value, how far it stands from the low end of the number they make, its order.

    One number read at once instead of bit by bit.
    """
    first = start >> 3
    if byte_order == "little_endian":
        return first, (start + length - 1) >> 3, start & 7, "little"
    bits = 7 - (start & 7) + length
    last = first + (bits - 1) // 8
    return first, last, 8 * (last - first + 1) - bits, "big"


@lru_cache(maxsize=4096)
def _positions(start: int, length: int, byte_order: ByteOrder) -> tuple[int, ...]:
    if byte_order == "little_endian":
        return tuple(range(start, start + length))
    falling, position = [], start
    for _ in range(length):
        falling.append(position)
        position = position + 15 if position % 8 == 0 else position - 1
    return tuple(reversed(falling))


def layout_from_positions(positions: tuple[int, ...], signed: bool = False) -> Layout:
    """Layout whose bits, least significant first, are these; big endian only where little endian can't say it."""
    for byte_order, start in (("little_endian", positions[0]), ("big_endian", positions[-1])):
        layout = Layout(start, len(positions), byte_order, signed)  # type: ignore[arg-type]
        if layout.positions == tuple(positions):
            return layout
    raise InputError(f"bits {list(positions)} are not one signal in either byte order")
