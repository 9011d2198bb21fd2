"""Guess room: the best way to cut a payload into fields: a shortest path over bit positions, both byte orders at once.

Every candidate field is an edge, its cost the bits its history takes plus the bits it takes to say that it is there.
Little-endian and big-endian fields run along two tracks that meet at byte boundaries, so the order may switch there.
The same graph summed instead of minimised gives the probability of every field among all cuts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from swapbridge.guess.codelength import candidate_bits, field_words
from swapbridge.guess.columns import Pairs

LONGEST = 64
"""Bits of the longest field."""

LITTLE, BIG = 0, 1

FIELD_BITS = 3.0
"""Saying that a field is there, before where it ends."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A field that could be: bits `first` to `last` along one track, and what it costs.

    `first` and `last` count along the track: little endian as DBC counts bits, big endian byte by byte from the top
    bit of each down. `cost` is the bits of its history, without the prior.
    """

    order: int
    first: int
    last: int
    cost: float

    @property
    def length(self) -> int:
        return self.last - self.first + 1

    @property
    def crosses(self) -> bool:
        """Whether it stands in more than one byte, so that its byte order means something."""
        return self.first >> 3 != self.last >> 3


@dataclass(frozen=True, slots=True)
class Style:
    """What a vehicle's makers tend to do, as bits that it costs not to do so."""

    order_bits: tuple[float, float] = (1.0, 1.0)


@dataclass(frozen=True, slots=True)
class Cut:
    """The best cut and how sure each of its fields is.

    Attributes
    ----------
    fields : tuple of Candidate
        Fields of the cheapest cut, in payload order.
    probability : tuple of float
        Share of all cuts, weighed by their code length, that hold the same field.
    margin : tuple of float
        Bits that the best cut without this field would cost more.
    rival : tuple of Candidate
        For each field, the field that covers its top bit in the best cut without it.
    """

    fields: tuple[Candidate, ...]
    probability: tuple[float, ...]
    margin: tuple[float, ...]
    bits: float


def track_bit(order: int, place: npt.NDArray[np.intp] | int) -> npt.NDArray[np.intp]:
    """DBC bit numbers of places along a track."""
    place = np.asarray(place)
    return place if order == LITTLE else (place >> 3 << 3) + 7 - (place & 7)


def positions_of(candidate: Candidate) -> tuple[int, ...]:
    """DBC bit numbers of a candidate, least significant first."""
    return _positions(candidate.order, candidate.first, candidate.last)


@lru_cache(maxsize=1 << 17)
def _positions(order: int, first: int, last: int) -> tuple[int, ...]:
    bits = track_bit(order, np.arange(first, last + 1))
    return tuple(int(b) for b in (bits if order == LITTLE else bits[::-1]))


def clear_of(candidates: Sequence[Candidate], fixed: npt.NDArray[np.bool_]) -> list[Candidate]:
    """Candidates that hold none of the fixed bits."""
    return [c for c in candidates if not fixed[list(positions_of(c))].any()]


