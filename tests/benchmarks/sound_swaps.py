"""Correct swaps, with maps and bridge written from the truth of invented vehicles, and what a proof holds against them.

    python -m tests.benchmarks.sound_swaps [--swaps 3] [--first 500] [--faults none|quick] [--keep FOLDER]

A verdict other than PASSED, and a look or a habit that is not true, is a defect of a judge. `--keep` leaves each swap
in a folder, to prove it by hand.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

from swapbridge.core.errors import SwapbridgeError
from swapbridge.proving.prove import prove
from swapbridge.proving.report.verdict_text import finding_lines
from tests.proving.mistakes import compiled
from tests.proving.true_swaps import true_swap, write_folder


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--swaps", type=int, default=3)
    parser.add_argument("--first", type=int, default=500)
    parser.add_argument("--faults", choices=("none", "quick"), default="none")
    parser.add_argument("--keep", type=Path)
    args = parser.parse_args()
    passed = 0
    for seed in range(args.first, args.first + args.swaps):
        swap, mine = true_swap(seed)
        if args.keep is not None:
            write_folder(swap, mine, args.keep / str(seed))
        begin = time.process_time()
        try:
            with tempfile.TemporaryDirectory() as folder:
                bridge, plan, needs = compiled(swap, Path(folder))
        except SwapbridgeError as error:
            print(f"{seed}: refused: {error}")
            continue
        verdict = prove(
            plan, swap.captures, bridge, swap.maps, needs=needs, unplugged=swap.unplugged, stimuli=swap.stimuli,
            thoroughness=args.faults,
        )  # fmt: skip
        passed += verdict.outcome == "PASSED"
        looks = [verdict.with_status(status) for status in ("fail", "unproved", "warn", "habit")]
        print(
            f"{seed}: {verdict.outcome}, {len(looks[0])} failed, {len(looks[1])} not proved, {len(looks[2])} looks, "
            f"{len(looks[3])} habits, {time.process_time() - begin:.0f} s of processor time"
        )
        for line in finding_lines(verdict, 100):
            if line.startswith("What this did not prove"):
                break
            print(f"  {line}")
    print(f"PASSED: {passed} of {args.swaps}")


if __name__ == "__main__":
    main()
