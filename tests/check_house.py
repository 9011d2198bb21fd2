"""House rules that no linter knows: file length, and the fixed top level. Run by `.ci/run`."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

MOST_LINES = 600
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "swapbridge", "signal_maps", "tests", "captures"}


def main() -> int:
    top = Path(__file__).parent.parent
    names = subprocess.run(["git", "ls-files"], cwd=top, capture_output=True, text=True, check=True).stdout.splitlines()
    faults = []
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
