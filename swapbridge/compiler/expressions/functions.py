"""Compiler room: the expression language's functions that keep no memory, and the list of all functions."""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise
from math import lcm

from swapbridge.compiler.build import CONSTANT_TOP, BlockBuilder, Linear, approximate_bound, on_grid
from swapbridge.compiler.expressions import remember
from swapbridge.compiler.expressions.calls import arguments, constant_of, grid_of
from swapbridge.compiler.expressions.lower import Cut, Lower, Lowering
from swapbridge.compiler.expressions.usage import USAGES
from swapbridge.compiler.expressions.values import (
    TRUTH,
    Value,
    Wanted,
    both_valid,
    choose,
    divide,
    extreme,
    in_unit,
    inside,
    is_always_valid,
    known_constant,
    multiply,
    need_number,
    need_truth,
    select_linear,
)
from swapbridge.compiler.refusals import LoweringError
from swapbridge.core.errors import InputError
from swapbridge.core.units import NONE, SPELLINGS, Unit, find_unit
from swapbridge.language.defaults import OTHER_RESOLUTION
from swapbridge.language.expressions import Call, Name, Node, Text
from swapbridge.plan.plan import div_round


@dataclass(frozen=True, slots=True)
class Function:
    """A function: how it is written, what it does in a few words, and how it is lowered."""

    usage: str
    words: str
    lower: Lower


def _choose(lowering: Lowering, call: Call, builder: BlockBuilder, wanted: Wanted) -> Value:
    test, a, b = arguments(call, 3, 3)
    register, condition = lowering.truth(test, builder)
    condition = replace(condition, linear=Linear.of(register, Fraction(1), Fraction(0)), unit=TRUTH)
    first, second = lowering.lower(a, builder, wanted), lowering.lower(b, builder, wanted)
    return choose(builder, condition, first, second, wanted)


def _extreme(lowering: Lowering, call: Call, builder: BlockBuilder, wanted: Wanted) -> Value:
    parts = [lowering.lower(a, builder, wanted) for a in arguments(call, 2, 16)]
    out = parts[0]
    for part in parts[1:]:
        out = extreme(builder, call.function, out, part, wanted)
    if call.function == "min":
        _note_cut(lowering, builder, parts[0], None, parts[1:])
    return out


def _note_cut(lowering: Lowering, builder: BlockBuilder, first: Value, low: Value | None, highs: list[Value]) -> None:
    """Keep what constant limits take off a value that moves."""
    ends = [*highs] if low is None else [low, *highs]
    if first.linear.is_constant or any(not e.linear.is_constant or e.unit.kind != first.unit.kind for e in ends):
        return
    reach = first.linear.bounds(builder)
    bottom = reach[0] if low is None else in_unit(low, first.unit).linear.constant_value
    top = min(in_unit(e, first.unit).linear.constant_value for e in highs)
    lowering.cuts.append(Cut(*reach, bottom, top, first.unit))


def _clamp(lowering: Lowering, call: Call, builder: BlockBuilder, wanted: Wanted) -> Value:
    value, low, high = (lowering.lower(a, builder, wanted) for a in arguments(call, 3, 3))
    if low.linear.is_constant and high.linear.is_constant:
        ends = [in_unit(need_number(v), need_number(value).unit).linear.constant_value for v in (low, high)]
        if ends[0] > ends[1]:
            raise LoweringError("the clamp's lower end is above its upper end", "write clamp(value, low, high)")
    _note_cut(lowering, builder, value, low, [high])
    return extreme(builder, "min", extreme(builder, "max", value, low, wanted), high, wanted)


def _within(lowering: Lowering, call: Call, builder: BlockBuilder, wanted: Wanted) -> Value:
    value, low, high = (lowering.lower(a, builder, wanted) for a in arguments(call, 3, 3))
    clamped = extreme(builder, "min", extreme(builder, "max", value, low, wanted), high, wanted)
    register = need_truth(builder, inside(builder, value, low, high, wanted))
    return replace(clamped, valid=both_valid(builder, clamped.valid, register))


def _abs(lowering: Lowering, call: Call, builder: BlockBuilder, wanted: Wanted) -> Value:
    (argument,) = arguments(call, 1, 1)
    value = need_number(lowering.lower(argument, builder, wanted))
    negated = replace(value, linear=value.linear.affine(Fraction(-1), Fraction(0)))
    return extreme(builder, "max", value, negated, wanted)


