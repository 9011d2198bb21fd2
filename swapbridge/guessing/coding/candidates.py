"""Guessing room: candidate fields of a payload and the bits that their histories take.

A candidate begins and ends at a bit that changes and holds no bit that is spoken for. All are weighed on few steps
first; those that could stand in a cut near the best are weighed again on many.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from swapbridge.guessing.coding.bit_columns import Pairs, count_bits
from swapbridge.guessing.coding.carries import carry_saving
from swapbridge.guessing.coding.codelength import TURNS_BITS, typical_weight
from swapbridge.guessing.coding.codelength_kernel import native_history_costs
from swapbridge.guessing.coding.history_costs import BIG, LITTLE, LONGEST, Costs, PayloadWords, RunReader
from swapbridge.guessing.coding.openings import OPENING_BITS, Opening, find_opening, no_state_yet

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
GRID_BITS = (3, 4, 5)
FEWEST_CODES = 3
EACH_CODE = 4
"""How many of the lowest bits may keep to a grid and yet be noise, with at least so many codes and at most half, in so
many steps for each code that there is: in fewer the others have merely not come yet."""
FAR_AHEAD = 20.0
"""Bits by which a candidate that needs no carry is ahead of its parts; no place costs as much."""
WantedPlaces = npt.NDArray[np.bool_]
"""(2, 8 B, LONGEST) whether there is a candidate: by byte order, by its lowest bit as the order meets the bits from the
least significant end on (`_walks`), by its length above one."""


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

    def joined_by(self, others: Candidates) -> Candidates:
        """These, and those of others that stand where none of these does."""
        own = set(zip(self.order.tolist(), self.first.tolist(), self.last.tolist(), strict=True))
        its = zip(others.order.tolist(), others.first.tolist(), others.last.tolist(), strict=True)
        new = others.select(np.array([place not in own for place in its], bool))
        return Candidates(
            np.concatenate([self.order, new.order]),
            np.concatenate([self.first, new.first]),
            np.concatenate([self.last, new.last]),
            np.concatenate([self.cost, new.cost]),
        )

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


NO_CANDIDATES = Candidates(np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0))


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
    wanted = _places(live & ~fixed, fixed)
    if among is not None:
        wanted &= _places_of(among, len(live))
    costs = _weigh(pairs, live & ~fixed, wanted, fixed, thorough)
    _allow_no_state_yet(costs, pairs, live & ~fixed)
    opening = find_opening(pairs, live & ~fixed)
    opened = None if opening is None else _from_first_value(wanted, opening, fixed, thorough)
    costs += _gap_bits(live, pairs)
    return _as_arrays(costs if opened is None else np.where(np.isnan(opened), costs, opened))


def _walks(size: int) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """DBC bit numbers as each byte order meets them from the least significant bit on: big endian, last byte first."""
    bits = np.arange(size)
    return bits, size - 8 - (bits & ~7) + (bits & 7)


def _spans(start: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """(N, LONGEST) of running counts (N + 1,): how much lies in a walk's bits from each on, by length above none."""
    end = np.minimum(np.arange(len(start) - 1)[:, None] + np.arange(1, LONGEST + 1), len(start) - 1)
    return np.asarray(start[end] - start[:-1, None])


def _running(bits: npt.NDArray[np.bool_]) -> npt.NDArray[np.int64]:
    return np.concatenate(([0], np.cumsum(bits)))


def _in_one_byte(size: int) -> npt.NDArray[np.bool_]:
    """(8 B, LONGEST) which candidates of a walk stay in one byte."""
    return np.asarray((np.arange(size) & 7)[:, None] + np.arange(LONGEST) < 8)


def _places(alive: npt.NDArray[np.bool_], fixed: npt.NDArray[np.bool_]) -> WantedPlaces:
    """Candidates that begin and end at a bit that is alive and hold none that is fixed."""
    size = len(alive)
    out = np.zeros((2, size, LONGEST), bool)
    for order, walk in enumerate(_walks(size)):
        here = alive[walk]
        end = np.arange(size)[:, None] + np.arange(LONGEST)
        ends = (end < size) & here[np.minimum(end, size - 1)]
        out[order] = here[:, None] & ends & (_spans(_running(fixed[walk])) == 0)
    out[BIG] &= ~_in_one_byte(size)  # the same field in either order
    return out


