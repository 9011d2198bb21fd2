"""Bus room: keep the computer awake while it sends, or say that it can't be.

A laptop whose lid is closed would stop in the middle of a frame's cycle. Where nothing on the computer ever puts it to
sleep (a small board, a container), nothing has to be done.
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

from swapbridge.core.errors import RefusedError

SETTLES_S = 0.4
_SYSTEMD = Path("/run/systemd/system")
"""Exists where systemd runs the computer (sd_booted(3)); its logind is what puts a Linux computer to sleep."""
_STATES = Path("/sys/power/state")


@contextlib.contextmanager
def kept_awake() -> Iterator[None]:
    """Keep this computer from sleeping until the block ends.

    Raises
    ------
    RefusedError
        It may sleep, and can't be kept from it.
    """
    if sys.platform == "win32":
        with _windows():
            yield
        return
    command = _inhibitor()
    if command is None:
        yield
        return
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, start_new_session=True
    ) as holder:
        try:
            time.sleep(SETTLES_S)
            if holder.poll() is not None:
                said = (holder.stderr.read() if holder.stderr is not None else b"").decode(errors="replace").strip()
                raise refusal(said)
            yield
        finally:
            holder.terminate()


def refusal(why: str) -> RefusedError:
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
        raise refusal("systemd-inhibit is missing")
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


if sys.platform == "win32":

    @contextlib.contextmanager
    def _windows() -> Iterator[None]:
        import ctypes

        continuous, system, display = 0x8000_0000, 0x1, 0x2  # SetThreadExecutionState (winbase.h)
        if not ctypes.windll.kernel32.SetThreadExecutionState(continuous | system | display):
            raise refusal("Windows does not allow it")
        try:
            yield
        finally:
            ctypes.windll.kernel32.SetThreadExecutionState(continuous)
