"""Emit room: a plan's blocks as C statements, one local a register, 32 bits wide wherever its interval allows.

The plan's contract says that every register stays in its interval, so a 32-bit operation whose operands and result all
fit 32 bits can't overflow, and everything else is done in 64 bits. Registers that nothing reads are left out.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence

from swapbridge.core.errors import RefusedError
from swapbridge.emit.bits import signed_literal
from swapbridge.emit.const_tables import ConstTables
from swapbridge.emit.ctext import comment_text
from swapbridge.emit.division import MultiplyShift, floor_quotient, is_proved, magnitude_type
from swapbridge.plan.plan import EFFECTS, Block, DelayLine, Lookup, Op, Plan, Table, Variant

INT32 = (-(1 << 31), (1 << 31) - 1)
INT64 = (-(1 << 63), (1 << 63) - 1)
COMPARISONS = {"lt": "<", "le": "<=", "eq": "==", "ne": "!="}
ARITHMETIC = {"add": "+", "sub": "-", "mul": "*"}


def fits(low: int, high: int, limits: tuple[int, int]) -> bool:
    """Whether an interval lies in another."""
    return limits[0] <= low and high <= limits[1]


def int_type(low: int, high: int) -> str:
    """The signed C type that registers of this interval have."""
    return "int32_t" if fits(low, high, INT32) else "int64_t"


def slot_type(low: int, high: int) -> str:
    """The smallest signed C type for a slot, to save RAM."""
    for bits in (8, 16, 32):
        if fits(low, high, (-(1 << (bits - 1)), (1 << (bits - 1)) - 1)):
            return f"int{bits}_t"
    return "int64_t"


def line_type(line: DelayLine) -> str:
    """The smallest unsigned C type for what a line remembers."""
    return next(f"uint{bits}_t" for bits in (8, 16, 32, 64) if line.high < 1 << bits)


def line_members(plan: Plan) -> list[str]:
    """The lines' place in the state, widest first."""
    order = sorted(range(len(plan.lines)), key=lambda k: (-int(line_type(plan.lines[k])[4:-2]), k))
    out = []
    for k in order:
        line = plan.lines[k]
        out.append(f"    {line_type(line)} line_{k}[{line.length}]; /* {comment_text(line.name)} */")
    return [*out, *(f"    uint16_t line_{k}_at;" for k in range(len(plan.lines)))]


def literal(value: int, kind: str) -> str:
    """Constant of type int32_t or int64_t."""
    if kind == "int64_t":
        return signed_literal(value)
    if value == INT32[0]:
        return "(-INT32_C(2147483647) - 1)"
    return f"INT32_C({value})" if value >= 0 else f"(-INT32_C({-value}))"


def live_registers(block: Block, roots: Iterable[int]) -> set[int]:
    """Registers that the roots or a store depend on."""
    live = {i for i in roots if i >= 0} | {i for i, op in enumerate(block) if op.kind in EFFECTS}
    for i in range(len(block) - 1, -1, -1):
        if i in live:
            live.update(block[i].args)
    return live


def with_constants(block: Block) -> Block:
    """The block with every operation that can give one value only (its interval says so) as that constant."""
    return tuple(_constant(op) for op in block)


def _constant(op: Op) -> Op:
    if op.kind in EFFECTS:
        return op
    if op.low == op.high:
        return Op("const", op.low, op.low, value=op.low)
    if op.a == op.b and op.kind in ("eq", "le", "ne", "lt", "sub"):
        value = 1 if op.kind in ("eq", "le") else 0
        return Op("const", value, value, value=value)
    return op


def variant_roots(variant: Variant) -> list[int]:
    """The registers that a form of a message needs."""
    return [f.register for f in variant.fields] + ([variant.send_if] if variant.send_if >= 0 else [])


def live_operations(plan: Plan) -> Iterator[tuple[Op, Block]]:
    """Every operation whose result reaches a payload, a condition or a slot, with its block."""
    blocks: list[tuple[Block, list[int]]] = [(t.block, []) for t in plan.tasks]
    blocks += [(v.block, variant_roots(v)) for s in plan.sends for v in s.variants]
    for whole, roots in blocks:
        block = with_constants(whole)
        for i in sorted(live_registers(block, roots)):
            yield block[i], block


