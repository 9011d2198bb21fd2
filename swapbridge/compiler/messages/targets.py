"""Compiler room: one signal of a sent message: from its expression to the raw value, with limits and safe answer."""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from math import ceil

from swapbridge.compiler.build import BlockBuilder, Linear, OverflowRefused, approximate, on_grid
from swapbridge.compiler.expressions.lower import Cut, Lowering
from swapbridge.compiler.expressions.sources import allowed_raws, copy_only, is_choice
from swapbridge.compiler.expressions.values import (
    Value,
    Wanted,
    both_valid,
    divide,
    extreme,
    in_unit,
    is_always_valid,
    multiply,
    need_truth,
    show,
)
from swapbridge.compiler.messages.fallback import FallbackAnswer, find_fallback
from swapbridge.compiler.messages.seen import seen_words, within_seen
from swapbridge.compiler.refusals import LoweringError
from swapbridge.core.errors import InputError
from swapbridge.core.layout import Layout
from swapbridge.core.roles import Role, find_role
from swapbridge.core.units import NONE, SPELLINGS, Unit, find_unit
from swapbridge.core.vocabulary import OFF_WORDS, ON_WORDS, is_reserved, plain
from swapbridge.language.bridge_file import DANGEROUS, WRONG, BridgeRefused, MessageRule, Seen, SignalRule, Written
from swapbridge.language.constants import parse_written
from swapbridge.language.defaults import RESOLUTION_STEPS
from swapbridge.language.expressions import Name, write
from swapbridge.language.guarded import guarded
from swapbridge.plan.plan import Field
from swapbridge.signalmap.signal_map import MapMessage, MapSignal


@dataclass(frozen=True, slots=True)
class CompiledField:
    """A field with the register that says whether its sources are valid (None: always); `constant` is its raw value
    where that never changes."""

    field: Field
    valid: int | None
    role: Role | None
    value: Value
    answer: FallbackAnswer | None
    constant: int | None = None


def _source_ratio(builder: BlockBuilder, linear: Linear) -> Fraction | None:
    """How many target steps one step of the source signal is, where there is one source signal."""
    ratio, register = abs(linear.scale), linear.register
    while True:
        op = builder.ops[register]
        if op.kind == "load":
            return ratio
        constants = [builder.constant_value(r) for r in (op.a, op.b) if r >= 0]
        if op.kind not in ("mul", "add", "min", "max") or constants.count(None) != 1:
            return None
        held = next(c for c in constants if c is not None)
        ratio = ratio * abs(held) if op.kind == "mul" else ratio
        register = op.a if constants[0] is None else op.b


def step_text(unit: str) -> str:
    return f" {unit}" if unit else ""


