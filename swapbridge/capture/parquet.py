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
import numpy.typing as npt
import polars as pl

from swapbridge.capture.capture import BIT_RATE_SWITCH, EXTENDED, FD, Capture, ReadNotes
from swapbridge.capture.columns import COLUMN_NAMES, EXAMPLES, Columns, NoteTaker
from swapbridge.capture.digits import FIRST
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
_UNREADABLE = (pl.exceptions.PolarsError, pl.exceptions.PanicException, OSError)
"""What polars raises on a damaged file; the second is no Exception, but a failed assertion inside polars."""


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

    Raises
    ------
    InputError
        The file can't be written.
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
        facts["notes"] = notes.to_dict()  # known only now that all blocks have passed
        return {METADATA_KEY: json.dumps(facts)}

    with written_whole(path) as temporary:
        try:
            register_io_source(source, schema=schema).sink_parquet(
                temporary, compression="zstd", compression_level=1, metadata=metadata, row_group_size=_ROWS
            )
        except pl.exceptions.PolarsError as error:
            if failure:
                raise failure[0] from None
            reason = _first_line(error).rpartition("IO error: ")[2]  # what polars says before it misleads
            raise InputError(f"can't write {path}: {reason}; name a folder that exists and has room") from error
    return written


def _frame(block: Capture, width: int) -> pl.DataFrame:
    words = np.zeros((len(block), width // 8), dtype="<u8")
    words.view(np.uint8)[:, : block.payload.shape[1]] = block.payload
    columns: dict[str, Any] = {name: getattr(block, name) for name in _FIXED}
    columns |= {f"payload_{i}": np.ascontiguousarray(words[:, i]) for i in range(width // 8)}
    return pl.DataFrame(columns)


def parquet_blocks(
    path: Path, taker: NoteTaker, rows: int = _ROWS
) -> Iterator[tuple[Columns, tuple[str, ...], ReadNotes]]:
    """Columns of a Parquet capture, with bus names and the notes of its first reading.

    Rows that can't be frames, which other tools may have left, are counted in `taker`.

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
    except _UNREADABLE as error:
        raise InputError(f"{path} is a damaged Parquet file ({_first_line(error)}): convert the log again") from error
    width = 64 if "payload_7" in schema else 8
    wanted = {**_FIXED, **{f"payload_{i}": pl.UInt64 for i in range(width // 8)}}
    facts = _facts(found.get(METADATA_KEY, ""))
    missing = [f"it has no column {name}" for name in wanted if name not in schema]
    missing += [
        f"its column {name} holds no numbers" for name in wanted if not schema.get(name, pl.Int8()).is_numeric()
    ]
    if missing or facts is None:
        lacks = missing[0] if missing else "it does not name its buses"
        raise InputError(f"{path} is a Parquet file but not a capture ({lacks}): make one with swapbridge convert")
    names, notes = facts
    for start in range(0, max(total, 1), rows):
        try:
            frame = scan.slice(start, rows).select(list(wanted)).collect()
        except _UNREADABLE as error:
            raise InputError(
                f"{path} is a damaged Parquet file ({_first_line(error)}): convert the log again"
            ) from error
        yield _checked(frame, wanted, len(names), taker), names, notes


def _facts(text: str) -> tuple[tuple[str, ...], ReadNotes] | None:
    """Bus names and notes of the first reading; None where the text does not hold them."""
    try:
        facts = json.loads(text)
        names = tuple(facts["bus_names"])
        notes = ReadNotes.from_dict(facts["notes"])
    except (ValueError, KeyError, TypeError, AttributeError):
        return None
    named = isinstance(facts["bus_names"], list) and names and all(isinstance(name, str) for name in names)
    return (names, notes) if named else None


def _checked(frame: pl.DataFrame, wanted: dict[str, Any], buses: int, taker: NoteTaker) -> Columns:
    """Columns of the rows that can be frames, with a payload that is zero beyond its length."""
    good = np.ones(len(frame), dtype=np.bool_)
    whole: dict[str, npt.NDArray[Any]] = {}
    for name, kind in wanted.items():
        column = frame[name]
        if column.dtype != kind or column.null_count():
            cast = column.cast(kind, strict=False)
            good &= (cast.cast(column.dtype, strict=False) == column).fill_null(False).to_numpy()
            column = cast.fill_null(0)
        whole[name] = column.to_numpy()
    identifier, flags, length = whole["identifier"], whole["flags"], whole["length"]
    good &= identifier <= np.where((flags & EXTENDED) != 0, np.uint32(0x1FFF_FFFF), np.uint32(0x7FF))
    good &= (flags < 2 * BIT_RATE_SWITCH) & (whole["bus"] < buses)
    words = len(wanted) - len(_FIXED)
    good &= length <= np.where((flags & FD) != 0, np.uint8(8 * words), np.uint8(8))
    payload = np.empty((len(frame), words), dtype="<u8")
    for i in range(words):
        kept = FIRST[np.clip(length.astype(np.int16) - 8 * i, 0, 8)] if words > 1 else FIRST[np.minimum(length, 8)]
        payload[:, i] = whole[f"payload_{i}"] & kept
    bad = np.flatnonzero(~good)
    taker.unreadable += max(0, len(bad) - EXAMPLES)
    for row in bad[:EXAMPLES].tolist():
        time_ns, number, bus, size = (frame[name][row] for name in ("time_ns", "identifier", "bus", "length"))
        shown = f"{number:X}" if isinstance(number, int) else number
        taker.unreadable_line(f"{time_ns} {bus} {shown} [{size}]")
    whole["payload"] = payload.view(np.uint8)
    columns = Columns(*(whole[name] for name in COLUMN_NAMES))
    return columns if good.all() else columns.rows(good)


def _first_line(error: BaseException) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0]
