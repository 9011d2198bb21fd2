"""Bus room: `run`: a plan between live buses, with its proof, its lock, its watchdogs and its black box."""

from __future__ import annotations

import contextlib
import gc
import os
import sys
import threading
import time
import uuid
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

from swapbridge.bus.adapters.can_messages import frames_in, plan_bus_of, playable, without_planned
from swapbridge.bus.adapters.listen import has_wires
from swapbridge.bus.adapters.lock import locked
from swapbridge.bus.adapters.opening import close_bus, open_bus
from swapbridge.bus.adapters.spec import BusSpec, check_distinct
from swapbridge.bus.running.awake import Awake, kept_awake
from swapbridge.bus.running.control import Control, LiveRun
from swapbridge.bus.running.live import Live, LiveOptions
from swapbridge.bus.running.live_status import LiveStatus, LiveValues
from swapbridge.bus.running.replay import Player
from swapbridge.bus.running.status_dict import status_dict
from swapbridge.bus.running.watchdog import HardwareWatchdog, Systemd
from swapbridge.capture.capture import Capture
from swapbridge.capture.python_can import can
from swapbridge.core.errors import InputError, RefusedError, SwapbridgeError
from swapbridge.core.progress import Announce
from swapbridge.plan.plan import Plan
from swapbridge.plan.program import TranslatorLike
from swapbridge.plan.proof import ProofRuling, why_not

TURN_S = 0.1
SHOW_EVERY_S = 0.25
FEED_EVERY_S = 1.0
COLLECT_EVERY_S = 10.0
BLACK_BOX_EVERY_S = 60.0
"""At most one black box a minute is written for faults."""
DEAD_AFTER_S = 5.0
SWITCH_INTERVAL_S = 0.0005
"""How long one thread may keep the others waiting (Python's own default is ten times as long)."""


@dataclass(slots=True)
class RunRequest:
    """What to run and how.

    Attributes
    ----------
    plan : Plan
    buses : tuple of BusSpec
        One for each of the plan's buses.
    options : LiveOptions
    proof : Ruling
        Of this plan.
    unproved : bool
        Run it although it is not proved.
    acknowledged : bool
        Whether the person said to have read the cautions.
    active : bool
        Watch an added node's buses even where the adapter can't be kept from sending.
    folder : Path
        Where black boxes go.
    watchdog : Path or None
        A watchdog device to be fed.
    against : Capture or None
        Played as one of the buses, which then needs no adapter.
    against_bus : str or None
        Which one.
    seconds : float or None
        Stops after this many seconds.
    lock_folder : Path or None
        Where locks lie, and where the run is found, if not in the usual places.
    plan_file : Path or None
        The plan's file, for whoever looks for the run.
    """

    plan: Plan
    buses: tuple[BusSpec, ...]
    options: LiveOptions
    proof: ProofRuling
    folder: Path
    unproved: bool = False
    acknowledged: bool = False
    active: bool = False
    watchdog: Path | None = None
    against: Capture | None = None
    against_bus: str | None = None
    seconds: float | None = None
    lock_folder: Path | None = None
    plan_file: Path | None = None


@dataclass(frozen=True, slots=True)
class RunReport:
    """The outcome of a run.

    Attributes
    ----------
    ended_by : str
        Why it ended.
    fault : bool
        Whether it ended because something was broken.
    status : LiveStatus
        The last one.
    black_boxes : tuple of Path
        Captures written.
    """

    ended_by: str
    fault: bool
    status: LiveStatus
    black_boxes: tuple[Path, ...]


@dataclass(slots=True)
class _Ears:
    """What the outside can say to a run."""

    stop: threading.Event = field(default_factory=threading.Event)
    dump: threading.Event = field(default_factory=threading.Event)
    now: threading.Event = field(default_factory=threading.Event)
    ended: threading.Event = field(default_factory=threading.Event)


