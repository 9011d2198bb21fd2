"""The demo's plan, and its captures as one stream of frames on the plan's buses."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import EXTENDED, Capture
from swapbridge.compiler.compile import compile_bridge
from swapbridge.core.identifier_words import EXTENDED_BIT
from swapbridge.demo.folder import DONOR_RUNNING, HOST_RUNNING, write_demo_papers
from swapbridge.plan.plan import Plan
from tests.demo_folder import demo_capture


class Frames(NamedTuple):
    """Columns as `NativeTranslator.run_batch` takes them."""

    time_us: npt.NDArray[np.int64]
    bus: npt.NDArray[np.uint8]
    word: npt.NDArray[np.uint32]
    length: npt.NDArray[np.uint8]
    payload: npt.NDArray[np.uint8]

    def first(self, seconds: float) -> Frames:
        """Only the first seconds."""
        count = int(np.searchsorted(self.time_us, self.time_us[0] + int(seconds * 1e6)))
        return self.take(slice(0, count))

    def take(self, rows: slice | npt.NDArray[np.intp] | npt.NDArray[np.bool_]) -> Frames:
        """Only these rows."""
        return Frames(self.time_us[rows], self.bus[rows], self.word[rows], self.length[rows], self.payload[rows])

    def rows(self) -> Iterator[tuple[int, int, int, bytes]]:
        """Time, bus, word and payload of each frame."""
        for t, b, w, n, p in zip(*(c.tolist() for c in self[:4]), self.payload, strict=True):
            yield t, b, w, p[:n].tobytes()


def demo_plan() -> Plan:
    """The plan of the demo's own bridge file."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "signal_maps").mkdir()
        write_demo_papers(folder)
        return compile_bridge(folder / "bridge.toml").plan


def demo_frames(plan: Plan) -> Frames:
    """Host and donor running, started at the same moment, in time order; frames the plan itself sends are left out."""
    own = {(s.bus, s.word) for s in plan.sends}
    parts = []
    for bus_name, recording in (("host", HOST_RUNNING), ("donor", DONOR_RUNNING)):
        columns = columns_of(demo_capture(recording)[0], plan.bus_number(bus_name))
        keep = np.array([(b, w) not in own for b, w in zip(columns.bus.tolist(), columns.word.tolist(), strict=True)])
        parts.append(columns.take(keep))
    joined = Frames(
        np.concatenate([p.time_us for p in parts]),
        np.concatenate([p.bus for p in parts]),
        np.concatenate([p.word for p in parts]),
        np.concatenate([p.length for p in parts]),
        np.concatenate([p.payload for p in parts]),
    )
    return joined.take(np.argsort(joined.time_us, kind="stable"))


def columns_of(capture: Capture, bus: int) -> Frames:
    """A capture of one bus, its times from 0 and never falling."""
    time_us = np.maximum.accumulate((capture.time_ns - capture.time_ns[0]) // 1000)
    word = capture.identifier | np.where(capture.flags & EXTENDED, np.uint32(EXTENDED_BIT), np.uint32(0))
    return Frames(
        time_us.astype(np.int64),
        np.full(len(capture), bus, dtype=np.uint8),
        word.astype(np.uint32),
        capture.length,
        capture.payload,
    )
