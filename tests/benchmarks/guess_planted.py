"""Layouts that nobody tuned on: F1 of planted random layouts, beside the flip-rate baseline.

python -m tests.benchmarks.guess_planted [--sets 20] [--first 1000]
"""

from __future__ import annotations

import argparse
import time

import numpy as np

from swapbridge.core.layout import Layout
from swapbridge.guessing.guess import find_layouts
from tests.benchmarks.flip_rate import flip_rate_json
from tests.guessing.planted import plant, seen_positions

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
    ours, theirs, sure = [], [], []
    wrong_exact = 0
    begin = time.perf_counter()
    for seed in range(args.first, args.first + args.sets):
        world = plant(seed)
        live = {}
        for key, rows in world.capture.groups():
            payload = world.capture.payload[rows]
            moved = np.bitwise_or.reduce(payload ^ payload[:1], axis=0)
            live[key.identifier] = np.unpackbits(moved, bitorder="little").astype(bool)

        def seen(identifier: int, layout: Layout, live: dict[int, np.ndarray] = live) -> tuple[int, tuple[int, ...]]:
            return identifier, seen_positions(layout, live[identifier])

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
            for m in flip_rate_json(world.capture)["messages"]
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
