"""What a system without Unix's modules would stumble over; nothing more than that can be tried here."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from swapbridge.bus.adapters.lock import opened
from swapbridge.bus.running import awake, control
from swapbridge.cli.screen.terminal import signals, typed_on_windows, window_watched
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
def test_where_no_hangup_is_known_ctrl_break_stops(monkeypatch: pytest.MonkeyPatch) -> None:
    """Windows has no SIGHUP; its C library raises SIGBREAK for Ctrl-Break."""
    monkeypatch.setattr(signal, "SIGBREAK", signal.SIGUSR2, raising=False)
    monkeypatch.delattr(signal, "SIGHUP")
    stop = threading.Event()
    with signals(SIGINT=threading.Event(), SIGHUP=stop):
        os.kill(os.getpid(), signal.SIGUSR2)
        assert stop.wait(60.0)


class Kernel:
    """SetConsoleCtrlHandler: keeps what is registered, and calls it from a thread of its own, as Windows does."""

    def __init__(self) -> None:
        self.handlers: list[Callable[[int], int]] = []

    def SetConsoleCtrlHandler(self, routine: Callable[[int], int], add: int) -> int:
        (self.handlers.append if add else self.handlers.remove)(routine)
        return 1

    def tell(self, kind: int, answers: list[int]) -> threading.Thread:
        thread = threading.Thread(target=lambda: answers.append(self.handlers[-1](kind)))
        thread.start()
        return thread


def test_a_closed_window_lets_the_work_end_first() -> None:
    """Windows ends a program as soon as its handler returns (CTRL_CLOSE_EVENT is 2, CTRL_C_EVENT 0; wincon.h)."""
    kernel, stop, answers = Kernel(), threading.Event(), []  # type: ignore[var-annotated]
    with window_watched(kernel, stop):
        kernel.tell(0, answers).join()
        assert (answers, stop.is_set()) == ([0], False)  # left to others
        thread = kernel.tell(2, answers)
        assert stop.wait(60.0)
        thread.join(0.2)
        assert thread.is_alive()  # the last frames are still being sent
    thread.join(60.0)
    assert answers == [0, 1]
    assert not kernel.handlers


class Console:
    """``msvcrt`` with some keys typed: a special key is two characters that are there at once."""

    def __init__(self, *keys: str) -> None:
        self._keys = [list(key) for key in keys]
        self._waits = False

    def kbhit(self) -> bool:
        """A look between two keys finds nothing yet."""
        if self._keys and not self._keys[0]:
            self._keys.pop(0)
            return False
        return bool(self._keys)

    def getwch(self) -> str:
        return self._keys[0].pop(0)


def test_special_keys_of_a_windows_console_mean_nothing() -> None:
    """Page Down is E0 and a Q there, Delete an S, Insert an R, F-keys begin with 0; an accented a alone is a letter."""
    console = Console("n", "\xe0Q", "\0S", "\xe0", "q")
    typed = [typed_on_windows(console) for _ in range(5)]
    assert typed == ["n", "", "", "\xe0q", ""]


def test_a_dead_runs_file_goes_once_it_is_closed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Windows removes no file that a program, we ourselves included, has open."""
    dead = tmp_path / "1-abcd.json"
    dead.write_text("{}", encoding="utf-8")
    unlink, files = Path.unlink, []

    def noted(path: Path, *, make: bool = True) -> Any:
        files.append(opened(path, make=make))
        return files[-1]

    def refused(path: Path, missing_ok: bool = False) -> None:
        if any(not file.closed for file in files):
            raise PermissionError(13, "in use", str(path))
        unlink(path, missing_ok)

    monkeypatch.setattr(control, "opened", noted)
    monkeypatch.setattr(Path, "unlink", refused)
    assert control.live_runs(tmp_path) == []
    assert not dead.exists()


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
