"""Guessing room: ways through a graph whose edges go forward only: the cheapest, and the weight of all of them.

`ways.c` does the same where this computer has a compiler; the loops here are what it is held to, and the way elsewhere.
"""

from __future__ import annotations

import ctypes
import math
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from swapbridge.core.toolchain import c_library

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Graph:
    """Edges in the order of the nodes that they leave; each goes to a later node.

    Attributes
    ----------
    starts : (nodes + 1,) int64
        Where the edges of each node begin.
    leave, reach : (E,) int64
        Nodes at both ends.
    cost : (E,) float64
        Bits; infinite for an edge that may not be used.
    candidate : (E,) int64
        Row of the candidate that it stands for, -1 for none.
    goal : int
        Where ways end; they begin at node 0.
    """

    starts: Ints
    leave: Ints
    reach: Ints
    cost: Floats
    candidate: Ints
    goal: int

    @property
    def nodes(self) -> int:
        """How many there are."""
        return len(self.starts) - 1


def make_graph(nodes: int, goal: int, leave: Ints, reach: Ints, cost: Floats, candidate: Ints) -> Graph:
    """A graph of these edges; those of one node stay in the order given."""
    order = np.argsort(leave, kind="stable")
    starts = np.searchsorted(leave[order], np.arange(nodes + 1))
    return Graph(
        np.ascontiguousarray(starts, np.int64), leave[order], reach[order], cost[order], candidate[order], goal
    )


@lru_cache(maxsize=1)
def ways_kernel() -> Any | None:
    """The functions in C, or None where they can't be had."""
    found = c_library("swapbridge.guessing.layout", "ways.c")
    if found is not None:
        pointer, size = ctypes.c_void_p, ctypes.c_size_t
        for name, more in (
            ("cheapest_to", [pointer, pointer]),
            ("cheapest_from", [size, pointer]),
            ("sums", [size, ctypes.c_double, pointer, pointer]),
        ):
            function = getattr(found, name)
            function.restype, function.argtypes = None, [pointer, pointer, pointer, size, *more]
    return found


def _given(graph: Graph) -> tuple[int, int, int, int]:
    return graph.starts.ctypes.data, graph.reach.ctypes.data, graph.cost.ctypes.data, graph.nodes


def cheapest_to(graph: Graph) -> tuple[Floats, Ints]:
    """Cost of the cheapest way to every node, and the edge by which one came (-1 where none did)."""
    native = ways_kernel()
    best, came = np.full(graph.nodes, math.inf), np.full(graph.nodes, -1, np.int64)
    if native is not None:
        native.cheapest_to(*_given(graph), best.ctypes.data, came.ctypes.data)
        return best, came
    best[0] = 0.0
    for a, leaving in enumerate(_edges(graph)):
        if best[a] < math.inf:
            for edge, b, bits in leaving:
                if best[a] + bits < best[b]:
                    best[b], came[b] = best[a] + bits, edge
    return best, came


def cheapest_from(graph: Graph) -> Floats:
    """Cost of the cheapest way from every node to the goal."""
    native = ways_kernel()
    best = np.full(graph.nodes, math.inf)
    if native is not None:
        native.cheapest_from(*_given(graph), graph.goal, best.ctypes.data)
        return best
    best[graph.goal] = 0.0
    for a, leaving in reversed(list(enumerate(_edges(graph)))):
        for _, b, bits in leaving:
            best[a] = min(best[a], bits + best[b])
    return best


def sums(graph: Graph, temper: float) -> tuple[Floats, Floats]:
    """Logarithm of the weight of all ways to every node, and of all from there to the goal; an edge weighs
    ``exp(-temper * cost)``."""
    native = ways_kernel()
    forward, backward = np.full(graph.nodes, -math.inf), np.full(graph.nodes, -math.inf)
    if native is not None:
        native.sums(*_given(graph), graph.goal, temper, forward.ctypes.data, backward.ctypes.data)
        return forward, backward
    forward[0] = backward[graph.goal] = 0.0
    edges = list(enumerate(_edges(graph)))
    for a, leaving in edges:
        if forward[a] > -math.inf:
            for _, b, bits in leaving:
                forward[b] = _both(float(forward[b]), float(forward[a]) - temper * bits)
    for a, leaving in reversed(edges):
        for _, b, bits in leaving:
            backward[a] = _both(float(backward[a]), float(backward[b]) - temper * bits)
    return forward, backward


def _edges(graph: Graph) -> list[list[tuple[int, int, float]]]:
    """Number, end and cost of the edges that leave each node."""
    every = list(zip(range(len(graph.cost)), graph.reach.tolist(), graph.cost.tolist(), strict=True))
    starts = graph.starts.tolist()
    return [every[a:b] for a, b in pairwise(starts)]


def _both(a: float, b: float) -> float:
    """``log(exp(a) + exp(b))``."""
    if a < b:
        a, b = b, a
    return a if b == -math.inf else a + math.log1p(math.exp(b - a))
