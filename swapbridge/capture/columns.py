"""Capture room: columns while they are being gathered: frames of a block, bus names, and what went wrong so far."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import Capture, ReadNotes

MOST_BUSES = 256
"""Bus numbers are kept in one byte."""
EXAMPLES = 5
EXAMPLE_CHARACTERS = 80


@dataclass(slots=True)
class Columns:
    """Columns of some frames, as in `Capture`."""

    time_ns: npt.NDArray[np.int64]
    identifier: npt.NDArray[np.uint32]
    flags: npt.NDArray[np.uint8]
    bus: npt.NDArray[np.uint8]
    length: npt.NDArray[np.uint8]
    payload: npt.NDArray[np.uint8]

    def __len__(self) -> int:
        return len(self.time_ns)

    def rows(self, chosen: npt.NDArray[np.bool_] | npt.NDArray[np.intp] | slice) -> Columns:
        return Columns(*(getattr(self, name)[chosen] for name in COLUMN_NAMES))


COLUMN_NAMES = ("time_ns", "identifier", "flags", "bus", "length", "payload")
Frame = tuple[int, int, int, int, bytes, int]
"""time_ns, identifier, flags, bus, payload, length: one frame from a slow path (a remote frame has no payload)."""


def columns_of(frames: list[Frame]) -> Columns:
    """Columns of frames that came one at a time."""
    wide = any(len(frame[4]) > 8 for frame in frames)
    width = 64 if wide else 8
    payload = np.frombuffer(b"".join(frame[4].ljust(width, b"\0") for frame in frames), dtype=np.uint8)
    return Columns(
        np.array([frame[0] for frame in frames], dtype=np.int64),
        np.array([frame[1] for frame in frames], dtype=np.uint32),
        np.array([frame[2] for frame in frames], dtype=np.uint8),
        np.array([frame[3] for frame in frames], dtype=np.uint8),
        np.array([frame[5] for frame in frames], dtype=np.uint8),
        payload.reshape(-1, width),
    )


def padded_to(payload: npt.NDArray[np.uint8], width: int) -> npt.NDArray[np.uint8]:
    """The same payload bytes in rows of `width`."""
    if payload.shape[1] == width:
        return payload
    out = np.zeros((len(payload), width), dtype=np.uint8)
    out[:, : payload.shape[1]] = payload
    return out


@dataclass(slots=True)
class BusNames:
    """Numbers for bus names, in order of appearance."""

    numbers: dict[bytes, int] = field(default_factory=dict)
    names: list[str] = field(default_factory=list)

    def number(self, written: bytes) -> int | None:
        """Number of the bus with that name; None when it can't be a name or there are too many."""
        known = self.numbers.get(written)
        if known is not None:
            return known
        try:
            name = written.decode()
        except UnicodeDecodeError:
            return None
        if name.isdecimal():
            name = str(int(name))  # python-can reads 00 and 0 as the same channel
        if name in self.names:
            number = self.names.index(name)
        elif len(self.names) < MOST_BUSES:
            number = len(self.names)
            self.names.append(name)
        else:
            return None
        self.numbers[written] = number
        return number


@dataclass(slots=True)
class NoteTaker:
    """Counts what could not be read while a file is read."""

    unreadable: int = 0
    torn: bool = False
    stopped: str = ""
    examples: list[str] = field(default_factory=list)

    @property
    def any(self) -> bool:
        return bool(self.unreadable or self.torn or self.stopped)

    def unreadable_line(self, line: bytes | str) -> None:
        self.unreadable += 1
        if len(self.examples) < EXAMPLES:
            text = line.decode(errors="replace") if isinstance(line, bytes) else line
            text = text.strip()
            self.examples.append(text if len(text) <= EXAMPLE_CHARACTERS else text[:EXAMPLE_CHARACTERS] + "…")

    def add(self, other: NoteTaker) -> None:
        """Take over what another has counted of the same file."""
        self.unreadable += other.unreadable
        self.torn |= other.torn
        self.stopped = self.stopped or other.stopped
        self.examples = (self.examples + other.examples)[:EXAMPLES]


class Gatherer:
    """Puts blocks of columns together into one `Capture`, holding little more than the columns themselves."""

    def __init__(self) -> None:
        self.parts: list[Columns] = []

    def add(self, columns: Columns) -> None:
        if len(columns):
            self.parts.append(columns)

    def capture(self, bus_names: Iterable[str], source: str) -> Capture:
        """All frames so far; the parts are given up column by column, so that memory stays near one copy."""
        width = max((part.payload.shape[1] for part in self.parts), default=8)
        whole: dict[str, npt.NDArray[np.generic]] = {}
        empty = {"time_ns": np.int64, "identifier": np.uint32}
        for name in COLUMN_NAMES:
            if name == "payload":
                rows = sum(len(part) for part in self.parts)
                payload = np.zeros((rows, width), dtype=np.uint8)
                at = 0
                for part in self.parts:
                    payload[at : at + len(part.payload), : part.payload.shape[1]] = part.payload
                    at += len(part.payload)
                    part.payload = payload[:0]
                whole[name] = payload
                continue
            if not self.parts:
                whole[name] = np.empty(0, dtype=empty.get(name, np.uint8))
                continue
            whole[name] = np.concatenate([getattr(part, name) for part in self.parts])
            if name != "time_ns":  # a part's length is that of its times
                for part in self.parts:
                    setattr(part, name, getattr(part, name)[:0])
        self.parts = []
        names = tuple(bus_names) or ("0",)
        return Capture(bus_names=names, source=source, **whole)  # type: ignore[arg-type]


def noted(capture: Capture, taker: NoteTaker, before: Capture | None = None) -> Capture:
    """The capture with its reading notes filled in, repeats and backward clock steps counted.

    `before` is the frame before its first, where it is a block of a longer capture.
    """
    back, repeats = clock_faults(capture)
    if before is not None and len(before) and len(capture):
        first = capture.select(slice(0, 1))
        back += int(first.time_ns[0] < before.time_ns[0])
        width = max(first.payload.shape[1], before.payload.shape[1])
        repeats += all(
            np.array_equal(getattr(first, name), getattr(before, name)) for name in COLUMN_NAMES[:-1]
        ) and np.array_equal(padded_to(first.payload, width), padded_to(before.payload, width))
    notes = ReadNotes(taker.unreadable, taker.torn, back, repeats, tuple(taker.examples), taker.stopped)
    return replace(capture, notes=notes)


def clock_faults(capture: Capture) -> tuple[int, int]:
    """How often time goes back from one frame to the next, and how many frames repeat the one before exactly."""
    back = same = 0
    step = 1 << 20
    for start in range(0, max(0, len(capture) - 1), step):
        time = capture.time_ns[start : start + step + 1]
        back += int(np.count_nonzero(time[1:] < time[:-1]))
        rows = np.flatnonzero(time[1:] == time[:-1]) + start
        if len(rows):
            alike = np.ones(len(rows), dtype=bool)
            for name in ("identifier", "flags", "bus", "length"):
                column = getattr(capture, name)
                alike &= column[rows] == column[rows + 1]
            rows = rows[alike]
            same += int(np.count_nonzero((capture.payload[rows] == capture.payload[rows + 1]).all(axis=1)))
    return back, same
