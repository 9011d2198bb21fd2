"""Asking room: a trial on a live bus: lock, adapter, clock and keys round the pure parts."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from enum import Enum
from typing import Protocol

from swapbridge.asking.trials.log import TrialLog
from swapbridge.asking.trials.permit import TrialGate
from swapbridge.bus.adapters.can_messages import message_of, word_of
from swapbridge.bus.adapters.clock import monotonic_ns
from swapbridge.bus.adapters.lock import locked
from swapbridge.bus.adapters.opening import open_buses
from swapbridge.bus.adapters.spec import BusSpec
from swapbridge.capture.python_can import can
from swapbridge.core.errors import BusError, RefusedError

POLL_S = 0.001
FRAMES_A_TURN, SENT_A_TURN = 50, 4


class Key(Enum):
    """What a person can press; every one of them is a sign of life."""

    LIFE = "alive"
    PRESS = "now"
    REST = "rests at the next mark"
    REST_LAST = "rests at the last mark"
    SKIP = "skip"
    YES = "yes"
    NO = "no"
    QUIT = "quit"


@dataclass(frozen=True, slots=True)
class TrialStatus:
    """What a screen shows.

    Attributes
    ----------
    stage : str
    lines : tuple of str
    sending : bool or None
        Whether signs of life let frames out; None while nothing is to be sent.
    """

    stage: str
    lines: tuple[str, ...]
    sending: bool | None


class TrialRun(Protocol):
    """A trial as one machine over frames, keys and the time."""

    ended_by: str
    gate: TrialGate
    marks: list[tuple[str, str]]

    def begin(self, now_ns: int) -> None: ...

    def heard(self, word: int, data: bytes, now_ns: int) -> None: ...

    def key(self, key: Key, now_ns: int) -> None: ...

    def poll(self, now_ns: int) -> tuple[int, bytes] | None: ...

    def status(self, now_ns: int) -> TrialStatus: ...


def run_trial(
    spec: BusSpec,
    run: TrialRun,
    log: TrialLog,
    *,
    keys: Callable[[], Iterable[Key]],
    show: Callable[[TrialStatus], None] | None = None,
    stop: Callable[[], bool] = lambda: False,
) -> None:
    """Run a trial until it is done, a person ends it, or the gate shuts.

    Raises
    ------
    RefusedError
        The bus is in use, or the gate shut: why.
    BusError
        The adapter can't be opened, or was lost.
    """
    with locked([spec]), open_buses([spec], active=True) as buses:
        bus = buses[spec.name]
        run.begin(monotonic_ns())
        while not run.ended_by:
            now = monotonic_ns()
            if stop():
                run.ended_by = "stopped by the user"
                break
            for key in keys():
                run.key(key, now)
                log.mark("key", key.value, "", now)
            try:
                _turn(bus, run, log)
            except (can.CanError, OSError) as error:
                raise BusError(f"bus {spec.name} was lost during the trial ({error}): check the adapter") from None
            for channel, value in run.marks:
                log.mark(channel, value, "", monotonic_ns())
            run.marks.clear()
            if show is not None:
                show(run.status(now))
    if run.gate.shut:
        raise RefusedError(f"bus {spec.name}: {run.gate.shut}; nothing more was sent")


def _turn(bus: can.BusABC, run: TrialRun, log: TrialLog) -> None:
    for _ in range(SENT_A_TURN):
        frame = run.poll(monotonic_ns())
        if frame is None:
            break
        bus.send(message_of(*frame), timeout=0.05)
        log.frame(*frame, monotonic_ns())
    message = bus.recv(POLL_S)
    for _ in range(FRAMES_A_TURN):
        if message is None:
            return
        if not (message.is_error_frame or message.is_remote_frame):
            now, word, data = monotonic_ns(), word_of(message), bytes(message.data)
            log.frame(word, data, now)
            run.heard(word, data, now)
        message = bus.recv(0.0)
