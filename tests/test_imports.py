"""No two modules import each other, however long the way round: type-checking and late imports count as imports."""

from __future__ import annotations

from graphlib import CycleError, TopologicalSorter

import grimp


def test_no_module_imports_itself_by_a_way_round() -> None:
    graph = grimp.build_graph("swapbridge")
    order: TopologicalSorter[str] = TopologicalSorter(
        {module: graph.find_modules_directly_imported_by(module) for module in graph.modules}
    )
    try:
        order.prepare()
    except CycleError as error:
        circle = " imports ".join(error.args[1])
        raise AssertionError(f"move what both need into a module below them: {circle}") from None
