"""Guessing room: the best cut of a payload into fields: a shortest path over bit positions, both byte orders at once.

Every candidate field is an edge, its cost the bits its history takes plus the bits it takes to say that it is there.
Little-endian and big-endian fields run along two tracks that meet at byte boundaries, so the order may switch there.
The same graph summed instead of minimised gives the probability of every field among all cuts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from swapbridge.core.layout import MAX_PAYLOAD_BYTES
from swapbridge.guessing.coding.candidates import Candidates, track_bit
from swapbridge.guessing.coding.history_costs import BIG, LITTLE, LONGEST
from swapbridge.guessing.layout import place_bits
from swapbridge.guessing.layout.ways import Graph, cheapest_from, cheapest_to, make_graph, sums

_FAR = math.inf
_MOST_ROOM = 8 * MAX_PAYLOAD_BYTES


@dataclass(frozen=True, slots=True)
class OrderPrices:
    """What makers tend to do, as bits that it costs not to do so.

    Attributes
    ----------
    order_bits : (float, float)
        In a cut: of a field over a byte boundary, being little endian, being big endian. Of a vehicle: of a message.
    """

    order_bits: tuple[float, float] = (1.0, 1.0)


@dataclass(frozen=True, slots=True)
class CutField:
    """One field of a cut.

    Attributes
    ----------
    order : int
        LITTLE or BIG; a field inside one byte is LITTLE.
    positions : tuple of int
        DBC bit numbers, least significant first.
    probability : float
        Share of all cuts, weighed by their code length, that hold the same field.
    margin : float
        Bits that the best cut without this field costs more.
    """

    order: int
    positions: tuple[int, ...]
    probability: float
    margin: float

    @property
    def crosses(self) -> bool:
        """Whether it stands in more than one byte, so that its byte order means something."""
        return self.positions[0] >> 3 != self.positions[-1] >> 3


def _graph(
    candidates: Candidates, live: npt.NDArray[np.bool_], fixed: npt.NDArray[np.bool_], prices: OrderPrices
) -> Graph:
    """Places of both tracks as nodes, two a place: those on a byte border are one."""
    nbits = len(live)
    free = ~live & ~fixed
    alive = live & ~fixed
    parts = []
    for order in (LITTLE, BIG):
        bit = track_bit(order, np.arange(nbits))
        # dead bits that a field could reach into unseen: above its top bit along the track
        room = _runs(free[bit] if order == LITTLE else free[bit][::-1])
        if order == BIG:
            room = room[::-1]
        chosen = np.flatnonzero(candidates.order == order)
        first, last = candidates.first[chosen], candidates.last[chosen]
        above = np.where(order == LITTLE, last + 1, first - 1)
        inside = (above >= 0) & (above < nbits)
        reach = np.where(inside, room[np.clip(above, 0, nbits - 1)], 0)
        low = first & 7 if order == LITTLE else 7 - (last & 7)
        prior = _place_table()[last - first + 1, low, reach]
        total = candidates.cost[chosen] + prior + np.where(first >> 3 != last >> 3, prices.order_bits[order], 0.0)
        node = 2 * np.arange(nbits + 1)
        node[np.arange(nbits + 1) & 7 != 0] += order
        still = np.flatnonzero(~alive[bit])
        parts += [
            (node[first], node[last + 1], total, chosen),
            (node[still], node[still + 1], np.zeros(len(still)), np.full(len(still), -1)),
        ]
    leave, to, bits, row = (np.concatenate(column) for column in zip(*parts, strict=True))
    return make_graph(2 * (nbits + 1), 2 * nbits, leave, to, bits, row)


def _runs(mask: npt.NDArray[np.bool_]) -> npt.NDArray[np.int64]:
    """(N,) how many true values follow each other from each place on."""
    out = np.zeros(len(mask), np.int64)
    run = 0
    for i in range(len(mask) - 1, -1, -1):
        run = run + 1 if mask[i] else 0
        out[i] = run
    return out


@lru_cache(maxsize=1)
def _place_table() -> npt.NDArray[np.float64]:
    """Bits to say where a field stands, as open maps have it: makers like whole bytes and ends on byte borders.

    Returns
    -------
    (65, 8, 513) float64
        By its length from the lowest to the highest live bit, by the weight of the lowest in its byte, and by how many
        dead bits above may belong to it unseen: the most natural extension counts.
    """
    bits = np.array(place_bits.PLACE_BITS)
    table = np.full((LONGEST + 1, 8, _MOST_ROOM + 1), _FAR)
    for length in range(LONGEST + 1):
        grown = bits[length:] + 0.05 * np.arange(LONGEST + 1 - length)[:, None]
        least = np.minimum.accumulate(grown, axis=0).T
        table[length, :, : least.shape[1]] = least
        table[length, :, least.shape[1] :] = least[:, -1:]
    return table


def cut_bits(
    candidates: Candidates, live: npt.NDArray[np.bool_], fixed: npt.NDArray[np.bool_], prices: OrderPrices
) -> float:
    """Code length of the best cut of what is not fixed."""
    graph = _graph(candidates.clear_of(fixed), live, fixed, prices)
    return float(cheapest_to(graph)[0][graph.goal])


def cheapest_rows(
    candidates: Candidates, live: npt.NDArray[np.bool_], fixed: npt.NDArray[np.bool_], prices: OrderPrices
) -> list[int]:
    """Rows of the candidates that the best cut is made of, in payload order; none of them may hold a fixed bit."""
    graph = _graph(candidates, live, fixed, prices)
    return _cheapest_path(graph, cheapest_to(graph)[1])


def _cheapest_path(graph: Graph, came: npt.NDArray[np.int64]) -> list[int]:
    path: list[int] = []
    at = graph.goal
    while at > 0 and came[at] >= 0:
        edge = came[at]
        if graph.candidate[edge] >= 0:
            path.append(int(graph.candidate[edge]))
        at = int(graph.leave[edge])
    path.reverse()
    return path


def within_reach(
    candidates: Candidates, live: npt.NDArray[np.bool_], fixed: npt.NDArray[np.bool_], slack: float
) -> Candidates:
    """Candidates that stand in some cut at most `slack` bits dearer than the best."""
    graph = _graph(candidates, live, fixed, OrderPrices())
    ahead, behind = cheapest_to(graph)[0], cheapest_from(graph)
    near = ahead[graph.leave] + graph.cost + behind[graph.reach] <= ahead[graph.goal] + slack
    keep = np.zeros(len(candidates.cost), bool)
    keep[graph.candidate[near & (graph.candidate >= 0)]] = True
    return candidates.select(keep)


def best_cut(
    candidates: Candidates,
    live: npt.NDArray[np.bool_],
    fixed: npt.NDArray[np.bool_],
    prices: OrderPrices,
    temper: float,
) -> tuple[CutField, ...]:
    """Fields of the cheapest cut of the live bits, in payload order, with each one's probability and margin.

    Parameters
    ----------
    candidates : Candidates
        From `find_candidates`.
    live, fixed : (8 B,) bool
        Bits that change; bits that are not to be cut.
    prices : OrderPrices
        The vehicle's habits.
    temper : float
        What a bit of data is worth, 0 to 1: frames are not independent, and models are not the truth.
    """
    candidates = candidates.clear_of(fixed)
    graph = _graph(candidates, live, fixed, prices)
    cost, came = cheapest_to(graph)
    forward, backward = sums(graph, temper)
    path = _cheapest_path(graph, came)
    with np.errstate(invalid="ignore"):
        log_share = forward[graph.leave] - temper * graph.cost + backward[graph.reach] - backward[0]
    share: dict[tuple[int, ...], float] = {}
    for edge in np.flatnonzero((graph.candidate >= 0) & (log_share > -20.0)):
        bits = candidates.positions(int(graph.candidate[edge]))
        share[bits] = share.get(bits, 0.0) + math.exp(min(0.0, log_share[edge]))
    out = []
    for i in path:
        bits = candidates.positions(i)
        crosses = bits[0] >> 3 != bits[-1] >> 3
        order = int(candidates.order[i]) if crosses else LITTLE
        margin = _cost_without(graph, _same_bits(candidates, i)) - float(cost[graph.goal])
        out.append(CutField(order, bits, min(1.0, share.get(bits, 0.0)), margin))
    return tuple(out)


def _same_bits(candidates: Candidates, row: int) -> npt.NDArray[np.bool_]:
    """(N,) whether each holds the same bits as one of them: what lies in one byte stands on both tracks."""
    order, first, last = (int(place[row]) for place in (candidates.order, candidates.first, candidates.last))
    same = (candidates.order == order) & (candidates.first == first) & (candidates.last == last)
    if first >> 3 == last >> 3:
        base = (first >> 3 << 4) + 7
        same |= (candidates.order != order) & (candidates.first == base - last) & (candidates.last == base - first)
    return np.asarray(same)


def _cost_without(graph: Graph, left_out: npt.NDArray[np.bool_]) -> float:
    """Bits of the best cut that holds none of these candidates."""
    out = (graph.candidate >= 0) & left_out[graph.candidate]
    return float(cheapest_to(replace(graph, cost=np.where(out, _FAR, graph.cost)))[0][graph.goal])
