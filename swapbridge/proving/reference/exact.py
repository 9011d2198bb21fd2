"""Proving room: the bridge's expression language in exact fractions, straight from the tree as it was written.

The independent reference: it shares parser, unit table and vocabulary with the compiler and nothing else. Every value
is a `Fraction`; rounding happens only where the language says so (tables, division, products of signals, filters, rate
limits, totals, `round_to`), halves away from zero.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from math import ceil, floor
from operator import eq, ge, gt, le, lt, ne
from typing import Protocol, cast

from swapbridge.core.units import NONE, SPELLINGS, Unit, find_unit
from swapbridge.core.vocabulary import plain
from swapbridge.language.bridge_file import BridgeFile, SignalOptions, Written
from swapbridge.language.constants import parse_written
from swapbridge.language.expressions import Binary, Call, Name, Node, Number, Text, Truth, Unary, names_in
from swapbridge.language.memories import Choices
from swapbridge.plan.plan import STATES
from swapbridge.proving.reference.exact_values import (
    NO_YES,
    ONE,
    PLAIN,
    TRUTH,
    ZERO,
    Exact,
    Purpose,
    Reading,
    between,
    lists_choices,
    nearest,
    on,
    reserved,
)
from swapbridge.signalmap.signal_map import MapSignal

MEASURED_MOST = 20_000
"""Values kept of one source signal, or of one part of a tree."""
_OUTSIDE, _INSIDE, _INSIDE_ONE = range(3)
"""Where a part of a tree stands: outside all that is kept, inside of it, or inside of what reads one signal."""
COMPARISONS: Mapping[str, Callable[[int, int], bool]] = {"<": lt, "<=": le, ">": gt, ">=": ge, "==": eq, "!=": ne}


class Surroundings(Protocol):
    """What expressions can see of the world."""

    def reading(self, bus: str, message: str, signal: str) -> Reading:
        """A source signal."""

    def fresh(self, bus: str, message: str) -> bool:
        """Whether a message is fresh."""

    def age_us(self, bus: str, message: str, signal: str | None) -> int:
        """Time since its last good frame, or 2**31 - 1."""

    def awake(self, bus: str) -> bool:
        """Whether a bus has traffic."""

    @property
    def state(self) -> int:
        """Number of the state."""

    @property
    def is_watched(self) -> bool:
        """Whether it is noted now what is seen of it."""

    def watch(self, call: Callable[[], object]) -> Moves | None:
        """What a calculation reads; None when it depends on time or memory."""


class Moves(Protocol):
    """What a calculation reads."""

    moves: int
    """How often one of these changed, or became fresh or stale."""

    def key(self) -> tuple[object, ...]:
        """The same for the same result."""


@dataclass(slots=True)
class _Remembered:
    """The value of a part of a tree, what it is worked out from, and its values before, by that."""

    node: Node
    wanted: Purpose
    inputs: Moves | None
    known: dict[tuple[object, ...], Exact]
    moves: int = -1
    value: Exact | None = None


class ExactMemory(Protocol):
    """A function that remembers."""

    def look(self, evaluator: Evaluator) -> None:
        """Meet what it is made of."""

    def step(self, evaluator: Evaluator) -> None:
        """One step of the fixed period."""

    def output(self, evaluator: Evaluator) -> Exact:
        """Its value now."""


class Evaluator:
    """Evaluates trees of one bridge file; remembering functions are stepped by `step`."""

    def __init__(
        self,
        bridge: BridgeFile,
        world: Surroundings,
        remembering: Mapping[str, tuple[Callable[[Evaluator, Call, Purpose], ExactMemory], bool]],
        trees: dict[str, Node] | None = None,
        parts: dict[tuple[object, ...], dict[tuple[object, ...], Exact]] | None = None,
    ) -> None:
        self.bridge, self.world, self._remembering = bridge, world, remembering
        self.step_s = Fraction(bridge.step_us, 1_000_000)
        self._trees: dict[str, Node] = {} if trees is None else trees
        self._parts = {} if parts is None else parts
        self.memories: dict[tuple[Call, Unit | None, Fraction, Fraction | None, Choices], ExactMemory] = {}
        """What remembers, by its call and what its value is wanted for, in the order met."""
        self._met: dict[tuple[int, int], tuple[Call, Purpose, ExactMemory]] = {}
        self.remembered = 0
        """How often a remembering function was asked."""
        self._units: dict[str, Unit] = {}
        self._natures: dict[int, tuple[MapSignal, frozenset[int], bool]] = {}
        self._numbers: dict[int, tuple[Node, Exact]] = {}
        self._kept: dict[tuple[int, int], _Remembered] = {}
        self._single: dict[int, tuple[Node, bool]] = {}
        self._place = _OUTSIDE
        self._measured: dict[tuple[int, int], tuple[MapSignal, SignalOptions, dict[tuple[int, bool], Exact]]] = {}
        self._by_kind: Mapping[type, Callable[[Node, Purpose], Exact]] = cast(
            Mapping[type, Callable[[Node, Purpose], Exact]],
            {
                Number: self._constant_number,
                Truth: lambda node, _: Exact(NO_YES[node.value], TRUTH, fixed=True),
                Text: lambda node, wanted: self._choice(node.value, wanted),
                Name: self._name,
                Unary: self._unary,
                Binary: self._binary,
                Call: self._call,
            },
        )

    def of(self, written: Written, wanted: Purpose) -> Exact:
        """Value of an expression of the file."""
        return self.value(self.tree(written), wanted)

    def tree(self, written: Written) -> Node:
        """Tree of an expression, parsed once."""
        tree = self._trees.get(written.text)
        if tree is None:
            tree = self._trees[written.text] = parse_written(self.bridge, written)
        return tree

    def unit(self, text: str) -> Unit:
        """Unit of a spelling."""
        unit = self._units.get(text)
        if unit is None:
            unit = self._units[text] = find_unit(text, self.bridge.units)
        return unit

    def _nature(self, signal: MapSignal) -> tuple[MapSignal, frozenset[int], bool]:
        """A signal, its raw values that are no measurement, and whether it lists choices; looked at once."""
        known = self._natures.get(id(signal))  # a signal that is kept here keeps its id
        if known is None:
            known = self._natures[id(signal)] = signal, reserved(signal), lists_choices(signal)
        return known

    def value(self, node: Node, wanted: Purpose) -> Exact:
        """Value of a tree.

        What depends on nothing but signals and their freshness is kept until one of these moves, and what it was for
        equal inputs before is not worked out again. Inside it only what reads one signal is kept by itself: two
        signals seldom meet at the same values twice, but each of them takes its values again and again.
        """
        kind, place = type(node), self._place
        if (kind is not Binary and kind is not Call) or place == _INSIDE_ONE or self.world.is_watched:
            return self._by_kind[kind](node, wanted)
        if place == _INSIDE and not self._reads_one(node):
            return self._by_kind[kind](node, wanted)
        kept = self._kept.get((id(node), id(wanted)))  # both are kept here, so their ids stay theirs
        if kept is None:
            known = self._parts.setdefault((node, *wanted.look_up_key), {})
            kept = _Remembered(node, wanted, self.world.watch(lambda: self._by_kind[kind](node, wanted)), known)
            self._kept[id(node), id(wanted)] = kept
        inputs = kept.inputs
        if inputs is None:
            return self._by_kind[kind](node, wanted)
        if inputs.moves != kept.moves or kept.value is None:
            key = inputs.key()
            found = kept.known.get(key)
            if found is None:
                if len(kept.known) > MEASURED_MOST:
                    kept.known.clear()
                self._place = _INSIDE_ONE if self._reads_one(node) else _INSIDE
                found = kept.known[key] = self._by_kind[kind](node, wanted)
                self._place = place
            kept.moves, kept.value = inputs.moves, found
        return kept.value

    def _reads_one(self, node: Node) -> bool:
        """Whether a part of a tree names exactly one signal."""
        known = self._single.get(id(node))  # a node that is kept here keeps its id
        if known is None:
            signals = {name.parts for name in names_in(node) if len(name.parts) == 3}
            known = self._single[id(node)] = node, len(signals) == 1
        return known[1]

    def _constant_number(self, node: Number, wanted: Purpose) -> Exact:
        """A number with its unit; made once, since it is the same for whatever it is wanted."""
        known = self._numbers.get(id(node))  # a node that is kept here keeps its id
        if known is None:
            known = self._numbers[id(node)] = node, Exact(node.value, self.unit(node.unit), fixed=True)
        return known[1]

    def _unary(self, node: Unary, wanted: Purpose) -> Exact:
        if node.operator == "not":
            inner = self.value(node.operand, PLAIN)
            return Exact(ONE - inner.number, TRUTH, inner.valid, fixed=inner.fixed)
        inner = self.value(node.operand, wanted)
        return inner._replace(number=-inner.number)

    def _choice(self, name: str, wanted: Purpose) -> Exact:
        choices = wanted.choices or {}
        exact = [raw for raw, text in choices.items() if text == name]
        near = exact or [raw for raw, text in choices.items() if plain(text) == plain(name)]
        return Exact(Fraction(near[0]), NONE, True, choices, True, True)

    def _name(self, node: Name, wanted: Purpose) -> Exact:
        if len(node.parts) == 1:
            name = node.parts[0]
            if name == "invalid":
                named = wanted.choices is not None and wanted.unit is None
                return Exact(ZERO, wanted.unit or NONE, False, wanted.choices, named, True)
            if name == "state":
                return Exact(Fraction(self.world.state), NONE, True, dict(enumerate(STATES)), True)
            known = self.bridge.constants if name in self.bridge.constants else self.bridge.values
            return self.of(known[name], wanted)
        bus, message, signal = node.parts
        return self.signal(self.world.reading(bus, message, signal), wanted)

    def signal(self, reading: Reading, wanted: Purpose) -> Exact:
        """A source signal's value."""
        signal, raw = reading.signal, reading.raw
        _, codes, is_list = self._nature(signal)
        valid = reading.fresh and raw not in codes and raw not in reading.options.invalid
        if is_list:
            return Exact(Fraction(raw), NONE, valid, signal.choices, True)
        known = self._measured.get((id(signal), id(reading.options)))
        if known is not None and (found := known[2].get((raw, reading.fresh))) is not None:
            return found
        unit = self.unit(reading.options.unit if reading.options.unit is not None else signal.unit)
        number = raw * signal.scale + signal.offset
        if reading.options.range is not None:
            ends = [(self._end(s, unit, reading) - signal.offset) / signal.scale for s in reading.options.range]
            low = max(signal.layout.raw_range[0], ceil(min(ends)))
            high = min(signal.layout.raw_range[1], floor(max(ends)))
            valid = valid and low <= raw <= high
            number = min(max(raw, low), high) * signal.scale + signal.offset
        value = Exact(number, unit, valid, signal.choices or None)
        if unit.kind != "ratio":
            if known is None and all(self.of(s, PLAIN).fixed for s in reading.options.range or ()):
                key = id(signal), id(reading.options)
                known = self._measured[key] = signal, reading.options, {}
            if known is not None and len(known[2]) < MEASURED_MOST:
                known[2][raw, reading.fresh] = value
            return value
        reference = self._reference(reading)
        return value if reference is None else self._multiply(value, self.value(reference, PLAIN), wanted)

    def _end(self, written: Written, unit: Unit, reading: Reading) -> Fraction:
        """An end of a stated range; a torque stands for a percentage of a constant reference."""
        value = self.of(written, PLAIN)
        reference = self._reference(reading) if value.unit.kind == "torque" and unit.kind == "ratio" else None
        if reference is None:
            return value.into(unit)
        nm = SPELLINGS["Nm"]
        return value.into(nm) / self.value(reference, PLAIN).into(nm) / unit.factor

    def _reference(self, reading: Reading) -> Node | None:
        """What 100 % of a percent torque is."""
        if reading.options.reference is not None:
            return self.tree(reading.options.reference)
        if not reading.signal.reference:
            return None
        node = self.tree(Written(reading.signal.reference))
        if isinstance(node, Name) and len(node.parts) == 2:
            return Name((reading.bus, *node.parts), node.column)
        return node

    def _binary(self, node: Binary, wanted: Purpose) -> Exact:
        operator = node.operator
        if operator in COMPARISONS:
            return self._compare(node)
        if operator in ("and", "or"):
            a, b = self.value(node.left, PLAIN), self.value(node.right, PLAIN)
            both = (a.number != 0 and b.number != 0) if operator == "and" else (a.number != 0 or b.number != 0)
            return Exact(NO_YES[both], TRUTH, a.valid and b.valid)
        a, b = self.value(node.left, wanted), self.value(node.right, wanted)
        if operator in ("+", "-"):
            other = b.into(a.unit)
            number = a.number + other if operator == "+" else a.number - other
            return Exact(number, a.unit, a.valid and b.valid, None, False, a.fixed and b.fixed)
        if operator == "*":
            return self._multiply(a, b, wanted)
        otherwise = None if node.otherwise is None else self.value(node.otherwise, wanted)
        return self._divide(a, b, otherwise, wanted)

    def _compare(self, node: Binary) -> Exact:
        left, right = node.left, node.right
        if isinstance(left, Text):
            b = self._as_raw(right)
            a = self.value(left, Purpose(choices=b.choices))
        elif isinstance(right, Text):
            a = self._as_raw(left)
            b = self.value(right, Purpose(choices=a.choices))
        else:
            a, b = self.value(left, PLAIN), self.value(right, PLAIN)
        x, y = a.number, (b.number if a.unit.kind == TRUTH.kind or a.is_choice or b.is_choice else b.into(a.unit))
        answer = COMPARISONS[node.operator](x.numerator * y.denominator, y.numerator * x.denominator)
        return Exact(NO_YES[answer], TRUTH, a.valid and b.valid)

    def _as_raw(self, node: Node) -> Exact:
        """A measured signal that is compared with a name is compared by its raw value, and only has to be fresh."""
        value = self.value(node, PLAIN)
        if value.is_choice or not isinstance(node, Name) or len(node.parts) != 3:
            return value
        reading = self.world.reading(*node.parts)
        return Exact(Fraction(reading.raw), NONE, reading.fresh, reading.signal.choices, True)

    def _multiply(self, a: Exact, b: Exact, wanted: Purpose) -> Exact:
        if a.unit.kind not in ("a plain number", "ratio"):
            a, b = b, a
        factor = a.number * a.unit.factor if a.unit.kind == "ratio" else a.number
        product = factor * b.number
        if not a.fixed and not b.fixed and wanted.unit is not None and wanted.unit.kind == b.unit.kind:
            product = on(wanted.resolution_in(b.unit), product)
        return Exact(product, b.unit, a.valid and b.valid, fixed=a.fixed and b.fixed)

    def _divide(self, a: Exact, b: Exact, otherwise: Exact | None, wanted: Purpose) -> Exact:
        if b.unit.kind == a.unit.kind:
            divisor, unit = b.into(a.unit), NONE
        else:
            divisor, unit = b.number * b.unit.factor if b.unit.kind == "ratio" else b.number, a.unit
        valid = a.valid and b.valid
        if b.fixed:
            return Exact(a.number / divisor, unit, valid, fixed=a.fixed)
        if divisor == 0:
            if otherwise is None:
                return Exact(ZERO, unit, False)
            return Exact(otherwise.into(unit), unit, valid and otherwise.valid)
        return Exact(on(wanted.resolution_in(unit), a.number / divisor), unit, valid)

    # --- functions

    def _call(self, node: Call, wanted: Purpose) -> Exact:
        if node.function in self._remembering:
            self.remembered += 1
            return self.memory(node, wanted).output(self)
        return FUNCTIONS[node.function](self, node, wanted)

    def memory(self, node: Call, wanted: Purpose) -> ExactMemory:
        """What a remembering call remembers; made when it is first met, after those inside it."""
        met = self._met.get((id(node), id(wanted)))  # both are kept here, so their ids stay theirs
        if met is not None:
            return met[2]
        make, of_condition = self._remembering[node.function]
        purpose = PLAIN if of_condition else wanted
        key = (node, *purpose.look_up_key)
        if key not in self.memories:
            made = make(self, node, purpose)
            made.look(self)  # meets the functions inside it first, which step before it
            self.memories[key] = made
        self._met[id(node), id(wanted)] = node, wanted, self.memories[key]
        return self.memories[key]

    def constant(self, node: Node, unit: Unit | None = None) -> Fraction:
        """A constant argument."""
        value = self.value(node, PLAIN)
        return value.number if unit is None else value.into(unit)

    def grid(self, node: Call, wanted: Purpose, unit: Unit) -> Fraction:
        """Resolution of a call's result in a unit."""
        option = dict(node.options).get("resolution")
        if option is None:
            return wanted.resolution_in(unit)
        value = self.value(option, PLAIN)
        return value.number * value.unit.factor / unit.factor

    def _choose(self, node: Call, wanted: Purpose) -> Exact:
        test, a, b = (self.value(n, w) for n, w in zip(node.arguments, (PLAIN, wanted, wanted), strict=True))
        chosen = a if test.number else b
        number = chosen.number if a.is_choice or a.unit.kind == TRUTH.kind else chosen.into(a.unit)
        return a._replace(number=number, valid=test.valid and chosen.valid, fixed=test.fixed and chosen.fixed)

    def _extreme(self, node: Call, wanted: Purpose) -> Exact:
        parts = [self.value(n, wanted) for n in node.arguments]
        unit = parts[0].unit
        pick = min if node.function == "min" else max
        number = pick(p.into(unit) for p in parts)
        return Exact(number, unit, all(p.valid for p in parts), fixed=all(p.fixed for p in parts))

    def _clamp(self, node: Call, wanted: Purpose) -> Exact:
        value, low, high = (self.value(n, wanted) for n in node.arguments)
        number = between(value.number, low.into(value.unit), high.into(value.unit))
        return Exact(number, value.unit, value.valid and low.valid and high.valid)

    def _within(self, node: Call, wanted: Purpose) -> Exact:
        value, low, high = (self.value(n, wanted) for n in node.arguments)
        bottom, top = low.into(value.unit), high.into(value.unit)
        valid = value.valid and low.valid and high.valid and bottom <= value.number <= top
        return Exact(min(max(value.number, bottom), top), value.unit, valid)

    def _abs(self, node: Call, wanted: Purpose) -> Exact:
        value = self.value(node.arguments[0], wanted)
        return value._replace(number=abs(value.number), choices=None)

    def _table(self, node: Call, wanted: Purpose) -> Exact:
        value = self.value(node.arguments[0], wanted)
        if len(node.arguments) == 2:
            name = node.arguments[1]
            assert isinstance(name, Name)
            curve = self.bridge.curves[name.dotted]
            x_unit, y_unit = self.unit(curve.x_unit), self.unit(curve.y_unit)
            points = [(x_unit.convert(x, value.unit), y) for x, y in curve.points]
        else:
            results = [self.value(y, PLAIN) for _, y in node.pairs]
            y_unit = results[0].unit
            keys = [self.constant(x, value.unit) for x, _ in node.pairs]
            points = [(x, y.into(y_unit)) for x, y in zip(keys, results, strict=True)]
        grid = self.grid(node, wanted, y_unit)
        return Exact(_on_lines(value.number, points, grid), y_unit, value.valid)

    def _lookup(self, node: Call, wanted: Purpose) -> Exact:
        value = self.value(node.arguments[0], PLAIN)
        found: Exact | None = None
        first: Exact | None = None
        results = []
        for key_node, result_node in node.pairs:
            is_text = isinstance(key_node, Text)
            key = self.value(key_node, Purpose(choices=value.choices) if is_text else PLAIN)
            result = self.value(result_node, wanted)
            first = first or result
            results.append(result)
            if value.is_choice or key.is_choice:
                hit = key.number == value.number
            else:
                hit = key.into(value.unit) == value.number
            if hit:
                found = result
        assert first is not None
        answered = True
        if found is None and node.otherwise is not None:
            found = self.value(node.otherwise, wanted)
        elif found is None:
            found, answered = min(results, key=lambda r: r.number), False
        number = found.number if first.is_choice or first.unit.kind == TRUTH.kind else found.into(first.unit)
        valid = value.valid and answered and found.valid
        return Exact(number, first.unit, valid, first.choices, first.is_choice)

    def _first_valid(self, node: Call, wanted: Purpose) -> Exact:
        parts = [self.value(n, wanted) for n in node.arguments]
        chosen = next((p for p in parts if p.valid), parts[-1])
        first = parts[0]
        number = chosen.number if first.is_choice or first.unit.kind == TRUTH.kind else chosen.into(first.unit)
        return first._replace(number=number, valid=chosen.valid, fixed=False)

    def _valid(self, node: Call, wanted: Purpose) -> Exact:
        (argument,) = node.arguments
        if isinstance(argument, Name) and len(argument.parts) == 2:
            return Exact(Fraction(int(self.world.fresh(*argument.parts))), TRUTH)
        return Exact(Fraction(int(self.value(argument, wanted).valid)), TRUTH)

    def _age(self, node: Call, wanted: Purpose) -> Exact:
        (argument,) = node.arguments
        assert isinstance(argument, Name)
        bus, message, *signal = argument.parts
        age = self.world.age_us(bus, message, signal[0] if signal else None)
        return Exact(Fraction(age, 1000), SPELLINGS["ms"])

    def _awake(self, node: Call, wanted: Purpose) -> Exact:
        (argument,) = node.arguments
        assert isinstance(argument, Name)
        return Exact(Fraction(int(self.world.awake(argument.dotted))), TRUTH)

    def _round_to(self, node: Call, wanted: Purpose) -> Exact:
        value, step = self.value(node.arguments[0], wanted), self.value(node.arguments[1], PLAIN)
        rounded = Exact(on(step.number, value.into(step.unit)), step.unit)
        return value._replace(number=rounded.into(value.unit), choices=None)

    def _number(self, node: Call, wanted: Purpose) -> Exact:
        value = self.value(node.arguments[0], PLAIN)
        return value._replace(choices=None, is_choice=False)

    def _as_percent(self, node: Call, wanted: Purpose) -> Exact:
        a, b = (self.value(n, PLAIN) for n in node.arguments)
        percent = SPELLINGS["%"]
        inner = Purpose(NONE, wanted.resolution_in(percent) / 100)
        share = self._divide(a, b, Exact(ZERO, NONE, fixed=True), inner)
        return Exact(100 * share.number, percent, share.valid)

    def _percent_of(self, node: Call, wanted: Purpose) -> Exact:
        a, b = (self.value(n, wanted) for n in node.arguments)
        return self._multiply(a, b, wanted)


