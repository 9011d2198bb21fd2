"""Capture room: the logs that python-can's readers read (`.asc`, `.blf`, `.trc`, `.csv`, `.db`), as columns.

python-can stops at the first line it can't read and skips others without a word. Text forms are handed to it line by
line here, so that the reader can go on behind a bad line and every line that became no frame is counted.
"""

from __future__ import annotations

import contextlib
import logging
import re
import sqlite3
import struct
import zlib
from collections.abc import Callable, Iterator
from itertools import islice
from pathlib import Path
from typing import Any, TextIO, cast

import numpy as np

from swapbridge.capture.capture import BIT_RATE_SWITCH, ERROR, EXTENDED, FD, REMOTE, SENT
from swapbridge.capture.columns import BusNames, Columns, NoteTaker
from swapbridge.capture.line_blocks import line_blocks
from swapbridge.capture.naming import CSV_HEADER, TEXT_FORMS
from swapbridge.capture.source import LogSource
from swapbridge.core.errors import InputError

_MESSAGES = 1 << 7
"""Messages taken at once: they are still in the processor's cache when their parts are looked at."""
_ROWS = 1 << 13
_NO_BUS = b"0"
_RECEIVED = -1
"""Not a flag of ours: the opposite of SENT, as python-can has it."""
_COARSE_S = 1e-8
"""Where doubles near a time are further apart than this, its logger's microseconds are all that is known."""
_NO_SIZE = re.compile(rb"LOBJ.{4}\0{4}", re.DOTALL)
"""An object of a .blf whose size is 0, or data that only look like one."""
_ASC_FRAME = re.compile(r"\s*\d+\.\d+\s+(?:\d+|CANFD)\s+\S")
_TEXT_RULES: dict[str, tuple[Callable[[str], bool], str]] = {
    "asc": (lambda line: _ASC_FRAME.match(line) is not None, "no internal events logged\n"),
    "trc": (lambda line: line.strip() != "" and not line.lstrip().startswith(";"), ""),
    "csv": (lambda line: line.strip().lower() not in ("", CSV_HEADER), CSV_HEADER + "\n"),
}
"""Whether a line should become a frame, and a line that ends the header, which a reader looks for when it begins."""
_READER_ERRORS = (
    ArithmeticError,
    AttributeError,
    EOFError,
    IndexError,
    KeyError,
    NotImplementedError,
    OSError,
    TypeError,
    ValueError,
    sqlite3.Error,
    struct.error,
    zlib.error,
)
"""What python-can's readers raise on a damaged file, besides the one error of its own for .blf."""


def other_columns(form: str, path: Path, source: LogSource, buses: BusNames, notes: NoteTaker) -> Iterator[Columns]:
    """Columns of a log in one of `TEXT_FORMS` or `BINARY_FORMS`, some thousand frames at a time.

    Raises
    ------
    InputError
        Nothing of the file can be read in that form.
    """
    logging.getLogger("can").addHandler(logging.NullHandler())  # what it warns of is counted here
    blocks = _text_blocks if form in TEXT_FORMS else _binary_blocks
    rows = _MessageRows()
    for block in blocks(form, path, source, notes):
        rows.add(block)
        if len(rows.time) >= _ROWS:
            yield _columns(rows, buses, notes)
            rows = _MessageRows()
    if rows.time:
        yield _columns(rows, buses, notes)
    if source.trouble:
        notes.stopped = source.trouble


class _FeedLines:
    """Lines for a text reader of python-can, one at a time, so that it is known which became frames.

    Messages go into `block` one by one; a line after which it has not grown became none.
    """

    def __init__(self, source: LogSource, is_frame: Callable[[str], bool], notes: NoteTaker) -> None:
        self.block: list[Any] = []
        self._grown = 0
        self._source, self._is_frame, self._notes = source, is_frame, notes
        self._last = ""
        self._again: list[str] = []
        self._at_end = False

    def lines(self) -> Iterator[str]:
        """All lines; what was put back comes first."""
        block = self.block
        for text, begin, end, torn in line_blocks(self._source.stream, self._notes):
            self._at_end = torn
            # utf-8 or not: names and comments may hold anything, frames are ASCII
            for line in text[begin:end].tobytes().decode("utf-8", errors="replace").splitlines():
                if len(block) == self._grown and self._last:
                    self.refused()
                while self._again:
                    self._last = ""
                    yield self._again.pop()
                self._last, self._grown = line, len(block)
                yield line
        if len(block) == self._grown and self._last:
            self.refused()

    def refused(self) -> bool:
        """Count the line handed out last where it should have been a frame; whether it should."""
        line, self._last = self._last, ""
        if not line or not self._is_frame(line):
            return False
        if self._at_end:
            self._notes.torn = True
        else:
            self._notes.unreadable_line(line)
        return True

    def put_back(self, line: str) -> None:
        """Hand out this line next."""
        self._again.append(line)

    def taken(self) -> list[Any]:
        """The block so far; a new one begins."""
        block = self.block[:]
        if len(block) > self._grown:
            self._last = ""  # its frame is in
        self.block.clear()
        self._grown = 0
        return block


