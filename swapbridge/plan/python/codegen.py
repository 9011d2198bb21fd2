"""Plan room: Python source specialised for one checked plan: tables, packing, checksums.

Only integers of a plan that `check_plan` accepted are written into it, never a name or text of a file.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from swapbridge.core.integrity import Checksum, FieldSum, is_added, turns_of
from swapbridge.core.layout import Layout, Piece, SplitLayout, pieces
from swapbridge.plan.plan import Lookup, Send, Table

M = 0xFFFF_FFFF
PLAIN_BYTE = tuple(range(256))
"""Table of a byte that goes into a checksum as it is: an XOR, a plain sum."""


def make_table(table: Table) -> Callable[[int], int]:
    """The `table` operation of one table as a function."""
    from bisect import bisect_right

    from swapbridge.plan.plan import div_round

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


def extract_text(layout: Layout) -> str:
    """Expression for the raw value of a layout in `data`, which is long enough."""
    if isinstance(layout, SplitLayout):
        return f"({extract_text(layout.lower)} | {extract_text(layout.upper)} << {layout.lower.length})"
    positions = layout.positions
    first = min(p >> 3 for p in positions)
    last = max(p >> 3 for p in positions)
    shift = positions[0] & 7
    if first == last:
        text = f"data[{first}]"
    elif last - first <= 2:
        order = range(first, last + 1) if layout.byte_order == "little_endian" else range(last, first - 1, -1)
        parts = [f"data[{i}] << {8 * k}" if k else f"data[{i}]" for k, i in enumerate(order)]
        text = f"({' | '.join(parts)})"
    else:
        word = "little" if layout.byte_order == "little_endian" else "big"
        text = f"from_bytes(data[{first}:{last + 1}], '{word}')"
    if shift:
        text = f"({text} >> {shift})"
    bits = 8 * (last - first + 1) - shift
    if bits > layout.length:
        text = f"({text} & {(1 << layout.length) - 1})"
    if layout.signed:
        half = 1 << (layout.length - 1)
        text = f"(({text} ^ {half}) - {half})"
    return text


def _layouts(send: Send) -> list[Layout]:
    """Layouts of everything that is written into a send's payload."""
    parts = [part.layout for part in (*send.counters, send.checksum) if part is not None]
    return parts + [field.layout for variant in send.variants for field in variant.fields]


def known_bytes(send: Send) -> dict[int, int]:
    """Payload bytes that are the same in every frame of a send."""
    written = {position >> 3 for layout in _layouts(send) for position in layout.positions}
    bases = [variant.base for variant in send.variants]
    return {i: bases[0][i] for i in range(send.length) if i not in written and len({b[i] for b in bases}) == 1}


class Packer:
    """Collects what is written into a payload, as one expression for each byte."""

    def __init__(self, base: bytes) -> None:
        self._bases = list(base)
        self._parts: list[list[str]] = [[] for _ in base]

    def clear(self, layout: Layout) -> None:
        """Make the layout's bits 0 in the base."""
        for piece in pieces(layout):
            self._bases[piece.byte] &= ~(piece.mask << piece.low)

    def add(self, layout: Layout, text: str) -> None:
        """Put the raw value `text` (known to fit) into the layout's bits, which are 0 so far."""
        for piece in pieces(layout):
            self._parts[piece.byte].append(piece_text(layout, piece, text))

    def byte(self, number: int) -> str:
        """Expression of one byte."""
        base = [str(self._bases[number])] if self._bases[number] or not self._parts[number] else []
        return " | ".join([*self._parts[number], *base])


def piece_text(layout: Layout, piece: Piece, text: str) -> str:
    """Expression for one piece of the raw value `text` (known to fit the layout), where it stands in its byte."""
    top = piece.weight + piece.width == layout.length
    moved = f"{text} >> {piece.weight}" if piece.weight else text
    if layout.signed or not top:
        moved = f"{moved} & {piece.mask}"
    if not piece.low:
        return moved
    return f"({moved}) << {piece.low}" if moved != text else f"{text} << {piece.low}"


def checksum_tables(checksum: Checksum, length: int) -> tuple[int, dict[int, tuple[int, ...]]]:
    """A checksum without its `by_counter` as a constant and one table of 256 for every byte that matters.

    A CRC or other affine method is the XOR of the constant and the tables' entries; a sum is their sum (of a sum of
    fields, before it is folded). The checksum's own bits count as zero, whatever they are.
    """
    method = checksum.method
    worth = method.total if isinstance(method, FieldSum) else method.value
    added = is_added(method)
    # what may be taken off a sum without changing it: a sum that is folded is kept whole
    turns = 0 if isinstance(method, FieldSum) and not method.is_plain else turns_of(method)
    constant = worth(bytes(length))
    own = set(checksum.layout.positions)
    tables: dict[int, tuple[int, ...]] = {}
    for byte in range(length):
        weights = []
        for bit in range(8):
            payload = bytearray(length)
            if 8 * byte + bit not in own:
                payload[byte] = 1 << bit
            value = worth(bytes(payload))
            weights.append(value ^ constant if not added else (value - constant) % turns if turns else value - constant)
        if any(weights):
            tables[byte] = _sums_of(weights, added)
    return constant, tables


def _sums_of(weights: list[int], added: bool) -> tuple[int, ...]:
    """What each value of a byte comes to, from the weights of its bits: each bit doubles the table."""
    table = [0]
    for weight in weights:
        table += [value + weight for value in table] if added else [value ^ weight for value in table]
    return tuple(table)


def checksum_text(
    checksum: Checksum,
    number: int,
    constant: int,
    tables: Mapping[int, tuple[int, ...]],
    known: Mapping[int, int],
) -> str:
    """Expression for a checksum's value over `data`, by its tables `crc{number}_{byte}`; `known` bytes never change.

    A byte whose table is `PLAIN_BYTE` stands for itself.
    """
    method, is_sum = checksum.method, is_added(checksum.method)
    parts = []
    for byte, table in tables.items():
        if byte in known:
            constant = constant + table[known[byte]] if is_sum else constant ^ table[known[byte]]
        elif table == PLAIN_BYTE:
            parts.append(f"data[{byte}]")
        else:
            parts.append(f"crc{number}_{byte}[data[{byte}]]")
    parts += [str(constant)] if constant or not parts else []
    extra = ""
    if checksum.counter is not None and checksum.by_counter:
        extra = f"by{number}[{extract_text(checksum.counter)} % {len(checksum.by_counter)}]"
    text = (" + " if is_sum else " ^ ").join(parts)
    if isinstance(method, FieldSum):
        finished = f"finish{number}({text})"
        return f"(({finished} + {extra}) % {method.turns})" if extra else finished
    text = f"{text} {'+' if is_sum else '^'} {extra}" if extra else text
    return f"(({text}) & {(1 << method.width) - 1})" if is_sum else f"({text})"