FUNCTIONS: dict[str, Callable[[Evaluator, Call, Purpose], Exact]] = {
    "choose": Evaluator._choose,
    "min": Evaluator._extreme,
    "max": Evaluator._extreme,
    "clamp": Evaluator._clamp,
    "within": Evaluator._within,
    "abs": Evaluator._abs,
    "table": Evaluator._table,
    "lookup": Evaluator._lookup,
    "first_valid": Evaluator._first_valid,
    "valid": Evaluator._valid,
    "age": Evaluator._age,
    "awake": Evaluator._awake,
    "round_to": Evaluator._round_to,
    "number": Evaluator._number,
    "as_percent": Evaluator._as_percent,
    "percent_of": Evaluator._percent_of,
}


def _on_lines(x: Fraction, points: list[tuple[Fraction, Fraction]], grid: Fraction) -> Fraction:
    """Piecewise linear: y values on the grid first, the line between them on the grid as well."""
    ys = [nearest(y / grid) for _, y in points]
    if x <= points[0][0]:
        return ys[0] * grid
    for i in range(len(points) - 1):
        (x0, _), (x1, _) = points[i], points[i + 1]
        if x < x1:
            return (ys[i] + nearest((x - x0) * (ys[i + 1] - ys[i]) / (x1 - x0))) * grid
    return ys[-1] * grid
