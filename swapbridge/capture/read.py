"""Capture room: `read_capture`, which takes any log, and `read_blocks`, which never holds a whole one."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from swapbridge.capture.capture import Capture, ReadNotes
from swapbridge.capture.columns import BusNames, Columns, Gatherer, NoteTaker, noted
from swapbridge.capture.line_blocks import line_blocks
from swapbridge.capture.mf4 import mf4_columns
from swapbridge.capture.other_logs import other_columns
from swapbridge.capture.source import LogSource, form_of, open_source
from swapbridge.capture.text_log import read_block
from swapbridge.core.errors import InputError
from swapbridge.core.progress import Progress

BLOCK_ROWS = 1 << 20
TORN_WINDOW = 1 << 18
"""So many frames before a last line without an end are looked at to decide whether it is whole."""


@dataclass(slots=True)
class _FileReading:
    """What is known while a file is read: bus names, notes, and whether its last line had no end."""

    buses: BusNames = field(default_factory=BusNames)
    notes: NoteTaker = field(default_factory=NoteTaker)
    open_end: bool = False
    earlier: ReadNotes | None = None
    """Notes of the reading that a converted capture came from."""

    def noted(self, capture: Capture, taker: NoteTaker, before: Capture | None = None) -> Capture:
        """The capture with the notes of this reading; what an earlier one has counted is not counted again."""
        if self.earlier is None:
            return noted(capture, taker, before)
        return replace(capture, notes=ReadNotes(taker.unreadable, examples=tuple(taker.examples)))

    def with_earlier(self, capture: Capture) -> Capture:
        """The capture with the notes of the earlier reading added."""
        return capture if self.earlier is None else replace(capture, notes=self.earlier.plus(capture.notes))


def read_capture(path: str | Path, *, progress: Progress | None = None) -> Capture:
    """Read one recording: a text log, any log that python-can reads, gzip or not, or a Parquet capture.

    Parameters
    ----------
    path : str or Path
        The file. Its format is recognised by its content where possible, otherwise by its suffix.
    progress : callable, optional
        Called with the share of the file read so far (0 to 1) and a few words.

    Returns
    -------
    Capture
        Frames in the order of time, as numpy columns; `notes` counts what could not be read.

    Raises
    ------
    InputError
        The file can't be opened, its format is not known, or it contains no frame.
    MissingToolError
        The format needs a package that is not installed.

    Examples
    --------
    >>> read_capture("captures/host_old_engine.log.gz")
    <Capture captures/host_old_engine.log.gz: 76907 frames in 160.8 s on host>
    """
    path = Path(path)
    reading, gatherer = _FileReading(), Gatherer()
    for columns in _all_columns(path, reading, progress):
        gatherer.add(columns)
    if reading.open_end and _is_torn(gatherer.parts[-1], gatherer.parts[:-1]):
        gatherer.parts.pop()
        reading.notes.torn = True
    capture = reading.noted(gatherer.capture(reading.buses.names, str(path)), reading.notes)
    if not len(capture):
        raise _nothing(path, reading)
    return reading.with_earlier(capture)


def read_blocks(path: str | Path, rows: int = BLOCK_ROWS, *, progress: Progress | None = None) -> Iterator[Capture]:
    """The frames of `read_capture` in blocks of `rows`, the last one shorter, without holding more than one or two.

    Each block knows the bus names met so far. Its notes count what was met since the block before.

    Parameters
    ----------
    path : str or Path
        The file, as for `read_capture`.
    rows : int
        Frames per block.
    progress : callable, optional
        Called with the share of the file read so far (0 to 1) and a few words.

    Returns
    -------
    iterator of Capture
        Blocks in the order of the file.

    Raises
    ------
    InputError, MissingToolError
        As `read_capture`.
    """
    path = Path(path)
    reading, gatherer = _FileReading(), Gatherer()
    waiting = total = 0
    recent: deque[Columns] = deque()
    edge: Capture | None = None

    def block(limit: int) -> Capture:
        nonlocal waiting, total, edge
        notes, reading.notes = reading.notes, NoteTaker()
        held = gatherer.capture(reading.buses.names, str(path))
        out = reading.noted(held.select(slice(0, limit)), notes, edge)
        edge = out.select(slice(len(out) - 1, None))
        rest = held.select(slice(limit, None))
        waiting = len(rest)
        if waiting:
            gatherer.add(Columns(rest.time_ns, rest.identifier, rest.flags, rest.bus, rest.length, rest.payload))
        total += len(out)
        return out

    for columns in _all_columns(path, reading, progress):
        gatherer.add(columns)
        waiting += len(columns)
        if reading.open_end and _is_torn(columns, recent):
            gatherer.parts.pop()
            waiting -= len(columns)
            reading.notes.torn = True
        recent.append(replace(columns))  # another object, since the gatherer empties what it was given
        while sum(map(len, recent)) - len(recent[0]) >= TORN_WINDOW:
            recent.popleft()
        while waiting >= rows:
            yield block(rows)
    if not waiting and not total:
        raise _nothing(path, reading)
    if waiting or reading.notes.any or (reading.earlier is not None and reading.earlier.sentences()):
        yield reading.with_earlier(block(waiting))


def check_readable(path: str | Path) -> None:
    """Read a recording as far as its first frame, to see whether it is one.

    Parameters
    ----------
    path : str or Path
        The file, as for `read_capture`.

    Raises
    ------
    InputError, MissingToolError
        As `read_capture`.
    """
    reading = _FileReading()
    if not any(len(columns) for columns in _all_columns(Path(path), reading, None)):
        raise _nothing(Path(path), reading)


def _nothing(path: Path, reading: _FileReading) -> InputError:
    shown = f"; it begins {reading.notes.examples[0]!r}" if reading.notes.examples else ""
    why = f" ({reading.notes.stopped})" if reading.notes.stopped else ""
    return InputError(f"{path} contains no readable frames{why}{shown}: name a capture, for example a .log")


def _all_columns(path: Path, reading: _FileReading, progress: Progress | None) -> Iterator[Columns]:
    source = open_source(path)
    with source.stream:
        for columns in _source_columns(path, source, reading):
            if progress:
                progress(source.share_read, path.name)
            yield columns


def _source_columns(path: Path, source: LogSource, reading: _FileReading) -> Iterator[Columns]:
    form = form_of(path, source)
    if form == "log":
        yield from _text_log_columns(source, reading)
    elif form == "parquet":
        from swapbridge.capture.parquet import parquet_blocks  # polars takes a while to load

        for columns, names, notes in parquet_blocks(path, reading.notes):
            for name in names:
                reading.buses.number(name.encode())
            reading.earlier = notes
            yield columns
    elif form == "mf4":
        yield from mf4_columns(path, reading.buses, reading.notes)
    else:
        yield from other_columns(form, path, source, reading.buses, reading.notes)


def _text_log_columns(source: LogSource, reading: _FileReading) -> Iterator[Columns]:
    for text, begin, end, torn in line_blocks(source.stream, reading.notes):
        before = reading.notes.unreadable
        columns = read_block(text, begin, end, reading.buses, reading.notes)
        if torn:
            if reading.notes.unreadable > before:
                # the one line of this block is the recording's torn end, which has a note of its own
                reading.notes.unreadable = before
                reading.notes.torn = True
            reading.open_end = len(columns) > 0
        yield columns
    if source.trouble:
        reading.notes.stopped = source.trouble


def _is_torn(last: Columns, before: Sequence[Columns]) -> bool:
    """Whether a last frame without a line end is shorter than its identifier ever was in `TORN_WINDOW` frames."""
    lengths: set[int] = set()
    seen = 0
    for part in reversed(before):
        if seen >= TORN_WINDOW:
            break
        seen += len(part)
        alike = (part.identifier == last.identifier[-1]) & (part.flags == last.flags[-1]) & (part.bus == last.bus[-1])
        lengths.update(np.unique(part.length[alike]).tolist())
    return len(last) == 1 and bool(lengths) and int(last.length[-1]) < min(lengths)
