"""Proving room: the raw value a sent signal must have, and its safe answer, in exact fractions."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from math import ceil, floor
from typing import Protocol

from swapbridge.core.roles import Role, find_role
from swapbridge.core.units import SPELLINGS
from swapbridge.core.vocabulary import IN_GEAR_WORDS, OFF_WORDS, ON_WORDS, means_not_available, plain
from swapbridge.language.bridge_file import BridgeFile, MessageRule, SignalRule, Written
from swapbridge.language.defaults import HOLD_US, RAMP_PARTS, RAMP_SECONDS, RESOLUTION_STEPS
from swapbridge.language.dependencies import signals_behind
from swapbridge.language.expressions import Name
from swapbridge.language.guarded import guarded
from swapbridge.plan.plan import STATES
from swapbridge.proving.reference.exact import Evaluator, Surroundings
from swapbridge.proving.reference.exact_values import (
    PLAIN,
    TRUTH,
    ZERO,
    Exact,
    Purpose,
    between,
    lists_choices,
    nearest,
    on,
    reserved,
)
from swapbridge.proving.reference.heard import Inputs
from swapbridge.proving.reference.worked_out import WorkedOut
from swapbridge.signalmap.signal_map import MapMessage, MapSignal, SignalMap

MEMO = 20_000


class TargetReference(Surroundings, Protocol):
    """The reference that a target belongs to, as far as a target asks it."""

    bridge: BridgeFile
    maps: Mapping[str, SignalMap]
    evaluator: Evaluator
    known: WorkedOut
    loose: frozenset[str]

    def watch(self, call: Callable[[], object]) -> Inputs | None:
        """What a calculation reads; None when it depends on time or memory."""


@dataclass(frozen=True, slots=True)
class Safe:
    """What a signal says in doubt: raw value, time it holds the last good one before (-1: for good), ramp a step."""

    raw: int
    hold_us: int
    ramp: Fraction


class ReferenceSignal:
    """One signal of a sent message."""

    def __init__(
        self,
        reference: TargetReference,
        bus: str,
        message: MapMessage,
        signal: MapSignal,
        rule: SignalRule,
        parent: MessageRule,
    ) -> None:
        self.reference, self.evaluator = reference, reference.evaluator
        self.bus, self.message, self.signal, self.rule, self.parent = bus, message, signal, rule, parent
        name = rule.role or signal.role
        self.role: Role | None = find_role(name) if name else None
        options = next((o for o in reference.bridge.sources if o.message.text == f"{bus}.{message.name}"), None)
        own = options.signals.get(signal.name) if options else None
        self.unit_text = own.unit if own and own.unit is not None else signal.unit
        self.percent_of = rule.reference or (own.reference if own else None)
        if self.percent_of is None and signal.reference:
            node = self.evaluator.tree(Written(signal.reference))
            two = isinstance(node, Name) and len(node.parts) == 2
            self.percent_of = Written(f"{bus}.{signal.reference}" if two else signal.reference)
        self.copied = signal.is_float or (signal.layout.length == 64 and not signal.layout.signed)
        self.wanted = self._wanted()
        self._sources = signals_behind(reference.bridge, rule.value)
        self._guarded = guarded(reference.bridge, rule)
        self.loose = self.dotted in reference.loose
        self.exact = Fraction(0)
        """What it says before rounding: measured, held, on its ramp, or its safe answer."""
        self._memo = reference.known.raws.setdefault(self.label, {})
        self.inputs: Inputs | None = None
        """What it is worked out from; None when it depends on time or memory too."""
        self.inputs = reference.watch(self.measured)
        self._seen_moves = -1
        self._measured = 0, False, self.exact
        self.safe = self._safe_if_any()
        self.held: int | Fraction = self.safe.raw if self.safe else 0
        self.held_exact, self.left = Fraction(self.held), 0
        self.holds = self.safe is not None and bool(self.safe.hold_us or self.safe.ramp)
        """Whether a step of the fixed period changes what it says."""
        self.held_moves = -1
        """Moves of its inputs at its last step, if that settled it: without another a step changes nothing."""
        self._held_steps = 1
        if self.safe is not None and self.safe.hold_us >= 0:
            self._held_steps = max(1, ceil(Fraction(self.safe.hold_us, reference.bridge.step_us)))
        self.steady = self.inputs is not None and not self.holds
        """Whether it says the same for as long as its inputs do not move."""

    @property
    def dotted(self) -> str:
        """Bus, message and signal."""
        return f"{self.bus}.{self.message.name}.{self.signal.name}"

    @property
    def label(self) -> str:
        """The same, with its page where another page says it otherwise."""
        return self.dotted if self.rule.page is None else f"{self.dotted} of page {self.rule.page}"

    # --- the value

    def _wanted(self) -> Purpose:
        signal = self.signal
        if lists_choices(signal) or self.copied:
            return Purpose(choices=signal.choices)
        unit, step = self.evaluator.unit(self.unit_text), abs(signal.scale)
        if unit.kind == "ratio" and self.percent_of is not None:
            unit, step = SPELLINGS["Nm"], step * (self._constant_reference() or 1) / 100
        resolution = step / RESOLUTION_STEPS
        if self.rule.resolution is not None:
            given = self.evaluator.of(self.rule.resolution, PLAIN)
            resolution = given.number * given.unit.factor / unit.factor
        return Purpose(unit, resolution, step, signal.choices or None)

    def _constant_reference(self) -> Fraction | None:
        """What 100 % is in Nm, where it is a constant."""
        if self.percent_of is None:
            return None
        size = self.evaluator.of(self.percent_of, PLAIN)
        return size.into(SPELLINGS["Nm"]) if size.fixed else None

    def measured(self) -> tuple[int, bool]:
        """The raw value, and whether its sources are valid; the same inputs are worked out once only."""
        inputs = self.inputs
        if inputs is None:
            self.exact, valid = self._measure()
            return nearest(self.exact), valid
        if inputs.moves != self._seen_moves:
            key = inputs.key()
            found = self._memo.get(key)
            if found is None:
                if len(self._memo) > MEMO:
                    self._memo.clear()
                exact, valid = self._measure()
                found = self._memo[key] = nearest(exact), valid, exact
            self._seen_moves, self._measured = inputs.moves, found
        raw, valid, self.exact = self._measured
        return raw, valid

    def _measure(self) -> tuple[Fraction, bool]:
        inside = self._as_seen()
        exact, valid = self._of_value()
        return exact, valid and inside

    def _as_seen(self) -> bool:
        """Whether every valid source of a learned rule is where its recordings had it, and the state is one of them."""
        seen = self.rule.seen
        inside = [True]
        for ranged, low, high in seen.ranges:
            parts = ranged.split(".") if ranged else self._sources[0].parts
            value = self.evaluator.signal(self.reference.reading(*parts), PLAIN)
            ends = [self.evaluator.of(source, PLAIN).into(value.unit) for source in (low, high)]
            inside.append(not value.valid or ends[0] <= value.number <= ends[1])
        if seen.states is not None:
            inside.append(STATES[self.reference.state] in seen.states)
        return all(inside)

    def _of_value(self) -> tuple[Fraction, bool]:
        if self.copied:
            node = self.evaluator.tree(self.rule.value)
            assert isinstance(node, Name)
            reading = self.reference.reading(*node.parts)
            return Fraction(reading.raw), reading.fresh
        value = self.evaluator.of(self._guarded, self.wanted)
        if self.rule.limits is not None and not lists_choices(self.signal):
            low, high = (self.evaluator.of(s, PLAIN).into(value.unit) for s in self.rule.limits)
            value = value._replace(number=between(value.number, low, high))
        if value.unit.kind == TRUTH.kind:
            return Fraction(self._switch(bool(value.number))), value.valid
        if lists_choices(self.signal) or value.is_choice:
            return self._choice(value)
        return self._number(value)

    def _number(self, value: Exact) -> tuple[Fraction, bool]:
        signal, unit = self.signal, self.evaluator.unit(self.unit_text)
        if unit.kind == "ratio" and self.percent_of is not None and value.unit.kind == "torque":
            nm = SPELLINGS["Nm"]
            reference = self.evaluator.of(self.percent_of, PLAIN)
            size, torque = reference.into(nm), value.into(nm)
            if reference.fixed:
                share = torque / size
            elif size == 0:
                share = Fraction(0)
            else:
                share = on(abs(signal.scale) / 100 / RESOLUTION_STEPS, torque / size)
            value = Exact(100 * share, SPELLINGS["%"], value.valid and reference.valid)
        return (value.into(unit) - signal.offset) / signal.scale, value.valid

    def _choice(self, value: Exact) -> tuple[Fraction, bool]:
        if not value.is_choice or value.fixed or value.choices is self.signal.choices or value.choices is None:
            return value.number, value.valid
        targets = {plain(text): raw for raw, text in self.signal.choices.items()}
        pairs = {raw: targets[plain(text)] for raw, text in value.choices.items() if plain(text) in targets}
        raw = int(value.number)
        if raw in pairs:
            return Fraction(pairs[raw]), value.valid
        return Fraction(min(pairs.values())), False

    def _switch(self, is_on: bool) -> int:
        names = {plain(text): raw for raw, text in self.signal.choices.items()}
        found = [raw for text, raw in names.items() if text in (ON_WORDS if is_on else OFF_WORDS)]
        return found[0] if len(found) == 1 else int(is_on)

    # --- the safe answer

    def allowed(self) -> tuple[int, int]:
        """Smallest and largest raw value of a measurement (see `measurable`)."""
        return measurable(self.signal)

    def limits(self) -> tuple[int, int] | None:
        """Smallest and largest raw value that the bridge file's limits let through; None without limits."""
        if self.rule.limits is None or lists_choices(self.signal):
            return None
        ends = sorted(self._constant(s, PLAIN) for s in self.rule.limits)
        return ends[0], ends[1]

    def _safe_if_any(self) -> Safe | None:
        try:
            return self._safe()
        except _NoSafeAnswer:
            return None

    def _safe(self) -> Safe:
        way = self.role.fallback if self.role else "stated"
        raw = self._stated() if self.rule.fallback is not None else self._by_role(way)
        hold = self.rule.hold_us if self.rule.hold_us is not None else self.parent.hold_us
        if hold is None:
            hold = HOLD_US if way == "hold then zero" and raw == self._zero() else -1 if way == "last" else 0
        if way == "ramp to none" or self.rule.ramp is not None:
            return Safe(raw, 0, self._ramp())
        return Safe(raw, hold, ZERO)

    def _stated(self) -> int:
        source, signal = self.rule.fallback, self.signal
        assert source is not None
        if plain(source.text) in ("notavailable", "invalid"):
            code = invalid_raw(signal)
            if code is None:
                raise _NoSafeAnswer
            return code
        if self.copied:
            raw, bits = int(self.evaluator.of(source, PLAIN).number), signal.layout.length
            return raw - (1 << bits) if raw >> (bits - 1) else raw
        return self._constant(source, Purpose(choices=signal.choices or None))

    def _constant(self, written: Written, wanted: Purpose) -> int:
        value = self.evaluator.of(written, wanted)
        if value.is_choice or lists_choices(self.signal):
            return int(value.number)
        if value.unit.kind == TRUTH.kind:
            return self._switch(bool(value.number))
        unit = self.evaluator.unit(self.unit_text)
        whole = self._constant_reference()
        if value.unit.kind == "torque" and unit.kind == "ratio" and whole:
            number = value.into(SPELLINGS["Nm"]) / whole / unit.factor
        else:
            number = value.into(unit)
        return nearest((number - self.signal.offset) / self.signal.scale)

    def _by_role(self, way: str) -> int:
        signal = self.signal
        code = invalid_raw(signal)
        if code is not None and (way.startswith("invalid") or way in ("hold then zero", "last")):
            return code
        if way in ("invalid or high", "invalid or low"):
            low, high = self.allowed()
            if self.rule.limits is not None:
                ends = [self._constant(s, PLAIN) for s in self.rule.limits]
                low, high = max(low, min(ends)), min(high, max(ends))
            return high if (signal.scale > 0) == (way == "invalid or high") else low
        if way in ("on", "off"):
            return self._switch(way == "on")
        if way in ("hold then zero", "last"):
            zero = self._zero()
            if zero is not None:
                return zero
        if way == "in gear":
            names = {plain(text): raw for raw, text in signal.choices.items()}
            return next((names[w] for w in IN_GEAR_WORDS if w in names), 0)
        raise _NoSafeAnswer

    def _zero(self) -> int | None:
        signal = self.signal
        names = {plain(text): raw for raw, text in signal.choices.items()}
        found = [raw for text, raw in names.items() if text in OFF_WORDS]
        if signal.choices and len(found) == 1:
            return found[0]
        if lists_choices(signal):
            return None
        raw = nearest(-signal.offset / signal.scale)
        low, high = self.allowed()
        return raw if low <= raw <= high else None

    def _ramp(self) -> Fraction:
        signal, step = self.signal, self.evaluator.step_s
        if self.rule.ramp is not None:
            value = self.evaluator.of(self.rule.ramp, PLAIN)
            per_second = value.number * value.unit.factor / self.evaluator.unit(self.unit_text).factor
        else:
            low, high = self.allowed()
            per_second = (high - low) * abs(signal.scale) / RAMP_SECONDS
        exact = per_second * step / abs(signal.scale)
        return exact if exact.denominator <= RAMP_PARTS else on(Fraction(1, RAMP_PARTS), exact)

    def step(self) -> None:
        """One step of the fixed period: what is held, and the ramp."""
        safe, inputs = self.safe, self.inputs
        if safe is None or not self.holds or (inputs is not None and inputs.moves == self.held_moves):
            return
        raw, valid = self.measured()
        if valid:
            self.held, self.held_exact = raw, self.exact
            self.left = 0 if safe.ramp else self._held_steps
            settled = True
        elif safe.ramp:
            self.held += max(min(safe.raw - self.held, safe.ramp), -safe.ramp)
            self.held_exact += max(min(safe.raw - self.held_exact, safe.ramp), -safe.ramp)
            settled = self.held == self.held_exact == safe.raw
        else:
            self.left = max(0, self.left - 1) if safe.hold_us > 0 else self.left
            settled = safe.hold_us < 0 or not self.left
        self.held_moves = -1 if inputs is None or not settled else inputs.moves

    def raw(self) -> tuple[int, bool]:
        """The raw value to send now, and whether its sources are valid."""
        raw, valid = self.measured()
        if valid or self.safe is None:
            return raw, valid
        if self.safe.ramp or (self.safe.hold_us and self.left):
            self.exact = self.held_exact
            return nearest(self.held), False
        self.exact = Fraction(self.safe.raw)
        return self.safe.raw, False


