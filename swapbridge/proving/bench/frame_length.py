"""Proving room: the exact length of one frame of a node under test, quickly.

Counts the bits that `core.can_bits` writes one by one; `survey.frame_bits` does the same for whole columns.
"""

from __future__ import annotations

from functools import lru_cache

from swapbridge.core.can_bits import CRC15, INTERMISSION_BITS, crc_of_bits, fd_frame

_TAIL = 1 + 2 + 7 + INTERMISSION_BITS
"""CRC delimiter, acknowledge slot and delimiter, end of frame, intermission."""


def frame_length(
    identifier: int, extended: bool, data: bytes, fd: bool = False, bit_rate_switch: bool = False
) -> tuple[int, int]:
    """Bits of a data frame at the nominal rate, intermission included, and at CAN FD's second rate."""
    if fd:
        frame = fd_frame(identifier, extended, data, bit_rate_switch)
        return frame.slow_bits, frame.fast_bits
    steps, crc_steps, crc_head = _tables()
    state, crc, bits = _head(identifier, extended, len(data))
    for byte in data:
        packed = steps[state << 8 | byte]
        state = packed & 7
        bits += 8 + (packed >> 3)
        crc = ((crc << 8) & 0x7FFF) ^ crc_steps[(crc >> 7) ^ byte]
    # The CRC's 15 bits: its first seven, then a whole byte.
    packed = crc_head[state << 7 | crc >> 8]
    return bits + (packed >> 3) + (steps[(packed & 7) << 8 | crc & 0xFF] >> 3) + 15 + _TAIL, 0


def _step(state: int, bit: int) -> tuple[int, int]:
    """Stuffing state after one more bit, and stuff bits it brought.

    A state is ``bit * 4 + run - 1``: the last bit sent and how many equal ones stand in a row, 1 to 4 (a fifth brings
    its stuff bit with it).
    """
    last, run = state >> 2, (state & 3) + 1
    if bit != last:
        return bit << 2, 0
    return ((1 - bit) << 2, 1) if run == 4 else (bit << 2 | run, 0)


@lru_cache(maxsize=1)
def _tables() -> tuple[list[int], list[int], list[int]]:
    """What a byte does to the stuffing (see `_steps`), the CRC-15 of a byte, and what seven bits do to the stuffing."""
    crc_steps = [crc_of_bits([byte >> i & 1 for i in range(7, -1, -1)], *CRC15) for byte in range(256)]
    return _steps(8), crc_steps, _steps(7)


def _steps(width: int) -> list[int]:
    """``state | stuff bits << 3`` after so many bits, by ``state << width | bits``."""
    out = []
    for start in range(8):
        for bits in range(1 << width):
            state, count = start, 0
            for weight in range(width - 1, -1, -1):
                state, added = _step(state, bits >> weight & 1)
                count += added
            out.append(state | count << 3)
    return out


@lru_cache(maxsize=1 << 12)
def _head(identifier: int, extended: bool, size: int) -> tuple[int, int, int]:
    """Stuffing state, CRC and bits up to and with the length code."""
    text = f"0{identifier >> 18:011b}11{identifier & 0x3FFFF:018b}000" if extended else f"0{identifier:011b}000"
    plain = [int(c) for c in f"{text}{size:04b}"]
    state, bits = 4, 0  # recessive before: start-of-frame begins a new run
    for bit in plain:
        state, added = _step(state, bit)
        bits += 1 + added
    return state, crc_of_bits(plain, *CRC15), bits