class CBlockWriter:
    """Writes blocks of one plan; tables and lookups become functions that `functions` holds."""

    def __init__(self, plan: Plan, tables: ConstTables) -> None:
        self._tables = tables
        self.helpers: set[str] = set()
        """Helper functions of the common part that the blocks call."""
        self.functions: list[str] = []
        self._table_types: dict[int, str] = {}
        self._lookup_types: dict[int, str] = {}
        for op, block in live_operations(plan):
            if op.kind == "table":
                x = plan.tables[op.value].x
                _cover_range(self._table_types, op.value, block[op.a], x[0], x[-1])
            elif op.kind == "lookup":
                keys = plan.lookups[op.value].keys
                _cover_range(self._lookup_types, op.value, block[op.a], keys[0], keys[-1])
        for number, kind in sorted(self._table_types.items()):
            self.functions.append(self._table_function(number, plan.tables[number], kind))
        for number, kind in sorted(self._lookup_types.items()):
            self.functions.append(_lookup_function(number, plan.lookups[number], kind))
        self._plan = plan

    def statements(self, block: Block, roots: Collection[int]) -> list[str]:
        """C statements that compute the registers `roots` and everything that is stored."""
        block = with_constants(block)
        live = live_registers(block, roots)
        read = {*roots, *(r for i in live for r in block[i].args)}
        out: list[str] = []
        for i, op in enumerate(block):
            if i in live and op.kind != "const":
                out.extend(self._operation(i, op, block, used=i in read))
        return out

    def operand(self, block: Block, register: int, kind: str = "") -> str:
        """Expression for a register, converted to `kind` where its own type is another."""
        op = block[register]
        own = int_type(op.low, op.high)
        if op.kind == "const":
            return literal(op.value, kind or own)
        return f"({kind})r{register}" if kind and kind != own else f"r{register}"

    def _operation(self, i: int, op: Op, block: Block, used: bool) -> list[str]:
        kind = int_type(op.low, op.high)
        if op.kind == "store":
            slot = self._plan.slots[op.value]
            target = slot_type(slot.low, slot.high)
            value = self.operand(block, op.a)
            out = [f"self->slot_{op.value} = ({target}){value};"]
            if used:
                out.append(f"const {kind} r{i} = {self.operand(block, op.a, kind)};")
            return out
        if op.kind == "delay":
            return self._delay(i, op, block, used=used)
        if op.kind == "div":
            return self._division(i, op, block)
        if op.kind == "mod":
            return self._modulo(i, op, block)
        return [f"const {kind} r{i} = {self._expression(op, block, kind)};"]

    def _delay(self, i: int, op: Op, block: Block, used: bool) -> list[str]:
        line = self._plan.lines[op.value]
        name, target = f"self->line_{op.value}", line_type(line)
        out = []
        if used:
            out.append(f"const {int_type(op.low, op.high)} r{i} = ({int_type(op.low, op.high)}){name}[{name}_at];")
        out.append(f"{name}[{name}_at] = ({target}){self.operand(block, op.a)};")
        if line.length > 1:
            last = line.length - 1
            out.append(f"{name}_at = (uint16_t)(({name}_at < {last}U) ? {name}_at + 1U : 0U);")
        return out

    def _expression(self, op: Op, block: Block, kind: str) -> str:
        args = [block[r] for r in op.args]
        if op.kind in ("min", "max") and op.a == op.b:
            return self.operand(block, op.a, kind)
        wide = int_type(min([op.low, *(a.low for a in args)]), max([op.high, *(a.high for a in args)]))
        a, b, c = ([self.operand(block, r, wide) for r in op.args] + ["", "", ""])[:3]
        match op.kind:
            case "add" | "sub" | "mul":
                return _narrow(f"{a} {ARITHMETIC[op.kind]} {b}", wide, kind)
            case "neg":
                return _narrow(f"-{a}", wide, kind)
            case "abs":
                return _narrow(f"({a} < 0) ? -{a} : {a}", wide, kind)
            case "min":
                return _narrow(f"({a} < {b}) ? {a} : {b}", wide, kind)
            case "max":
                return _narrow(f"({a} > {b}) ? {a} : {b}", wide, kind)
            case "lt" | "le" | "eq" | "ne":
                wide = int_type(min(args[0].low, args[1].low), max(args[0].high, args[1].high))
                a, b = (self.operand(block, r, wide) for r in op.args)
                return f"({a} {COMPARISONS[op.kind]} {b}) ? 1 : 0"
            case "and" | "or":
                operator = "&&" if op.kind == "and" else "||"
                if op.a == op.b:
                    return f"({self.operand(block, op.a)} != 0) ? 1 : 0"
                return f"({self.operand(block, op.a)} != 0 {operator} {self.operand(block, op.b)} != 0) ? 1 : 0"
            case "not":
                return f"({self.operand(block, op.a)} == 0) ? 1 : 0"
            case "select":
                wide = int_type(min(args[1].low, args[2].low, op.low), max(args[1].high, args[2].high, op.high))
                b, c = (self.operand(block, r, wide) for r in op.args[1:])
                return _narrow(f"({self.operand(block, op.a)} != 0) ? {b} : {c}", wide, kind)
            case "load":
                return f"({kind})self->slot_{op.value}"
            case "table":
                return f"({kind})table_{op.value}({self.operand(block, op.a, self._table_types[op.value])})"
            case "lookup":
                return f"({kind})lookup_{op.value}({self.operand(block, op.a, self._lookup_types[op.value])})"
            case "fresh":
                return f"self->feeds[{op.value}].fresh ? 1 : 0"
            case "age":
                last = f"self->feeds[{op.value}].last_us"
                return f"({kind})(self->feeds[{op.value}].fresh ? now_us - {last} : UINT32_C(2147483647))"
            case "awake":
                return f"self->buses[{op.value}].awake ? 1 : 0"
        raise RefusedError(f"the plan has an operation {op.kind!r} that C can't be written for: compile the plan again")

    def _division(self, i: int, op: Op, block: Block) -> list[str]:
        """`div`: to the nearest, halves away from zero: ``floor((|a| + |b| / 2) / |b|)`` with the sign put back."""
        kind = int_type(op.low, op.high)
        a, b = block[op.a], block[op.b]
        if b.kind != "const":
            narrow = fits(min(a.low, b.low), max(a.high, b.high), INT32)
            helper, wide = ("divide_32", "int32_t") if narrow else ("divide_64", "int64_t")
            self.helpers.add(helper)
            left, right = self.operand(block, op.a, wide), self.operand(block, op.b, wide)
            # A quotient of two int32_t can be 2**31 (the lowest by -1), so the helper gives int64_t.
            return [f"const {kind} r{i} = {_narrow(f'{helper}({left}, {right})', 'int64_t', kind)};"]
        divisor = abs(b.value)
        negative = b.value < 0
        limit = max(abs(a.low), abs(a.high)) + divisor // 2
        if limit >= 1 << 64:
            raise RefusedError(f"a division by {b.value} needs more than 64 bits: compile the plan again")
        own = self.operand(block, op.a)
        size = magnitude_type(limit)
        nought = size.replace("_t", "_C(0)").upper()
        # An int32_t of negative value becomes its two's complement in either size, as C defines it.
        if a.low >= 0:
            magnitude = f"({size}){own}"
        else:
            magnitude = f"(({own} < 0) ? {nought} - ({size}){own} : ({size}){own})"
        half = f" + {nought.replace('(0)', f'({divisor // 2})')}" if divisor > 1 else ""
        out = [f"const {size} n{i} = {magnitude}{half};"]
        quotient, how = floor_quotient(f"n{i}", divisor, limit)
        if how == "multiply_high":
            self.helpers.add(how)
        wide = kind if max(abs(op.low), abs(op.high)) <= INT32[1] else "int64_t"
        out.append(f"const {wide} q{i} = ({wide}){quotient};")
        if a.low >= 0:
            value = f"-q{i}" if negative else f"q{i}"
        else:
            value = f"({own} {'>' if negative else '<'} 0) ? -q{i} : q{i}"
        return [*out, f"const {kind} r{i} = {_narrow(value, wide, kind)};"]

    def _modulo(self, i: int, op: Op, block: Block) -> list[str]:
        kind = int_type(op.low, op.high)
        a, b = block[op.a], block[op.b]
        wide = int_type(min(a.low, b.low), max(a.high, b.high))
        left = self.operand(block, op.a, wide)
        if b.kind == "const" and a.low >= 0:
            if a.high < 2 * b.value:
                right = literal(b.value, wide)
                return [
                    f"const {kind} r{i} = {_narrow(f'({left} >= {right}) ? {left} - {right} : {left}', wide, kind)};"
                ]
            quotient, how = floor_quotient(f"n{i}", b.value, a.high)
            if how == "multiply_high":
                self.helpers.add(how)
            size = magnitude_type(a.high)
            factor = f"{size.replace('_t', '_C').upper()}({b.value})"
            return [
                f"const {size} n{i} = ({size}){left};",
                f"const {kind} r{i} = ({kind})(n{i} - {quotient} * {factor});",
            ]
        helper = "modulo_32" if wide == "int32_t" else "modulo_64"
        self.helpers.add(helper)
        call = f"{helper}({left}, {self.operand(block, op.b, wide)})"
        return [f"const {kind} r{i} = {_narrow(call, wide, kind)};"]

    def _table_function(self, number: int, table: Table, kind: str) -> str:
        spans = [b - a for a, b in zip(table.x, table.x[1:], strict=False)]
        rises = [b - a for a, b in zip(table.y, table.y[1:], strict=False)]
        largest = max(s * abs(r) + s // 2 for s, r in zip(spans, rises, strict=True))
        if largest >= 1 << 63:
            raise RefusedError(
                f"table {table.name}: a step of {max(spans)} by {max(map(abs, rises))} needs more than 64 bits in C: "
                "add points, or declare a coarser resolution"
            )
        result = int_type(min(table.y), max(table.y))
        xs = self._tables.name("table_x", int_type(table.x[0], table.x[-1]), table.x)
        ys = self._tables.name("table_y", result, table.y)
        last = len(table.x) - 1
        lines = [
            f"/* {comment_text(table.name)}: piecewise linear, {last + 1} points, flat beyond both ends. */",
            f"static {result} table_{number}({kind} a)",
            "{",
            "    uint32_t low = 0U;",
            f"    uint32_t high = {last}U;",
            f"    if (a <= {xs}[0]) {{",
            f"        return {ys}[0];",
            "    }",
            f"    if (a >= {xs}[{last}]) {{",
            f"        return {ys}[{last}];",
            "    }",
            "    while (high - low > 1U) {",
            "        const uint32_t middle = (low + high) >> 1;",
            f"        if ({xs}[middle] <= a) {{",
            "            low = middle;",
            "        } else {",
            "            high = middle;",
            "        }",
            "    }",
            "    {",
            f"        const uint64_t span = (uint64_t)((int64_t){xs}[high] - (int64_t){xs}[low]);",
            f"        const int64_t rise = (int64_t){ys}[high] - (int64_t){ys}[low];",
            "        const uint64_t climb = (rise < 0) ? UINT64_C(0) - (uint64_t)rise : (uint64_t)rise;",
            f"        const uint64_t n = (uint64_t)((int64_t)a - (int64_t){xs}[low]) * climb + (span >> 1);",
        ]
        shared = _shared_multipliers(spans, rises)
        if shared is None:
            quotient = "(n / span)"
        else:
            shift, multipliers = shared
            inverse = self._tables.name("table_inverse", "uint32_t", multipliers, "ceil(2**shift / span), proved equal")
            quotient = f"((n * (uint64_t){inverse}[low]) >> {shift})"
        lines += [
            f"        const int64_t q = (int64_t){quotient};",
            f"        return ({result})((int64_t){ys}[low] + ((rise < 0) ? -q : q));",
            "    }",
            "}",
        ]
        return "\n".join(lines) + "\n"


def _shared_multipliers(spans: Sequence[int], rises: Sequence[int]) -> tuple[int, list[int]] | None:
    """One shift and a 32-bit multiplier a segment, each proved for its own largest numerator, or None."""
    limits = [s * abs(r) + s // 2 for s, r in zip(spans, rises, strict=True)]
    for shift in range(63, -1, -1):
        multipliers = [-(-(1 << shift) // s) for s in spans]
        if max(multipliers) < 1 << 32 and all(
            is_proved(s, n, MultiplyShift(m, shift, 64)) for s, n, m in zip(spans, limits, multipliers, strict=True)
        ):
            return shift, multipliers
    return None


def _lookup_function(number: int, lookup: Lookup, kind: str) -> str:
    result = int_type(min((*lookup.values, lookup.default)), max((*lookup.values, lookup.default)))
    lines = [
        f"/* {comment_text(lookup.name)} */",
        f"static {result} lookup_{number}({kind} a)",
        "{",
        "    switch (a) {",
    ]
    groups: dict[int, list[int]] = {}
    for key, value in zip(lookup.keys, lookup.values, strict=True):
        groups.setdefault(value, []).append(key)
    for value, keys in groups.items():
        lines.extend(f"    case {literal(key, kind)}:" for key in keys)
        lines.append(f"        return {literal(value, result)};")
    lines += ["    default:", f"        return {literal(lookup.default, result)};", "    }", "}"]
    return "\n".join(lines) + "\n"


def _cover_range(types: dict[int, str], number: int, argument: Op, low: int, high: int) -> None:
    kind = int_type(min(argument.low, low), max(argument.high, high))
    if types.get(number) != "int64_t":
        types[number] = kind


def _narrow(expression: str, wide: str, kind: str) -> str:
    return expression if wide == kind else f"({kind})({expression})"
