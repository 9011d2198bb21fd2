"""Benchmark: `.asc`, `.blf`, `.trc` and `.mf4` logs into columns, beside python-can's readers alone, in the same run.

``python -m tests.benchmarks.read_others [FRAMES]``: those readers are used, not rewritten, so a ratio of 1 would mean
that making columns costs nothing; the target is 0.8. Only `.mf4` is read as columns, in a process of its own, whose
start is part of the time. What is worth more: convert once to Parquet, which is printed too.
"""

from __future__ import annotations

import sys
import tempfile
from collections import deque
from functools import partial
from pathlib import Path
from typing import Any

import can

from swapbridge.capture.convert import convert
from swapbridge.capture.mf4 import write_mf4
from swapbridge.capture.read import read_capture
from swapbridge.capture.write_others import write_other
from tests.benchmarks.bus_traffic import capture_of, machine
from tests.benchmarks.read_log import best

TARGET = 0.8


def main() -> None:
    frames = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    print(machine())
    capture = capture_of(frames)
    with tempfile.TemporaryDirectory() as folder:
        for form in ("asc", "blf", "trc", "mf4"):
            path = Path(folder) / f"a.{form}"
            if form == "trc":
                with can.TRCWriter(str(path)) as writer:
                    for message in can.LogReader(str(Path(folder) / "a.blf")):
                        writer.on_message_received(message)
            elif form == "mf4":
                write_mf4([capture], path)
            else:
                write_other([capture], path)

            def peer(path: Path = path) -> None:
                reader: Any = can.LogReader(str(path))
                with reader:
                    deque(reader, maxlen=0)

            theirs = frames / best(peer, 3)
            ours = frames / best(partial(read_capture, path), 3)
            parquet = path.with_suffix(".parquet")
            convert(path, parquet)
            again = frames / best(partial(read_capture, parquet), 3)
            print(
                f".{form}: python-can {theirs / 1e6:5.2f}, into columns {ours / 1e6:5.2f} million frames/s, "
                f"ratio {ours / theirs:.2f} (target {TARGET}); as Parquet {again / 1e6:.0f}"
            )


if __name__ == "__main__":
    main()
