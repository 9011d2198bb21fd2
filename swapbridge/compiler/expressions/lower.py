"""Compiler room: from expression trees to plan operations, with types, units and proven intervals."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from fractions import Fraction

from swapbridge.compiler.build import BlockBuilder, Linear, OverflowRefused, PlanMemory
from swapbridge.compiler.expressions.sources import Sources, SourceSignal, copy_only, is_choice, near
from swapbridge.compiler.expressions.values import (
    TRUTH,
    Value,
    Wanted,
    add,
    compare_values,
    divide,
    joined,
    multiply,
    need_number,
    need_truth,
)
from swapbridge.compiler.refusals import LoweringError, Refusals
from swapbridge.core.errors import InputError
from swapbridge.core.roles import BY_NAME
from swapbridge.core.units import NONE, Unit, find_unit
from swapbridge.core.vocabulary import plain
from swapbridge.language.bridge_file import BridgeFile, Written
from swapbridge.language.constants import parse_written
from swapbridge.language.expressions import Binary, Call, Name, Node, Number, Text, Truth, Unary, write
from swapbridge.plan.plan import STATES

Lower = Callable[["Lowering", Call, BlockBuilder, Wanted], Value]
"""How a function of the language is lowered."""
TASK_OPS = 120
"""Operations after which filters go into a further task, so that no single poll takes long."""
MAX_PARTS = 100_000
"""Parts of all expressions together, named values written out: far beyond any bridge, and reached within seconds."""


@dataclass(frozen=True, slots=True)
class Cut:
    """What a clamp or min takes off its first argument: what that can reach, and what is let through."""

    low: Fraction
    high: Fraction
    bottom: Fraction
    top: Fraction
    unit: Unit


@dataclass(frozen=True, slots=True)
class RememberedCall:
    """Slots of a function that remembers, shared by equal expressions; what is cut off on the way into it, and which
    constants of more than 31 bits have nearby ones in their place there."""

    slots: tuple[int, ...]
    value: Value
    cuts: tuple[Cut, ...]
    nearby: tuple[str, ...]


class Tasks:
    """The blocks that run every step, in the order in which they were needed."""

    def __init__(self, memory: PlanMemory) -> None:
        self.memory = memory
        self.blocks: list[BlockBuilder] = []
        self._open: list[BlockBuilder] = []

    @contextmanager
    def writing(self) -> Iterator[BlockBuilder]:
        """The block to write to: the one already open when a remembering function holds another."""
        if self._open:
            yield self._open[-1]
            return
        if not self.blocks or len(self.blocks[-1].ops) > TASK_OPS:
            self.blocks.append(BlockBuilder(self.memory))
        self._open.append(self.blocks[-1])
        try:
            yield self._open[-1]
        finally:
            self._open.pop()


class Lowering:
    """Lowers expressions of one bridge file into the blocks of one plan.

    `functions` are those of the language by name; they are handed in, since they lower their arguments here.
    """

    def __init__(
        self, bridge: BridgeFile, sources: Sources, memory: PlanMemory, functions: Mapping[str, Lower]
    ) -> None:
        self.bridge, self.sources, self.memory, self.functions = bridge, sources, memory, functions
        self.tasks = Tasks(memory)
        self.kept: dict[str, RememberedCall] = {}
        """What remembers, by its name."""
        self.cuts: list[Cut] = []
        self.nearby: list[str] = []
        """What was cut off so far, in the order of lowering; a caller looks at those that its own expression added."""
        self._where: list[Written] = []
        self._naming: list[str] = []
        self._parts = 0
        self.refusals = Refusals()

    # --- entry

    def lower_written(self, written: Written, builder: BlockBuilder, wanted: Wanted) -> Value:
        """Lower one expression of the file.

        Raises
        ------
        BridgeRefused
            What it means can't be had, with file, line and column.
        """
        node = parse_written(self.bridge, written)
        self._where.append(written)
        try:
            return self.lower(node, builder, wanted)
        finally:
            self._where.pop()

    def lower(self, node: Node, builder: BlockBuilder, wanted: Wanted) -> Value:
        """Lower one tree; errors get the place of the innermost part that is wrong."""
        try:
            return self._lower(node, builder, wanted)
        except LoweringError as error:
            raise self.bridge.refuse(self._where[-1].place, error.reason, error.remedy, node.column) from None
        except OverflowRefused as error:
            low, high = error.interval
            raise self.bridge.refuse(
                self._where[-1].place,
                f"{write(node)} could exceed 64 bits (it may reach {low} to {high})",
                "state a coarser resolution, or a range for its source under [sources]",
                node.column,
            ) from None

    def _lower(self, node: Node, builder: BlockBuilder, wanted: Wanted) -> Value:
        self._parts += 1
        if self._parts > MAX_PARTS:
            raise LoweringError(
                f"all expressions come to more than {MAX_PARTS} parts, each named value counted where it is used",
                "use named values that hold others less often",
            )
        if isinstance(node, Number):
            return Value(Linear.constant(node.value), self._unit(node.unit))
        if isinstance(node, Truth):
            return Value(Linear.constant(Fraction(int(node.value))), TRUTH)
        if isinstance(node, Text):
            return choice_value(node.value, wanted)
        if isinstance(node, Name):
            return self._name(node, builder, wanted)
        if isinstance(node, Unary):
            return self._unary(node, builder, wanted)
        if isinstance(node, Binary):
            return self._binary(node, builder, wanted)
        return self._call(node, builder, wanted)

    def _unit(self, text: str) -> Unit:
        try:
            return find_unit(text, self.bridge.units)
        except InputError as error:
            raise LoweringError(str(error), "or write another unit there") from None

    # --- parts

    def truth(self, node: Node, builder: BlockBuilder) -> tuple[int, Value]:
        """Lower a condition: its register and the value it came from."""
        value = self.lower(node, builder, Wanted())
        try:
            return need_truth(builder, value), value
        except LoweringError as error:
            raise self.bridge.refuse(self._where[-1].place, error.reason, error.remedy, node.column) from None

    def _unary(self, node: Unary, builder: BlockBuilder, wanted: Wanted) -> Value:
        if node.operator == "not":
            register, value = self.truth(node.operand, builder)
            return replace(value, linear=_bit(builder.emit("not", register)), unit=TRUTH)
        value = need_number(self.lower(node.operand, builder, wanted))
        return replace(value, linear=value.linear.affine(Fraction(-1), Fraction(0)))

    def _binary(self, node: Binary, builder: BlockBuilder, wanted: Wanted) -> Value:
        operator = node.operator
        if operator in ("and", "or"):
            (left, a), (right, b) = self.truth(node.left, builder), self.truth(node.right, builder)
            valid, feeds, rounded = joined(builder, a, b)
            return Value(_bit(builder.emit(operator, left, right)), TRUTH, valid, feeds=feeds, rounded=rounded)
        if operator in ("<", "<=", ">", ">=", "==", "!="):
            return self._comparison(node, builder)
        a, b = self.lower(node.left, builder, wanted), self.lower(node.right, builder, wanted)
        if operator in ("+", "-"):
            return add(builder, a, b, 1 if operator == "+" else -1, wanted)
        if operator == "*":
            return multiply(builder, a, b, wanted)
        otherwise = None if node.otherwise is None else self.lower(node.otherwise, builder, wanted)
        return divide(builder, a, b, otherwise, wanted)

    def _comparison(self, node: Binary, builder: BlockBuilder) -> Value:
        left, right = node.left, node.right
        if isinstance(left, Text) and isinstance(right, Text):
            raise LoweringError("two names in quotes can't be compared", "compare a signal with a name of its choices")
        if isinstance(left, Text):
            b = self.lower(right, builder, Wanted())
            a = self.lower(left, builder, Wanted(choices=b.choices))
        else:
            a = self.lower(left, builder, Wanted())
            b = self.lower(right, builder, Wanted(choices=a.choices) if isinstance(right, Text) else Wanted())
        if (isinstance(left, Text) or isinstance(right, Text)) and node.operator not in ("==", "!="):
            raise LoweringError("choices have no order", "compare them with == or !=")
        if isinstance(left, Text) or isinstance(right, Text):
            a, b = self._raw_of(left, a, builder), self._raw_of(right, b, builder)
        return compare_values(builder, node.operator, a, b)

    def _raw_of(self, node: Node, value: Value, builder: BlockBuilder) -> Value:
        """A measured signal compared with one of its named values is compared by its raw value."""
        if value.is_choice:
            return value
        if isinstance(node, Name) and len(node.parts) == 3:
            found = self.sources.signal(node.parts[0], node.parts[1], node.parts[2])
            fresh = builder.emit("fresh", value=found.feed)
            # a named code may be a reserved one: freshness alone decides whether it was received
            linear = Linear(builder.load(found.slot), 1, 0, 1)
            return Value(linear, NONE, fresh, found.signal.choices, True, frozenset({found.feed}))
        raise LoweringError("this has no choices", "compare it with a number")

    def _name(self, node: Name, builder: BlockBuilder, wanted: Wanted) -> Value:
        if len(node.parts) == 1:
            name = node.parts[0]
            if name == "invalid":
                is_named = wanted.choices is not None and wanted.unit is None
                return Value(
                    Linear.constant(Fraction(0)), wanted.unit or NONE, builder.const(0), wanted.choices, is_named
                )
            if name == "state":
                return Value(Linear(builder.load(0), 1, 0, 1), NONE, None, dict(enumerate(STATES)), True)
            table = self.bridge.constants if name in self.bridge.constants else self.bridge.values
            if name not in table:
                known = [*self.bridge.constants, *self.bridge.values, *self.bridge.curves]
                raise LoweringError(f"{name!r} is not known", near(name, known) if known else "name it in [values]")
            if name in self._naming:
                raise LoweringError(f"{name!r} is defined by itself", "remove the circular reference")
            self._naming.append(name)
            try:
                return self.lower_written(table[name], builder, wanted)
            finally:
                self._naming.pop()
        if len(node.parts) == 3:
            return self.signal(node, builder, wanted)
        raise LoweringError(f"{node.dotted!r} is not a signal", "write bus.MESSAGE.SIGNAL")

    def signal(self, node: Name, builder: BlockBuilder, wanted: Wanted) -> Value:
        """A source signal's value: exact, valid while fresh and not one of its reserved codes."""
        found = self.sources.signal(*node.parts)
        signal = found.signal
        if copy_only(signal):
            kind = "a floating-point" if signal.is_float else "an unsigned 64-bit"
            raise LoweringError(
                f"{node.dotted} is {kind} signal, which can only be copied unchanged",
                "name it alone as a target signal's value, with the same layout there",
            )
        valid = builder.emit("fresh", value=found.feed)
        if found.valid_slot >= 0:
            valid = builder.emit("and", valid, builder.load(found.valid_slot))
        register = builder.load(found.slot)
        feeds = frozenset({found.feed})
        choices = signal.choices or None
        if is_choice(signal):
            return Value(Linear(register, 1, 0, 1), NONE, valid, choices, True, feeds)
        # only valid values count from here on, which narrows the interval
        register = builder.emit("max", register, builder.const(found.clip[0]))
        register = builder.emit("min", register, builder.const(found.clip[1]))
        value = Value(
            Linear.of(register, signal.scale, signal.offset), self._signal_unit(found), valid, choices, False, feeds
        )
        return self._in_torque(found, value, builder, wanted)

    def _signal_unit(self, found: SourceSignal) -> Unit:
        text = found.options.unit if found.options.unit is not None else found.signal.unit
        try:
            return find_unit(text, self.bridge.units)
        except InputError as error:
            raise LoweringError(
                f"{found.dotted}: {error}", f'or correct it: [sources."{found.bus}.{found.message.name}".signals]'
            ) from None

    def reference(self, found: SourceSignal) -> Node | None:
        """What 100 % of a percent torque signal is, if the bridge file or the map says."""
        if found.options.reference is not None:
            return parse_written(self.bridge, found.options.reference)
        text = found.signal.reference
        if not text:
            return None
        source = Written(text, found.options.place)
        node = parse_written(self.bridge, source)
        if isinstance(node, Name) and len(node.parts) == 2:
            return Name((found.bus, *node.parts), node.column)
        return node

    def _in_torque(self, found: SourceSignal, value: Value, builder: BlockBuilder, wanted: Wanted) -> Value:
        """A percent torque becomes a torque, where its reference is known."""
        if value.unit.kind != "ratio":
            return value
        reference = self.reference(found)
        if reference is not None:
            return multiply(builder, value, self.lower(reference, builder, Wanted()), wanted)
        role = found.options.role or found.signal.role
        if role in BY_NAME and BY_NAME[role].quantity == "torque":
            raise LoweringError(
                f"{found.dotted} is a torque in percent, and it is not known what 100 % means",
                f'state it: [sources."{found.bus}.{found.message.name}".signals.{found.signal.name}] '
                'reference = "450 Nm"',
            )
        return value

    def _call(self, node: Call, builder: BlockBuilder, wanted: Wanted) -> Value:
        if node.function not in self.functions:
            raise LoweringError(f"there is no function {node.function!r}", near(node.function, sorted(self.functions)))
        return self.functions[node.function](self, node, builder, wanted)


def choice_value(name: str, wanted: Wanted) -> Value:
    """A name in quotes as a raw value of the choices wanted.

    Raises
    ------
    LoweringError
        No choices are wanted here, or none of that name.
    """
    if wanted.choices is None:
        raise LoweringError(
            f"'{name}' is the name of a choice, but no choices are known here", "compare it with a signal"
        )
    exact = [raw for raw, text in wanted.choices.items() if text == name]
    found = exact or [raw for raw, text in wanted.choices.items() if plain(text) == plain(name)]
    if len(found) != 1:
        raise LoweringError(f"'{name}' is not one of its choices", near(name, list(wanted.choices.values())))
    return Value(Linear.constant(Fraction(found[0])), NONE, None, wanted.choices, True)


def _bit(register: int) -> Linear:
    return Linear(register, 1, 0, 1)
