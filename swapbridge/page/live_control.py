"""Page room: the live control: a recording in a thread of the page, or a run as a process of its own.

A run outlives the page. Whoever started it, the page of its folder finds it, watches it, and can stop it.
"""

from __future__ import annotations

import queue
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any

from swapbridge.bus.adapters.spec import BusSpec
from swapbridge.bus.recording.record import Press, RecordStatus, record
from swapbridge.bus.recording.script import ScriptStep
from swapbridge.bus.running.control import STATUS, LiveRun, live_runs, stop_run
from swapbridge.core.errors import RefusedError, SwapbridgeError

NOTHING, RECORDING, RUNNING = "nothing", "recording", "running"
BOXES = "captures"
LOOK_EVERY_S = 0.3
KEYS = ("next", "repeat", "skip", "mark", "note", "quit")
KEPT_WORDS = 30


_NEW_GROUP = 0x200
"""CREATE_NEW_PROCESS_GROUP (winbase.h), which `subprocess` knows on Windows only."""
_OWN_GROUP: dict[str, Any] = {"creationflags": _NEW_GROUP} if sys.platform == "win32" else {"start_new_session": True}
"""How a process is started that a Ctrl-C which ends the page does not end."""


@dataclass(slots=True)
class LiveControl:
    """What is live at the moment: nothing, a recording, or a run."""

    folder: Path
    error: str = ""
    ended_by: str = ""
    announced: list[str] = field(default_factory=list)
    _recording: bool = False
    _stop: threading.Event = field(default_factory=threading.Event)
    _keys: queue.SimpleQueue[Press] = field(default_factory=queue.SimpleQueue)
    _status: RecordStatus | None = None
    _thread: threading.Thread | None = None
    _child: subprocess.Popen[bytes] | None = None
    _log: IO[bytes] | None = None
    _found: list[LiveRun] = field(default_factory=list)
    _looked: float = 0.0
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def start_recording(
        self,
        specs: tuple[BusSpec, ...],
        out: Path,
        *,
        active: bool,
        script: tuple[ScriptStep, ...] | None,
        scan_tool: str | None,
    ) -> None:
        """Begin to record; `record` says what is refused."""

        def work() -> str:
            report = record(
                specs,
                out,
                active=active,
                script=script,
                scan_tool=scan_tool,
                keys=lambda _: self._pressed(),
                show=self._show,
                announce=self._announce,
                stop=self._stop,
            )
            return f"{report.ended_by}; written: {', '.join(path.name for path in report.files)}"

        self._begin(work)

    def start_run(
        self,
        plan: Path,
        specs: tuple[BusSpec, ...],
        *,
        sending: bool,
        acknowledged: bool,
        unproved: bool,
        against: tuple[str, Path] | None,
    ) -> None:
        """Begin to run a plan as a process of its own, which the page only watches; `run` says what is refused."""
        boxes = plan.parent / BOXES
        words = [sys.executable, "-m", "swapbridge", "run", str(plan), "--quiet", "--black-box", str(boxes)]
        words += [word for spec in specs for word in ("--bus", str(spec))]
        flags = {"--send": sending, "--cautions-read": acknowledged, "--unproved": unproved}
        words += [flag for flag, on in flags.items() if on]
        if against is not None:
            words += ["--against", f"{against[0]}={against[1]}"]
        with self._lock:
            if self.what != NOTHING:
                raise RefusedError(f"the page is {self.what} already; stop that first")
            self.error, self.ended_by, self._status = "", "", None
            boxes.mkdir(exist_ok=True)
            self._log = tempfile.TemporaryFile()  # noqa: SIM115 - the process writes into it for as long as it lives
            self._child = subprocess.Popen(
                words,
                cwd=plan.parent,
                stdin=subprocess.DEVNULL,
                stdout=self._log,
                stderr=subprocess.STDOUT,
                **_OWN_GROUP,
            )
            self._looked = 0.0

    @property
    def what(self) -> str:
        """What goes on: a recording of this page, a run of this folder whoever started it, or nothing."""
        if self._recording:
            return RECORDING
        self._reap()
        return RUNNING if self._child is not None or self.live_run() is not None else NOTHING

    @property
    def sending(self) -> bool:
        """Whether a run of this folder was started to send, here or in a terminal."""
        return any(run.sending for run in self._runs())

    def live_run(self) -> LiveRun | None:
        """The run of this folder that is shown: one that sends before one that only watches."""
        return max(self._runs(), key=lambda run: (run.sending, run.started_s), default=None)

    def speed_kmh(self) -> float | None:
        """How fast the vehicle goes, where a run of this folder knows; None where nobody does."""
        run = self.live_run()
        status = run.ask(STATUS) if run is not None else None
        speed = status.get("speed_kmh") if status else None
        return float(speed) if isinstance(speed, int | float) else None

    def _runs(self) -> list[LiveRun]:
        now = time.monotonic()
        if now - self._looked >= LOOK_EVERY_S:
            self._looked = now
            self._found = [r for r in live_runs() if r.plan_file and Path(r.plan_file).resolve().parent == self.folder]
        return self._found

    def _reap(self) -> None:
        """Take note of how the process ended that this page started."""
        child = self._child
        if child is None or child.poll() is None:
            return
        self._child, self._looked = None, 0.0
        assert self._log is not None
        self._log.seek(0)
        printed = self._log.read().decode(errors="replace").strip().splitlines()
        self._log.close()
        self.announced[:] = printed[-KEPT_WORDS:]
        if child.returncode:
            self.error = " ".join(" ".join(printed[-4:]).split()) or f"it ended with {child.returncode}"
        else:
            self.ended_by = next((line for line in printed if "ended by" in line), "stopped")

    def press(self, key: str, text: str = "") -> None:
        """A key of the person at the page.

        Raises
        ------
        RefusedError
            Nothing is being recorded, or the key means nothing.
        """
        if not self._recording or key not in KEYS:
            raise RefusedError("nothing is being recorded; start a recording first")
        self._keys.put(Press(key, text[:200]))

    def stop(self) -> None:
        """End whatever is live, by force if need be; waits for nothing."""
        if self._recording:
            self._keys.put(Press("quit"))  # behind the keys pressed before it, so that none of them is lost
        self._looked = 0.0
        for run in self._runs():
            threading.Thread(target=stop_run, args=(run,), name="page-stop", daemon=True).start()
        child = self._child
        if child is not None and not any(run.process == child.pid for run in self._found):
            child.terminate()  # it is just starting, and can't be asked yet

    def close(self) -> None:
        """End a recording and wait for it; a run goes on, and is found again."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join()

    def to_dict(self) -> dict[str, Any]:
        """What the page shows."""
        what = self.what
        out: dict[str, Any] = {
            "what": what,
            "sending": self.sending,
            "error": self.error,
            "ended_by": self.ended_by,
            "announced": self.announced[-8:],
        }
        if self._status is not None:
            out["record"] = _record_dict(self._status)
        run = self.live_run()
        status = run.ask(STATUS) if run is not None else None
        if status:
            out["run"] = status
            out["announced"] = status["announced"] if what == RUNNING else out["announced"]
        return out

    def _begin(self, work: Callable[[], str]) -> None:
        with self._lock:
            if self.what != NOTHING:
                raise RefusedError(f"the page is {self.what} already; stop that first")
            self._recording, self.error, self.ended_by, self._status = True, "", "", None
            self.announced.clear()
            self._stop.clear()
            while not self._keys.empty():
                self._keys.get()
            self._thread = threading.Thread(target=self._run, args=(work,), name="page-live")
            self._thread.start()

    def _run(self, work: Callable[[], str]) -> None:
        try:
            self.ended_by = work()
        except SwapbridgeError as error:
            self.error = str(error)
        except Exception as error:  # noqa: BLE001 - a thread's failure must reach the person, whatever it is
            self.error = f"this should not happen: {type(error).__name__}: {error}"
        finally:
            self._recording = False

    def _pressed(self) -> Iterable[Press]:
        out = []
        while not self._keys.empty():
            out.append(self._keys.get())
        return out

    def _show(self, status: RecordStatus) -> None:
        self._status = status

    def _announce(self, words: str) -> None:
        self.announced.append(words)
        del self.announced[:-KEPT_WORDS]


def _record_dict(status: RecordStatus) -> dict[str, Any]:
    view = status.view
    return {
        "seconds": status.seconds,
        "files": [path.name for path in status.files],
        "scan_tool": status.scan_tool,
        "confirmed": status.confirmed,
        "buses": [
            {
                "name": name,
                "line": health.line(),
                "warning": health.warning,
                "frames": status.buses[name].frames if name in status.buses else 0,
                "lost": status.buses[name].lost if name in status.buses else 0,
            }
            for name, health in status.health.items()
        ],
        "step": None
        if view is None
        else {
            "phase": view.phase.value,
            "number": view.step_number,
            "of": view.steps,
            "time": view.time_number,
            "times": view.times,
            "headline": view.headline,
            "caution": view.caution,
            "left_s": view.left_s,
        },
    }