class TargetSignal:
    """Lowers one rule for one signal of one message."""

    def __init__(
        self,
        lowering: Lowering,
        bus: str,
        message: MapMessage,
        signal: MapSignal,
        rule: SignalRule,
        parent: MessageRule,
    ) -> None:
        self.lowering, self.bridge = lowering, lowering.bridge
        self.bus, self.message, self.signal, self.rule, self.parent = bus, message, signal, rule, parent
        self.notes: list[str] = []
        self.reference_feeds: frozenset[int] = frozenset()
        self.role = self._role()
        options = lowering.sources.options(bus, message)
        own = options.signals.get(signal.name) if options else None
        self.unit_text = own.unit if own and own.unit is not None else signal.unit
        self.reference = self._reference(own.reference if own else None)

    @property
    def dotted(self) -> str:
        return f"{self.bus}.{self.message.name}.{self.signal.name}"

    def refuse(self, reason: str, remedy: str, rank: int = WRONG) -> BridgeRefused:
        """An error at the rule's place."""
        return self.bridge.refuse(self.rule.value.place, f"{self.dotted}: {reason}", remedy, rank=rank)

    def _role(self) -> Role | None:
        name = self.rule.role or self.signal.role
        if not name:
            return None
        try:
            return find_role(name)
        except InputError as error:
            raise self.refuse(str(error), "or leave it out for a flag or choice with a stated fallback") from None

    def _reference(self, own: Written | None) -> Written | None:
        if self.rule.reference is not None or own is not None:
            return self.rule.reference or own
        text = self.signal.reference
        if not text:
            return None
        node = parse_written(self.bridge, Written(text, self.rule.place))
        if isinstance(node, Name) and len(node.parts) == 2:
            text = f"{self.bus}.{text}"
        return Written(text, self.rule.place)

    # --- the raw value

    def make(self, builder: BlockBuilder) -> CompiledField:
        """Lower the rule into a block.

        Raises
        ------
        BridgeRefused
            Anything that would be wrong or unsafe to send.
        """
        if copy_only(self.signal):
            return self._copy(builder)
        notes_before = len(builder.notes)
        value = self._value(builder)
        raw, valid = self._raw(builder, value)
        self.check_measured(builder, raw, value)
        self.notes += dict.fromkeys(note for note in builder.notes[notes_before:] if note not in self.notes)
        stops = self.parent.when_stale == "stop"
        answer = find_fallback(self, value) if valid is not None and not stops else None
        register = raw
        if answer is not None and valid is not None:
            register = self._with_fallback(builder, raw, valid, answer)
        self._check_range(builder, register)
        held = builder.constant_value(register)
        return CompiledField(self._field(builder, register, value, answer), valid, self.role, value, answer, held)

    def _field(self, builder: BlockBuilder, register: int, value: Value, answer: FallbackAnswer | None) -> Field:
        signal = self.signal
        return Field(
            name=signal.name,
            layout=signal.layout,
            register=register,
            unit=self.unit_text,
            scale=str(signal.scale),
            offset=str(signal.offset),
            role=self.role.name if self.role else "",
            fallback=answer.raw if answer else None,
            expression=self.rule.value.text,
            note="; ".join(filter(None, [*self.notes, seen_words(self.rule), answer.words if answer else ""])),
            feeds=tuple(sorted(value.feeds | self.reference_feeds)),
            ramps=answer is not None and answer.ramp_per_step > 0,
        )

    def unit(self) -> Unit:
        try:
            return find_unit(self.unit_text, self.bridge.units)
        except InputError as error:
            raise self.refuse(
                str(error), f'or correct it: [sources."{self.bus}.{self.message.name}".signals]'
            ) from None

    def wanted(self) -> Wanted:
        """What the expression is wanted in."""
        signal = self.signal
        if is_choice(signal):
            return Wanted(choices=signal.choices)
        unit, step = self.unit(), abs(signal.scale)
        if unit.kind == "ratio" and self.reference is not None:
            unit, step = SPELLINGS["Nm"], step * (self.constant_reference() or 1) / 100
        resolution = step / RESOLUTION_STEPS
        if self.rule.resolution is not None:
            from swapbridge.language.constants import constant

            size, given = constant(self.bridge, self.rule.resolution)
            if given.kind != unit.kind or size <= 0:
                raise self.refuse(
                    "its resolution is not a constant above 0 of the signal's kind", f"write 0.1 {unit.name}"
                )
            resolution = size * given.factor / unit.factor
        return Wanted(unit, resolution, step, signal.choices or None)

    def constant_reference(self) -> Fraction | None:
        """The reference torque of a percent signal in Nm, where it is a constant."""
        if self.reference is None:
            return None
        scratch = BlockBuilder(self.lowering.memory)
        value = in_unit(self.lowering.lower_written(self.reference, scratch, Wanted()), SPELLINGS["Nm"])
        return value.linear.constant_value if value.linear.is_constant else None

    def _value(self, builder: BlockBuilder) -> Value:
        wanted, before, nearby = self.wanted(), len(self.lowering.cuts), len(self.lowering.nearby)
        value = self.lowering.lower_written(guarded(self.bridge, self.rule), builder, wanted)
        self.notes += dict.fromkeys(note for note in self.lowering.nearby[nearby:] if note not in self.notes)
        if not is_choice(self.signal):
            for cut in dict.fromkeys(self.lowering.cuts[before:]):
                self._note_cut(cut, wanted)
        if self.rule.limits is not None and not is_choice(self.signal):
            value = self._limited(builder, value, wanted)
        return within_seen(self.lowering, builder, self.rule, value)

    def _limited(self, builder: BlockBuilder, value: Value, wanted: Wanted) -> Value:
        assert self.rule.limits is not None
        low, high = (self.lowering.lower_written(text, builder, Wanted()) for text in self.rule.limits)
        if not all(end.linear.is_constant and is_always_valid(builder, end) for end in (low, high)):
            raise self.refuse("its limits are not constants", 'write limits = ["0 Nm", "300 Nm"]')
        try:
            if in_unit(low, high.unit).linear.constant_value >= high.linear.constant_value:
                raise self.refuse("its lower limit is not below its upper limit", 'write limits = ["0 Nm", "300 Nm"]')
            before = value.linear.bounds(builder)
            value = extreme(builder, "min", extreme(builder, "max", value, low, wanted), high, wanted)
        except LoweringError as error:
            raise self.refuse(error.reason, error.remedy) from None
        after = value.linear.bounds(builder)
        if after[1] < before[1] - wanted.resolution_in(value.unit):
            self._refuse_low_torque(before[1], after[1], value.unit)
        if before != after:
            self.notes.append(f"limited to {show(after[0])} to {show(after[1])}{step_text(value.unit.name)}")
        return value

    def _note_cut(self, cut: Cut, wanted: Wanted) -> None:
        """Note what a clamp or min cuts off; refuse to cut the top of an actual torque."""
        if cut.top < cut.high - wanted.resolution_in(cut.unit):  # less is only the rounding of what is clamped
            self._refuse_low_torque(cut.high, cut.top, cut.unit)
        if cut.top < cut.high or cut.bottom > cut.low:
            unit = step_text(cut.unit.name)
            to = f"{show(max(cut.low, cut.bottom))} to {show(min(cut.high, cut.top))}"
            self.notes.append(f"its source can say {show(cut.low)} to {show(cut.high)}{unit}, cut to {to}")

    def _refuse_low_torque(self, high: Fraction, top: Fraction, unit: Unit) -> None:
        if self.role is not None and self.role.hazard == "actual torque" and unit.kind == "torque":
            raise self.refuse(
                f"an actual torque up to {show(high)} {unit.name} would be reported as {show(top)} {unit.name} at "
                "most, and too little reported torque makes a transmission lower its clutch pressure",
                "state the source's real range under [sources], or send 'invalid' beyond: within(x, low, high)",
                DANGEROUS,
            )

    def _raw(self, builder: BlockBuilder, value: Value) -> tuple[int, int | None]:
        """Register of the raw value before any fallback, and its validity."""
        try:
            if is_choice(self.signal) or value.is_choice:
                return self._choice_raw(builder, value)
            if value.is_truth:
                return self._truth_raw(builder, value)
            return self._number_raw(builder, value)
        except LoweringError as error:
            raise self.refuse(error.reason, error.remedy) from None
        except OverflowRefused as error:
            raise self.refuse(
                f"{self.rule.value.text} could exceed 64 bits on its way to the raw value "
                f"({error.interval[0]} to {error.interval[1]})",
                "state a coarser resolution, or a range for its source under [sources]",
            ) from None

    def _number_raw(self, builder: BlockBuilder, value: Value) -> tuple[int, int | None]:
        unit = self.unit()
        if unit.kind == "ratio" and self.reference is not None and value.unit.kind == "torque":
            reference = self.lowering.lower_written(self.reference, builder, Wanted())
            wanted = Wanted(NONE, abs(self.signal.scale) / 100 / RESOLUTION_STEPS)
            zero = Value(Linear.constant(Fraction(0)), NONE)
            self.reference_feeds = reference.feeds
            share = divide(builder, in_unit(value, SPELLINGS["Nm"]), in_unit(reference, SPELLINGS["Nm"]), zero, wanted)
            value = multiply(builder, share, Value(Linear.constant(Fraction(100)), SPELLINGS["%"]), Wanted())
        elif (
            unit.kind == "ratio" and self.reference is None and self.role is not None and self.role.quantity == "torque"
        ):
            raise LoweringError(
                "it is a torque in percent, and it is not known what 100 % means",
                'state it: reference = "450 Nm" or a signal',
            )
        value = in_unit(value, unit)
        linear = value.linear.affine(1 / self.signal.scale, -self.signal.offset / self.signal.scale)
        linear = approximate(linear, builder, Fraction(1, 2000))
        self._note_rounding(builder, value, linear)
        return on_grid(builder, linear, Fraction(1)), value.valid

    def _note_rounding(self, builder: BlockBuilder, value: Value, linear: Linear) -> None:
        step = f"{show(abs(self.signal.scale))}{step_text(self.unit_text)}"
        if linear.is_constant:
            self.notes.append("constant" if linear.den == 1 else f"constant, to the nearest step of {step}")
        elif value.rounded:
            self.notes.append(f"to the nearest step of {step}")
        elif linear.den == 1:
            self.notes.append("exact")
        else:
            self.notes.append(f"exact, then to the nearest step of {step}")
        ratio = None if linear.is_constant or value.rounded else _source_ratio(builder, linear)
        if ratio is not None:
            if ratio < 1:
                self.notes.append(f"one {self.bus} step is {show(1 / ratio)} source steps")
            elif ratio > 1:
                self.notes.append(f"one source step is {show(ratio)} {self.bus} steps")

    def _truth_raw(self, builder: BlockBuilder, value: Value) -> tuple[int, int | None]:
        register = need_truth(builder, value)
        names = {plain(text): raw for raw, text in self.signal.choices.items()}
        if names:
            on = [raw for text, raw in names.items() if text in ON_WORDS]
            off = [raw for text, raw in names.items() if text in OFF_WORDS]
            if len(on) != 1 or len(off) != 1:
                raise LoweringError(
                    "a condition does not determine which choice is meant", "write choose(condition, 'Name', 'Name')"
                )
            register = builder.emit("select", register, builder.const(on[0]), builder.const(off[0]))
        elif self.signal.unit or self.signal.scale != 1 or self.signal.offset != 0:
            raise LoweringError(
                "a condition can't be sent as a measured value", "write choose(condition, number, number)"
            )
        return register, value.valid

    def _choice_raw(self, builder: BlockBuilder, value: Value) -> tuple[int, int | None]:
        if value.is_truth:
            return self._truth_raw(builder, value)
        if not value.is_choice:
            if value.linear.is_constant and value.linear.den == 1 and value.unit == NONE:
                return builder.const(value.linear.off), value.valid
            raise LoweringError("a number can't be sent as a choice", "write lookup(signal, number: 'Name', ...)")
        if value.linear.is_constant:
            return builder.const(value.linear.off), value.valid
        if not is_choice(self.signal):
            raise LoweringError(
                "a choice can't be sent as a number", "write lookup(signal, 'Name': number, ...) or signal == 'Name'"
            )
        if value.choices is self.signal.choices or value.choices is None:
            return value.linear.register, value.valid
        return self._by_name(builder, value)

    def _by_name(self, builder: BlockBuilder, value: Value) -> tuple[int, int | None]:
        """Source choices to target choices of the same name; refused where one has no counterpart."""
        assert value.choices is not None
        targets = {plain(text): raw for raw, text in self.signal.choices.items()}
        low, high = builder.interval(value.linear.register)
        pairs, alone = {}, []
        for raw, text in value.choices.items():
            if not low <= raw <= high or is_reserved(text):
                continue
            if plain(text) in targets:
                pairs[raw] = targets[plain(text)]
            else:
                alone.append(text)
        if alone or not pairs:
            raise LoweringError(
                f"its source's choices {', '.join(repr(t) for t in alone) or '(none)'} have no counterpart among "
                f"{', '.join(repr(t) for t in self.signal.choices.values())}",
                "write lookup(signal, 'Name': 'Name', ..., else 'Name')",
            )
        memory = self.lowering.memory
        name = f"choices of {self.dotted}"
        default = min(pairs.values())
        register = builder.emit("lookup", value.linear.register, value=memory.lookup(name, pairs, default))
        valid = value.valid
        if len(pairs) <= high - low:
            known = memory.lookup(f"{name}, known", dict.fromkeys(pairs, 1), 0)
            valid = both_valid(builder, valid, builder.emit("lookup", value.linear.register, value=known))
        self.notes.append("by name" if any(k != v for k, v in pairs.items()) else "by name (the same raw values)")
        return register, valid

    # --- range

    def allowed(self) -> tuple[int, int, tuple[tuple[int, int], ...]]:
        """What may be sent as a measurement (see `allowed_raws`)."""
        return allowed_raws(self.signal)

    def _check_range(self, builder: BlockBuilder, register: int) -> None:
        """The final register fits the bits (a fallback may be a reserved code)."""
        low, high = self.signal.layout.raw_range
        if builder.interval(register)[0] < low or builder.interval(register)[1] > high:
            raise self.refuse("its raw value may not fit its bits", "clamp it: clamp(x, low, high)")

    def check_measured(self, builder: BlockBuilder, raw: int, value: Value) -> None:
        """Refuse a measured value that can leave the declared range or land on a reserved code.

        Raises
        ------
        BridgeRefused
            With expression, interval and remedy.
        """
        if is_choice(self.signal) and builder.constant_value(raw) is None:
            return
        low, high, reserved = self.allowed()
        found = builder.interval(raw)
        signal, unit = self.signal, step_text(self.unit_text)
        if builder.constant_value(raw) is not None and self.signal.choices.get(found[0]) is not None:
            return  # a constant named on purpose
        ends = sorted(r * signal.scale + signal.offset for r in found)
        if found[0] < low or found[1] > high:
            bounds = sorted(r * signal.scale + signal.offset for r in (low, high))
            raise self.refuse(
                f"{write(parse_written(self.bridge, self.rule.value))} goes from {show(ends[0])} to {show(ends[1])}"
                f"{unit}, "
                f"the signal from {show(bounds[0])} to {show(bounds[1])}{unit}",
                f"clamp it: clamp(..., {show(bounds[0])}{unit}, {show(bounds[1])}{unit}), or state its source's range",
            )
        for first, last in reserved:
            if found[0] <= last and first <= found[1]:
                raise self.refuse(
                    f"it can land on the reserved raw value {first} by accident", "clamp it below or above that value"
                )

    # --- what is sent when the source is not valid

    def _with_fallback(self, builder: BlockBuilder, raw: int, valid: int, answer: FallbackAnswer) -> int:
        fixed = builder.const(answer.raw)
        if answer.hold_us == 0 and answer.ramp_per_step == 0:
            return builder.emit("select", valid, raw, fixed)
        held, left = self._memory(answer)
        register = builder.load(held)
        parts = answer.ramp_per_step.denominator
        if parts > 1:
            register = builder.emit("div", register, builder.const(parts))
        if answer.ramp_per_step == 0:
            register = builder.emit("select", builder.load(left), register, fixed)
        return builder.emit("select", valid, raw, register)

    def _memory(self, answer: FallbackAnswer) -> tuple[int, int]:
        """Slots of the last good raw value and of the steps it is still held, updated once a step.

        Of a ramp the first is where it is, in the parts of a raw step that its speed needs.
        """
        lowering = self.lowering
        with lowering.tasks.writing() as task:
            notes_before = list(self.notes)
            raw, valid = self._raw(task, self._value(task))
            self.notes = notes_before  # the task computes what the message computes, and has nothing to add
            good = task.const(1) if valid is None else valid
            low, high = task.interval(raw)
            low, high = min(low, answer.raw), max(high, answer.raw)
            page = "" if self.rule.page is None else f" of page {self.rule.page}"
            parts = answer.ramp_per_step.denominator
            low, high = low * parts, high * parts
            held = lowering.memory.slot(f"{self.dotted}{page} held", answer.raw * parts, low, high)
            now = task.load(held)
            if answer.ramp_per_step:
                raw = raw if parts == 1 else task.emit("mul", raw, task.const(parts))
                gap = task.emit("sub", task.const(answer.raw * parts), now)
                step = task.const(answer.ramp_per_step.numerator)
                gap = task.emit("max", task.emit("min", gap, step), task.emit("neg", step))
                moved = task.emit("add", now, gap)
                moved = task.emit("min", task.emit("max", moved, task.const(low)), task.const(high))
                task.store(held, task.emit("select", good, raw, moved))
                return held, -1
            ticks = 1 if answer.hold_us < 0 else max(1, ceil(Fraction(answer.hold_us, self.bridge.step_us)))
            left = lowering.memory.slot(f"{self.dotted} steps held", 0, 0, ticks)
            task.store(held, task.emit("select", good, raw, now))
            waiting = task.load(left)
            fewer = (
                waiting
                if answer.hold_us < 0
                else task.emit("max", task.emit("sub", waiting, task.const(1)), task.const(0))
            )
            task.store(left, task.emit("select", good, task.const(ticks), fewer))
            return held, left

    # --- copies

    def _copy(self, builder: BlockBuilder) -> CompiledField:
        node = parse_written(self.bridge, self.rule.value)
        signal = self.signal
        if not isinstance(node, Name) or len(node.parts) != 3:
            raise self.refuse(
                "it is a float or an unsigned 64-bit signal, which can only be copied", "name one source signal"
            )
        try:
            found = self.lowering.sources.signal(*node.parts)
        except LoweringError as error:
            raise self.refuse(error.reason, error.remedy) from None
        other = found.signal
        alike = (other.layout.length, other.layout.signed, other.is_float, other.scale, other.offset, other.unit)
        if alike != (
            signal.layout.length,
            signal.layout.signed,
            signal.is_float,
            signal.scale,
            signal.offset,
            signal.unit,
        ):
            raise self.refuse(
                f"it can only be copied from a signal of the same form, and {found.dotted} has another",
                "name a source of the same length, sign, scale, offset and unit",
            )
        if self.rule.seen != Seen():
            raise self.refuse("a signal copied bit for bit has no recorded range", "leave seen and seen_states out")
        if self.rule.fallback is None:
            raise self.refuse("it has no fallback", "state its raw value: fallback = 0")
        answer = find_fallback(self, Value(Linear.constant(Fraction(0))), copied=True)
        valid = builder.emit("fresh", value=found.feed)
        register = builder.emit("select", valid, builder.load(found.slot), builder.const(answer.raw))
        self.notes.append("copied bit for bit")
        layout = Layout(signal.layout.start, signal.layout.length, signal.layout.byte_order, signed=True)
        value = Value(Linear.constant(Fraction(0)), feeds=frozenset({found.feed}))
        field = self._field(builder, register, value, answer)
        return CompiledField(replace(field, layout=layout), valid, self.role, value, answer)
