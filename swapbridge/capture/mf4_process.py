"""Capture room: the process that reads one `.mf4` file for `mf4.mf4_columns`, and pickles columns to its output.

It writes one pair after another: columns, whose buses are channel numbers, and notes of events that were not frames.
Last comes a text: empty, or the reason why reading ended early.
"""

from __future__ import annotations

import contextlib
import pickle
import sys
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import BIT_RATE_SWITCH, ERROR, EXTENDED, FD, REMOTE, SENT
from swapbridge.capture.columns import COLUMN_NAMES, Columns, NoteTaker, padded_to
from swapbridge.capture.mf4 import DATA_FRAME, ERROR_FRAME, REMOTE_FRAME
from swapbridge.capture.source import open_source

_EVENTS = 1 << 16
"""Events of a group read at once."""
_EXTENDED_BIT = 0x8000_0000
_IDENTIFIER = 0x1FFF_FFFF
_LATEST_S = 9.2e9


def main() -> None:
    """Read the file that is named first on the command line."""
    out = sys.stdout.buffer
    with contextlib.suppress(BrokenPipeError):  # then nobody wants the rest
        try:
            for part in parts(Path(sys.argv[1])):
                pickle.dump(part, out)
            why = ""
        except Exception as error:  # noqa: BLE001 - asammdf raises whatever it stumbles over
            why = " ".join(str(error).split()) or type(error).__name__
        pickle.dump(why, out)
        out.flush()


def parts(path: Path) -> Iterator[tuple[Columns, NoteTaker]]:
    """Bus events of all groups in the order of time; those of one group stay in file order."""
    from asammdf import MDF

    source = open_source(path)
    with source.stream, MDF(BytesIO(source.stream.read()) if source.gzip else path) as mdf:
        groups = []
        for number, group in enumerate(mdf.groups):
            names = {channel.name for channel in group.channels}
            kind = next((kind for kind in (DATA_FRAME, ERROR_FRAME, REMOTE_FRAME) if kind in names), None)
            if kind is not None:
                groups.append(_EventGroup(mdf, number, kind, group.channel_group.cycles_nr))
        if not groups:
            raise ValueError(f"it holds no bus events, which are called {DATA_FRAME}")
        while True:
            notes = NoteTaker(stopped=source.trouble)
            waiting = [one for one in groups if one.read_ahead(notes)]
            if not waiting:
                if notes.any:
                    yield _empty(), notes
                return
            # what a group still holds comes no earlier than the last that was read of it
            until = min(int(one.order[-1]) for one in waiting)
            orders, taken = zip(*(one.take(until) for one in waiting), strict=True)
            yield _joined(taken).rows(np.argsort(np.concatenate(orders), kind="stable")), notes


