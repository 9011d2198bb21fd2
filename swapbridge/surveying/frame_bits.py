"""Surveying room: exact lengths of whole columns of frames on the wire, stuff bits and CRC included.

Stuffing and CRC are small state machines; a table takes them up to 16 bits further in one step, for thousands of
frames at once. `core.can_bits` writes the same frames bit by bit and is what the tests compare with.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import BIT_RATE_SWITCH, ERROR, EXTENDED, FD, REMOTE, Capture, payloads_at
from swapbridge.core.can_bits import CRC15, ERROR_FRAME_BITS, FD_LENGTHS, INTERMISSION_BITS
from swapbridge.surveying.threads import on_threads

ShortInts = npt.NDArray[np.int32]
BitCounts = npt.NDArray[np.intp]
"""Bits of frames: numpy takes from a table fastest by this type."""
_ROWS = 1 << 16
"""Frames handled at once, so that their columns stay in cache."""
_TAIL = 1 + 2 + 7 + INTERMISSION_BITS
"""CRC delimiter, acknowledge slot and delimiter, end of frame, and the three bits of intermission."""
_STEP = 16
_AFTER_IDLE = 4
"""Stuffing state before start-of-frame: a recessive run of one, so that start-of-frame begins a new run."""


def frame_lengths_in_bits(capture: Capture) -> npt.NDArray[np.int64]:
    """Bits each frame takes of its bus, at whichever rate.

    Returns
    -------
    (N,) int64
        From start-of-frame to the last of the three bits of intermission, without which no other frame can follow.
    """
    slow, fast = slow_and_fast_bits(capture)
    both: npt.NDArray[np.int64] = slow.astype(np.int64) + fast
    return both


def bus_time_ns(capture: Capture, bit_rate: int, data_bit_rate: int | None = None) -> npt.NDArray[np.int64]:
    """Nanoseconds each frame takes of its bus, intermission included.

    Parameters
    ----------
    bit_rate, data_bit_rate : int
        Bits a second; the second is CAN FD's, by default the same.

    Returns
    -------
    (N,) int64
        Rounded to the nearest nanosecond.
    """
    slow, fast = slow_and_fast_bits(capture)
    return bits_time_ns(slow, fast, bit_rate, data_bit_rate or bit_rate)


def bits_time_ns(slow: ShortInts, fast: ShortInts, bit_rate: int, data_bit_rate: int) -> npt.NDArray[np.int64]:
    """`bus_time_ns` for bits that were counted before."""
    time: npt.NDArray[np.int64]
    if not fast.any():
        time = slow * np.int64(1_000_000_000)
        time += bit_rate // 2
        time //= bit_rate
    else:
        exact = slow.astype(np.int64) * data_bit_rate + fast.astype(np.int64) * bit_rate
        time = np.rint(exact * (1e9 / (bit_rate * data_bit_rate))).astype(np.int64)
    return time


def slow_and_fast_bits(capture: Capture) -> tuple[ShortInts, ShortInts]:
    """Bits at the nominal rate (intermission included) and bits at CAN FD's second rate.

    Returns
    -------
    slow, fast : (N,) int32

    Notes
    -----
    An error frame counts as the longest one. A payload whose length CAN FD can't say counts as padded with zeros to
    the next that it can. CAN FD frames count as sent by an error-active node.
    """
    slow, fast = np.zeros(len(capture), np.int32), np.zeros(len(capture), np.int32)

    def block(start: int) -> None:
        part = slice(start, start + _ROWS)
        flags, length = capture.flags[part], capture.length[part]
        identifier, payload = capture.identifier[part], capture.payload[part]
        # one pass a kind of frame: form, remote, rates and length
        kind = length.astype(np.uint16) << 8 | (flags & (EXTENDED | FD | ERROR | REMOTE | BIT_RATE_SWITCH))
        if (kind == kind[0]).all():
            slow[part], fast_part = _of_kind(identifier, int(kind[0]) & 0xFF, int(kind[0]) >> 8, payload)
            if kind[0] & FD:
                fast[part] = fast_part
            return
        for one in np.flatnonzero(np.bincount(kind)).tolist():
            rows = np.flatnonzero(kind == one)
            slow_part, fast_part = _of_kind(identifier[rows], one & 0xFF, one >> 8, payloads_at(payload, rows))
            slow[start + rows] = slow_part
            fast[start + rows] = fast_part

    for _ in on_threads(block, range(0, len(capture), _ROWS), len(capture)):
        pass
    return slow, fast


def _of_kind(
    identifier: npt.NDArray[np.uint32], flags: int, length: int, payload: npt.NDArray[np.uint8]
) -> tuple[ShortInts | int, ShortInts | int]:
    if flags & ERROR:
        return ERROR_FRAME_BITS + INTERMISSION_BITS, 0
    if flags & FD:
        return _fd(identifier, bool(flags & EXTENDED), bool(flags & BIT_RATE_SWITCH), length, payload)
    return _classic(identifier, bool(flags & EXTENDED), bool(flags & REMOTE), length, payload), 0


def _classic(
    identifier: npt.NDArray[np.uint32], extended: bool, remote: bool, length: int, payload: npt.NDArray[np.uint8]
) -> ShortInts:
    carried = 0 if remote else min(length, 8)
    wide = identifier.astype(np.intp)
    if extended:
        state, bits, crc = _classic_head(wide, True, remote, length)
    else:
        heads, wide = _standard_heads(remote, length), wide & 0x7FF
        state, bits, crc = heads[0].take(wide), heads[1].take(wide), heads[2].take(wide)
    steps = _steps(_STEP)
    for at, half in enumerate(_halves(payload, carried), 1):
        packed = steps.take(state << _STEP | half)
        state = (packed & 7).astype(np.intp)
        bits += packed >> 3
        crc ^= _crc_table(_STEP, 8 * carried - _STEP * at).take(half)
    if carried & 1:
        byte = payload[:, carried - 1].astype(np.intp)
        packed = _steps(8).take(state << 8 | byte)
        state = (packed & 7).astype(np.intp)
        bits += packed >> 3
        crc ^= _crc_table(8).take(byte)
    bits += _steps(15).take(state << 15 | crc) >> 3
    return bits


@lru_cache(maxsize=64)
def _standard_heads(remote: bool, length: int) -> tuple[BitCounts, ShortInts, npt.NDArray[np.int16]]:
    return _classic_head(np.arange(1 << 11, dtype=np.intp), False, remote, length)


def _classic_head(
    wide: BitCounts, extended: bool, remote: bool, length: int
) -> tuple[BitCounts, ShortInts, npt.NDArray[np.int16]]:
    """Stuffing state before the data, bits without the data's stuff bits, and what the head adds to the CRC."""
    ask = int(remote)
    if extended:
        # start-of-frame 0, base, two recessive bits, the other 18, remote, two reserved, length code
        head = (wide >> 18) << 27 | 0b11 << 25 | (wide & 0x3_FFFF) << 7 | ask << 6 | length
        width = 39
    else:
        head = wide << 7 | ask << 6 | length
        width = 19
    data = 0 if remote else 8 * min(length, 8)
    state, added = _stuffing(np.full(len(wide), _AFTER_IDLE, np.intp), head, width)
    crc = np.zeros(len(wide), np.int16)
    behind = width
    for size, part in _pieces(head, width):
        behind -= size
        crc ^= _crc_table(size, behind + data).take(part)
    return state, added + (width + data + 15 + _TAIL), crc


