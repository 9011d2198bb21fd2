"""Bus room: one translator to a bus: a lock that goes away with the process that holds it, however it ends."""

from __future__ import annotations

import contextlib
import hashlib
import os
import sys
import tempfile
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import IO

from swapbridge.bus.adapters.spec import BusSpec
from swapbridge.core.errors import RefusedError


def lock_folder() -> Path:
    """Where locks lie: the same for every user of this computer, since a bus is too."""
    return Path(tempfile.gettempdir()) / "swapbridge-locks"


@contextlib.contextmanager
def locked(specs: Iterable[BusSpec], folder: Path | None = None) -> Iterator[None]:
    """Hold every bus for ourselves until the block ends.

    Raises
    ------
    RefusedError
        Another running process holds one of them.
    """
    place = folder or lock_folder()
    place.mkdir(parents=True, exist_ok=True)
    with contextlib.suppress(OSError):
        place.chmod(0o1777)
    with contextlib.ExitStack() as stack:
        for spec in sorted(specs, key=lambda spec: spec.place):
            stack.enter_context(_hold(place, spec))
        yield


@contextlib.contextmanager
def _hold(place: Path, spec: BusSpec) -> Iterator[None]:
    path = place / f"{hashlib.sha256(spec.place.encode()).hexdigest()[:16]}.lock"
    descriptor = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
    with os.fdopen(descriptor, "r+", encoding="utf-8") as file:
        if not _take(file):
            holder = file.read().strip() or "another process"
            raise RefusedError(
                f"bus {spec.name} ({spec.place}) is already in use by a running translator ({holder}): stop that one "
                "first; two translators on one bus would send everything twice"
            )
        file.seek(0)
        file.truncate()
        file.write(f"process {os.getpid()}\n")
        file.flush()
        yield


def _take(file: IO[str]) -> bool:
    if sys.platform == "win32":
        import msvcrt

        with contextlib.suppress(OSError):
            file.seek(4096)  # a byte nobody writes, so that the holder's name stays readable
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
            return True
        file.seek(0)
        return False
    import fcntl

    try:
        fcntl.flock(file.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
