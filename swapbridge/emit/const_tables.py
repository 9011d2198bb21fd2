"""Emit room: the constant tables of one emitted file, each kept once however many places use it."""

from __future__ import annotations

from collections.abc import Sequence

from swapbridge.emit.bits import signed_literal


class ConstTables:
    """Collects ``static const`` arrays in the order they are first asked for, so that output is deterministic."""

    def __init__(self) -> None:
        self._names: dict[tuple[str, tuple[int, ...]], str] = {}
        self._notes: dict[str, str] = {}
        self._counts: dict[str, int] = {}

    def name(self, prefix: str, kind: str, values: Sequence[int], note: str = "") -> str:
        """Name of the table with these values, made now if no table has them.

        Parameters
        ----------
        prefix : str
            What the table is, for its name: ``crc`` gives ``crc_0``, ``crc_1``, ...
        kind : str
            Element type: a fixed-width C integer.
        values : sequence of int
            At least one; each fits `kind`.
        note : str
            Comment above the table.
        """
        key = (kind, tuple(values))
        if key not in self._names:
            number = self._counts.get(prefix, 0)
            self._counts[prefix] = number + 1
            self._names[key] = f"{prefix}_{number}"
            self._notes[self._names[key]] = note
        return self._names[key]

    def text(self) -> str:
        """The definitions, one after another."""
        out = []
        for (kind, values), name in self._names.items():
            if self._notes[name]:
                out.append(f"/* {self._notes[name]} */")
            out.append(f"static const {kind} {name}[{len(values)}] = {{")
            out.extend(_rows(kind, values))
            out.append("};\n")
        return "\n".join(out)


def _rows(kind: str, values: Sequence[int]) -> list[str]:
    cells = [_cell(kind, v) for v in values]
    width = max(len(c) for c in cells)
    per_row = max(1, 96 // (width + 2))
    return [
        "    " + ", ".join(f"{c:>{width}}" for c in cells[i : i + per_row]) + "," for i in range(0, len(cells), per_row)
    ]


def _cell(kind: str, value: int) -> str:
    if kind == "int64_t":
        return signed_literal(value)
    if kind == "int32_t":
        return signed_literal(value) if value == -(1 << 31) else str(value)
    return f"{kind[:-2].upper()}_C({value})" if kind in ("uint32_t", "uint64_t") else f"{value}U"