class _EventGroup:
    """One group of bus events, read ahead by some.

    Attributes
    ----------
    columns : Columns
        Frames that were read and not yet taken.
    order : (N,) int64
        The time of each, or of a later one before it: so it never steps back.
    """

    def __init__(self, mdf: Any, number: int, kind: str, events: int) -> None:
        self._mdf, self._number, self._kind, self._events = mdf, number, kind, events
        self._at = 0
        self.columns = _empty()
        self.order = self.columns.time_ns
        start = mdf.header.start_time
        self._start_ns = mdf.header.abs_time if start.tzinfo else round(start.timestamp() * 1e6) * 1000

    def read_ahead(self, notes: NoteTaker) -> bool:
        """Read on where all was taken; whether any frame is waiting."""
        while not len(self.columns) and self._at < self._events:
            self.columns = self._read(notes)
            self._at += _EVENTS
            self.order = np.maximum.accumulate(self.columns.time_ns)
        return len(self.columns) > 0

    def take(self, until: int) -> tuple[npt.NDArray[np.int64], Columns]:
        """Order and columns of the frames up to this time."""
        count = int(np.searchsorted(self.order, until, side="right"))
        out = self.order[:count], self.columns.rows(slice(0, count))
        self.order, self.columns = self.order[count:], self.columns.rows(slice(count, None))
        return out

    def _get(self, name: str, raw: bool = False) -> Any:
        return self._mdf.get(name, self._number, raw=raw, record_offset=self._at, record_count=_EVENTS)

    def _read(self, notes: NoteTaker) -> Columns:
        signal = self._get(self._kind)
        events, count = signal.samples, len(signal.samples)
        fields = events.dtype.names or ()

        def numbers(field: str) -> npt.NDArray[np.int64]:
            name = f"{self._kind}.{field}"
            if name not in fields:
                return np.zeros(count, dtype=np.int64)
            column = events[name]
            if column.dtype.kind in "SU":  # shown as words, such as Tx
                column = self._get(name, raw=True).samples
            out: npt.NDArray[np.int64] = column.astype(np.int64)
            return out

        word = numbers("ID")
        identifier = word & _IDENTIFIER
        extended = numbers("IDE") != 0 if f"{self._kind}.IDE" in fields else (word & _EXTENDED_BIT) != 0
        time_s, bus = signal.timestamps, numbers("BusChannel")
        flags = np.where(numbers("Dir") != 0, SENT, 0).astype(np.uint8)
        good = np.isfinite(time_s) & (np.abs(time_s + self._start_ns / 1e9) < _LATEST_S) & (bus >= 0) & (bus <= 255)
        length, payload = np.zeros(count, dtype=np.int64), np.zeros((count, 8), dtype=np.uint8)
        if self._kind == ERROR_FRAME:
            identifier, flags = np.zeros_like(identifier), flags | np.uint8(ERROR)
        else:
            good &= identifier <= np.where(extended, _IDENTIFIER, 0x7FF)
            flags |= np.where(extended, EXTENDED, 0).astype(np.uint8)
        if self._kind == REMOTE_FRAME:
            flags |= np.uint8(REMOTE)
            length = numbers("DLC")
            good &= (length >= 0) & (length <= 8)
        elif self._kind == DATA_FRAME:
            fd, switch = numbers("EDL") != 0, numbers("BRS") != 0
            flags |= (np.where(fd, FD, 0) | np.where(switch, BIT_RATE_SWITCH, 0)).astype(np.uint8)
            length = numbers("DataLength")
            data = events[f"{self._kind}.DataBytes"].reshape(count, -1)
            good &= (length >= 0) & (length <= np.where(fd, 64, 8)) & (length <= data.shape[1])
            payload = _payload(data, np.where(good, length, 0))
        for row in np.flatnonzero(~good).tolist():
            notes.unreadable_line(f"{time_s[row]} {bus[row]} {identifier[row]:X} [{length[row]}]")
        time_ns = np.rint(np.where(good, time_s, 0.0) * 1e9).astype(np.int64) + self._start_ns
        columns = Columns(
            time_ns,
            identifier.astype(np.uint32),
            flags,
            bus.astype(np.uint8),
            length.astype(np.uint8),
            payload,
        )
        return columns if good.all() else columns.rows(good)


def _payload(data: npt.NDArray[Any], length: npt.NDArray[np.int64]) -> npt.NDArray[np.uint8]:
    """Payload bytes, zero beyond the length, in rows of 8 or 64."""
    longest = int(length.max(initial=0))
    out = np.zeros((len(data), 64 if longest > 8 else 8), dtype=np.uint8)
    out[:, :longest] = data[:, :longest]
    out[np.arange(out.shape[1]) >= length[:, None]] = 0
    return out


def _empty() -> Columns:
    nothing = np.empty(0, dtype=np.uint8)
    return Columns(
        np.empty(0, np.int64), np.empty(0, np.uint32), nothing, nothing, nothing, np.empty((0, 8), dtype=np.uint8)
    )


def _joined(taken: tuple[Columns, ...]) -> Columns:
    width = max(one.payload.shape[1] for one in taken)
    whole = {name: np.concatenate([getattr(one, name) for one in taken]) for name in COLUMN_NAMES[:-1]}
    return Columns(**whole, payload=np.concatenate([padded_to(one.payload, width) for one in taken]))


if __name__ == "__main__":
    main()
