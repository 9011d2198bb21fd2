"""Compiler room: typed values while an expression is lowered: exact number, unit, validity; and their arithmetic."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from math import ceil, floor, gcd, lcm

from swapbridge.compiler.build import (
    CONSTANT_TOP,
    WIDEST_PRODUCT_BITS,
    BlockBuilder,
    Linear,
    approximate,
    numerator,
    on_grid,
)
from swapbridge.compiler.refusals import LoweringError
from swapbridge.core.units import NONE, Unit
from swapbridge.language.defaults import OTHER_RESOLUTION

TRUTH = Unit("yes or no", "yes or no")


@dataclass(frozen=True, slots=True)
class Value:
    """A number in `unit`, a truth value (unit `TRUTH`, 0 or 1) or a choice (a raw value with `choices`).

    `valid` is a register that is 1 while the value may be used, or None when it always may. `feeds` are the sources
    it depends on. `rounded` says that a resolution was applied on the way.
    """

    linear: Linear
    unit: Unit = NONE
    valid: int | None = None
    choices: Mapping[int, str] | None = None
    is_choice: bool = False
    feeds: frozenset[int] = frozenset()
    rounded: bool = False

    @property
    def is_truth(self) -> bool:
        return self.unit.kind == TRUTH.kind


@dataclass(frozen=True, slots=True)
class Wanted:
    """What an expression is wanted for: the target's unit, its resolution there, its step, its choices."""

    unit: Unit | None = None
    resolution: Fraction = OTHER_RESOLUTION
    step: Fraction | None = None
    choices: Mapping[int, str] | None = None

    def resolution_in(self, unit: Unit) -> Fraction:
        """Resolution for a value in that unit."""
        if self.unit is not None and self.unit.kind == unit.kind:
            return self.resolution * self.unit.factor / unit.factor
        return OTHER_RESOLUTION

    def tolerance_in(self, unit: Unit) -> Fraction:
        """How far a constant of more than 31 bits may be moved, in that unit: below 1/1000 of the target's step."""
        if self.unit is not None and self.step is not None and self.unit.kind == unit.kind:
            return self.step / 4000 * self.unit.factor / unit.factor
        return OTHER_RESOLUTION / 2


def both_valid(builder: BlockBuilder, *registers: int | None) -> int | None:
    """Register that is 1 when all are, or None when all always are."""
    held = [r for r in registers if r is not None]
    if not held:
        return None
    out = held[0]
    for register in held[1:]:
        out = builder.emit("and", out, register)
    return out


def joined(builder: BlockBuilder, *values: Value) -> tuple[int | None, frozenset[int], bool]:
    """Validity, feeds and rounding of something computed from all of these.

    Parameters
    ----------
    builder : BlockBuilder
        The block to write operations into.
    values : Value
        The operands.

    Returns
    -------
    tuple of (int or None, frozenset of int, bool)
        Register of the validity (None: always valid), numbers of the feeds, whether any operand is rounded.
    """
    feeds = frozenset().union(*(v.feeds for v in values))
    return both_valid(builder, *(v.valid for v in values)), feeds, any(v.rounded for v in values)


def need_number(value: Value) -> Value:
    """The value, if it can be computed with.

    Raises
    ------
    LoweringError
        A choice or a truth value.
    """
    if value.is_choice:
        raise LoweringError(
            "a choice can't be used in arithmetic", "turn it into a number with lookup(signal, 'Name': number, ...)"
        )
    if value.is_truth:
        raise LoweringError(
            "a condition can't be used in arithmetic", "turn it into a number with choose(condition, 1, 0)"
        )
    return value


def need_truth(builder: BlockBuilder, value: Value) -> int:
    """Register that is 0 or 1.

    Raises
    ------
    LoweringError
        The value is a number of more than one bit, or a choice.
    """
    if value.is_choice:
        raise LoweringError("a choice is neither true nor false", "compare it: signal == 'Name'")
    if value.linear.is_constant:
        if value.linear.constant_value in (0, 1):
            return builder.const(int(value.linear.constant_value))
    elif value.linear.scale == 1 and value.linear.offset == 0:
        low, high = builder.interval(value.linear.register)
        if low >= 0 and high <= 1:
            return value.linear.register
    raise LoweringError("a condition is expected here, not a number", "compare it: signal > 0")


def in_unit(value: Value, unit: Unit) -> Value:
    """The same quantity in another unit of its kind.

    Raises
    ------
    LoweringError
        The kinds differ.
    """
    if value.unit == unit:
        return value
    if value.unit.kind != unit.kind:
        raise LoweringError(_kinds(value.unit, unit), _kind_remedy(value.unit, unit))
    scale, offset = value.unit.conversion(unit)
    return replace(value, linear=value.linear.affine(scale, offset), unit=unit)


