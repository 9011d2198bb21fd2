"""Plan room: how each operation of a plan moves intervals; used to build plans and to check them again."""

from __future__ import annotations

from collections.abc import Sequence

from swapbridge.plan.plan import DelayLine, Lookup, Slot, Table, div_round, table_at

Interval = tuple[int, int]
INT64: Interval = (-(1 << 63), (1 << 63) - 1)
AGE_TOP = (1 << 31) - 1


def fits_int64(interval: Interval) -> bool:
    """Whether every value fits a signed 64-bit integer."""
    return INT64[0] <= interval[0] and interval[1] <= INT64[1]


def op_interval(
    kind: str,
    args: Sequence[Interval],
    value: int,
    slots: Sequence[Slot],
    tables: Sequence[Table],
    lookups: Sequence[Lookup],
    lines: Sequence[DelayLine] = (),
) -> Interval:
    """Interval of an operation's result from its arguments' intervals (sound, not always tight).

    Raises
    ------
    ValueError
        The operation can't be done: a divisor that may be 0, an unknown kind.
    """
    if kind == "const":
        return value, value
    if kind == "load":
        return slots[value].low, slots[value].high
    if kind in _ARITHMETIC:
        return _arithmetic(kind, args)
    if kind in ("lt", "le", "eq", "ne", "and", "or", "not"):
        return _logic(kind, args)
    if kind == "select":
        (low, high), b, c = args
        if low > 0 or high < 0:
            return b
        if (low, high) == (0, 0):
            return c
        return min(b[0], c[0]), max(b[1], c[1])
    if kind == "table":
        return _table(tables[value], args[0])
    if kind == "lookup":
        lookup = lookups[value]
        seen = [v for k, v in zip(lookup.keys, lookup.values, strict=True) if args[0][0] <= k <= args[0][1]]
        if len(seen) <= args[0][1] - args[0][0]:
            seen.append(lookup.default)
        return min(seen), max(seen)
    if kind == "delay":
        return 0, lines[value].high
    if kind in ("fresh", "awake"):
        return 0, 1
    if kind == "age":
        return 0, AGE_TOP
    raise ValueError(f"unknown operation {kind!r}")


_ARITHMETIC = frozenset({"store", "add", "sub", "mul", "neg", "abs", "div", "mod", "min", "max"})


def _arithmetic(kind: str, args: Sequence[Interval]) -> Interval:
    a = args[0]
    b = args[1] if len(args) > 1 else (0, 0)
    if kind == "store":
        return a
    if kind == "add":
        return a[0] + b[0], a[1] + b[1]
    if kind == "sub":
        return a[0] - b[1], a[1] - b[0]
    if kind == "mul":
        corners = [x * y for x in a for y in b]
        return min(corners), max(corners)
    if kind == "neg":
        return -a[1], -a[0]
    if kind == "abs":
        low = 0 if a[0] <= 0 <= a[1] else min(abs(a[0]), abs(a[1]))
        return low, max(abs(a[0]), abs(a[1]))
    if kind == "div":
        if b[0] <= 0 <= b[1]:
            raise ValueError("the divisor may be 0")
        corners = [div_round(x, y) for x in a for y in b]
        return min(corners), max(corners)
    if kind == "mod":
        if b[0] <= 0:
            raise ValueError("the modulus may be 0 or below")
        return (a[0], a[1]) if a[0] >= 0 and a[1] < b[0] else (0, b[1] - 1)
    if kind == "min":
        return min(a[0], b[0]), min(a[1], b[1])
    return max(a[0], b[0]), max(a[1], b[1])


def _logic(kind: str, args: Sequence[Interval]) -> Interval:
    a = args[0]
    sure_a = a[0] > 0 or a[1] < 0
    none_a = a == (0, 0)
    if kind == "not":
        return (0, 0) if sure_a else (1, 1) if none_a else (0, 1)
    b = args[1]
    sure_b = b[0] > 0 or b[1] < 0
    none_b = b == (0, 0)
    if kind == "and":
        return (1, 1) if sure_a and sure_b else (0, 0) if none_a or none_b else (0, 1)
    if kind == "or":
        return (1, 1) if sure_a or sure_b else (0, 0) if none_a and none_b else (0, 1)
    if kind == "lt":
        return (1, 1) if a[1] < b[0] else (0, 0) if a[0] >= b[1] else (0, 1)
    if kind == "le":
        return (1, 1) if a[1] <= b[0] else (0, 0) if a[0] > b[1] else (0, 1)
    same = a[0] == a[1] == b[0] == b[1]
    apart = a[1] < b[0] or b[1] < a[0]
    if kind == "eq":
        return (1, 1) if same else (0, 0) if apart else (0, 1)
    return (0, 0) if same else (1, 1) if apart else (0, 1)


def _table(table: Table, a: Interval) -> Interval:
    seen = [table_at(table, a[0]), table_at(table, a[1])]
    seen += [y for x, y in zip(table.x, table.y, strict=True) if a[0] <= x <= a[1]]
    return min(seen), max(seen)


def table_inner(table: Table) -> Interval:
    """Interval of the largest intermediate, (a - x[i]) * (y[i+1] - y[i]), which must fit 64 bits too."""
    steps = zip(table.x, table.x[1:], table.y, table.y[1:], strict=False)
    spans = [(x1 - x0) * (y1 - y0) for x0, x1, y0, y1 in steps]
    return min(0, *spans), max(0, *spans)
