"""Capture room: captures as Parquet, for files too large to parse again and again, and for other tools.

Columns: `time_ns` Int64, `identifier` UInt32, `flags` UInt8 (sum of 1 29-bit, 2 CAN FD, 4 error, 8 remote, 16 sent, 32
bit rate switch), `bus` UInt8, `length` UInt8, and the payload in words of eight bytes, `payload_0` UInt64 (its lowest
byte is the payload's first), to `payload_7` where a frame has more than 8 bytes. The file's key-value metadata holds
`swapbridge`: JSON with `version`, `bus_names`, `source` and the reading `notes`.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from swapbridge.capture.capture import Capture, ReadNotes
from swapbridge.capture.columns import COLUMN_NAMES, Columns
from swapbridge.core.errors import InputError
from swapbridge.core.files import written_whole

METADATA_KEY = "swapbridge"
_VERSION = 1
_FIXED: dict[str, Any] = {
    "time_ns": pl.Int64,
    "identifier": pl.UInt32,
    "flags": pl.UInt8,
    "bus": pl.UInt8,
    "length": pl.UInt8,
}
_ROWS = 1 << 20


class _TooWide(Exception):
    """A block with more than 8 payload bytes came where the file was laid out for 8."""


def write_parquet(blocks: Callable[[], Iterable[Capture]], path: str | Path) -> int:
    """Write blocks of one recording as Parquet, one block in memory at a time; the file appears whole or not at all.

    Parameters
    ----------
    blocks : callable
        Gives the blocks from the start each time it is called (again where a CAN FD frame asks for wider columns).

    Returns
    -------
    int
        Frames written.
    """
    for width in (8, 64):
        try:
            return _write(blocks(), path, width)
        except _TooWide:
            continue
    raise AssertionError("64 bytes hold any payload")


def _write(blocks: Iterable[Capture], path: str | Path, width: int) -> int:
    from polars.io.plugins import register_io_source

    schema = {**_FIXED, **{f"payload_{i}": pl.UInt64 for i in range(width // 8)}}
    facts: dict[str, Any] = {"version": _VERSION, "bus_names": ["0"], "source": "", "notes": {}}
    notes = ReadNotes()
    written = 0
    failure: list[BaseException] = []

    def frames() -> Iterator[pl.DataFrame]:
        nonlocal notes, written
        for block in blocks:
            facts["bus_names"], facts["source"] = list(block.bus_names), block.source
            notes = notes.plus(block.notes)
            if block.payload.shape[1] > width:
                raise _TooWide
            written += len(block)
            yield _frame(block, width)

    def source(
        columns: list[str] | None, predicate: pl.Expr | None, rows: int | None, batch: int | None
    ) -> Iterator[pl.DataFrame]:
        try:
            yield from frames()
        except BaseException as error:
            failure.append(error)  # polars wraps what its sources raise
            raise

    def metadata(_: object) -> dict[str, str]:
        facts["notes"] = notes.to_json()  # known only now that all blocks have passed
        return {METADATA_KEY: json.dumps(facts)}

    with written_whole(path) as temporary:
        try:
            register_io_source(source, schema=schema).sink_parquet(
                temporary, compression="zstd", compression_level=1, metadata=metadata, row_group_size=_ROWS
            )
        except pl.exceptions.PolarsError as error:
            if failure:
                raise failure[0] from None
            raise InputError(
                f"can't write {path}: {_first_line(error)}; name a folder that exists and has room"
            ) from error
    return written


def _frame(block: Capture, width: int) -> pl.DataFrame:
    words = np.zeros((len(block), width // 8), dtype="<u8")
    words.view(np.uint8)[:, : block.payload.shape[1]] = block.payload
    columns: dict[str, Any] = {name: getattr(block, name) for name in _FIXED}
    columns |= {f"payload_{i}": np.ascontiguousarray(words[:, i]) for i in range(width // 8)}
    return pl.DataFrame(columns)


def parquet_blocks(path: Path, rows: int = _ROWS) -> Iterator[tuple[Columns, tuple[str, ...], ReadNotes]]:
    """Columns of a Parquet capture, with bus names and the notes of its first reading.

    Raises
    ------
    InputError
        The file is damaged, or not a capture.
    """
    try:
        found = pl.read_parquet_metadata(path)
        scan = pl.scan_parquet(path)
        schema = scan.collect_schema()
        total = int(scan.select(pl.len()).collect().item())
    except (pl.exceptions.PolarsError, OSError) as error:
        raise InputError(f"{path} is a damaged Parquet file ({_first_line(error)}): convert the log again") from error
    width = 64 if "payload_7" in schema else 8
    wanted = {**_FIXED, **{f"payload_{i}": pl.UInt64 for i in range(width // 8)}}
    missing = [name for name in wanted if name not in schema]
    if missing or METADATA_KEY not in found:
        lacks = f"it has no column {missing[0]}" if missing else "it does not say whose buses these are"
        raise InputError(f"{path} is Parquet but no capture ({lacks}): make one with swapbridge convert")
    facts = json.loads(found[METADATA_KEY])
    notes = ReadNotes.from_json(facts["notes"])
    for start in range(0, max(total, 1), rows):
        try:
            frame = scan.slice(start, rows).select(list(wanted)).collect()
        except (pl.exceptions.PolarsError, OSError) as error:
            raise InputError(
                f"{path} is a damaged Parquet file ({_first_line(error)}): convert the log again"
            ) from error
        payload = np.empty((len(frame), width // 8), dtype="<u8")
        for i in range(width // 8):
            payload[:, i] = frame[f"payload_{i}"].to_numpy()
        whole = {name: frame[name].to_numpy() for name in _FIXED} | {"payload": payload.view(np.uint8)}
        yield Columns(*(whole[name] for name in COLUMN_NAMES)), tuple(facts["bus_names"]), notes


def _first_line(error: BaseException) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0]
