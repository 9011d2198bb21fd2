"""Capture room: stimulus tracks, what was done to or measured on the vehicle beside a capture."""

from __future__ import annotations

import csv
import io
import math
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import Capture, ReadNotes
from swapbridge.capture.columns import NoteTaker
from swapbridge.capture.line_blocks import line_blocks
from swapbridge.capture.source import open_source
from swapbridge.core.errors import InputError
from swapbridge.core.files import written_whole

Clock = Literal["absolute", "relative"]
HEADER = ("time_s", "channel", "value", "unit")
_ON_OFF = {"on": 1.0, "off": 0.0, "true": 1.0, "false": 0.0, "yes": 1.0, "no": 0.0}
_SAME_CLOCK_S = 1e-3
"""A capture that starts this near its clock's zero has the same absolute and relative times."""


@dataclass(frozen=True, slots=True)
class Channel:
    """One thing that was measured or switched.

    Attributes
    ----------
    name : str
    time_s : (N,) float64
        Seconds, ascending.
    value : (N,) float64
        Numbers; on is 1 and off is 0; for a channel of words the index into `texts`, held until the next.
    unit : str
    texts : tuple of str
        Words of a text channel in order of appearance; empty for a numeric channel.
    """

    name: str
    time_s: npt.NDArray[np.float64]
    value: npt.NDArray[np.float64]
    unit: str = ""
    texts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class StimulusTrack:
    """Channels of one stimulus file."""

    channels: dict[str, Channel]
    source: str = ""
    notes: ReadNotes = field(default_factory=ReadNotes)

    def on_clock_of(self, capture: Capture, mode: Clock | None = None) -> StimulusTrack:
        """The same track with times in seconds of the capture's clock.

        Parameters
        ----------
        mode : {"absolute", "relative"} or None
            Whose clock the track has: the capture's own, or seconds since the capture's first frame. None takes the
            one under which track and capture overlap.

        Raises
        ------
        InputError
            They do not overlap, or both clocks would fit.
        """
        if not len(capture):
            raise InputError(
                f"{capture.source or 'the capture'} contains no frames to align {self._name} with: name another capture"
            )
        first, last = float(capture.time_ns.min()) / 1e9, float(capture.time_ns.max()) / 1e9
        fits: dict[Clock, bool] = {"absolute": self._overlaps(first, last), "relative": self._overlaps(0, last - first)}
        where = f"{self._name} {self._span()} and {capture.source or 'the capture'} from {first:.3f} to {last:.3f} s"
        if mode is None:
            if all(fits.values()) and abs(first) > _SAME_CLOCK_S:
                raise InputError(
                    f"{where}: both clocks fit; use --stimulus-time absolute (the capture's clock) or relative "
                    "(seconds since its first frame)"
                )
            mode = "absolute" if fits["absolute"] else "relative"
        if not fits[mode]:
            raise InputError(
                f"{where} do not overlap in time: check that they belong together, or use --stimulus-time absolute or "
                "relative"
            )
        shift = first if mode == "relative" else 0.0
        moved = {name: replace(one, time_s=one.time_s + shift) for name, one in self.channels.items()}
        return replace(self, channels=moved)

    @property
    def _name(self) -> str:
        return self.source or "the stimulus"

    def _overlaps(self, first: float, last: float) -> bool:
        return any(bool(((one.time_s >= first) & (one.time_s <= last)).any()) for one in self.channels.values())

    def _span(self) -> str:
        times = [one.time_s for one in self.channels.values() if len(one.time_s)]
        if not times:
            return "without rows"
        return f"from {min(t[0] for t in times):.3f} to {max(t[-1] for t in times):.3f} s"


def read_stimulus(path: str | Path) -> StimulusTrack:
    """Read rows of ``time_s,channel,value[,unit]``; a header line may stand first.

    A channel is numeric, on/off (also true/false and yes/no), or words that hold until the next. In a channel of
    numbers a word that comes only once is taken for dirt. Rows that can't be used are counted in `notes`.

    Raises
    ------
    InputError
        The file can't be opened, no row can be used, most rows can't, or a channel's unit changes.
    """
    path = Path(path)
    source = open_source(path)
    notes = NoteTaker()
    with source.stream:
        track = _read(_lines(source.stream, notes), str(path), notes)
    if source.trouble:
        return replace(track, notes=replace(track.notes, stopped=source.trouble))
    return track


def _lines(stream: io.BufferedReader, notes: NoteTaker) -> Iterator[str]:
    """Lines as Python's text files give them, except those too long to be a row, which are counted and not kept."""
    mark = "\ufeff"
    for block, begin, end, _ in line_blocks(stream, notes):
        whole = block[begin:end].tobytes().decode("utf-8", errors="replace")
        yield from io.StringIO(whole.removeprefix(mark), newline=None)
        mark = ""


class _ChannelRows:
    """Rows of one channel as they come."""

    __slots__ = ("lines", "texts", "times", "unit", "unit_line")

    def __init__(self) -> None:
        self.times: list[float] = []
        self.texts: list[str] = []
        self.lines: list[int] = []
        self.unit, self.unit_line = "", 0


