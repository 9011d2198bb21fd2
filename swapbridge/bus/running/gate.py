"""Bus room: the gate that every frame passes before it is sent, independent of the translator behind it.

It is made from the plan alone: only planned identifiers go out, at no more than their planned rate, and nothing goes
out that another node was heard sending. A pure state machine: it takes frames and the time.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum

from swapbridge.core import j1939
from swapbridge.core.identifier_words import EXTENDED_BIT, format_identifier, split_word
from swapbridge.plan.j1939_node import OWN_MASK, nobodys_words, own_words
from swapbridge.plan.plan import Plan, Send

RATE_MARGIN = 1.05
BURST = 4
"""Frames that may come at once: catching up after a delay gives two, an event beside a cycle one more."""
NO_RATE_US = 5_000
"""Interval allowed to an event-driven frame whose plan states none."""
ONCE_US = 200_000
BREACHES_UNTIL_SHUT = 50
"""Refusals of one identifier within a second that only a broken translator causes; a stall causes a few."""
BREACH_WINDOW_US = 1_000_000
ECHO_US = 200_000
CLAIM_MARGIN_US = 20_000
"""How much less than a plan's wait after a claim is let through: translator and gate look at two clocks."""


class FrameRuling(Enum):
    """What the gate says to a frame."""

    SEND = "sent"
    WITHHELD = "withheld: watching only"
    CLOSED = "withheld: the gate is shut"
    UNPLANNED = "refused: not in the plan"
    TOO_FAST = "refused: faster than planned"
    NOT_OURS = "refused: another node sends it"


@dataclass(slots=True)
class _Allowance:
    interval_us: float
    credit: float = float(BURST)
    last_us: int = 0
    begun: bool = False

    def take(self, now_us: int) -> bool:
        if self.begun:
            self.credit = min(float(BURST), self.credit + (now_us - self.last_us) * RATE_MARGIN / self.interval_us)
        self.begun, self.last_us = True, now_us
        if self.credit < 1.0:
            return False
        self.credit -= 1.0
        return True