def _weigh(
    pairs: Pairs,
    alive: npt.NDArray[np.bool_],
    wanted: WantedPlaces,
    fixed: npt.NDArray[np.bool_],
    thorough: bool,
) -> Costs:
    """Bits of every candidate that is wanted; what lies in one byte stands under both orders."""
    heavy = typical_weight(pairs.weight)
    parts = _parts_moved(pairs, fixed) if thorough else None
    costs = native_history_costs(pairs, wanted, thorough=thorough, parts=parts, heavy=heavy)
    _mirror(costs)
    _allow_noisy_tails(costs, pairs, alive)
    if thorough:
        _allow_carries(costs, pairs, heavy)
        _allow_noisy_tails(costs, pairs, alive)
    if len(pairs.new) >= LONG_ENOUGH:
        few = costs[:, :, :FEW_BITS]
        random = (few >= AS_GOOD_AS_NOISE * np.arange(1, FEW_BITS + 1) * pairs.steps) & (few < np.inf)
        few[random] += ALONE_BITS
    return costs


def _mirror(costs: Costs) -> None:
    """Enter what lies in one byte under big endian too."""
    inside = _in_one_byte(costs.shape[1])
    costs[BIG][inside] = costs[LITTLE][_walks(costs.shape[1])[BIG]][inside]


def _allow_no_state_yet(costs: Costs, pairs: Pairs, alive: npt.NDArray[np.bool_]) -> None:
    """Let two bits that are ones at first and never again be one field, which costs its moment and the lower bit."""
    low = no_state_yet(pairs, alive)
    if len(low):
        both = costs[LITTLE, low, 1]
        price = costs[LITTLE, low, 0] + OPENING_BITS + np.log2(pairs.steps)
        costs[LITTLE, low, 1] = np.where(both < np.inf, np.minimum(both, price), both)
        _mirror(costs)


def _from_first_value(wanted: WantedPlaces, opening: Opening, fixed: npt.NDArray[np.bool_], thorough: bool) -> Costs:
    """Bits of what is all ones in an opening, and leaves it with the others, from its first value on; NaN elsewhere."""
    size = len(fixed)
    out = np.full(wanted.shape, np.nan)
    part_of = np.zeros(wanted.shape, np.intp)  # where each one's moving part stands in `parts`, or -1
    parts = np.zeros(wanted.shape, bool)
    inside = _in_one_byte(size)
    whole = wanted.copy()
    whole[BIG] |= wanted[LITTLE][_walks(size)[BIG]] & inside
    reader = RunReader(opening.after)
    for order, walk in enumerate(_walks(size)):
        ones, falls, moves = opening.ones[walk], opening.falls[walk], opening.moves[walk]
        all_ones = _spans(_running(~ones)) == 0
        low, length = np.nonzero(whole[order] & all_ones & (_spans(_running(falls)) > 0))
        at = np.arange(size)
        first = np.minimum.accumulate(np.where(moves, at, size)[::-1])[::-1][low]
        last = np.maximum.accumulate(np.where(moves, at, -1))[low + length]
        moving = first <= last
        resting = np.where(moving, first - low, 0)
        out[order, low, length] = opening.price(resting, length + 1)
        part_of[order, low, length] = -1
        low, length, first, last = (column[moving] for column in (low, length, first, last))
        part_of[order, low, length] = (order * size + first) * LONGEST + last - first
        rests = (last < low + length) & (last - first >= TURNS_BITS)
        for a, b in set(zip(first[rests].tolist(), last[rests].tolist(), strict=True)):
            _, _, value = reader.words(order, a, b - a + 1)
            empty = 1.0 - (float(value.max()) - float(value.min())) / 2.0 ** (b - a + 1)
            same = rests & (first == a) & (last == b)
            out[order, low[same], length[same]] -= np.log2(empty)
        parts[order, first, last - first] = True
    parts[LITTLE] |= (parts[BIG] & inside)[_walks(size)[BIG]]
    parts[BIG] &= ~inside
    after = _weigh(opening.after, opening.moves, parts, fixed, thorough) + _gap_bits(opening.moves, opening.after)
    priced = ~np.isnan(out)
    where = part_of[priced]
    out[priced] += np.where(where < 0, 0.0, after.ravel()[where])
    return out


