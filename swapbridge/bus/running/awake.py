"""Bus room: keep the computer awake while it sends, or say that it can't be.

A laptop whose lid is closed would stop in the middle of a message's cycle. Where nothing on the computer ever puts it
to sleep (a small board, a container), nothing has to be done. The inhibitor may itself be ended while we send, for
example with the session that it belongs to: then it is taken again. Where that is not possible, the run goes on and
reports it: a run that stops is certainly silent, while the computer only might fall asleep.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from swapbridge.core.errors import RefusedError

SETTLES_S = 0.4
AGAIN_S = 10.0
"""How long after one try the next is made, where it can't be taken again."""
_SYSTEMD = Path("/run/systemd/system")
"""Exists where systemd runs the computer (sd_booted(3)); its logind is what puts a Linux computer to sleep."""
_STATES = Path("/sys/power/state")


class Awake:
    """Holds off sleep, and looks whether it still does.

    Parameters
    ----------
    command : list of str or None
        Holds it off while it runs; None where nothing has to be done.
    """

    def __init__(self, command: list[str] | None) -> None:
        self._command = command
        self._holder: subprocess.Popen[bytes] | None = None
        self._begun_s = 0.0
        self._held = False

    def take(self) -> None:
        """Hold off sleep from now on.

        Raises
        ------
        RefusedError
            It is not allowed.
        """
        if self._command is None:
            return
        if not self._begin():
            raise sleep_refusal(f"{self._command[0]} can't be started")
        time.sleep(SETTLES_S)
        if self._ended():
            raise sleep_refusal(self._error_text())
        self._held = True

    def look(self, now_s: float) -> str | None:
        """Take it again where it was lost; what there is to report, if anything. Never waits.

        Parameters
        ----------
        now_s : float
            The monotonic clock.
        """
        if self._command is None:
            return None
        if not self._ended():
            if self._held or now_s - self._begun_s < SETTLES_S:
                return None
            self._held = True
            return "this computer is kept awake again"
        if self._held:
            self._held = False
            self._begin()
            return "the program that kept this computer awake was ended from outside: it is being started again"
        if now_s - self._begun_s < AGAIN_S:
            return None
        why = self._error_text()
        self._begin()
        return (
            f"this computer may go to sleep while it sends, and can't be kept awake ({why}): leave the lid open and "
            "the charger plugged in, and stop as soon as it is safe"
        )

    def release(self) -> None:
        """Let it sleep."""
        if self._holder is not None:
            self._holder.terminate()
            with self._holder:  # closes its pipes and waits for it
                pass

    def _begin(self) -> bool:
        assert self._command is not None
        self.release()
        self._holder, self._begun_s = None, time.monotonic()
        with contextlib.suppress(OSError):
            self._holder = subprocess.Popen(
                self._command,
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE,
                start_new_session=True,
            )
        return self._holder is not None

    def _ended(self) -> bool:
        return self._holder is None or self._holder.poll() is not None

    def _error_text(self) -> str:
        """The last words of what ended."""
        assert self._command is not None
        if self._holder is None or self._holder.stderr is None:
            return f"{self._command[0]} can't be started"
        text = self._holder.stderr.read().decode(errors="replace").strip()
        return text or f"{self._command[0]} ends at once"


@contextlib.contextmanager
def kept_awake() -> Iterator[Awake]:
    """Keep this computer from sleeping until the block ends.

    Raises
    ------
    RefusedError
        It may sleep, and can't be kept from it.
    """
    if sys.platform == "win32":
        import ctypes

        with on_windows(ctypes.windll):
            yield Awake(None)
        return
    awake = Awake(_inhibitor())
    try:
        awake.take()
        yield awake
    finally:
        awake.release()


def sleep_refusal(why: str) -> RefusedError:
    """What is said where the computer can't be kept awake."""
    return RefusedError(
        f"this computer can't be kept from sleeping ({why}), and one that falls asleep leaves a module without its "
        "messages: run `sudo systemctl mask sleep.target suspend.target hibernate.target hybrid-sleep.target` once, or "
        "use a computer that does not sleep"
    )


def _inhibitor() -> list[str] | None:
    """The command that holds off sleep while it runs; None where nothing would put this computer to sleep."""
    if sys.platform == "darwin":
        return ["caffeinate", "-dims", "-w", str(os.getpid())]
    if not _SYSTEMD.is_dir() or not _can_sleep() or _masked():
        return None
    if shutil.which("systemd-inhibit") is None:
        raise sleep_refusal("systemd-inhibit is missing")
    what = "--what=sleep:idle:handle-lid-switch"
    return ["systemd-inhibit", what, "--who=swapbridge", "--why=sending to a vehicle", "--mode=block", "cat"]


def _can_sleep() -> bool:
    try:
        return bool(_STATES.read_text(encoding="ascii").split())
    except OSError:
        return False


def _masked() -> bool:
    """Whether sleep was switched off for good."""
    try:
        answer = subprocess.run(
            ["systemctl", "is-enabled", "sleep.target"], capture_output=True, text=True, timeout=5, check=False
        )
    except (OSError, subprocess.SubprocessError):
        return False
    return answer.stdout.strip() == "masked"


@contextlib.contextmanager
def on_windows(libraries: Any) -> Iterator[None]:
    """Awake on Windows, and waits that end within a millisecond instead of at the next tick of 15.6 ms.

    Parameters
    ----------
    libraries : ctypes.LibraryLoader
        ``ctypes.windll``: SetThreadExecutionState of kernel32 (winbase.h), timeBeginPeriod of winmm (timeapi.h).

    Raises
    ------
    RefusedError
        Windows does not allow it.
    """
    continuous, system, display = 0x8000_0000, 0x1, 0x2
    if not libraries.kernel32.SetThreadExecutionState(continuous | system | display):
        raise sleep_refusal("Windows does not allow it")
    finer = libraries.winmm.timeBeginPeriod(1) == 0
    try:
        yield
    finally:
        if finer:
            libraries.winmm.timeEndPeriod(1)
        libraries.kernel32.SetThreadExecutionState(continuous)
