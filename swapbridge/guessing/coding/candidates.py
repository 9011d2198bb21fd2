"""Guessing room: candidate fields of a payload and the bits that their histories take.

A candidate begins and ends at a bit that changes and holds no bit that is spoken for. All are weighed on few steps
first; those that could stand in a cut near the best are weighed again on many.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from swapbridge.guessing.coding.bit_columns import Pairs
from swapbridge.guessing.coding.carries import carry_saving
from swapbridge.guessing.coding.codelength import typical_weight
from swapbridge.guessing.coding.codelength_kernel import native_candidate_bits
from swapbridge.guessing.coding.openings import Opening, find_opening

LONGEST = 64
"""Bits of the longest field."""
LITTLE, BIG = 0, 1
NOISY = 0.4
"""A bit that flips in this share of all steps is noise for the field it belongs to; of fewer than 100 steps a lower
share, so that what flips by chance half of the time stays within two standard errors."""
FEW_BITS = 2
ALONE_BITS = 6.0
AS_GOOD_AS_NOISE = 0.9
LONG_ENOUGH = 64
"""What it takes to call so few bits a field that are noise: states are there to be acted on and do not come at random
from frame to frame, the low end of a quantity does. Seen in so many steps; of fewer nothing looks like noise or all
does."""
MOST_CARRYING = 4
"""Bits of the longest lower part that is written by itself and may carry into the upper one."""
CARRY_BITS = 8.0
"""What it takes to name two parts instead of one field: only a carry that is seen may bring them together."""
GAP_BITS = 3.0
GAP_BIT_BITS = 2.0
"""A dead bit inside a field is odd: a field that moves above it would have moved it too."""
FAR_AHEAD = 20.0
"""Bits by which a candidate that needs no carry is ahead of its parts; no place costs as much."""
PayloadWords = tuple[npt.NDArray[np.uint64], npt.NDArray[np.uint64], npt.NDArray[np.uint64]]
CandidateKey = tuple[int, int, int]
"""Where a candidate is kept: order, lowest and highest place in significance."""


@dataclass(frozen=True, slots=True)
class Candidates:
    """Fields that could be, one a row.

    Attributes
    ----------
    order : (N,) int64
        LITTLE or BIG. What lies in one byte stands here under both.
    first, last : (N,) int64
        Places along the order's track: little endian as DBC counts bits, big endian each byte from its top bit down.
    cost : (N,) float64
        Bits of its history, and what dead bits inside it cost.
    """

    order: npt.NDArray[np.int64]
    first: npt.NDArray[np.int64]
    last: npt.NDArray[np.int64]
    cost: npt.NDArray[np.float64]

    def select(self, rows: npt.NDArray[np.bool_]) -> Candidates:
        """Some of them."""
        return Candidates(self.order[rows], self.first[rows], self.last[rows], self.cost[rows])

    def clear_of(self, fixed: npt.NDArray[np.bool_]) -> Candidates:
        """Those that hold none of the fixed bits."""
        if not fixed.any() or not len(self.cost):
            return self
        keep = np.zeros(len(self.cost), bool)
        for order in (LITTLE, BIG):
            count = np.concatenate(([0], np.cumsum(fixed[track_bit(order, np.arange(len(fixed)))])))
            keep |= (self.order == order) & (count[self.last + 1] == count[self.first])
        return self.select(keep)

    def positions(self, row: int) -> tuple[int, ...]:
        """DBC bit numbers of one candidate, least significant first."""
        return bits_of(int(self.order[row]), int(self.first[row]), int(self.last[row]))


def track_bit(order: int, place: npt.NDArray[np.intp]) -> npt.NDArray[np.intp]:
    """DBC bit numbers of places along a track."""
    return place if order == LITTLE else (place >> 3 << 3) + 7 - (place & 7)


@lru_cache(maxsize=1 << 17)
def bits_of(order: int, first: int, last: int) -> tuple[int, ...]:
    """DBC bit numbers of places `first` to `last` of a track, least significant first."""
    bits = track_bit(order, np.arange(first, last + 1))
    return tuple(int(b) for b in (bits if order == LITTLE else bits[::-1]))


def find_candidates(
    pairs: Pairs,
    live: npt.NDArray[np.bool_],
    fixed: npt.NDArray[np.bool_],
    *,
    thorough: bool,
    among: Candidates | None = None,
) -> Candidates:
    """All candidate fields with their costs.

    Parameters
    ----------
    pairs : Pairs
        Steps to count over.
    live, fixed : (8 B,) bool
        Bits that change, and bits that are spoken for.
    thorough : bool
        Whether all models compete, or the quick ones only.
    among : Candidates, optional
        Only these.
    """
    allowed = None if among is None else _allowed(among)
    found = _weigh(pairs, live, fixed, thorough, allowed)
    opening = find_opening(pairs, live & ~fixed)
    opened = {} if opening is None else _from_first_value(found, opening, fixed, thorough)
    for key, bits in _gap_bits(found, live).items():
        found[key] += bits
    return _as_arrays(found | opened)


def _weigh(
    pairs: Pairs,
    live: npt.NDArray[np.bool_],
    fixed: npt.NDArray[np.bool_],
    thorough: bool,
    allowed: dict[tuple[int, int], npt.NDArray[np.int64]] | None,
) -> dict[CandidateKey, float]:
    """Bits of every candidate, or of those that are allowed: by order and lowest place, their highest places."""
    nbits = 8 * pairs.new.shape[1]
    reader = _RunReader(np.concatenate([pairs.before, pairs.old, pairs.new]))
    words: dict[tuple[int, int], PayloadWords] = {}
    heavy = typical_weight(pairs.weight)
    parts = _parts_moved(pairs, fixed) if thorough else None
    found: dict[CandidateKey, float] = {}
    for order in (LITTLE, BIG):
        place_bit = track_bit(order, np.arange(nbits))
        alive = live[place_bit] & ~fixed[place_bit]
        taken = fixed[place_bit]
        for low in np.flatnonzero(alive).tolist():
            # from the least significant bit on: little endian grows up the track, big endian down
            if order == LITTLE:
                reach = np.arange(low, min(nbits, low + LONGEST))
            else:
                reach = np.arange(low, max(-1, low - LONGEST), -1)
            blocked = np.flatnonzero(taken[reach])
            if len(blocked):
                reach = reach[: blocked[0]]
            ends = np.flatnonzero(alive[reach])
            if order == BIG:  # what stays in one byte is the same field in either order
                ends = ends[(reach[ends] >> 3) != (low >> 3)]
            if allowed is not None:
                wanted = allowed.get((order, low))
                ends = ends[np.isin(reach[ends], wanted)] if wanted is not None else ends[:0]
            if not len(ends):
                continue
            before, old, new = words[order, low] = reader.words(order, low, int(ends[-1]) + 1)
            company = None if parts is None else (parts, _far_parts(low >> 3, reach[ends] >> 3, parts.shape[1]))
            lengths = (ends + 1).astype(np.int64)
            costs = native_candidate_bits(
                before, old, new, pairs.weight, lengths, thorough=thorough, company=company, heavy=heavy
            )
            for end, cost in zip(reach[ends].tolist(), costs.tolist(), strict=True):
                found[order, low, end] = cost
    _allow_noisy_tails(found, pairs, live & ~fixed)
    if thorough:
        _allow_carries(found, pairs, words)
        _allow_noisy_tails(found, pairs, live & ~fixed)
    if len(pairs.new) >= LONG_ENOUGH:
        for order, low, high in found:
            length = abs(high - low) + 1
            if length <= FEW_BITS and found[order, low, high] >= AS_GOOD_AS_NOISE * length * pairs.steps:
                found[order, low, high] += ALONE_BITS
    return found


def _from_first_value(
    found: dict[CandidateKey, float],
    opening: Opening,
    fixed: npt.NDArray[np.bool_],
    thorough: bool,
) -> dict[CandidateKey, float]:
    """Bits of what is all ones in an opening, and leaves it with the others, from its first value on."""
    inside: dict[CandidateKey, CandidateKey | None] = {}
    prices: dict[CandidateKey, float] = {}
    tracks = [track_bit(order, np.arange(len(fixed))) for order in (LITTLE, BIG)]
    for key in found:
        order, low, high = key
        up = 1 if order == LITTLE else -1
        bits = tracks[order][low : high + 1] if up > 0 else tracks[order][high : low + 1][::-1]
        if not opening.ones[bits].all() or not opening.falls[bits].any():
            continue
        prices[key] = opening.price(bits)
        moving = np.flatnonzero(opening.moves[bits])
        inside[key] = _key(order, low + up * int(moving[0]), low + up * int(moving[-1])) if len(moving) else None
    wanted: dict[tuple[int, int], list[int]] = {}
    for part in inside.values():
        if part is not None:
            wanted.setdefault(part[:2], []).append(part[2])
    allowed = {at: np.unique(places) for at, places in wanted.items()}
    after = _weigh(opening.after, opening.moves, fixed, thorough, allowed)
    for key, odd in _gap_bits(after, opening.moves).items():
        after[key] += odd
    return {key: prices[key] + (0.0 if part is None else after[part]) for key, part in inside.items()}


def _gap_bits(found: dict[CandidateKey, float], live: npt.NDArray[np.bool_]) -> dict[CandidateKey, float]:
    """What dead bits inside the candidates cost, where there are any."""
    tracks = [track_bit(order, np.arange(len(live))) for order in (LITTLE, BIG)]
    dead = [[0, *np.cumsum(~live[bits]).tolist()] for bits in tracks]
    gaps = {(o, a, b): dead[o][max(a, b) + 1] - dead[o][min(a, b)] for o, a, b in found}
    return {key: GAP_BITS + GAP_BIT_BITS * gap for key, gap in gaps.items() if gap}


def _parts_moved(pairs: Pairs, fixed: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """(U, 2 B) whether each nibble moves in each step, what is spoken for left aside."""
    free = np.packbits(~fixed, bitorder="little")
    moved = (pairs.old ^ pairs.new) & free
    halves = np.stack([moved & 0x0F, moved & 0xF0], axis=2).reshape(len(moved), 2 * moved.shape[1])
    return np.asarray(halves != 0)


def _far_parts(low_byte: int, high_byte: npt.NDArray[np.intp], parts: int) -> npt.NDArray[np.bool_]:
    """(L, R) which nibbles lie at least a whole byte off each candidate, so that none is a part of the same field."""
    byte = np.arange(parts)[None, :] >> 1
    first, last = np.minimum(low_byte, high_byte)[:, None], np.maximum(low_byte, high_byte)[:, None]
    return (byte < first - 1) | (byte > last + 1)


def _allowed(among: Candidates) -> dict[tuple[int, int], npt.NDArray[np.int64]]:
    ends: dict[tuple[int, int], list[int]] = {}
    for order, first, last in zip(among.order.tolist(), among.first.tolist(), among.last.tolist(), strict=True):
        if order == LITTLE:
            ends.setdefault((LITTLE, first), []).append(last)
        elif first >> 3 == last >> 3:
            low, high = _mirror(last), _mirror(first)
            ends.setdefault((LITTLE, low), []).append(high)
        else:
            ends.setdefault((BIG, last), []).append(first)
    return {key: np.array(value) for key, value in ends.items()}


def _mirror(place: int) -> int:
    """The same bit's place on the other track."""
    return (place >> 3 << 3) + 7 - (place & 7)


