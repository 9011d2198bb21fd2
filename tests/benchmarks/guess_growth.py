"""How guessing grows: processor time with frames, payload length and identifiers, the tables of its room's README.

    python -m tests.benchmarks.guess_growth [TRIES]

One identifier holds 16-bit walks by up to 40 codes a frame; whole guesses are of planted layouts. The least of several
tries counts (3 if not said), since other work on the machine only ever adds.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from functools import partial

import numpy as np

from swapbridge.guessing.coding.bit_columns import BitColumns, make_columns
from swapbridge.guessing.guess import guess
from swapbridge.guessing.layout.study import study
from tests.benchmarks.bus_traffic import machine
from tests.guessing.planted import plant

FRAMES = (2_000, 20_000, 200_000)
BYTES = (2, 4, 8, 16, 32, 64)
FEW = 2_000
IDENTIFIERS = (6, 12, 24)
FRAMES_EACH = (500, 8_000, 32_000)


def walks(frames: int, width: int) -> BitColumns:
    """One identifier of 10 ms whose payload holds as many 16-bit walks as it has room for."""
    rng = np.random.default_rng(width)
    walk = 32_000 + np.cumsum(rng.integers(-40, 41, (frames, width // 2)), axis=0)
    payload = np.ascontiguousarray(walk.astype(">u2")).view(np.uint8)
    return make_columns(0x123, False, np.arange(frames) * 10_000_000, np.full(frames, width, np.uint8), payload)


def least(work: Callable[[], object], tries: int) -> float:
    """Processor seconds of the quickest try."""
    took = []
    for _ in range(tries):
        begin = time.process_time()
        work()
        took.append(time.process_time() - begin)
    return min(took)


def main() -> None:
    tries = int(sys.argv[1]) if len(sys.argv) > 1 else 3
    print(machine())
    study(walks(FEW, 2))  # what is built and loaded on first use is built
    for frames in FRAMES:
        columns = walks(frames, 8)
        print(f"study, {frames:7,} frames of 8 bytes: {least(partial(study, columns), tries):5.2f} s")
    for width in BYTES:
        columns = walks(FEW, width)
        seconds = least(partial(study, columns), tries)
        print(f"study, {FEW:,} frames of {width:2} bytes: {seconds:5.2f} s, {seconds / width:.3f} s a byte")
    for messages, frames in (*((n, FEW) for n in IDENTIFIERS), *((IDENTIFIERS[1], n) for n in FRAMES_EACH)):
        capture = plant(1, messages=messages, frames=frames).capture
        print(f"guess, {messages:2} identifiers of {frames:6,} frames: {least(partial(guess, capture), tries):5.2f} s")


if __name__ == "__main__":
    main()
