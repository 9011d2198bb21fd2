"""Capture room: `read_capture`, which takes any log, and `read_blocks`, which never holds a whole one."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from swapbridge.capture.capture import Capture
from swapbridge.capture.columns import BusNames, Columns, Gatherer, NoteTaker
from swapbridge.capture.source import Source, line_blocks, open_source
from swapbridge.capture.text_log import read_block
from swapbridge.core.errors import InputError


@dataclass(slots=True)
class Reading:
    """What is known while a file is read: bus names, notes, and whether its last line had no end."""

    buses: BusNames = field(default_factory=BusNames)
    notes: NoteTaker = field(default_factory=NoteTaker)
    open_end: bool = False


def read_capture(path: str | Path) -> Capture:
    """Read one recording.

    Raises
    ------
    InputError
        The file can't be opened, its form is not known, or nothing in it is a frame.
    """
    path = Path(path)
    reading = Reading()
    gatherer = Gatherer()
    source = open_source(path)
    with source.stream:
        for columns in _text_log_columns(source, reading):
            gatherer.add(columns)
    _drop_torn_frame(gatherer, reading)
    capture = gatherer.capture(reading.buses.names, str(path), reading.notes)
    if not len(capture):
        raise InputError(f"{path} holds no frames that can be read: name a capture, for example a .log")
    return capture


def _text_log_columns(source: Source, reading: Reading) -> Iterator[Columns]:
    for text, begin, end, torn in line_blocks(source.stream, reading.notes):
        before = reading.notes.unreadable
        columns = read_block(text, begin, end, reading.buses, reading.notes)
        if torn:
            if reading.notes.unreadable > before:
                # the one line of this block is the recording's torn end, which has a note of its own
                reading.notes.unreadable -= 1
                reading.notes.torn = True
            reading.open_end = len(columns) > 0
        yield columns
    if source.trouble:
        reading.notes.stopped = source.trouble


def _drop_torn_frame(gatherer: Gatherer, reading: Reading) -> None:
    """Leave out a last frame without a line end whose payload is shorter than that identifier ever had."""
    if not reading.open_end or len(gatherer.parts) < 2:
        return
    last = gatherer.parts[-1]
    lengths: set[int] = set()
    for part in gatherer.parts[:-1]:
        alike = (part.identifier == last.identifier[-1]) & (part.flags == last.flags[-1]) & (part.bus == last.bus[-1])
        lengths.update(np.unique(part.length[alike]).tolist())
    if lengths and int(last.length[-1]) < min(lengths):
        gatherer.parts[-1] = last.rows(slice(0, len(last) - 1))
        reading.notes.torn = True
