"""Capture room: the text `.log` form, ``(seconds) bus ID#DATA``, read as columns.

A block of whole lines is searched once for marks (space, ``#``, line end: all characters up to 35). Lines whose marks
stand as usual are read column by column, eight characters at a time (`words`). Every other line goes one at a time
through `read_line`, which alone defines what a line means.
"""

from __future__ import annotations

import re

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import BIT_RATE_SWITCH, ERROR, EXTENDED, FD, REMOTE, SENT
from swapbridge.capture.columns import BusNames, Columns, Frame, NoteTaker, columns_of, padded_to
from swapbridge.capture.digits import (
    FIRST,
    LAST,
    U64,
    Bytes,
    Index,
    all_marked,
    decimal_value,
    digit_marks,
    fill_zeros,
    hex_marks,
    hex_value,
    word_view,
)

PAD = 32
"""Bytes that must stand before and behind the lines in a block, so that words may be loaded across its edges."""
_ERROR_WORD = 0x2000_0000
_IDENTIFIER = 0x1FFF_FFFF
_LATEST_NS = 2**63 - 1
_LONGEST_BUS = 32
_SPACE, _HASH, _RETURN, _LINE = 32, 35, 13, 10
_USUAL = np.array([_SPACE, _SPACE, _HASH, _LINE], dtype=np.uint8)
_TIME = re.compile(rb"\((-?)(\d+)(?:\.(\d*))?\)")
_DATA = re.compile(rb"[0-9A-Fa-f]*")


def read_line(line: bytes, buses: BusNames) -> Frame | None:
    """One frame from one line without its end, or None when the line is no frame.

    ``(time) bus ID#DATA``, ``ID##FLAGS DATA`` (CAN FD, one hex digit of flags), ``ID#R`` or ``ID#R8`` (remote), then
    R (received) or T (sent) where the logger says so. Up to three identifier digits make an 11-bit identifier.

    Parameters
    ----------
    line : bytes
        One line, without its line end.
    buses : BusNames
        Names met so far; a new one is added.

    Returns
    -------
    Frame or None
        The frame, or None when the line is not a frame.
    """
    parts = line.split()
    if len(parts) == 4 and parts[3] in (b"R", b"T", b"r", b"t"):
        flags = SENT if parts[3] in b"Tt" else 0
    elif len(parts) == 3:
        flags = 0
    else:
        return None
    time = _TIME.fullmatch(parts[0])
    identifier_text, mark, data = parts[2].partition(b"#")
    if time is None or not mark or not 1 <= len(identifier_text) <= 8 or not _DATA.fullmatch(identifier_text):
        return None
    fraction = (time[3] or b"")[:10].ljust(10, b"0")
    time_ns = int(time[2]) * 1_000_000_000 + (int(fraction) + 5) // 10
    if time_ns > _LATEST_NS:
        return None
    word = int(identifier_text, 16)
    extended = len(identifier_text) > 3
    bus = buses.number(parts[1])
    if bus is None or (not extended and word > 0x7FF):
        return None
    length, payload, most = 0, b"", 8
    if extended:
        flags |= EXTENDED
    if data[:1] == b"#":
        if not _DATA.fullmatch(data[1:2]) or len(data) < 2:
            return None
        flags |= FD | (BIT_RATE_SWITCH if int(data[1:2], 16) & 1 else 0)
        data, most = data[2:], 64
    if data[:1] in (b"R", b"r") and not flags & FD:
        if not re.fullmatch(rb"[0-8]?", data[1:]):
            return None
        flags |= REMOTE
        length = int(data[1:] or b"0")
    else:
        if len(data) % 2 or not _DATA.fullmatch(data) or len(data) > 2 * most:
            return None
        payload = bytes.fromhex(data.decode("ascii"))
        length = len(payload)
    if word & _ERROR_WORD and extended:
        return (-time_ns if time[1] else time_ns), 0, ERROR | (flags & SENT), bus, b"", 0
    return (-time_ns if time[1] else time_ns), word & _IDENTIFIER, flags, bus, payload, length


