"""Layouts that nobody tuned on: what is found of invented vehicles, and every miss and false find.

    python -m tests.benchmarks.guess_planted [--vehicles 20] [--first 1000] [--maps FOLDER] [--list] [--plain]
        [--claims OUT.json]

`--maps` takes the layouts from a folder of open signal maps; without it they are drawn at random. `--plain` takes the
smoother traffic of the tests (`tests.guessing.planted`). `--claims` keeps every claim with the numbers that its
confidence is made of, for `guess_integrity --claims`.
"""

from __future__ import annotations

import argparse
import json
import time
from collections import Counter as Tally
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from swapbridge.capture.capture import Capture
from swapbridge.core.layout import Layout
from tests.benchmarks.flip_rate import flip_rate_json
from tests.benchmarks.judging import EXACT, Comparison, Guessed, compare, guess_of
from tests.benchmarks.vehicles import Field, Vehicle, invent
from tests.guessing.planted import plant


def block_of(capture: Capture) -> dict[int, list[Guessed]]:
    """The flip-rate cut of the same recording."""
    return {
        m["id"]: [
            Guessed(s["kind"], Layout(s["start"], s["length"], s["byte_order"]), None, 0.0, "") for s in m["signals"]
        ]
        for m in flip_rate_json(capture)["messages"]
    }


def vehicles(first: int, count: int, maps: Path | None, plain: bool) -> Iterator[tuple[int, Vehicle]]:
    """Invented vehicles of these seeds."""
    for seed in range(first, first + count):
        if plain:
            world = plant(seed)
            yield seed, Vehicle(world.capture, {i: [Field(k, la) for k, la in f] for i, f in world.truth.items()})
        else:
            yield seed, invent(seed, maps)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--vehicles", type=int, default=20)
    parser.add_argument("--first", type=int, default=1000)
    parser.add_argument("--maps", type=Path)
    parser.add_argument("--plain", action="store_true")
    parser.add_argument("--list", action="store_true")
    parser.add_argument("--claims", type=Path)
    args = parser.parse_args()
    begin = time.perf_counter()
    all_told, block = [], []
    for seed, vehicle in vehicles(args.first, args.vehicles, args.maps, args.plain):
        told = compare(vehicle.capture, vehicle.truth, guess_of(vehicle.capture))
        all_told.append(told)
        block.append(compare(vehicle.capture, vehicle.truth, block_of(vehicle.capture)).f1)
        habits = " ".join(f"{k}={v}" for k, v in vehicle.habits.items())
        print(f"{seed}: F1 {told.f1:.3f}, flip-rate cut {block[-1]:.3f}; {habits}", flush=True)
        if args.list:
            print("\n".join(f"    {line}" for line in told.lines), flush=True)
        if args.claims is not None:
            claims = [(kind, str(k), *rest) for k, told in enumerate(all_told) for kind, *rest in told.claims]
            args.claims.write_text(json.dumps(claims))
    print_summary(all_told, block)
    print(f"{time.perf_counter() - begin:.1f} s in all")


def print_summary(all_told: list[Comparison], block: list[float]) -> None:
    """Shares found by kind, false finds, and how sure what was right was."""
    found, of, false = Tally[str](), Tally[str](), Tally[str]()
    for told in all_told:
        found.update(told.found)
        of.update(told.of)
        false.update(told.false)
    f1 = [told.f1 for told in all_told]
    print(f"mean F1 {np.mean(f1):.3f} (least {min(f1):.3f}), flip-rate cut {np.mean(block):.3f}")
    print(", ".join(f"{kind} {found[kind]}/{of[kind]} ({found[kind] / of[kind]:.3f})" for kind in sorted(of)))
    print(f"false: {dict(false)}")
    for what in ("field", *EXACT):
        table = np.array([(p, right) for told in all_told for kind, p, right in told.stated if kind == what])
        if not len(table):
            continue
        for low, high in ((0.0, 0.5), (0.5, 0.8), (0.8, 0.9), (0.9, 0.95), (0.95, 0.98), (0.98, 0.99), (0.99, 1.01)):
            rows = table[(table[:, 0] >= low) & (table[:, 0] < high)]
            if len(rows):
                print(f"{what} at {low:.2f} to {min(high, 1):.2f}: {len(rows):5d}, right {rows[:, 1].mean():.3f}")
        sure = table[:, 0] >= 0.95
        print(f"{what} sure: {sure.sum()}, right {table[sure, 1].mean() if sure.any() else 1:.3f}")


if __name__ == "__main__":
    main()
