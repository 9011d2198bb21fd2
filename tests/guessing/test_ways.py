"""Ways through the graph of cuts: C beside Python, and both beside a list of every way."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swapbridge.guessing.layout import ways
from swapbridge.guessing.layout.ways import Graph, cheapest_from, cheapest_to, make_graph, sums


@st.composite
def graphs(draw: st.DrawFn) -> Graph:
    """Some edges forward, equal costs and closed edges among them; not every node can be reached."""
    nodes = draw(st.integers(2, 9))
    ends = st.tuples(st.integers(0, nodes - 2), st.integers(1, nodes - 1)).filter(lambda e: e[0] < e[1])
    edges = draw(st.lists(st.tuples(ends, st.sampled_from([0.0, 0.1, 1.0, 3.25, 700.0, math.inf])), max_size=14))
    leave, reach = (np.array([ends[k] for ends, _ in edges], np.int64) for k in (0, 1))
    cost = np.array([bits for _, bits in edges])
    return make_graph(nodes, draw(st.integers(1, nodes - 1)), leave, reach, cost, np.arange(len(edges)))


def every_way(graph: Graph, start: int, end: int) -> Iterator[list[int]]:
    """All ways, as the edges that they take."""
    if start == end:
        yield []
    for edge in np.flatnonzero(graph.leave == start).tolist():
        for rest in every_way(graph, int(graph.reach[edge]), end):
            yield [edge, *rest]


def in_python(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ways, "ways_kernel", lambda: None)


@given(graphs(), st.sampled_from([0.3, 1.0]))
def test_c_and_python_go_the_same_ways(graph: Graph, temper: float) -> None:
    assert ways.ways_kernel() is not None
    native = (*cheapest_to(graph), cheapest_from(graph), *sums(graph, temper))
    with pytest.MonkeyPatch.context() as patch:
        in_python(patch)
        plain = (*cheapest_to(graph), cheapest_from(graph), *sums(graph, temper))
    for got, wanted in zip(native, plain, strict=True):
        assert got.tobytes() == wanted.tobytes()


@pytest.mark.parametrize("native", [True, False])
@given(graph=graphs())
def test_the_cheapest_way_and_the_weight_of_all_are_those_of_a_list_of_every_way(native: bool, graph: Graph) -> None:
    with pytest.MonkeyPatch.context() as patch:
        if not native:
            in_python(patch)
        best, came = cheapest_to(graph)
        onward = cheapest_from(graph)
        forward, backward = sums(graph, 0.5)
    for node in range(graph.nodes):
        before = [float(graph.cost[way].sum()) for way in every_way(graph, 0, node)]
        after = [float(graph.cost[way].sum()) for way in every_way(graph, node, graph.goal)]
        assert best[node] == pytest.approx(min(before, default=math.inf))
        assert onward[node] == pytest.approx(min(after, default=math.inf))
        for told, costs in ((forward[node], before), (backward[node], after)):
            weight = sum(math.exp(-0.5 * bits) for bits in costs)
            assert math.exp(told) == pytest.approx(weight, rel=1e-9)
        if node and best[node] < math.inf:
            edge = came[node]
            assert graph.reach[edge] == node
            assert best[graph.leave[edge]] + graph.cost[edge] == best[node]
