"""Compiler room: the functions that remember: filters, limits, timers, totals; all step at the bridge's fixed period.

Each keeps its memory in slots that a task updates once a step; a message being sent only reads them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from math import ceil, gcd, lcm

from swapbridge.compiler.build import CONSTANT_TOP, BlockBuilder, Linear, numerator, on_grid
from swapbridge.compiler.expressions.calls import arguments, constant_of, grid_of
from swapbridge.compiler.expressions.lower import Lower, Lowering, RememberedCall
from swapbridge.compiler.expressions.values import (
    TRUTH,
    Value,
    Wanted,
    compare_values,
    in_unit,
    known_constant,
    need_number,
)
from swapbridge.compiler.refusals import LoweringError
from swapbridge.core.units import NONE, SPELLINGS, Unit
from swapbridge.language.expressions import Call, Node
from swapbridge.language.memories import memory_name
from swapbridge.plan.plan import MAX_LINE

SECOND = SPELLINGS["s"]
TOTALS = {
    "volume flow": ("L", Fraction(1, 3600)),
    "speed": ("km", Fraction(1, 3600)),
    "mass flow": ("g", Fraction(1)),
}
"""What a rate adds up to: unit, and how much one base unit of the rate adds in a second."""
MOST_TICKS = 1_000_000_000
LONGEST_DELAY_S = 2
FINEST_RATE = 1 << 20


def _kept(
    lowering: Lowering, call: Call, wanted: Wanted, write: Callable[[BlockBuilder, str], tuple[tuple[int, ...], Value]]
) -> tuple[tuple[int, ...], Value]:
    """Slots of a call, updated once a step however often the same call is written; `write(task, name)` writes it."""
    choices = tuple(sorted((wanted.choices or {}).items()))
    name = memory_name(call, wanted.unit, wanted.resolution, wanted.step, choices)
    if name not in lowering.kept:
        cuts, nearby = len(lowering.cuts), len(lowering.nearby)
        with lowering.tasks.writing() as task:
            notes_before = len(task.notes)
            slots, value = write(task, name)
            lowering.nearby += task.notes[notes_before:]
        lowering.kept[name] = RememberedCall(
            slots, value, tuple(lowering.cuts[cuts:]), tuple(dict.fromkeys(lowering.nearby[nearby:]))
        )
    else:
        lowering.cuts += lowering.kept[name].cuts
        lowering.nearby += lowering.kept[name].nearby
    return lowering.kept[name].slots, lowering.kept[name].value


def _step(lowering: Lowering) -> Fraction:
    """The fixed period in seconds."""
    return Fraction(lowering.bridge.step_us, 1_000_000)


def _seconds(lowering: Lowering, node: Node, builder: BlockBuilder) -> Fraction:

    time = constant_of(lowering, node, builder, SECOND)
    if not 0 < time <= 86_400:
        raise LoweringError("the time is not between 0 and a day", "write it with its unit, like 0.2 s")
    return time


def _ticks(lowering: Lowering, node: Node, builder: BlockBuilder) -> int:
    return max(1, ceil(_seconds(lowering, node, builder) / _step(lowering)))


def _one(builder: BlockBuilder, valid: int | None) -> int:
    return builder.const(1) if valid is None else valid


def _follow(
    lowering: Lowering, call: Call, wanted: Wanted, argument: Node, grid_for: Callable[[Unit], Fraction],
    move: Callable[[BlockBuilder, int, Fraction], int],
) -> tuple[tuple[int, ...], Value, Fraction]:  # fmt: skip
    """A number that follows its input: starts at it, then `move(task, difference, grid)` a step, within its range."""
    grids: list[Fraction] = []

    def write(task: BlockBuilder, name: str) -> tuple[tuple[int, ...], Value]:
        value = need_number(lowering.lower(argument, task, wanted))
        grid = grid_for(value.unit)
        target = on_grid(task, value.linear, grid, wanted.tolerance_in(value.unit))
        low, high = task.interval(target)
        memory = lowering.memory
        slot = memory.slot(name, min(max(0, low), high), low, high)
        begun = memory.slot(f"{name} has begun", 0, 0, 1)
        now, going = task.load(slot), task.load(begun)
        difference = task.emit("sub", target, now)
        moved = task.emit("add", now, move(task, difference, grid))
        moved = task.emit("min", task.emit("max", moved, task.const(low)), task.const(high))
        following = task.emit("select", going, moved, target)
        valid = _one(task, value.valid)
        task.store(slot, task.emit("select", valid, following, now))
        task.store(begun, valid)
        grids.append(grid)
        return (slot, begun), Value(Linear.constant(grid), value.unit, feeds=value.feeds, rounded=True)

    slots, value = _kept(lowering, call, wanted, write)
    return slots, value, value.linear.constant_value


def _output(builder: BlockBuilder, slots: tuple[int, ...], value: Value, grid: Fraction) -> Value:
    register = builder.load(slots[0])
    held = builder.interval(register)
    linear = Linear.constant(held[0] * grid) if held[0] == held[1] else Linear.of(register, grid, Fraction(0))
    return Value(linear, value.unit, builder.load(slots[1]), feeds=value.feeds, rounded=True)


def _lowpass(lowering: Lowering, call: Call, builder: BlockBuilder, wanted: Wanted) -> Value:

    argument, tau_node = arguments(call, 2, 2, "resolution")
    tau, step = _seconds(lowering, tau_node, builder), _step(lowering)
    share = step / (tau + step)
    extra = 1 << max(0, (ceil(1 / share) - 1).bit_length())  # bits below the resolution, or the filter would stick

    def move(task: BlockBuilder, difference: int, grid: Fraction) -> int:
        scaled = task.emit("mul", difference, task.const(share.numerator))
        return task.emit("div", scaled, task.const(share.denominator))

    slots, value, grid = _follow(
        lowering, call, wanted, argument, lambda unit: grid_of(lowering, call, builder, wanted, unit) / extra, move
    )
    return _output(builder, slots, value, grid)


def _rate_limit(lowering: Lowering, call: Call, builder: BlockBuilder, wanted: Wanted) -> Value:

    found = arguments(call, 2, 3, "resolution")
    step = _step(lowering)

    def rates(unit: Unit) -> tuple[Fraction, Fraction]:
        # a rate is a difference: the unit's factor counts, its offset does not
        difference = Unit(unit.name, unit.kind, unit.factor)
        out = []
        for node in found[1:]:
            value = need_number(lowering.lower(node, builder, Wanted()))
            plain = Unit(value.unit.name, value.unit.kind, value.unit.factor)
            known_constant(builder, value)
            out.append(in_unit(Value(value.linear, plain), difference).linear)
        if any(linear.constant_value <= 0 for linear in out):
            raise LoweringError(
                "a rate is not a constant above 0", "write the change per second: rate_limit(x, 100 rpm)"
            )
        constant_of(lowering, found[1], builder, None)
        return out[0].constant_value * step, out[-1].constant_value * step

    steps: dict[Fraction, tuple[int, int]] = {}

    def with_steps(unit: Unit) -> Fraction:
        up, down = rates(unit)
        grid = _common_grid(up, down, grid_of(lowering, call, builder, wanted, unit))
        steps[grid] = round(up / grid), round(down / grid)
        if any(rate != grid * number for rate, number in zip((up, down), steps[grid], strict=True)):
            lowering.nearby.append("a rate needs more than 31 bits: a nearby one instead, within a millionth")
        return grid

    def move(task: BlockBuilder, difference: int, grid: Fraction) -> int:
        up, down = steps[grid]
        return task.emit("max", task.emit("min", difference, task.const(up)), task.const(-down))

    slots, value, grid = _follow(lowering, call, wanted, found[0], with_steps, move)
    return _output(builder, slots, value, grid)


def _common_grid(up: Fraction, down: Fraction, resolution: Fraction) -> Fraction:
    """The largest grid that holds both rates and is no coarser than the resolution.

    Rates in two units (psi and kPa) may have only an endlessly fine one; then each is taken to a millionth.
    """
    common = Fraction(
        gcd(up.numerator * down.denominator, down.numerator * up.denominator), up.denominator * down.denominator
    )
    grid = common / ceil(common / resolution)
    return grid if min(up, down) / grid <= CONSTANT_TOP else min(up, down) / FINEST_RATE


def _condition(
    lowering: Lowering, call: Call, node: Node,
    slots_of: Callable[[BlockBuilder, int, int, str], tuple[int, ...]],
) -> tuple[tuple[int, ...], Value]:  # fmt: skip
    """Memory of a condition: `slots_of(task, condition, valid, name)` writes the update and gives its slots."""

    def write(task: BlockBuilder, name: str) -> tuple[tuple[int, ...], Value]:
        register, value = lowering.truth(node, task)
        slots = slots_of(task, register, _one(task, value.valid), name)
        return slots, Value(Linear.constant(Fraction(0)), TRUTH, feeds=value.feeds)

    return _kept(lowering, call, Wanted(), write)


def _truth_of(builder: BlockBuilder, slot: int, feeds: frozenset[int], valid: int | None = None) -> Value:
    return Value(
        Linear(builder.load(slot), 1, 0, 1), TRUTH, None if valid is None else builder.load(valid), feeds=feeds
    )


def _hysteresis(lowering: Lowering, call: Call, builder: BlockBuilder, wanted: Wanted) -> Value:
    argument, on_node, off_node = arguments(call, 3, 3)

    def write(task: BlockBuilder, name: str) -> tuple[tuple[int, ...], Value]:
        value = need_number(lowering.lower(argument, task, Wanted()))
        on, off = (in_unit(need_number(lowering.lower(n, task, Wanted())), value.unit) for n in (on_node, off_node))
        if known_constant(task, on) == known_constant(task, off):
            raise LoweringError("the two thresholds are not different constants", "write hysteresis(x, on, off)")
        rising = on.linear.constant_value > off.linear.constant_value
        go = compare_values(task, ">=" if rising else "<=", value, on).linear
        stop = compare_values(task, "<=" if rising else ">=", value, off).linear
        slot, known = lowering.memory.slot(name, 0, 0, 1), lowering.memory.slot(f"{name} is known", 0, 0, 1)
        valid = _one(task, value.valid)
        now = task.load(slot)
        inner = task.emit("select", numerator(task, stop, 1), task.const(0), now)
        inner = task.emit("select", numerator(task, go, 1), task.const(1), inner)
        task.store(slot, task.emit("select", valid, inner, now))
        task.store(known, valid)
        return (slot, known), Value(Linear.constant(Fraction(0)), TRUTH, feeds=value.feeds)

    slots, value = _kept(lowering, call, Wanted(), write)
    return _truth_of(builder, slots[0], value.feeds, slots[1])


def _debounce(lowering: Lowering, call: Call, builder: BlockBuilder, wanted: Wanted) -> Value:

    found = arguments(call, 2, 3)
    on = _ticks(lowering, found[1], builder)
    off = _ticks(lowering, found[-1], builder)

    def slots_of(task: BlockBuilder, condition: int, valid: int, name: str) -> tuple[int, ...]:
        memory = lowering.memory
        slot, count = memory.slot(name, 0, 0, 1), memory.slot(f"{name} count", 0, 0, max(on, off))
        known = memory.slot(f"{name} is known", 0, 0, 1)
        now = task.load(slot)
        differs = task.emit("and", task.emit("ne", condition, now), valid)
        counted = task.emit("add", task.load(count), task.const(1))
        counted = task.emit("select", differs, counted, task.const(0))
        needed = task.emit("select", now, task.const(off), task.const(on))
        flips = task.emit("le", needed, counted)
        task.store(slot, task.emit("select", flips, task.emit("not", now), now))
        kept = task.emit("min", task.emit("select", flips, task.const(0), counted), task.const(max(on, off)))
        task.store(count, kept)
        task.store(known, valid)
        return slot, known

    slots, value = _condition(lowering, call, found[0], slots_of)
    return _truth_of(builder, slots[0], value.feeds, slots[1])


def _hold(lowering: Lowering, call: Call, builder: BlockBuilder, wanted: Wanted) -> Value:

    argument, time = arguments(call, 2, 2)
    ticks = _ticks(lowering, time, builder)

    def slots_of(task: BlockBuilder, condition: int, valid: int, name: str) -> tuple[int, ...]:
        left = lowering.memory.slot(f"{name} ticks left", 0, 0, ticks)
        fewer = task.emit("max", task.emit("sub", task.load(left), task.const(1)), task.const(0))
        task.store(left, task.emit("select", task.emit("and", condition, valid), task.const(ticks), fewer))
        return (left,)

    slots, value = _condition(lowering, call, argument, slots_of)
    register = builder.emit("lt", builder.const(0), builder.load(slots[0]))
    return Value(Linear(register, 1, 0, 1), TRUTH, feeds=value.feeds)


def _time_since(lowering: Lowering, call: Call, builder: BlockBuilder, wanted: Wanted) -> Value:

    (argument,) = arguments(call, 1, 1, "most")
    most = dict(call.options).get("most")
    ticks = MOST_TICKS if most is None else _ticks(lowering, most, builder)
    if most is None:
        ticks = min(ticks, ceil(3600 / _step(lowering)))

    def slots_of(task: BlockBuilder, condition: int, valid: int, name: str) -> tuple[int, ...]:
        count = lowering.memory.slot(f"{name} ticks", ticks, 0, ticks)
        more = task.emit("min", task.emit("add", task.load(count), task.const(1)), task.const(ticks))
        task.store(count, task.emit("select", task.emit("and", condition, valid), task.const(0), more))
        return (count,)

    slots, value = _condition(lowering, call, argument, slots_of)
    return Value(Linear.of(builder.load(slots[0]), _step(lowering), Fraction(0)), SECOND, feeds=value.feeds)


def _edge(lowering: Lowering, call: Call, builder: BlockBuilder, wanted: Wanted) -> Value:

    (argument,) = arguments(call, 1, 1)

    def slots_of(task: BlockBuilder, condition: int, valid: int, name: str) -> tuple[int, ...]:
        memory = lowering.memory
        before, begun = memory.slot(f"{name} before", 0, 0, 1), memory.slot(f"{name} has begun", 0, 0, 1)
        out = memory.slot(name, 0, 0, 1)
        was = task.load(before)
        if call.function == "falling":
            happens = task.emit("and", task.emit("not", condition), was)
        else:
            happens = task.emit("and", condition, task.emit("not", was))
        happens = task.emit("and", task.emit("and", happens, valid), task.load(begun))
        if call.function == "toggle":
            now = task.load(out)
            task.store(out, task.emit("ne", now, happens))
        else:
            task.store(out, happens)
        task.store(before, task.emit("select", valid, condition, was))
        task.store(begun, task.emit("or", task.load(begun), valid))
        return (out,)

    slots, value = _condition(lowering, call, argument, slots_of)
    return _truth_of(builder, slots[0], value.feeds)


def _delay(lowering: Lowering, call: Call, builder: BlockBuilder, wanted: Wanted) -> Value:
    """What the argument was, kept exactly: 0 stands for 'not valid', everything else is moved up from 1."""

    argument, time = arguments(call, 2, 2)
    seconds = _seconds(lowering, time, builder)
    if seconds > LONGEST_DELAY_S:
        raise LoweringError(
            f"a delay of more than {LONGEST_DELAY_S} s is too long", f"write delay(x, {LONGEST_DELAY_S} s) at most"
        )
    ticks = _ticks(lowering, time, builder)
    if ticks > MAX_LINE:
        raise LoweringError(f"a delay of {ticks} steps is too long", "write a longer step_ms under [bridge]")

    def write(task: BlockBuilder, name: str) -> tuple[tuple[int, ...], Value]:
        value = lowering.lower(argument, task, wanted)
        if value.linear.is_constant:
            raise LoweringError("a constant has no other value in the past", "leave delay(...) out")
        register = value.linear.register
        low, high = task.interval(register)
        moved = task.emit("add", register, task.const(1 - low))
        if value.valid is not None:
            moved = task.emit("select", value.valid, moved, task.const(0))
        line = lowering.memory.line(name, ticks, high - low + 1)
        slot = lowering.memory.slot(name, 0, 0, high - low + 1)
        task.store(slot, task.emit("delay", moved, value=line))
        return (slot, low), value

    (slot, low), value = _kept(lowering, call, wanted, write)
    held = builder.load(slot)
    known = builder.emit("lt", builder.const(0), held)
    register = builder.emit("add", builder.emit("max", held, builder.const(1)), builder.const(low - 1))
    fixed = builder.constant_value(register)
    scale, offset = value.linear.scale, value.linear.offset
    linear = Linear.of(register, scale, offset) if fixed is None else Linear.constant(fixed * scale + offset)
    return replace(value, linear=linear, valid=known)


def _accumulate(lowering: Lowering, call: Call, builder: BlockBuilder, wanted: Wanted) -> Value:

    (argument,) = arguments(call, 1, 1, "wrap", "most", "resolution")
    options = dict(call.options)
    if ("wrap" in options) == ("most" in options):
        raise LoweringError(
            "a total grows without limit", "state either where it restarts (wrap=...) or where it stops (most=...)"
        )
    kinds: list[tuple[Unit, Fraction]] = []

    def write(task: BlockBuilder, name: str) -> tuple[tuple[int, ...], Value]:
        value = need_number(lowering.lower(argument, task, wanted))
        unit, per_second = _total_unit(value.unit)
        rate = value.linear.affine(value.unit.factor * per_second * _step(lowering) / unit.factor, Fraction(0))
        top = _total_top(lowering, options, builder, unit)
        den = lcm(rate.den, top.denominator)  # one count of the total is 1/den of its unit, so nothing is rounded
        wraps = int(top * den)
        slot = lowering.memory.slot(name, 0, 0, wraps - 1 if "wrap" in options else wraps)
        amount = numerator(task, rate, den)
        amount = task.emit("select", _one(task, value.valid), amount, task.const(0))
        total = task.emit("add", task.load(slot), amount)
        if "wrap" in options:
            task.store(slot, task.emit("mod", total, task.const(wraps)))
        else:
            task.store(slot, task.emit("max", task.emit("min", total, task.const(wraps)), task.const(0)))
        kinds.append((unit, Fraction(1, den)))
        return (slot,), Value(Linear.constant(Fraction(1, den)), unit, feeds=value.feeds)

    slots, value = _kept(lowering, call, wanted, write)
    return _whole_steps(lowering, call, builder, wanted, slots[0], value)


def _total_unit(unit: Unit) -> tuple[Unit, Fraction]:
    if unit.kind == "a plain number":
        return NONE, Fraction(1)
    if unit.kind not in TOTALS:
        raise LoweringError(f"{unit.kind} has no known integral", "use a flow, a speed or a plain number per second")
    name, per_second = TOTALS[unit.kind]
    return SPELLINGS[name], per_second


def _total_top(lowering: Lowering, options: dict[str, Node], builder: BlockBuilder, unit: Unit) -> Fraction:

    top = constant_of(lowering, options.get("wrap", options.get("most", Call("", ()))), builder, unit)
    if top <= 0:
        raise LoweringError("the total's end is not above 0", "write it with its unit, like wrap=65.536 L")
    return top


def _whole_steps(
    lowering: Lowering, call: Call, builder: BlockBuilder, wanted: Wanted, slot: int, value: Value
) -> Value:
    """The total in whole steps reached, so that it never shows its upper end too early."""
    option = dict(call.options).get("resolution")
    if option is not None:
        step: Fraction | None = grid_of(lowering, call, builder, wanted, value.unit)
    elif wanted.unit is not None and wanted.unit.kind == value.unit.kind and wanted.step is not None:
        step = wanted.step * wanted.unit.factor / value.unit.factor
    else:
        step = None
    count = value.linear.constant_value
    register = builder.load(slot)
    if step is None:
        return Value(Linear.of(register, count, Fraction(0)), value.unit, feeds=value.feeds)
    ratio = step / count  # counts in a step
    scaled = builder.emit("mul", register, builder.const(ratio.denominator))
    rest = builder.emit("mod", scaled, builder.const(ratio.numerator))
    whole = builder.emit("div", builder.emit("sub", scaled, rest), builder.const(ratio.numerator))
    whole = builder.emit("max", whole, builder.const(0))
    low, high = builder.interval(register)
    whole = builder.emit("min", whole, builder.const(high * ratio.denominator // ratio.numerator))
    if low == high:
        return Value(Linear.constant(Fraction(0)), value.unit, feeds=value.feeds)
    return Value(Linear.of(whole, step, Fraction(0)), value.unit, feeds=value.feeds, rounded=True)


LOWERINGS: dict[str, Lower] = {
    "lowpass": _lowpass,
    "rate_limit": _rate_limit,
    "hysteresis": _hysteresis,
    "debounce": _debounce,
    "hold": _hold,
    "time_since": _time_since,
    "rising": _edge,
    "falling": _edge,
    "toggle": _edge,
    "delay": _delay,
    "accumulate": _accumulate,
}
"""The functions that remember, by name."""