def read_block(text: Bytes, begin: int, end: int, buses: BusNames, notes: NoteTaker) -> Columns:
    """Frames of the whole lines in ``text[begin:end]``.

    `text` has `PAD` bytes before `begin` and behind `end`, and ``text[end - 1]`` is a line end. Lines that are no
    frames are counted in `notes`; blank ones are not.
    """
    marks = np.flatnonzero(text[begin:end] <= _HASH)
    marks += begin
    kind = text[marks]
    line_marks = np.flatnonzero(kind == _LINE)
    lines = len(line_marks)
    ends = marks[line_marks]
    starts = np.empty(lines, dtype=np.intp)
    starts[0] = begin
    starts[1:] = ends[:-1] + 1
    if len(marks) == 4 * lines and (kind.reshape(lines, 4) == _USUAL).all():
        place = np.ascontiguousarray(marks.reshape(lines, 4).T)
        usual = _LinePlaces(starts, place[0], place[1], place[2], place[3], None, None)
        rows = None
    else:
        usual, rows = _usual_lines(text, marks, kind, line_marks, starts, ends)
    columns, good = _read_usual(text, usual, buses)
    if rows is None and good is None:
        return columns
    # line numbers of what was read, and all others one at a time
    read = np.arange(lines) if rows is None else rows
    if good is not None:
        columns, read = columns.rows(good), read[good]
    odd = np.ones(lines, dtype=bool)
    odd[read] = False
    odd &= ends > starts
    frames, places = _read_odd(text, np.flatnonzero(odd), starts, ends, buses, notes)
    if not frames:
        return columns
    return _merged(columns, columns_of(frames), np.searchsorted(read, np.array(places)))


class _LinePlaces:
    """Positions in usual lines: line start, both spaces, the first ``#``, end of the data; CAN FD; sent."""

    __slots__ = ("end", "fd", "first_space", "hash", "second_space", "sent", "start")

    def __init__(
        self,
        start: Index,
        first_space: Index,
        second_space: Index,
        hash_: Index,
        end: Index,
        fd: npt.NDArray[np.bool_] | None,
        sent: npt.NDArray[np.bool_] | None,
    ) -> None:
        self.start, self.first_space, self.second_space, self.hash, self.end = (
            start,
            first_space,
            second_space,
            hash_,
            end,
        )
        self.fd, self.sent = fd, sent


def _usual_lines(
    text: Bytes, marks: Index, kind: Bytes, line_marks: Index, starts: Index, ends: Index
) -> tuple[_LinePlaces, Index]:
    """Lines that have the usual marks, CR LF, direction letter and CAN FD included, and their line numbers."""
    marks = np.concatenate((marks, np.zeros(4, dtype=marks.dtype)))
    kind = np.concatenate((kind, np.zeros(4, dtype=kind.dtype)))
    first = np.zeros(len(line_marks), dtype=np.intp)
    first[1:] = line_marks[:-1] + 1
    last = line_marks - 1
    end = ends.copy()
    returned = (last >= first) & (kind[last] == _RETURN) & (marks[last] == end - 1)
    end -= returned
    last -= returned
    letter = text[end - 1] & 0xDF
    directed = (last >= first) & (kind[last] == _SPACE) & (marks[last] == end - 2)
    directed &= (letter == ord("R")) | (letter == ord("T"))
    sent = directed & (letter == ord("T"))
    end -= 2 * directed
    last -= directed
    count = last - first + 1
    usual = (count == 3) | ((count == 4) & (kind[first + 3] == _HASH) & (marks[first + 3] == marks[first + 2] + 1))
    usual &= (kind[first] == _SPACE) & (kind[first + 1] == _SPACE) & (kind[first + 2] == _HASH)
    rows = np.flatnonzero(usual)
    first, fd, sent = first[rows], count[rows] == 4, sent[rows]
    return (
        _LinePlaces(
            starts[rows],
            marks[first],
            marks[first + 1],
            marks[first + 2],
            end[rows],
            fd if fd.any() else None,
            sent if sent.any() else None,
        ),
        rows,
    )