def _table(lowering: Lowering, call: Call, builder: BlockBuilder, wanted: Wanted) -> Value:
    found = arguments(call, 1, 2, "resolution")
    value = need_number(lowering.lower(found[0], builder, wanted))
    if len(found) == 2:
        points, y_unit = _named_curve(lowering, found[1], value.unit)
    else:
        points, y_unit = _pair_points(lowering, call, builder, value.unit)
    if len(points) < 2 or any(p[0] >= q[0] for p, q in pairwise(points)):
        raise LoweringError("a table needs two points or more, with x rising", "put the points in order of x")
    grid = grid_of(lowering, call, builder, wanted, y_unit)
    ys = [_nearest(y / grid) for _, y in points]
    if value.linear.is_constant:
        linear = Linear.of(
            builder.const(1), Fraction(_interpolate(value.linear.constant_value, points, ys)) * grid, Fraction(0)
        )
        return Value(Linear.constant(linear.scale), y_unit, value.valid, feeds=value.feeds, rounded=True)
    xs = [(x - value.linear.offset) / value.linear.scale for x, _ in points]
    xs = [approximate_bound(x, builder, OTHER_RESOLUTION) for x in xs]
    # a falling signal is turned round, so that every step still rounds from the point with the smaller x
    factor = lcm(*(x.denominator for x in xs)) * (1 if value.linear.num > 0 else -1)
    if any(a * factor >= b * factor for a, b in pairwise(xs)):
        raise LoweringError("two points of the table are closer than the signal's resolution", "leave one of them out")
    number = lowering.memory.table(
        f"table {len(lowering.memory.tables)}", tuple(int(x * factor) for x in xs), tuple(ys)
    )
    register = builder.emit("mul", value.linear.register, builder.const(factor))
    register = builder.emit("table", register, value=number)
    return Value(Linear.of(register, grid, Fraction(0)), y_unit, value.valid, feeds=value.feeds, rounded=True)


def _nearest(value: Fraction) -> int:
    return div_round(value.numerator, value.denominator)


def _interpolate(x: Fraction, points: list[tuple[Fraction, Fraction]], ys: list[int]) -> int:
    """The table's definition, for a constant."""
    if x <= points[0][0]:
        return ys[0]
    for i in range(len(points) - 1):
        x0, x1 = points[i][0], points[i + 1][0]
        if x < x1:
            return ys[i] + _nearest((x - x0) * (ys[i + 1] - ys[i]) / (x1 - x0))
    return ys[-1]


def _named_curve(lowering: Lowering, node: Node, unit: Unit) -> tuple[list[tuple[Fraction, Fraction]], Unit]:
    curves = lowering.bridge.curves
    if not isinstance(node, Name) or node.dotted not in curves:
        raise LoweringError("the table's second argument is not the name of a table", "define it: [tables.NAME]")
    curve = curves[node.dotted]
    try:
        x_unit, y_unit = (find_unit(u, lowering.bridge.units) for u in (curve.x_unit, curve.y_unit))
        return [(x_unit.convert(x, unit), y) for x, y in curve.points], y_unit
    except InputError as error:
        raise LoweringError(f"table {curve.name}: {error}", "write units of one kind as the table's x and y") from None


def _pair_points(
    lowering: Lowering, call: Call, builder: BlockBuilder, unit: Unit
) -> tuple[list[tuple[Fraction, Fraction]], Unit]:
    points, y_unit = [], None
    for key, value in call.pairs:
        y = need_number(lowering.lower(value, builder, Wanted()))
        y_unit = y_unit or y.unit
        points.append((constant_of(lowering, key, builder, unit), constant_of(lowering, value, builder, y_unit)))
    return points, y_unit or NONE


def _lookup(lowering: Lowering, call: Call, builder: BlockBuilder, wanted: Wanted) -> Value:
    (argument,) = arguments(call, 1, 1)
    value = lowering.lower(argument, builder, Wanted())
    choices = value.choices
    if not value.is_choice:
        value = need_number(value)
    if value.linear.is_constant or not call.pairs:
        raise LoweringError("lookup needs a signal and `key: value` pairs", f"write {USAGES['lookup'][0]}")
    keys: dict[int, Value] = {}
    for key_node, result_node in call.pairs:
        key = lowering.lower(key_node, builder, Wanted(choices=choices if isinstance(key_node, Text) else None))
        if not key.linear.is_constant or not is_always_valid(builder, key):
            raise LoweringError("a lookup's keys are constants", "write a 'Name' or a number")
        point = (key.linear.constant_value - value.linear.offset) / value.linear.scale
        if not key.is_choice and not value.is_choice:
            point = (in_unit(key, value.unit).linear.constant_value - value.linear.offset) / value.linear.scale
        result = lowering.lower(result_node, builder, wanted)
        if point.denominator != 1 or int(point) in keys:
            raise LoweringError(
                "a key is not a raw value of the signal, or appears twice", "use each raw value of the signal once"
            )
        if not result.linear.is_constant:
            raise LoweringError("a lookup's values are constants", "use choose(signal == 'Name', ..., ...) for others")
        keys[int(point)] = result
    return _lookup_value(lowering, call, builder, wanted, value, keys)


