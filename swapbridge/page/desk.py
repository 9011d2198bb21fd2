"""Page room: the live desk: one recording or run at a time, in its own thread, watched and steered by the page."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from swapbridge.bus.adapters.spec import BusSpec
from swapbridge.bus.recording.record import Press, RecordStatus, record
from swapbridge.bus.recording.script import Step
from swapbridge.bus.running.live import LiveOptions, LiveStatus, Values
from swapbridge.bus.running.run import RunRequest, run
from swapbridge.capture.capture import Capture
from swapbridge.core.errors import RefusedError, SwapbridgeError
from swapbridge.core.frames import format_identifier, split_word
from swapbridge.plan.model import Plan
from swapbridge.plan.proof import Ruling
from swapbridge.plan.python.translator import Translator

KEYS = ("next", "repeat", "skip", "mark", "note", "quit")
KEPT_WORDS = 30


@dataclass(slots=True)
class Desk:
    """What is live at the moment: nothing, a recording, or a run."""

    what: str = "nothing"
    error: str = ""
    ended_by: str = ""
    told: list[str] = field(default_factory=list)
    _stop: threading.Event = field(default_factory=threading.Event)
    _keys: queue.SimpleQueue[Press] = field(default_factory=queue.SimpleQueue)
    _status: RecordStatus | LiveStatus | None = None
    _values: Values | None = None
    _thread: threading.Thread | None = None
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def start_recording(
        self,
        specs: tuple[BusSpec, ...],
        out: Path,
        *,
        active: bool,
        script: tuple[Step, ...] | None,
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
                tell=self._tell,
                stop=self._stop,
            )
            return f"{report.ended_by}; written: {', '.join(path.name for path in report.files)}"

        self._begin("recording", work)

    def start_run(
        self,
        plan: Plan,
        specs: tuple[BusSpec, ...],
        folder: Path,
        *,
        proof: Ruling,
        sending: bool,
        acknowledged: bool,
        unproved: bool,
        against: tuple[str, Capture] | None,
    ) -> None:
        """Begin to run a plan; `run` says what is refused."""
        request = RunRequest(
            plan=plan,
            buses=specs,
            options=LiveOptions(sending=sending),
            proof=proof,
            folder=folder,
            unproved=unproved,
            acknowledged=acknowledged,
            against=against[1] if against else None,
            against_bus=against[0] if against else None,
        )
        self._values = Values(plan)

        def work() -> str:
            report = run(request, Translator(plan), show=self._show, tell=self._tell, stop=self._stop)
            boxes = f"; black box: {', '.join(p.name for p in report.black_boxes)}" if report.black_boxes else ""
            return report.ended_by + boxes

        self._begin("running", work)

    def press(self, key: str, text: str = "") -> None:
        """A key of the person at the page.

        Raises
        ------
        RefusedError
            Nothing is being recorded, or the key means nothing.
        """
        if self.what != "recording" or key not in KEYS:
            raise RefusedError("nothing is being recorded; start a recording first")
        self._keys.put(Press(key, text[:200]))

    def stop(self) -> None:
        """End what is live; fallback frames are sent and buses closed before it is over."""
        if self.what == "recording":
            self._keys.put(Press("quit"))  # behind the keys pressed before it, so that none of them is lost
        else:
            self._stop.set()

    def close(self) -> None:
        """End what is live and wait for it."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join()

    def to_json(self) -> dict[str, Any]:
        """What the page shows."""
        status = self._status
        out: dict[str, Any] = {
            "what": self.what,
            "error": self.error,
            "ended_by": self.ended_by,
            "told": self.told[-8:],
        }
        if isinstance(status, RecordStatus):
            out["record"] = _record_json(status)
        elif isinstance(status, LiveStatus):
            out["run"] = self._run_json(status)
        return out

    def _begin(self, what: str, work: Callable[[], str]) -> None:
        with self._lock:
            if self.what != "nothing":
                raise RefusedError(f"the page is {self.what} already; stop that first")
            self.what, self.error, self.ended_by, self._status = what, "", "", None
            self.told.clear()
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
            self.what = "nothing"

    def _pressed(self) -> Iterable[Press]:
        out = []
        while not self._keys.empty():
            out.append(self._keys.get())
        return out

    def _show(self, status: RecordStatus | LiveStatus) -> None:
        self._status = status

    def _tell(self, words: str) -> None:
        self.told.append(words)
        del self.told[:-KEPT_WORDS]

    def _run_json(self, status: LiveStatus) -> dict[str, Any]:
        outputs = []
        for item in status.outputs:
            values = self._values.of(item.send, item.data) if self._values is not None and item.data is not None else []
            outputs.append(
                {
                    "bus": item.bus,
                    "name": item.name,
                    "id": format_identifier(*split_word(item.word)),
                    "count": item.count,
                    "data": item.data.hex(" ").upper() if item.data is not None else "",
                    "seen": item.seen.hex(" ").upper() if item.seen is not None else "",
                    "values": [f"{name} {value:g} {unit}".strip() for name, value, unit in values],
                }
            )
        return {
            "seconds": status.seconds,
            "mode": status.mode,
            "sending": status.sending,
            "shut": status.shut,
            "worst_lag_ms": status.worst_lag_ms,
            "buses": [
                {
                    "name": b.name,
                    "up": b.up,
                    "line": b.health.line(),
                    "warning": b.health.warning,
                    "received": b.received,
                    "sent": b.sent,
                }
                for b in status.buses
            ],
            "inputs": [
                {"bus": i.bus, "name": i.name, "age_s": i.age_s, "limit_s": i.limit_s, "fresh": i.fresh}
                for i in status.inputs
            ],
            "outputs": outputs,
        }


def _record_json(status: RecordStatus) -> dict[str, Any]:
    view = status.view
    return {
        "seconds": status.seconds,
        "files": [path.name for path in status.files],
        "scan_tool": status.scan_tool,
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