def noisy_flips(steps: float) -> float:
    """In how many of so many steps a bit flips at least that is noise.

    Parameters
    ----------
    steps : float
        Steps of the recording.

    Returns
    -------
    float
        Two standard errors below one half, `NOISY` at most.
    """
    return min(NOISY * steps, 0.5 * steps - float(np.sqrt(steps)))


def _allow_noisy_tails(found: dict[CandidateKey, float], pairs: Pairs, alive: npt.NDArray[np.bool_]) -> None:
    """Let every candidate write its low bits raw, where they are noise.

    Where steps are large against a field's lowest bits, these are as good as noise, and no field should pay more for
    holding them than they would cost by themselves. That can be so only if the bit above them moves about as often.
    """
    flips = np.unpackbits(pairs.old ^ pairs.new, axis=1, bitorder="little").T @ pairs.weight
    steps = pairs.steps
    noisy = (flips >= noisy_flips(steps)) & (flips > 0) & alive
    tails = {}  # where a field may begin whose lowest bit and the one above it are noise: the place above, and the bit
    for low in np.flatnonzero(noisy).tolist():
        if low + 1 < len(noisy) and noisy[low + 1]:
            tails[LITTLE, low] = low + 1, low
        place = _mirror(low)
        if place and noisy[_mirror(place - 1)]:
            tails[BIG, place] = place - 1, low
    # the candidate without its lowest bit comes first
    for key in sorted((k for k in found if k[:2] in tails), key=lambda k: abs(k[2] - k[1])):
        order, low, high = key
        if low == high:
            continue
        above, bit = tails[order, low]
        rest = key[0], above, high
        if order == BIG and above >> 3 == high >> 3:
            rest = LITTLE, _mirror(above), _mirror(high)
        if rest in found:
            alone = found.get((LITTLE, bit, bit), steps)
            found[key] = min(found[key], found[rest] + min(steps, alone))


