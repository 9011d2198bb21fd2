"""Benchmark: an hour of two 500 kbit/s buses at 60 % load with the demo's translator between them, in simulated time.

    python tests/benchmarks/bus_simulation.py [SECONDS]

The demo's recordings are repeated, and frames of invented other modules fill the buses up to the load. Prints frames,
seconds and the ratio to real time. SECONDS (of bus time, 3600 by default) makes it shorter.
"""

from __future__ import annotations

import os
import platform
import sys
import time
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from swapbridge.capture.capture import Capture
from swapbridge.compiler.compile import compile_bridge
from swapbridge.compiler.load_maps import load_maps
from swapbridge.demo.folder import DONOR_RUNNING, HOST_RUNNING, demo_recordings, write_demo_papers
from swapbridge.language.reading import load_bridge
from swapbridge.plan.python.translator import Translator
from swapbridge.proving.bench.bench import set_up, simulate
from swapbridge.proving.bench.traffic import Rates, Traffic, traffic_from

LOAD = 0.6
SECOND_NS = 1_000_000_000


def filled(capture: Capture, seconds: int, rng: np.random.Generator) -> tuple[Traffic, int]:
    """A recording repeated for so long, and other modules' frames up to the load."""
    rates = Rates(500_000)
    length = int(capture.time_ns[-1] - capture.time_ns[0]) + SECOND_NS
    times = seconds * SECOND_NS // length + 1
    begin = int(capture.time_ns[0])
    shift = np.repeat(np.arange(times, dtype=np.int64) * length, len(capture))
    rows = np.tile(np.arange(len(capture)), times)
    repeated = replace(capture.select(rows), time_ns=capture.time_ns[rows] - begin + shift)
    repeated = repeated.select(repeated.time_ns < seconds * SECOND_NS)
    own = traffic_from(repeated, rates)
    missing = LOAD - own.load(0, seconds * SECOND_NS)
    count = int(missing * seconds * 500_000 / 124)
    others = np.sort(rng.integers(0, seconds * SECOND_NS, count))
    taken = set(np.unique(capture.identifier).tolist())
    free = np.array([i for i in range(0x100, 0x7FF) if i not in taken][::7], np.uint32)
    both = Capture(
        time_ns=np.concatenate([repeated.time_ns, others]),
        identifier=np.concatenate([repeated.identifier, free[rng.integers(0, len(free), count)]]),
        flags=np.zeros(len(repeated) + count, np.uint8),
        bus=np.zeros(len(repeated) + count, np.uint8),
        length=np.concatenate([repeated.length, np.full(count, 8, np.uint8)]),
        payload=np.concatenate([repeated.payload, rng.integers(0, 256, (count, 8), dtype=np.uint8)]),
    )
    return traffic_from(both, rates, 0), len(both)


def main() -> None:
    """Run and print."""
    seconds = int(sys.argv[1]) if len(sys.argv) > 1 else 3600
    rng = np.random.default_rng(5)
    recordings = dict(demo_recordings())
    with TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "signal_maps").mkdir()
        write_demo_papers(folder)
        bridge = load_bridge(folder / "bridge.toml")
        plan = compile_bridge(bridge, load_maps(bridge)).plan
    captures = {"donor": recordings[DONOR_RUNNING].capture, "host": recordings[HOST_RUNNING].capture}
    bench = set_up(plan, captures)
    began = time.process_time()
    traffic, frames = [], 0
    for bus in plan.buses:
        sent = {s.word for s in plan.sends if plan.buses[s.bus].name == bus.name}
        capture = captures[bus.name]
        capture = capture.select(~np.isin(capture.identifier, list(sent)))
        one, count = filled(capture, seconds, rng)
        traffic.append(one)
        frames += count
    prepared = time.process_time() - began
    until = seconds * SECOND_NS
    bench = replace(bench, traffic=tuple(traffic), until_ns=until)
    began, wall = time.process_time(), time.perf_counter()
    run = simulate(bench, lambda: Translator(plan), record=False)
    took, wall = time.process_time() - began, time.perf_counter() - wall
    loads = ", ".join(f"{b.name} {100 * t.load(0, until):.0f} %" for b, t in zip(plan.buses, traffic, strict=True))
    total = frames + run.device.sent_count
    print(f"{seconds:,} s of two 500 kbit/s buses ({loads} before the translator): {total:,} frames")
    print(f"columns and lengths: {prepared:.1f} s CPU; simulation: {took:.1f} s CPU ({wall:.1f} s elapsed)")
    print(f"{total / took:,.0f} frames/s; {seconds / took:,.0f} times real time; {run.device.polls:,} polls")
    print(f"an hour at this pace: {(prepared + took) * 3600 / seconds:.0f} s on one core (target 90 s)")
    print(f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}")


if __name__ == "__main__":
    main()
