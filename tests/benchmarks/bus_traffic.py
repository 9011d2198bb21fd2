"""Benchmarks: invented traffic of loaded buses, made in columns, and the facts of the machine.

Each bus carries identifiers of periods 5 to 1000 ms whose payloads hold walks, levels, flags, a rolling counter and a
sum; times jitter a little. `minutes_of_bus` gives it a minute at a time, so that an hour needs no room.
"""

from __future__ import annotations

import os
import platform
from collections.abc import Iterator
from typing import Any

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import Capture

PERIODS_MS = (5, 10, 10, 10, 10, 20, 20, 20, 20, 20, 50, 50, 50, 100, 100, 100, 100, 200, 500, 1000)


def machine() -> str:
    """Processor, cores, Python and numpy."""
    model = platform.machine()
    try:
        with open("/proc/cpuinfo", encoding="utf-8") as file:
            model = next(line.split(":")[1].strip() for line in file if line.startswith("model name"))
    except (OSError, StopIteration):
        pass
    versions = f"Python {platform.python_version()}, numpy {np.__version__}"
    return f"machine: {model}, {os.cpu_count()} cores, {versions}"


def minutes_of_bus(
    frames: int, *, buses: int = 1, identifiers: int = 60, frames_a_second: int = 4000, seed: int = 8
) -> Iterator[Capture]:
    """About `frames` frames, in blocks of a minute of all buses together; the last block is cut to fit."""
    rng = np.random.default_rng(seed)
    words = np.stack([np.sort(rng.permutation(0x700)[:identifiers]) for _ in range(buses)]).astype(np.uint32) + 0x20
    periods = np.array([[PERIODS_MS[i % len(PERIODS_MS)] for i in range(identifiers)] for _ in range(buses)]) / 1000.0
    periods *= (1 / periods).sum(axis=1, keepdims=True) / frames_a_second
    done = minute = 0
    while done < frames:
        block = _minute(rng, words, periods, minute)
        block = block.select(slice(0, frames - done))
        done += len(block)
        minute += 1
        yield block


def capture_of(frames: int, *, buses: int = 1, identifiers: int = 60, seed: int = 8) -> Capture:
    """The same as one capture."""
    blocks = list(minutes_of_bus(frames, buses=buses, identifiers=identifiers, seed=seed))
    names = ("time_ns", "identifier", "flags", "bus", "length", "payload")
    columns: dict[str, Any] = {name: np.concatenate([getattr(block, name) for block in blocks]) for name in names}
    return Capture(**columns, bus_names=blocks[0].bus_names, source="invented")


def _minute(
    rng: np.random.Generator, words: npt.NDArray[np.uint32], periods: npt.NDArray[np.float64], minute: int
) -> Capture:
    times, identifiers, bus, payloads = [], [], [], []
    for number in range(len(words)):
        for word, period in zip(words[number].tolist(), periods[number].tolist(), strict=True):
            count = int(60 / period)
            time = (np.arange(count) + rng.uniform(-0.1, 0.1, count)) * (period * 1e9) + minute * 60e9
            payload = np.zeros((count, 8), np.uint8)
            walk = np.cumsum(rng.integers(-20, 21, count)) & 0xFFFF
            payload[:, 0], payload[:, 1] = walk >> 8, walk & 0xFF
            payload[:, 2] = (np.cumsum(rng.integers(-1, 2, count)) >> 2) & 0xFF
            payload[:, 3] = word & 0xFF
            payload[:, 4] = (np.arange(count) // 700) & 3
            payload[:, 5] = rng.integers(0, 4, count)
            payload[:, 6] = np.arange(count) & 15
            payload[:, 7] = payload.sum(axis=1) & 0xFF
            times.append(time)
            identifiers.append(np.full(count, word, np.uint32))
            bus.append(np.full(count, number, np.uint8))
            payloads.append(payload)
    time_ns = np.concatenate(times)
    order = np.argsort(time_ns)
    zeros = np.zeros(len(order), np.uint8)
    return Capture(
        time_ns=1_700_000_000_000_000_000 + (time_ns[order] // 1000).astype(np.int64) * 1000,
        identifier=np.concatenate(identifiers)[order],
        flags=zeros,
        bus=np.concatenate(bus)[order],
        length=zeros + np.uint8(8),
        payload=np.concatenate(payloads)[order],
        bus_names=tuple(f"can{i}" for i in range(len(words))),
    )
