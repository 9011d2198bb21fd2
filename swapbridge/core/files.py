"""Core room: files that are written whole or not at all."""

from __future__ import annotations

import os
import secrets
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from swapbridge.core.errors import InputError

PROOF_NAME = "proof.json"
"""Name of the file beside a plan that holds its proof."""
_DEVICES = {"con", "prn", "aux", "nul", "conin$", "conout$"} | {
    f"{port}{n}" for port in ("com", "lpt") for n in "0123456789\u00b9\u00b2\u00b3"
}
"""Names that mean a device on Windows, in any folder and with any ending (Microsoft, Naming Files, Paths, and
Namespaces): what is written to ``nul.dbc`` is lost, without an error."""


def device_name(path: Path) -> str | None:
    """The part of a path that Windows takes for a device, such as ``aux.dbc``; None where there is none."""
    return next((part for part in path.parts if part.split(".")[0].rstrip(" ").lower() in _DEVICES), None)


def refuse_device(path: Path) -> None:
    """On Windows, refuse to write to what it takes for a device.

    Raises
    ------
    InputError
        A part of the path means a device.
    """
    if sys.platform == "win32" and (name := device_name(path)) is not None:
        raise InputError(f"can't write {path}: Windows treats {name} as a device; choose another name")


_HELD_S = (0.01, 0.02, 0.05, 0.1, 0.2, 0.4)
"""How long to wait before each further try to replace a file that Windows says another program holds."""


def replace_file(new: Path, target: Path) -> None:
    """Put a file in another's place, at once.

    Windows refuses that while any program has the target open; a virus scanner or indexer lets go of it in a moment, so
    there it is tried again for nearly a second.

    Raises
    ------
    OSError
        It can't be replaced; `target` is as it was.
    """
    for wait_s in _HELD_S if sys.platform == "win32" else ():
        try:
            os.replace(new, target)
            return
        except PermissionError:
            time.sleep(wait_s)
    os.replace(new, target)


@contextmanager
def written_whole(path: str | Path) -> Iterator[Path]:
    """A temporary path beside `path` that takes its place when the block ends without an error.

    Raises
    ------
    InputError
        The folder does not exist or can't be written, the disk is full, or Windows takes the name for a device;
        `path` is as it was before.
    """
    target = Path(path)
    refuse_device(target)
    # the suffix stays last, since writers choose their form by it
    temporary = target.with_name(f".{secrets.token_hex(4)}-{target.name}")
    try:
        yield temporary
        replace_file(temporary, target)
    except OSError as error:
        if error.filename not in (None, str(temporary), temporary, str(target), target):
            raise
        reason = error.strerror or str(error)
        held = isinstance(error, PermissionError) and sys.platform == "win32" and target.is_file()
        remedy = "close the program that has it open" if held else "name a folder that exists and has room"
        raise InputError(f"can't write {target}: {reason}; {remedy}") from error
    finally:
        with suppress(OSError):  # a path through a file has nothing to remove, and must not hide the error
            temporary.unlink(missing_ok=True)