def _gap_bits(live: npt.NDArray[np.bool_], pairs: Pairs) -> Costs:
    """What dead bits inside candidates cost, where there are any.

    Each time that the bits above one move, it stays as it is with a chance of one half, unless they move by carries.
    """
    size = len(live)
    moved = pairs.old ^ pairs.new
    seldom = count_bits(moved) <= GAP_BIT_BITS + GAP_BITS  # sampling keeps each step in which such a bit moves
    few = moved[(moved & np.packbits(seldom, bitorder="little")).any(axis=1)]
    flips = np.unpackbits(few, axis=1, bitorder="little").astype(bool)
    out = np.empty((2, size, LONGEST))
    for order, walk in enumerate(_walks(size)):
        dead = _spans(_running(~live[walk]))
        price = np.where(dead > 0, GAP_BITS + GAP_BIT_BITS * dead, 0.0)
        at = np.where(live[walk], np.arange(size), size)
        rarely = np.append(seldom[walk], False)[np.minimum.accumulate(at[::-1])[::-1]]
        for first in np.flatnonzero(~live[walk] & np.append(False, live[walk[:-1]]) & rarely).tolist():
            above = walk[first : first + LONGEST]
            above = above[: int(np.append(seldom[above], False).argmin())]
            below = np.arange(first)[::-1][: int(np.append(live[walk[:first]][::-1], False).argmin())]
            moves = np.logical_or.accumulate(flips[:, above], axis=1).sum(axis=0)
            for low in below[below > first - LONGEST].tolist():
                length = first - low + np.arange(len(above))
                length = length[length < LONGEST]
                price[low, length] = np.minimum(price[low, length], moves[: len(length)] * dead[low, length])
        out[order] = price
    return out