def _allow_carries(found: dict[CandidateKey, float], pairs: Pairs, words: dict[tuple[int, int], PayloadWords]) -> None:
    """Let every candidate be written in two parts, the lower by itself, the upper in the light of what it carries.

    A quantity that jitters over few codes is written shorter as a low field and a high one, each with a memory of its
    own, though the low one carries into the high one, which no two fields do. So a candidate never pays more than its
    two parts less what the carry foretells.
    """
    if not len(pairs.new):
        return
    heavy = typical_weight(pairs.weight)
    highs: dict[tuple[int, int], list[int]] = {}
    for order, low, high in found:
        highs.setdefault((order, low), []).append(high)
    # upper parts come before what they are part of
    for order, low in sorted(highs, key=lambda at: (at[0], at[1] if at[0] == BIG else -at[1])):
        up = 1 if order == LITTLE else -1
        cases = []
        for high in sorted(highs[order, low], key=lambda place: up * place):
            length = abs(high - low) + 1
            for lower in range(1, min(MOST_CARRYING, length - 1) + 1):
                first = found.get(_key(order, low, low + up * (lower - 1)), np.inf)
                rest = found.get(_key(order, low + up * lower, high), np.inf)
                # a carry saves no more than the upper part costs; a candidate far ahead of its parts needs none
                if first + CARRY_BITS < found[order, low, high] and found[order, low, high] >= first + rest - FAR_AHEAD:
                    cases.append((high, length, lower, rest))
        if not cases:
            continue
        lengths, lowers = (np.array([case[i] for case in cases], np.int64) for i in (1, 2))
        saved = carry_saving(words[order, low], pairs.weight, heavy, lowers, lengths).tolist()
        for (high, _, lower, rest), less in zip(cases, saved, strict=True):
            first = found[_key(order, low, low + up * (lower - 1))]
            found[order, low, high] = min(found[order, low, high], first + rest - less + CARRY_BITS)


