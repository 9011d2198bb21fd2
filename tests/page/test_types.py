"""The types that the page's scripts are checked by are those of the answers."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from starlette.routing import Route

from swapbridge.page.answers import ANSWERS
from tests.page.write_types import TARGET, written

OpenPage = Callable[[Path], Any]


def test_the_declarations_are_written_from_the_answers() -> None:
    """Else: python -m tests.page.write_types."""
    assert TARGET.read_text(encoding="utf-8") == written()


def test_every_path_with_a_type_is_a_route_and_the_other_way_round(tmp_path: Path, open_page: OpenPage) -> None:
    routes = {r.path for r in open_page(tmp_path).app.app.routes if isinstance(r, Route) and r.path.startswith("/api/")}
    without = {path for path in routes if path.startswith(("/api/jobs", "/api/live"))} | {"/api/upload"}
    assert set(ANSWERS) <= routes
    assert routes - set(ANSWERS) <= without


def test_every_script_is_a_checked_module() -> None:
    scripts = list(TARGET.parent.glob("*.js"))
    assert len(scripts) > 10
    for path in scripts:
        assert path.read_text(encoding="utf-8").startswith("// @ts-check\n"), path.name
