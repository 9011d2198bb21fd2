"""Benchmark: `prove` with its fault campaign on the demo's plan: how long, and over how much traffic.

    python tests/benchmarks/prove_campaign.py [quick|full] [python|c] [WORKERS]

Targets: quick under 30 s, full under 10 minutes, on two cores. The peer in the same run is real time: the traffic that
was gone through, in seconds.
"""

from __future__ import annotations

import os
import platform
import sys
import time
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory

from swapbridge.compiler.compile import compile_bridge
from swapbridge.compiler.load_maps import load_maps
from swapbridge.core.needs import load_needs
from swapbridge.demo.folder import DONOR_RUNNING, HOST_RUNNING, HOST_UNPLUGGED, demo_recordings, write_demo_papers
from swapbridge.emit.native import NativeTranslator
from swapbridge.language.reading import load_bridge
from swapbridge.plan.python.translator import Translator
from swapbridge.proving.prove import prove


def main() -> None:
    """Run and print."""
    thoroughness = sys.argv[1] if len(sys.argv) > 1 else "quick"
    engine = sys.argv[2] if len(sys.argv) > 2 else "python"
    workers = int(sys.argv[3]) if len(sys.argv) > 3 else os.cpu_count() or 1
    recordings = dict(demo_recordings())
    with TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "signal_maps").mkdir()
        write_demo_papers(folder)
        bridge = load_bridge(folder / "bridge.toml")
        maps = load_maps(bridge)
        needs = load_needs(folder / "needs.toml")
    plan = compile_bridge(bridge, maps).plan
    began, cpu = time.perf_counter(), os.times()
    verdict = prove(
        plan,
        {"donor": recordings[DONOR_RUNNING].capture, "host": recordings[HOST_RUNNING].capture},
        bridge,
        maps,
        needs=needs,
        stimuli={"donor": recordings[DONOR_RUNNING].stimulus, "host": recordings[HOST_RUNNING].stimulus},
        unplugged={"host": recordings[HOST_UNPLUGGED].capture},
        thoroughness=thoroughness,
        make=partial(NativeTranslator if engine == "c" else Translator, plan),
        workers=workers,
    )
    took, after = time.perf_counter() - began, os.times()
    used = sum(after[i] - cpu[i] for i in range(4))
    traffic = sum(f.seconds for f in verdict.faults)
    counts = verdict.counts()
    print(f"{thoroughness}, {engine} translator, {workers} workers: {took:.1f} s elapsed, {used:.1f} s CPU")
    print(f"{len(verdict.faults)} fault runs over {traffic:,.0f} s of two buses, {traffic / used:.0f} s a CPU second")
    print(f"{verdict.outcome}: {counts['pass']} passed, {counts['warn']} to look at, {counts['fail']} failed")
    for check in verdict.worst:
        if check.status == "fail":
            print(f"FAILED {check.subject}, {check.name}: {check.measured}")
    print(f"load average {os.getloadavg()[0]:.1f}; {platform.machine()}, {os.cpu_count()} cores")


if __name__ == "__main__":
    main()
