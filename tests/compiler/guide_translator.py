"""A translator written from the guide's pages alone: `bridge-file`, `roles` and `language-rules`.

It never sees a plan, the compiler or the reference of `prove`. It takes a bridge file's text and maps, hears frames and
says what is sent. It takes from the house what a map is, and how a checksum that a map names is computed, which has
outside oracles of its own.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction as F
from math import ceil
from typing import Any

from swapbridge.signalmap.signal_map import MapMessage, MapSignal, SignalMap
from tests.compiler.guide_language import (
    NOTHING,
    STATES,
    For,
    Parser,
    Tree,
    Val,
    is_choice,
    memories_in,
    plain,
    to_nearest,
    value_of,
)
from tests.compiler.guide_memories import Memory

ON, OFF = {"on", "true", "yes", "active"}, {"off", "false", "no", "inactive"}
ALARMS = {"oil_pressure_lamp", "overheat_lamp", "charge_lamp", "malfunction_lamp"}
KEPT_FOR_HALF_A_SECOND = {"engine_speed", "engine_running"}
KEPT_FOR_GOOD = {"fuel_used", "distance", "reference_torque", "fuel_level"}


def bit_places(signal: MapSignal) -> list[tuple[int, int]]:
    """(byte, bit) of a signal's bits, the highest first, as a DBC numbers them."""
    at, out = signal.layout.start, []
    if signal.layout.byte_order == "little_endian":
        return [divmod(at + k, 8) for k in reversed(range(signal.layout.length))]
    for _ in range(signal.layout.length):
        out.append(divmod(at, 8))
        at = at - 1 if at % 8 else at + 15
    return out


def read(signal: MapSignal, data: bytes) -> int:
    raw = 0
    for byte, bit in bit_places(signal):
        raw = raw * 2 + (data[byte] >> bit & 1)
    return raw - (1 << signal.layout.length) if signal.layout.signed and raw >> (signal.layout.length - 1) else raw


def put(signal: MapSignal, data: bytearray, raw: int) -> None:
    for k, (byte, bit) in enumerate(reversed(bit_places(signal))):
        data[byte] = data[byte] & ~(1 << bit) | (raw >> k & 1) << bit


def names_in(tree: Any) -> list[tuple[str, ...]]:
    """Every dotted name of a tree."""
    if not isinstance(tree, tuple) or not tree:
        return []
    if tree[0] == "name" and len(tree[1]) > 1:
        return [tree[1]]
    return [name for part in tree for name in names_in(part)]


@dataclass
class Page:
    """What arrives together: a message, or one kind of page of it."""

    limit_us: int
    good: int = 0
    fresh: bool = False
    seen: bool = False
    last_us: int = 0

    def look(self, now: int) -> None:
        if now - self.last_us > self.limit_us:
            self.fresh, self.good = False, 0


@dataclass
class Heard:
    """A message that is listened to."""

    message: MapMessage
    options: Mapping[str, Any]
    used: list[MapSignal] = field(default_factory=list)
    pages: dict[tuple[int, ...], Page] = field(default_factory=dict)
    raw: dict[str, int] = field(default_factory=dict)
    counter: int | None = None

    def page_of(self, signal: MapSignal | None) -> Page:
        kind = tuple(sorted(signal.mux_values)) if signal is not None else ()
        if kind not in self.pages:
            assert self.message.period_ms is not None
            kinds = len({s.mux_values for s in self.message.signals if s.mux_values}) if kind else 1
            limit = min(max(5 * int(self.message.period_ms * 1000) * kinds, 50_000), 600_000_000)
            self.pages[kind] = Page(int(self.options.get("max_age_ms", 0) * 1000) or limit)
        return self.pages[kind]

    def is_good(self, data: bytes) -> bool:
        counting = next((s for s in self.message.signals if s.counter is not None), None)
        checked = next((s for s in self.message.signals if s.checksum is not None), None)
        parts = [*self.used, *([counting] if counting is not None else [])]
        parts += [s for s in self.message.signals if s.is_multiplexer and any(self.pages)]
        needed = max((max(byte for byte, _ in bit_places(s)) + 1 for s in parts), default=0)
        if len(data) < (self.message.length if checked is not None else needed):
            return False
        if checked is not None and checked.checksum is not None and not checked.checksum.holds(data):
            return False
        if counting is None or counting.counter is None:
            return True
        cycle, value = counting.counter, read(counting, data)
        if not cycle.low <= value <= cycle.high:
            return False
        before, self.counter = self.counter, value
        size = cycle.high - cycle.low + 1
        lost = max(0, min(self.options.get("lost_ok", 3), size - 2))
        return before is None or (value - before) % size in {cycle.step * k % size for k in range(1, lost + 2)}


