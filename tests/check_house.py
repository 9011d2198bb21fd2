"""House rules that no linter knows: file length, the fixed top level, one name for one module. Run by `.ci/run`."""

from __future__ import annotations

import subprocess
import sys
from collections import defaultdict
from collections.abc import Iterable
from pathlib import Path, PurePosixPath

MOST_LINES = 600
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "swapbridge", "signal_maps", "tests", "captures"}
TWINS = (
    {"swapbridge/plan/python", "swapbridge/emit"},
    {"swapbridge/plan", "swapbridge/plan/python", "swapbridge/proving/reference"},
)
"""Folders whose modules may share a name: the same thing in Python and in C; a part of a plan, the Python that runs it,
and the reference that proves it."""
VIEWS = "swapbridge/page/views"
"""A view of the page may be named after the module whose result it shows."""


def shared_names(names: Iterable[str]) -> list[str]:
    """Modules that share their name with another without being twins of it, a sentence for each name."""
    folders = defaultdict(set)
    for name in names:
        path = PurePosixPath(name)
        if path.parts[0] == "swapbridge" and path.suffix == ".py" and path.name != "__init__.py":
            folders[path.stem].add(str(path.parent))
    return [
        f"{stem}.py stands in {', '.join(sorted(found))}: give each a name of its own"
        for stem, found in sorted(folders.items())
        if len(found - {VIEWS}) > 1 and not any(found - {VIEWS} <= twins for twins in TWINS)
    ]


def test_only_twins_share_a_name() -> None:
    """`pytest tests/check_house.py` runs it; both sides of each rule."""
    code = ["emit/sending", "plan/python/sending", "plan/node", "plan/python/node", "proving/reference/node"]
    views = ["page/views/live", "bus/running/live", "core/__init__", "plan/__init__"]
    assert shared_names(f"swapbridge/{one}.py" for one in code + views) == []
    for others in ("plan/sending", "page/views/sending", "core/node", "emit/node", "bus/live", "core/live"):
        odd = len(shared_names(f"swapbridge/{one}.py" for one in [*code, *views, others]))
        assert odd == (others != "page/views/sending"), others


def test_the_house_keeps_its_rules() -> None:
    assert main() == 0


def main() -> int:
    top = Path(__file__).parent.parent
    names = subprocess.run(["git", "ls-files"], cwd=top, capture_output=True, text=True, check=True).stdout.splitlines()
    faults = shared_names(names)
    for name in names:
        first = name.split("/")[0]
        if first not in TOP_LEVEL and not first.startswith("."):
            faults.append(f"{name}: the top level is fixed: {', '.join(sorted(TOP_LEVEL))}")
        if name.endswith(".py") and (top / name).is_file():
            lines = len((top / name).read_text(encoding="utf-8").splitlines())
            if lines > MOST_LINES:
                faults.append(f"{name}: {lines} lines, more than {MOST_LINES}: split it")
    sys.stdout.writelines(f"{fault}\n" for fault in faults)
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
