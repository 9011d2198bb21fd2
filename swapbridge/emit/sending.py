"""Emit room: what a translator sends, as C: tasks, payloads, counters and checksums."""

from __future__ import annotations

from collections.abc import Sequence

from swapbridge.core.layout import pieces
from swapbridge.emit.bits import pack, piece_of, word_type
from swapbridge.emit.blocks import CBlockWriter, variant_roots, with_constants
from swapbridge.emit.checksum_functions import checksum_function
from swapbridge.emit.const_tables import ConstTables
from swapbridge.emit.ctext import comment_text, function, indent
from swapbridge.plan.plan import Field, Plan, Send, Variant


def task_functions(plan: Plan, blocks: CBlockWriter, prefix: str) -> list[str]:
    """``task_N``: a task's block, whose effect is what it stores."""
    return [
        function(
            f"/* every {task.period_us} us: {comment_text(task.name)} */",
            f"static void task_{number}({prefix}_state *self, uint32_t now_us)",
            blocks.statements(task.block, ()),
            ("self", "now_us"),
        )
        for number, task in enumerate(plan.tasks)
    ]


def build_functions(plan: Plan, blocks: CBlockWriter, tables: ConstTables, prefix: str) -> list[str]:
    """``build_N``, or ``build_N_V`` for a message of several forms, and the checksum functions of what is sent."""
    out = []
    for number, send in enumerate(plan.sends):
        for v, variant in enumerate(send.variants):
            out.append(
                function(
                    f"/* {comment_text(send.name)}{f', form {v}' if len(send.variants) > 1 else ''} */",
                    f"static bool {_build_name(number, v, send)}(const {prefix}_state *self, uint32_t now_us, "
                    "uint8_t *data)",
                    _build_lines(send, variant, blocks),
                    ("self", "now_us", "data"),
                )
            )
        if send.checksum is not None:
            out.append(checksum_function(f"send_{number}_checksum", send.checksum, send.length, tables))
    return out


def _build_name(number: int, variant: int, send: Send) -> str:
    return f"build_{number}_{variant}" if len(send.variants) > 1 else f"build_{number}"


def _build_lines(send: Send, variant: Variant, blocks: CBlockWriter) -> list[str]:
    body = blocks.statements(variant.block, variant_roots(variant))
    block = with_constants(variant.block)
    base = bytearray(variant.base)
    terms: dict[int, list[str]] = {}
    for k, field in enumerate(variant.fields):
        op = block[field.register]
        if op.kind == "const":
            field.layout.pack(base, op.value)
            continue
        field.layout.pack(base, 0)
        kind = word_type(field.layout.length)
        body.append(f"const {kind} w{k} = ({kind})r{field.register}; /* {comment_text(_field_words(field))} */")
        for piece in pieces(field.layout):
            terms.setdefault(piece.byte, []).append(piece_of(piece, f"w{k}"))
    for i, byte in enumerate(base):
        parts = terms.get(i, []) + ([f"{byte}U"] if byte or i not in terms else [])
        value = " | ".join(parts)
        body.append(f"data[{i}] = {value};" if i not in terms else f"data[{i}] = (uint8_t)({value});")
    if variant.send_if < 0:
        return [*body, "return true;"]
    return [*body, f"return {blocks.operand(block, variant.send_if)} != 0;"]


def _field_words(field: Field) -> str:
    unit = f", {field.unit}" if field.unit else ""
    return f"{field.name}: x {field.scale} + {field.offset}{unit}"


def build_cases(plan: Plan) -> list[str]:
    """The cases of ``switch (number)`` in send_build."""
    out = []
    for number, send in enumerate(plan.sends):
        out.append(f"case {number}:")
        if len(send.variants) == 1:
            out.append(f"    return build_{number}(self, now_us, data);")
            continue
        out.append(f"    switch (self->sends[{number}].variant) {{")
        for v in range(len(send.variants)):
            labels = [f"    case {turn}:" for turn, variant in enumerate(send.turns) if variant == v]
            if v + 1 == len(send.variants):
                labels = ["    default:"]
            out += [*labels, f"        return build_{number}_{v}(self, now_us, data);"]
        out.append("    }")
    return indent(out)


def seal_cases(plan: Plan) -> list[str]:
    """The cases of ``switch (number)`` in send_evaluate that write counter and checksum."""
    out = []
    for number, send in enumerate(plan.sends):
        body: list[str] = []
        for k, counter in enumerate(send.counters):
            name = f"self->more_counter_{number}_{k}" if k else "send->counter"
            turns = counter.high - counter.low + 1
            body += pack(counter.layout, "data", name)
            # Never beyond 32 bits: the step is taken off the top where it would wrap.
            body.append(
                f"{name} = ({name} > UINT32_C({counter.high - counter.step})) ? "
                f"{name} - UINT32_C({turns - counter.step}) : {name} + UINT32_C({counter.step});"
            )
        if send.checksum is not None:
            kind = word_type(send.checksum.layout.length)
            body.append(f"const {kind} sum = ({kind})send_{number}_checksum(data);")
            body += pack(send.checksum.layout, "data", "sum")
        if body:
            out += [f"case {number}: {{", *indent(body), "    break;", "}"]
    return indent(out)


def more_counters(plan: Plan) -> list[tuple[str, int]]:
    """Members of the state for the further counters of messages that have several, and where each begins."""
    return [
        (f"more_counter_{number}_{k}", counter.low)
        for number, send in enumerate(plan.sends)
        for k, counter in enumerate(send.counters)
        if k
    ]


def settings_rows(plan: Plan) -> tuple[list[str], int]:
    """Rows of `send_plan`, and the bytes that `last_sent` needs; no place in it where no send is sent on change."""
    rows, offset = [], 0
    checks = any(s.check_us for s in plan.sends)
    lingers = any(s.linger_us for s in plan.sends)
    living = any(s.with_bus for s in plan.sends)
    claim_of = {n: k for k, claim in enumerate(plan.claims, 1) for n in claim.sends}
    for number, send in enumerate(plan.sends):
        low = send.counter.low if send.counter is not None else 0
        numbers = [
            f"0x{send.word:X}U",
            *(f"{v}U" for v in (send.period_us, send.delay_us, send.gap_us, send.check_us)),
            *([f"{send.linger_us}U"] if lingers else []),
            *(f"{v}U" for v in (low, len(send.turns))),
            *([f"{offset}U"] if checks else []),
            *(f"{v}U" for v in (send.bus, send.length, send.states, send.count)),
            *([_flag(send.with_bus)] if living else []),
            *([f"{claim_of.get(number, 0)}U"] if claim_of else []),
            _flag(send.is_fd),
        ]
        rows += [f"    /* {comment_text(send.name)} */", f"    {{{', '.join(numbers)}}},"]
        if send.check_us:
            offset += send.length
    return rows, offset


def _flag(value: bool) -> str:
    return "true" if value else "false"


def number_rows(values: Sequence[int]) -> str:
    """Rows of a const array of unsigned numbers, eight a row."""
    cells = [f"{v}U" for v in values]
    return "\n".join("    " + ", ".join(cells[i : i + 8]) + "," for i in range(0, len(cells), 8))
