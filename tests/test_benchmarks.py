"""The one command that runs all benchmarks knows every one of them."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).parent
SHARED = {"__main__", "bus_traffic", "flip_rate", "judging", "seals", "vehicles"}
"""Files there that are no benchmark: the command itself, invented traffic and vehicles, the published baseline, what
guesses are judged by."""


def call(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "tests.benchmarks", *words], cwd=HERE.parent, capture_output=True, text=True, check=False
    )


def test_every_benchmark_is_listed_with_what_it_measures() -> None:
    done = call("--list")
    assert done.returncode == 0, done.stderr
    lines = done.stdout.splitlines()
    assert {line.split()[0] for line in lines[::2]} == {p.stem for p in (HERE / "benchmarks").glob("*.py")} - SHARED
    assert all(line.startswith("    ") and len(line) > 30 for line in lines[1::2])


def test_a_name_that_is_none_is_refused() -> None:
    done = call("suvrey")
    assert done.returncode == 2
    assert "no benchmark is called suvrey" in done.stderr
