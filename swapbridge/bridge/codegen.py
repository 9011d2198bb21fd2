"""Bridge room: Python source specialised for one checked plan: expressions, packing, checksums.

Only integers of a plan that `check_plan` accepted are written into it, never a name or text of a file.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from swapbridge.bridge.plan import OP_ARITY, Block, Lookup, Op, Plan, Table
from swapbridge.core.integrity import Checksum, Sum
from swapbridge.core.layout import Layout

M = 0xFFFF_FFFF
H = 1 << 31
MAX_NESTING = 12
"""Operations written into one another, so that no expression is too deep for Python's own parser."""


class BlockWriter:
    """Writes the operations of one block as Python statements; values used once go into their user's expression."""

    def __init__(self, plan: Plan, block: Block, keep: set[int], indent: str) -> None:
        self.plan, self.block, self.indent = plan, block, indent
        self.lines: list[str] = []
        self.written_slots: set[int] = set()
        self.read_slots: set[int] = set()
        self._text: dict[int, str] = {}
        self._depth: dict[int, int] = {}
        self._uses = [0] * len(block)
        for op in block:
            for arg in op.args:
                # comparisons that name a side twice keep it in a variable
                self._uses[arg] += 2 if op.kind in ("min", "max", "div", "abs", "table", "lookup") else 1
        for register in keep:
            self._uses[register] += 2
        self._stores = any(op.kind == "store" for op in block)
        wanted = set(keep)
        for number in range(len(block) - 1, -1, -1):
            if number in wanted or block[number].kind == "store":
                wanted.add(number)
                wanted.update(block[number].args)
        self._wanted = wanted

    def write(self) -> list[str]:
        """The statements, in order."""
        for number, op in enumerate(self.block):
            if number in self._wanted:
                self._write(number, op)
        return self.lines

    def register(self, number: int) -> str:
        """Expression for a register after `write`."""
        return self._text[number]

    def _write(self, number: int, op: Op) -> None:
        text = self._expression(op)
        if op.kind == "store":
            self.written_slots.add(op.value)
            self.lines.append(f"{self.indent}s{op.value} = {text}")
            # never the slot's own name: a later store to it would change what this register is
            self._text[number], self._depth[number] = text, 0
            return
        simple = op.kind == "const" or (op.kind in ("load", "fresh") and not self._stores)
        depth = 1 + max((self._depth[r] for r in op.args), default=0)
        if simple or (self._uses[number] <= 1 and not self._stores and depth < MAX_NESTING):
            self._text[number], self._depth[number] = text, depth
            return
        self.lines.append(f"{self.indent}v{number} = {text}")
        self._text[number], self._depth[number] = f"v{number}", 0

    def _expression(self, op: Op) -> str:
        a, b, c = (self._text[r] if i < OP_ARITY[op.kind] else "" for i, r in enumerate((op.a, op.b, op.c)))
        simple = {"add": "+", "sub": "-", "mul": "*", "lt": "<", "le": "<=", "eq": "==", "ne": "!="}
        if op.kind in simple:
            return f"({a} {simple[op.kind]} {b})"
        if op.kind == "const":
            return str(op.value) if op.value >= 0 else f"({op.value})"
        if op.kind == "load":
            self.read_slots.add(op.value)
            return f"s{op.value}"
        if op.kind == "store":
            return a
        if op.kind == "div":
            return self._division(op, a, b)
        if op.kind == "select":
            return f"({b} if {a} else {c})"
        if op.kind in ("min", "max"):
            return f"({a} if {a} {'<' if op.kind == 'min' else '>'} {b} else {b})"
        return self._rare(op, a, b)

    def _rare(self, op: Op, a: str, b: str) -> str:
        if op.kind == "and":
            return f"(1 if {a} and {b} else 0)"
        if op.kind == "or":
            return f"(1 if {a} or {b} else 0)"
        if op.kind == "not":
            return f"(0 if {a} else 1)"
        if op.kind == "neg":
            return f"(-{a})"
        if op.kind == "abs":
            return f"abs({a})"
        if op.kind == "mod":
            return f"({a} % {b})"
        if op.kind == "table":
            return f"tables[{op.value}]({a})"
        if op.kind == "lookup":
            return f"lookups[{op.value}]({a}, {self.plan.lookups[op.value].default})"
        if op.kind == "fresh":
            return f"f{op.value}"
        if op.kind == "age":
            return f"(now - l{op.value} if f{op.value} else {H - 1})"
        if op.kind == "awake":
            return f"awake[{op.value}]"
        raise ValueError(op.kind)  # check_plan has refused it

    def _division(self, op: Op, a: str, b: str) -> str:
        top, bottom = self.block[op.a], self.block[op.b]
        if bottom.kind != "const":
            return f"div_round({a}, {b})"
        divisor = bottom.value
        if divisor < 0:
            return f"div_round({a}, {b})"
        half = divisor // 2
        over = f">> {divisor.bit_length() - 1}" if divisor & (divisor - 1) == 0 else f"// {divisor}"
        positive = f"(({a} + {half}) {over})"
        if top.low >= 0:
            return positive
        return f"({positive} if {a} >= 0 else -(({half} - {a}) {over}))"


def make_table(table: Table) -> Callable[[int], int]:
    """The `table` operation of one table as a function."""
    from bisect import bisect_right

    from swapbridge.bridge.plan import div_round

    x, y = table.x, table.y
    first, last, y_first, y_last = x[0], x[-1], y[0], y[-1]

    def at(a: int) -> int:
        if a <= first:
            return y_first
        if a >= last:
            return y_last
        i = bisect_right(x, a) - 1
        return y[i] + div_round((a - x[i]) * (y[i + 1] - y[i]), x[i + 1] - x[i])

    return at


