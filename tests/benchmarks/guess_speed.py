"""Time and memory of guessing, and its growth, beside the flip-rate cut and python-can's read of the same frames.

python -m tests.benchmarks.guess_speed [--frames 200000] [--jobs 2]

The ratio is one of processor time in one process: python-can reads the log again whenever a tenth of the identifiers
is done, so that both meet the same machine, and the middle one of these reads counts.
"""

from __future__ import annotations

import argparse
import os
import platform
import resource
import statistics
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
READS = 10


def traffic(frames: int) -> Capture:
    """Sixty identifiers of planted layouts, repeated end to end until there are enough frames."""
    capture: Capture = plant(1, messages=IDENTIFIERS, frames=frames // IDENTIFIERS).capture
    return capture


def ratio_to_peer(capture: Capture) -> str:
    """Processor time of a guess in multiples of python-can's read of the same log, which is read between its parts."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "traffic.log"
        write_capture(capture, path)
        reads: list[float] = []

        def read_again(done: float, _: str) -> None:
            if done * READS >= len(reads):
                begin = time.process_time()
                for _message in can.LogReader(path):
                    pass
                reads.append(time.process_time() - begin)

        read_again(0.0, "")
        begin = time.process_time()
        guess(capture, progress=read_again)
        own = time.process_time() - begin - sum(reads[1:])
    middle = statistics.median(reads)
    return (
        f"{own / middle:.1f} times python-can's read of the same log ({own:.1f} s of processor time against the middle"
        f" one of {len(reads)} reads, {middle:.2f} s; by the quickest and slowest of them {own / max(reads):.1f} to"
        f" {own / min(reads):.1f})"
    )


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
            begin = time.perf_counter()
            guess(capture, executor=executor)
            times.append(time.perf_counter() - begin)
        print(f"{len(capture):,} frames, {IDENTIFIERS} identifiers: {times[-1]:.1f} s, flip-rate cut {baseline:.2f} s")
        if frames == args.frames:
            print(ratio_to_peer(capture), flush=True)
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