@dataclass(slots=True)
class Gate:
    """Judges what a plan's translator wants to send.

    Parameters
    ----------
    plan : Plan
    sending : bool
        Whether planned frames may go out at all; passed frames of an inline plan always may.

    Attributes
    ----------
    faults : list of str
        New sentences for the person; the caller takes them away.
    counts : dict
        How often each ruling was given.
    """

    plan: Plan
    sending: bool = False
    shut: str = ""
    faults: list[str] = field(default_factory=list)
    counts: dict[FrameRuling, int] = field(default_factory=lambda: dict.fromkeys(FrameRuling, 0))
    _allowances: dict[tuple[int, int], _Allowance] = field(default_factory=dict)
    _foreign: set[tuple[int, int]] = field(default_factory=set)
    _last_sent: dict[tuple[int, int], tuple[bytes, int]] = field(default_factory=dict)
    _breaches: dict[tuple[int, int], tuple[int, int]] = field(default_factory=dict)
    _pass_credit: list[int] = field(default_factory=list)
    _layer: set[tuple[int, int]] = field(default_factory=set)
    _nobodys: set[tuple[int, int]] = field(default_factory=set)
    _waits: dict[tuple[int, int], int] = field(default_factory=dict)
    _claimed_us: dict[tuple[int, int], int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for number, send in enumerate(self.plan.sends):
            if send.is_long:
                continue
            key = (send.bus, send.word)
            interval = planned_interval_us(self.plan, number)
            if key in self._allowances:  # several answers under one identifier: what each may send, together
                interval = 1 / (1 / interval + 1 / self._allowances[key].interval_us)
            self._allowances[key] = _Allowance(interval)
        self._nobodys = nobodys_words(self.plan)
        self._layer = {*own_words(self.plan), *self._nobodys}
        self._allowances.update({key: _Allowance(NO_RATE_US) for key in self._layer})
        self._waits = {(c.bus, c.address): c.wait_us - CLAIM_MARGIN_US for c in self.plan.claims if c.wait_us}
        self._pass_credit = [0] * len(self.plan.buses)

    def heard(self, bus: int, word: int, data: bytes, now_us: int) -> None:
        """Take note of a frame that another node sent; `now_us` does not wrap."""
        for rule in self.plan.passes:
            if rule.bus == bus and rule.first <= word <= rule.last and not rule.block:
                self._pass_credit[rule.to_bus] = min(1000, self._pass_credit[rule.to_bus] + 1)
        key = self._key(bus, word)
        if key not in self._allowances or key in self._foreign or key in self._nobodys or j1939.is_claim(word):
            return
        ours = self._last_sent.get(key)
        if ours is not None and ours[0] == data and now_us - ours[1] < ECHO_US:
            return  # some interfaces give a sender its own frames back
        self._foreign.add(key)
        if self.sending:
            self.faults.append(
                f"{self._name(key)} is being sent by another node, so we stopped sending it. Two senders of one "
                "identifier destroy each other's frames: unplug the old module, or take the message out of the plan"
            )

    def foreign(self) -> tuple[str, ...]:
        """Planned identifiers that another node was heard sending."""
        return tuple(self._name(key) for key in sorted(self._foreign))

    def is_foreign(self, bus: int, word: int) -> bool:
        """Whether another node was heard sending this identifier."""
        return (bus, word) in self._foreign

    def is_layer(self, bus: int, word: int) -> bool:
        """Whether a frame is a claim or a packet of a J1939 address of the plan."""
        return self._key(bus, word) in self._layer

    def decide(self, bus: int, word: int, data: bytes, now_us: int) -> FrameRuling:
        """Whether this frame may be sent now; counted."""
        key = self._key(bus, word)
        ruling = self._decide(key, now_us)
        if ruling is FrameRuling.SEND and key in self._allowances and not j1939.is_claim(word):
            ruling = self._decide_address(bus, word, now_us)
        self.counts[ruling] += 1
        if ruling is FrameRuling.SEND:
            self._last_sent[key] = (data, now_us)
            if j1939.is_claim(word):
                self._claimed_us.setdefault((bus, word & 0xFF), now_us)
        return ruling

    def _key(self, bus: int, word: int) -> tuple[int, int]:
        """What a frame is counted under: what a J1939 address claims and sends in packets, whoever it goes to."""
        own = bus, word & OWN_MASK
        return own if own in self._layer else (bus, word)

    def _decide(self, key: tuple[int, int], now_us: int) -> FrameRuling:
        allowance = self._allowances.get(key)
        if allowance is None:
            return self._decide_passed(key)
        if not allowance.take(now_us):
            if key not in self._layer:  # others' requests decide how often the layer answers
                self._breach(key, now_us)
            return FrameRuling.TOO_FAST
        if self.shut:
            return FrameRuling.CLOSED
        if not self.sending:
            return FrameRuling.WITHHELD
        return FrameRuling.NOT_OURS if key in self._foreign else FrameRuling.SEND

    def _decide_address(self, bus: int, word: int, now_us: int) -> FrameRuling:
        """Nothing goes out as some J1939 addresses too soon after their claim did, which a watch may have withheld."""
        address = bus, word & 0xFF
        if not word & EXTENDED_BIT or address not in self._waits:
            return FrameRuling.SEND
        claimed_us = self._claimed_us.get(address)
        early = claimed_us is None or now_us - claimed_us < self._waits[address]
        return FrameRuling.WITHHELD if early else FrameRuling.SEND

    def _decide_passed(self, key: tuple[int, int]) -> FrameRuling:
        bus, word = key
        for rule in self.plan.passes:
            if rule.to_bus == bus and not rule.block:
                same = rule.first <= word <= rule.last if rule.new_word < 0 else word == rule.new_word
                if same and self._pass_credit[bus] > 0:
                    self._pass_credit[bus] -= 1
                    return FrameRuling.SEND
                if same:
                    return FrameRuling.TOO_FAST
        self.faults.append(f"{self._name(key)} is not in the plan and was not sent: this is a defect of the translator")
        self.shut = self.shut or "a frame outside the plan came out of the translator"
        return FrameRuling.UNPLANNED

    def _breach(self, key: tuple[int, int], now_us: int) -> None:
        began, count = self._breaches.get(key, (now_us, 0))
        if now_us - began > BREACH_WINDOW_US:
            began, count = now_us, 0
        elif count == 0:
            self.faults.append(f"{self._name(key)} came faster than planned and was held back")
        self._breaches[key] = (began, count + 1)
        if count + 1 >= BREACHES_UNTIL_SHUT and not self.shut:
            self.shut = f"{self._name(key)} kept coming faster than planned"
            self.faults.append(f"sending stopped: {self.shut}")

    def _name(self, key: tuple[int, int]) -> str:
        word = key[1]
        return f"{self.plan.buses[key[0]].name} {format_identifier(*split_word(word))}"


def planned_interval_us(plan: Plan, number: int) -> float:
    """Shortest mean interval between frames of send `number` that its plan allows, in microseconds."""
    send: Send = plan.sends[number]
    rates = []
    if send.period_us:
        rates.append(1 / send.period_us)
    if send.count:
        rates.append(1 / ONCE_US)
    events = []
    if send.check_us:
        events.append(1 / send.check_us)
    if send.request is not None or send.on_request:
        events.append(1 / NO_RATE_US)
    for receive in plan.receives:
        if any(number in plan.feeds[feed].triggers for feed in receive.feeds):
            events.append(1 / receive.period_us if receive.period_us else 1 / NO_RATE_US)
    if events:
        rates.append(min(1 / send.gap_us, sum(events)) if send.gap_us else sum(events))
    return 1 / sum(rates) if rates else float(NO_RATE_US)