@dataclass
class SignalNow:
    """What a signal says now, and what it would be before rounding."""

    raw: int
    exact: F
    valid: bool


class Rule:
    """One signal of a sent message."""

    def __init__(self, world: GuideTranslator, signal: MapSignal, told: Any) -> None:
        self.world, self.signal = world, signal
        told = told if isinstance(told, dict) else {"value": told}
        self.told, self.tree = told, Parser(str(told["value"])).whole()
        self.purpose = (
            For(choices=tuple(signal.choices.items()))
            if is_choice(signal)
            else For(signal.unit, abs(signal.scale) / 1024, abs(signal.scale), tuple(signal.choices.items()))
        )
        self.fallback = self._fallback()
        self.held, self.held_exact, self.left = F(self.fallback), F(self.fallback), 0
        self.for_good = "hold_ms" not in told and "ramp" not in told and signal.role in KEPT_FOR_GOOD
        zero = to_nearest(-signal.offset / signal.scale)
        usual = 500 if signal.role in KEPT_FOR_HALF_A_SECOND and self.fallback == zero and "ramp" not in told else 0
        self.hold = ceil(F(str(told.get("hold_ms", usual))) / 1000 / world.step_s)
        self.ramp = F(0)
        if "ramp" in told:
            size = value_of(Parser(told["ramp"]).whole(), NOTHING, world)
            self.ramp = size.number / abs(signal.scale) * world.step_s  # written in the signal's own unit

    def _fallback(self) -> int:
        text = self.told.get("fallback")
        if text is None or text in ("not available", "invalid"):
            codes = sorted(self.signal.not_available)
            return codes[-1] if codes else to_nearest(-self.signal.offset / self.signal.scale)
        return self._to_raw(value_of(Parser(str(text)).whole(), self.purpose, self.world))[0]

    def _to_raw(self, value: Val) -> tuple[int, F]:
        if value.kind == "truth":
            names = {plain(name): raw for raw, name in self.signal.choices.items()}
            found = [raw for name, raw in names.items() if name in (ON if value.number else OFF)]
            raw = found[0] if len(found) == 1 else int(value.number)
            return raw, F(raw)
        if value.kind == "choice":
            return int(value.number), value.number
        exact = (value.into(self.signal.unit) - self.signal.offset) / self.signal.scale
        return to_nearest(exact), exact

    def measured(self) -> SignalNow:
        value = value_of(self.tree, self.purpose, self.world)
        if "limits" in self.told:
            low, high = (value_of(Parser(t).whole(), NOTHING, self.world).into(value.unit) for t in self.told["limits"])
            value = Val(min(max(value.number, low), high), value.unit, value.valid)
        valid = value.valid and STATES[self.world.state] in self.told.get("seen_states", STATES)
        raw, exact = self._to_raw(value)
        return SignalNow(raw, exact, valid)

    def step(self) -> None:
        now = self.measured()
        if now.valid:
            self.held, self.held_exact = F(now.raw), now.exact
            self.left = 1 if self.for_good else self.hold
        elif self.ramp:
            self.held += max(min(self.fallback - self.held, self.ramp), -self.ramp)
            self.held_exact += max(min(self.fallback - self.held_exact, self.ramp), -self.ramp)
        elif not self.for_good:
            self.left = max(0, self.left - 1)

    def said(self) -> SignalNow:
        now = self.measured()
        if now.valid:
            return now
        if self.ramp or self.left:
            return SignalNow(to_nearest(self.held), self.held_exact, False)
        return SignalNow(self.fallback, F(self.fallback), False)


@dataclass
class Sent:
    """A frame, with what its signals would be before rounding."""

    bus: int
    message: MapMessage
    data: bytes
    exact: dict[str, F]


