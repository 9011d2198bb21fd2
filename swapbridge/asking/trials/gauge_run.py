"""Asking room: a gauge's trial with its gate and its sender, as one machine over frames, keys and the time."""

from __future__ import annotations

from dataclasses import dataclass, field

from swapbridge.asking.session import FASTEST_KMH, SpeedOf
from swapbridge.asking.trials.gauge import GaugeStage, GaugeTrial
from swapbridge.asking.trials.permit import Sendable, TrialGate
from swapbridge.asking.trials.trial_sender import TrialSender
from swapbridge.asking.trials.turns import Key, TrialStatus
from swapbridge.signalmap.signal_map import MapSignal


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
    marks: list[tuple[str, str]] = field(default_factory=list)
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
            self.gate.shut = self.gate.shut or f"the vehicle is moving ({speed:.0f} km/h)"

    def key(self, key: Key, now_ns: int) -> None:
        """A person pressed a key."""
        self.gate.life(now_ns)
        self._follow(now_ns)
        if key is Key.QUIT:
            self.ended_by = "stopped by the user"
        elif not self.sender.sent:
            return  # nothing is on the bus yet that a needle could follow
        elif key is Key.PRESS:
            self.trial.press(now_ns)
        elif key is Key.SKIP:
            self.trial.skip(now_ns)
        elif key in (Key.REST, Key.REST_LAST):
            self.trial.rest(now_ns, last=key is Key.REST_LAST)
        if self.trial.stage is GaugeStage.DONE:
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

    def status(self, now_ns: int) -> TrialStatus:
        """What a screen shows."""
        raw = self.trial.raw(now_ns) if self.sender.sent else min(self._payloads)
        mark = self.trial.next_mark
        lines = (f"raw {raw}",) if mark is None else (f"next mark: {mark:g}", f"raw {raw}")
        return TrialStatus(self.trial.stage.value, lines, self._was_alive)

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
