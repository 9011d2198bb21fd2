"""Bus room: the black box: the last minutes of every bus and what was decided, kept in memory, written when it matters.

Frames lie in a ring of fixed records, so memory never grows; what is written is a capture like any other, and `prove`
reads it. One thread writes into the ring, any thread may ask for a copy.
"""

from __future__ import annotations

import contextlib
import struct
import threading
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from swapbridge.bus.recording.segments import free_name
from swapbridge.capture.capture import Capture
from swapbridge.capture.write import write_captures
from swapbridge.core.files import written_whole

MOST_FRAMES_PER_S = 8_000
"""Frames a second that the ring is laid out for; busier buses keep a shorter time."""
MOST_EVENTS = 20_000
_BLOCK_ROWS = 16_384


@dataclass(frozen=True, slots=True)
class Event:
    """Something decided or found out, on the one clock."""

    time_ns: int
    words: str


class BlackBox:
    """A ring of frames and a ring of events.

    Parameters
    ----------
    bus_names : tuple of str
    minutes : float
        How far back it reaches at 8,000 frames a second; further on quieter buses.
    long_frames : bool
        Whether CAN FD frames (64 bytes) must fit.
    """

    def __init__(self, bus_names: tuple[str, ...], minutes: float, *, long_frames: bool) -> None:
        self.bus_names = bus_names
        self._width = 64 if long_frames else 8
        self._record = struct.Struct(f"<qIBBBx{self._width}s")
        self._capacity = max(1000, round(minutes * 60 * MOST_FRAMES_PER_S))
        self._ring = bytearray(self._capacity * self._record.size)
        self._count = self._last_ns = 0
        self._events: deque[Event] = deque(maxlen=MOST_EVENTS)
        self._writing = threading.Lock()

    def frame(self, time_ns: int, bus: int, identifier: int, flags: int, data: bytes) -> None:
        """Keep a frame (`flags` as in `Capture`); its time is lifted to that of the frame before it."""
        self._last_ns = max(self._last_ns, time_ns)
        at = self._count % self._capacity * self._record.size
        length = min(len(data), self._width)
        self._record.pack_into(self._ring, at, self._last_ns, identifier, flags, bus, length, data)
        self._count += 1

    def event(self, time_ns: int, words: str) -> None:
        """Keep a decision or a fault."""
        self._events.append(Event(time_ns, words))

    def blocks(self) -> Iterator[Capture]:
        """What the ring holds, oldest first, a block at a time, so that copying never holds up the translator for long.

        Where the ring is full its oldest fiftieth is left out: it may be written over meanwhile.
        """
        count, size = self._count, self._record.size
        at = max(0, count - self._capacity + (self._capacity // 50 if count > self._capacity else 0))
        while at < count:
            place = at % self._capacity
            rows = min(_BLOCK_ROWS, count - at, self._capacity - place)
            yield self._block(bytes(memoryview(self._ring)[place * size : (place + rows) * size]))
            at += rows

    def _block(self, raw: bytes) -> Capture:
        rows = np.frombuffer(raw, dtype=np.uint8).reshape(-1, self._record.size)
        return Capture(
            rows[:, :8].copy().view("<i8").ravel().astype(np.int64),
            rows[:, 8:12].copy().view("<u4").ravel().astype(np.uint32),
            rows[:, 12].copy(),
            rows[:, 13].copy(),
            rows[:, 14].copy(),
            rows[:, 16:].copy(),
            self.bus_names,
            "black box",
        )

    def write(self, folder: Path, why: str) -> Path:
        """Write ``black-box.log`` (or the next free number) and its events beside it; the capture's path.

        Raises
        ------
        InputError
            The folder can't be written.
        """
        with self._writing:
            with contextlib.suppress(OSError):  # writing says what is wrong with the folder
                folder.mkdir(parents=True, exist_ok=True)
            path = free_name(folder / "black-box.log")
            write_captures(self.blocks(), path)
            lines = [f"# written because: {why}\n"]
            lines += [f"{event.time_ns / 1e9:.6f} {event.words}\n" for event in list(self._events)]
            with written_whole(path.with_suffix(".events.txt")) as temporary:
                Path(temporary).write_text("".join(lines), encoding="utf-8")
            return path
