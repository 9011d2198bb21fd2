"""Capture room: the logs that python-can's readers read (`.asc`, `.blf`, `.trc`, `.csv`, `.mf4`, `.db`), as columns.

python-can stops at the first line it can't read and skips others without a word. Text forms are handed to it line by
line here, so that the reader can go on behind a bad line and every line that became no frame is counted.
"""

from __future__ import annotations

import io
import logging
import re
import struct
import zlib
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any, TextIO, cast

import numpy as np

from swapbridge.capture.capture import BIT_RATE_SWITCH, ERROR, EXTENDED, FD, REMOTE, SENT
from swapbridge.capture.columns import BusNames, Columns, NoteTaker
from swapbridge.capture.source import Source, line_blocks
from swapbridge.core.errors import InputError, MissingToolError

TEXT_FORMS = ("asc", "trc", "csv")
BINARY_FORMS = ("blf", "mf4", "db")
_MESSAGES = 1 << 15
_NO_BUS = b"0"
_COARSE_S = 1e-8
"""Where doubles near a time are further apart than this, its logger's microseconds are all that is known."""
CSV_HEADER = "timestamp,arbitration_id,extended,remote,error,dlc,data"
_ASC_FRAME = re.compile(r"\s*\d+\.\d+\s+(?:\d+|CANFD)\s+\S")
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
    struct.error,
    zlib.error,
)
"""What python-can's readers raise on a damaged file, besides the one error of its own for .blf."""


def other_columns(form: str, path: Path, source: Source, buses: BusNames, notes: NoteTaker) -> Iterator[Columns]:
    """Columns of a log in one of `TEXT_FORMS` or `BINARY_FORMS`, some ten thousand frames at a time.

    Raises
    ------
    InputError
        Nothing of the file can be read in that form.
    MissingToolError
        The form needs a package that is not installed.
    """
    logging.getLogger("can").addHandler(logging.NullHandler())  # what it warns of is counted here
    if form in TEXT_FORMS:
        messages = _text_messages(form, path, source, notes)
    else:
        messages = _binary_messages(form, path, source, notes)
    yield from _columns(messages, buses, notes)
    if source.trouble:
        notes.stopped = source.trouble


class _Lines:
    """Lines for a text reader of python-can, one at a time, so that it is known which became frames."""

    def __init__(self, source: Source, is_frame: Callable[[str], bool], notes: NoteTaker) -> None:
        self._lines = self._all(source, notes)
        self._is_frame, self._notes = is_frame, notes
        self._waiting = ""
        self._again: list[str] = []
        self._at_end = False

    def _all(self, source: Source, notes: NoteTaker) -> Iterator[str]:
        for text, begin, end, torn in line_blocks(source.stream, notes):
            self._at_end = torn
            # utf-8 or not: names and comments may hold anything, frames are ASCII
            yield from io.StringIO(text[begin:end].tobytes().decode("utf-8", errors="replace"), newline=None)

    def __iter__(self) -> Iterator[str]:
        return self

    def __next__(self) -> str:
        if self._waiting:
            self.refused()
        if self._again:
            return self._again.pop()
        line = next(self._lines)
        if self._is_frame(line):
            self._waiting = line
        return line

    def read_as_frame(self) -> None:
        """The line handed out last was a frame."""
        self._waiting = ""

    def refused(self) -> bool:
        """Count the line handed out last where it should have been a frame; whether there was one."""
        line, self._waiting = self._waiting, ""
        if line and self._at_end:
            self._notes.torn = True
        elif line:
            self._notes.unreadable_line(line)
        return bool(line)

    def put_back(self, line: str) -> None:
        """Hand out this line next."""
        self._again.append(line)

    def close(self) -> None:
        """Called by python-can's readers; the source is closed by whoever opened it."""


def _text_messages(form: str, path: Path, source: Source, notes: NoteTaker) -> Iterator[Any]:
    import can

    if form == "asc":
        lines = _Lines(source, lambda line: _ASC_FRAME.match(line) is not None, notes)
        reader: Any = can.ASCReader(cast("TextIO", lines))
        resume = "no internal events logged\n"  # ends the header, which the reader looks for whenever it begins
    elif form == "trc":
        lines = _Lines(source, lambda line: line.strip() != "" and not line.lstrip().startswith(";"), notes)
        reader, resume = can.TRCReader(cast("TextIO", lines)), ""
    else:
        lines = _Lines(source, lambda line: line.strip() not in ("", CSV_HEADER), notes)
        reader, resume = can.CSVReader(cast("TextIO", lines)), CSV_HEADER + "\n"
        if next(lines, "").strip().lower() != CSV_HEADER:
            raise InputError(
                f"{path} is a CSV file but not one of frames, whose first line is {CSV_HEADER}; a stimulus file goes "
                "with --stimulus"
            )
        lines.put_back(resume)
    while True:
        try:
            for message in reader:
                lines.read_as_frame()
                yield message
            lines.refused()
            return
        except _READER_ERRORS as error:
            if not lines.refused():
                raise InputError(
                    f"{path} can't be read as .{form} ({_words(error)}): name a capture, with the suffix of its form"
                ) from error
            if resume:
                lines.put_back(resume)