class _RunReader:
    """What stands at runs of bits along either track, in payloads that lie three after one another."""

    def __init__(self, rows: npt.NDArray[np.uint8]) -> None:
        self._bytes = rows.T.astype(np.uint64)
        self._from: dict[tuple[int, int], npt.NDArray[np.uint64]] = {}

    def words(self, order: int, low: int, length: int) -> PayloadWords:
        """The values before, old and new, of the `length` bits from place `low` of a track on."""
        byte, shift = low >> 3, low & 7 if order == LITTLE else 7 - (low & 7)
        on = 1 if order == LITTLE else -1
        whole = self._eight_bytes(byte, on)
        word = whole >> np.uint64(shift) if shift else whole
        if shift and length > 64 - shift:
            word = word | self._bytes[byte + 8 * on] << np.uint64(64 - shift)
        if length < 64:
            word = word & np.uint64((1 << length) - 1)
        before, old, new = word.reshape(3, -1)
        return before, old, new

    def _eight_bytes(self, byte: int, on: int) -> npt.NDArray[np.uint64]:
        """The least significant byte first, the others `on` from it."""
        found = self._from.get((byte, on))
        if found is None:
            found = self._bytes[byte].copy()
            for k in range(1, 8):
                if 0 <= byte + k * on < len(self._bytes):
                    found |= self._bytes[byte + k * on] << np.uint64(8 * k)
            self._from[byte, on] = found
        return found


def _key(order: int, low: int, high: int) -> CandidateKey:
    """Where a candidate is kept: what lies in one byte is the same field in either order."""
    if order == BIG and low >> 3 == high >> 3:
        return LITTLE, _mirror(low), _mirror(high)
    return order, low, high


def _as_arrays(found: dict[CandidateKey, float]) -> Candidates:
    if not found:
        nothing = np.zeros(0, np.int64)
        return Candidates(nothing, nothing, nothing, np.zeros(0))
    order, low, high = np.array(list(found), np.int64).T
    cost = np.fromiter(found.values(), np.float64, len(found))
    twice = (order == LITTLE) & (low >> 3 == high >> 3)  # what lies in one byte stands under both orders
    row = np.repeat(np.arange(len(found)), 1 + twice)
    again = np.append(False, row[1:] == row[:-1])
    order, low, high = order[row], low[row], high[row]
    first, last = np.where(order == LITTLE, low, high), np.where(order == LITTLE, high, low)
    return Candidates(
        np.where(again, BIG, order),
        np.where(again, track_bit(BIG, high), first),
        np.where(again, track_bit(BIG, low), last),
        cost[row],
    )
