"""Proving room: the exact length of one frame of a node under test, quickly.

Counts the bits that `core.can_bits` writes one by one; `survey.frame_bits` does the same for whole columns.
"""

from __future__ import annotations

from functools import lru_cache

from swapbridge.core.can_bits import CRC15, INTERMISSION_BITS, crc_of_bits, fd_frame

_TAIL = 1 + 2 + 7 + INTERMISSION_BITS
"""CRC delimiter, acknowledge slot and delimiter, end of frame, intermission."""


@lru_cache(maxsize=1 << 15)
def frame_length(
    identifier: int, extended: bool, data: bytes, fd: bool = False, bit_rate_switch: bool = False
) -> tuple[int, int]:
    """Bits of a data frame at the nominal rate, intermission included, and at CAN FD's second rate."""
    if fd:
        frame = fd_frame(identifier, extended, data, bit_rate_switch)
        return frame.slow_bits, frame.fast_bits
    steps, crc_steps = _tables()
    state, crc, bits = _head(identifier, extended, len(data))
    for byte in data:
        packed = steps[state << 8 | byte]
        state = packed & 7
        bits += 8 + (packed >> 3)
        crc = ((crc << 8) & 0x7FFF) ^ crc_steps[(crc >> 7) ^ byte]
    # The CRC's 15 bits: its first seven, then a whole byte.
    for weight in range(14, 7, -1):
        state, added = _step(state, crc >> weight & 1)
        bits += added
    return bits + (steps[state << 8 | crc & 0xFF] >> 3) + 15 + _TAIL, 0


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
def _tables() -> tuple[list[int], list[int]]:
    """``state | stuff bits << 3`` after a byte, by ``state << 8 | byte``; and the CRC-15 of a byte."""
    steps = []
    for start in range(8):
        for byte in range(256):
            state, count = start, 0
            for weight in range(7, -1, -1):
                state, added = _step(state, byte >> weight & 1)
                count += added
            steps.append(state | count << 3)
    return steps, [crc_of_bits([byte >> i & 1 for i in range(7, -1, -1)], *CRC15) for byte in range(256)]


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
