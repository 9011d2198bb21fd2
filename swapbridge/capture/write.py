"""Capture room: frames written as a text `.log`, the form that every tool reads; vectorised like its reader."""

from __future__ import annotations

import gzip
from collections.abc import Iterable
from pathlib import Path
from typing import IO

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import BIT_RATE_SWITCH, ERROR, EXTENDED, FD, REMOTE, SENT, Capture
from swapbridge.core.files import written_whole

_ROWS = 1 << 14
"""Frames formatted at once: their text stays in cache."""
_ERROR_TEXT = 0x2000_0080
"""Identifier field of an error frame: SocketCAN's error bit and its bus error class."""
_HEX_PAIRS = np.frombuffer(b"".join(b"%02X" % i for i in range(256)), dtype=np.uint8).reshape(256, 2)
_THREE_DIGITS = np.frombuffer(b"".join(b"%03d" % i for i in range(1000)), dtype=np.uint8).reshape(1000, 3)
_GZIP_LEVEL = 6


def write_capture(capture: Capture, path: str | Path) -> None:
    """Write a text log, gzip where the name ends in ``.gz``; the file appears whole or not at all.

    Times have six digits behind the point, nine where the capture needs them. A frame that the recording node sent
    carries a T behind it. Reading the file gives the same frames in the same order.

    Raises
    ------
    InputError
        The file can't be written.
    """
    write_captures([capture], path)


def write_captures(blocks: Iterable[Capture], path: str | Path) -> None:
    """`write_capture` for frames that come in blocks, such as those of `read_blocks`."""
    with written_whole(path) as temporary, open(temporary, "wb") as file:
        if Path(path).suffix.lower() == ".gz":
            # no name and no date inside, so that the same frames give the same bytes
            with gzip.GzipFile("", "wb", _GZIP_LEVEL, file, mtime=0) as zipped:
                _write(blocks, zipped)
        else:
            _write(blocks, file)


def _write(blocks: Iterable[Capture], file: IO[bytes] | gzip.GzipFile) -> None:
    for block in blocks:
        for start in range(0, len(block), _ROWS):
            file.write(log_text(block.select(slice(start, start + _ROWS))))


def log_text(capture: Capture) -> bytes:
    """Lines of a text log for these frames.

    Every possible character of a line gets a place in a wide matrix; those a line does not have are masked out.
    """
    rows = len(capture)
    if not rows:
        return b""
    if int(capture.time_ns.min()) < 0:
        return b"".join(_line(capture, row) for row in range(rows))
    flags, length = capture.flags, capture.length
    error, remote, fd = (flags & ERROR) != 0, (flags & REMOTE) != 0, (flags & FD) != 0
    carries = ~(error | remote)
    names = [name.encode() for name in capture.bus_names]
    longest = max(len(name) for name in names)
    bytes_wide = int(length[carries].max(initial=0))

    seconds, nanoseconds = np.divmod(capture.time_ns, 1_000_000_000)
    digits = 9 if (nanoseconds % 1000).any() else 6
    whole = int(seconds.max())
    whole_digits = len(str(whole))
    at_seconds = 1
    at_fraction = at_seconds + 12 + 1
    at_bus = at_fraction + digits + 2
    at_identifier = at_bus + longest + 1
    at_mark = at_identifier + 8
    at_data = at_mark + 3
    at_tail = at_data + 2 * bytes_wide
    width = at_tail + 5
    text = np.empty((rows, width), dtype=np.uint8)
    kept = np.ones((rows, width), dtype=bool)

    text[:, 0] = ord("(")
    _digits(text[:, at_seconds : at_seconds + 12], seconds)
    kept[:, at_seconds : at_seconds + 12 - whole_digits] = False
    for place in range(12 - whole_digits, 11):
        kept[:, at_seconds + place] = seconds >= 10 ** (11 - place)
    text[:, at_fraction - 1] = ord(".")
    _digits(text[:, at_fraction : at_fraction + digits], nanoseconds if digits == 9 else nanoseconds // 1000)
    text[:, at_fraction + digits : at_bus] = np.frombuffer(b") ", dtype=np.uint8)
    name_table = np.frombuffer(b"".join(name.ljust(longest) for name in names), dtype=np.uint8).reshape(-1, longest)
    text[:, at_bus : at_bus + longest] = name_table[capture.bus]
    sizes = np.array([len(name) for name in names])[capture.bus]
    kept[:, at_bus : at_bus + longest] = np.arange(longest) < sizes[:, None]
    text[:, at_identifier - 1] = ord(" ")
    word = np.where(error, np.uint32(_ERROR_TEXT), capture.identifier).astype(">u4")
    text[:, at_identifier:at_mark] = _HEX_PAIRS[word.view(np.uint8).reshape(-1, 4)].reshape(-1, 8)
    kept[:, at_identifier : at_identifier + 5] = (((flags & EXTENDED) != 0) | error)[:, None]
    text[:, at_mark : at_mark + 2] = ord("#")
    text[:, at_mark + 2] = ord("0") + ((flags & BIT_RATE_SWITCH) != 0)
    kept[:, at_mark + 1 : at_data] = (fd & ~error)[:, None]
    text[:, at_data:at_tail] = _HEX_PAIRS[capture.payload[:, :bytes_wide]].reshape(rows, -1)
    shown = np.where(carries, length, 0)
    kept[:, at_data:at_tail] = np.repeat(np.arange(bytes_wide) < shown[:, None], 2, axis=1)
    text[:, at_tail] = ord("R")
    kept[:, at_tail] = remote & ~error
    text[:, at_tail + 1] = ord("0") + length
    kept[:, at_tail + 1] = remote & ~error & (length > 0)
    text[:, at_tail + 2 : at_tail + 4] = np.frombuffer(b" T", dtype=np.uint8)
    kept[:, at_tail + 2 : at_tail + 4] = ((flags & SENT) != 0)[:, None]
    text[:, at_tail + 4] = ord("\n")
    return text[kept].tobytes()


def _digits(room: npt.NDArray[np.uint8], value: npt.NDArray[np.int64]) -> None:
    """Decimal digits with leading zeros, three at a time from the right."""
    for at in range(room.shape[1] - 3, -1, -3):
        value, three = np.divmod(value, 1000)
        room[:, at : at + 3] = _THREE_DIGITS[three]


def _line(capture: Capture, row: int) -> bytes:
    """One line the plain way, for times before the clock's zero, which only odd loggers write."""
    flags, length = int(capture.flags[row]), int(capture.length[row])
    time_ns = int(capture.time_ns[row])
    seconds, nanoseconds = divmod(abs(time_ns), 1_000_000_000)
    sign = "-" if time_ns < 0 else ""
    identifier = f"{capture.identifier[row]:08X}" if flags & EXTENDED else f"{capture.identifier[row]:03X}"
    if flags & ERROR:
        frame = f"{_ERROR_TEXT:08X}#"
    elif flags & REMOTE:
        frame = f"{identifier}#R{length or ''}"
    else:
        mark = f"##{int(bool(flags & BIT_RATE_SWITCH))}" if flags & FD else "#"
        frame = identifier + mark + capture.payload[row, :length].tobytes().hex().upper()
    tail = " T" if flags & SENT else ""
    bus = capture.bus_names[capture.bus[row]]
    return f"({sign}{seconds}.{nanoseconds:09d}) {bus} {frame}{tail}\n".encode()