def _text_blocks(form: str, path: Path, source: LogSource, notes: NoteTaker) -> Iterator[list[Any]]:
    from swapbridge.capture.python_can import can

    is_frame, resume = _TEXT_RULES[form]
    lines = _FeedLines(source, is_frame, notes)
    feed = lines.lines()
    file = cast("TextIO", feed)  # all that the readers do with their file is to go through its lines
    reader: Any
    if form == "asc":
        reader = can.ASCReader(file)
    elif form == "trc":
        reader = can.TRCReader(file)
    else:
        if next(feed, "").strip().lower() != CSV_HEADER:
            raise InputError(
                f"{path} is a CSV file but not one of frames, whose first line is {CSV_HEADER}; a stimulus file goes "
                "with --stimulus"
            )
        lines.put_back(resume)
        reader = can.CSVReader(file)
    messages = iter(reader)
    while True:
        try:
            # what came before an exception stays in the list
            lines.block.extend(islice(messages, _MESSAGES))
            block = lines.taken()
            yield block
            if len(block) < _MESSAGES:
                return
        except _READER_ERRORS as error:
            if not lines.refused():
                raise InputError(
                    f"{path} can't be read as .{form} ({_words(error)}): name a capture, with the suffix of its form"
                ) from error
            yield lines.taken()
            if resume:
                lines.put_back(resume)
            messages = iter(reader)


def _binary_blocks(form: str, path: Path, source: LogSource, notes: NoteTaker) -> Iterator[list[Any]]:
    from swapbridge.capture.python_can import can

    read = 0
    block: list[Any] = []
    try:
        if form == "blf":
            reader: Any = _blf_reader(source)
            if source.gzip is None and reader.file_size > source.size:
                notes.stopped = f"the file is shorter than its header says: it was read up to byte {source.size:,}"
        else:
            reader = can.SqliteReader(str(path))
        with reader:
            messages = iter(reader)
            while True:
                block = []
                block.extend(islice(messages, _MESSAGES))
                read += len(block)
                yield block
                if len(block) < _MESSAGES:
                    return
    except (*_READER_ERRORS, can.io.blf.BLFParseError) as error:
        read += len(block)
        if not read:
            raise InputError(f"{path} can't be read as .{form} ({_words(error)}): name a capture") from error
        notes.stopped = f"the file is damaged after frame {read:,} ({_words(error)}); the frames before it were read"
        yield block


def _blf_reader(source: LogSource) -> Any:
    """python-can's reader, made to stop at an object of size 0, which it would read endlessly."""
    from swapbridge.capture.python_can import can

    reader: Any = can.BLFReader(source.stream)
    read_objects = reader._parse_container

    def parse_container(data: bytes) -> Iterator[Any]:
        end = None
        if _NO_SIZE.search(reader._tail + data):
            data, reader._tail = reader._tail + data, b""
            end = _endless(data)
        yield from read_objects(data[:end])
        if end is not None:
            raise can.io.blf.BLFParseError("an object has no size")

    reader._parse_container = parse_container
    return reader


def _endless(data: bytes) -> int | None:
    """Where the first object of size 0 begins, going from object to object as the reader does; None without one."""
    at = 0
    while (at := data.find(b"LOBJ", at, at + 8)) >= 0 and at + 16 <= len(data):
        size = int.from_bytes(data[at + 8 : at + 12], "little")
        if not size:
            return at
        at += size
    return None


def _words(error: BaseException) -> str:
    return " ".join(str(error).split()) or type(error).__name__


class _MessageRows:
    """Parts of messages, a list a part."""

    def __init__(self) -> None:
        self.time: list[float] = []
        self.identifier: list[int] = []
        self.length: list[int] = []
        self.payload: list[Any] = []
        self.channel: list[Any] = []
        self.flags: dict[int, list[bool]] = {
            bit: [] for bit in (EXTENDED, FD, ERROR, REMOTE, BIT_RATE_SWITCH, _RECEIVED)
        }

    def add(self, block: list[Any]) -> None:
        self.time += [m.timestamp for m in block]
        self.identifier += [m.arbitration_id for m in block]
        self.length += [m.dlc for m in block]
        self.payload += [m.data for m in block]
        self.channel += [m.channel for m in block]
        flags = self.flags
        flags[EXTENDED] += [m.is_extended_id for m in block]
        flags[FD] += [m.is_fd for m in block]
        flags[ERROR] += [m.is_error_frame for m in block]
        flags[REMOTE] += [m.is_remote_frame for m in block]
        flags[BIT_RATE_SWITCH] += [m.bitrate_switch for m in block]
        flags[_RECEIVED] += [m.is_rx for m in block]

    def words(self, row: int) -> str:
        """One row as an example of what can't be a frame."""
        payload = bytes(self.payload[row]).hex(" ").upper()
        identifier: Any = self.identifier[row]
        shown = f"{identifier:X}" if isinstance(identifier, int) else identifier
        return f"{self.time[row]} {self.channel[row]} {shown} [{self.length[row]}] {payload}"