class Message:
    """One sent message."""

    def __init__(self, world: GuideTranslator, told: Mapping[str, Any]) -> None:
        self.world, self.told = world, told
        bus, _, name = told["send"].partition(".")
        self.bus = world.buses.index(bus)
        found = world.maps[bus].message(name)
        assert found is not None
        self.message = found
        self.rules = {
            s.name: Rule(world, s, told["signals"][s.name]) for s in found.signals if s.name in told["signals"]
        }
        period = told.get("period_ms", None if {"on_change", "on_arrival", "once"} & set(told) else found.period_ms)
        self.period = int((period or 0) * 1000)
        self.delay, self.last_for = int(told.get("delay_ms", 0) * 1000), int(told.get("last_ms", 0) * 1000)
        self.gap = int(told.get("gap_ms", 0) * 1000)
        self.states = {STATES.index(s) for s in told.get("states", STATES[1:])}
        self.pages = told.get("mux", [None])
        self.page = 0
        self.counters = {
            s.name: s.counter.low for s in found.signals if s.counter is not None and s.name not in self.rules
        }
        self.active = self.pending = False
        self.due = self.open = self.look = 0
        self.ends: int | None = None
        self.last: bytes | None = None

    def state_is(self, state: int, now: int) -> None:
        if state in self.states:
            self.ends = None
            if not self.active:
                self.active, self.pending, self.last = True, False, None
                self.due = self.open = self.look = now + self.delay
        elif self.active and self.last_for and state:
            self.ends = now + self.last_for if self.ends is None else self.ends
        else:
            self.active, self.pending, self.ends = False, False, None

    def end_in_time(self, now: int) -> None:
        if self.ends is not None and now >= self.ends:
            self.active, self.pending, self.ends = False, False, None

    def take_turn(self, now: int) -> Sent | None:
        """The frame that goes out now, if one does."""
        if not self.active:
            return None
        cyclic = bool(self.period) and now >= self.due
        looks = bool(self.told.get("on_change")) and now >= self.look
        if not cyclic and (now < self.open or not (self.pending or looks)):
            return None
        forced = cyclic or (self.pending and not self.told.get("on_change"))
        self.pending = False
        if looks:
            self.look = now + min(10_000, self.world.step_us)
        data, exact, valid = self.payload()
        if self.told.get("when_stale") == "stop" and not valid:
            if cyclic:
                self.due += self.period
            return None
        if not forced and bytes(data) == self.last:
            return None
        self.last = bytes(data)
        self.due = self.due + self.period if cyclic else now + self.period
        self.open = now + self.gap
        for signal in self.message.signals:
            if signal.name in self.counters and signal.counter is not None:
                put(signal, data, self.counters[signal.name])
                cycle, value = signal.counter, self.counters[signal.name]
                self.counters[signal.name] = cycle.low + (value - cycle.low + cycle.step) % (cycle.high - cycle.low + 1)
        for signal in self.message.signals:
            if signal.checksum is not None:
                signal.checksum.insert(data)
        self.page = (self.page + 1) % len(self.pages)
        return Sent(self.bus, self.message, bytes(data), exact)

    def payload(self) -> tuple[bytearray, dict[str, F], bool]:
        """The payload before counters and checksums, and whether every signal in it is valid."""
        data, page, exact, valid = bytearray(self.message.length), self.pages[self.page], dict[str, F](), True
        for signal in self.message.signals:
            if signal.is_multiplexer:
                put(signal, data, page)
            elif signal.name in self.rules and (not signal.mux_values or page in signal.mux_values):
                said = self.rules[signal.name].said()
                exact[signal.name], valid = said.exact, valid and said.valid
                put(signal, data, said.raw)
            elif signal.role in ALARMS and signal.name not in self.rules:
                put(signal, data, 1)
        return data, exact, valid