def _binary_messages(form: str, path: Path, source: Source, notes: NoteTaker) -> Iterator[Any]:
    import can

    read = 0
    try:
        if form == "blf":
            reader: Any = can.BLFReader(source.stream)
            if source.gzip is None and reader.file_size > path.stat().st_size:
                notes.stopped = f"the file is shorter than its header says: frames up to byte {path.stat().st_size:,}"
        elif form == "mf4":
            reader = can.MF4Reader(source.stream if source.gzip else str(path))
        else:
            reader = can.SqliteReader(str(path))
        for message in reader:
            read += 1
            yield message
    except NotImplementedError as error:
        if form == "mf4" and "asammdf" in str(error):
            raise MissingToolError(
                f"reading {path} needs the package asammdf: install it with pip install 'swapbridge[mf4]'"
            ) from error
        raise
    except (*_READER_ERRORS, can.io.blf.BLFParseError) as error:
        if not read:
            raise InputError(f"{path} can't be read as .{form} ({_words(error)}): name a capture") from error
        notes.stopped = f"the file is damaged behind frame {read:,} ({_words(error)}); the frames before it were read"


def _words(error: BaseException) -> str:
    return " ".join(str(error).split()) or type(error).__name__


def _columns(messages: Iterable[Any], buses: BusNames, notes: NoteTaker) -> Iterator[Columns]:
    """Columns of python-can messages; messages that can't be frames are counted."""
    times: list[float] = []
    identifiers: list[int] = []
    flags: list[int] = []
    numbers: list[int] = []
    lengths: list[int] = []
    payloads: list[Any] = []
    bus_of: dict[Any, int] = {}

    def block() -> Columns:
        out = _block(times, identifiers, flags, numbers, lengths, payloads, notes)
        for column in (times, identifiers, flags, numbers, lengths, payloads):
            column.clear()
        return out

    for message in messages:
        channel = message.channel
        number = bus_of.get(channel)
        if number is None:
            written = _NO_BUS if channel is None else str(channel).encode()
            found = buses.number(written)
            if found is None:
                notes.unreadable_line(str(message))
                continue
            number = bus_of[channel] = found
        times.append(message.timestamp)
        identifiers.append(message.arbitration_id)
        flags.append(
            message.is_extended_id * EXTENDED
            | message.is_fd * FD
            | message.is_error_frame * ERROR
            | message.is_remote_frame * REMOTE
            | (not message.is_rx) * SENT
            | message.bitrate_switch * BIT_RATE_SWITCH
        )
        numbers.append(number)
        lengths.append(message.dlc)
        payloads.append(message.data)
        if len(times) == _MESSAGES:
            yield block()
    yield block()


def _block(
    times: list[float],
    identifiers: list[int],
    flags: list[int],
    numbers: list[int],
    lengths: list[int],
    payloads: list[Any],
    notes: NoteTaker,
) -> Columns:
    flag = np.array(flags, dtype=np.uint8)
    time = np.array(times, dtype=np.float64)
    identifier, length = _integers(identifiers), _integers(lengths)
    held = np.array([len(payload) for payload in payloads], dtype=np.int64)
    error, remote = (flag & ERROR) != 0, (flag & REMOTE) != 0
    # of an error frame only that it came is kept, of a remote frame the length it asks for
    identifier[error] = 0
    length[error] = 0
    flag[error] &= ERROR | SENT
    carries = ~(error | remote)
    most = np.where((flag & FD) != 0, 64, 8)
    top = np.where((flag & EXTENDED) != 0, 0x1FFF_FFFF, 0x7FF)
    good = np.isfinite(time) & (np.abs(time) < 9.2e9) & (identifier >= 0) & (identifier <= top)
    good &= (length >= 0) & (length <= most) & ((held == length) | ~carries)
    for row in np.flatnonzero(~good).tolist():
        notes.unreadable_line(f"{times[row]} {identifiers[row]:X} {bytes(payloads[row]).hex(' ').upper()}")
    held = np.where(carries & good, held, 0)
    width = 64 if int(length[good].max(initial=0)) > 8 else 8
    payload = np.zeros((len(time), width), dtype=np.uint8)
    data = b"".join([bytes(one) for one, some in zip(payloads, held.tolist(), strict=True) if some])
    payload[np.arange(width) < held[:, None]] = np.frombuffer(data, dtype=np.uint8)
    columns = Columns(
        _nanoseconds(np.where(good, time, 0.0)),
        np.where(good, identifier, 0).astype(np.uint32),
        flag,
        np.array(numbers, dtype=np.uint8),
        np.where(good, length, 0).astype(np.uint8),
        payload,
    )
    return columns if good.all() else columns.rows(good)


def _integers(values: list[int]) -> np.ndarray[Any, np.dtype[np.int64]]:
    """A column of integers; those that no field of a frame could hold become -1."""
    try:
        return np.array(values, dtype=np.int64)
    except OverflowError:
        return np.array([value if abs(value) < 2**63 else -1 for value in values], dtype=np.int64)


def _nanoseconds(time: np.ndarray[Any, np.dtype[np.float64]]) -> np.ndarray[Any, np.dtype[np.int64]]:
    """Nanoseconds from python-can's floating-point seconds, without the digits that a double only makes up."""
    whole = np.floor(time)
    part = time - whole
    coarse = float(np.spacing(np.abs(time).max(initial=0.0))) > _COARSE_S
    parts = np.rint(part * 1e6) * 1000 if coarse else np.rint(part * 1e9)
    nanoseconds: np.ndarray[Any, np.dtype[np.int64]] = whole.astype(np.int64) * 1_000_000_000 + parts.astype(np.int64)
    return nanoseconds