def run(
    request: RunRequest,
    translator: TranslatorLike,
    *,
    show: Callable[[LiveStatus], None] | None = None,
    announce: Announce | None = None,
    stop: threading.Event | None = None,
    dump: threading.Event | None = None,
    now: threading.Event | None = None,
) -> RunReport:
    """Run a plan's translator between live buses until it is stopped.

    Parameters
    ----------
    request : RunRequest
        Plan, proof, buses and options.
    translator : TranslatorLike
        A new translator of the request's plan.
    show : callable
        Called about four times a second with the status.
    announce : callable
        Receives sentences for the log, from any thread.
    stop, dump, now : threading.Event or None
        End the run with safe answers; write the black box now; end at once, without waiting for ramps.

    Returns
    -------
    RunReport
        Final status, how the run ended, its fault if any, and the black boxes written.

    Raises
    ------
    RefusedError
        The plan is not proved, the cautions were not read, a bus is in use or can't be only listened to.
    InputError, BusError
        A bus is missing or can't be opened; the black box's folder can't be written.

    Examples
    --------
    >>> from swapbridge import Translator, compile_bridge
    >>> from swapbridge.bus.adapters.spec import parse_bus
    >>> from swapbridge.bus.running.proof_file import ruling_beside
    >>> plan = compile_bridge("bridge.toml").plan
    >>> buses = (parse_bus("host=virtual:a"), parse_bus("donor=virtual:b"))
    >>> proof = ruling_beside(plan, Path("plan.json"))
    >>> request = RunRequest(plan, buses, LiveOptions(), proof, Path("."), unproved=True, seconds=0.1)
    >>> run(request, Translator(plan)).ended_by  # only listens: sending has to be asked for
    'time over'
    """
    specs = buses_for(request)
    check_allowed(request)
    ears = _Ears(stop or threading.Event(), dump or threading.Event(), now or threading.Event())
    hardware = HardwareWatchdog(request.watchdog) if request.watchdog is not None else None
    fault = True
    try:
        wired = request.options.sending and any(has_wires(spec) for spec in request.buses)
        with (
            locked([spec for spec in specs if spec.interface != "virtual"], request.lock_folder),
            kept_awake() if wired else contextlib.nullcontext(Awake(None)) as awake,
        ):
            live = Live(request.plan, translator, _openers(request, specs), request.options, announce)
            _log_start(request, live)
            with _quick_threads(), _control(request, specs, live, ears).open():
                live.start()
                report = _Supervisor(request, live, ears, hardware, show, awake).run(specs)
            fault = report.fault
            return report
    finally:
        if hardware is not None:
            hardware.close(wanted=not fault)


def check_allowed(request: RunRequest) -> None:
    """Whether this plan may run as asked.

    Raises
    ------
    RefusedError
        It is not proved; it sends to wires and holds rules that nobody reviewed; or it sends and the cautions were not
        read.
    """
    makes = request.options.sending and any(has_wires(spec) for spec in request.buses)
    if words := why_not(request.proof, unproved=request.unproved, makes=makes):
        raise RefusedError(words)
    if (request.options.sending or inline(request.plan)) and not request.acknowledged:
        what = "sends" if request.options.sending else "sits in line and forwards frames as soon as it starts"
        raise RefusedError(
            f"this plan {what}: read the cautions (`swapbridge guide first-start`) and confirm with --cautions-read"
        )


def inline(plan: Plan) -> bool:
    """Whether a plan sits in line: the bus is cut and it must forward."""
    return bool(plan.passes) and any(bus.placement == "inline" for bus in plan.buses)


def buses_for(request: RunRequest) -> tuple[BusSpec, ...]:
    """One bus for each of the plan's, in the plan's order; virtual ones where a capture is played.

    Raises
    ------
    InputError
        A bus is missing, or one is given that the plan does not have.
    """
    names = [bus.name for bus in request.plan.buses]
    given = {spec.name: spec for spec in check_distinct(request.buses)} if request.buses else {}
    for name in given:
        if name not in names:
            raise InputError(f"the plan has no bus {name!r}; it has {', '.join(names)}")
    if request.against is not None:
        played = plan_bus_of(request.plan, request.against, request.against_bus)
        for number in played.values():
            given[names[number]] = _virtual(names[number])
        if not request.buses:
            for name in names:
                given.setdefault(name, _virtual(name))
    missing = [name for name in names if name not in given]
    if missing:
        raise InputError(f"the plan needs the bus {missing[0]}: add --bus {missing[0]}=INTERFACE:CHANNEL")
    return tuple(given[name] for name in names)


