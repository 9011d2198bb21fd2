"""Capture room: frames written in the forms that python-can's writers write (`.asc`, `.blf`, `.csv`)."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from swapbridge.capture.capture import BIT_RATE_SWITCH, ERROR, EXTENDED, FD, REMOTE, SENT, Capture
from swapbridge.core.errors import InputError
from swapbridge.core.files import written_whole

WRITTEN_FORMS = ("asc", "blf", "csv")
_FROM_THE_FIRST = ("asc", "blf")
"""Forms whose writers take the first frame's time for the file's, and can't write an older one."""


def write_other(blocks: Iterable[Capture], path: str | Path) -> int:
    """Write blocks of one recording in the form that the suffix says; the file appears whole or not at all.

    One Python call a frame: for large captures write `.log` or Parquet. These forms number the buses instead of naming
    them (`.csv` has none at all), and `.asc` and `.blf` count time from the first frame.

    Returns
    -------
    int
        Frames that are older than the first and got its time, in a form that counts from there.

    Raises
    ------
    InputError
        The suffix names no such form, or the file can't be written.
    """
    from swapbridge.capture.python_can import can

    form = Path(path).suffix.lower().lstrip(".")
    if form not in WRITTEN_FORMS:
        raise InputError(f"can't write {path}: name a file in one of {', '.join('.' + f for f in WRITTEN_FORMS)}")
    writers: dict[str, Any] = {
        "asc": can.ASCWriter,
        "blf": can.BLFWriter,
        "csv": can.CSVWriter,
    }
    moved, first_ns = 0, None
    with written_whole(path) as temporary, writers[form](str(temporary)) as writer:
        for block in blocks:
            if form in _FROM_THE_FIRST and len(block):
                first_ns = int(block.time_ns[0]) if first_ns is None else first_ns
                moved += int(np.count_nonzero(block.time_ns < first_ns))
                block = replace(block, time_ns=np.maximum(block.time_ns, first_ns))
            for message in _messages(block):
                writer.on_message_received(message)
    return moved


def _messages(block: Capture) -> Iterable[Any]:
    from swapbridge.capture.python_can import can

    columns = (block.time_ns / 1e9, block.identifier, block.flags, block.bus, block.length)
    payload = block.payload
    for row, (time_s, identifier, flags, bus, length) in enumerate(
        zip(*(column.tolist() for column in columns), strict=True)
    ):
        carries = not flags & (ERROR | REMOTE)
        yield can.Message(
            timestamp=time_s,
            arbitration_id=identifier,
            is_extended_id=bool(flags & EXTENDED),
            is_remote_frame=bool(flags & REMOTE),
            is_error_frame=bool(flags & ERROR),
            is_fd=bool(flags & FD),
            is_rx=not flags & SENT,
            bitrate_switch=bool(flags & BIT_RATE_SWITCH),
            channel=bus,
            dlc=length,
            data=payload[row, :length].tobytes() if carries else None,
        )
