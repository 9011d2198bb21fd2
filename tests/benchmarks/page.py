"""How long the browser page takes to answer, on the demo and on a capture of five million frames.

    python -m tests.benchmarks.page [--frames 5000000]

The peer, in the same run, is reading the same capture with python-can once, which is what any answer would cost without
columns. Targets on five million frames of 300 identifiers: the first picture within 1 s once the capture is converted,
and 0.2 s of processor time for every interaction after it; what is beyond is named at the end.
"""

from __future__ import annotations

import argparse
import platform
import re
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import can
import numpy as np
from starlette.testclient import TestClient

from swapbridge.capture.capture import Capture
from swapbridge.capture.parquet import write_parquet
from swapbridge.capture.write import write_capture
from swapbridge.demo.folder import write_demo
from swapbridge.page.app import make_app

HOST = "127.0.0.1:8321"
IDENTIFIERS = 300
TARGET_S = 0.2


def many_frames(frames: int) -> Capture:
    """A loaded bus: 300 identifiers in turn, each with a slow 16-bit walk, a counter and noise."""
    rng = np.random.default_rng(7)
    n = np.arange(frames)
    walk = (np.cumsum(rng.integers(-3, 4, frames)) + 30_000).astype(np.uint16)
    payload = np.zeros((frames, 8), np.uint8)
    payload[:, 0], payload[:, 1], payload[:, 2] = walk >> 8, walk & 0xFF, (n // IDENTIFIERS) % 16
    payload[:, 4] = rng.integers(0, 256, frames, dtype=np.uint8)
    return Capture(
        time_ns=(n * 250_000).astype(np.int64) + 1_700_000_000_000_000_000,
        identifier=(0x100 + n % IDENTIFIERS).astype(np.uint32),
        flags=np.zeros(frames, np.uint8),
        bus=np.zeros(frames, np.uint8),
        length=np.full(frames, 8, np.uint8),
        payload=payload,
        bus_names=("donor",),
    )


class Page:
    """A browser on this machine."""

    def __init__(self, folder: Path) -> None:
        self.http = TestClient(make_app(folder, hosts=[HOST]), base_url=f"http://{HOST}", client=("127.0.0.1", 1))
        found = re.search(r'form-token" content="([^"]+)"', self.http.get("/").text)
        assert found
        self.headers = {"origin": f"http://{HOST}", "x-swapbridge-form": found.group(1)}

    def ask(self, path: str, **values: Any) -> Any:
        answer = self.http.get(path, params={k: str(v) for k, v in values.items()})
        assert answer.status_code == 200, answer.text
        return answer


@contextmanager
def timed(what: str, target_s: float | None, slow: list[str]) -> Iterator[None]:
    """Processor time of all threads beside the wall's, and the target for the first, if there is one."""
    begin, began = time.process_time(), time.perf_counter()
    yield
    took, lasted = time.process_time() - begin, time.perf_counter() - began
    target = "nobody waits for it" if target_s is None else f"target {target_s * 1000:.0f}"
    print(f"  {what:<48} {took * 1000:7.0f} ms of processor time, {lasted * 1000:6.0f} ms   ({target})")
    if target_s is not None and took > target_s:
        slow.append(what)


def visit(folder: Path, name: str, slow: list[str]) -> None:
    """What a person does in the capture and compare views, in that order."""
    with timed("first page", 1.0, slow):
        page = Page(folder)
    with timed("first picture: every identifier over time", 1.0, slow):
        page.ask("/api/lanes", file=name)
    with timed("the survey after it, in the background", None, slow):
        view = page.ask("/api/capture", file=name).json()
        whole = page.ask("/api/axis", file=name).json()
    first = max(view["identifiers"], key=lambda m: m["live_bits"])
    one = {"file": name, "id": first["text"], "bus": first["bus"]}
    end = whole["span"][1]
    parts = {"the whole": (0, end), "a tenth": (end * 0.4, end * 0.5), "a second": (end / 2, end / 2 + 1)}
    with timed("open it again", TARGET_S, slow):
        page.ask("/api/capture", file=name)
        page.ask("/api/axis", file=name)
    for words, (begin, last) in parts.items():
        with timed(f"zoom to {words}: strips and lanes", TARGET_S, slow):
            page.ask("/api/strips", **one, **{"from": begin, "to": last})
            page.ask("/api/lanes", file=name, **{"from": begin, "to": last})
    with timed("set the cursor", TARGET_S, slow):
        page.ask("/api/frame", **one, at=end / 3)
    with timed("an identifier in words", TARGET_S, slow):
        page.ask("/api/identifier", **one)
    with timed("its counters and checksums, in the background", None, slow):
        page.ask("/api/checks", **one)
    field = {"start": 7, "length": 16, "byte_order": "big_endian", "signed": "false", "scale": 1, "offset": 0}
    with timed("a field after its layout was edited", TARGET_S, slow):
        page.ask("/api/field", **one, **field)
    with timed("compare it with itself", TARGET_S, slow):
        page.ask("/api/compare", a=name, b=name)
    with timed("bits before and after", TARGET_S, slow):
        page.ask("/api/compare/bits", a=name, b=name, id=first["text"], bus=first["bus"])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=5_000_000)
    frames = parser.parse_args().frames
    print(f"{platform.processor() or platform.machine()}, Python {platform.python_version()}")
    slow: list[str] = []
    with tempfile.TemporaryDirectory() as place:
        demo = Path(place) / "demo"
        write_demo(demo)
        print("demo:")
        visit(demo, "host_old_engine.log.gz", slow)
        large = Path(place) / "large"
        (large / "captures").mkdir(parents=True)
        capture = many_frames(frames)
        write_parquet(lambda: [capture], large / "captures" / "long.parquet")
        print(f"{frames:,} frames, converted:")
        visit(large, "long.parquet", slow)
        peer = Path(place) / "peer.log"
        write_capture(capture.select(slice(0, 200_000)), peer)
        begin = time.perf_counter()
        count = sum(1 for _ in can.LogReader(peer))
        each = (time.perf_counter() - begin) / count
        print(f"  peer: python-can reads as many frames in     {each * frames * 1000:8.0f} ms")
    print("over target: " + (", ".join(slow) or "none"))


if __name__ == "__main__":
    main()
