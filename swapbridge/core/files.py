"""Core room: files that are written whole or not at all."""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from swapbridge.core.errors import InputError


@contextmanager
def written_whole(path: str | Path) -> Iterator[Path]:
    """A temporary path beside `path` that takes its place when the block ends without an error.

    Raises
    ------
    InputError
        The folder does not exist or can't be written, or the disk is full; `path` is as it was before.
    """
    target = Path(path)
    # the suffix stays last, since writers choose their form by it
    temporary = target.with_name(f".{secrets.token_hex(4)}-{target.name}")
    try:
        yield temporary
        os.replace(temporary, target)
    except OSError as error:
        if error.filename not in (None, str(temporary), temporary, str(target), target):
            raise
        reason = error.strerror or str(error)
        raise InputError(f"can't write {target}: {reason}; name a folder that exists and has room") from error
    finally:
        with suppress(OSError):  # a path through a file has nothing to remove, and must not hide the error
            temporary.unlink(missing_ok=True)