def make_lookup(lookup: Lookup) -> Callable[[int, int], int]:
    """The `lookup` operation of one lookup as a function of value and default."""
    return dict(zip(lookup.keys, lookup.values, strict=True)).get


def extract_text(layout: Layout, data: str = "data") -> str:
    """Expression for the raw value of a layout in bytes that are long enough."""
    positions = layout.positions
    first = min(p >> 3 for p in positions)
    last = max(p >> 3 for p in positions)
    shift = positions[0] & 7
    if first == last:
        text = f"{data}[{first}]"
    elif last - first <= 2:
        order = range(first, last + 1) if layout.byte_order == "little_endian" else range(last, first - 1, -1)
        parts = [f"{data}[{i}] << {8 * k}" if k else f"{data}[{i}]" for k, i in enumerate(order)]
        text = f"({' | '.join(parts)})"
    else:
        word = "little" if layout.byte_order == "little_endian" else "big"
        text = f"from_bytes({data}[{first}:{last + 1}], '{word}')"
    if shift:
        text = f"({text} >> {shift})"
    bits = 8 * (last - first + 1) - shift
    if bits > layout.length:
        text = f"({text} & {(1 << layout.length) - 1})"
    if layout.signed:
        half = 1 << (layout.length - 1)
        text = f"(({text} ^ {half}) - {half})"
    return text


def one_byte(layout: Layout) -> bool:
    """Whether a layout lies within one byte, where both byte orders are the same."""
    return layout.positions[0] >> 3 == layout.positions[-1] >> 3


def payload_order(layouts: Iterable[Layout]) -> str:
    """Byte order in which a payload is written as one integer: that of its longer signals, little where they differ."""
    longer = {layout.byte_order for layout in layouts if not one_byte(layout)}
    return "big" if longer == {"big_endian"} else "little"


class Packer:
    """Collects fields of a payload into one big integer that is written in `order`."""

    def __init__(self, base: bytes, order: str) -> None:
        self.length, self.order = len(base), order
        self._parts: list[str] = []
        self._reversed: list[str] = []
        self._base = int.from_bytes(base, "little")

    def add(self, layout: Layout, text: str, low: int) -> None:
        """Put the raw value `text` (known to fit) into the layout's bits, which are 0 so far."""
        if low < 0 or layout.signed:
            text = f"({text} & {(1 << layout.length) - 1})"
        lowest = layout.positions[0]
        falling = 8 * (self.length - 1 - (lowest >> 3)) + (lowest & 7)
        if self.order == "big":
            self._parts.append(_shifted(text, falling))
        elif layout.byte_order == "little_endian" or one_byte(layout):
            self._parts.append(_shifted(text, lowest))
        else:
            self._reversed.append(_shifted(text, falling))

    def clear(self, layout: Layout) -> None:
        """Make the layout's bits 0 in the base."""
        for position in layout.positions:
            self._base &= ~(1 << position)

    def text(self) -> str:
        """Integer expression of the payload."""
        base = int.from_bytes(self._base.to_bytes(self.length, "little"), self.order)  # type: ignore[arg-type]
        parts = [str(base)] if base else []
        parts += self._parts
        if self._reversed:
            parts.append(f"from_bytes(({' | '.join(self._reversed)}).to_bytes({self.length}, 'big'), 'little')")
        return " | ".join(parts) if parts else "0"


def _shifted(text: str, shift: int) -> str:
    return f"({text} << {shift})" if shift else text


def checksum_tables(checksum: Checksum, length: int) -> tuple[int, dict[int, tuple[int, ...]]]:
    """A checksum without its `by_counter` as a constant and one table of 256 for every byte that matters.

    A CRC or other affine method is the XOR of the constant and the tables' entries; a sum is their sum. The
    checksum's own bits count as zero, whatever they are.
    """
    method = checksum.method
    constant = method.value(bytes(length))
    own = set(checksum.layout.positions)
    tables: dict[int, tuple[int, ...]] = {}
    for byte in range(length):
        weights = []
        for bit in range(8):
            payload = bytearray(length)
            if 8 * byte + bit not in own:
                payload[byte] = 1 << bit
            weights.append(_contribution(method.value(bytes(payload)), constant, isinstance(method, Sum), method.width))
        if any(weights):
            tables[byte] = tuple(_combine(weights, value, isinstance(method, Sum)) for value in range(256))
    return constant, tables


def _contribution(value: int, constant: int, is_sum: bool, width: int) -> int:
    return (value - constant) % (1 << width) if is_sum else value ^ constant


def _combine(weights: list[int], value: int, is_sum: bool) -> int:
    out = 0
    for bit, weight in enumerate(weights):
        if value >> bit & 1:
            out = out + weight if is_sum else out ^ weight
    return out


def checksum_text(
    checksum: Checksum,
    number: int,
    constant: int,
    tables: Mapping[int, tuple[int, ...]],
    known: Mapping[int, int],
) -> str:
    """Expression for a checksum's value over `data`, by its tables `crc{number}_{byte}`; `known` bytes never change."""
    is_sum = isinstance(checksum.method, Sum)
    parts = []
    for byte, table in tables.items():
        if byte in known:
            constant = constant + table[known[byte]] if is_sum else constant ^ table[known[byte]]
        else:
            parts.append(f"crc{number}_{byte}[data[{byte}]]")
    parts += [str(constant)] if constant or not parts else []
    if checksum.counter is not None and checksum.by_counter:
        parts.append(f"by{number}[{extract_text(checksum.counter)} % {len(checksum.by_counter)}]")
    text = (" + " if is_sum else " ^ ").join(parts)
    return f"(({text}) & {(1 << checksum.method.width) - 1})" if is_sum else f"({text})"
