"""Drafting room: the result of a draft, as values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from swapbridge.core.layout import Layout
from swapbridge.drafting.recorded_vehicle import VehicleMessage

How = Literal[
    "copy", "constant", "table", "threshold", "derived", "total", "echo", "state", "timed", "page", "open",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Drawn:
    """A field on one stretch of its recording: seconds, raw values recorded, and what the rule makes (None: open).

    `held_out` says that the rule was fitted without this stretch.
    """

    time_s: tuple[float, ...]
    recorded: tuple[float, ...]
    made: tuple[float, ...] | None
    held_out: bool


@dataclass(frozen=True, slots=True)
class Explained:
    """One field of an absent message: what it is made of, or that this is not known.

    `value` and `fallback` are the bridge file's texts; scale, offset and unit are the map's. `seen` holds the sources'
    recorded ranges (text of the source, low, high). `words` says how it was found, `runner_up` what came second,
    `closes` which recording would settle it where it is open.
    """

    layout: Layout
    name: str
    how: How
    confidence: float
    value: str
    fallback: str
    role: str = "value"
    scale: float = 1.0
    offset: float = 0.0
    unit: str = ""
    hold_ms: int = 0
    seen: tuple[tuple[str, str, str], ...] = ()
    words: str = ""
    runner_up: str = ""
    closes: str = ""
    unreviewed: bool = False
    share: float = 0.0
    limits: tuple[str, str] | None = None
    kept: bool = False
    """Its value is a safe answer, which 'not available' must not replace."""
    raised: str = ""
    """The same rule raised until hardly a frame is too low, where the rule itself is in doubt."""
    unproved: bool = False
    """It copies what behaves alike, and its scale rests only on a stand-in that fits the field badly."""
    fitted: bool = False
    """Its rule was fitted to the recording, every fourth stretch left out; else all of it was looked at."""
    drawn: Drawn | None = None
    page: int | None = None
    """The page of its message that it is on; None where every frame holds it."""

    def claim(self, bus: str, identifier: int, extended: bool) -> dict[str, Any]:
        """Its entry in `draft.json`."""
        return ({} if self.page is None else {"page": self.page}) | {
            "bus": bus,
            "id": identifier,
            "extended": extended,
            "start": self.layout.start,
            "length": self.layout.length,
            "byte_order": self.layout.byte_order,
            "how": self.how,
            "confidence": round(self.confidence, 4),
        }


@dataclass(frozen=True, slots=True)
class Life:
    """When an absent message is sent.

    `begin` is "bus" (as soon as the bus is awake), "key" or "run" (as long as the engine runs); `count` is how often
    after each of them (0: as long as it lasts), `period_ms` the time between, `delay_ms` how long the first one waits.
    `last_ms` is how long it goes on after key-off where that is a time of its own (0: as long as the others).
    """

    begin: Literal["bus", "key", "run"]
    period_ms: float
    count: int
    words: str
    delay_ms: int = 0
    last_ms: int = 0


@dataclass(frozen=True, slots=True)
class DraftedMessage:
    """An absent message: its fields and when it is sent; `refused` says why it is not sent."""

    bus: str
    message: VehicleMessage
    life: Life
    fields: tuple[Explained, ...]
    refused: str = ""
    unreviewed: str = ""


@dataclass(frozen=True, slots=True)
class Times:
    """What the whole bridge shares: the states' conditions, how long frames go on after key-off, when a bus sleeps."""

    key_on: str
    crank: str
    run: str
    after_run_ms: int
    sleep_after_ms: int


@dataclass(frozen=True, slots=True)
class Drafted:
    """Everything in a draft."""

    messages: tuple[DraftedMessage, ...]
    times: Times
    notes: tuple[str, ...] = field(default=())
    named: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """By bus, the modules that a person named as the senders of messages that will be missed."""
