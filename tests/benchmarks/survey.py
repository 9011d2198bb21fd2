"""Benchmark: `survey` of a million frames, beside a straightforward polars group-by script, in the same run.

``python -m tests.benchmarks.survey [FRAMES]``: the script is what one writes in ten minutes: group by identifier;
count, first, last, quantiles of the gaps, distinct payloads, flips of every bit; and the load by second from the usual
rule of thumb for stuffing. `survey` gives the same and exact lengths, sleep, ways of sending and hints besides. The
times are by the wall clock, with polars on all cores.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

import numpy as np
import polars as pl

from swapbridge.capture.capture import Capture
from swapbridge.surveying.frame_bits import frame_lengths_in_bits
from swapbridge.surveying.inventory import survey
from tests.benchmarks.bus_traffic import capture_of, machine

TARGET = 3


def best(work: Callable[[], object], rounds: int) -> float:
    """Seconds by the clock of the best of several rounds."""
    times = []
    for _ in range(rounds):
        begin = time.perf_counter()
        work()
        times.append(time.perf_counter() - begin)
    return min(times)


def script(frame: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The peer."""
    gap = pl.col("time_ns").diff()
    changed = pl.col("payload") ^ pl.col("payload").shift(1)
    inventory = frame.group_by("bus", "identifier", "flags").agg(
        pl.len().alias("frames"),
        pl.col("time_ns").min().alias("first"),
        pl.col("time_ns").max().alias("last"),
        gap.quantile(0.05).alias("p5"),
        gap.median().alias("period"),
        gap.quantile(0.95).alias("p95"),
        gap.max().alias("worst"),
        pl.col("length").min().alias("shortest"),
        pl.col("length").max().alias("longest"),
        pl.col("payload").n_unique().alias("distinct"),
        *(((changed & pl.lit(1 << bit, pl.UInt64)) != 0).sum().alias(f"flips_{bit}") for bit in range(64)),
    )
    load = frame.group_by("bus", (pl.col("time_ns") // 1_000_000_000).alias("second")).agg(
        ((47 + 8 * pl.col("length")) * 1.1).sum() / 500_000
    )
    return inventory, load


def frame_of(capture: Capture) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "time_ns": capture.time_ns,
            "identifier": capture.identifier,
            "flags": capture.flags,
            "bus": capture.bus,
            "length": capture.length,
            "payload": capture.payload.view(np.uint64)[:, 0],
        }
    )


def main() -> None:
    frames = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    print(machine())
    capture = capture_of(frames, buses=2)
    frame = frame_of(capture)
    inventory, _ = script(frame)
    found = survey(capture)
    flips = {(row["bus"], row["identifier"]): row for row in inventory.iter_rows(named=True)}
    for one in found.identifiers:
        row = flips[capture.bus_names.index(one.bus), one.identifier]
        assert (one.frames, one.distinct) == (row["frames"], row["distinct"])
        assert one.flips.tolist() == [row[f"flips_{bit}"] for bit in range(64)]
        assert abs(one.period_ms * 1e6 - row["period"]) < 0.01 * row["period"]
    theirs, ours = best(lambda: script(frame), 5), best(lambda: survey(capture), 5)
    bits = best(lambda: frame_lengths_in_bits(capture), 5)
    print(f"polars script  {theirs * 1e3:8.0f} ms for {frames:,} frames, {len(inventory)} identifiers")
    print(f"survey         {ours * 1e3:8.0f} ms, ratio {theirs / ours:.1f} (target {TARGET}), same counts and flips")
    print(f"frame lengths  {bits * 1e9 / frames:8.0f} ns a frame of that")


if __name__ == "__main__":
    main()