class _NoSafeAnswer(Exception):
    """The signal can't be stale, or the compiler would have refused it."""


def measurable(signal: MapSignal) -> tuple[int, int]:
    """Smallest and largest raw value of a measurement: declared range without the reserved codes at its ends."""
    low, high = signal.layout.raw_range
    if signal.minimum is not None and signal.maximum is not None:
        ends = [(v - signal.offset) / signal.scale for v in (signal.minimum, signal.maximum)]
        low, high = max(low, ceil(min(ends))), min(high, floor(max(ends)))
    codes = reserved(signal)
    while high in codes:
        high -= 1
    while low in codes:
        low += 1
    return low, high


def alarmed(signal: MapSignal, role: str) -> int:
    """The raw value with which a warning without a source warns."""
    code = invalid_raw(signal)
    if role == "coolant_temperature" and not lists_choices(signal):
        low, high = measurable(signal)
        return code if code is not None else high if signal.scale > 0 else low
    on = [raw for raw, text in signal.choices.items() if plain(text) in ON_WORDS]
    if len(on) == 1 or (not signal.choices and signal.layout.length == 1):
        return on[0] if on else 1
    return code or 0


def invalid_raw(signal: MapSignal) -> int | None:
    """The raw value that says 'invalid'."""
    low, high = signal.layout.raw_range
    named = [raw for raw, text in sorted(signal.choices.items()) if means_not_available(text)]
    codes = {raw for raw in signal.not_available if low <= raw <= high}
    plainly = [high] if high in codes else sorted(codes)
    return next((raw for raw in (*named, *plainly, *signal.error_codes) if low <= raw <= high), None)