def _lookup_value(
    lowering: Lowering, call: Call, builder: BlockBuilder, wanted: Wanted, value: Value, keys: dict[int, Value]
) -> Value:
    results = list(keys.values())
    otherwise = None if call.otherwise is None else lowering.lower(call.otherwise, builder, wanted)
    if otherwise is not None:
        if not otherwise.linear.is_constant:
            raise LoweringError("a lookup's else is a constant", "write a 'Name' or a number")
        results.append(otherwise)
    first = results[0]
    if any(r.is_choice != first.is_choice or r.is_truth != first.is_truth for r in results):
        raise LoweringError(
            "the lookup's values are of different kinds", "give all names, all numbers or all conditions"
        )
    if not first.is_choice and not first.is_truth:
        results = [in_unit(r, first.unit) for r in results]
    den = lcm(*(r.linear.constant_value.denominator for r in results))
    largest = max(abs(int(r.linear.constant_value * den)) for r in results)
    if max(den, largest) > CONSTANT_TOP:
        den = 1  # answers in a second unit: near enough on a power of two, as any constant of more than 31 bits
        while Fraction(1, 2 * den) > wanted.tolerance_in(first.unit):
            den *= 2
        builder.notes.append("an answer of a lookup needs more than 31 bits: a nearby one instead, within 1/1000 step")
    numbers = [round(r.linear.constant_value * den) for r in results]
    pairs = dict(zip(keys, numbers, strict=False))
    validity = [_valid_answer(builder, r) for r in results]
    memory, register = lowering.memory, value.linear.register
    default = numbers[-1] if otherwise is not None else min(numbers)
    out = builder.emit("lookup", register, value=memory.lookup(f"lookup {len(memory.lookups)}", pairs, default))
    valid = value.valid
    low, high = builder.interval(register)
    meets_default = len([k for k in pairs if low <= k <= high]) <= high - low
    answers = dict(zip(keys, validity, strict=False))
    without = validity[-1] if otherwise is not None else 0
    if not all(answers.values()) or (meets_default and not without):
        known = memory.lookup(f"lookup {len(memory.lookups)}", answers, without)
        valid = both_valid(builder, valid, builder.emit("lookup", register, value=known))
    held = builder.constant_value(out)
    linear = Linear.constant(Fraction(held, den)) if held is not None else Linear.of(out, Fraction(1, den), Fraction(0))
    return Value(linear, first.unit, valid, first.choices, first.is_choice, value.feeds, value.rounded)


def _valid_answer(builder: BlockBuilder, value: Value) -> int:
    """1 for an answer of a lookup that is valid, 0 for one that is not ('invalid', or `within` its constants)."""
    held = 1 if value.valid is None else builder.constant_value(value.valid)
    if held is None:
        raise LoweringError(
            "an answer of the lookup is not always valid", "put the check outside: within(lookup(...), ...)"
        )
    return held


def _first_valid(lowering: Lowering, call: Call, builder: BlockBuilder, wanted: Wanted) -> Value:
    parts = [lowering.lower(a, builder, wanted) for a in arguments(call, 2, 8)]
    out = parts[-1]
    for part in reversed(parts[:-1]):
        out = _prefer(builder, part, out, wanted)
    return out


def _prefer(builder: BlockBuilder, a: Value, b: Value, wanted: Wanted) -> Value:
    if a.is_choice != b.is_choice or a.is_truth != b.is_truth:
        raise LoweringError("the sources are of different kinds", "give numbers, choices or conditions only")
    if a.is_choice and b.is_choice and a.choices != b.choices:
        raise LoweringError("the sources have different choices", "map them to common choices with lookup(...) first")
    if a.valid is None:
        return a
    if not a.is_choice and not a.is_truth:
        b = in_unit(b, a.unit)
    linear = select_linear(builder, a.valid, a.linear, b.linear, wanted.tolerance_in(a.unit))
    valid = None if b.valid is None else builder.emit("or", a.valid, b.valid)
    return Value(linear, a.unit, valid, a.choices, a.is_choice, a.feeds | b.feeds, a.rounded or b.rounded)


def _valid(lowering: Lowering, call: Call, builder: BlockBuilder, wanted: Wanted) -> Value:
    (argument,) = arguments(call, 1, 1)
    feed = _message_feed(lowering, argument)
    if feed is not None:
        return Value(Linear(builder.emit("fresh", value=feed), 1, 0, 1), TRUTH, feeds=frozenset({feed}))
    value = lowering.lower(argument, builder, wanted)
    register = builder.const(1) if value.valid is None else value.valid
    return Value(Linear.of(register, Fraction(1), Fraction(0)), TRUTH, feeds=value.feeds)


