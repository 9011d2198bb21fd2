"""Page room: how large a file becomes when it is unpacked, before anything of it is kept in memory."""

from __future__ import annotations

import gzip
import zlib
from pathlib import Path

import polars as pl

from swapbridge.core.errors import InputError

SHARE_OF_MEMORY = 0.25
MOST_UNPACKED_BYTES = 8 << 30
MEMORY_UNKNOWN_BYTES = 4 << 30
"""Taken to be free where the system does not say."""
PARQUET_ROW_BYTES = 48
"""What a frame of a capture takes in memory."""
_PIECE = 1 << 20


def most_unpacked() -> int:
    """Bytes that an unpacked file may have: a quarter of the memory that is free now."""
    return min(MOST_UNPACKED_BYTES, int(SHARE_OF_MEMORY * _free_bytes()))


def check_unpacked(path: Path, name: str, most: int | None = None) -> None:
    """Refuse a packed file that would not fit into memory.

    Parameters
    ----------
    path : Path
        Where the file lies.
    name : str
        What the person calls it.
    most : int or None
        Bytes allowed; by default `most_unpacked`.

    Raises
    ------
    InputError
        It would be larger, or is no such packed file.
    """
    limit = most_unpacked() if most is None else most
    low = name.lower()
    if low.endswith(".gz"):
        size = _gzip_bytes(path, limit)
    elif low.endswith(".parquet"):
        try:
            size = PARQUET_ROW_BYTES * int(pl.scan_parquet(path).select(pl.len()).collect().item())
        except (pl.exceptions.PolarsError, OSError) as error:
            raise InputError(f"{name} is no Parquet file ({str(error).splitlines()[0]}); send another") from None
    elif low.endswith(".blf"):
        size = _blf_bytes(path)
    else:
        size = path.stat().st_size
    if size > limit:
        raise InputError(
            f"{name} unpacks to more than {limit / 1e6:,.0f} MB, a quarter of the memory that is free here; "
            "split the recording, or close other programs"
        )


def _gzip_bytes(path: Path, limit: int) -> int:
    """Unpacked bytes, counted to just above the limit; a file cut short counts as far as it goes."""
    size = 0
    try:
        with gzip.open(path) as stream:
            while size <= limit and (piece := stream.read(_PIECE)):
                size += len(piece)
    except (EOFError, zlib.error, gzip.BadGzipFile):
        pass  # torn: the reader says so, and reads what is whole
    return size


def _blf_bytes(path: Path) -> int:
    """What the containers of a BLF file say they hold unpacked, which its reader relies on too."""
    total, header = 0, 32
    with path.open("rb") as file:
        size = path.stat().st_size
        file.seek(4)
        at = int.from_bytes(file.read(4), "little") or 144
        while at + header <= size:
            file.seek(at)
            head = file.read(header)
            length, kind = int.from_bytes(head[8:12], "little"), int.from_bytes(head[12:16], "little")
            if head[:4] != b"LOBJ" or length < 16:
                break
            total += int.from_bytes(head[24:28], "little") if kind == 10 else length
            at += length + length % 4
    return total


def _free_bytes() -> int:
    """Free memory where the system says it: Linux does."""
    try:
        with open("/proc/meminfo", encoding="ascii") as file:
            for line in file:
                if line.startswith("MemAvailable:"):
                    return 1024 * int(line.split()[1])
    except OSError:
        pass  # not Linux
    return MEMORY_UNKNOWN_BYTES
