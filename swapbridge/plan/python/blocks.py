"""Plan room: writes the Python of one block of a checked plan.

Two things make it faster than the operations one by one, and both are exact since everything is an integer: sums and
products with constants in a row are written as one, and what depends on one slot of few values alone is worked out for
all of them when the plan is loaded.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from swapbridge.plan.plan import EFFECTS, OP_ARITY, Block, Op, Plan

H = 1 << 31
MAX_NESTING = 12
"""Operations written into one another, so that no expression is too deep for Python's own parser."""
MOST_VALUES = 1 << 12
"""Values of a slot for which results are worked out beforehand."""
MOST_IN_ALL = 1 << 17
"""Results worked out beforehand for a whole plan: a few MB and a tenth of a second on a small computer."""
_UNTABLED = frozenset({"fresh", "age", "awake", "delay", "store"})
"""Operations that depend on more than slots, or change memory."""


class ScaledRegister(NamedTuple):
    """A register as ``base * factor + added``."""

    base: str
    factor: int = 1
    added: int = 0

    def text(self, more: int = 0) -> str:
        """Its expression, with `more` added."""
        added = self.added + more
        product = self.base if self.factor == 1 else f"{self.base} * {self.factor}"
        if added:
            return f"({product} {'+' if added > 0 else '-'} {abs(added)})"
        return product if self.factor == 1 else f"({product})"

    def times(self, factor: int, added: int = 0) -> ScaledRegister:
        """It times `factor`, and `added` to that."""
        return ScaledRegister(self.base, self.factor * factor, self.added * factor + added)


class ResultTables:
    """Results that were worked out beforehand, as tuples by their name in the source.

    Parameters
    ----------
    plan : Plan
    functions : mapping
        What an expression may call, by name.
    """

    def __init__(self, plan: Plan, functions: Mapping[str, Any]) -> None:
        self.tuples: dict[str, tuple[int, ...]] = {}
        self._plan, self._functions = plan, functions
        self._names: dict[tuple[int, ...], str] = {}
        self._left = MOST_IN_ALL

    def may_hold(self, slot: int) -> bool:
        """Whether results for every value of a slot are few enough."""
        size = self._plan.slots[slot].high - self._plan.slots[slot].low + 1
        return size <= min(MOST_VALUES, self._left)

    def look_up(self, block: Block, number: int, slot: int) -> str:
        """Expression for register `number` of a block, which depends on `slot` alone."""
        low, high = self._plan.slots[slot].low, self._plan.slots[slot].high
        writer = PythonBlockWriter(self._plan, block, {number}, "    ", effects=False)
        lines = [f"def result(s{slot}):", *writer.write(), f"    return {writer.register(number)}"]
        namespace = dict(self._functions)
        exec("\n".join(lines), namespace)
        # a negative index counts from the end, so a slot's own value is the index where 0 is one of its values
        values = [*range(high + 1), *range(low, 0)] if low <= 0 <= high else [*range(low, high + 1)]
        results = tuple(int(namespace["result"](value)) for value in values)
        if results not in self._names:
            self._names[results] = name = f"T{len(self._names)}"
            self.tuples[name] = results
            self._left -= len(results)
        index = f"s{slot}" if low <= 0 <= high else f"s{slot} - {low}" if low > 0 else f"s{slot} + {-low}"
        return f"{self._names[results]}[{index}]"