def _message_feed(lowering: Lowering, node: Node) -> int | None:
    """Feed of an argument that names a message."""
    if isinstance(node, Name) and len(node.parts) == 2:
        bus, name = node.parts
        return lowering.sources.feed(bus, lowering.sources.find_message(bus, name))
    return None


def _age(lowering: Lowering, call: Call, builder: BlockBuilder, wanted: Wanted) -> Value:
    (argument,) = arguments(call, 1, 1)
    feed = _message_feed(lowering, argument)
    if feed is None and isinstance(argument, Name) and len(argument.parts) == 3:
        feed = lowering.sources.signal(*argument.parts).feed
    if feed is None:
        raise LoweringError("age takes a source", "write age(bus.MESSAGE) or age(bus.MESSAGE.SIGNAL)")
    register = builder.emit("age", value=feed)
    return Value(Linear(register, 1, 0, 1000), SPELLINGS["ms"], feeds=frozenset({feed}))


def _awake(lowering: Lowering, call: Call, builder: BlockBuilder, wanted: Wanted) -> Value:
    (argument,) = arguments(call, 1, 1)
    names = [b.name for b in lowering.bridge.buses]
    if not isinstance(argument, Name) or argument.dotted not in names:
        raise LoweringError("awake takes the name of a bus", f"write one of {', '.join(names)}")
    register = builder.emit("awake", value=names.index(argument.dotted))
    return Value(Linear(register, 1, 0, 1), TRUTH)


def _round_to(lowering: Lowering, call: Call, builder: BlockBuilder, wanted: Wanted) -> Value:
    argument, step_node = arguments(call, 2, 2)
    value = need_number(lowering.lower(argument, builder, wanted))
    step = need_number(lowering.lower(step_node, builder, Wanted()))
    if step.unit.kind != value.unit.kind or known_constant(builder, step) <= 0:
        raise LoweringError(
            "the step is not a constant above 0 of the value's kind", f"write round_to(x, 1 {value.unit.name})"
        )
    # multiples are counted in the step's unit: of 10 degF from 0 degF, whatever the value's own zero is
    there, grid = in_unit(value, step.unit), step.linear.constant_value
    linear = Linear.of(on_grid(builder, there.linear, grid), grid, Fraction(0))
    return in_unit(replace(there, linear=_constant_folded(builder, linear), rounded=True), value.unit)


def _constant_folded(builder: BlockBuilder, linear: Linear) -> Linear:
    held = builder.constant_value(linear.register)
    return linear if held is None else Linear.constant(held * linear.scale + linear.offset)


def _as_percent(lowering: Lowering, call: Call, builder: BlockBuilder, wanted: Wanted) -> Value:
    a, b = (lowering.lower(part, builder, Wanted()) for part in arguments(call, 2, 2))
    quotient = divide(
        builder,
        a,
        b,
        Value(Linear.constant(Fraction(0)), NONE),
        Wanted(NONE, wanted.resolution_in(SPELLINGS["%"]) / 100),
    )
    return multiply(builder, quotient, Value(Linear.constant(Fraction(100)), SPELLINGS["%"]), wanted)


def _percent_of(lowering: Lowering, call: Call, builder: BlockBuilder, wanted: Wanted) -> Value:
    a, b = (lowering.lower(part, builder, wanted) for part in arguments(call, 2, 2))
    if a.unit.kind != "ratio":
        raise LoweringError("percent_of takes a percentage first", "write percent_of(percentage, reference)")
    return multiply(builder, a, b, wanted)


def _number(lowering: Lowering, call: Call, builder: BlockBuilder, wanted: Wanted) -> Value:
    (argument,) = arguments(call, 1, 1)
    value = lowering.lower(argument, builder, Wanted())
    if not value.is_choice or value.linear.is_constant:
        raise LoweringError("number takes a signal that is a list of choices", "leave number(...) out")
    return replace(value, unit=NONE, choices=None, is_choice=False)


_LOWERINGS: dict[str, Lower] = {
    "choose": _choose,
    "min": _extreme,
    "max": _extreme,
    "clamp": _clamp,
    "within": _within,
    "abs": _abs,
    "table": _table,
    "lookup": _lookup,
    "number": _number,
    "first_valid": _first_valid,
    "valid": _valid,
    "age": _age,
    "awake": _awake,
    "round_to": _round_to,
    "percent_of": _percent_of,
    "as_percent": _as_percent,
    **remember.LOWERINGS,
}

FUNCTIONS: dict[str, Function] = {name: Function(*words, _LOWERINGS[name]) for name, words in USAGES.items()}
"""Every function of the language by name."""
