"""Bus room: what a running translator reports: its buses, what it hears and sends, and physical values for people."""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

from swapbridge.bus.adapters.can_messages import MessageForms
from swapbridge.bus.adapters.health import Health
from swapbridge.bus.running.gate import FrameRuling
from swapbridge.plan.plan import Plan


@dataclass(frozen=True, slots=True)
class BusStatus:
    """One bus of a running translator."""

    name: str
    up: bool
    health: Health
    received: int
    sent: int
    failed: int
    malformed: int
    reopened: int


@dataclass(frozen=True, slots=True)
class InputStatus:
    """One message that is listened to; `age_s` is None until it was first seen.

    `fresh` is the translator's own word: recent enough, and enough good frames in a row.
    """

    bus: str
    name: str
    word: int
    age_s: float | None
    limit_s: float
    fresh: bool
    data: bytes


@dataclass(frozen=True, slots=True)
class OutputStatus:
    """One message of the plan: what the translator makes, what became of it, and what is seen on the bus instead."""

    bus: str
    name: str
    word: int
    send: int
    data: bytes | None
    count: int
    ruling: FrameRuling | None
    seen: bytes | None


@dataclass(frozen=True, slots=True)
class LiveStatus:
    """Everything a screen or a log wants to know."""

    seconds: float
    mode: str
    state: str
    sending: bool
    buses: tuple[BusStatus, ...]
    inputs: tuple[InputStatus, ...]
    outputs: tuple[OutputStatus, ...]
    passed: int
    bad_frames: int
    dropped_frames: int
    worst_lag_ms: float
    late_times: int
    shut: str
    foreign: tuple[str, ...]
    announced: tuple[str, ...]
    faults_heard: tuple[str, ...] = ()
    lost: tuple[str, ...] = ()
    """J1939 addresses that another node claimed."""


@dataclass(slots=True)
class LiveValues:
    """Physical values of a plan's outgoing frames, for people (floats; never sent)."""

    plan: Plan
    _known: dict[int, tuple[MessageForms, list[list[Any]]]] = field(default_factory=dict)

    def of(self, send: int, data: bytes) -> list[tuple[str, float, str]]:
        """Name, value and unit of each signal in a frame of send number `send`; none in one that it does not make."""
        message = self.plan.sends[send]
        if send not in self._known:
            forms = [[(f, Fraction(f.scale), Fraction(f.offset)) for f in form.fields] for form in message.variants]
            self._known[send] = (MessageForms(message), forms)
        turns, forms = self._known[send]
        form = turns.form(data)
        return (
            [] if form is None else [(f.name, float(f.layout.unpack(data) * s + o), f.unit) for f, s, o in forms[form]]
        )
