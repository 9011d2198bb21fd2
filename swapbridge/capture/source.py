"""Capture room: a recording's bytes, unzipped on the way where it is gzip, and which form they are of.

Standard library only: `swapbridge status` looks at recordings through this and loads no numpy.
"""

from __future__ import annotations

import io
import os
import re
import zlib
from pathlib import Path
from typing import NamedTuple

from swapbridge.capture.naming import CSV_HEADER, FORMS
from swapbridge.core.errors import InputError

GZIP_MAGIC = b"\x1f\x8b"
_COMPRESSED_BYTES = 1 << 17
_UNZIPPED_BYTES = 1 << 16

_MAGIC = {b"LOGG": "blf", b"MDF ": "mf4", b"SQLite f": "db", b"PAR1": "parquet"}
_SNIFFED = 4096
_FRAME = re.compile(rb"\(\d+(\.\d+)?\)\s+\S+\s+[0-9A-Fa-f]{1,8}#")
_LOOKS = (
    ("log", _FRAME),
    ("trc", re.compile(rb";\$FILEVERSION|;#+\s*\r?\n;", re.IGNORECASE)),
    ("asc", re.compile(rb"date\s+\w+\s|base\s+(hex|dec)\b", re.IGNORECASE)),
    ("csv", re.compile(CSV_HEADER.encode(), re.IGNORECASE)),
)


class GzipStream(io.RawIOBase):
    """Unzipped bytes of a gzip file; a file that was cut short or is damaged ends early and says so in `trouble`."""

    def __init__(self, file: io.BufferedReader) -> None:
        self._file = file
        self._member = zlib.decompressobj(wbits=31)
        self._waiting = b""
        self._begun = False
        self._before = self._member.copy()
        self._piece = b""
        self._given = 0
        self._rescued = b""
        self.trouble = ""

    def readable(self) -> bool:
        return True

    def readinto(self, room: memoryview) -> int:  # type: ignore[override]
        while not self.trouble:
            if self._member.eof:
                rest = self._member.unused_data
                self._member = zlib.decompressobj(wbits=31)
                self._begin_piece(rest.lstrip(b"\0"))
                self._begun = False
            if not self._waiting:
                self._begin_piece(self._file.read(_COMPRESSED_BYTES))
                if not self._waiting:
                    if self._begun:
                        self.trouble = "the gzip file is cut short; what comes before the cut was read"
                    break
            try:
                self._begun = True
                out = self._member.decompress(self._waiting, len(room))
            except zlib.error:
                self.trouble = "the gzip file is damaged; what comes before the damage was read"
                self._rescued = self._before_damage()[self._given :]
                break
            self._waiting = self._member.unconsumed_tail
            if out:
                self._given += len(out)
                room[: len(out)] = out
                return len(out)
        out = self._rescued[: len(room)]
        self._rescued = self._rescued[len(room) :]
        room[: len(out)] = out
        return len(out)

    def _begin_piece(self, piece: bytes) -> None:
        self._before, self._piece, self._given = self._member.copy(), piece, 0
        self._waiting = piece

    def _before_damage(self) -> bytes:
        """All that this piece gives up to the byte that can't be unzipped: zlib keeps back what a failing call had."""
        out = []
        try:
            for at in range(len(self._piece)):
                out.append(self._before.decompress(self._piece[at : at + 1]))
        except zlib.error:
            pass
        return b"".join(out)

    def close(self) -> None:
        self._file.close()
        super().close()


class LogSource(NamedTuple):
    """An open file: its bytes in order, the file itself and its size, and where trouble with gzip is noted."""

    stream: io.BufferedReader
    gzip: GzipStream | None
    file: io.BufferedReader
    size: int

    @property
    def share_read(self) -> float:
        """How much of the file has been read, 0 to 1."""
        return 1.0 if self.file.closed else self.file.tell() / self.size

    @property
    def trouble(self) -> str:
        return self.gzip.trouble if self.gzip is not None else ""


def open_source(path: Path) -> LogSource:
    """Open a file for reading, gzip or not by its first bytes.

    Raises
    ------
    InputError
        No such file, a folder, no permission, or empty.
    """
    try:
        file = open(path, "rb")  # noqa: SIM115 - closed by whoever reads the source
    except OSError as error:
        raise InputError(f"can't read {path}: {error.strerror}; name a file that exists") from error
    try:
        begin = file.peek(2)[:2]
        size = os.fstat(file.fileno()).st_size
    except OSError as error:
        file.close()
        raise InputError(f"can't read {path}: {error.strerror}; name a capture file") from error
    if not begin:
        file.close()
        raise InputError(f"{path} is empty: record again, or name another file")
    if begin == GZIP_MAGIC:
        unzipped = GzipStream(file)
        return LogSource(io.BufferedReader(unzipped, _UNZIPPED_BYTES), unzipped, file, size)
    return LogSource(file, None, file, size)


def form_of(path: Path, source: LogSource) -> str:
    """The form of an open file, by its first bytes where possible, otherwise by its suffix.

    Raises
    ------
    InputError
        The form is not known.
    """
    begin = source.stream.peek(_SNIFFED)[:_SNIFFED]
    for magic, form in _MAGIC.items():
        if begin.startswith(magic):
            if source.gzip is not None and form in ("db", "parquet"):
                raise InputError(f"{path} is a gzipped .{form} file: unzip it first")
            return form
    text = begin.lstrip(b"\xef\xbb\xbf \t\r\n")
    for form, looks in _LOOKS:
        if looks.match(text):
            return form
    suffixes = [suffix.lower().lstrip(".") for suffix in path.suffixes]
    if suffixes and suffixes[-1] in ("gz", "gzip"):
        suffixes.pop()
    named = suffixes[-1] if suffixes else ""
    if named == "txt":
        named = "log"
    if named in FORMS and named not in ("db", "parquet"):
        return named
    if named in FORMS:
        raise InputError(f"{path} is not a .{named} file, judging by its first bytes: name a capture")
    raise InputError(f"{path} has no known format: name a capture ({', '.join('.' + f for f in FORMS)})")


def begins_with_a_frame(path: Path) -> bool:
    """Whether a file begins as a text log with a frame: a quick look that a recording can be read.

    Raises
    ------
    InputError
        As `open_source`.
    """
    source = open_source(path)
    with source.stream:
        return _FRAME.match(source.stream.peek(_SNIFFED)) is not None
