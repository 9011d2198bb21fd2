"""Benchmark: random single defects in the demo's plan: how many does `prove` catch, and which survive.

    python -m tests.benchmarks.mutations [HOW_MANY [SEED [WORKERS]]]

Target: of 100 that change what the translator does at least 98 are caught. Survivors are printed as they are
found, with how they differ. The recordings are cut to their first 25 seconds and each fault runs alone, as in the
quick campaign: `prove` with whole recordings and its full campaign sees more. The peer in the same run is the proof
without faults.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from itertools import islice
from multiprocessing import get_context
from pathlib import Path
from tempfile import TemporaryDirectory

from swapbridge.compiler.compile import compile_bridge
from swapbridge.compiler.load_maps import load_maps
from swapbridge.demo.folder import DONOR_RUNNING, HOST_RUNNING, demo_recordings, write_demo_papers
from swapbridge.language.reading import load_bridge
from swapbridge.plan.plan import Plan
from tests.proving.mutations import Hunt, Outcome, begin_hunt, mutants

SECONDS = 25
AT_ONCE = 20
_hunt: list[Hunt] = []


def demo_hunt() -> Hunt:
    """The demo's plan with the beginning of its recordings."""
    with TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "signal_maps").mkdir()
        write_demo_papers(folder)
        bridge = load_bridge(folder / "bridge.toml")
        maps = load_maps(bridge)
    captures = {}
    recordings = dict(demo_recordings())
    for bus, recording in (("donor", DONOR_RUNNING), ("host", HOST_RUNNING)):
        whole = recordings[recording].capture
        captures[bus] = whole.select(whole.time_ns < whole.time_ns[0] + SECONDS * 10**9)
    return begin_hunt(compile_bridge(bridge, maps).plan, bridge, maps, captures)


def _begin(hunt: Hunt) -> None:
    _hunt[:] = [hunt]


def _judge(task: tuple[str, Plan]) -> Outcome:
    return _hunt[0].judge(*task)


def main() -> None:
    """Run and print."""
    wanted, seed, workers = _given()
    began = time.perf_counter()
    hunt = demo_hunt()
    sound = [run for run in hunt.faults.values() if run.status == "fail"]
    print(f"the sound plan fails under {len(sound)} of {len(hunt.faults)} faults")
    outcomes: list[Outcome] = []
    same = 0
    source = mutants(hunt.plan, seed)
    with ProcessPoolExecutor(workers, get_context("spawn"), initializer=_begin, initargs=(hunt,)) as pool:
        while len(outcomes) < wanted:
            for outcome in pool.map(_judge, list(islice(source, AT_ONCE))):
                same += not outcome.differs
                if outcome.differs and len(outcomes) < wanted:
                    outcomes.append(outcome)
                    if not outcome.caught_by:
                        print(f"SURVIVED {outcome.words}: differs {outcome.differs}", flush=True)
            caught = sum(bool(o.caught_by) for o in outcomes)
            print(f"  caught {caught} of {len(outcomes)} so far", file=sys.stderr, flush=True)
    survivors = [o for o in outcomes if not o.caught_by]
    areas = Counter(o.caught_by.split(":")[0] for o in outcomes if o.caught_by)
    print(f"seed {seed}: caught {wanted - len(survivors)} of {wanted} that change what is sent", end="; ")
    print(f"{same} more change nothing; {time.perf_counter() - began:.0f} s, {workers} workers")
    print("caught first by " + ", ".join(f"{area} {count}" for area, count in areas.most_common()))


def _given() -> list[int]:
    return [int(word) for word in (*sys.argv[1:], *("100", "1", "2")[len(sys.argv) - 1 :])]


if __name__ == "__main__":
    main()
