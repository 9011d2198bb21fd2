"""Layouts that nobody tuned on: what is found of invented vehicles, and every miss and false find by its cause.

    python -m tests.benchmarks.guess_planted [--vehicles 20] [--first 1000] [--maps FOLDER] [--list] [--plain]

`--maps` takes the layouts from a folder of open signal maps; without it they are drawn at random. `--plain` takes the
smoother traffic of the tests (`tests.guessing.planted`). What counts is what anyone could see: bits that change, and
fields that change six times or more.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter as Tally
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import Capture
from swapbridge.core.layout import Layout
from swapbridge.guessing.executors import open_executor
from swapbridge.guessing.guess import find_layouts
from tests.benchmarks.flip_rate import flip_rate_json
from tests.benchmarks.vehicles import Field, Vehicle, invent
from tests.guessing.planted import plant

FEW = 6
EXACT = ("counter", "checksum", "mux")


class Guessed(NamedTuple):
    """One field of a guess."""

    kind: str
    layout: Layout
    page: int | None
    confidence: float
    words: str


@dataclass
class Told:
    """What a guess of one vehicle is worth."""

    found: Tally[str] = field(default_factory=Tally)
    of: Tally[str] = field(default_factory=Tally)
    false: Tally[str] = field(default_factory=Tally)
    right: int = 0
    guessed: int = 0
    stated: list[tuple[str, float, bool]] = field(default_factory=list)
    lines: list[str] = field(default_factory=list)

    @property
    def f1(self) -> float:
        """Harmonic mean of precision and recall."""
        recall = sum(self.found.values()) / max(1, sum(self.of.values()))
        precision = self.right / max(1, self.guessed)
        return 2 * precision * recall / (precision + recall) if precision + recall else 0.0


def _raw(bits: npt.NDArray[np.uint8], layout: Layout) -> npt.NDArray[np.int64]:
    out = np.zeros(len(bits), np.int64)
    for weight, p in enumerate(layout.positions):
        out |= bits[:, p].astype(np.int64) << min(weight, 62)
    return out


def words_of(layout: Layout) -> str:
    """A layout in brief."""
    return f"{layout.start}|{layout.length}@{layout.byte_order[0]}"


def compare(capture: Capture, truth: dict[int, list[Field]], guessed: dict[int, list[Guessed]]) -> Told:
    """Score one guess: fields by the bits of them that change, in the frames that they stand in."""
    told = Told()
    for key, rows in capture.groups():
        fields = truth.get(key.identifier, [])
        if len(rows) < 20 or not fields:
            continue
        bits = np.unpackbits(capture.payload[rows], axis=1, bitorder="little")
        everywhere = np.ones(len(bits), bool)
        mux = next((f for f in fields if f.kind == "mux"), None)
        select = _raw(bits, mux.layout) if mux is not None else None

        def seen(layout: Layout, mask: npt.NDArray[np.bool_], bits: npt.NDArray[np.uint8] = bits) -> tuple[Any, int]:
            part = bits[mask]
            if len(part) < 2:
                return (), 0
            own = part[:, list(layout.positions)]
            active = tuple(p for p, a in zip(layout.positions, (own != own[:1]).any(axis=0), strict=True) if a)
            return active, int((own[1:] != own[:-1]).any(axis=1).sum())

        wanted: dict[tuple[Any, bytes], Field] = {}
        quiet: list[tuple[set[int], npt.NDArray[np.bool_]]] = []
        masks = [everywhere]
        for f in fields:
            mask = everywhere if f.page is None or select is None else select == f.page
            active, changes = seen(f.layout, mask)
            masks.append(mask)
            if active and changes < FEW and f.kind not in EXACT:
                quiet.append((set(active), mask))
            elif active:
                wanted[active, mask.tobytes()] = f
        mine = guessed.get(key.identifier, [])
        own_mux = next((g for g in mine if g.kind == "mux"), None)
        own_select = _raw(bits, own_mux.layout) if own_mux is not None else None
        got: dict[tuple[Any, bytes], Guessed] = {}
        name = f"{key.identifier:X}"
        for g in mine:
            mask = everywhere if g.page is None or own_select is None else own_select == g.page
            for true in masks:
                if (mask ^ true).sum() <= 0.01 * max(1, int(true.sum())):
                    mask = true
                    break
            active, changes = seen(g.layout, mask)
            if not active or g.kind == "constant":
                continue
            if set(active) <= set().union(*(q for q, qm in quiet if (mask & qm).any())):
                continue
            hit = wanted.get((active, mask.tobytes()))
            exact = g.kind in EXACT
            good = hit is not None and (not (exact or hit.kind in EXACT) or hit.kind == g.kind)
            told.guessed += 1
            told.right += hit is not None
            told.stated.append((g.kind if exact else "field", g.confidence, good if exact else hit is not None))
            got[active, mask.tobytes()] = g
            if exact and not good:
                told.false[g.kind] += 1
                told.lines.append(
                    f"FALSE {g.kind} {name} {words_of(g.layout)} {g.confidence:.3f} {g.words};"
                    f" is {_overlapping(fields, g.layout)}; {len(bits)} frames, {changes} changes"
                )
            elif g.confidence >= 0.95 and hit is None:
                told.lines.append(
                    f"WRONG {g.kind} {name} {words_of(g.layout)} {g.confidence:.3f};"
                    f" is {_overlapping(fields, g.layout)}; {len(bits)} frames, {changes} changes"
                )
        for at, f in wanted.items():
            told.of[f.kind] += 1
            found = got.get(at)
            if found is not None and (f.kind not in EXACT or found.kind == f.kind):
                told.found[f.kind] += 1
                continue
            near = [
                f"{g.kind} {words_of(g.layout)}" + (f" when {g.page}" if g.page is not None else "")
                for g in mine
                if set(g.layout.positions) & set(f.layout.positions)
            ]
            mask = everywhere if f.page is None or select is None else select == f.page
            _, changes = seen(f.layout, mask)
            page = f" when {f.page}" if f.page is not None else ""
            told.lines.append(
                f"MISS {f.kind} {name} {words_of(f.layout)}{page}; got {', '.join(near) or 'nothing'};"
                f" {int(mask.sum())} frames, {changes} changes"
            )
    return told


def _overlapping(fields: list[Field], layout: Layout) -> str:
    own = set(layout.positions)
    found = [f"{f.kind} {words_of(f.layout)}" for f in fields if own & set(f.layout.positions)]
    return ", ".join(found[:6]) or "nothing"


def guess_of(vehicle: Vehicle, executor: Any = None) -> dict[int, list[Guessed]]:
    """The layouts that are found, by identifier."""
    out: dict[int, list[Guessed]] = {}
    for message in find_layouts([vehicle.capture], executor=executor):
        for f in message.fields:
            page = None if f.mux is None else f.mux[1]
            words = "" if f.method is None else " ".join(f"{k}={v}" for k, v in f.evidence.items())
            out.setdefault(message.key.identifier, []).append(
                Guessed(f.kind, f.layout, page, f.layout_confidence, words)
            )
    return out


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
    parser.add_argument("--jobs", type=int, default=1)
    args = parser.parse_args()
    begin = time.perf_counter()
    all_told, block = [], []
    with open_executor(jobs=args.jobs, frames=10**6) as executor:
        for seed, vehicle in vehicles(args.first, args.vehicles, args.maps, args.plain):
            told = compare(vehicle.capture, vehicle.truth, guess_of(vehicle, executor))
            all_told.append(told)
            block.append(compare(vehicle.capture, vehicle.truth, block_of(vehicle.capture)).f1)
            habits = " ".join(f"{k}={v}" for k, v in vehicle.habits.items())
            print(f"{seed}: F1 {told.f1:.3f}, flip-rate cut {block[-1]:.3f}; {habits}", flush=True)
            if args.list:
                print("\n".join(f"    {line}" for line in told.lines), flush=True)
    print_summary(all_told, block)
    print(f"{time.perf_counter() - begin:.1f} s in all")


def print_summary(all_told: list[Told], block: list[float]) -> None:
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
