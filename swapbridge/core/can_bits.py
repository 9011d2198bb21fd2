"""Core room: a CAN or CAN FD frame bit by bit, as ISO 11898-1 puts it on the wire.

The slow and obvious encoder: CRC, stuff bits, fields in order. Fast paths elsewhere count the same bits by table and
are tested against this one. Field order and stuffing rules are from memory of ISO 11898-1:2015; the bounds of
Davis et al. (2007) and the public CRC check values are tested.
"""

from __future__ import annotations

from dataclasses import dataclass

from swapbridge.core.errors import InputError
from swapbridge.core.identifier_words import identifier_word

CRC15 = (15, 0x4599, 0)
"""Width, polynomial and start value of classic CAN's CRC (check value 0x059E)."""
CRC17 = (17, 0x1685B, 1 << 16)
"""Of CAN FD up to 16 data bytes; ISO starts it with its top bit set (from 0 the check value is 0x04F03)."""
CRC21 = (21, 0x102899, 1 << 20)
"""Of CAN FD beyond 16 data bytes (from 0 the check value is 0x0ED841)."""
FD_LENGTHS = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)
"""Payload bytes a CAN FD length code can say."""
INTERMISSION_BITS = 3
"""Recessive bits between frames."""
ERROR_FRAME_BITS = 20
"""Longest error frame: 6 + 6 bits of (superposed) flags and 8 of delimiter, without intermission."""


@dataclass(frozen=True, slots=True)
class WireFrame:
    """Bits of one frame on the wire, SOF to the last bit of end-of-frame, 0 dominant.

    Attributes
    ----------
    bits : tuple of int
        With stuff bits; the acknowledge slot is dominant, as every bus shows it.
    fast : tuple of bool
        Which bits are sent at CAN FD's second rate. The bit-rate-switch bit counts as slow and the CRC delimiter as
        fast: the rate really changes at the sample point of each, and with equal sample points the two together
        last exactly one slow and one fast bit.
    stuff_bits : int
        Stuff bits among them, fixed ones too.
    """

    bits: tuple[int, ...]
    fast: tuple[bool, ...]
    stuff_bits: int

    @property
    def slow_bits(self) -> int:
        """Bits at the nominal rate with the three of intermission: what the frame takes of the bus."""
        return self.fast.count(False) + INTERMISSION_BITS

    @property
    def fast_bits(self) -> int:
        """Bits at the second rate."""
        return self.fast.count(True)


def crc_of_bits(bits: list[int], width: int, polynomial: int, start: int) -> int:
    """CRC over single bits, most significant first."""
    register, top, mask = start, width - 1, (1 << width) - 1
    for bit in bits:
        carry = (register >> top) ^ bit
        register = (register << 1) & mask
        if carry:
            register ^= polynomial
    return register


def stuff(bits: list[int]) -> tuple[list[int], list[int]]:
    """Put a complementary bit after every five equal ones (stuff bits count too).

    Returns
    -------
    stuffed, places
        The bits to send, and where among them each of the given bits went.
    """
    out: list[int] = []
    places: list[int] = []
    run = 0
    for bit in bits:
        run = run + 1 if out and out[-1] == bit else 1
        places.append(len(out))
        out.append(bit)
        if run == 5:
            out.append(1 - bit)
            run = 1
    return out, places


def classic_frame(identifier: int, extended: bool, data: bytes, remote: bool = False) -> WireFrame:
    """A classic CAN frame.

    Parameters
    ----------
    identifier, extended
        11-bit identifier, or 29-bit when `extended`.
    data : bytes
        0 to 8 bytes; a remote frame says how many it asks for and carries none.

    Raises
    ------
    InputError
        More than 8 bytes, or an identifier that does not fit.
    """
    if len(data) > 8:
        raise InputError(f"a classic CAN frame carries 0 to 8 bytes, not {len(data)}: mark it as CAN FD")
    identifier_word(identifier, extended)  # raises when it does not fit
    asks = int(remote)
    if extended:
        head = [0, *_bits(identifier >> 18, 11), 1, 1, *_bits(identifier & 0x3FFFF, 18), asks, 0, 0]
    else:
        head = [0, *_bits(identifier, 11), asks, 0, 0]
    plain = [*head, *_bits(len(data), 4)]
    if not remote:
        for byte in data:
            plain += _bits(byte, 8)
    plain += _bits(crc_of_bits(plain, *CRC15), 15)
    stuffed, _ = stuff(plain)
    bits = [*stuffed, 1, 0, 1, *([1] * 7)]  # CRC delimiter, acknowledge slot and delimiter, end of frame
    return WireFrame(tuple(bits), (False,) * len(bits), len(stuffed) - len(plain))


