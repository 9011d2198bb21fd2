"""Layouts that nobody tuned on: F1 of planted random layouts, beside the flip-rate baseline.

python tests/benchmarks/guess_planted.py [--sets 20] [--first 1000]
"""

from __future__ import annotations

import argparse
import importlib.util
import sys
import time
from pathlib import Path
from types import ModuleType

import numpy as np

from swapbridge.core.layout import Layout
from swapbridge.guess.guess import find_layouts

HERE = Path(__file__).resolve().parent


def load(path: Path) -> ModuleType:
    """A script or helper beside the tests, as a module."""
    spec = importlib.util.spec_from_file_location(path.stem, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[path.stem] = module
    spec.loader.exec_module(module)
    return module


Seen = set[tuple[int, tuple[int, ...]]]


def f1(found: Seen, wanted: Seen) -> float:
    """Harmonic mean of precision and recall."""
    both = len(found & wanted)
    return 2 * both / (len(found) + len(wanted)) if both else 0.0


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sets", type=int, default=20)
    parser.add_argument("--first", type=int, default=1000)
    args = parser.parse_args()
    planted = load(HERE.parent / "guess" / "planted.py")
    flip_rate = load(HERE / "flip_rate.py")
    ours, theirs, sure = [], [], []
    wrong_exact = 0
    begin = time.perf_counter()
    for seed in range(args.first, args.first + args.sets):
        world = planted.plant(seed)
        live = {}
        for key, rows in world.capture.groups():
            payload = world.capture.payload[rows]
            moved = np.bitwise_or.reduce(payload ^ payload[:1], axis=0)
            live[key.identifier] = np.unpackbits(moved, bitorder="little").astype(bool)

        def seen(identifier: int, layout: Layout, live: dict[int, np.ndarray] = live) -> tuple[int, tuple[int, ...]]:
            return identifier, planted.seen_positions(layout, live[identifier])

        kinds = {seen(i, layout): kind for i, fields in world.truth.items() for kind, layout in fields}
        wanted = {s for s in kinds if s[1]}
        found = set()
        for message in find_layouts([world.capture]):
            for field in message.fields:
                at = seen(message.key.identifier, field.layout)
                found.add(at)
                sure.append((field.layout_confidence, at in wanted))
                if field.kind in ("counter", "checksum", "mux") and kinds.get(at) != field.kind:
                    wrong_exact += 1
        block = {
            seen(m["id"], Layout(s["start"], s["length"], s["byte_order"]))
            for m in flip_rate.flip_rate_json(world.capture)["messages"]
            for s in m["signals"]
        }
        ours.append(f1(found, wanted))
        theirs.append(f1(block, wanted))
        print(f"seed {seed}: F1 {ours[-1]:.3f}, flip-rate cut {theirs[-1]:.3f}")
    print(f"mean F1 {np.mean(ours):.3f} (least {min(ours):.3f}), flip-rate cut {np.mean(theirs):.3f}")
    print(f"false counters, checksums and multiplexers: {wrong_exact}")
    table = np.array(sure)
    for low, high in ((0.0, 0.5), (0.5, 0.8), (0.8, 0.95), (0.95, 1.01)):
        rows = table[(table[:, 0] >= low) & (table[:, 0] < high)]
        if len(rows):
            print(f"confidence {low:.2f} to {min(high, 1):.2f}: {len(rows):5d} fields, {rows[:, 1].mean():.3f} true")
    print(f"{time.perf_counter() - begin:.1f} s in all")


if __name__ == "__main__":
    main()
