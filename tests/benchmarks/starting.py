"""How soon commands start, beside a bare import of the libraries they can't do without.

    python -m tests.benchmarks.starting

Each is a process of its own; the best of five, since only the least can't be another process's fault. All find the
compiled form of what they import, whatever the environment says of writing it. The demo's papers and plan stand in a
folder of their own.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from swapbridge.compiler.compile import compile_bridge
from swapbridge.demo.folder import write_demo_papers

TRIES = 5
BARE = "import numpy"
WITH_MAPS = "import swapbridge.capture.python_can, numpy, cantools"
"""cantools loads python-can, and that (where it is installed) asammdf, which takes seconds: kept out, as everywhere."""
CALLS = (
    ("--help", BARE),
    ("status", BARE),
    ("map show signal_maps/host.dbc", WITH_MAPS),
    ("compile bridge.toml --out plan.json", WITH_MAPS),
)


def best(words: list[str], folder: Path) -> float:
    """Seconds of the quickest of some tries."""
    environment = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}
    environment["PYTHONPYCACHEPREFIX"] = str(folder / "compiled")
    took = []
    for _ in range(TRIES):
        begin = time.perf_counter()
        subprocess.run(words, cwd=folder, env=environment, capture_output=True, check=True)
        took.append(time.perf_counter() - begin)
    return min(took)


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for part in ("captures", "signal_maps"):
            (folder / part).mkdir()
        write_demo_papers(folder)
        plan = compile_bridge(folder / "bridge.toml").plan
        (folder / "plan.json").write_text(plan.to_json(), encoding="utf-8")
        peers = {code: best([sys.executable, "-c", code], folder) for code in (BARE, WITH_MAPS)}
        for call, peer in CALLS:
            ours = best([sys.executable, "-m", "swapbridge", *call.split()], folder)
            print(f"swapbridge {call}: {ours * 1e3:.0f} ms, {ours / peers[peer]:.2f} times `{peer}`")


if __name__ == "__main__":
    main()
