"""Compiler room: writing a plan's blocks: operations with proven intervals, and exact rationals over registers."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from math import gcd, lcm

from swapbridge.plan.intervals import Interval, fits_int64, op_interval, table_inner
from swapbridge.plan.plan import EFFECTS, Block, DelayLine, Lookup, Op, Slot, Table, div_round, table_at

CONSTANT_TOP = (1 << 31) - 1
"""Largest constant used as it is; larger ones are approximated (within 1/1000 of a host step) and reported."""


WIDEST_PRODUCT_BITS = 55
"""Bits of a value in the steps of a nearby constant, so that sums and products with small numbers still fit."""


class OverflowRefused(Exception):
    """An intermediate could exceed 64 bits; carries its interval."""

    def __init__(self, interval: Interval) -> None:
        super().__init__(f"{interval[0]} to {interval[1]}")
        self.interval = interval


@dataclass(slots=True)
class PlanMemory:
    """Slots, tables and lookups of the plan being written; equal tables are kept once."""

    slots: list[Slot] = field(default_factory=list)
    tables: list[Table] = field(default_factory=list)
    lookups: list[Lookup] = field(default_factory=list)
    lines: list[DelayLine] = field(default_factory=list)

    def line(self, name: str, length: int, high: int) -> int:
        """A new line; its values are 0 to `high`."""
        if not fits_int64((0, high)):
            raise OverflowRefused((0, high))
        self.lines.append(DelayLine(name, length, high))
        return len(self.lines) - 1

    def slot(self, name: str, initial: int, low: int, high: int) -> int:
        if not fits_int64((low, high)):
            raise OverflowRefused((low, high))
        self.slots.append(Slot(name, initial, low, high))
        return len(self.slots) - 1

    def table(self, name: str, x: tuple[int, ...], y: tuple[int, ...]) -> int:
        for number, known in enumerate(self.tables):
            if (known.x, known.y) == (x, y):
                return number
        table = Table(name, x, y)
        for interval in (table_inner(table), (x[0] - x[-1], x[-1] - x[0]), (min(y), max(y))):
            if not fits_int64(interval):
                raise OverflowRefused(interval)
        self.tables.append(table)
        return len(self.tables) - 1

    def lookup(self, name: str, pairs: dict[int, int], default: int) -> int:
        keys = tuple(sorted(pairs))
        values = tuple(pairs[k] for k in keys)
        for number, known in enumerate(self.lookups):
            if (known.keys, known.values, known.default) == (keys, values, default):
                return number
        self.lookups.append(Lookup(name, keys, values, default))
        return len(self.lookups) - 1


class BlockBuilder:
    """Writes one block: each `emit` gives a register; equal operations give the same one; constants are folded."""

    def __init__(self, memory: PlanMemory) -> None:
        self.memory = memory
        self.ops: list[Op] = []
        self.notes: list[str] = []
        """What had to be approximated, for the report."""
        self._known: dict[tuple[str, int, int, int, int], int] = {}
        self._stores = 0

    def interval(self, register: int) -> Interval:
        op = self.ops[register]
        return op.low, op.high

    def constant_value(self, register: int) -> int | None:
        """The value of a register that holds a constant, else None."""
        op = self.ops[register]
        return op.value if op.kind == "const" else None

    def const(self, value: int) -> int:
        return self._append("const", (), value)

    def load(self, slot: int) -> int:
        key = ("load", slot, self._stores, -1, -1)
        if key not in self._known:
            low, high = self.memory.slots[slot].low, self.memory.slots[slot].high
            self.ops.append(Op("load", low, high, value=slot))
            self._known[key] = len(self.ops) - 1
        return self._known[key]

    def store(self, slot: int, register: int) -> None:
        low, high = self.interval(register)
        self.ops.append(Op("store", low, high, a=register, value=slot))
        self._stores += 1

    def emit(self, kind: str, *args: int, value: int = 0) -> int:
        """Append an operation (or find its equal); raises `OverflowRefused` when its result may leave 64 bits."""
        folded = self._fold(kind, args, value)
        return folded if folded is not None else self._append(kind, args, value)

    def block(self, keep: Iterable[int] = ()) -> tuple[Block, dict[int, int]]:
        """The operations that stores and the registers to `keep` need, and the new number of each of them."""
        wanted = set(keep)
        for number in range(len(self.ops) - 1, -1, -1):
            if number in wanted or self.ops[number].kind in EFFECTS:
                wanted.add(number)
                wanted.update(self.ops[number].args)
        places = {number: place for place, number in enumerate(sorted(wanted))}
        moved = [
            replace(op, a=places.get(op.a, -1), b=places.get(op.b, -1), c=places.get(op.c, -1))
            for number, op in enumerate(self.ops)
            if number in wanted
        ]
        return tuple(moved), places

    def _append(self, kind: str, args: Sequence[int], value: int) -> int:
        a, b, c = (*args, -1, -1, -1)[:3]
        if kind in ("add", "mul", "min", "max", "eq", "ne", "and", "or") and a > b:
            a, b = b, a
            args = (a, b)
        key = (kind, a, b, c, value)
        if key in self._known:
            return self._known[key]
        memory = self.memory
        intervals = [self.interval(r) for r in args]
        found = op_interval(kind, intervals, value, memory.slots, memory.tables, memory.lookups, memory.lines)
        if not fits_int64(found):
            raise OverflowRefused(found)
        if kind == "div":
            reach = max(abs(intervals[1][0]), abs(intervals[1][1]))
            inner = (intervals[0][0] - reach, intervals[0][1] + reach)
            if not fits_int64(inner):
                raise OverflowRefused(inner)
        if kind == "table":
            table = memory.tables[value]
            inner = (intervals[0][0] - table.x[-1], intervals[0][1] - table.x[0])
            if not fits_int64(inner):
                raise OverflowRefused(inner)
        self.ops.append(Op(kind, found[0], found[1], a, b, c, value))
        self._known[key] = len(self.ops) - 1
        return self._known[key]

    def _fold(self, kind: str, args: Sequence[int], value: int) -> int | None:
        """Constant folding and identities; None when the operation is really needed."""
        if kind in ("fresh", "age", "awake", "load", "const", "delay"):
            return None
        held = [self.constant_value(r) for r in args]
        if kind == "select" and held[0] is not None:
            return args[1] if held[0] else args[2]
        if kind == "select" and args[1] == args[2]:
            return args[1]
        if kind in ("and", "or"):
            for one, other, register in ((held[0], held[1], args[1]), (held[1], held[0], args[0])):
                if one is not None and other is None:
                    if bool(one) == (kind == "or"):
                        return self.const(int(kind == "or"))
                    if self.interval(register)[0] >= 0 and self.interval(register)[1] <= 1:
                        return register
        if kind in ("min", "max"):
            (alow, ahigh), (blow, bhigh) = self.interval(args[0]), self.interval(args[1])
            if (kind == "min" and ahigh <= blow) or (kind == "max" and alow >= bhigh):
                return args[0]
            if (kind == "min" and bhigh <= alow) or (kind == "max" and blow >= ahigh):
                return args[1]
            inner = self.ops[args[0]]
            if held[1] is not None and inner.kind == kind:  # the tighter of two limits is enough
                limit = self.constant_value(inner.b)
                if limit is not None:
                    pick = min if kind == "min" else max
                    return self._append(kind, (inner.a, self.const(pick(limit, held[1]))), 0)
        if kind in ("add", "sub") and held[1] == 0:
            return args[0]
        if kind in ("mul", "div") and held[1] == 1:
            return args[0]
        if held and all(h is not None for h in held) and kind not in ("table", "lookup"):
            return self.const(_constant(kind, [int(h) for h in held if h is not None]))
        if held and held[0] is not None and kind == "table":
            return self.const(table_at(self.memory.tables[value], held[0]))
        if held and held[0] is not None and kind == "lookup":
            lookup = self.memory.lookups[value]
            return self.const(dict(zip(lookup.keys, lookup.values, strict=True)).get(held[0], lookup.default))
        return None


def _constant(kind: str, v: list[int]) -> int:
    if kind == "mod":
        return v[0] % v[1]
    if kind == "div":
        return div_round(v[0], v[1])
    low, high = op_interval(kind, [(x, x) for x in v], 0, (), (), ())
    if low != high:
        raise ValueError(f"{kind} of constants is not a constant")
    return low


@dataclass(frozen=True, slots=True)
class Linear:
    """The exact rational ``(register * num + off) / den``, den > 0, in lowest terms; register -1 is a constant."""

    register: int
    num: int
    off: int
    den: int

    @staticmethod
    def of(register: int, scale: Fraction, offset: Fraction) -> Linear:
        """register * scale + offset."""
        den = lcm(scale.denominator, offset.denominator)
        return Linear(register, int(scale * den), int(offset * den), den).reduced()

    @staticmethod
    def constant(value: Fraction) -> Linear:
        return Linear(-1, 0, value.numerator, value.denominator)

    def reduced(self) -> Linear:
        if self.num == 0:
            g = gcd(self.off, self.den)
            return Linear(-1, 0, self.off // g, self.den // g)
        g = gcd(gcd(self.num, self.off), self.den)
        return Linear(self.register, self.num // g, self.off // g, self.den // g)

    @property
    def is_constant(self) -> bool:
        return self.register < 0

    @property
    def constant_value(self) -> Fraction:
        """Its value; only for constants."""
        return Fraction(self.off, self.den)

    @property
    def scale(self) -> Fraction:
        return Fraction(self.num, self.den)

    @property
    def offset(self) -> Fraction:
        return Fraction(self.off, self.den)

    def affine(self, scale: Fraction, offset: Fraction) -> Linear:
        """This value times scale plus offset, exactly."""
        return Linear.of(self.register, self.scale * scale, self.offset * scale + offset)

    def bounds(self, builder: BlockBuilder) -> tuple[Fraction, Fraction]:
        """Smallest and largest value."""
        if self.is_constant:
            return self.constant_value, self.constant_value
        low, high = builder.interval(self.register)
        ends = [Fraction(r * self.num + self.off, self.den) for r in (low, high)]
        return min(ends), max(ends)


def numerator(builder: BlockBuilder, linear: Linear, den: int) -> int:
    """Register that holds linear * den; `den` is a multiple of linear.den."""
    if den % linear.den:
        raise ValueError("not a common denominator")
    factor = den // linear.den
    if linear.is_constant:
        return builder.const(linear.off * factor)
    register = builder.emit("mul", linear.register, builder.const(linear.num * factor))
    return builder.emit("add", register, builder.const(linear.off * factor))


def on_grid(builder: BlockBuilder, linear: Linear, grid: Fraction, tolerance: Fraction | None = None) -> int:
    """Register that holds linear / grid rounded to the nearest integer, halves away from zero.

    `tolerance` is how far from `linear` a value may lie whose constants would need more than 31 bits; None: nowhere.
    """
    scaled = linear.affine(1 / grid, Fraction(0))
    if tolerance is not None:
        scaled = approximate(scaled, builder, tolerance / grid)
    if scaled.is_constant:
        return builder.const(div_round(scaled.off, scaled.den))
    return builder.emit("div", numerator(builder, scaled, scaled.den), builder.const(scaled.den))


def approximate(linear: Linear, builder: BlockBuilder, tolerance: Fraction) -> Linear:
    """The value itself, or a nearby rational where its constants need more than 31 bits (then noted in the builder).

    The nearby one is a whole number of at most 31 bits over the smallest power of two that is near enough. A register
    that counts far more finely than is asked for is counted in larger parts first.

    Raises
    ------
    OverflowRefused
        None is within `tolerance`.
    """
    if linear.is_constant or max(abs(linear.num), linear.den) <= CONSTANT_TOP:
        return linear
    low, high = builder.interval(linear.register)
    reach = max(abs(low), abs(high), 1)
    # over a power of two, so that several such values have one denominator and the division is a shift
    # where 31 bits are not near enough, more are taken as long as the product stays far inside 64
    most = max(CONSTANT_TOP, (1 << WIDEST_PRODUCT_BITS) // reach)
    for bits in range(63):
        den = 1 << bits
        num, off = round(linear.scale * den), round(linear.offset * den)
        moved = reach * abs(Fraction(num, den) - linear.scale) + abs(Fraction(off, den) - linear.offset)
        if abs(num) > most or reach * abs(num) >= 1 << 62:
            break
        if num and moved < tolerance:
            builder.notes.append(f"a factor needs more than 31 bits: {num}/{den} instead, within 1/1000 step")
            return Linear(linear.register, num, off, den).reduced()
    parts = int(tolerance / (2 * abs(linear.scale)))
    if parts > 1:
        coarse = builder.emit("div", linear.register, builder.const(parts))
        builder.notes.append("a value needs more than 31 bits: a nearby one instead, within 1/1000 step")
        return approximate(Linear.of(coarse, linear.scale * parts, linear.offset), builder, tolerance / 2)
    raise OverflowRefused((low * linear.num + linear.off, high * linear.num + linear.off))


def approximate_bound(bound: Fraction, builder: BlockBuilder, tolerance: Fraction) -> Fraction:
    """A point in steps of a register, or one at most `tolerance` from it where it needs more than 31 bits (noted)."""
    if max(abs(bound.numerator), bound.denominator) <= CONSTANT_TOP:
        return bound
    den = max(1, -(-tolerance.denominator // (2 * tolerance.numerator)))
    near = Fraction(round(bound * den), den)
    if max(abs(near.numerator), near.denominator) > CONSTANT_TOP:
        return bound
    builder.notes.append(f"a point needs more than 31 bits: source step {near} instead, within 1/65536 source step")
    return near