def _kinds(a: Unit, b: Unit) -> str:
    def words(unit: Unit) -> str:
        return f"{unit.kind} ({unit.name})" if unit.name and unit.name != unit.kind else unit.kind

    return f"{words(a)} can't be used as {words(b)}"


def _kind_remedy(a: Unit, b: Unit) -> str:
    if {a.kind, b.kind} == {"ratio", "torque"}:
        return 'state what 100 % is: reference = "450 Nm" or a signal'
    if a.kind == "a plain number":
        return f"give it a unit: * 1 {b.name}" if b.name else "compare it first"
    if b.kind == "a plain number":
        return f"divide by its unit to get a plain number: / 1 {a.name}"
    return "check which signal was meant, or correct the unit in [sources]"


def is_always_valid(builder: BlockBuilder, value: Value) -> bool:
    """Whether a value can never be invalid."""
    return value.valid is None or builder.constant_value(value.valid) == 1


def known_constant(builder: BlockBuilder, value: Value) -> Fraction:
    """The number of a constant. The one way to take a constant's number: what is 'invalid' has none.

    Parameters
    ----------
    builder : BlockBuilder
        The block that defines the value's registers.
    value : Value
        The value.

    Returns
    -------
    Fraction
        The number, in the value's own unit.

    Raises
    ------
    LoweringError
        It changes, or it is not valid.
    """
    if not value.linear.is_constant:
        raise LoweringError("a constant is expected here, not something that changes", "write a number with its unit")
    if not is_always_valid(builder, value):
        raise LoweringError("a constant is expected here, and this is not valid", "write a number with its unit")
    return value.linear.constant_value