def _read_usual(text: Bytes, lines: _LinePlaces, buses: BusNames) -> tuple[Columns, npt.NDArray[np.bool_] | None]:
    """Columns of lines with usual marks, and which rows were good (None: all)."""
    words = word_view(text)
    count = len(lines.start)
    good = np.ones(count, dtype=bool)
    time_ns = _times(text, words, lines, good)
    identifier, flags = _identifiers(words, lines, good)
    bus = _buses(text, words, lines, buses, good)
    data = lines.hash + 1
    if lines.fd is not None:
        data += 2 * lines.fd
        fd_flags = text[lines.hash + 2].astype(np.int64)
        fd_flags -= 48
        # the flags are one digit here; a hex letter goes the slow way
        good &= ~lines.fd | ((fd_flags >= 0) & (fd_flags <= 9))
        flags |= np.where(lines.fd, FD + BIT_RATE_SWITCH * (fd_flags & 1), 0).astype(np.uint8)
    characters = lines.end - data
    good &= (characters & 1) == 0
    good &= (characters >= 0) & (characters <= (16 if lines.fd is None else np.where(lines.fd, 128, 16)))
    if not good.all():
        characters = np.where(good, characters, 0)
    payload = _payload(words, data, characters, good)
    length = (characters >> 1).astype(np.uint8)
    if lines.sent is not None:
        flags |= SENT * lines.sent.astype(np.uint8)
    error = (identifier & np.uint32(_ERROR_WORD)) != 0
    if error.any():
        flags[error] = ERROR | (flags[error] & SENT)
        identifier[error] = 0
        length[error] = 0
        payload[error] = 0
    identifier &= np.uint32(_IDENTIFIER)
    return Columns(time_ns, identifier, flags, bus, length, payload), None if good.all() else good


