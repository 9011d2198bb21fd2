"""Surveying room: a capture through a signal map, written as CSV of physical values."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import numpy as np
import polars as pl

from swapbridge.capture.capture import Capture, ReadNotes
from swapbridge.core.errors import InputError
from swapbridge.core.files import written_whole
from swapbridge.signalmap.decode import decode_columns
from swapbridge.signalmap.signal_map import SignalMap


def write_physical(
    blocks: Iterable[Capture], signal_map: SignalMap, path: str | Path, *, bus: str | None = None
) -> tuple[int, ReadNotes]:
    """Write every signal's values as rows of ``time_s,channel,value,unit``, in order of time within each block.

    The rows are those of a stimulus file, so that known signals can stand in for a scan tool. `channel` is
    ``MESSAGE.SIGNAL``.

    Parameters
    ----------
    bus : str, optional
        The bus that the map is for; None where each of its identifiers is on one bus only.

    Returns
    -------
    rows : int
        Rows written.
    notes : ReadNotes
        What could not be read of the capture.

    Raises
    ------
    InputError
        The map fits none of the frames, or the file can't be written.
    """
    units = {(message.name, signal.name): signal.unit for message in signal_map.messages for signal in message.signals}
    rows, notes = 0, ReadNotes()
    with written_whole(path) as temporary:
        with open(temporary, "wb") as file:
            file.write(b"time_s,channel,value,unit\n")
            for block in blocks:
                table = _table(block, signal_map, units, bus)
                table.write_csv(file, include_header=False)
                rows += len(table)
                notes = notes.plus(block.notes)
        if not rows:
            raise InputError(f"none of the map's messages is in the capture: {path} would be empty; name another map")
    return rows, notes


def _table(block: Capture, signal_map: SignalMap, units: dict[tuple[str, str], str], bus: str | None) -> pl.DataFrame:
    columns = {key: column for key, column in decode_columns(block, signal_map, bus=bus).items() if len(column.time_s)}
    if not columns:
        return pl.DataFrame(schema={"time_s": pl.Float64, "channel": pl.String, "value": pl.Float64, "unit": pl.String})
    time_s = np.concatenate([column.time_s for column in columns.values()])
    # without the digits that a double only makes up: a clock since 1970 holds microseconds, a short one nanoseconds
    time_s = np.round(time_s, 6 if float(np.abs(time_s).max()) > 1e6 else 9)
    value = np.concatenate([column.values for column in columns.values()])
    which = np.repeat(np.arange(len(columns)), [len(column.time_s) for column in columns.values()])
    order = np.argsort(time_s, kind="stable")
    which = which[order]
    names = pl.Series([f"{message}.{signal}" for message, signal in columns])
    unit = pl.Series([units[key] for key in columns])
    return pl.DataFrame(
        {
            "time_s": time_s[order],
            "channel": names.gather(which),
            "value": value[order],
            "unit": unit.gather(which),
        }
    )
