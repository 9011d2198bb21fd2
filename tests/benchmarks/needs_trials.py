"""Trials that find what a module needs: how often exactly, and how many, against one thing after the other.

    python -m tests.benchmarks.needs_trials [seeds]

14 messages with 200 bits of which one to three and at most five are needed, up to two more let the module watch, one
answer in twenty is wrong. Targets: found exactly in 95 % of 200 seeds, with at most half the trials of one by one.
"""

from __future__ import annotations

import sys

from swapbridge.asking.trials.needs_plan import NeedsPlan, TrialMethod
from tests.asking.trials.waiting import found, module, run


def measure(method: TrialMethod, seeds: int) -> tuple[int, float]:
    right = trials = 0
    for seed in range(seeds):
        messages, waiting = module(seed)
        plan = NeedsPlan(messages, method=method, seed=seed)
        trials += run(plan, waiting)
        right += found(plan) == (waiting.enabling, waiting.bits)
    return right, trials / seeds


def main() -> int:
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    right, trials = measure("auto", seeds)
    right_alone, alone = measure("one by one", seeds)
    print(f"found exactly: {right} of {seeds} in groups, {right_alone} one by one")
    print(f"trials each: {trials:.0f} in groups, {alone:.0f} one by one: {trials / alone:.2f} times as many")
    return 0


if __name__ == "__main__":
    sys.exit(main())