def _virtual(name: str) -> BusSpec:
    return BusSpec(name, "virtual", f"swapbridge-{name}-{uuid.uuid4().hex[:12]}")


def _openers(request: RunRequest, specs: Iterable[BusSpec]) -> dict[str, Callable[[], can.BusABC]]:
    active = request.options.sending or inline(request.plan) or request.active
    return {spec.name: partial(open_bus, spec, active=active) for spec in specs}


def _control(request: RunRequest, specs: Sequence[BusSpec], live: Live, ears: _Ears) -> Control:
    values = LiveValues(request.plan)
    me = LiveRun(
        os.getpid(),
        0,
        request.plan.name,
        "" if request.plan_file is None else str(request.plan_file.absolute()),
        request.options.sending,
        tuple(map(str, specs)),
        time.time(),
    )

    def status() -> dict[str, Any]:
        return status_dict(request.plan, live.status(), values)

    return Control(me, ears.stop, ears.now, ears.ended, status, request.lock_folder)


def _log_start(request: RunRequest, live: Live) -> None:
    live.announce(f"plan {request.plan.name}: {request.proof.words}")
    if not request.proof.proved:
        live.announce("running UNPROVED, because of --unproved")
    if request.acknowledged and request.options.sending:
        live.announce("the cautions were read; planned frames will be sent")


@contextlib.contextmanager
def _quick_threads() -> Iterator[None]:
    """Keep garbage collection off the hot path and threads changing quickly; all as before at the end."""
    interval, collecting = sys.getswitchinterval(), gc.isenabled()
    gc.collect()
    gc.freeze()
    gc.disable()
    sys.setswitchinterval(SWITCH_INTERVAL_S)
    try:
        yield
    finally:
        sys.setswitchinterval(interval)
        gc.unfreeze()
        if collecting:
            gc.enable()


class _Ender:
    """Sends the safe answers the moment a stop is asked for, in a thread that waits for nothing else.

    The supervisor may just be writing a black box, and the translator may hang: a stop waits for neither.
    """

    def __init__(self, live: Live, ears: _Ears) -> None:
        self._live, self._ears = live, ears
        self._once = threading.Lock()
        self._done = threading.Event()
        threading.Thread(target=self._waiting, name="stop", daemon=True).start()

    def finish(self) -> None:
        """Send them now, if that was not done yet, and wait until they are out."""
        self._end()
        while not self._done.wait(0.05):
            pass

    def _waiting(self) -> None:
        self._ears.stop.wait()
        self._end()

    def _end(self) -> None:
        if not self._once.acquire(blocking=False):
            return
        sending = self._live.gate.sending
        missed: tuple[str, ...] = ()
        try:
            missed = self._live.end(self._ears.now)
        finally:
            self._done.set()  # before anything is reported: a screen that hangs must not hold up closing the buses
        if sending:
            self._live.announce("stopping: sending safe answers, then closing the buses")
        if missed:
            self._live.announce(f"closed before the safe answer was sent: {', '.join(missed)}")


