"""Benchmark: an hour of both buses, 30 million frames: read, survey and decode in under 60 s and 4 GB on two cores.

``python -m tests.benchmarks.hour [FRAMES] [--guess]``: the traffic is invented a minute at a time and written as a text
log to a temporary folder (1.4 GB; not timed); then each step is timed by the clock in one process, with the most memory
that it ever held. Reading again from Parquet is timed too. ``--guess`` adds a guess over all of it as the command does
it, on all cores, beside the read of this run (target 4.5 times its seconds, under 2 GB).
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from fractions import Fraction
from pathlib import Path

import numpy as np

from swapbridge.capture.capture import Capture
from swapbridge.capture.convert import convert
from swapbridge.capture.read import read_capture
from swapbridge.capture.write import write_captures
from swapbridge.core.layout import Layout
from swapbridge.guessing.executors import open_executor
from swapbridge.guessing.guess import guess
from swapbridge.signalmap.decode import decode_columns
from swapbridge.signalmap.signal_map import MapMessage, MapSignal, SignalMap
from swapbridge.surveying.inventory import survey
from swapbridge.surveying.survey_result import Survey
from tests.benchmarks.bus_traffic import machine, minutes_of_bus

SECONDS_TARGET, GIGABYTES_TARGET = 60, 4
GUESS_READS_TARGET, GUESS_GIGABYTES_TARGET = 4.5, 2
"""How many times the read's seconds a guess may take, and what it may hold."""


def map_of(found: Survey, bus: str) -> SignalMap:
    """A map with two signals for every identifier of one bus: its walk and its level."""
    signals = (
        MapSignal("Walk", Layout(7, 16, "big_endian"), Fraction(1, 4)),
        MapSignal("Level", Layout(16, 8), Fraction(1), Fraction(-40)),
    )
    messages = [
        MapMessage(f"M{one.identifier:X}", one.identifier, one.extended, 8, signals)
        for one in found.identifiers
        if one.bus == bus
    ]
    return SignalMap(tuple(messages))


def peak() -> float:
    """Most gigabytes that this process ever held."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6


def now() -> tuple[float, float]:
    """Seconds by the clock, and of this process's processor time (less of it where other work holds the cores)."""
    return time.perf_counter(), time.process_time()


def decode(capture: Capture, found: Survey) -> int:
    """Values decoded, a bus at a time, as a map is for one bus."""
    values = 0
    for bus in found.buses:
        columns = decode_columns(capture, map_of(found, bus.name), bus=bus.name)
        values += sum(len(column.values) for column in columns.values())
    return values


def main() -> None:
    numbers = [argument for argument in sys.argv[1:] if argument.isdecimal()]
    frames = int(numbers[0]) if numbers else 30_000_000
    print(machine())
    with tempfile.TemporaryDirectory() as folder:
        path, parquet = Path(folder) / "hour.log", Path(folder) / "hour.parquet"
        write_captures(minutes_of_bus(frames, buses=2, frames_a_second=4167), path)
        print(f"{frames:,} frames, {path.stat().st_size / 1e9:.2f} GB of text; {peak():.1f} GB held to make it")
        total = 0.0

        processor = 0.0

        def timed(name: str, begin: tuple[float, float]) -> float:
            nonlocal total, processor
            seconds, busy = time.perf_counter() - begin[0], time.process_time() - begin[1]
            total, processor = total + seconds, processor + busy
            print(f"{name:8} {seconds:6.1f} s ({busy:.1f} s of processor), at most {peak():.1f} GB so far", flush=True)
            return seconds

        begin = now()
        capture = read_capture(path)
        read_s = timed("read", begin)
        begin = now()
        found = survey(capture)
        timed("survey", begin)
        begin = now()
        values = decode(capture, found)
        timed("decode", begin)
        print(f"together {total:6.1f} s (target {SECONDS_TARGET}), {processor:.1f} s of processor")
        print(
            f"held {peak():.1f} GB (target {GIGABYTES_TARGET}); {len(found.identifiers)} identifiers, {values:,} values"
        )
        if "--guess" in sys.argv:
            begin, before = now(), resource.getrusage(resource.RUSAGE_CHILDREN)
            with open_executor(frames=len(capture)) as executor:
                findings = guess(capture, None, executor=executor)
            seconds, own = now()[0] - begin[0], now()[1] - begin[1]
            children = resource.getrusage(resource.RUSAGE_CHILDREN)
            busy = own + children.ru_utime + children.ru_stime - before.ru_utime - before.ru_stime
            print(
                f"guess    {seconds:6.1f} s ({busy:.1f} s of processor), {seconds / read_s:.1f} times the read (target "
                f"{GUESS_READS_TARGET}), {len(findings.messages)} messages; at most {peak():.2f} GB here (target "
                f"{GUESS_GIGABYTES_TARGET}), {children.ru_maxrss / 1e6:.2f} GB in the largest worker",
                flush=True,
            )
        del capture
        begin = now()
        convert(path, parquet)
        print(f"convert to Parquet {now()[0] - begin[0]:.1f} s, {parquet.stat().st_size / 1e9:.2f} GB")
        begin = now()
        again = read_capture(parquet)
        print(f"read that {now()[0] - begin[0]:.1f} s: {np.count_nonzero(again.is_data):,} frames")


if __name__ == "__main__":
    main()
