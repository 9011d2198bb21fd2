"""Bus room: watchdogs: one inside that sees a late loop, and two outside that see a process which can't see itself.

systemd's protocol is a few datagrams (sd_notify(3)); the kernel's hardware watchdog is a file that is written to
(Documentation/watchdog/watchdog-api.rst). Both are fed only while the translating loop is alive.
"""

from __future__ import annotations

import contextlib
import os
import socket
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from swapbridge.core.errors import InputError

CALM_NS = 100_000_000
"""How long the loop must keep its time before its values are believed again."""
SHUTS_UNTIL_FINAL = 20
FORGET_NS = 60_000_000_000


@dataclass(slots=True)
class LagWatch:
    """Says when the loop is late: what a late loop sends is old, and safe answers take its place.

    A pure state machine. `late` turns true at once and false after a calm while; after twenty times within a minute it
    stays true.

    Parameters
    ----------
    limit_ns : int
        Largest lateness that is tolerated.
    """

    limit_ns: int
    late: bool = False
    final: bool = False
    worst_ns: int = 0
    times: int = 0
    _last_late_ns: int = 0
    _first_of_run_ns: int = 0
    _in_run: int = 0

    def observe(self, lag_ns: int, now_ns: int) -> bool:
        """Take the loop's present lateness; whether `late` changed."""
        self.worst_ns = max(self.worst_ns, lag_ns)
        before = self.late
        if lag_ns > self.limit_ns:
            self._last_late_ns = now_ns
            if not self.late:
                self.late = True
                self.times += 1
                if not self._in_run or now_ns - self._first_of_run_ns > FORGET_NS:
                    self._first_of_run_ns, self._in_run = now_ns, 0
                self._in_run += 1
                self.final = self.final or self._in_run >= SHUTS_UNTIL_FINAL
        elif self.late and not self.final and now_ns - self._last_late_ns >= CALM_NS:
            self.late = False
        return self.late != before


class Systemd:
    """Talks to systemd when it started us; does nothing otherwise."""

    def __init__(self, environment: Mapping[str, str] | None = None) -> None:
        values = os.environ if environment is None else environment
        self._address = values.get("NOTIFY_SOCKET", "")
        interval = values.get("WATCHDOG_USEC", "")
        ours = values.get("WATCHDOG_PID", "") in ("", str(os.getpid()))
        self.interval_s = int(interval) / 1e6 if interval.isdigit() and ours else 0.0
        """Seconds within which systemd wants to hear from us; 0 when it does not watch."""

    def notify(self, *lines: str) -> None:
        """Send lines such as ``READY=1``; a socket that is gone is no reason to stop translating."""
        if not self._address or not hasattr(socket, "AF_UNIX"):
            return
        address = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        with (
            contextlib.suppress(OSError),
            contextlib.closing(socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)) as sender,
        ):
            sender.connect(address)
            sender.sendall("\n".join(lines).encode())


class HardwareWatchdog:
    """A watchdog device, or any file or pipe that a circuit's helper reads: a byte while all is well.

    Parameters
    ----------
    path : Path
        ``/dev/watchdog`` or the like.

    Raises
    ------
    InputError
        It can't be opened.
    """

    def __init__(self, path: Path) -> None:
        try:
            self._file: IO[bytes] = open(path, "wb", buffering=0)  # noqa: SIM115 - held open until `close`
        except OSError as error:
            raise InputError(
                f"watchdog {path} can't be opened ({error.strerror}): check its name and permissions"
            ) from None

    def feed(self) -> None:
        """All is well."""
        with contextlib.suppress(OSError):
            self._file.write(b"\n")

    def close(self, *, wanted: bool) -> None:
        """At a wanted end the device's magic letter says not to reset the machine; after a fault it is left out."""
        if wanted:
            with contextlib.suppress(OSError):
                self._file.write(b"V")
        self._file.close()
