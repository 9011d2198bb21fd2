"""What a system without Unix's modules would stumble over; nothing more than that can be tried here."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import pytest

from swapbridge.bus.running import awake, control
from swapbridge.cli.screen.terminal import signals
from swapbridge.core.errors import RefusedError

SCRIPT = """
import importlib, pkgutil, sys
for name in ("fcntl", "termios", "tty", "pwd", "grp", "resource", "syslog", "readline", "curses"):
    sys.modules[name] = None
count = 0
import swapbridge
for module in pkgutil.walk_packages(swapbridge.__path__, "swapbridge."):
    if not module.name.endswith("__main__"):
        importlib.import_module(module.name)
        count += 1
print(count)
"""


def test_no_module_needs_a_unix_module_to_be_imported() -> None:
    done = subprocess.run([sys.executable, "-c", SCRIPT], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert int(done.stdout) > 200


class Library:
    """A library of Windows: every call is kept, and answered with what is said."""

    def __init__(self, calls: list[tuple[str, int]], answers: dict[str, int]) -> None:
        self._calls, self._answers = calls, answers

    def __getattr__(self, name: str) -> Any:
        def call(value: int) -> int:
            self._calls.append((name, value))
            return self._answers.get(name, 0)

        return call


class Libraries:
    """``ctypes.windll``."""

    def __init__(self, **answers: int) -> None:
        self.calls: list[tuple[str, int]] = []
        self.kernel32 = self.winmm = Library(self.calls, answers)


def test_windows_is_kept_awake_and_its_waits_are_fine_while_we_send() -> None:
    """winbase.h: ES_CONTINUOUS, ES_SYSTEM_REQUIRED, ES_DISPLAY_REQUIRED; timeapi.h: 0 is TIMERR_NOERROR (memory)."""
    windll = Libraries(SetThreadExecutionState=0x8000_0000)
    with awake.on_windows(windll):
        assert windll.calls == [("SetThreadExecutionState", 0x8000_0003), ("timeBeginPeriod", 1)]
    assert windll.calls[2:] == [("timeEndPeriod", 1), ("SetThreadExecutionState", 0x8000_0000)]


def test_windows_that_does_not_stay_awake_sends_nothing() -> None:
    windll = Libraries(SetThreadExecutionState=0)
    with pytest.raises(RefusedError, match="Windows does not allow it"), awake.on_windows(windll):
        pytest.fail("it went on")
    assert [name for name, _ in windll.calls] == ["SetThreadExecutionState"]


def test_a_timer_that_stays_coarse_is_not_given_back() -> None:
    windll = Libraries(SetThreadExecutionState=1, timeBeginPeriod=97)
    with awake.on_windows(windll):
        pass
    assert "timeEndPeriod" not in [name for name, _ in windll.calls]


@pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="needs a signal to stand for Windows' own")
def test_where_no_hangup_is_known_ctrl_break_and_a_closed_window_stop(monkeypatch: pytest.MonkeyPatch) -> None:
    """Windows has no SIGHUP; its C library raises SIGBREAK for Ctrl-Break and for a window that is closed."""
    monkeypatch.setattr(signal, "SIGBREAK", signal.SIGUSR2, raising=False)
    monkeypatch.delattr(signal, "SIGHUP")
    stop = threading.Event()
    with signals(SIGINT=threading.Event(), SIGHUP=stop):
        os.kill(os.getpid(), signal.SIGUSR2)
        assert stop.wait(60.0)


def gone(code: int) -> OSError:
    error = OSError("the parameter is incorrect")
    error.winerror = code  # type: ignore[attr-defined, unused-ignore]
    return error


def test_a_run_that_ended_meanwhile_is_stopped_on_windows_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Windows says 87 of a process that is gone (winerror.h, ERROR_INVALID_PARAMETER), where others say ESRCH."""
    run = control.LiveRun.__new__(control.LiveRun)
    for name, value in (("process", 1), ("port", 1)):
        object.__setattr__(run, name, value)
    monkeypatch.setattr(control.LiveRun, "ask", lambda *_: None)
    monkeypatch.setattr(control, "_goes_on", lambda *_: True)
    for error, stopped in ((gone(87), True), (gone(5), False)):

        def kill(process: int, number: int, error: OSError = error) -> None:
            raise error

        monkeypatch.setattr(os, "kill", kill)
        if stopped:
            assert control.stop_run(run, folder=tmp_path) == "stopped"
        else:
            with pytest.raises(OSError, match="parameter"):
                control.stop_run(run, folder=tmp_path)