def _fd(
    identifier: npt.NDArray[np.uint32], extended: bool, switch: bool, length: int, payload: npt.NDArray[np.uint8]
) -> tuple[ShortInts, ShortInts]:
    wide = identifier.astype(np.intp)
    size = next(size for size in FD_LENGTHS if size >= min(length, FD_LENGTHS[-1]))
    if extended:
        slow_head = (wide >> 18) << 24 | 0b11 << 22 | (wide & 0x3_FFFF) << 4 | 0b0100 | int(switch)
        width = 36
    else:
        slow_head = wide << 5 | 0b00100 | int(switch)
        width = 17
    before, slow_stuff = _stuffing(np.full(len(wide), _AFTER_IDLE, np.intp), slow_head >> 1, width - 1)
    # a stuff bit that the rate-switch bit brings is sent after it, at the second rate
    state, carried_over = _stuffing(before, slow_head & 1, 1)
    # error state (active) and length code
    code = FD_LENGTHS.index(size)
    tail = np.full(len(wide), code, np.intp)
    fast_stuff = carried_over
    if size:
        state, more = _stuffing(state, tail, 5)
    else:
        # the last bit brings no stuff bit of its own: the first fixed one stands there
        state, more = _stuffing(state, tail >> 1, 4)
    fast_stuff = fast_stuff + more
    whole = payload
    if payload.shape[1] < size:
        whole = np.zeros((len(payload), size), np.uint8)
        whole[:, : payload.shape[1]] = payload
    if size:
        steps = _steps(_STEP)
        for half in _halves(whole, size - 1):
            packed = steps.take(state << _STEP | half)
            state = (packed & 7).astype(np.intp)
            fast_stuff += packed >> 3
        byte = whole[:, size - 1].astype(np.intp)
        if size % 2 == 0:
            packed = _steps(8).take(state << 8 | whole[:, size - 2])
            state = (packed & 7).astype(np.intp)
            fast_stuff += packed >> 3
        fast_stuff += _steps(7).take(state << 7 | byte >> 1) >> 3
    # stuff count and its parity, CRC, a fixed stuff bit before every four of these bits, CRC delimiter
    checked = 4 + (17 if size <= 16 else 21)
    fast = fast_stuff + (5 + 8 * size + checked + -(-checked // 4) + 1)
    slow = slow_stuff + (width + _TAIL - 1)
    return (slow, fast) if switch else (slow + fast, np.zeros_like(fast))


def _halves(payload: npt.NDArray[np.uint8], size: int) -> list[BitCounts]:
    """Columns of 16 bits, first byte on top, over the whole pairs of the first `size` bytes."""
    return [payload[:, at].astype(np.intp) << 8 | payload[:, at + 1] for at in range(0, size - 1, 2)]


def _stuffing(state: BitCounts, value: BitCounts, width: int) -> tuple[BitCounts, ShortInts]:
    """State and stuff bits after the `width` bits of `value`, most significant first."""
    added = np.zeros(len(state), np.int32)
    for size, part in _pieces(value, width):
        packed = _steps(size).take(state << size | part)
        state = (packed & 7).astype(np.intp)
        added += packed >> 3
    return state, added


def _pieces(value: BitCounts, width: int) -> list[tuple[int, BitCounts]]:
    out = []
    while width:
        size = min(width, _STEP)
        width -= size
        out.append((size, value >> width & ((1 << size) - 1)))
    return out


# A stuffing state is `bit * 4 + run - 1`: the last bit sent and how many equal ones stand in a row, 1 to 4 (a fifth
# brings its stuff bit with it, which begins a new run).


@lru_cache(maxsize=17)
def _steps(width: int) -> npt.NDArray[np.uint8]:
    """(8 << width,) ``state | stuff bits << 3`` after `width` more bits, by ``state << width | bits``."""
    if width == 1:
        pairs = [_one_step(state, bit) for state in range(8) for bit in (0, 1)]
        return np.array([state | added << 3 for state, added in pairs], dtype=np.uint8)
    # a wide step is two narrow ones
    high, low = width - width // 2, width // 2
    first = np.repeat(_steps(high), 1 << low)
    second = _steps(low)[(first & 7).astype(np.int32) << low | np.tile(np.arange(1 << low), 8 << high)]
    table: npt.NDArray[np.uint8] = second + (first & 0xF8)
    return table


def _one_step(state: int, bit: int) -> tuple[int, int]:
    last, run = state >> 2, (state & 3) + 1
    run = run + 1 if bit == last else 1
    return ((1 - bit) << 2, 1) if run == 5 else (bit << 2 | (run - 1), 0)


@lru_cache(maxsize=128)
def _crc_table(width: int, behind: int = 0) -> npt.NDArray[np.int16]:
    """(1 << width,) what every value of that many bits, with `behind` more bits to come, adds to the CRC-15."""
    _, polynomial, _ = CRC15
    table = np.zeros(1, np.int64)
    for at in range(behind, behind + width):
        # one bit more: the value's top bit, which has `at` bits behind it
        register = polynomial
        for _ in range(at):
            register = (register << 1 & 0x7FFF) ^ (polynomial if register & 0x4000 else 0)
        table = np.concatenate((table, table ^ register))
    return table.astype(np.int16)