def _columns(rows: _MessageRows, buses: BusNames, notes: NoteTaker) -> Columns:
    """Columns of python-can messages; messages that can't be frames are counted."""
    time = _times(rows.time)
    identifier, length = _integers(rows.identifier), _integers(rows.length)
    payloads = rows.payload
    held = np.fromiter(map(len, payloads), dtype=np.int64, count=len(payloads))
    flag = np.full(len(time), SENT, dtype=np.uint8)
    for bit, column in rows.flags.items():
        if True in column:
            true = np.frombuffer(bytes(column), dtype=np.uint8)
            if bit == _RECEIVED:
                flag -= true * np.uint8(SENT)
            else:
                flag |= true * np.uint8(bit)
    numbers = {c: buses.number(_NO_BUS if c is None else str(c).encode()) for c in dict.fromkeys(rows.channel)}
    if len(numbers) == 1:
        bus = np.full(len(time), -1 if None in numbers.values() else next(iter(numbers.values())), dtype=np.int16)
    else:
        bus = np.array([-1 if numbers[c] is None else numbers[c] for c in rows.channel], dtype=np.int16)

    error, remote = (flag & ERROR) != 0, (flag & REMOTE) != 0
    # of an error frame only that it came is kept, of a remote frame the length it asks for
    identifier[error] = 0
    length[error] = 0
    flag[error] &= ERROR | SENT
    carries = ~(error | remote)
    most = np.where((flag & FD) != 0, 64, 8)
    top = np.where((flag & EXTENDED) != 0, 0x1FFF_FFFF, 0x7FF)
    good = np.isfinite(time) & (np.abs(time) < 9.2e9) & (identifier >= 0) & (identifier <= top) & (bus >= 0)
    good &= (length >= 0) & (length <= most) & ((held == length) | ~carries)
    if not good.all():
        for row in np.flatnonzero(~good).tolist():
            notes.unreadable_line(rows.words(row))
        time, identifier, length = np.where(good, time, 0.0), np.where(good, identifier, 0), np.where(good, length, 0)
    if not (good & carries).all():
        held = np.where(good & carries, held, 0)
        payloads = [payload for payload, size in zip(payloads, held.tolist(), strict=True) if size]
    width = 64 if int(length.max(initial=0)) > 8 else 8
    payload = np.zeros((len(time), width), dtype=np.uint8)
    data = np.frombuffer(b"".join(payloads), dtype=np.uint8)
    if data.size == payload.size:
        payload = data.reshape(payload.shape)
    else:
        payload[np.arange(width) < held[:, None]] = data
    columns = Columns(
        _nanoseconds(time),
        identifier.astype(np.uint32),
        flag,
        np.maximum(bus, 0).astype(np.uint8),
        length.astype(np.uint8),
        payload,
    )
    return columns if good.all() else columns.rows(good)


def _integers(values: list[Any]) -> np.ndarray[Any, np.dtype[np.int64]]:
    """A column of integers; what no field of a frame could hold (a database holds anything) becomes -1."""
    if set(map(type, values)) <= {int}:
        with contextlib.suppress(OverflowError):
            return np.array(values, dtype=np.int64)
    whole = (value if isinstance(value, int) and abs(value) < 2**63 else -1 for value in values)
    return np.fromiter(whole, dtype=np.int64, count=len(values))


def _times(values: list[Any]) -> np.ndarray[Any, np.dtype[np.float64]]:
    """A column of seconds; what is no number becomes not a number."""
    if set(map(type, values)) <= {float, int}:
        return np.array(values, dtype=np.float64)
    seconds = (value if isinstance(value, float | int) else np.nan for value in values)
    return np.fromiter(seconds, dtype=np.float64, count=len(values))


def _nanoseconds(time: np.ndarray[Any, np.dtype[np.float64]]) -> np.ndarray[Any, np.dtype[np.int64]]:
    """Nanoseconds from python-can's floating-point seconds, without the digits that a double only makes up."""
    whole = np.floor(time)
    part = time - whole
    coarse = float(np.spacing(np.abs(time).max(initial=0.0))) > _COARSE_S
    parts = np.rint(part * 1e6) * 1000 if coarse else np.rint(part * 1e9)
    nanoseconds: np.ndarray[Any, np.dtype[np.int64]] = whole.astype(np.int64) * 1_000_000_000 + parts.astype(np.int64)
    return nanoseconds
