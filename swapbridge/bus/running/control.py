"""Bus room: a live run can be seen and stopped from anywhere on this computer: a terminal, the page, another user.

Each run locks a small file in a common folder; the file names its process and a port on this machine only. Whoever
finds it may request two things: its status, and that it stops. Nothing here starts anything. The lock on a file is
released when its run is gone.
"""

from __future__ import annotations

import contextlib
import json
import os
import secrets
import signal
import socket
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import IO, Any

from swapbridge.bus.adapters.lock import opened, shared_folder, take
from swapbridge.core.errors import RefusedError

STOP, NOW, STATUS = "stop", "now", "status"
LONGEST_LINE = 4 * 1024 * 1024
ENDS_WITHIN_S = 2.0
"""A run that was asked to stop has sent its last frame well before; after that it is ended by force."""
DIES_WITHIN_S = 1.0
LOOK_AFTER_S = 30.0
"""How often a run sees to it that it can be found: computers clean their temporary folders."""
_NO_SUCH_PROCESS = 87
"""Windows' error for a process that is gone: ERROR_INVALID_PARAMETER (winerror.h)."""


def control_folder() -> Path:
    """Where live runs are found: the same for every user and terminal of this computer."""
    return shared_folder("swapbridge-live")


@dataclass(frozen=True, slots=True)
class LiveRun:
    """A run that is going on.

    Attributes
    ----------
    process : int
    port : int
        Where it listens, on this machine.
    plan, plan_file : str
        The plan's name, and its file where there is one.
    sending : bool
        Whether it was started to send.
    buses : tuple of str
        As they are named on the command line.
    started_s : float
        Time since 1970.
    """

    process: int
    port: int
    plan: str
    plan_file: str
    sending: bool
    buses: tuple[str, ...]
    started_s: float

    def ask(self, what: str, timeout_s: float = 1.0) -> dict[str, Any] | None:
        """Its answer, or None when it gives none."""
        try:
            with socket.create_connection(("127.0.0.1", self.port), timeout=timeout_s) as line:
                line.sendall(json.dumps({"ask": what}).encode() + b"\n")
                answer = json.loads(_line(line))
        except (OSError, ValueError):
            return None
        return answer if isinstance(answer, dict) else None


class Control:
    """The run's own side.

    Parameters
    ----------
    run : LiveRun
        Its entry; the port is filled in.
    stop, now : threading.Event
        Set by the first and by the second who asks to stop.
    ended : threading.Event
        Set by the run when its last frame is out and its buses are closed.
    status : callable
        Gives plain data for whoever watches.
    folder : Path or None
        Where runs are found, if not in the usual place.
    """

    def __init__(
        self,
        run: LiveRun,
        stop: threading.Event,
        now: threading.Event,
        ended: threading.Event,
        status: Callable[[], dict[str, Any]],
        folder: Path | None = None,
    ) -> None:
        self._run, self._stop, self._now, self._ended, self._status = run, stop, now, ended, status
        self._folder = folder or control_folder()

    @contextlib.contextmanager
    def open(self) -> Iterator[None]:
        """Be found until the block ends."""
        with socket.create_server(("127.0.0.1", 0)) as server:
            data = json.dumps(asdict(self._run) | {"port": server.getsockname()[1]}) + "\n"
            # a name of its own, which no earlier run had: whoever removes a dead run's file removes no other
            sign = _Sign(self._folder, f"{self._run.process}-{secrets.token_hex(4)}.json", data)
            over = threading.Event()
            threading.Thread(target=self._serve, args=(server,), name="control", daemon=True).start()
            keeper = threading.Thread(target=sign.keep, args=(over,), name="control sign", daemon=True)
            keeper.start()
            try:
                yield
            finally:
                over.set()
                keeper.join(timeout=1.0)
                sign.take_down()

    def _serve(self, server: socket.socket) -> None:
        while True:
            try:
                line, _ = server.accept()
            except OSError:
                return
            threading.Thread(target=self._answer, args=(line,), name="control answers", daemon=True).start()

    def _answer(self, line: socket.socket) -> None:
        with line, contextlib.suppress(OSError, ValueError, KeyError, TypeError):
            line.settimeout(ENDS_WITHIN_S)
            asked = json.loads(_line(line, 1000))["ask"]
            answer: dict[str, Any] = {}
            if asked in (STOP, NOW):
                if self._stop.is_set() or asked == NOW:
                    self._now.set()
                self._stop.set()
                answer = {"ended": self._ended.wait(ENDS_WITHIN_S)}
            elif asked == STATUS:
                answer = self._status()
            line.sendall(json.dumps(answer).encode() + b"\n")