def _read(text: Iterable[str], source: str, notes: NoteTaker) -> StimulusTrack:
    first_fault = ""
    used = 0
    channels: dict[str, _ChannelRows] = {}
    for line, row, fault in _rows(text):
        if row is None:
            if fault:
                notes.unreadable_line(fault[1])
                first_fault = first_fault or f"line {line}: {fault[0]}"
            continue
        used += 1
        time_s, name, value, unit = row
        rows = channels.setdefault(name, _ChannelRows())
        rows.times.append(time_s)
        rows.texts.append(value)
        rows.lines.append(line)
        if unit and not rows.unit:
            rows.unit, rows.unit_line = unit, line
        elif unit and unit != rows.unit:
            raise InputError(
                f"{source} line {line}: channel {name} is in {unit!r} here and in {rows.unit!r} on line "
                f"{rows.unit_line}; give it one unit"
            )
    if used <= notes.unreadable:
        raise InputError(
            f"{source} {first_fault or 'holds no rows'}; a stimulus file has rows of time_s,channel,value[,unit], for "
            "example 12.5,engine_speed,1480,rpm"
        )
    out = {name: _channel(name, rows, notes) for name, rows in channels.items()}
    back = sum(int(np.count_nonzero(np.diff(rows.times) < 0)) for rows in channels.values())
    return StimulusTrack(
        {name: one for name, one in out.items() if len(one.time_s)},
        source,
        ReadNotes(notes.unreadable, notes.torn, back, 0, tuple(notes.examples)),
    )


def _rows(
    text: Iterable[str],
) -> Iterator[tuple[int, tuple[float, str, str, str] | None, tuple[str, str] | None]]:
    """Line number, then the row, or what is wrong with it; neither for blank, comment and header lines."""
    reader = csv.reader(line.replace("\0", "\ufffd") for line in text)
    header_may_come = True
    while True:
        try:
            cells = next(reader, None)
        except csv.Error as error:
            yield reader.line_num, None, (f"not a row of a CSV file ({error})", "")
            continue
        if cells is None:
            return
        line = reader.line_num
        cells = [cell.strip() for cell in cells]
        if not any(cells) or cells[0].startswith("#"):
            continue
        whole = ",".join(cells)
        if header_may_come:
            header_may_come = False
            if cells[0].lower() in ("time_s", "time", "seconds", "t"):
                continue
        if len(cells) not in (3, 4):
            yield line, None, (f"{len(cells)} values instead of 3 or 4", whole)
            continue
        try:
            time_s = float(cells[0])
        except ValueError:
            time_s = math.nan
        if not math.isfinite(time_s):
            yield line, None, (f"{cells[0]!r} is not a time in seconds", whole)
        elif not cells[1] or not cells[2]:
            yield line, None, ("the channel or the value is empty", whole)
        else:
            yield line, (time_s, cells[1], cells[2], cells[3] if len(cells) == 4 else ""), None


def _number(text: str) -> float | None:
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def _channel(name: str, rows: _ChannelRows, notes: NoteTaker) -> Channel:
    time_s = np.array(rows.times, dtype=np.float64)
    numbers = [_number(text) for text in rows.texts]
    words = Counter(text for text, number in zip(rows.texts, numbers, strict=True) if number is None)
    texts: tuple[str, ...] = ()
    good = np.ones(len(time_s), dtype=bool)
    if all(word.lower() in _ON_OFF for word in words):
        values = [
            number if number is not None else _ON_OFF[text.lower()]
            for text, number in zip(rows.texts, numbers, strict=True)
        ]
    elif len(words) < len(rows.texts) and all(count == 1 for count in words.values()) and _mostly(numbers):
        good = np.array([number is not None for number in numbers])
        for row in np.flatnonzero(~good).tolist():
            notes.unreadable_line(f"{rows.times[row]:g},{name},{rows.texts[row]}")
        values = [number or 0.0 for number in numbers]
    else:
        texts = tuple(dict.fromkeys(rows.texts))
        index = {text: float(i) for i, text in enumerate(texts)}
        values = [index[text] for text in rows.texts]
    order = np.argsort(time_s[good], kind="stable")
    return Channel(name, time_s[good][order], np.array(values, dtype=np.float64)[good][order], rows.unit, texts)


def _mostly(numbers: list[float | None]) -> bool:
    return 10 * sum(number is None for number in numbers) < len(numbers)


def write_stimulus(track: StimulusTrack, path: str | Path) -> None:
    """Write a track as CSV in order of time; the file appears whole or not at all.

    Raises
    ------
    InputError
        The file can't be written.
    """
    rows = [
        (time, channel.name, channel.texts[int(value)] if channel.texts else repr(float(value)), channel.unit)
        for channel in track.channels.values()
        for time, value in zip(channel.time_s.tolist(), channel.value.tolist(), strict=True)
    ]
    rows.sort(key=lambda row: row[0])
    columns = 4 if any(channel.unit for channel in track.channels.values()) else 3
    with written_whole(path) as temporary, open(temporary, "w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(HEADER[:columns])
        writer.writerows((repr(time), name, value, unit)[:columns] for time, name, value, unit in rows)