class _Supervisor:
    """Looks after a running translator ten times a second: screens, watchdogs, black boxes, the end."""

    def __init__(
        self,
        request: RunRequest,
        live: Live,
        ears: _Ears,
        hardware: HardwareWatchdog | None,
        show: Callable[[LiveStatus], None] | None,
        awake: Awake,
    ) -> None:
        self._request, self._live, self._ears, self._hardware, self._show = request, live, ears, hardware, show
        self._awake = awake
        self._systemd = Systemd()
        self._boxes: list[Path] = []
        self._last_box = self._last_fed = self._last_notified = self._last_shown = -1e9
        self._last_collect = time.monotonic()
        self._dead_since: float | None = None
        self._ender = _Ender(live, ears)

    def run(self, specs: tuple[BusSpec, ...]) -> RunReport:
        live = self._live
        player = self._start_playing(specs) if self._request.against is not None else None
        self._systemd.notify("READY=1")
        ended_by, fault = "stopped", False
        try:
            ended_by, fault = self._turns(player)
        except KeyboardInterrupt:
            ended_by = "Ctrl-C"
        finally:
            with contextlib.suppress(KeyboardInterrupt):
                self._ender.finish()
            self._ears.now.set()
            self._systemd.notify("STOPPING=1")
            if player is not None:
                player.stop()
            live.stop()
            self._ears.ended.set()  # before any report: a screen that hangs must not look like a run that does
            live.announce(f"ended: {ended_by}")
            status = live.status()
            with contextlib.suppress(SwapbridgeError):
                self._box(ended_by)
        return RunReport(ended_by, fault, status, tuple(self._boxes))

    def _turns(self, player: _Playing | None) -> tuple[str, bool]:
        live, ears, seconds = self._live, self._ears, self._request.seconds
        while True:
            now = time.monotonic()
            if ears.stop.wait(TURN_S):
                return "stopped", False
            if seconds is not None and live.seconds >= seconds:
                return "time over", False
            if player is not None and player.done:
                return "the capture has ended", False
            if not self._healthy(now):
                return live.gate.shut or "the translator hangs", True
            self._feed(now)
            if (words := self._awake.look(now)) is not None:
                live.announce(words)
            if ears.dump.is_set():
                ears.dump.clear()
                self._box("asked for")
            if live.faulty.is_set() and now - self._last_box > BLACK_BOX_EVERY_S:
                live.faulty.clear()
                self._last_box = now
                self._box("fault")
            if self._show is not None and now - self._last_shown >= SHOW_EVERY_S:
                self._last_shown = now
                self._show(live.status())
            if now - self._last_collect >= COLLECT_EVERY_S:
                self._last_collect = now
                gc.collect(0)

    def _healthy(self, now: float) -> bool:
        """False when it must end: a supervisor outside starts it afresh."""
        if self._live.lag.final:
            return False
        if self._live.alive:
            self._dead_since = None
            return True
        if self._dead_since is None:
            self._dead_since = now
            self._live.gate.shut = self._live.gate.shut or "the translator hangs"
            self._ender.finish()
            self._live.announce(f"sending stopped: {self._live.gate.shut}")
        return now - self._dead_since < DEAD_AFTER_S

    def _feed(self, now: float) -> None:
        if not self._live.alive:
            return
        if self._hardware is not None and now - self._last_fed >= FEED_EVERY_S:
            self._last_fed = now
            self._hardware.feed()
        if self._systemd.interval_s and now - self._last_notified >= self._systemd.interval_s / 3:
            self._last_notified = now
            status = self._live.status()
            self._systemd.notify("WATCHDOG=1", f"STATUS={status.mode}, worst lag {status.worst_lag_ms:.1f} ms")

    def _box(self, why: str) -> None:
        try:
            path = self._live.black_box.write(self._request.folder, why)
        except SwapbridgeError as error:
            self._live.announce(f"the black box could not be written: {error}")
            return
        self._boxes.append(path)
        self._live.announce(f"black box written to {path} ({why})")

    def _start_playing(self, specs: tuple[BusSpec, ...]) -> _Playing:
        capture = self._request.against
        assert capture is not None
        where = plan_bus_of(self._request.plan, capture, self._request.against_bus)
        return _Playing(self._request.plan, capture, where, specs)


class _Playing:
    """A capture played onto virtual buses beside the translator, without the frames that the plan itself sends."""

    def __init__(self, plan: Plan, capture: Capture, where: dict[int, int], specs: tuple[BusSpec, ...]) -> None:
        self._stop = threading.Event()
        self._buses = {number: open_bus(specs[to], active=True) for number, to in where.items()}
        frames = playable(capture)
        first = int(frames.time_ns[0]) if len(frames) else 0
        kept = without_planned(plan, frames, where)
        self._player = Player(self._buses, 1.0, self._stop)
        self._thread = threading.Thread(
            target=self._player.play, args=(frames_in(kept), first), name="plays a capture", daemon=True
        )
        self._thread.start()

    @property
    def done(self) -> bool:
        return not self._thread.is_alive()

    def stop(self) -> None:
        self._stop.set()
        self._thread.join(timeout=2.0)
        for bus in self._buses.values():
            close_bus(bus)