class GuideTranslator:
    """The whole of it. `hear` and `poll` are told the time in microseconds, which never goes back."""

    def __init__(self, text: str, maps: Mapping[str, SignalMap]) -> None:
        told = tomllib.loads(text)
        self.maps = maps
        self.buses = list(told["buses"])
        self.step_us = int(told["bridge"].get("step_ms", 10) * 1000)
        self.step_s = F(self.step_us, 1_000_000)
        self.tables: dict[str, Any] = told.get("tables", {})
        self.values: dict[str, Tree] = {}
        self._told_states = told.get("states", {})
        self._sources = told.get("sources", {})
        self._heard: dict[tuple[int, str], Heard] = {}
        self._state = 0
        self._bus_last = [-(10**12)] * len(self.buses)
        self._after_run = 0
        self._next_step = 0
        self._conditions = {
            name: Parser(self._told_states[name]).whole()
            for name in ("crank", "run", "key_on")
            if name in self._told_states
        }
        self.messages = [Message(self, one) for one in told["messages"]]
        self.messages.sort(key=lambda m: m.message.identifier)
        wanted = [one for tree in self._conditions.values() for one in memories_in(tree, NOTHING, self.values)]
        self._of_states = len(dict.fromkeys(wanted))
        wanted += [
            one for m in self.messages for r in m.rules.values() for one in memories_in(r.tree, r.purpose, self.values)
        ]
        self._listen_to_all_that_is_named()
        self._memories: dict[tuple[Tree, For], Memory] = {}
        for tree, purpose in dict.fromkeys(wanted):
            self._memories[tree, purpose] = Memory(tree, purpose, self)

    def _listen_to_all_that_is_named(self) -> None:
        trees = [*self._conditions.values(), *(r.tree for m in self.messages for r in m.rules.values())]
        names = [name for tree in trees for name in names_in(tree)]
        names += [tuple(source.split(".")) for m in self.messages for source in m.told.get("on_arrival", ())]
        for bus, message, *signal in names:
            heard = self._source(bus, message)
            named = heard.message.signal(signal[0]) if signal else None
            heard.page_of(named)
            if named is not None and named not in heard.used:
                heard.used.append(named)

    def _source(self, bus: str, name: str) -> Heard:
        key = self.buses.index(bus), name
        if key not in self._heard:
            message = self.maps[bus].message(name)
            assert message is not None
            self._heard[key] = Heard(message, self._sources.get(f"{bus}.{name}", {}))
        return self._heard[key]

    # --- what expressions see

    def signal(self, parts: tuple[str, ...]) -> tuple[MapSignal, int, bool, str]:
        heard = self._source(parts[0], parts[1])
        signal = heard.message.signal(parts[2])
        assert signal is not None
        return signal, heard.raw.get(signal.name, 0), heard.page_of(signal).fresh, signal.reference

    def fresh(self, parts: tuple[str, ...]) -> bool:
        return self._source(*parts).page_of(None).fresh

    def age_us(self, parts: tuple[str, ...]) -> int | None:
        page = self._source(parts[0], parts[1]).page_of(None)
        return self._now - page.last_us if page.fresh else None

    @property
    def state(self) -> int:
        return self._state

    def memory(self, tree: Tree, purpose: For) -> Val:
        return self._memories[tree, purpose].said

    # --- the outside

    def hear(self, bus: int, word: int, data: bytes, now: int) -> None:
        self._now = now
        self._bus_last[bus] = now
        if self._state == 0:
            self._become(1)
        for (on, _), heard in self._heard.items():
            if on == bus and heard.message.word == word:
                self._take(bus, heard, data, now)

    def _take(self, bus: int, heard: Heard, data: bytes, now: int) -> None:
        if not heard.is_good(data):
            for page in heard.pages.values():
                page.good = 0
            return
        multiplexer = next((s for s in heard.message.signals if s.is_multiplexer), None)
        number = read(multiplexer, data) if multiplexer is not None and any(heard.pages) else None
        came_fresh = False
        for kind, page in heard.pages.items():
            if kind and number not in kind:
                continue
            page.look(now)
            page.last_us, page.good = now, page.good + 1
            again = heard.options.get("recover", 3) if page.seen else heard.options.get("first", 1)
            if page.good >= again:
                page.fresh = page.seen = True
            came_fresh |= page.fresh
            for signal in heard.used:
                if tuple(sorted(signal.mux_values)) == kind:
                    heard.raw[signal.name] = read(signal, data)
        for message in self.messages:
            name = f"{self.buses[bus]}.{heard.message.name}"
            if came_fresh and message.active and name in message.told.get("on_arrival", ()):
                message.pending = True

    def poll(self, now: int) -> list[Sent]:
        """What is sent at this moment."""
        self._now = now
        for heard in self._heard.values():
            for page in heard.pages.values():
                page.look(now)
        for message in self.messages:
            message.end_in_time(now)
        if now >= self._next_step:
            self._next_step += self.step_us
            self._step()
        return [frame for message in self.messages if (frame := message.take_turn(now)) is not None]

    def _step(self) -> None:
        memories = list(self._memories.values())
        for memory in memories[: self._of_states]:
            memory.step()
        self._find_state()
        for memory in memories[self._of_states :]:
            memory.step()
        for message in self.messages:
            for rule in message.rules.values():
                rule.step()

    def _find_state(self) -> None:
        silent = int(self._told_states.get("sleep_after_ms", 3000) * 1000)
        awake = any(self._now - last <= silent for last in self._bus_last)
        holds = {
            n: v.valid and bool(v.number) for n, t in self._conditions.items() for v in [value_of(t, NOTHING, self)]
        }
        found = next((STATES.index(n) for n in ("crank", "run", "key_on") if holds.get(n)), None)
        waiting = self._after_run
        steps = max(1, ceil(F(str(self._told_states.get("after_run_ms", 0))) / 1000 / self.step_s))
        steps = steps if self._told_states.get("after_run_ms") else 0
        self._after_run = 0 if not awake else steps if found is not None else max(0, waiting - 1)
        if not awake:
            self._become(0)
        elif found is not None:
            self._become(found)
        elif waiting:
            self._become(5)
        else:
            self._become(1 if self._conditions else 4)

    def _become(self, state: int) -> None:
        if state != self._state:
            self._state = state
            for message in self.messages:
                message.state_is(state, self._now)