def fd_frame(
    identifier: int, extended: bool, data: bytes, bit_rate_switch: bool = True, error_passive: bool = False
) -> WireFrame:
    """A CAN FD frame (ISO form: stuff count and fixed stuff bits around the CRC).

    Raises
    ------
    InputError
        A payload length that CAN FD can't say, or an identifier that does not fit.
    """
    if len(data) not in FD_LENGTHS:
        raise InputError(f"CAN FD carries {', '.join(map(str, FD_LENGTHS))} bytes, not {len(data)}: pad the payload")
    identifier_word(identifier, extended)  # raises when it does not fit
    if extended:
        head = [0, *_bits(identifier >> 18, 11), 1, 1, *_bits(identifier & 0x3FFFF, 18), 0, 1, 0, int(bit_rate_switch)]
    else:
        head = [0, *_bits(identifier, 11), 0, 0, 1, 0, int(bit_rate_switch)]
    plain = [*head, int(error_passive), *_bits(FD_LENGTHS.index(len(data)), 4)]
    for byte in data:
        plain += _bits(byte, 8)
    # The fixed stuff bit before the stuff count stands in for a stuff bit due after the very last data bit.
    stuffed, places = stuff(plain)
    del stuffed[places[-1] + 1 :]
    dynamic = len(stuffed) - len(plain)
    count = dynamic % 8
    gray = count ^ (count >> 1)
    tail = [*_bits(gray, 3), gray.bit_count() & 1]
    tail += _bits(crc_of_bits([*stuffed, *tail], *(CRC17 if len(data) <= 16 else CRC21)), 17 if len(data) <= 16 else 21)
    bits, fixed = list(stuffed), 0
    for i, bit in enumerate(tail):
        if i % 4 == 0:
            bits.append(1 - bits[-1])
            fixed += 1
        bits.append(bit)
    fast_from, fast_to = places[len(head) - 1] + 1, len(bits) + 1
    bits += [1, 0, 1, *([1] * 7)]
    fast = tuple(bit_rate_switch and fast_from <= i < fast_to for i in range(len(bits)))
    return WireFrame(tuple(bits), fast, dynamic + fixed)


def frame_bits(
    identifier: int,
    extended: bool,
    data: bytes,
    *,
    fd: bool = False,
    bit_rate_switch: bool = False,
    remote: bool = False,
) -> tuple[int, int]:
    """Bits a frame takes of the bus: at the nominal rate (with intermission), and at the second rate."""
    frame = (
        fd_frame(identifier, extended, data, bit_rate_switch)
        if fd
        else classic_frame(identifier, extended, data, remote)
    )
    return frame.slow_bits, frame.fast_bits


def worst_case_bits(data_bytes: int, extended: bool) -> int:
    """Upper bound of a classic frame's bits with intermission (Davis, Burns, Bril, Lukkien, 2007; from memory)."""
    g = 54 if extended else 34
    return 8 * data_bytes + g + 13 + (g + 8 * data_bytes - 1) // 4


def arbitration_key(identifier: int, extended: bool, remote: bool = False) -> int:
    """Order in which frames win the bus, smallest first: the arbitration field as sent, as one number.

    The 11-bit base decides. With equal bases the 11-bit form's dominant remote and identifier-extension bits beat the
    29-bit form's recessive ones.
    """
    if extended:
        return (identifier >> 18) << 21 | 0b11 << 19 | (identifier & 0x3FFFF) << 1 | remote
    return identifier << 21 | remote << 20


def _bits(value: int, width: int) -> list[int]:
    return [(value >> i) & 1 for i in range(width - 1, -1, -1)]
