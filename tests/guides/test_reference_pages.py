"""The reference pages say what the language is: every function, unit and role stands there, and the file parses."""

from __future__ import annotations

import re
from itertools import combinations

from swapbridge.compiler.expressions.functions import FUNCTIONS
from swapbridge.core.roles import ROLES
from swapbridge.core.units import SPELLINGS
from swapbridge.guides.guide_pages import page_text
from swapbridge.language.reading import parse_bridge
from swapbridge.proving.faults.faults import FAULTS


def test_every_function_unit_and_role_is_told() -> None:
    expressions, roles = page_text("expressions"), page_text("roles")
    for function in FUNCTIONS.values():
        assert f"| `{function.usage}` | {function.words} |" in expressions
    for unit in SPELLINGS.values():
        assert not unit.name or f"`{unit.name}`" in expressions
    for role in ROLES:
        assert f"`{role.alias}`" in roles


def test_the_page_counts_the_faults_right() -> None:
    verdict = page_text("reading-a-verdict")
    count, pairs = len(FAULTS), len(list(combinations(FAULTS, 2)))
    assert f"Then {count} faults alone and in pairs" in verdict
    assert f"({count} alone and" in verdict
    assert f"all {pairs} pairs" in verdict


def test_the_bridge_file_of_the_page_is_one() -> None:
    found = re.search(r"```toml\n(.*?)```", page_text("bridge-file"), re.DOTALL)
    assert found is not None
    bridge = parse_bridge(found[1])
    assert [m.message.text for m in bridge.messages] == ["host.EngineData"]
    assert bridge.diagnostics is not None
