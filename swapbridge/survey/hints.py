"""Survey room: counters and checksums that are plain to see; the thorough search is in `guess`."""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from swapbridge.core.integrity import Crc

_SCREEN_ROWS = 32
_MOST_BYTES = 8
_BITS_SET = np.array([i.bit_count() for i in range(256)], dtype=np.uint8)
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
    counters = _counters(payload)
    checksum = None
    if 3 <= payload.shape[1] <= _MOST_BYTES:
        checksum = _checksum(payload, {at for at, _ in counters})
    if checksum is None:
        if len(counters) == 2 and np.count_nonzero((payload != payload[0]).any(axis=0)) == 2:
            # all that moves are two bytes in step: which of them counts can't be seen
            return (f"{counters[0][1]} or byte {counters[1][0]}, and the other follows it",)
        return tuple(words for _, words in counters)
    # a sum over a counter counts along with it; a nibble leaves room for a counter beside it
    whole = "nibble" not in checksum[1]
    return (*(words for at, words in counters if at != checksum[0] or not whole), checksum[1])


def _counters(payload: npt.NDArray[np.uint8]) -> list[tuple[int, str]]:
    """Whole bytes and nibbles that go one step a frame and come round more than once: their byte, and words."""
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
                out.append((at, f"counter in byte {at}"))
            continue
        for place, column in (("low nibble", payload[:, at] & 15), ("high nibble", payload[:, at] >> 4)):
            if in_step[place][at] >= need and np.count_nonzero(column[1:] < column[:-1]) >= 2:
                out.append((at, f"counter in byte {at}, {place}"))
    return out


def _checksum(payload: npt.NDArray[np.uint8], counting: set[int]) -> tuple[int, str] | None:
    """The byte or nibble that is a plain XOR, sum or CRC-8 of all others, with a constant, and what to say of it."""
    nibbles = np.stack((payload & 15, payload >> 4), axis=2).reshape(len(payload), -1)
    # a few frames rule out nearly everything
    if not any(fits.any() for _, fits in _relations(payload[:_SCREEN_ROWS], nibbles[:_SCREEN_ROWS])):
        return None
    if np.count_nonzero((payload != payload[0]).any(axis=0)) < 3:
        return None  # two moving bytes that agree are copies as often as a checksum
    for name, fits in _relations(payload, nibbles):
        column = nibbles if len(fits) > payload.shape[1] else payload
        places = [at for at in np.flatnonzero(fits).tolist() if len(np.unique(column[:, at])) >= 8]
        if not places:
            continue
        # where several could be it, the noisiest is: most of its bits change from frame to frame, a counter's do not
        flips = _BITS_SET[column[1:] ^ column[:-1]].sum(axis=0, dtype=np.int64)
        per_byte = column.shape[1] // payload.shape[1]
        at = max(places, key=lambda at: (at // per_byte not in counting or per_byte > 1, int(flips[at]), at))
        half = ("", ", low nibble", ", high nibble")[at % 2 + 1 if per_byte > 1 else 0]
        return at // per_byte, f"checksum in byte {at // per_byte}{half} ({name})"
    return None


def _relations(
    payload: npt.NDArray[np.uint8], nibbles: npt.NDArray[np.uint8]
) -> Iterator[tuple[str, npt.NDArray[np.bool_]]]:
    """Relations in order of how much each says, and for which byte (or nibble) each holds in all these frames."""
    for polynomial, name in _POLYNOMIALS.items():
        yield name, _constant(_crc_remainders(payload, polynomial))
    for column, what, mask in ((payload, "sum", 255), (nibbles, "sum of nibbles", 15)):
        total = column.sum(axis=1, dtype=np.uint8)[:, None]
        yield what, _constant((column + column - total) & mask)
        if what == "sum":
            # XOR and the complement of a sum hold for every byte alike
            yield "XOR", np.repeat(_constant(np.bitwise_xor.reduce(payload, axis=1)[:, None]), payload.shape[1])
        yield f"{what}, complemented", np.repeat(_constant(total & mask), column.shape[1])


def _constant(columns: npt.NDArray[np.uint8]) -> npt.NDArray[np.bool_]:
    same: npt.NDArray[np.bool_] = (columns == columns[0]).all(axis=0)
    return same


def _crc_remainders(payload: npt.NDArray[np.uint8], polynomial: int) -> npt.NDArray[np.uint8]:
    """(N, L) each byte less the CRC of all others: constant where it is their CRC, whatever its start and final XOR.

    With the byte taken out, those before it stand one place nearer to the end.
    """
    size = payload.shape[1]
    tables = _crc_tables(polynomial)
    behind = np.arange(size - 1, -1, -1)
    after = tables[behind, payload]
    before = tables[np.maximum(behind - 1, 0), payload]
    out = payload.copy()
    out[:, 1:] ^= np.bitwise_xor.accumulate(before, axis=1)[:, :-1]
    out[:, :-1] ^= np.bitwise_xor.accumulate(after[:, ::-1], axis=1)[:, -2::-1]
    return out


@lru_cache(maxsize=4)
def _crc_tables(polynomial: int) -> npt.NDArray[np.uint8]:
    """(8, 256) what a byte with that many bytes behind it adds to the CRC."""
    plain = [Crc(8, polynomial, 0, False, 0, tuple(range(n + 1))) for n in range(_MOST_BYTES)]
    rows = [[crc.value(bytes([byte]) + bytes(n)) for byte in range(256)] for n, crc in enumerate(plain)]
    return np.array(rows, dtype=np.uint8)
