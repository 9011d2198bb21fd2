"""Counters and checks by family: every formula a maker may write, planted in random traffic and judged on later frames.

    python -m tests.benchmarks.guess_checks [--each 4] [--first 20000] [--only WORDS ...] [--list] [--claims OUT.json]

Each family has vehicles of its own (`vehicles.invent`, the family given, all else drawn). What is guessed of the first
seven tenths of a recording is judged: fields by their place, and a check's method on the frames that follow, as far as
no bit moves there that the method says it was not verified for.
"""

from __future__ import annotations

import argparse
import json
from collections import Counter as Tally
from pathlib import Path

import numpy as np

from swapbridge.capture.capture import Capture
from swapbridge.core.errors import InputError
from swapbridge.core.integrity import checksum_from_dict
from tests.benchmarks.judging import EXACT, Comparison, Guessed, compare, guess_of
from tests.benchmarks.seals import FORMULAS, RARE
from tests.benchmarks.vehicles import invent

SURE = 0.95
COUNTERS: dict[str, dict[str, object]] = {
    "counts down": {"step": -1},
    "counts by three": {"step": 3},
    "counts by five": {"step": 5},
    "one short": {"one short": True},
    "skips zero": {"skips zero": True},
    "every second frame": {"every": 2},
    "every fourth frame": {"every": 4},
    "a fifth of the frames": {"lost": 0.8},
    "half of the frames": {"lost": 0.5},
}
FAMILIES: dict[str, dict[str, object]] = {
    **{name: {"formula": name} for name in (*FORMULAS, *RARE)},
    **{name: {"formula": "none", "checked": 0.9, "counted": 1.0, **habits} for name, habits in COUNTERS.items()},
}


def until(capture: Capture, share: float) -> tuple[Capture, Capture]:
    """The recording before and after this share of its time."""
    cut = capture.time_ns[0] + int(share * (capture.time_ns[-1] - capture.time_ns[0]))
    early = capture.time_ns <= cut
    return capture.select(early), capture.select(~early)


def holds_later(early: Capture, later: Capture, guessed: dict[int, list[Guessed]]) -> list[tuple[int, Guessed, float]]:
    """Each check that is claimed, and the share of the later frames of which it should and does hold."""
    before = {key.identifier: early.payload[rows] for key, rows in early.groups()}
    out = []
    for key, rows in later.groups():
        for g in guessed.get(key.identifier, []):
            if g.kind != "checksum" or g.method is None:
                continue
            try:
                check = checksum_from_dict(g.method)
            except InputError:
                out.append((key.identifier, g, 0.0))
                continue
            length = int(later.length[rows][0])
            first = before[key.identifier][:1]
            own = sum(1 << p for p in g.layout.positions)
            known = (check.verified_bits or 0) | own
            moved = np.packbits(
                np.array([0 if known >> p & 1 else 1 for p in range(8 * first.shape[1])], np.uint8), bitorder="little"
            )
            still = ((later.payload[rows] ^ first) & moved == 0).all(axis=1)
            judged = [check.holds(row[:length].tobytes()) for row in later.payload[rows][still][:400]]
            if judged:
                out.append((key.identifier, g, float(np.mean(judged))))
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--each", type=int, default=4)
    parser.add_argument("--first", type=int, default=20_000)
    parser.add_argument("--only", nargs="*", default=[])
    parser.add_argument("--list", action="store_true")
    parser.add_argument("--claims", type=Path)
    args = parser.parse_args()
    print(f"{'family':22} {'checks':>8} {'counters':>9} {'pages':>6} {'false':>6} {'sure':>8} {'broken later':>13}")
    totals, claims = Tally[str](), []
    for at, (name, fixed) in enumerate(FAMILIES.items()):
        if args.only and name not in args.only:
            continue
        mine, lines = Tally[str](), []
        for seed in range(args.first + 100 * at, args.first + 100 * at + args.each):
            vehicle = invent(seed, fixed=fixed)
            early, later = until(vehicle.capture, 0.7)
            guessed = guess_of(early)
            told = compare(early, vehicle.truth, guessed)
            count(mine, told)
            claims += [(kind, f"{seed}", *rest) for kind, *rest in told.claims]
            marks = ("FALSE", *(f"MISS {kind}" for kind in EXACT), "WRONG")
            lines += [f"    {seed} ({vehicle.habits['seal']}) {x}" for x in told.lines if x.startswith(marks)]
            for identifier, g, share in holds_later(early, later, guessed):
                mine["later"] += 1
                if share < SURE:
                    mine["broken"] += 1
                    mine["broken and sure"] += g.confidence >= SURE
                    lines.append(
                        f"    {seed} ({vehicle.habits['seal']}) BROKEN {identifier:X} {g.layout} {g.confidence:.3f}"
                        f" {share:.2f} {g.method}"
                    )
        print(row(name, mine), flush=True)
        if args.list:
            print("\n".join(lines), flush=True)
        totals.update(mine)
    print(row("all", totals))
    if args.claims is not None:
        args.claims.write_text(json.dumps(claims))


def count(mine: Tally[str], told: Comparison) -> None:
    """Add what one vehicle's guess is worth."""
    for kind in EXACT:
        mine[f"found {kind}"] += told.found[kind]
        mine[f"of {kind}"] += told.of[kind]
        mine["false"] += told.false[kind]
    for kind, stated, right in told.stated:
        if kind in EXACT and stated >= SURE:
            mine["sure"] += 1
            mine["sure and right"] += right


def row(name: str, t: Tally[str]) -> str:
    """One line of the table."""
    shares = [f"{t[f'found {kind}']}/{t[f'of {kind}']}" for kind in ("checksum", "counter", "mux")]
    sure, broken = f"{t['sure and right']}/{t['sure']}", f"{t['broken and sure']}+{t['broken'] - t['broken and sure']}"
    return (
        f"{name:22} {shares[0]:>8} {shares[1]:>9} {shares[2]:>6} {t['false']:>6} {sure:>8}"
        f" {broken + ' of ' + str(t['later']):>13}"
    )


if __name__ == "__main__":
    main()
