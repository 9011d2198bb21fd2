"""Capture room: `.mf4`, the bus logging of ASAM's measurement data format version 4, read and written with asammdf.

asammdf was made for whole files: a damaged one can make it crash with the interpreter that it runs in. So reading is
done by a process of its own (`mf4_process`), which hands over columns; what breaks there is one clear error here.
"""

from __future__ import annotations

import importlib.util
import os
import pickle
import subprocess
import sys
import tempfile
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import IO, Any

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import BIT_RATE_SWITCH, ERROR, EXTENDED, FD, REMOTE, SENT, Capture
from swapbridge.capture.columns import BusNames, Columns, NoteTaker
from swapbridge.core.errors import InputError, MissingToolError
from swapbridge.core.files import written_whole

DATA_FRAME, ERROR_FRAME, REMOTE_FRAME = "CAN_DataFrame", "CAN_ErrorFrame", "CAN_RemoteFrame"
"""Names of the three kinds of bus events (ASAM MDF, associate standard Bus Logging)."""
_HEAD: tuple[Any, ...] = (("BusChannel", "<u1"), ("ID", "<u4"), ("IDE", "<u1"), ("DLC", "<u1"), ("DataLength", "<u1"))
_BYTES: tuple[Any, ...] = (("DataBytes", "<u1", (64,)),)
_FLAGS: tuple[Any, ...] = (("EDL", "<u1"), ("BRS", "<u1"))
_WRITTEN = {
    DATA_FRAME: (*_HEAD, *_BYTES, ("Dir", "<u1"), *_FLAGS),
    ERROR_FRAME: (*_HEAD, *_BYTES, ("Dir", "<u1"), *_FLAGS),
    REMOTE_FRAME: (*_HEAD, ("Dir", "<u1")),
}
READER = "swapbridge.capture.mf4_process"
_TRANSPOSED_DEFLATE = 2
_LATEST_START_S = 2**33
"""The file's start is a date; times that far from the clock's zero are no dates, and stay relative."""
_LONG_LENGTHS = np.array([12, 16, 20, 24, 32, 48, 64])
"""Payload lengths of CAN FD beyond 8 bytes; length codes 9 to 15 (ISO 11898-1)."""


def check_asammdf(path: Path) -> None:
    """
    Raises
    ------
    MissingToolError
        asammdf is not installed.
    """
    if importlib.util.find_spec("asammdf") is None:
        raise MissingToolError(f"{path} needs the package asammdf: install it with pip install 'swapbridge[mf4]'")


def write_mf4(blocks: Iterable[Capture], path: str | Path) -> int:
    """Write blocks of one recording as bus events; the file appears whole or not at all.

    Buses are numbered, and times count in doubles from the whole second of the first frame. Data, error and remote
    frames are groups of their own, as the standard has it.

    Returns
    -------
    int
        Frames written.

    Raises
    ------
    InputError
        The file can't be written.
    MissingToolError
        asammdf is not installed.
    """
    check_asammdf(Path(path))
    from asammdf import MDF, Signal, Source
    from asammdf.blocks.v4_blocks import SourceInformation

    can_bus = SourceInformation(source_type=Source.SOURCE_BUS, bus_type=Source.BUS_TYPE_CAN)
    written, start_s = 0, 0
    with written_whole(path) as temporary, MDF(version="4.10") as mdf:
        for name in _WRITTEN:
            mdf.append(
                Signal(samples=_events(name, 0), timestamps=np.empty(0, "<f8"), name=name, source=can_bus),
                comment=name,
            )
        for block in blocks:
            if not written and len(block):
                first_s = int(block.time_ns[0]) // 1_000_000_000
                start_s = first_s if 0 <= first_s < _LATEST_START_S else 0
                mdf.header.start_time = datetime.fromtimestamp(0, UTC) + timedelta(seconds=start_s)
            error, remote = (block.flags & ERROR) != 0, (block.flags & REMOTE) != 0
            for group, rows in enumerate((block.is_data, error, remote & ~error)):
                part = block.select(rows)
                if len(part):
                    time_s = (part.time_ns - start_s * 1_000_000_000) / 1e9
                    mdf.extend(group, [(time_s, None), (_filled(tuple(_WRITTEN)[group], part), None)])
            written += len(block)
        with open(temporary, "w+b") as file:
            mdf.save(file, compression=_TRANSPOSED_DEFLATE)
    return written


def _events(name: str, rows: int) -> npt.NDArray[np.void]:
    fields = [(f"{name}.{field}", *rest) for field, *rest in _WRITTEN[name]]
    return np.zeros(rows, dtype=np.dtype(fields))


def _filled(name: str, part: Capture) -> npt.NDArray[np.void]:
    events = _events(name, len(part))
    columns: dict[str, npt.NDArray[Any]] = {
        "BusChannel": part.bus,
        "ID": part.identifier,
        "IDE": (part.flags & EXTENDED) != 0,
        "DLC": np.where(part.length > 8, 9 + np.searchsorted(_LONG_LENGTHS, part.length), part.length),
        "Dir": (part.flags & SENT) != 0,
    }
    if name != REMOTE_FRAME:
        columns["DataLength"] = part.length
        columns["EDL"] = (part.flags & FD) != 0
        columns["BRS"] = (part.flags & BIT_RATE_SWITCH) != 0
        events[f"{name}.DataBytes"][:, : part.payload.shape[1]] = part.payload
    for field, column in columns.items():
        events[f"{name}.{field}"] = column
    return events


def mf4_columns(path: Path, buses: BusNames, notes: NoteTaker) -> Iterator[Columns]:
    """Columns of a file's bus events in the order of time, some ten thousand frames at a time.

    Raises
    ------
    InputError
        Nothing of the file can be read.
    MissingToolError
        asammdf is not installed.
    """
    check_asammdf(path)
    with tempfile.TemporaryDirectory(prefix="swapbridge-") as folder:  # asammdf repairs some files in a copy
        room = {"TMPDIR": folder, "TEMP": folder, "TMP": folder}
        here = {"PYTHONPATH": os.pathsep.join(entry for entry in sys.path if entry)}
        with subprocess.Popen(
            [sys.executable, "-P", "-m", READER, str(path)],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env={**os.environ, **room, **here},
        ) as reader:
            assert reader.stdout is not None
            try:
                yield from _handed_over(path, reader.stdout, buses, notes)
            finally:
                reader.kill()


def _handed_over(path: Path, pipe: IO[bytes], buses: BusNames, notes: NoteTaker) -> Iterator[Columns]:
    read = 0
    while True:
        try:
            part = pickle.load(pipe)
        except (EOFError, pickle.UnpicklingError):
            part = "its reader failed"
        if isinstance(part, str):
            break
        columns, more = part
        notes.add(more)
        numbers = np.zeros(256, dtype=np.uint8)
        for channel in np.unique(columns.bus).tolist():
            numbers[channel] = buses.number(str(channel).encode()) or 0  # 256 names are never too many
        columns.bus = numbers[columns.bus]
        read += len(columns)
        yield columns
    if part and not read:
        raise InputError(
            f"{path} can't be read as .mf4 ({part}): it is damaged, was never finished by its logger, or is not a "
            "bus recording; name another capture"
        )
    if part:
        notes.stopped = f"the file is damaged after frame {read:,} ({part}); the frames before it were read"
