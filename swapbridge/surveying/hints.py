"""Surveying room: counters and checksums that are plain to see; the thorough search is in `guess`."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache, partial
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from swapbridge.core.integrity import Crc

Bytes = npt.NDArray[np.uint8]
Flags = npt.NDArray[np.bool_]

_SCREEN_ROWS = 32
_MOST_BYTES = 8
_BITS_SET = np.array([i.bit_count() for i in range(256)], dtype=np.uint8)
_PLACES = ("", ", low nibble", ", high nibble")


def hints(payload: Bytes) -> tuple[tuple[str, ...], ...]:
    """Counters and checksums in frames of several identifiers.

    Parameters
    ----------
    payload : (G, N, L) uint8
        Of each identifier N payloads one after the other, all of L bytes.

    Returns
    -------
    G tuples of str
        What to say of each identifier.
    """
    if payload.shape[1] < _SCREEN_ROWS:
        return ((),) * len(payload)
    counters = _counters(payload)
    checksums: list[tuple[int, str] | None] = [None] * len(payload)
    moving = np.count_nonzero((payload != payload[:, :1]).any(axis=1), axis=1)
    if 3 <= payload.shape[2] <= _MOST_BYTES:
        # two moving bytes that agree are copies as often as a checksum
        checksums = _checksums(payload, moving >= 3, [{at for at, _ in found} for found in counters])
    return tuple(_hint_words(*one) for one in zip(counters, checksums, moving.tolist(), strict=True))


def _hint_words(counters: list[tuple[int, str]], checksum: tuple[int, str] | None, moving: int) -> tuple[str, ...]:
    if checksum is None:
        if len(counters) == 2 and moving == 2:
            # all that moves are two bytes in step: which of them counts can't be seen
            return (f"{counters[0][1]} or byte {counters[1][0]}, and the other follows it",)
        return tuple(words for _, words in counters)
    # a sum over a counter counts along with it; a nibble leaves room for a counter beside it
    whole = "nibble" not in checksum[1]
    return (*(words for at, words in counters if at != checksum[0] or not whole), checksum[1])


def _counters(payload: Bytes) -> list[list[tuple[int, str]]]:
    """Whole bytes and nibbles that go one step a frame and come round more than once: their byte, and words."""
    columns = np.ascontiguousarray(payload.transpose(0, 2, 1))
    steps = columns[..., 1:] - columns[..., :-1]
    high = (columns[..., 1:] >> 4) - (columns[..., :-1] >> 4)
    in_step = np.stack([np.count_nonzero(one, axis=-1) for one in (steps == 1, (steps & 15) == 1, (high & 15) == 1)])
    # a counter of 15 values leaves the step out once a round, and frames are lost
    counting = in_step >= 0.85 * steps.shape[-1]
    out: list[list[tuple[int, str]]] = [[] for _ in payload]
    for of, at in np.argwhere(counting.any(axis=0)).tolist():
        column = columns[of, at]
        kinds = counting[:, of, at].tolist()
        if kinds[0] and _values(column) > 16:
            if _turns(column) >= 2:
                out[of].append((at, f"counter in byte {at}"))
            continue
        for is_one, nibble, place in ((kinds[1], column & 15, _PLACES[1]), (kinds[2], column >> 4, _PLACES[2])):
            if is_one and _turns(nibble) >= 2:
                out[of].append((at, f"counter in byte {at}{place}"))
    return out


def _values(column: Bytes) -> int:
    """How many different values."""
    return int(np.count_nonzero(np.bincount(column, minlength=256)))


def _turns(column: Bytes) -> int:
    """How often it falls from one frame to the next."""
    return int(np.count_nonzero(column[1:] < column[:-1]))


def _checksums(payload: Bytes, worth: Flags, counting: list[set[int]]) -> list[tuple[int, str] | None]:
    """Of each identifier the byte or nibble that is a plain XOR, sum or CRC-8 of all others, with a constant."""
    nibbles = np.stack((payload & 15, payload >> 4), axis=3).reshape(*payload.shape[:2], -1)
    out: list[tuple[int, str] | None] = [None] * len(payload)
    worth = worth.copy()
    for relation in _RELATIONS:
        column = nibbles if relation.of_nibbles else payload
        # a few frames rule out nearly everything
        hopeful = np.flatnonzero(worth)
        hopeful = hopeful[relation.fits(column[hopeful, :_SCREEN_ROWS]).any(axis=1)]
        if not len(hopeful):
            continue
        for of, fits in zip(hopeful.tolist(), relation.fits(column[hopeful]), strict=True):
            places = [at for at in np.flatnonzero(fits).tolist() if _values(column[of, :, at]) >= 8]
            if places:
                byte, half = _noisiest(column[of], places, counting[of], 2 if relation.of_nibbles else 1)
                out[of] = byte, f"checksum in byte {byte}{half} ({relation.name})"
                worth[of] = False
    return out


def _noisiest(column: Bytes, places: list[int], counting: set[int], per_byte: int) -> tuple[int, str]:
    """Where several places could be the checksum, most bits of it change from frame to frame; a counter's do not."""
    flips = _BITS_SET[column[1:] ^ column[:-1]].sum(axis=0, dtype=np.int64) if len(places) > 1 else np.zeros(99)
    at = max(places, key=lambda at: (at // per_byte not in counting or per_byte > 1, int(flips[at]), at))
    return at // per_byte, _PLACES[at % 2 + 1] if per_byte > 1 else ""


class _Relation(NamedTuple):
    """A kind of checksum, and the (G, places) bytes or nibbles that stand so to all others in (G, N, places)."""

    name: str
    of_nibbles: bool
    fits: Callable[[Bytes], Flags]


def _constant(columns: Bytes) -> Flags:
    same: Flags = (columns == columns[:, :1]).all(axis=1)
    return same


def _everywhere(column: Bytes, constant: Bytes) -> Flags:
    """What holds for every place alike, where `constant`, (G, N), is."""
    return np.repeat(_constant(constant[..., None]), column.shape[2], axis=1)


def _sum(mask: int, column: Bytes) -> Flags:
    total = column.sum(axis=2, dtype=np.uint8)[..., None]
    return _constant((column + column - total) & mask)


def _complemented_sum(mask: int, column: Bytes) -> Flags:
    return _everywhere(column, column.sum(axis=2, dtype=np.uint8) & mask)


def _xor(column: Bytes) -> Flags:
    return _everywhere(column, np.bitwise_xor.reduce(column, axis=2))


def _crc(polynomial: int, payload: Bytes) -> Flags:
    """Each byte less the CRC of all others is constant where it is their CRC, whatever its start and final XOR.

    With the byte taken out, those before it stand one place nearer to the end.
    """
    tables = _crc_tables(polynomial)
    behind = np.arange(payload.shape[2] - 1, -1, -1)
    after = tables[behind, payload]
    before = tables[np.maximum(behind - 1, 0), payload]
    out = payload.copy()
    out[..., 1:] ^= np.bitwise_xor.accumulate(before, axis=2)[..., :-1]
    out[..., :-1] ^= np.bitwise_xor.accumulate(after[..., ::-1], axis=2)[..., -2::-1]
    return _constant(out)


@lru_cache(maxsize=4)
def _crc_tables(polynomial: int) -> Bytes:
    """(8, 256) what a byte with that many bytes behind it adds to the CRC."""
    plain = [Crc(8, polynomial, 0, False, 0, tuple(range(n + 1))) for n in range(_MOST_BYTES)]
    rows = [[crc.value(bytes([byte]) + bytes(n)) for byte in range(256)] for n, crc in enumerate(plain)]
    return np.array(rows, dtype=np.uint8)


_RELATIONS = (
    # SAE J1850 and AUTOSAR profile 2 (public CRC catalogue); start value and final XOR only add a constant
    _Relation("CRC-8, polynomial 1D", False, partial(_crc, 0x1D)),
    _Relation("CRC-8, polynomial 2F", False, partial(_crc, 0x2F)),
    _Relation("sum", False, partial(_sum, 255)),
    _Relation("XOR", False, _xor),
    _Relation("sum, complemented", False, partial(_complemented_sum, 255)),
    _Relation("sum of nibbles", True, partial(_sum, 15)),
    _Relation("sum of nibbles, complemented", True, partial(_complemented_sum, 15)),
)
"""In order of how much each says."""
