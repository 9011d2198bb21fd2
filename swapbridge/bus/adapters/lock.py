"""Bus room: one program to an adapter: locks that go away with the process that holds them, however it ends.

Two locks, since neither is enough alone. A file in a common folder is held for the whole session, also while an adapter
is away; it knows a port by its device, whatever name or link it was reached by. The device itself is locked while it is
open, which another folder for temporary files can't get round, and which other careful programs respect.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import stat
import sys
import tempfile
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import IO, TYPE_CHECKING

from swapbridge.bus.adapters.spec import BusSpec
from swapbridge.core.errors import RefusedError

if TYPE_CHECKING:  # whoever stops a run has no time for python-can
    from swapbridge.capture.python_can import can

OWN_TMP = re.compile(r"/systemd-private-|/tmp-inst/|\.inst/")
"""In the root of what is mounted as /tmp: systemd's PrivateTmp, and pam_namespace's folder for each user."""
UNSHARED = (
    "two programs that share an adapter can close it on each other, and two translators would send everything twice"
)


def shared_folder(name: str, mounts: Path = Path("/proc/self/mountinfo")) -> Path:
    """A folder that every user, terminal and service of this computer sees under the same name.

    Parameters
    ----------
    name : str
    mounts : Path
        What is mounted where, as this process sees it (proc(5)); not there on other systems than Linux.

    Raises
    ------
    RefusedError
        This process has a ``/tmp`` of its own, as systemd's ``PrivateTmp`` gives to a service.
    """
    try:
        rows = [line.split() for line in mounts.read_text(encoding="utf-8", errors="replace").splitlines()]
    except OSError:
        rows = []
    if any(row[4] == "/tmp" and OWN_TMP.search(row[3]) for row in rows if len(row) > 4):
        raise RefusedError(
            "this program runs with a private /tmp, so no other terminal could find and stop it, or see which "
            "adapters it holds: set PrivateTmp=no in its service (systemctl edit NAME), or start it from a terminal"
        )
    return Path(tempfile.gettempdir() if sys.platform == "win32" else "/tmp") / name


def lock_folder() -> Path:
    """Where locks lie: the same for every user and terminal of this computer, since a bus is too."""
    return shared_folder("swapbridge-locks")


@contextlib.contextmanager
def locked(specs: Iterable[BusSpec], folder: Path | None = None, doing: str = "a running translator") -> Iterator[None]:
    """Hold every bus for ourselves until the block ends.

    Parameters
    ----------
    specs : iterable of BusSpec
    folder : Path or None
        Where locks lie, if not in the usual place.
    doing : str
        Who holds it, for whoever is refused.

    Raises
    ------
    RefusedError
        Another running program holds one of them.
    """
    wanted = sorted(specs, key=lambda spec: spec.wires)
    if not wanted:
        yield
        return
    place = folder or lock_folder()
    place.mkdir(parents=True, exist_ok=True)
    with contextlib.suppress(OSError):
        place.chmod(0o1777)
    with contextlib.ExitStack() as stack:
        for spec in wanted:
            stack.enter_context(_hold(place, spec, doing))
        yield


@contextlib.contextmanager
def _hold(place: Path, spec: BusSpec, doing: str) -> Iterator[None]:
    path = place / f"{hashlib.sha256(spec.wires.encode()).hexdigest()[:16]}.lock"
    with opened(path) as file:
        if not take(file):
            holder = file.read().strip() or "another program"
            raise RefusedError(
                f"bus {spec.name} ({spec.place}) is already in use by {holder}: stop that one first; {UNSHARED}"
            )
        if file.writable():
            file.seek(0)
            file.truncate()
            file.write(f"{doing} (process {os.getpid()})\n")
            file.flush()
        yield


def opened(path: Path, *, make: bool = True) -> IO[str]:
    """A lock's file; another user's can't be written, and need not be."""
    try:
        descriptor = os.open(path, os.O_RDWR)
    except FileNotFoundError:
        if not make:
            raise
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
    except PermissionError:
        return os.fdopen(os.open(path, os.O_RDONLY), encoding="utf-8")
    return os.fdopen(descriptor, "r+", encoding="utf-8")


@contextlib.contextmanager
def unheld(spec: BusSpec) -> Iterator[None]:
    """Hold a bus's device, before and while it is opened: opening alone would already disturb whoever has it.

    Raises
    ------
    RefusedError
        Another program holds it.
    """
    path = spec.device
    if path is None or sys.platform == "win32" or not stat.S_ISCHR(os.stat(path).st_mode):
        yield
        return
    try:
        descriptor = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    except OSError:
        yield  # opening the bus says what is wrong with it
        return
    try:
        _lock_device(descriptor, spec)
        yield
    finally:
        os.close(descriptor)


def held(bus: can.BusABC, spec: BusSpec) -> can.BusABC:
    """The same bus, its device held until it is closed.

    Raises
    ------
    RefusedError
        Another program came first; the bus is closed again.
    """
    if spec.device is None or sys.platform == "win32":
        return bus
    try:
        _lock_device(bus.fileno(), spec)
    except (NotImplementedError, OSError):
        return bus
    except RefusedError:
        bus.shutdown()
        raise
    return bus


def _lock_device(descriptor: int, spec: BusSpec) -> None:
    if sys.platform == "win32":
        return  # a port can be opened once only there
    import fcntl

    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        raise RefusedError(
            f"bus {spec.name} ({spec.place}) is already in use by another program: stop that one first; {UNSHARED}"
        ) from None
    except OSError:
        return  # a device that can't be locked is held by the file alone


def take(file: IO[str]) -> bool:
    """Lock a file for as long as it is open; False when somebody else has it."""
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