def _parts_moved(pairs: Pairs, fixed: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """(U, 2 B) whether each nibble moves in each step, what is spoken for left aside."""
    free = np.packbits(~fixed, bitorder="little")
    moved = (pairs.old ^ pairs.new) & free
    halves = np.stack([moved & 0x0F, moved & 0xF0], axis=2).reshape(len(moved), 2 * moved.shape[1])
    return np.asarray(halves != 0)


def _places_of(among: Candidates, size: int) -> WantedPlaces:
    out = np.zeros((2, size, LONGEST), bool)
    big = among.order == BIG
    within = among.first >> 3 == among.last >> 3
    low = np.where(big, size - 1 - among.last, among.first)
    low[big & within] = _walks(size)[BIG][low[big & within]]
    out[np.where(big & ~within, BIG, LITTLE), low, among.last - among.first] = True
    return out


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


def _allow_noisy_tails(costs: Costs, pairs: Pairs, alive: npt.NDArray[np.bool_]) -> None:
    """Let every candidate write its low bits raw, where they are noise.

    Where steps are large against a field's lowest bits, these are as good as noise, and no field should pay more for
    holding them than they would cost by themselves. That can be so only if the bit above them moves about as often.
    """
    steps = pairs.steps
    flips = np.unpackbits(pairs.old ^ pairs.new, axis=1, bitorder="little").T @ pairs.weight
    noisy = (flips >= noisy_flips(steps)) & (flips > 0) & alive
    if not noisy.any():
        return
    alone = np.minimum(costs[LITTLE, :, 0], steps)
    reader: RunReader | None = None
    for order, walk in enumerate(_walks(len(noisy))):
        tail = noisy[walk]
        coarse = [(low - b, b) for b in GRID_BITS for low in np.flatnonzero(tail).tolist() if low >= b]
        # the candidates without the lowest bits come first
        for low in np.flatnonzero(tail[:-1] & tail[1:])[::-1].tolist():
            own = costs[order, low, 1:]
            np.minimum(own, costs[order, low + 1, :-1] + alone[walk[low]], out=own, where=own < np.inf)
        for low, b in coarse:
            own, part = costs[order, low, b:], float(costs[order, low, b - 1])
            if part == np.inf or not (own < np.inf).any():
                continue
            reader = reader or RunReader(pairs)
            if random_grid(reader.words(order, low, b), pairs.weight, b):
                np.minimum(own, costs[order, low + b, :-b] + part, out=own, where=own < np.inf)


def random_grid(words: PayloadWords, weight: npt.NDArray[np.float64], bits: int) -> bool:
    """Whether bits keep to a few codes, evenly spread as by scaling up, and come as if at random: a noisy end.

    Parameters
    ----------
    words : three of (U,) uint64
        Their values: before, old and new ones of each step.
    weight : (U,) float64
        Steps each stands for.
    bits : int
        How many they are.

    Returns
    -------
    bool
        False where the steps are too few to tell.
    """
    _, old, new = words
    steps = float(weight.sum())
    share = np.bincount(new.astype(np.intp), weights=weight, minlength=1 << bits) / steps
    used = np.flatnonzero(share)
    if len(used) < FEWEST_CODES or len(used) > (1 << bits) // 2 or steps < EACH_CODE << bits:
        return False
    if np.ptp(np.diff(used, append=used[0] + (1 << bits))) > 1:
        return False
    moves = float(weight[old != new].sum()) / steps
    by_chance = 1.0 - float(share @ share)
    return bool(abs(moves - by_chance) <= 2.0 * np.sqrt(by_chance * (1.0 - by_chance) / steps))


def _allow_carries(costs: Costs, pairs: Pairs, heavy: float) -> None:
    """Let every candidate be written in two parts, the lower by itself, the upper in the light of what it carries.

    A quantity that jitters over few codes is written shorter as a low field and a high one, each with a memory of its
    own, though the low one carries into the high one, which no two fields do. So a candidate never pays more than its
    two parts less what the carry foretells.
    """
    if not len(pairs.new):
        return
    reader = RunReader(pairs)
    for order in (LITTLE, BIG):
        # upper parts come before what they are part of
        for low in np.flatnonzero((costs[order] < np.inf).any(axis=1))[::-1].tolist():
            mine = costs[order, low]
            cases = []
            for length in (np.flatnonzero(mine < np.inf) + 1).tolist():
                if order == BIG and (low & 7) + length <= 8:
                    continue  # the same field in either order
                for lower in range(1, min(MOST_CARRYING, length - 1) + 1):
                    first, rest = float(mine[lower - 1]), float(costs[order, low + lower, length - lower - 1])
                    # a carry saves no more than the upper part costs; what is far ahead of its parts needs none
                    own = float(mine[length - 1])
                    if first + CARRY_BITS < own and own >= first + rest - FAR_AHEAD:
                        cases.append((length, lower, rest))
            if not cases:
                continue
            lengths, lowers = (np.array([case[i] for case in cases], np.int64) for i in (0, 1))
            words = reader.words(order, low, int(lengths.max()))
            saved = carry_saving(words, pairs.weight, heavy, lowers, lengths).tolist()
            for (length, lower, rest), less in zip(cases, saved, strict=True):
                mine[length - 1] = min(mine[length - 1], mine[lower - 1] + rest - less + CARRY_BITS)
        if order == LITTLE:
            _mirror(costs)


def _as_arrays(costs: Costs) -> Candidates:
    """Those that have a cost: little endian in order of their bits, with what lies in one byte under both orders."""
    size = costs.shape[1]
    low, length = np.nonzero(costs[LITTLE] < np.inf)
    row = np.repeat(np.arange(len(low)), 1 + _in_one_byte(size)[low, length])
    again = np.append(False, row[1:] == row[:-1])[: len(row)]
    low, length = low[row], length[row]
    high = low + length
    across, upper = np.nonzero((costs[BIG, ::-1] < np.inf) & ~_in_one_byte(size)[::-1])
    return Candidates(
        np.concatenate([np.where(again, BIG, LITTLE), np.full(len(across), BIG)]),
        np.concatenate([np.where(again, track_bit(BIG, high), low), across - upper]),
        np.concatenate([np.where(again, track_bit(BIG, low), high), across]),
        np.concatenate([costs[LITTLE, low, length], costs[BIG, size - 1 - across, upper]]),
    )
