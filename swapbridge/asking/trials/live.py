"""Asking room: a gauge's trial on a live bus: lock, adapter, clock and keys round the pure parts."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from enum import Enum

from swapbridge.asking.session import FASTEST_KMH, SpeedOf
from swapbridge.asking.trials.gauge import GaugeTrial, Stage
from swapbridge.asking.trials.log import TrialLog
from swapbridge.asking.trials.permit import Sendable, TrialGate
from swapbridge.asking.trials.sending import TrialSender
from swapbridge.bus.adapters.frames import message_of, word_of
from swapbridge.bus.adapters.lock import locked
from swapbridge.bus.adapters.opening import open_buses
from swapbridge.bus.adapters.spec import BusSpec
from swapbridge.capture.python_can import can
from swapbridge.core.errors import BusError, RefusedError
from swapbridge.signalmap.model import MapSignal

POLL_S = 0.001
FRAMES_A_TURN = 50


class Key(Enum):
    """What a person can press; every one of them is a sign of life."""

    LIFE = "alive"
    PRESS = "now"
    REST = "rests at the next mark"
    REST_LAST = "rests at the last mark"
    SKIP = "skip"
    QUIT = "quit"


@dataclass(frozen=True, slots=True)
class GaugeStatus:
    """What a screen shows."""

    stage: str
    mark: float | None
    raw: int
    sending: bool
    shut: str


@dataclass(slots=True)
class GaugeRun:
    """The trial, its gate and its sender, as one machine over frames, keys and the time.

    Parameters
    ----------
    trial : GaugeTrial
    swept : Sendable
        The message that carries the field.
    signal : MapSignal
        The field.
    others : tuple of Sendable
        Messages that are played as they were recorded.
    speed_of : callable or None
    """

    trial: GaugeTrial
    swept: Sendable
    signal: MapSignal
    others: tuple[Sendable, ...] = ()
    speed_of: SpeedOf | None = None
    ended_by: str = ""
    gate: TrialGate = field(init=False)
    sender: TrialSender = field(init=False)
    _payloads: dict[int, bytes] = field(init=False)
    _was_alive: bool = False

    def __post_init__(self) -> None:
        self.gate = TrialGate((self.swept, *self.others))
        self.sender = TrialSender(self.gate, {one.word for one in self.gate.plan})
        self._payloads = payloads_by_value(self.swept, self.signal)

    def begin(self, now_ns: int) -> None:
        self.gate.begin(now_ns)

    def heard(self, word: int, data: bytes, now_ns: int) -> None:
        """Take a frame from the bus."""
        self.gate.heard(word, data, now_ns)
        speed = self.speed_of(word, data) if self.speed_of is not None else None
        if speed is not None and speed > FASTEST_KMH:
            self.gate.shut = self.gate.shut or f"the vehicle moves ({speed:.0f} km/h)"

    def key(self, key: Key, now_ns: int) -> None:
        """A person pressed a key."""
        self.gate.life(now_ns)
        self._follow(now_ns)
        if key is Key.QUIT:
            self.ended_by = "stopped by the person"
        elif not self.sender.sent:
            return  # nothing is on the bus yet that a needle could follow
        elif key is Key.PRESS:
            self.trial.press(now_ns)
        elif key is Key.SKIP:
            self.trial.skip(now_ns)
        elif key in (Key.REST, Key.REST_LAST):
            self.trial.rest(now_ns, last=key is Key.REST_LAST)
        if self.trial.stage is Stage.DONE:
            self.ended_by = self.ended_by or "done"

    def poll(self, now_ns: int) -> tuple[int, bytes] | None:
        """A frame to send now, if any."""
        if self.gate.shut:
            self.ended_by = self.ended_by or self.gate.shut
        if self.ended_by:
            return None
        self._follow(now_ns)
        if self.sender.sent:
            self.sender.chosen[self.swept.word] = self._payloads[self.trial.raw(now_ns)]
        else:
            self.sender.chosen[self.swept.word] = self._payloads[min(self._payloads)]
        return self.sender.poll(now_ns)

    def status(self, now_ns: int) -> GaugeStatus:
        raw = self.trial.raw(now_ns) if self.sender.sent else min(self._payloads)
        return GaugeStatus(self.trial.stage.value, self.trial.next_mark, raw, self._was_alive, self.gate.shut)

    def _follow(self, now_ns: int) -> None:
        """The walk stands still while nothing is sent."""
        alive = self.gate.alive(now_ns)
        if alive != self._was_alive:
            (self.trial.resume if alive else self.trial.pause)(now_ns)
        self._was_alive = alive


def payloads_by_value(swept: Sendable, signal: MapSignal) -> dict[int, bytes]:
    """For each value that was heard, a whole payload that was heard with it; codes that mean nothing are left out."""
    out: dict[int, bytes] = {}
    for data in swept.payloads:
        raw = signal.layout.unpack(data)
        if raw not in signal.not_available and raw not in signal.error_codes:
            out.setdefault(raw, data)
    return out


def run_gauge(
    spec: BusSpec,
    run: GaugeRun,
    log: TrialLog,
    *,
    keys: Callable[[], Iterable[Key]],
    show: Callable[[GaugeStatus], None] | None = None,
    stop: Callable[[], bool] = lambda: False,
) -> None:
    """Run a gauge's trial until it is done, a person ends it, or the gate shuts.

    Raises
    ------
    RefusedError
        The bus is in use, or the gate shut: why.
    BusError
        The adapter can't be opened, or was lost.
    """
    with locked([spec]), open_buses([spec], active=True) as buses:
        bus = buses[spec.name]
        run.begin(time.monotonic_ns())
        while not run.ended_by:
            now = time.monotonic_ns()
            if stop():
                run.ended_by = "stopped by the person"
            for key in keys():
                run.key(key, now)
                log.mark("key", key.value, "", now)
            try:
                _turn(bus, run, log)
            except (can.CanError, OSError) as error:
                raise BusError(f"bus {spec.name} was lost during the trial ({error}): check the adapter") from None
            if show is not None:
                show(run.status(now))
    if run.gate.shut:
        raise RefusedError(f"bus {spec.name}: {run.gate.shut}; nothing more was sent")


def _turn(bus: can.BusABC, run: GaugeRun, log: TrialLog) -> None:
    frame = run.poll(time.monotonic_ns())
    if frame is not None:
        bus.send(message_of(*frame), timeout=0.05)
        log.frame(*frame, time.monotonic_ns())
    message = bus.recv(POLL_S)
    for _ in range(FRAMES_A_TURN):
        if message is None:
            return
        if not (message.is_error_frame or message.is_remote_frame):
            now, word, data = time.monotonic_ns(), word_of(message), bytes(message.data)
            log.frame(word, data, now)
            run.heard(word, data, now)
        message = bus.recv(0.0)
