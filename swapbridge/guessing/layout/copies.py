"""Guessing room: two fields side by side that follow one quantity are no single field, though they move together.

Joined they are written shorter, because the moments at which they move are told once instead of twice. But of one
quantity the lower bits go round and round while the upper ones climb, so they owe each other nothing; of copies, one
part's value tells the other's.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from swapbridge.guessing.coding.bit_columns import Pairs
from swapbridge.guessing.coding.candidates import Candidates, find_candidates, track_bit
from swapbridge.guessing.coding.codelength import field_words
from swapbridge.guessing.coding.history_costs import LITTLE
from swapbridge.guessing.layout.cut import OrderPrices, cheapest_rows

NARROWEST = 4
"""Bits of the narrowest part: fewer take too few values to lie on a line."""
VALUES = 256
"""Distinct values of a field that are looked at."""
COPIES_BITS = 12.0
"""Bits by which one part must tell the other: there are a few places where a field could be split, each with its own
chance."""
AS_GOOD_BITS = 3.0
"""Places that tell so much less are as good: bits at rest on the border may belong to either copy."""
ROUNDS = 4
"""Times that a payload is cut anew at most: a field may hold more than two copies."""


def copies_apart(
    pairs: Pairs,
    candidates: Candidates,
    live: npt.NDArray[np.bool_],
    fixed: npt.NDArray[np.bool_],
    prices: OrderPrices,
) -> Candidates:
    """Candidates with what joins two copies made no cheaper than these by themselves.

    Parameters
    ----------
    pairs : Pairs
        Steps that the candidates were weighed on.
    candidates : Candidates
        Fields that could be.
    live, fixed : (8 B,) bool
        Bits that change, and bits that are spoken for.
    prices : OrderPrices
        Of the cut whose fields are looked at.
    """
    for _ in range(ROUNDS):
        chosen = cheapest_rows(candidates, live, fixed, prices)
        joined = [(row, found) for row in chosen if (found := _copies_in(pairs, candidates.positions(row))) is not None]
        if not joined:
            return candidates
        for row, found in joined:
            candidates = _split(pairs, candidates, live, fixed, row, found)
    return candidates


@dataclass(frozen=True, slots=True)
class _Border:
    """Where a field is split into two copies, as bits below: the best place, the lowest and the highest as good.

    `bits` is by how much one part tells the other.
    """

    at: int
    lowest: int
    highest: int
    bits: float


def _copies_in(pairs: Pairs, positions: tuple[int, ...]) -> _Border | None:
    """Where a field is split into two copies, if it holds any."""
    places = np.arange(NARROWEST, len(positions) - NARROWEST + 1)
    if not len(places) or not len(pairs.new):
        return None
    value = np.unique(field_words(pairs.new, np.array(positions)))
    value = value[:: -(-len(value) // VALUES)]
    up = places.astype(np.uint64)[:, None]
    upper = value[None, :] >> up
    lower = value[None, :] ^ (upper << up)
    codes = 1 + np.count_nonzero(np.diff(upper, axis=1), axis=1)
    high, low = (
        part - part.mean(axis=1, keepdims=True) for part in (upper.astype(np.float64), lower.astype(np.float64))
    )
    spread = (high**2).sum(axis=1) * (low**2).sum(axis=1)
    shared = (high * low).sum(axis=1) ** 2
    # codes are whole numbers, so no line is met better than within a twelfth of a code
    left = np.maximum(1.0 - shared / np.maximum(spread, 1e-9), 1.0 / (12.0 * np.maximum((low**2).mean(axis=1), 1.0)))
    bits = np.where(spread > 0, (codes - 2) / 2 * -np.log2(np.minimum(left, 1.0)), 0.0)
    best = int(bits.argmax())
    if bits[best] < COPIES_BITS:
        return None
    near = places[bits >= bits[best] - AS_GOOD_BITS]
    return _Border(int(places[best]), int(near[0]), int(near[-1]), float(bits[best]))


def _split(
    pairs: Pairs,
    candidates: Candidates,
    live: npt.NDArray[np.bool_],
    fixed: npt.NDArray[np.bool_],
    row: int,
    border: _Border,
) -> Candidates:
    """Candidates with all that surely hold both copies made dearer, by what makes the joined field so."""
    order, first, last = (int(column[row]) for column in (candidates.order, candidates.first, candidates.last))
    place = np.arange(first, last + 1)
    alive = live[track_bit(order, place)]
    place = place[alive] if order == LITTLE else place[alive][::-1]
    below = np.abs(place - (first if order == LITTLE else last))
    lower, upper = place[below < border.at], place[below >= border.at]
    ends = np.sort(np.array([[lower[0], lower[-1]], [upper[0], upper[-1]]]), axis=1)
    alone = Candidates(np.full(2, order), ends[:, 0], ends[:, 1], np.zeros(2))
    parts = find_candidates(pairs, live, fixed, thorough=True, among=alone)
    apart = sum(float(parts.cost[_same(parts, alone, k)][0]) for k in range(2))
    dearer = max(0.0, apart - float(candidates.cost[row])) + border.bits
    both = np.array([place[below < border.lowest][-1], place[below >= border.highest][0]])
    crossing = (candidates.order == order) & (candidates.first <= both.min()) & (candidates.last >= both.max())
    across = track_bit(order, both)
    if across[0] >> 3 == across[1] >> 3:  # what lies in a byte does so in either order
        other = track_bit(1 - order, across)
        crossing |= (candidates.order != order) & (candidates.first <= other.min()) & (candidates.last >= other.max())
    return replace(candidates, cost=candidates.cost + np.where(crossing, dearer, 0.0)).joined_by(parts)


def _same(candidates: Candidates, others: Candidates, row: int) -> npt.NDArray[np.bool_]:
    """(N,) which of the candidates stands where this one of others does."""
    same = (candidates.order == others.order[row]) & (candidates.first == others.first[row])
    return np.asarray(same & (candidates.last == others.last[row]))
