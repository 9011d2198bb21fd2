"""Bus room: `record`: the recorder with a script, a scan tool, somebody's keys and somebody's screen around it."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from swapbridge.bus.adapters.health import Health
from swapbridge.bus.adapters.listen import has_wires
from swapbridge.bus.adapters.lock import locked
from swapbridge.bus.adapters.spec import BusSpec, check_distinct
from swapbridge.bus.recording.recorder import SEGMENT_BYTES, BusReport, Recorder, RecordReport
from swapbridge.bus.recording.scantool import DEFAULT_PER_SECOND, PolledValue, ScanTool, ScanToolPort
from swapbridge.bus.recording.script import ScriptMark, ScriptRun, ScriptStep, View, event_marks, note_marks
from swapbridge.core.errors import RefusedError
from swapbridge.core.progress import Announce

LOOK_EVERY_S = 0.05
SHOW_EVERY_S = 0.2


@dataclass(frozen=True, slots=True)
class Press:
    """A key of the person: ``next``, ``repeat``, ``skip``, ``mark``, ``note`` (with text) or ``quit``."""

    key: str
    text: str = ""


@dataclass(frozen=True, slots=True)
class RecordStatus:
    """How a recording is doing, for a screen."""

    seconds: float
    files: tuple[Path, ...]
    health: dict[str, Health]
    buses: dict[str, BusReport]
    view: View | None
    scan_tool: str
    announced: tuple[str, ...]
    confirmed: str = ""
    """What became of the last mark or note."""


def record(
    specs: Iterable[BusSpec],
    out: Path,
    *,
    active: bool = False,
    seconds: float | None = None,
    script: Sequence[ScriptStep] | None = None,
    scan_tool: str | None = None,
    per_second: float = DEFAULT_PER_SECOND,
    segment_bytes: int = SEGMENT_BYTES,
    keys: Callable[[View | None], Iterable[Press]] | None = None,
    show: Callable[[RecordStatus], None] | None = None,
    announce: Announce | None = None,
    stop: threading.Event | None = None,
    lock_folder: Path | None = None,
) -> RecordReport:
    """Record buses into text logs, and what is done to the vehicle into a stimulus file beside them.

    Parameters
    ----------
    specs : iterable of BusSpec
        One or more buses; all are put on one clock.
    out : Path
        First file, ending in ``.log``; an existing file is never overwritten, the next number is used.
    active : bool
        Whether the adapters may be opened with the ability to send. Listen-only by default.
    seconds : float or None
        Stops after this many seconds; None runs until stopped.
    script : sequence of ScriptStep or None
        What a person is asked to do, step by step.
    scan_tool : str or None
        Name of the bus on which service 01 is polled while recording; needs `active`.
    per_second : float
        Maximum number of scan tool requests per second.
    segment_bytes : int
        Size in bytes at which the next file begins.
    keys : callable
        Called about 20 times a second with what is shown; returns the keys pressed since the last call.
    show : callable
        Called about five times a second with the status.
    announce : callable
        Receives sentences that should not be missed, from any thread.
    stop : threading.Event or None
        Ends the recording when set.
    lock_folder : Path or None
        Folder of the lock files, if not the usual one.

    Returns
    -------
    RecordReport
        Files written, frames per bus, and how the recording ended.

    Raises
    ------
    RefusedError
        A bus is in use by another program or can't be opened listen-only; or a scan tool is wanted in listen-only.
    BusError, InputError
        A bus can't be opened, or the file can't be written.

    Examples
    --------
    >>> from swapbridge.bus.adapters.spec import parse_bus
    >>> record([parse_bus("host=virtual:example")], Path("idle.log"), seconds=0.1).ended_by
    'time over'
    """
    buses = tuple(specs)
    if scan_tool is not None and not active:
        raise RefusedError(
            "a scan tool sends requests, and a recording only listens: leave the scan tool out, or add --active if "
            "you are sure of the bus's bit rate"
        )
    if scan_tool is not None and scan_tool not in {spec.name for spec in buses}:
        raise RefusedError(f"the scan tool is set to ask on bus {scan_tool}, which is not recorded: add it with --bus")
    with locked([spec for spec in check_distinct(buses) if has_wires(spec)], lock_folder, "a recorder"):
        recorder = Recorder(
            buses, out, active=active, sending=scan_tool is not None, segment_bytes=segment_bytes, announce=announce
        )
        port = _scan_tool(recorder, scan_tool, per_second) if scan_tool is not None else None
        ended_by = "stopped"
        try:
            ended_by = _loop(recorder, port, ScriptRun(tuple(script)) if script else None, seconds, keys, show, stop)
        except KeyboardInterrupt:
            ended_by = "Ctrl-C"
        finally:
            if port is not None:
                port.stop()
            report = recorder.stop(ended_by)
        return report


def _loop(
    recorder: Recorder,
    port: ScanToolPort | None,
    run: ScriptRun | None,
    seconds: float | None,
    keys: Callable[[View | None], Iterable[Press]] | None,
    show: Callable[[RecordStatus], None] | None,
    stop: threading.Event | None,
) -> str:
    shown, announced, confirmed, marked = 0.0, 0, "", 0
    waiting = stop or threading.Event()
    while True:
        now_ns = recorder.clock.now()
        if run is not None:
            recorder.mark(run.tick(now_ns))
        view = run.view(now_ns) if run is not None else None
        for press in keys(view) if keys is not None else ():
            if press.key == "quit":
                if run is not None:
                    recorder.mark(run.finish(recorder.clock.now()))
                return "stopped"
            made = _pressed(run, press, recorder.clock.now())
            recorder.mark(made)
            if press.key in ("mark", "note") and made:
                marked += press.key == "mark"
                confirmed = f"mark {marked}" if press.key == "mark" else f"note kept: {made[0].value}"
                confirmed += f" at {recorder.seconds:.0f} s"
                shown = 0.0
        if port is not None and len(port.tool.announced) > announced:
            for words in port.tool.announced[announced:]:
                recorder.announce(words)
            announced = len(port.tool.announced)
        if show is not None and time.monotonic() - shown >= SHOW_EVERY_S:
            shown = time.monotonic()
            show(_status(recorder, port, run, confirmed))
        if recorder.disk_full:
            return "disk full"
        if seconds is not None and recorder.seconds >= seconds:
            return "time over"
        if waiting.wait(LOOK_EVERY_S):
            return "stopped"


def _pressed(run: ScriptRun | None, press: Press, now_ns: int) -> list[ScriptMark]:
    if press.key == "note":
        return note_marks(press.text, now_ns)
    if press.key == "mark":
        return event_marks(now_ns)
    return run.key(press.key, now_ns) if run is not None else []


def _status(recorder: Recorder, port: ScanToolPort | None, run: ScriptRun | None, confirmed: str) -> RecordStatus:
    return RecordStatus(
        recorder.seconds,
        recorder.files,
        recorder.health(),
        recorder.reports(),
        run.view(recorder.clock.now()) if run is not None else None,
        port.tool.line() if port is not None else "",
        tuple(recorder.announced[-3:]),
        confirmed,
    )


def _scan_tool(recorder: Recorder, name: str, per_second: float) -> ScanToolPort:
    def keep(samples: list[PolledValue]) -> None:
        recorder.mark(
            [
                ScriptMark(recorder.clock.at(s.answered_ns), s.channel, s.value, s.unit, recorder.clock.at(s.asked_ns))
                for s in samples
            ]
        )

    port = ScanToolPort(ScanTool(per_second), recorder.link(name).send, keep)
    recorder.listen(name, port.on_frame)
    port.start()
    return port