def find_candidates(pairs: Pairs, live: npt.NDArray[np.bool_], fixed: npt.NDArray[np.bool_]) -> list[Candidate]:
    """All candidate fields with their costs: they begin and end at live bits and hold no bit that is spoken for.

    Parameters
    ----------
    pairs : Pairs
        Steps to count over.
    live, fixed : (8 B,) bool
        Bits that change, and bits that counters, checksums and multiplexers have taken.
    """
    nbits = 8 * pairs.new.shape[1]
    out: list[Candidate] = []
    for order in (LITTLE, BIG):
        place_bit = track_bit(order, np.arange(nbits))
        alive = live[place_bit] & ~fixed[place_bit]
        taken = fixed[place_bit]
        for low in range(nbits):
            # low: place of the least significant bit; little endian grows up the track, big endian down
            if not alive[low]:
                continue
            reach = (
                np.arange(low, min(nbits, low + LONGEST))
                if order == LITTLE
                else np.arange(low, max(-1, low - LONGEST), -1)
            )
            blocked = np.flatnonzero(taken[reach])
            if len(blocked):
                reach = reach[: blocked[0]]
            ends = np.flatnonzero(alive[reach])
            if order == BIG:  # what stays in one byte is the same field in either order
                ends = ends[(reach[ends] >> 3) != (low >> 3)]
                if not len(ends):
                    continue
            order_bits = place_bit[reach[: ends[-1] + 1]]
            words = [field_words(rows, order_bits) for rows in (pairs.before, pairs.old, pairs.new)]
            lengths = (ends + 1).astype(np.int64)
            costs = candidate_bits(words[0], words[1], words[2], pairs.weight, lengths)
            for end, cost in zip(ends, costs, strict=True):
                far = int(reach[end])
                first, last = (low, far) if order == LITTLE else (far, low)
                out.append(Candidate(order, first, last, float(cost)))
    out = _with_noisy_tails(out, pairs, live & ~fixed)
    for c in [c for c in out if c.order == LITTLE and not c.crosses]:
        base = c.first >> 3 << 3
        out.append(Candidate(BIG, base + 7 - (c.last - base), base + 7 - (c.first - base), c.cost))
    return out


NOISY = 0.4
"""A bit that flips in this share of all steps is noise for the field it belongs to."""


def _with_noisy_tails(candidates: list[Candidate], pairs: Pairs, alive: npt.NDArray[np.bool_]) -> list[Candidate]:
    """Candidates with costs that allow for low bits written raw.

    Where steps are large against a field's lowest bits, these are as good as noise, and no field should pay more for
    holding them than they would cost by themselves. That can be so only if the bit above them moves about as often.
    """
    flips = np.unpackbits(pairs.old ^ pairs.new, axis=1, bitorder="little").T @ pairs.weight
    noisy = flips >= NOISY * pairs.steps
    cheapest: dict[tuple[int, int, int], float] = {}
    out = []
    # from short to long: the candidate without its lowest bit comes first
    for c in sorted(candidates, key=lambda c: c.length):
        low, high, step = (c.first, c.last, 1) if c.order == LITTLE else (c.last, c.first, -1)
        cost = c.cost
        bit = int(track_bit(c.order, low))
        above = low + step
        if low != high and noisy[bit]:
            next_bit = int(track_bit(c.order, above))
            order = LITTLE if c.order == BIG and above >> 3 == high >> 3 else c.order
            key = (c.order, above, high)
            if order != c.order:  # the rest lies in one byte, where only one order is kept
                base = above >> 3 << 3
                key = (LITTLE, base + 7 - (above - base), base + 7 - (high - base))
            if noisy[next_bit] and alive[next_bit] and key in cheapest:
                cost = min(cost, cheapest[key] + pairs.steps)
        cheapest[c.order, low, high] = cost
        out.append(Candidate(c.order, c.first, c.last, cost))
    return out


def prior_bits(candidate: Candidate, free: npt.NDArray[np.bool_], style: Style) -> float:
    """Bits to say where a candidate stands: makers like whole bytes, whole nibbles and byte-aligned ends.

    Dead bits next to it may belong to it unseen, so the most natural extension into them counts.
    """
    places = (candidate.first, candidate.last)
    below, above = places if candidate.order == LITTLE else (places[1], places[0])
    step = 1 if candidate.order == LITTLE else -1
    best = np.inf
    n = len(free)
    grow = 0
    bit = track_bit(candidate.order, np.arange(n))
    while True:
        length = candidate.length + grow
        end = above + step * grow
        low_in_byte = int(bit[below]) & 7
        high_in_byte = int(bit[end]) & 7
        cost = _length_bits(length) + (0.0 if low_in_byte == 0 else 0.5 if low_in_byte == 4 else 1.5)
        cost += 0.0 if high_in_byte == 7 else 0.5 if high_in_byte == 3 else 1.5
        if length == 1:
            cost = _length_bits(1) + 1.5
        best = min(best, cost + 0.05 * grow)
        nxt = end + step
        if length >= LONGEST or not 0 <= nxt < n or not free[bit[nxt]]:
            break
        grow += 1
    if end >> 3 != below >> 3 or candidate.crosses:
        best += style.order_bits[candidate.order] if candidate.crosses else 0.0
    return FIELD_BITS + float(best)


