"""Invented swaps that nobody tuned on: what a draft reproduces of an unseen drive, beside the most common payload.

    python -m tests.benchmarks.draft_worlds [--worlds 4] [--first 100] [--hard] [--varied] [--list]

The peer repeats each absent message's most common recorded payload. `--hard` takes recordings with lost frames, gaps in
the stimulus, and a scan tool in other units; `--varied` draws lengths, integrity, signs and what the scan tool tells
anew in each world. `--list` names every field that was not reproduced.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from dataclasses import replace
from pathlib import Path

from tests.drafting.judged import FieldVerdict, compiled, drafted, judge, repeated
from tests.drafting.worlds import Awkward, world

SURE = 0.95


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--worlds", type=int, default=4)
    parser.add_argument("--first", type=int, default=100)
    parser.add_argument("--hard", action="store_true")
    parser.add_argument("--varied", action="store_true")
    parser.add_argument("--list", action="store_true")
    args = parser.parse_args()
    hard = Awkward(lost=0.2, gaps=True, imperial=True) if args.hard else Awkward()
    awkward = replace(hard, varied=args.varied)
    every: list[FieldVerdict] = []
    print(
        f"{'world':>6} {'reproduced':>12} {'peer':>6} {'torque low':>11} {'request':>8} {'alarms':>7} {'seconds':>8}  "
        "faults"
    )
    for seed in range(args.first, args.first + args.worlds):
        mine = world(seed, awkward)
        begin = time.perf_counter()
        swap, made = drafted(mine)
        seconds = time.perf_counter() - begin
        with tempfile.TemporaryDirectory() as folder:
            verdict = judge(mine, made, compiled(swap, made, Path(folder)))
        moving, peer = verdict.moving, repeated(mine)
        every += moving
        share = sum(f.made for f in moving) / len(moving)
        print(
            f"{seed:>6} {sum(f.made for f in moving):>4}/{len(moving)} {share:.3f} {peer:>6.3f} "
            f"{verdict.torque_low:>11.4f} {verdict.request_false:>8.4f} {verdict.alarms_missed:>7.3f} {seconds:>8.1f}  "
            f"{'; '.join(verdict.faults) or '-'}"
        )
        for one in moving:
            if args.list and not one.made:
                print(f"       {one.bus} {one.identifier:03X} {one.name} ({one.cls}) {one.share:.2f}: {one.words[:90]}")
    sure = [f for f in every if f.claimed >= SURE]
    right = [f for f in every if f.made]
    print(f"claims at {SURE} and up that are right: {sum(f.made for f in sure)} of {len(sure)}")
    print(f"right ones that are that sure: {sum(f.claimed >= SURE for f in right)} of {len(right)}")


if __name__ == "__main__":
    main()
