"""Benchmark: decoding a capture through a DBC, beside a loop over cantools `decode`, in the same run.

``python tests/benchmarks/decode.py [FRAMES]``: prints frames a second of both, their ratio, and whether the values
were equal to the last bit on the frames that both decoded. Ten messages of five signals each; half of them big
endian, two multiplexed.
"""

from __future__ import annotations

import os
import platform
import sys
import time
from fractions import Fraction
from typing import Any

import cantools
import numpy as np

from swapbridge.capture.capture import Capture
from swapbridge.core.layout import ByteOrder, Layout
from swapbridge.signalmap.dbc_write import format_map
from swapbridge.signalmap.decode import decode_columns
from swapbridge.signalmap.signal_map import MapMessage, MapSignal, SignalMap

TARGET = 25
LOOP_FRAMES = 100_000


def bench_map() -> SignalMap:
    """Ten messages of five signals at a time."""
    messages = []
    for number in range(10):
        big = number % 2 == 1
        order: ByteOrder = "big_endian" if big else "little_endian"
        starts = (7, 23, 39, 55, 51) if big else (0, 16, 32, 48, 52)
        lengths = (16, 16, 16, 4, 12)
        scales = ("0.25", "0.0078125", "0.1", "1", "0.03937")
        signals = [
            MapSignal(
                f"S{i}", Layout(starts[i], lengths[i], order, i == 2), Fraction(scales[i]), Fraction(-40 * (i == 1))
            )
            for i in range(5)
        ]
        if number >= 8:
            signals[3] = MapSignal("S3", Layout(starts[3], 4, order), is_multiplexer=True)
            halves = (tuple(range(8)), tuple(range(8, 16)))
            signals[0] = MapSignal("S0", Layout(starts[0], 16, order), mux_signal="S3", mux_values=halves[0])
            signals.append(MapSignal("S5", Layout(starts[0], 8, order), mux_signal="S3", mux_values=halves[1]))
        messages.append(MapMessage(f"M{number}", 0x100 + 16 * number, False, 8, tuple(signals)))
    return SignalMap(tuple(messages))


def bench_capture(frames: int) -> Capture:
    random = np.random.default_rng(8)
    return Capture(
        time_ns=np.arange(frames, dtype=np.int64) * 250_000,
        identifier=(0x100 + 16 * random.integers(0, 10, frames)).astype(np.uint32),
        flags=np.zeros(frames, dtype=np.uint8),
        bus=np.zeros(frames, dtype=np.uint8),
        length=np.full(frames, 8, dtype=np.uint8),
        payload=random.integers(0, 256, (frames, 8), dtype=np.uint8),
    )


def cantools_loop(capture: Capture, text: str) -> tuple[float, dict[tuple[str, str], list[float]]]:
    """The loop a person would write; seconds, and what it found."""
    database: Any = cantools.database.load_string(text, "dbc")
    rows = [(int(i), p.tobytes()) for i, p in zip(capture.identifier, capture.payload, strict=True)]
    out: dict[tuple[str, str], list[float]] = {}
    begin = time.perf_counter()
    for identifier, data in rows:
        message = database.get_message_by_frame_id(identifier)
        for name, value in message.decode(data, decode_choices=False).items():
            out.setdefault((message.name, name), []).append(value)
    return time.perf_counter() - begin, out


def main() -> None:
    frames = int(sys.argv[1]) if len(sys.argv) > 1 else 2_000_000
    signal_map = bench_map()
    capture = bench_capture(frames)
    text = format_map(signal_map)
    some = capture.select(slice(0, LOOP_FRAMES))
    loop_s, theirs = min((cantools_loop(some, text) for _ in range(3)), key=lambda pair: pair[0])
    ours_s = float("inf")
    for _ in range(5):
        begin = time.perf_counter()
        decode_columns(capture, signal_map)
        ours_s = min(ours_s, time.perf_counter() - begin)
    ours = decode_columns(some, signal_map)
    equal = set(ours) == set(theirs) and all(
        np.array_equal(column.values.view(np.uint64), np.array(theirs[key], dtype=np.float64).view(np.uint64))
        for key, column in ours.items()
    )
    loop_rate, our_rate = LOOP_FRAMES / loop_s, frames / ours_s
    values = sum(len(column.values) for column in ours.values()) / LOOP_FRAMES
    print(f"machine: {platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}")
    print(f"frames of {values:.1f} signals; equal to the last bit: {equal}")
    print(f"loop over cantools decode:  {loop_rate / 1e6:8.2f} million frames/s ({LOOP_FRAMES:,} frames, best of 3)")
    print(f"decode_columns:             {our_rate / 1e6:8.2f} million frames/s ({frames:,} frames, best of 5)")
    print(f"ratio {our_rate / loop_rate:.1f} (target {TARGET})")


if __name__ == "__main__":
    main()
