"""Proving room: when a sent message is due, worked out from the bridge file: periods, arrivals, gaps, states.

The twin of the translator's timers, one a message. Times are microseconds modulo 2**32.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from swapbridge.language.bridge_file import BridgeFile, MessageRule
from swapbridge.language.defaults import CHECK_US, REQUEST_GAP_US
from swapbridge.plan.plan import STATES
from swapbridge.signalmap.signal_map import MapMessage, SignalMap

WRAP, HALF = 1 << 32, 1 << 31
AWAKE = frozenset(range(1, len(STATES)))
KEY = frozenset(STATES.index(s) for s in ("key_on", "crank", "run", "after_run"))


@dataclass(frozen=True, slots=True)
class Occasions:
    """When a message may be sent, as the bridge file and the map say it."""

    states: frozenset[int]
    period_us: int
    delay_us: int
    gap_us: int
    check_us: int
    count: int
    last_us: int
    stops_when_stale: bool
    with_bus: bool = False
    """Only while its own bus is awake."""


def occasions(bridge: BridgeFile, maps: Mapping[str, SignalMap], rule: MessageRule, message: MapMessage) -> Occasions:
    """Occasions of one rule."""
    period = rule.period_us
    if period is None and not (rule.on_arrival or rule.on_change or rule.on_request or rule.once):
        period = int((message.period_ms or 0) * 1000)
    if rule.once > 1 and period is None:
        period = int((message.period_ms or 0) * 1000)
    management = rule.network_management
    if management is None:
        management = message.evidence.get("network_management") is True
    states = KEY if management else AWAKE
    if rule.states is not None:
        states = frozenset(STATES.index(s) for s in rule.states)
    gap = rule.gap_us
    if gap is None:
        gap = _default_gap(bridge, maps, rule) if rule.on_arrival or rule.on_change else 0
        if rule.on_request:
            gap = max(gap, REQUEST_GAP_US)
    return Occasions(
        states,
        period or 0,
        rule.delay_us,
        gap,
        min(CHECK_US, bridge.step_us) if rule.on_change else 0,
        rule.once,
        rule.last_us,
        rule.when_stale == "stop",
        rule.with_bus,
    )


def _default_gap(bridge: BridgeFile, maps: Mapping[str, SignalMap], rule: MessageRule) -> int:
    """Half the shortest period of what triggers it."""
    periods = []
    for source in rule.on_arrival:
        bus, _, name = source.text.partition(".")
        options = next((o for o in bridge.sources if o.message.text == source.text), None)
        message = maps[bus].message(name)
        period = options.period_us if options else None
        if not period and message is not None and message.period_ms:
            period = int(message.period_ms * 1000)
        if period:
            periods.append(period)
    return min(periods, default=0) // 2


class Schedule:
    """Timers of one sent message."""

    def __init__(self, when: Occasions) -> None:
        self.when = when
        self.by_clock = when.period_us > 0 or when.count > 0
        self.active = self.pending = self.blocked = False
        self.left = 0
        self.lost = False
        """Whether another node claimed its J1939 address: it is never sent again."""
        self.bus_sleeps = when.with_bus
        """Whether it lives with its bus, and that one is silent."""
        self.waits = False
        """Whether its address was claimed too short a time ago."""
        self.ends_at: int | None = None
        """When it ends, while it goes on after its states."""
        self.due = self.check = self.open = 0
        self.began: int | None = None
        """When a state first allowed it, on the translator's clock."""
        self.last: bytes | None = None

    def apply(self, state: int, before: int, now: int) -> None:
        """The state became another, or the clock starts (`before` asleep)."""
        if before == 0 and state != 0:
            self.left = self.when.count
        if self.lost or self.waits or self.bus_sleeps or state not in self.when.states:
            if not self.active or not self.when.last_us or state == 0:
                self.end()
            elif self.ends_at is None:
                self.ends_at = (now + self.when.last_us) % WRAP
            return
        self.ends_at = None
        if not self.active and (not self.when.count or self.left > 0):
            self.active, self.pending, self.last = True, False, None
            self.began = now if self.began is None else self.began
            self.due = self.check = self.open = (now + self.when.delay_us) % WRAP
            self.blocked = self.when.delay_us > 0

    def bus_is(self, awake: bool, state: int, now: int) -> None:
        """Its bus has traffic again, or has fallen silent."""
        self.bus_sleeps = self.when.with_bus and not awake
        if self.when.with_bus and awake:
            self.left = self.when.count
        self.apply(state, state, now)

    def end(self) -> None:
        """It is no longer sent."""
        self.active = self.pending = False
        self.ends_at = None

    def lose(self) -> None:
        """Another node claims its address."""
        self.lost = True
        self.end()

    def look(self, now: int) -> None:
        """End it when its time after its states is over."""
        if self.ends_at is not None and is_due(self.ends_at, now):
            self.end()

    def arrived(self) -> None:
        """A fresh frame of a source that triggers it."""
        if self.active:
            self.pending = True

    @property
    def repeats(self) -> bool:
        """Whether it is sent now by its period, or as the frame sent once."""
        return self.active and self.by_clock

    def cyclic(self, now: int) -> bool:
        """Due by its period, or as the frame sent once."""
        return self.active and self.by_clock and (now - self.due) % WRAP < HALF

    def checks(self, now: int) -> bool:
        """Due to look whether its content changed."""
        return self.active and self.when.check_us > 0 and is_due(self.check, now)

    def wants(self, now: int) -> bool:
        """Whether it would be worked out now."""
        if not self.active:
            return False
        if self.blocked and is_due(self.open, now):
            self.blocked = False
        if self.by_clock and (now - self.due) % WRAP < HALF:
            return True
        return not self.blocked and (self.pending or (self.when.check_us > 0 and is_due(self.check, now)))

    def overdue_us(self, now: int) -> int:
        """How long it has been wanting, 0 when it does not."""
        late = 0
        if self.cyclic(now):
            late = (now - self.due) % WRAP
        return late

    def begin(self, now: int) -> bool:
        """It is worked out now: whether it is sent even if nothing changed."""
        forced = self.cyclic(now) or (self.pending and self.when.check_us == 0)
        if self.checks(now):
            self.check = (now + self.when.check_us) % WRAP
        self.pending = False
        return forced

    def unchanged(self, payload: bytes, forced: bool) -> bool:
        """Whether it is left unsent, since it says what it said last."""
        if not forced and self.last is not None and payload == self.last:
            return True
        if self.when.check_us > 0:
            self.last = payload
        return False

    def move_on(self, now: int, was_cyclic: bool, sent: bool) -> None:
        """Timers after it was sent, or was not since its sources are stale."""
        period = self.when.period_us
        if was_cyclic:
            if period:
                self.due = (self.due + period) % WRAP
                if is_due(self.due, now):
                    self.due = (now + period) % WRAP
        elif period and sent:
            self.due = (now + period) % WRAP
        if sent and self.when.gap_us > 0:
            self.blocked, self.open = True, (now + self.when.gap_us) % WRAP
        if self.when.count:
            self.left -= 1
            if self.left == 0:
                self.end()


def is_due(timer: int, now: int) -> bool:
    """Whether a timer's time has come."""
    return (now - timer) % WRAP < HALF
