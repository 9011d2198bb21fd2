"""README and DEVELOPERS.md say what the bridge room does: every function, unit, role and option is written down."""

from __future__ import annotations

import re
from pathlib import Path

from swapbridge.compiler.expressions.functions import FUNCTIONS
from swapbridge.core.roles import ROLES
from swapbridge.core.units import SPELLINGS
from swapbridge.language.reading import parse_bridge

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_every_function_unit_and_role_is_in_the_readme() -> None:
    for function in FUNCTIONS.values():
        assert f"| `{function.usage}` | {function.words} |" in README
    for unit in SPELLINGS.values():
        assert not unit.name or f"`{unit.name}`" in README
    for role in ROLES:
        assert f"`{role.alias}`" in README


def test_the_readme_bridge_file_is_one() -> None:
    section = README[README.index("## The bridge file") :]
    found = re.search(r"```toml\n(.*?)```", section, re.DOTALL)
    assert found is not None
    bridge = parse_bridge(found[1])
    assert [m.message.text for m in bridge.messages] == ["host.EngineData"]
    assert bridge.diagnostics is not None
