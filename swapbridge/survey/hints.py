"""Survey room: counters and checksums that are plain to see; the thorough search is in `guess`."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt

from swapbridge.core.integrity import Crc

_COUNTER_ROWS = 1024
_CHECKSUM_ROWS = 512
_SCREEN_ROWS = 32
_MOST_BYTES = 8
_POLYNOMIALS = {0x1D: "CRC-8, polynomial 1D", 0x2F: "CRC-8, polynomial 2F"}
"""SAE J1850 and AUTOSAR profile 2 (public CRC catalogue); start value and final XOR only add a constant."""


def hints(payload: npt.NDArray[np.uint8]) -> tuple[str, ...]:
    """Counters and checksums in frames of one identifier and length.

    Parameters
    ----------
    payload : (N, L) uint8
        Payloads one after the other, all of L bytes.
    """
    if len(payload) < _SCREEN_ROWS:
        return ()
    found = list(_counters(payload[:_COUNTER_ROWS]))
    if 3 <= payload.shape[1] <= _MOST_BYTES:
        checksum = _checksum(payload[:_CHECKSUM_ROWS])
        if checksum:
            found.append(checksum)
    return tuple(found)


def _counters(payload: npt.NDArray[np.uint8]) -> list[str]:
    """Whole bytes and nibbles that go one step a frame and come round more than once."""
    out = []
    steps = payload[1:] - payload[:-1]
    in_step = {
        "byte": np.count_nonzero(steps == 1, axis=0),
        "low nibble": np.count_nonzero((steps & 15) == 1, axis=0),
        "high nibble": np.count_nonzero(((payload[1:] >> 4) - (payload[:-1] >> 4)) & 15 == 1, axis=0),
    }
    need = 0.85 * len(steps)  # a counter of 15 values leaves the step out once a round, and frames are lost
    for at in range(payload.shape[1]):
        if in_step["byte"][at] >= need and len(np.unique(payload[:, at])) > 16:
            if np.count_nonzero(payload[1:, at] < payload[:-1, at]) >= 2:
                out.append(f"counter in byte {at}")
            continue
        for place, column in (("low nibble", payload[:, at] & 15), ("high nibble", payload[:, at] >> 4)):
            if in_step[place][at] >= need and np.count_nonzero(column[1:] < column[:-1]) >= 2:
                out.append(f"counter in byte {at}, {place}")
    return out


def _checksum(payload: npt.NDArray[np.uint8]) -> str:
    """The one byte that is a plain XOR, sum or CRC-8 of all others, with a constant; "" when there is none."""
    alive = np.flatnonzero((payload != payload[0]).any(axis=0))
    if len(alive) < 3:
        return ""  # two moving bytes that agree are copies as often as a checksum
    flips = np.count_nonzero(payload[1:] != payload[:-1], axis=0)
    varied = [at for at in alive if len(np.unique(payload[:, at])) >= 8]
    for at in sorted(varied, key=lambda at: (-int(flips[at]), -int(at))):
        for polynomial, name in _POLYNOMIALS.items():
            if _constant(_crc_remainder(payload[:_SCREEN_ROWS], int(at), polynomial)) and _constant(
                _crc_remainder(payload, int(at), polynomial)
            ):
                return f"checksum in byte {at} ({name})"
    total = payload.sum(axis=1, dtype=np.uint8)
    for at in reversed(varied):
        if _constant(payload[:, at] + payload[:, at] - total):
            return f"checksum in byte {at} (sum)"
    # XOR and the complement of a sum name no byte of their own: the one that changes most often is taken
    if varied:
        busiest = max(varied, key=lambda at: (int(flips[at]), int(at)))
        if _constant(np.bitwise_xor.reduce(payload, axis=1)):
            return f"checksum in byte {busiest} (XOR)"
        if _constant(total):
            return f"checksum in byte {busiest} (sum, complemented)"
    return ""


def _constant(column: npt.NDArray[np.uint8]) -> bool:
    return bool((column == column[0]).all())


def _crc_remainder(payload: npt.NDArray[np.uint8], at: int, polynomial: int) -> npt.NDArray[np.uint8]:
    """The byte, less the CRC of the others: constant where it is their CRC, whatever its start and final XOR."""
    others = [i for i in range(payload.shape[1]) if i != at]
    tables = _crc_tables(polynomial)
    out = payload[:, at].copy()
    for behind, i in enumerate(reversed(others)):
        out ^= tables[behind][payload[:, i]]
    return out


@lru_cache(maxsize=4)
def _crc_tables(polynomial: int) -> npt.NDArray[np.uint8]:
    """(8, 256) what a byte with that many bytes behind it adds to the CRC."""
    plain = [Crc(8, polynomial, 0, False, 0, tuple(range(n + 1))) for n in range(_MOST_BYTES)]
    rows = [[crc.value(bytes([byte]) + bytes(n)) for byte in range(256)] for n, crc in enumerate(plain)]
    return np.array(rows, dtype=np.uint8)
