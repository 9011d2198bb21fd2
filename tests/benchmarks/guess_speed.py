"""Time and memory of guessing, and its growth, beside the flip-rate cut and python-can's read of the same frames.

python -m tests.benchmarks.guess_speed [--frames 200000] [--jobs 2]
"""

from __future__ import annotations

import argparse
import os
import platform
import resource
import tempfile
import time
from pathlib import Path

import can

from swapbridge.capture.capture import Capture
from swapbridge.capture.write import write_capture
from swapbridge.guessing.executors import open_executor
from swapbridge.guessing.guess import guess
from tests.benchmarks.flip_rate import flip_rate_json
from tests.guessing.planted import plant

IDENTIFIERS = 60


def traffic(frames: int) -> Capture:
    """Sixty identifiers of planted layouts, repeated end to end until there are enough frames."""
    capture: Capture = plant(1, messages=IDENTIFIERS, frames=frames // IDENTIFIERS).capture
    return capture


def read_by_peer(capture: Capture) -> float:
    """Seconds that python-can takes to read the same frames from a text log."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "traffic.log"
        write_capture(capture, path)
        begin = time.perf_counter()
        for _ in can.LogReader(path):
            pass
        return time.perf_counter() - begin


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=200_000)
    parser.add_argument("--jobs", type=int, default=None)
    args = parser.parse_args()
    print(f"{platform.processor() or platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}")
    times = []
    for frames in (args.frames, 10 * args.frames):
        capture = traffic(frames)
        begin = time.perf_counter()
        flip_rate_json(capture)
        baseline = time.perf_counter() - begin
        with open_executor(jobs=args.jobs, frames=frames) as executor:
            begin, cpu = time.perf_counter(), time.process_time()
            guess(capture, executor=executor)
            times.append(time.perf_counter() - begin)
            cpu = time.process_time() - cpu
        print(f"{times[-1] / read_by_peer(capture):.1f} times python-can's read of the same log")
        print(
            f"{len(capture):,} frames, {IDENTIFIERS} identifiers: {times[-1]:.1f} s (here {cpu:.1f} s of processor),"
            f" flip-rate cut {baseline:.2f} s"
        )
    identifier = int(capture.identifier[0])
    begin = time.perf_counter()
    guess(capture, ids={(identifier, False)})
    print(f"one identifier of the last: {time.perf_counter() - begin:.2f} s")
    print(f"growth for ten times the frames: {times[1] / times[0]:.2f}")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    child = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    print(f"peak memory {peak:,.0f} MB here, {child:,.0f} MB in the largest worker")


if __name__ == "__main__":
    main()