def _length_bits(length: int) -> float:
    """Bits to say a length: round ones are cheap."""
    if length in (1, 8, 16):
        return 2.0
    if length in (2, 4, 12, 32):
        return 3.5
    if length <= 16:
        return 5.0
    return 6.5 if length <= 32 else 9.0


def best_cut(
    candidates: list[Candidate], live: npt.NDArray[np.bool_], fixed: npt.NDArray[np.bool_], style: Style, temper: float
) -> Cut:
    """Cheapest cut of the live bits, with each field's probability.

    Parameters
    ----------
    candidates : list of Candidate
        From `find_candidates`.
    live, fixed : (8 B,) bool
        As there.
    style : Style
        The vehicle's habits.
    temper : float
        What a bit of data is worth, 0 to 1: frames are not independent, and models are not the truth.
    """
    nbits = len(live)
    free = ~live & ~fixed
    nodes = 2 * (nbits + 1)

    def node(order: int, place: int) -> int:
        return 2 * place + (0 if place % 8 == 0 else order)

    edges: list[list[tuple[int, float, int]]] = [[] for _ in range(nodes)]
    costs = np.zeros(len(candidates))
    for i, c in enumerate(candidates):
        gap = c.length - int((live & ~fixed)[track_bit(c.order, np.arange(c.first, c.last + 1))].sum())
        costs[i] = c.cost + prior_bits(c, free, style) + (3.0 + 2.0 * gap if gap else 0.0)
        edges[node(c.order, c.first)].append((node(c.order, c.last + 1), float(costs[i]), i))
    for order in (LITTLE, BIG):
        bits = track_bit(order, np.arange(nbits))
        for place in range(nbits):
            if not live[bits[place]] or fixed[bits[place]]:
                edges[node(order, place)].append((node(order, place + 1), 0.0, -1))
    from_start = np.full(nodes, np.inf)
    from_start[0] = 0.0
    came: list[tuple[int, int]] = [(-1, -1)] * nodes
    log_from = np.full(nodes, -np.inf)
    log_from[0] = 0.0
    # both tracks of one place before the next place: node numbers ascend with places
    for a in range(nodes):
        if not np.isfinite(from_start[a]):
            continue
        for b, cost, i in edges[a]:
            if from_start[a] + cost < from_start[b]:
                from_start[b] = from_start[a] + cost
                came[b] = (a, i)
            log_from[b] = np.logaddexp(log_from[b], log_from[a] - temper * cost)
    to_end = np.full(nodes, np.inf)
    goal = node(LITTLE, nbits)
    to_end[goal] = 0.0
    log_to = np.full(nodes, -np.inf)
    log_to[goal] = 0.0
    for a in range(nodes - 1, -1, -1):
        for b, cost, _ in edges[a]:
            to_end[a] = min(to_end[a], cost + to_end[b])
            log_to[a] = np.logaddexp(log_to[a], log_to[b] - temper * cost)
    path: list[int] = []
    at = goal
    while at > 0:
        at, i = came[at]
        if i >= 0:
            path.append(i)
    path.reverse()
    fields = tuple(candidates[i] for i in path)
    probability, margin = [], []
    for i in path:
        c = candidates[i]
        a, b = node(c.order, c.first), node(c.order, c.last + 1)
        probability.append(float(np.exp(min(0.0, log_from[a] - temper * costs[i] + log_to[b] - log_to[0]))))
        margin.append(0.0)
    return Cut(fields, tuple(probability), tuple(margin), float(from_start[goal]))
