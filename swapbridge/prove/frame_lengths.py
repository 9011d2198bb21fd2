"""Prove room: exact lengths of whole columns of frames, stuff bits included, by table.

Counts the bits that `core.can_bits` writes one by one. Stuffing and CRC are small state machines: one table step a
byte, for many thousand frames at once.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import BIT_RATE_SWITCH, ERROR, EXTENDED, FD, REMOTE, Capture
from swapbridge.core.can_bits import CRC15, ERROR_FRAME_BITS, FD_LENGTHS, INTERMISSION_BITS, crc_of_bits, fd_frame

Ints = npt.NDArray[np.int64]
_CHUNK = 1 << 17
_CLASSIC_TAIL = 1 + 2 + 7 + INTERMISSION_BITS
"""CRC delimiter, acknowledge slot and delimiter, end of frame, intermission."""


def frame_lengths(capture: Capture) -> tuple[Ints, Ints]:
    """Bits each frame takes of its bus.

    Returns
    -------
    slow, fast : (N,) int64
        Bits at the nominal rate, intermission included, and bits at CAN FD's second rate. An error frame counts as
        the longest one.

    Notes
    -----
    A CAN FD payload whose length has no code is counted as padded with zeros to the next length that has one.
    """
    n = len(capture)
    slow, fast = np.zeros(n, np.int64), np.zeros(n, np.int64)
    flags = capture.flags
    is_error, is_fd = (flags & ERROR) != 0, (flags & FD) != 0
    slow[is_error] = ERROR_FRAME_BITS + INTERMISSION_BITS
    classic = ~is_error & ~is_fd
    for size in np.unique(capture.length[classic]):
        rows = np.flatnonzero(classic & (capture.length == size))
        for at in range(0, len(rows), _CHUNK):
            part = rows[at : at + _CHUNK]
            slow[part] = _classic(
                capture.identifier[part].astype(np.int64),
                (flags[part] & EXTENDED) != 0,
                (flags[part] & REMOTE) != 0,
                capture.payload[part],
                int(size),
            )
    for row_size in np.unique(capture.length[is_fd & ~is_error]):
        rows = np.flatnonzero(is_fd & ~is_error & (capture.length == row_size))
        padded = next(s for s in FD_LENGTHS if s >= row_size)
        for at in range(0, len(rows), _CHUNK):
            part = rows[at : at + _CHUNK]
            slow[part], fast[part] = _fd(
                capture.identifier[part].astype(np.int64),
                (flags[part] & EXTENDED) != 0,
                (flags[part] & BIT_RATE_SWITCH) != 0,
                capture.payload[part],
                padded,
            )
    return slow, fast


@lru_cache(maxsize=1 << 15)
def one_frame(
    identifier: int, extended: bool, data: bytes, fd: bool = False, bit_rate_switch: bool = False
) -> tuple[int, int]:
    """The same for one frame of a node under test."""
    if fd:
        frame = fd_frame(identifier, extended, data, bit_rate_switch)
        return frame.slow_bits, frame.fast_bits
    steps, crc_steps = _lists()
    state, crc, bits = _head(identifier, extended, False, len(data))
    for byte in data:
        packed = steps[state << 8 | byte]
        state = packed & 7
        bits += 8 + (packed >> 3)
        crc = ((crc << 8) & 0x7FFF) ^ crc_steps[(crc >> 7) ^ byte]
    return bits + 15 + int(_crc_stuffing()[state << 15 | crc]) + _CLASSIC_TAIL, 0


# A stuffing state is `bit * 4 + run - 1`: the last bit sent and how many equal ones stand in a row, 1 to 4 (a fifth
# brings its stuff bit with it).


def _step(state: int, bit: int) -> tuple[int, int]:
    """State after one more bit, and stuff bits it brought."""
    last, run = state >> 2, (state & 3) + 1
    if bit != last:
        return bit << 2, 0
    return ((1 - bit) << 2, 1) if run == 4 else (bit << 2 | run, 0)


@lru_cache(maxsize=1)
def _byte_steps() -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.uint8]]:
    """(8 * 256) each: ``state | stuff bits << 3`` after a byte, and the stuff bits alone if none may follow its end."""
    table, last = np.zeros(2048, np.uint8), np.zeros(2048, np.uint8)
    for start in range(8):
        for byte in range(256):
            state, count, added = start, 0, 0
            for i in range(7, -1, -1):
                state, added = _step(state, byte >> i & 1)
                count += added
            table[start << 8 | byte] = state | count << 3
            last[start << 8 | byte] = count - added
    return table, last


@lru_cache(maxsize=1)
def _crc_bytes() -> npt.NDArray[np.int64]:
    """(256,) CRC-15 of one byte."""
    return np.array([crc_of_bits([byte >> i & 1 for i in range(7, -1, -1)], *CRC15) for byte in range(256)])


@lru_cache(maxsize=1)
def _crc_stuffing() -> npt.NDArray[np.uint8]:
    """(8 * 32768,) stuff bits that a CRC sequence brings, by state before it."""
    crc = np.tile(np.arange(1 << 15), 8)
    state = np.repeat(np.arange(8), 1 << 15)
    after = np.array([[_step(s, b)[0] for b in (0, 1)] for s in range(8)])
    brings = np.array([[_step(s, b)[1] for b in (0, 1)] for s in range(8)])
    count = np.zeros(len(crc), np.uint8)
    for i in range(14, -1, -1):
        bit = crc >> i & 1
        count += brings[state, bit].astype(np.uint8)
        state = after[state, bit]
    return count


@lru_cache(maxsize=1)
def _lists() -> tuple[list[int], list[int]]:
    return _byte_steps()[0].tolist(), _crc_bytes().tolist()


@lru_cache(maxsize=1 << 16)
def _head(identifier: int, extended: bool, remote: bool, size: int) -> tuple[int, int, int]:
    """Stuffing state, CRC and bits up to and with the length code of a classic frame."""
    if extended:
        text = f"0{identifier >> 18:011b}11{identifier & 0x3FFFF:018b}{int(remote)}00{size:04b}"
    else:
        text = f"0{identifier:011b}{int(remote)}00{size:04b}"
    state, bits = 4, 0  # the idle bus is recessive, but the run counts from start-of-frame, which differs
    for c in text:
        state, added = _step(state, int(c))
        bits += 1 + added
    return state, crc_of_bits([int(c) for c in text], *CRC15), bits


@lru_cache(maxsize=1 << 16)
def _fd_head(identifier: int, extended: bool, switch: bool, size: int) -> tuple[int, int, int]:
    """Stuffing state, bits up to the bit-rate switch, and bits from there to the length code of a CAN FD frame."""
    if extended:
        slow = f"0{identifier >> 18:011b}11{identifier & 0x3FFFF:018b}010{int(switch)}"
    else:
        slow = f"0{identifier:011b}0010{int(switch)}"
    rest = f"0{FD_LENGTHS.index(size):04b}"
    state, counts, added = 4, [0, 0], 0
    for part, text in enumerate((slow, rest)):
        for c in text:
            state, stuffed = _step(state, int(c))
            counts[part] += 1
            # A stuff bit due after the switch bit is sent after it, at the second rate.
            counts[part] += added
            added = stuffed
    # One due after the very last bit is the payload's to bring, or replaced by the first fixed stuff bit.
    return state, counts[0], counts[1] + (added if size else 0)


def _heads(
    key: Ints, extended: npt.NDArray[np.bool_], flag: npt.NDArray[np.bool_], size: int, fd: bool
) -> tuple[Ints, Ints, Ints]:
    """`_head` or `_fd_head` for a column: computed once for every distinct header."""
    words, where = np.unique(key << 2 | extended.astype(np.int64) << 1 | flag, return_inverse=True)
    of = _fd_head if fd else _head
    rows = np.array([of(int(w) >> 2, bool(w >> 1 & 1), bool(w & 1), size) for w in words], np.int64)
    a, b, c = rows[where].T
    return a, b, c


def _classic(
    identifier: Ints,
    extended: npt.NDArray[np.bool_],
    remote: npt.NDArray[np.bool_],
    payload: npt.NDArray[np.uint8],
    size: int,
) -> Ints:
    state, crc, bits = _heads(identifier, extended, remote, size, fd=False)
    carries = ~remote
    if size and not carries.all():
        out = bits + 15 + _crc_stuffing()[state << 15 | crc] + _CLASSIC_TAIL
        some = np.flatnonzero(carries)
        if len(some):
            out[some] = _classic(identifier[some], extended[some], remote[some], payload[some], size)
        return out
    steps, crc_bytes = _byte_steps()[0], _crc_bytes()
    for i in range(size):
        byte = payload[:, i].astype(np.int64)
        packed = steps[state << 8 | byte]
        state = (packed & 7).astype(np.int64)
        bits += packed >> 3
        crc = ((crc << 8) & 0x7FFF) ^ crc_bytes[(crc >> 7) ^ byte]
    return bits + 8 * size + 15 + _crc_stuffing()[state << 15 | crc] + _CLASSIC_TAIL


def _fd(
    identifier: Ints,
    extended: npt.NDArray[np.bool_],
    switch: npt.NDArray[np.bool_],
    payload: npt.NDArray[np.uint8],
    size: int,
) -> tuple[Ints, Ints]:
    state, slow, fast = _heads(identifier, extended, switch, size, fd=True)
    steps, last = _byte_steps()
    for i in range(size):
        byte = payload[:, i].astype(np.int64) if i < payload.shape[1] else np.zeros(len(state), np.int64)
        at = state << 8 | byte
        packed = steps[at]
        state = (packed & 7).astype(np.int64)
        fast = fast + 8 + (packed >> 3 if i < size - 1 else last[at])
    checked = 4 + (17 if size <= 16 else 21)
    fast = fast + checked + -(-checked // 4) + 1
    slow = slow + 2 + 7 + INTERMISSION_BITS
    return np.where(switch, slow, slow + fast), np.where(switch, fast, 0)
