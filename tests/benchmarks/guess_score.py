"""Score guesses on every labelled set under a folder, beside the flip-rate cut, with what each idea brings.

    python -m tests.benchmarks.guess_score SCORER.py FOLDER [FOLDER ...] [--ablations] [--places FILE.py] [--jobs N]

A set is a folder with a text log (`capture.log.gz`), `truth.json` and, where anything was done, `stimulus.csv`. SCORER
is called as ``python SCORER.py GUESS.json SET --json OUT.json`` and writes at least `f1_all`, `recall_all`,
`precision_all`, `found`, `sign`, `false`, `values`, `claims`. Ablations leave one idea out at a time, for layouts only.
"""

from __future__ import annotations

import argparse
import json
import runpy
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Executor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

import swapbridge.guessing.coding.candidates as candidates
import swapbridge.guessing.coding.codelength as codelength
import swapbridge.guessing.coding.codelength_kernel as native
import swapbridge.guessing.layout.cut as cut
import swapbridge.guessing.layout.orders as orders
import swapbridge.guessing.layout.place_bits as places
import swapbridge.guessing.layout.study as layout
from swapbridge.capture.capture import Capture
from swapbridge.capture.read import read_capture
from swapbridge.capture.stimulus import read_stimulus
from swapbridge.guessing import guess as driver
from swapbridge.guessing.executors import open_executor
from swapbridge.guessing.guess import find_layouts, guess
from swapbridge.signalmap.findings import Findings, FoundMessage
from tests.benchmarks.flip_rate import flip_rate_json


def sets_under(folders: list[Path]) -> list[Path]:
    """Labelled sets in these folders, or these folders themselves."""
    return sorted({p.parent for f in folders for p in f.rglob("truth.json")})


def log_of(folder: Path) -> Path:
    """The capture of a set."""
    return next(p for name in ("capture.log.gz", "capture.log", "log.candump") if (p := folder / name).exists())


def score(scorer: Path, guessed: dict[str, Any], folder: Path) -> dict[str, Any]:
    """What the scorer says."""
    with tempfile.TemporaryDirectory() as temporary:
        given, told = Path(temporary) / "guess.json", Path(temporary) / "score.json"
        given.write_text(json.dumps(guessed))
        subprocess.run(
            [sys.executable, str(scorer), str(given), str(folder), "--json", str(told)],
            check=True,
            stdout=subprocess.DEVNULL,
        )
        result: dict[str, Any] = json.loads(told.read_text())
        return result


def layouts_json(capture: Capture) -> dict[str, Any]:
    """Layouts alone, in the form of a guess."""
    messages = tuple(
        FoundMessage(m.key.identifier, m.key.extended, m.bus_name, m.length, m.period_ms, len(m.rows), m.fields)
        for m in find_layouts([capture])
    )
    return Findings(messages).to_dict()


@contextmanager
def changed(module: Any, name: str, value: Any) -> Iterator[None]:
    """A module's name, changed for a while."""
    before = getattr(module, name)
    setattr(module, name, value)
    try:
        yield
    finally:
        setattr(module, name, before)


def _no_tails(*_: Any) -> None:
    """Leave candidates as they are."""


ABLATIONS: tuple[tuple[str, Any, str, Any], ...] = (
    ("no noisy low bits", candidates, "_allow_noisy_tails", _no_tails),
    ("no lists of states", codelength, "_states_bits", lambda *_: float("inf")),
    ("no prior on places", cut, "_place_table", lambda: np.full((65, 8, 513), 5.0)),
    ("no multiplexers", layout, "find_multiplexer", lambda *_: None),
    ("no checksums", layout, "find_checksums", lambda *_: []),
    ("no vehicle-wide formulas", layout, "proven_formulas", lambda *_: {}),
    ("no sums of the vehicle", driver, "vehicle_checks", lambda some: [None] * len(some)),
    ("no checks that only follow", layout, "follower_of_counter", lambda *_: None),
    ("no vehicle-wide byte order", orders, "order_prices", lambda _: (1.0, 1.0)),
)


def line(name: str, told: dict[str, Any], seconds: float) -> str:
    """One row of the table."""
    found = told["found"]

    def share(kind: str) -> str:
        return f"{found[kind]['right']}/{found[kind]['of']}" if kind in found else "-"

    false = sum(told["false"].values())
    values, claims = told["values"], told["claims"]
    return (
        f"{name[:22]:22} {told['f1_all']:6.3f} {share('analogue'):>8} {share('flag'):>8} {share('enum'):>7}"
        f" {share('counter'):>7} {share('checksum'):>7} {share('mux'):>5} {false:3d}"
        f" {told['sign']['right']}/{told['sign']['of']:<4} {values['right']}/{values['of']:<4}"
        f" {claims['sure_right']}/{claims['sure']:<4} {seconds:5.1f}"
    )


HEAD = (
    f"{'set':22} {'F1':>6} {'analogue':>8} {'flag':>8} {'enum':>7} {'counter':>7} {'checks':>7} {'mux':>5} no!"
    " sign   values  sure   s"
)


def run(folder: Path, make: Callable[[Capture], dict[str, Any]], scorer: Path) -> tuple[dict[str, Any], float]:
    """Guess one set and score it."""
    capture = read_capture(log_of(folder))
    begin = time.perf_counter()
    guessed = make(capture)
    seconds = time.perf_counter() - begin
    return score(scorer, guessed, folder), seconds


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("scorer", type=Path)
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--ablations", action="store_true")
    parser.add_argument("--places", type=Path, help="a table of `learn_places`, its maps without the sets' own makers")
    parser.add_argument("--jobs", type=int, default=None)
    args = parser.parse_args()
    if args.places is not None:
        places.PLACE_BITS = runpy.run_path(str(args.places))["PLACE_BITS"]
    sets = sets_under(args.folders)
    print(HEAD)
    with open_executor(jobs=args.jobs, frames=10**6) as executor:

        def whole(folder: Path, executor: Executor | None = executor) -> Callable[[Capture], dict[str, Any]]:
            track = folder / "stimulus.csv"
            told = read_stimulus(track) if track.exists() else None  # some only had the ignition turned on
            return lambda capture: guess(capture, told, executor=executor).to_dict()

        scores = []
        for folder in sets:
            told, seconds = run(folder, whole(folder), args.scorer)
            scores.append(told["f1_all"])
            print(line(folder.name, told, seconds), flush=True)
    print(f"{'mean':22} {np.mean(scores):6.3f}")
    for folder in sets:
        told, seconds = run(folder, flip_rate_json, args.scorer)
        print(line(f"flip-rate {folder.name}", told, seconds))
    if args.ablations:
        print("\nlayouts with one idea left out: mean F1 over the sets")
        for name, module, attribute, value in ABLATIONS:
            # what is changed in Python says nothing to the C beside it
            with changed(native, "kernel", lambda: None), changed(module, attribute, value):
                f1 = [run(folder, layouts_json, args.scorer)[0]["f1_all"] for folder in sets]
            print(f"{name:28} {np.mean(f1):6.3f}   " + " ".join(f"{x:.3f}" for x in f1), flush=True)


if __name__ == "__main__":
    main()
