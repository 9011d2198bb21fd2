"""Capture room: bytes of a file, unzipped on the way where it is gzip, and cut into blocks of whole lines."""

from __future__ import annotations

import io
import os
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import numpy as np

from swapbridge.capture.columns import EXAMPLE_CHARACTERS, NoteTaker
from swapbridge.capture.digits import Bytes
from swapbridge.capture.text_log import PAD
from swapbridge.core.errors import InputError

GZIP_MAGIC = b"\x1f\x8b"
BLOCK_BYTES = 1 << 20
"""Text handled at once: large enough that calls cost nothing, small enough that its columns stay in cache. A longer
line is no frame of any form."""
_COMPRESSED_BYTES = 1 << 17
_UNZIPPED_BYTES = 1 << 16


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
    """An open file: its bytes in order, the file itself and its size, and where trouble with gzip is told."""

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


class TextBlock(NamedTuple):
    """Whole lines ``text[begin:end]`` with `PAD` bytes on both sides; `torn` where the file has no last line end."""

    text: Bytes
    begin: int
    end: int
    torn: bool


def line_blocks(stream: io.BufferedReader, notes: NoteTaker) -> Iterator[TextBlock]:
    """Blocks of whole lines. A line longer than a block is counted as unreadable and never held whole."""
    carried = b""
    skipping = False
    while True:
        text = np.empty(BLOCK_BYTES + 2 * PAD + 1, dtype=np.uint8)
        room = memoryview(text)[PAD : PAD + BLOCK_BYTES]  # type: ignore[arg-type]
        filled = len(carried)
        room[:filled] = carried
        ended = False
        while filled < BLOCK_BYTES:
            got = stream.readinto(room[filled:])
            if not got:
                ended = True
                break
            filled += got
        begin = PAD
        if skipping:
            stop = bytes(room[:filled]).find(b"\n")
            skipping = stop < 0
            begin += filled if skipping else stop + 1
        last = bytes(room[begin - PAD : filled]).rfind(b"\n")
        end = begin + last + 1
        text[:PAD] = 0
        if end > begin:
            text[PAD + filled :] = 0
            yield TextBlock(text, begin, end, False)
        carried = bytes(room[end - PAD : filled])
        if ended:
            if carried and not skipping:
                text = np.zeros(len(carried) + 2 * PAD + 1, dtype=np.uint8)
                text[PAD : PAD + len(carried)] = np.frombuffer(carried, dtype=np.uint8)
                text[PAD + len(carried)] = ord("\n")
                yield TextBlock(text, PAD, PAD + len(carried) + 1, True)
            return
        if len(carried) == BLOCK_BYTES:
            notes.unreadable_line(carried[: 2 * EXAMPLE_CHARACTERS])
            carried, skipping = b"", True