class _Sign:
    """The file by which a run is found, held as long as the run goes on, and put up again when somebody removed it."""

    def __init__(self, folder: Path, name: str, text: str) -> None:
        self._path, self._text = folder / name, text
        self._file = self._put_up()

    def keep(self, over: threading.Event) -> None:
        """Look after it until it is over."""
        while not over.wait(LOOK_AFTER_S):
            with contextlib.suppress(OSError):
                self.look_after()

    def look_after(self) -> None:
        """Keep it young, so that nobody cleans it away; put it up again where somebody did."""
        held = os.fstat(self._file.fileno())
        try:
            there = os.stat(self._path)
        except FileNotFoundError:
            there = None
        if there is not None and (there.st_dev, there.st_ino) == (held.st_dev, held.st_ino):
            os.utime(self._path)
            return
        old, self._file = self._file, self._put_up()
        old.close()

    def take_down(self) -> None:
        with contextlib.suppress(OSError):
            self._path.unlink()
        self._file.close()
        with contextlib.suppress(OSError):  # Windows removes no file that is open
            self._path.unlink()

    def _put_up(self) -> IO[str]:
        self._path.parent.mkdir(parents=True, exist_ok=True)
        with contextlib.suppress(OSError):
            self._path.parent.chmod(0o1777)
        # under another name until it is locked: whoever looks takes a file that nobody holds for a dead run's
        place = self._path if sys.platform == "win32" else self._path.with_suffix(".new")
        file = opened(place)
        try:
            take(file)
            file.seek(0)
            file.truncate()
            file.write(self._text)
            file.flush()
            if place != self._path:
                os.replace(place, self._path)
        except OSError as error:
            file.close()
            with contextlib.suppress(OSError):
                place.unlink()
            raise RefusedError(
                f"{self._path} can't be written ({error.strerror}), and a run that can't be found can't be stopped "
                "from another terminal: make room there"
            ) from None
        return file


def live_runs(folder: Path | None = None) -> list[LiveRun]:
    """Runs going on on this computer, oldest first."""
    out = []
    place = folder or control_folder()
    for path in sorted(place.glob("*.json")) if place.is_dir() else ():
        gone = False
        with contextlib.suppress(OSError, ValueError, TypeError, KeyError), opened(path, make=False) as file:
            if take(file):  # nobody holds it: its process is gone
                gone = os.path.samestat(os.fstat(file.fileno()), os.stat(path))
            else:
                data = json.loads(file.read())
                out.append(LiveRun(**{**data, "buses": tuple(data["buses"])}))
        if gone:  # closed by now, since Windows removes no file that is open
            with contextlib.suppress(OSError):
                path.unlink()
    return sorted(out, key=lambda run: run.started_s)


def stop_run(run: LiveRun, *, now: bool = False, folder: Path | None = None) -> str:
    """Stop a run, by force if it has to be; how it ended, in words.

    A run that is killed sends nothing more: nothing was ever given to an adapter or the kernel to repeat.
    """
    begun = time.monotonic()
    answer = run.ask(NOW if now else STOP, ENDS_WITHIN_S)
    if answer is not None and answer.get("ended"):
        return f"stopped: safe answers sent, buses closed after {time.monotonic() - begun:.1f} s"
    for number in (signal.SIGTERM, getattr(signal, "SIGKILL", signal.SIGTERM)):
        if not _goes_on(run, folder):
            return "stopped"
        try:
            os.kill(run.process, number)
        except ProcessLookupError:
            return "stopped"
        except PermissionError:
            return "it does not respond and belongs to another user: stop it as that user, or cut its power"
        except OSError as error:
            if getattr(error, "winerror", None) != _NO_SUCH_PROCESS:
                raise
            return "stopped"
        end = time.monotonic() + DIES_WITHIN_S
        while _goes_on(run, folder) and time.monotonic() < end:
            time.sleep(0.02)
    if _goes_on(run, folder):
        return "it could not be stopped: cut its power"
    return "ended by force: it no longer sends; no safe answers were sent"


def stop_all(runs: Iterable[LiveRun], *, now: bool = False, folder: Path | None = None) -> list[tuple[LiveRun, str]]:
    """Stop several runs at the same time; how each ended, in words."""
    some = list(runs)
    with ThreadPoolExecutor(max(1, len(some))) as pool:
        return list(zip(some, pool.map(lambda run: stop_run(run, now=now, folder=folder), some), strict=True))


def _goes_on(run: LiveRun, folder: Path | None) -> bool:
    return any(other.process == run.process and other.port == run.port for other in live_runs(folder))


def _line(line: socket.socket, most: int = LONGEST_LINE) -> bytes:
    out = b""
    while not out.endswith(b"\n"):
        piece = line.recv(65536)
        if not piece or len(out) > most:
            raise ValueError("the other side hung up")
        out += piece
    return out