def _times(text: Bytes, words: U64, lines: _LinePlaces, good: npt.NDArray[np.bool_]) -> npt.NDArray[np.int64]:
    """Nanoseconds, by integers only."""
    close = lines.first_space - 1
    good &= (text[lines.start] == ord("(")) & (text[close] == ord(")"))
    # most logs have six digits behind the point; others are looked for where that fails
    point = close - 7
    missing = np.flatnonzero(text[point] != ord("."))
    for digits in (9, 3, 7, 8, 1, 2, 4, 5):
        if not len(missing):
            break
        point[missing] = close[missing] - digits - 1
        missing = missing[text[point[missing]] != ord(".")]
    good[missing] = False
    whole_digits = point - lines.start - 1
    good &= (whole_digits >= 1) & (whole_digits <= 10)
    whole_digits = np.clip(whole_digits, 1, 10)
    fraction_digits = np.clip(close - point - 1, 1, 9)
    point = np.maximum(point, PAD // 2)
    low = fill_zeros(words[point - 8], LAST[np.minimum(whole_digits, 8)])
    high = fill_zeros(words[point - 16], LAST[np.maximum(whole_digits, 8) - 8])
    fraction = fill_zeros(words[point + 1], FIRST[np.minimum(fraction_digits, 8)])
    good &= all_marked(digit_marks(low) & digit_marks(high) & digit_marks(fraction))
    seconds = decimal_value(high) * np.uint64(100_000_000) + decimal_value(low)
    good &= seconds < np.uint64(9_223_372_036)
    nanoseconds = decimal_value(fraction) * np.uint64(10)
    nine = fraction_digits == 9
    if nine.any():
        ninth = text[close - 1] - np.uint8(48)
        good &= ~nine | (ninth <= 9)
        nanoseconds += np.where(nine, ninth, 0).astype(np.uint64)
    return (seconds * np.uint64(1_000_000_000) + nanoseconds).astype(np.int64)


def _identifiers(
    words: U64, lines: _LinePlaces, good: npt.NDArray[np.bool_]
) -> tuple[npt.NDArray[np.uint32], npt.NDArray[np.uint8]]:
    """Identifiers with the error bit still in, and flags that only say which are 29-bit."""
    digits = lines.hash - lines.second_space - 1
    good &= (digits >= 1) & (digits <= 8)
    word = fill_zeros(words[lines.hash - 8], LAST[np.clip(digits, 0, 8)])
    good &= all_marked(hex_marks(word))
    identifier = hex_value(word).astype(np.uint32).byteswap()
    extended = digits > 3
    good &= extended | (identifier <= 0x7FF)
    return identifier, extended.astype(np.uint8) * np.uint8(EXTENDED)


def _buses(
    text: Bytes, words: U64, lines: _LinePlaces, buses: BusNames, good: npt.NDArray[np.bool_]
) -> npt.NDArray[np.uint8]:
    """Bus numbers: one round of comparisons a name."""
    out = np.zeros(len(good), dtype=np.uint8)
    begin = lines.first_space + 1
    size = lines.second_space - begin
    good &= (size >= 1) & (size <= _LONGEST_BUS)
    waiting = np.flatnonzero(good)
    while len(waiting):
        row = waiting[0]
        written = text[begin[row] : begin[row] + size[row]].tobytes()
        same = size[waiting] == len(written)
        for at in range(0, len(written), 8):
            part = written[at : at + 8]
            word = words[begin[waiting] + at] & FIRST[len(part)]
            same &= word == np.uint64(int.from_bytes(part, "little"))
        number = buses.number(written)
        mine = waiting[same]
        if number is None:
            good[mine] = False
        else:
            out[mine] = number
        waiting = waiting[~same]
    return out


def _payload(
    words: U64, data: Index, characters: npt.NDArray[np.intp], good: npt.NDArray[np.bool_]
) -> npt.NDArray[np.uint8]:
    """Payload bytes, zero beyond the data; rows that are not hex lose their `good`."""
    longest = int(characters.max(initial=0))
    first, marks = _hex_at(words, data, characters)
    second, more = _hex_at(words, data + 8, characters - 8)
    good &= all_marked(marks & more)
    eight = (first | (second << np.uint64(32))).astype("<u8")
    payload = eight.view(np.uint8).reshape(-1, 8)
    if longest <= 16:
        return payload
    payload = padded_to(payload, 64)
    four = payload.view("<u4")
    for at in range(16, longest, 8):
        rows = np.flatnonzero(characters > at)
        value, marks = _hex_at(words, data[rows] + at, characters[rows] - at)
        good[rows] &= all_marked(marks)
        four[rows, at // 8] = value
    return payload


def _hex_at(words: U64, at: Index, characters: npt.NDArray[np.intp]) -> tuple[U64, U64]:
    keep = FIRST[np.clip(characters, 0, 8)]
    word = fill_zeros(words[np.minimum(at, len(words) - 1)], keep)
    return hex_value(word), hex_marks(word)


def _read_odd(
    text: Bytes, rows: Index, starts: Index, ends: Index, buses: BusNames, notes: NoteTaker
) -> tuple[list[Frame], list[int]]:
    """Frames of unusual lines, one at a time, and the line each came from."""
    frames: list[Frame] = []
    places: list[int] = []
    for row in rows.tolist():
        # a lone CR ends a line too, as it does for Python's own text files
        for line in text[starts[row] : ends[row]].tobytes().split(b"\r"):
            frame = read_line(line, buses)
            if frame is not None:
                frames.append(frame)
                places.append(row)
            elif line.strip():
                notes.unreadable_line(line)
    return frames, places


def _merged(usual: Columns, odd: Columns, places: npt.NDArray[np.intp]) -> Columns:
    """Both in file order; `places` says before which usual row each odd one stands."""
    width = max(usual.payload.shape[1], odd.payload.shape[1])
    return Columns(
        np.insert(usual.time_ns, places, odd.time_ns),
        np.insert(usual.identifier, places, odd.identifier),
        np.insert(usual.flags, places, odd.flags),
        np.insert(usual.bus, places, odd.bus),
        np.insert(usual.length, places, odd.length),
        np.insert(padded_to(usual.payload, width), places, padded_to(odd.payload, width), axis=0),
    )