def split(builder: BlockBuilder, linear: Linear) -> tuple[int, Fraction]:
    """Register and factor with linear = register * factor."""
    if linear.is_constant:
        return builder.const(linear.off), Fraction(1, linear.den)
    if linear.off == 0:
        return linear.register, linear.scale
    g = gcd(linear.num, linear.off)
    sign = -1 if linear.num < 0 else 1
    register = builder.emit("mul", linear.register, builder.const(linear.num // g * sign))
    register = builder.emit("add", register, builder.const(linear.off // g * sign))
    return register, Fraction(g * sign, linear.den)


def add(builder: BlockBuilder, a: Value, b: Value, sign: int, wanted: Wanted) -> Value:
    """a + b or a - b in a's unit."""
    a, b = need_number(a), need_number(b)
    if a.unit.kind == b.unit.kind == "temperature" and a.unit.name != b.unit.name:
        raise LoweringError(
            f"{a.unit.name} and {b.unit.name} have different zeros, so their sum is ambiguous", "write both in one unit"
        )
    if a.unit != b.unit and wanted.unit is not None and a.unit.kind == b.unit.kind == wanted.unit.kind != "temperature":
        a = in_unit(
            a, wanted.unit
        )  # the same quantity, in the unit that is wanted: one conversion less to make room for
    b = in_unit(b, a.unit)
    right = b.linear.affine(Fraction(sign), Fraction(0))
    valid, feeds, rounded = joined(builder, a, b)
    total = _sum(builder, a.linear, right, wanted.tolerance_in(a.unit))
    return Value(total, a.unit, valid, feeds=feeds, rounded=rounded)


def _sum(builder: BlockBuilder, a: Linear, b: Linear, tolerance: Fraction) -> Linear:
    if b.is_constant:
        return a.affine(Fraction(1), b.constant_value)
    if a.is_constant:
        return b.affine(Fraction(1), a.constant_value)
    if a.register == b.register:
        return Linear.of(a.register, a.scale + b.scale, a.offset + b.offset)
    a, b = approximate(a, builder, tolerance), approximate(b, builder, tolerance)
    den = lcm(a.scale.denominator, b.scale.denominator)
    p, q = int(a.scale * den), int(b.scale * den)
    g = gcd(p, q)
    left = builder.emit("mul", a.register, builder.const(p // g))
    right = builder.emit("mul", b.register, builder.const(q // g))
    return Linear.of(builder.emit("add", left, right), Fraction(g, den), a.offset + b.offset)


def multiply(builder: BlockBuilder, a: Value, b: Value, wanted: Wanted) -> Value:
    """a * b; one of them a plain number or a ratio."""
    a, b = need_number(a), need_number(b)
    if a.unit.kind not in ("a plain number", "ratio"):
        a, b = b, a
    if a.unit.kind == "ratio":
        a = Value(a.linear.affine(a.unit.factor, Fraction(0)), NONE, a.valid, feeds=a.feeds, rounded=a.rounded)
    if a.unit.kind != "a plain number":
        raise LoweringError(
            f"{a.unit.kind} times {b.unit.kind} has no unit here", f"make one a plain number: / 1 {a.unit.name}"
        )
    valid, feeds, rounded = joined(builder, a, b)
    if a.linear.is_constant:
        return Value(b.linear.affine(a.linear.constant_value, Fraction(0)), b.unit, valid, feeds=feeds, rounded=rounded)
    if b.linear.is_constant:
        return Value(a.linear.affine(b.linear.constant_value, Fraction(0)), b.unit, valid, feeds=feeds, rounded=rounded)
    (ra, fa), (rb, fb) = split(builder, a.linear), split(builder, b.linear)
    product = Linear.of(builder.emit("mul", ra, rb), fa * fb, Fraction(0))
    if wanted.unit is None or wanted.unit.kind != b.unit.kind:
        return Value(product, b.unit, valid, feeds=feeds, rounded=rounded)
    grid = wanted.resolution_in(b.unit)
    if (product.scale / grid).denominator != 1:
        product, rounded = Linear.of(on_grid(builder, product, grid), grid, Fraction(0)), True
    return Value(product, b.unit, valid, feeds=feeds, rounded=rounded)


def divide(builder: BlockBuilder, a: Value, b: Value, otherwise: Value | None, wanted: Wanted) -> Value:
    """a / b; where b can be 0, `otherwise` says what then."""
    a, b = need_number(a), need_number(b)
    if b.unit.kind == a.unit.kind:
        b = in_unit(b, a.unit)
        unit = NONE
    elif b.unit.kind in ("a plain number", "ratio"):
        b = Value(b.linear.affine(b.unit.factor, Fraction(0)), NONE, b.valid, feeds=b.feeds, rounded=b.rounded)
        unit = a.unit
    else:
        raise LoweringError(f"{a.unit.kind} over {b.unit.kind} has no unit here", "make the divisor a plain number")
    valid, feeds, rounded = joined(builder, a, b)
    if b.linear.is_constant:
        if b.linear.constant_value == 0:
            raise LoweringError("this divides by 0", "divide by a number other than 0")
        return Value(
            a.linear.affine(1 / b.linear.constant_value, Fraction(0)), unit, valid, feeds=feeds, rounded=rounded
        )
    low, high = b.linear.bounds(builder)
    if low <= 0 <= high and otherwise is None:
        raise LoweringError(
            f"the divisor can be 0 (it goes from {show(low)} to {show(high)})",
            "state the result for that case: a / b else 0",
        )
    grid = wanted.resolution_in(unit)
    (ra, fa), (rb, fb) = split(builder, a.linear), split(builder, b.linear)
    ratio = fa / (fb * grid)
    top = builder.emit("mul", ra, builder.const(ratio.numerator))
    quotient = _quotient(builder, top, rb, ratio.denominator)
    result = Value(Linear.of(quotient, grid, Fraction(0)), unit, valid, feeds=feeds, rounded=True)
    if otherwise is None or not low <= 0 <= high:
        return result
    zero = builder.emit("eq", rb, builder.const(0))
    # in the quotient's own unit: -1 times a temperature is another one in degF than in degC
    return choose(builder, Value(Linear(zero, 1, 0, 1), TRUTH, valid), in_unit(otherwise, unit), result, wanted)


def _quotient(builder: BlockBuilder, top: int, bottom: int, factor: int) -> int:
    """top / (bottom * factor), any value where bottom is 0."""
    one, scale = builder.const(1), builder.const(factor)
    low, high = builder.interval(bottom)
    if low > 0 or high < 0:
        return builder.emit("div", top, builder.emit("mul", bottom, scale))
    above = builder.emit("mul", builder.emit("max", bottom, one), scale)
    if low >= 0:
        return builder.emit("div", top, above)
    below = builder.emit("mul", builder.emit("min", bottom, builder.const(-1)), scale)
    positive = builder.emit("lt", builder.const(0), bottom)
    return builder.emit("select", positive, builder.emit("div", top, above), builder.emit("div", top, below))


def compare_values(builder: BlockBuilder, operator: str, a: Value, b: Value) -> Value:
    """An exact comparison."""
    valid, feeds, rounded = joined(builder, a, b)
    if a.is_truth or b.is_truth:
        if operator not in ("==", "!="):
            raise LoweringError("conditions have no order", "compare it with == or !=")
        register = builder.emit("eq" if operator == "==" else "ne", need_truth(builder, a), need_truth(builder, b))
        return Value(Linear(register, 1, 0, 1), TRUTH, valid, feeds=feeds, rounded=rounded)
    if a.is_choice != b.is_choice and not (a.unit.kind == b.unit.kind == "a plain number"):
        raise LoweringError("a choice can't be compared with this", "compare it with a 'Name' of its choices")
    b = in_unit(b, a.unit)
    register = _compare(builder, operator, a.linear, b.linear)
    return Value(Linear(register, 1, 0, 1), TRUTH, valid, feeds=feeds, rounded=rounded)


_MIRROR = {"<": ">", "<=": ">=", ">": "<", ">=": "<=", "==": "==", "!=": "!="}


def _compare(builder: BlockBuilder, operator: str, a: Linear, b: Linear) -> int:
    if a.is_constant and not b.is_constant:
        return _compare(builder, _MIRROR[operator], b, a)
    if b.is_constant and not a.is_constant:
        bound = (b.constant_value - a.offset) / a.scale
        return _threshold(builder, _MIRROR[operator] if a.num < 0 else operator, a.register, bound)
    den = lcm(a.den, b.den)
    left, right = numerator(builder, a, den), numerator(builder, b, den)
    return _integers(builder, operator, left, right)


def _threshold(builder: BlockBuilder, operator: str, register: int, bound: Fraction) -> int:
    if operator in ("==", "!="):
        if bound.denominator != 1:
            return builder.const(int(operator == "!="))
        return _integers(builder, operator, register, builder.const(int(bound)))
    if operator in ("<", ">="):
        limit = ceil(bound)  # r < t is r < ceil(t)
    else:
        limit = floor(bound)  # r <= t is r <= floor(t)
    return _integers(builder, operator, register, builder.const(limit))


def _integers(builder: BlockBuilder, operator: str, a: int, b: int) -> int:
    if operator == "<":
        return builder.emit("lt", a, b)
    if operator == "<=":
        return builder.emit("le", a, b)
    if operator == ">":
        return builder.emit("lt", b, a)
    if operator == ">=":
        return builder.emit("le", b, a)
    return builder.emit("eq" if operator == "==" else "ne", a, b)


def extreme(builder: BlockBuilder, kind: str, a: Value, b: Value, wanted: Wanted) -> Value:
    """The smaller (`min`) or larger (`max`) of two, in a's unit, exactly."""
    a, b = need_number(a), need_number(b)
    b = in_unit(b, a.unit)
    valid, feeds, rounded = joined(builder, a, b)
    linear = _extreme(builder, kind, a.linear, b.linear, wanted.tolerance_in(a.unit))
    return Value(linear, a.unit, valid, feeds=feeds, rounded=rounded)


def _extreme(builder: BlockBuilder, kind: str, a: Linear, b: Linear, tolerance: Fraction) -> Linear:
    if a.is_constant and b.is_constant:
        pick = min if kind == "min" else max
        return Linear.constant(pick(a.constant_value, b.constant_value))
    if a.is_constant:
        a, b = b, a
    if b.is_constant:
        bound = (b.constant_value - a.offset) / a.scale
        if _is_long(bound) and (bound.denominator > 1 or abs(bound.numerator) >= 1 << WIDEST_PRODUCT_BITS):
            return _extreme_nearby(builder, kind, a, b.constant_value, tolerance / 2)
        turned = kind if a.num > 0 else {"min": "max", "max": "min"}[kind]
        q = bound.denominator
        register = builder.emit("mul", a.register, builder.const(q))
        register = builder.emit(turned, register, builder.const(bound.numerator))
        held = builder.constant_value(register)
        if held is not None:  # the bound itself, or the value of a source that has only one valid value
            return Linear.constant(held * a.scale / q + a.offset)
        return Linear.of(register, a.scale / q, a.offset)
    a, b = approximate(a, builder, tolerance), approximate(b, builder, tolerance)
    den = lcm(a.den, b.den)
    register = builder.emit(kind, numerator(builder, a, den), numerator(builder, b, den))
    return Linear.of(register, Fraction(1, den), Fraction(0))


def _is_long(bound: Fraction) -> bool:
    return max(abs(bound.numerator), bound.denominator) > CONSTANT_TOP


def inside(builder: BlockBuilder, value: Value, low: Value, high: Value, wanted: Wanted) -> Value:
    """Whether a value is between two others.

    Where a limit is a constant of more than 31 bits in the value's steps, both are taken on the grid on which a clamp
    takes them: a value that an earlier clamp left at that very limit is still inside.
    """
    linear, ends = value.linear, [in_unit(end, value.unit) for end in (low, high)]
    fixed = [end.linear.constant_value for end in ends if end.linear.is_constant]
    if not linear.is_constant and any(_is_long((end - linear.offset) / linear.scale) for end in fixed):
        linear, den = _on_fine_grid(builder, linear, wanted.tolerance_in(value.unit) / 2)
        value = replace(value, linear=linear)
        ends = [
            replace(end, linear=Linear.constant(Fraction(round(end.linear.constant_value * den), den)))
            if end.linear.is_constant
            else end
            for end in ends
        ]
    above, below = compare_values(builder, "<=", ends[0], value), compare_values(builder, "<=", value, ends[1])
    register = builder.emit("and", need_truth(builder, above), need_truth(builder, below))
    return replace(above, linear=Linear(register, 1, 0, 1))


def _on_fine_grid(builder: BlockBuilder, linear: Linear, tolerance: Fraction) -> tuple[Linear, int]:
    """A nearby value, and a denominator of it that is fine enough to keep limits apart."""
    linear = approximate(linear, builder, tolerance)
    den = linear.den
    while Fraction(1, 2 * den) > tolerance:
        den *= 2
    return linear, den


def _extreme_nearby(builder: BlockBuilder, kind: str, a: Linear, bound: Fraction, tolerance: Fraction) -> Linear:
    """The same where the bound needs more than 31 bits in the value's own steps: taken on a fine enough grid."""
    a, den = _on_fine_grid(builder, a, tolerance)
    limit = round(bound * den)
    builder.notes.append(f"a limit needs more than 31 bits: {show(Fraction(limit, den))} instead, within 1/1000 step")
    register = builder.emit(kind, numerator(builder, a, den), builder.const(limit))
    held = builder.constant_value(register)
    if held is None:
        return Linear.of(register, Fraction(1, den), Fraction(0))
    return Linear.constant(bound if held == limit else Fraction(held, den))


def choose(builder: BlockBuilder, condition: Value, a: Value, b: Value, wanted: Wanted) -> Value:
    """a where the condition holds, else b; in a's unit."""
    test = need_truth(builder, condition)
    if a.is_choice != b.is_choice or a.is_truth != b.is_truth:
        raise LoweringError("the two answers are of different kinds", "give two numbers, two choices or two conditions")
    if not a.is_choice and not a.is_truth:
        b = in_unit(b, a.unit)
    linear = select_linear(builder, test, a.linear, b.linear, wanted.tolerance_in(a.unit))
    valid = condition.valid
    if a.valid is not None or b.valid is not None:
        one = builder.const(1)
        inner = builder.emit("select", test, one if a.valid is None else a.valid, one if b.valid is None else b.valid)
        valid = both_valid(builder, valid, inner)
    _, feeds, rounded = joined(builder, condition, a, b)
    return Value(linear, a.unit, valid, a.choices, a.is_choice, feeds, rounded)


def select_linear(builder: BlockBuilder, test: int, a: Linear, b: Linear, tolerance: Fraction) -> Linear:
    """Exact choice between two rationals."""
    fixed = builder.constant_value(test)
    if fixed is not None:
        return a if fixed else b
    if not a.is_constant and not b.is_constant and (a.scale, a.offset) == (b.scale, b.offset):
        return Linear.of(builder.emit("select", test, a.register, b.register), a.scale, a.offset)
    a, b = approximate(a, builder, tolerance), approximate(b, builder, tolerance)
    den = lcm(a.den, b.den)
    register = builder.emit("select", test, numerator(builder, a, den), numerator(builder, b, den))
    held = builder.constant_value(register)
    return (
        Linear.constant(Fraction(held, den)) if held is not None else Linear.of(register, Fraction(1, den), Fraction(0))
    )


def show(value: Fraction) -> str:
    """A fraction for people: whole, decimal with up to 6 digits, or about."""
    if value.denominator == 1:
        return str(value.numerator)
    digits = 6
    scaled = round(value * 10**digits)
    sign, scaled = ("-", -scaled) if scaled < 0 else ("", scaled)
    text = f"{scaled // 10**digits}.{scaled % 10**digits:06d}".rstrip("0").rstrip(".")
    exact = Fraction(scaled, 10**digits) == abs(value)
    return f"{'' if exact else 'about '}{sign}{text}"
