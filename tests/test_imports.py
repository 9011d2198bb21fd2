"""What no contract of import-linter can say of the house: no circle, nothing but the standard library, no floats, tests
where their room is. Type-checking and late imports count as imports.
"""

from __future__ import annotations

import ast
import sys
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import grimp
import pytest

import swapbridge

PACKAGE = Path(swapbridge.__path__[0])
TESTS = Path(__file__).parent


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


@pytest.mark.parametrize("room", ["core", "plan"])
def test_a_room_is_standard_library_only(room: str) -> None:
    graph = grimp.build_graph("swapbridge", include_external_packages=True)
    modules = {f"swapbridge.{room}", *graph.find_descendants(f"swapbridge.{room}")}
    found = set().union(*(graph.find_modules_directly_imported_by(module) for module in modules))
    outside = {name.split(".")[0] for name in found} - sys.stdlib_module_names - {"swapbridge"}
    assert len(found) > 5
    assert outside == set()


def test_the_plan_holds_no_float_and_opens_nothing() -> None:
    """A plan is integers; the text of generated programs is not looked at."""
    odd = []
    for path in sorted((PACKAGE / "plan").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            number = isinstance(node, ast.Constant) and isinstance(node.value, float | complex)
            name = isinstance(node, ast.Name) and node.id in ("float", "open", "print", "input")
            if number or name or isinstance(node, ast.Div):
                odd.append(f"{path.name}:{getattr(node, 'lineno', '?')}")
    assert odd == []


def test_tests_stand_where_their_room_is() -> None:
    rooms = {path.parent.name for path in PACKAGE.glob("*/__init__.py")}
    folders = {path.parent.name for path in TESTS.glob("*/*.py")} - {"benchmarks"}
    assert folders == rooms
