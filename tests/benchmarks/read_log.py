"""Benchmark: a text log of a million frames into a `Capture`, beside python-can's own reader, in the same run.

``python -m tests.benchmarks.read_log [FRAMES]``: frames a second of both and their ratio, plain and gzip; what a dirty
file costs; the most memory held while reading, in multiples of the columns; and writing, beside python-can's writer.
"""

from __future__ import annotations

import gzip
import os
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from functools import partial
from pathlib import Path

import can

from swapbridge.capture.convert import convert
from swapbridge.capture.read import read_capture
from swapbridge.capture.write import write_capture
from tests.benchmarks.bus_traffic import capture_of, machine

TARGET = 12
MEMORY_TARGET = 3.0


def best(work: Callable[[], object], rounds: int) -> float:
    """Processor seconds of the best of several rounds, processes that were started for it included: what else the
    machine does hardly counts.
    """
    times = []
    for _ in range(rounds):
        begin = _spent()
        work()
        times.append(_spent() - begin)
    return min(times)


def _spent() -> float:
    all_times = os.times()
    return time.process_time() + all_times.children_user + all_times.children_system


def main() -> None:
    frames = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    print(machine())
    capture = capture_of(frames, buses=2)
    columns = sum(
        getattr(capture, name).nbytes for name in ("time_ns", "identifier", "flags", "bus", "length", "payload")
    )
    with tempfile.TemporaryDirectory() as folder:
        plain, zipped, dirty = (Path(folder) / name for name in ("a.log", "a.log.gz", "dirty.log"))
        written = best(lambda: write_capture(capture, plain), 3)
        zipped.write_bytes(gzip.compress(plain.read_bytes(), 6))
        lines = plain.read_bytes().splitlines(keepends=True)
        lines[::100] = [line.replace(b"\n", b" T\r\n") for line in lines[::100]]
        lines[50::1000] = [b"bus error 17\n"] * len(lines[50::1000])
        dirty.write_bytes(b"".join(lines))
        del lines

        def peer(path: Path) -> int:
            with can.LogReader(str(path)) as reader:
                return sum(1 for _ in reader)

        theirs = frames / best(lambda: peer(plain), 2)
        theirs_zipped = frames / best(lambda: peer(zipped), 2)
        print(f"python-can's reader        {theirs / 1e6:7.2f} million frames/s, gzip {theirs_zipped / 1e6:.2f}")
        for name, path, their_rate, target in (
            ("plain", plain, theirs, f"(target {TARGET})"),
            ("gzip", zipped, theirs_zipped, ""),
            ("dirty", dirty, theirs, "(against the clean file)"),
        ):
            rate = frames / best(partial(read_capture, path), 5)
            print(
                f"read_capture, {name:6}   {rate / 1e6:7.2f} million frames/s, ratio {rate / their_rate:.1f} {target}"
            )
        parquet = Path(folder) / "a.parquet"
        convert(plain, parquet)
        rate = frames / best(lambda: read_capture(parquet), 5)
        sizes = [path.stat().st_size / frames for path in (plain, zipped, parquet)]
        print(f"read_capture, Parquet      {rate / 1e6:7.2f} million frames/s")
        print("bytes a frame: text {:.1f}, gzip {:.1f}, Parquet {:.1f}".format(*sizes))
        tracemalloc.start()
        read_capture(plain)
        most = tracemalloc.get_traced_memory()[1] / columns
        tracemalloc.stop()
        print(f"most memory while reading  {most:7.2f} times the columns (target {MEMORY_TARGET})")

        def their_writer() -> None:
            with can.CanutilsLogWriter(str(Path(folder) / "b.log")) as writer:
                for message in can.LogReader(str(plain)):
                    writer.on_message_received(message)

        both = best(their_writer, 1)
        print(f"write_capture              {frames / written / 1e6:7.2f} million frames/s, "
              f"ratio {max(both - frames / theirs, 1e-9) / written:.1f} to python-can's writer")  # fmt: skip


if __name__ == "__main__":
    main()