class PythonBlockWriter:
    """Writes the operations of one block as Python statements; values used once go into their user's expression.

    A register that is no variable of its own is a text that reads slots when its user is reached, so before a slot is
    stored every such register that is still needed is put into a variable.

    Parameters
    ----------
    plan, block
        The block of the plan.
    keep : set of int
        Registers that are asked for after `write`.
    indent : str
    tables : ResultTables or None
        Where results may be worked out beforehand.
    effects : bool
        Whether what changes memory is written too; without, only what `keep` needs.
    """

    def __init__(
        self,
        plan: Plan,
        block: Block,
        keep: set[int],
        indent: str,
        tables: ResultTables | None = None,
        *,
        effects: bool = True,
    ) -> None:
        self.plan, self.block, self.indent = plan, block, indent
        self.lines: list[str] = []
        self._tables = tables
        self._linear: dict[int, ScaledRegister] = {}
        self._condition: dict[int, str] = {}
        self._depth: dict[int, int] = {}
        self._slots: dict[int, frozenset[int]] = {}
        self._tabled = self._find_tabled() if tables is not None else {}
        self._wanted = set(keep)
        for number in range(len(block) - 1, -1, -1):
            if number in self._wanted or (effects and block[number].kind in EFFECTS):
                self._wanted.add(number)
                self._wanted.update(self._args(number))
        self._uses = [2 if number in keep else 0 for number in range(len(block))]
        self._last_use = [len(block) if number in keep else -1 for number in range(len(block))]
        for number in sorted(self._wanted):
            for arg in self._args(number):
                self._uses[arg] += 2 if self._names_twice(block[number]) else 1
                self._last_use[arg] = max(self._last_use[arg], number)

    def write(self) -> list[str]:
        """The statements, in order."""
        for number in sorted(self._wanted):
            self._write(number, self.block[number])
        return self.lines

    def register(self, number: int) -> str:
        """Expression for a register after `write`."""
        return self._linear[number].text()

    def _args(self, number: int) -> tuple[int, ...]:
        return () if number in self._tabled else self.block[number].args

    def _find_tabled(self) -> dict[int, int]:
        """Registers that depend on one slot alone, by at least two operations, and that slot."""
        assert self._tables is not None
        stored = {op.value for op in self.block if op.kind == "store"}
        hangs_on: list[frozenset[int] | None] = []
        work: list[int] = []
        out: dict[int, int] = {}
        for number, op in enumerate(self.block):
            parts = [hangs_on[arg] for arg in op.args]
            known = [part for part in parts if part is not None]
            # a slot that the block itself stores has two values in it
            if op.kind in _UNTABLED or len(known) < len(parts) or (op.kind == "load" and op.value in stored):
                hangs_on.append(None)
            else:
                hangs_on.append(frozenset({op.value} if op.kind == "load" else ()).union(*known))
            work.append(sum((work[arg] for arg in op.args), 0 if op.kind in ("const", "load") else 1))
            slots = hangs_on[number]
            if slots is not None and len(slots) == 1 and work[number] > 1:
                (slot,) = slots
                if self._tables.may_hold(slot):
                    out[number] = slot
        return out

    def _names_twice(self, op: Op) -> bool:
        return op.kind in ("min", "max") or (op.kind == "div" and self.block[op.a].low < 0)

    def _write(self, number: int, op: Op) -> None:
        if op.kind == "store":
            self._store(number, op)
            return
        if op.kind == "delay":
            text = self._linear[op.a].text()
            self.lines.append(f"{self.indent}v{number} = q{op.value}[0]; q{op.value}.append({text})")
            self._is_variable(number)
            return
        if number in self._tabled:
            assert self._tables is not None
            slot = self._tabled[number]
            self._linear[number] = ScaledRegister(self._tables.look_up(self.block, number, slot))
            self._condition[number] = self._linear[number].base
            self._depth[number], self._slots[number] = 1, frozenset({slot})
        else:
            self._linear[number] = self._value(op)
            self._condition[number] = self._as_condition(op) or self._linear[number].text()
            self._depth[number] = 1 + max((self._depth[r] for r in op.args), default=0)
            slots = [self._slots[r] for r in op.args]
            self._slots[number] = frozenset({op.value} if op.kind == "load" else ()).union(*slots)
        plain = op.kind in ("const", "load", "fresh")
        if not plain and (self._uses[number] > 1 or self._depth[number] >= MAX_NESTING):
            self._make_variable(number)

    def _store(self, number: int, op: Op) -> None:
        for register, slots in self._slots.items():
            if op.value in slots and self._last_use[register] > number:
                self._make_variable(register)
        if self._last_use[number] >= 0 and op.value in self._slots[op.a]:
            self._make_variable(op.a)
        self.lines.append(f"{self.indent}s{op.value} = {self._linear[op.a].text()}")
        self._linear[number], self._condition[number] = self._linear[op.a], self._condition[op.a]
        self._depth[number], self._slots[number] = self._depth[op.a], self._slots[op.a]

    def _make_variable(self, number: int) -> None:
        self.lines.append(f"{self.indent}v{number} = {self._linear[number].text()}")
        self._is_variable(number)

    def _is_variable(self, number: int) -> None:
        self._linear[number], self._condition[number] = ScaledRegister(f"v{number}"), f"v{number}"
        self._depth[number], self._slots[number] = 0, frozenset()

    def _as_condition(self, op: Op) -> str:
        """What is true where the register is not 0, if there is a shorter text than the register's own."""
        if op.kind in ("and", "or"):
            return f"({self._condition[op.a]} {op.kind} {self._condition[op.b]})"
        return f"(not {self._condition[op.a]})" if op.kind == "not" else ""

    def _value(self, op: Op) -> ScaledRegister:
        """An operation's value: a sum or a product with a constant goes on with what it is of."""
        if op.kind == "neg":
            return self._linear[op.a].times(-1)
        if op.kind in ("add", "sub", "mul"):
            a, b = self._constant(op.a), self._constant(op.b)
            if b is not None and a is None:
                first = self._linear[op.a]
                return first.times(b) if op.kind == "mul" else first.times(1, b if op.kind == "add" else -b)
            if a is not None and b is None:
                second = self._linear[op.b]
                return second.times(a) if op.kind == "mul" else second.times(1 if op.kind == "add" else -1, a)
        return ScaledRegister(self._expression(op))

    def _constant(self, number: int) -> int | None:
        return self.block[number].value if self.block[number].kind == "const" else None

    def _expression(self, op: Op) -> str:
        a, b, c = (self._linear[r].text() if i < OP_ARITY[op.kind] else "" for i, r in enumerate((op.a, op.b, op.c)))
        simple = {"add": "+", "sub": "-", "mul": "*", "lt": "<", "le": "<=", "eq": "==", "ne": "!="}
        if op.kind in simple:
            return f"({a} {simple[op.kind]} {b})"
        if op.kind in ("and", "or"):
            if all(self.block[r].low >= 0 and self.block[r].high <= 1 for r in op.args):
                return f"({a} {op.kind} {b})"
            return f"(1 if {self._as_condition(op)} else 0)"
        if op.kind == "not":
            return f"(0 if {self._condition[op.a]} else 1)"
        if op.kind == "const":
            return str(op.value) if op.value >= 0 else f"({op.value})"
        if op.kind == "div":
            return self._division(op, a, b)
        if op.kind == "select":
            return f"({b} if {self._condition[op.a]} else {c})"
        if op.kind in ("min", "max"):
            return f"({a} if {a} {'<' if op.kind == 'min' else '>'} {b} else {b})"
        return self._rare(op, a, b)

    def _rare(self, op: Op, a: str, b: str) -> str:
        texts = {
            "load": f"s{op.value}",
            "abs": f"abs({a})",
            "mod": f"({a} % {b})",
            "table": f"tables[{op.value}]({a})",
            "fresh": f"f{op.value}",
            "age": f"(now - l{op.value} if f{op.value} else {H - 1})",
            "awake": f"awake[{op.value}]",
        }
        if op.kind == "lookup":
            return f"lookups[{op.value}]({a}, {self.plan.lookups[op.value].default})"
        return texts[op.kind]

    def _division(self, op: Op, a: str, b: str) -> str:
        top, divisor = self.block[op.a], self._constant(op.b)
        if divisor is None or divisor < 0:
            return f"div_round({a}, {b})"
        half, linear = divisor // 2, self._linear[op.a]
        over = f">> {divisor.bit_length() - 1}" if divisor & (divisor - 1) == 0 else f"// {divisor}"
        positive = f"({linear.text(half)} {over})"
        if top.low >= 0:
            return positive
        return f"({positive} if {a} >= 0 else -({linear.times(-1).text(half)} {over}))"
