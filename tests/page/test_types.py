"""The types that the page's scripts are checked by are those of the answers."""

from __future__ import annotations

import msgspec
import pytest

from swapbridge.core.errors import InputError
from swapbridge.page.answers import ANSWERS
from swapbridge.page.guard import STOP_PATH
from swapbridge.page.requests import PageRequest, decoded
from tests.page.write_types import TARGET, api_routes, asked, written


def test_the_declarations_are_written_from_the_answers() -> None:
    """Else: python -m tests.page.write_types."""
    assert TARGET.read_text(encoding="utf-8") == written()


def test_every_path_with_a_type_is_a_route_and_the_other_way_round() -> None:
    routes = set(api_routes())
    without = {path for path in routes if path.startswith(("/api/jobs", "/api/live"))} | {"/api/upload"}
    assert set(ANSWERS) <= routes
    assert routes - set(ANSWERS) <= without


def test_whatever_is_posted_is_held_to_a_type() -> None:
    """But an upload, which is no JSON, and the two that read nothing of what is sent."""
    posted = {path for path, route in api_routes().items() if "POST" in (route.methods or ())}
    assert posted - set(asked()) == {"/api/upload", "/api/jobs/{key}/cancel", STOP_PATH}
    for sent in set(asked().values()):
        assert msgspec.structs.fields(sent) or sent is PageRequest
        with pytest.raises(InputError, match="unknown field `surplus`"):
            decoded(b'{"surplus": 1}', sent)


def test_every_script_is_a_checked_module() -> None:
    scripts = list(TARGET.parent.glob("*.js"))
    assert len(scripts) > 10
    for path in scripts:
        assert path.read_text(encoding="utf-8").startswith("// @ts-check\n"), path.name
