"""Benchmarks: all of them by one command, each in a process of its own, one after the other.

    python -m tests.benchmarks                 all of them (about half an hour on two quiet cores)
    python -m tests.benchmarks --list          what each measures
    python -m tests.benchmarks survey decode   these only

Each prints its ratios against a peer measured in the same run; nothing is stored. What needs more is named with
--list: `hour` wants 2 GB in the temporary folder and 4 GB of memory, `cortex_m` an Arm compiler and qemu.
"""

from __future__ import annotations

import argparse
import ast
import subprocess
import sys
import time
from pathlib import Path

from tests.benchmarks.bus_traffic import machine

HERE = Path(__file__).parent
ARGUMENTS: dict[str, tuple[str, ...]] = {
    "guess_planted": ("--vehicles", "4"),
    "guess_checks": ("--each", "1"),
    "guess_calibration": ("--worlds", "40"),
    "guess_integrity": ("--vehicles", "10"),
    "hour": ("--guess",),
}
"""What some are called with here."""
NEEDS_A_FOLDER = {
    "draft_real": "SET",
    "guess_score": "SCORER FOLDER",
    "learn_places": "FOLDER --corpus NAME",
    "real_maps": "FOLDER",
}
"""Those that only make sense with files of the caller's own."""
SHARED = {"__main__", "bus_traffic", "flip_rate", "judging", "seals", "vehicles"}
"""No benchmarks: this file, invented traffic and vehicles, the published baseline, what guesses are judged by."""


def benchmarks() -> dict[str, tuple[str, ...]]:
    """Every benchmark that runs without files of the caller's own, and its arguments; the longest one last."""
    names = {path.stem for path in HERE.glob("*.py")} - SHARED - set(NEEDS_A_FOLDER)
    return {name: ARGUMENTS.get(name, ()) for name in sorted(names, key=lambda name: (name == "hour", name))}


def purpose(name: str) -> str:
    """First sentence of a benchmark's docstring."""
    text = ast.get_docstring(ast.parse((HERE / f"{name}.py").read_text(encoding="utf-8"))) or ""
    return " ".join(text.split("\n\n")[0].split())


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("names", nargs="*", metavar="NAME", help="which; all by default")
    parser.add_argument("--list", action="store_true", help="say what each measures, and run none")
    args = parser.parse_args()
    known = benchmarks()
    if args.list:
        for name, arguments in (*known.items(), *((name, (files,)) for name, files in NEEDS_A_FOLDER.items())):
            print(f"{' '.join((name, *arguments))}\n    {purpose(name)}")
        return 0
    if strange := [name for name in args.names if name not in known]:
        parser.error(f"no benchmark is called {', '.join(strange)}: --list names them")
    print(machine(), flush=True)
    failed = []
    for name in args.names or known:
        print(f"\n== {name}: {purpose(name)}", flush=True)
        begin = time.perf_counter()
        done = subprocess.run(
            [sys.executable, "-m", f"tests.benchmarks.{name}", *known[name]], cwd=HERE.parents[1], check=False
        )
        print(f"== {name} took {time.perf_counter() - begin:.0f} s", flush=True)
        if done.returncode:
            failed.append(name)
    if failed:
        print(f"\nnot finished: {', '.join(failed)}")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
