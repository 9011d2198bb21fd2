"""Emit room: the whole translator as C text, `emit_c`.

The parts that every translator shares stand in ``text/*.in`` as C with three kinds of marks: ``@word@`` is replaced,
a line ``@if word`` ... ``@else`` ... ``@end`` is kept where the plan has such things, and a line that is one mark
only takes as many lines as it stands for. Nothing depends on the date, the machine or the order of a set.
"""

from __future__ import annotations

import re
from importlib import resources

from swapbridge.core.errors import InputError
from swapbridge.emit.blocks import CBlockWriter, line_members, slot_type
from swapbridge.emit.blocks import literal as int_literal
from swapbridge.emit.const_tables import ConstTables
from swapbridge.emit.ctext import comment_text, names
from swapbridge.emit.node import node_flags, node_words
from swapbridge.emit.notes import notes_words
from swapbridge.emit.receiving import (
    counter_numbers,
    dispatch_lines,
    named_receives,
    pass_ranges,
    receive_functions,
    sender_place,
)
from swapbridge.emit.sending import (
    build_cases,
    build_functions,
    more_counters,
    number_rows,
    seal_cases,
    settings_rows,
    task_functions,
)
from swapbridge.plan.check import check_plan
from swapbridge.plan.joined_answer import Joined
from swapbridge.plan.plan import Plan
from swapbridge.plan.unreviewed import refuse_unreviewed

C_KEYWORDS = """
auto break case char const continue default do double else enum extern float for goto if inline int long register
restrict return short signed sizeof static struct switch typedef union unsigned void volatile while
"""
HELPERS = ("bits_to_signed", "multiply_high", "divide_32", "divide_64", "modulo_32", "modulo_64")


def emit_c(plan: Plan, name: str = "bridge") -> dict[str, str]:
    """The plan's translator as C99.

    Parameters
    ----------
    plan : Plan
        A checked plan (it is checked again here).
    name : str
        Prefix of files, types and functions: a C identifier in lower case.

    Returns
    -------
    files : dict
        File name to text: ``NAME.h`` and ``NAME.c`` are the translator, ``NAME_harness.c`` a host harness,
        ``NAME_linux.c`` and ``NAME_board.c`` example mains, ``NAME_notes.txt`` wiring, cautions and costs. The same
        plan and name give the same bytes.

    Raises
    ------
    InputError
        The name can't be a prefix in C, or the plan breaks its contract.
    RefusedError
        The plan holds rules that were learned and not reviewed.
    """
    if not re.fullmatch(r"[a-z][a-z0-9_]{0,30}", name) or name in C_KEYWORDS.split():
        raise InputError(
            f"{name!r} can't be a prefix in C: use a name of at most 31 lower-case letters, digits and underscores "
            "that begins with a letter"
        )
    check_plan(plan)
    refuse_unreviewed(plan, "no files for a board are written")
    return _filled(plan, name, ("bridge.h", "bridge.c", "harness.c", "linux.c", "board.c", "notes.txt"))


def native_sources(plan: Plan, name: str) -> dict[str, str]:
    """The translator and what a shared object of it adds for `NativeTranslator`."""
    check_plan(plan)
    return _filled(plan, name, ("bridge.h", "bridge.c", "native.c"))


def _filled(plan: Plan, name: str, texts: tuple[str, ...]) -> dict[str, str]:
    words, flags = _translator_words(plan, name)
    words.update(notes_words(plan, name), bus_arguments=" ".join(f"can{k}" for k in range(len(plan.buses))))
    out = {}
    for text in texts:
        target = text.replace("bridge", name) if text.startswith("bridge") else f"{name}_{text}"
        out[target] = fill(read_text(f"{text}.in"), words, flags)
    return out


def read_text(name: str) -> str:
    """A text of the package's ``emit/text`` folder."""
    return resources.files("swapbridge.emit").joinpath("text", name).read_text(encoding="utf-8")


def fill(text: str, words: dict[str, str], flags: dict[str, bool]) -> str:
    """Replace the marks of a text (see the module's first lines)."""
    out: list[str] = []
    kept: list[bool] = []
    for line in text.splitlines():
        if line.startswith("@if "):
            kept.append(flags[line[4:].strip()])
        elif line == "@else":
            kept[-1] = not kept[-1]
        elif line == "@end":
            kept.pop()
        elif all(kept):
            whole = re.fullmatch(r"@(\w+)@", line)
            if whole and not words[whole[1]]:
                continue
            out.append(re.sub(r"@(\w+)@", lambda mark: words[mark[1]], line))
    return "\n".join(out) + "\n"


def _translator_words(plan: Plan, name: str) -> tuple[dict[str, str], dict[str, bool]]:
    tables = ConstTables()
    blocks = CBlockWriter(plan, tables)
    tasks = task_functions(plan, blocks, name)
    builds = build_functions(plan, blocks, tables, name)
    receives = receive_functions(plan, tables, name)
    functions = "\n".join([*blocks.functions, *tasks, *builds])
    received = "\n".join(receives)
    dispatch = "\n".join(f"    {line}" for line in dispatch_lines(plan, name))
    rows, last_bytes = settings_rows(plan)
    upper = name.upper()
    ranges = {bus: pass_ranges(plan.passes, bus, len(plan.buses)) for bus in range(len(plan.buses))}
    action_rows, range_lines, action_count = _pass_tables(ranges)
    counters = counter_numbers(plan)
    data_bytes = 64 if any(b.fd for b in plan.buses) else 8
    words = {
        "name": name,
        "NAME": upper,
        "plan": comment_text(plan.name),
        "indent": " " * (len(f"{name}_result {name}_on_frame(")),
        "bus_numbers": _bus_numbers(plan, upper),
        "bus_count": str(len(plan.buses)),
        "data_bytes": str(data_bytes),
        "feed_count": str(len(plan.feeds)),
        "task_count": str(len(plan.tasks)),
        "send_count": str(len(plan.sends)),
        "pass_queue": str(plan.pass_queue),
        "counter_count": str(len(counters)),
        "sender_count": str(sum(r.any_sender for r in plan.receives)),
        "named_count": str(len(named_receives(plan))),
        "forget_named": "\n".join(
            f"        self->senders[{sender_place(plan, n)}] = 0U;" for n in named_receives(plan)
        ),
        "last_bytes": str(max(1, last_bytes)),
        "slots": _slot_lines(plan),
        "lines": "\n".join([*line_members(plan), *(f"    uint32_t {name};" for name, _ in more_counters(plan))]),
        "slot_starts": _slot_starts(plan),
        "tables": tables.text(),
        "bus_silent": ", ".join(f"{b.silent_us}U" for b in plan.buses),
        "bus_wakes": ", ".join("true" if b.wakes else "false" for b in plan.buses),
        "bus_lives": ", ".join(
            "true" if any(s.with_bus and s.bus == n for s in plan.sends) else "false" for n in range(len(plan.buses))
        ),
        "feed_max_age": number_rows([f.max_age_us for f in plan.feeds]),
        "feed_good_first": number_rows([f.good_first for f in plan.feeds]),
        "feed_good_again": number_rows([f.good_again for f in plan.feeds]),
        "task_period": number_rows([t.period_us for t in plan.tasks]),
        "task_offset": number_rows([t.offset_us for t in plan.tasks]),
        "send_plan": "\n".join(rows),
        "pass_action_count": str(action_count),
        "pass_actions": "\n".join(action_rows),
        "pass_ranges": "\n".join(range_lines),
        "functions": functions,
        "receives": received,
        "dispatch": dispatch,
        "unused_word": "" if names(dispatch, "word") else "    (void)word;",
        "task_cases": "\n".join(
            f"    case {k}:\n        task_{k}(self, now_us);\n        break;" for k in range(len(plan.tasks))
        ),
        "build_cases": "\n".join(build_cases(plan)),
        "slot_cases": "\n".join(f"    case {k}:\n        return self->slot_{k};" for k in range(len(plan.slots))),
        "seal_cases": "\n".join(seal_cases(plan)),
        **(_joined_words(plan.joined) if plan.joined is not None else {}),
        **node_words(plan),
    }
    flags = {
        "feeds": bool(plan.feeds),
        "sends": bool(plan.sends),
        "passes": action_count > 0,
        "joined": plan.joined is not None,
        "joined_gap": plan.joined is not None and plan.joined.gap_us > 0,
        "classic": data_bytes == 8,
        "counters": bool(counters),
        "senders": any(r.any_sender for r in plan.receives),
        "named": bool(named_receives(plan)),
        "checks": any(s.check_us for s in plan.sends),
        "lingers": any(s.linger_us for s in plan.sends),
        "living": any(s.with_bus for s in plan.sends),
        "claims": any(claim.sends for claim in plan.claims),
        **node_flags(plan),
        "arrivals": "feed_arrives(" in received,
        "young": "feed_is_young(" in received,
        "triggers": "send_asked_for(" in received + dispatch,
    }
    for helper in HELPERS:
        flags[f"helper_{helper}"] = helper in blocks.helpers or f"{helper}(" in received
    words["node"] = fill(read_text("node.c.in"), words, flags) if flags["node"] else ""
    return words, flags


def _joined_words(joined: Joined) -> dict[str, str]:
    return {
        "joined_bus": str(joined.bus),
        "joined_asks": " || ".join(f"word == UINT32_C(0x{word:X})" for word in joined.words),
        "joined_flow": f"{joined.flow_word:X}",
        "joined_word": f"{joined.word:X}",
        "joined_service": str(joined.service),
        "joined_answer": str(joined.service + 0x40),
        "joined_gap": str(joined.gap_us),
        "joined_parts": str(len(joined.parts)),
        "joined_numbers": number_rows([number for number, _ in joined.parts]),
        "joined_sends": number_rows([send for _, send in joined.parts]),
        "joined_bytes": str(1 + 6 * 6),
    }


def _slot_lines(plan: Plan) -> str:
    """The slots, widest first, so that nothing is lost between them."""
    types = [slot_type(s.low, s.high) for s in plan.slots]
    order = sorted(range(len(types)), key=lambda k: (-int(types[k][3:-2]), k))
    lines = []
    for k in order:
        slot = plan.slots[k]
        lines.append(f"    {types[k]} slot_{k}; /* {comment_text(slot.name)}: {slot.low} to {slot.high} */")
    return "\n".join(lines)


def _slot_starts(plan: Plan) -> str:
    starts = [plan.initial_state, *(s.initial for s in plan.slots[1:])]
    lines = []
    for k, (slot, start) in enumerate(zip(plan.slots, starts, strict=True)):
        kind = slot_type(slot.low, slot.high)
        if start:
            value = int_literal(start, kind) if kind in ("int32_t", "int64_t") else str(start)
            lines.append(f"    self->slot_{k} = {value};")
    lines += [f"    self->{name} = UINT32_C({low});" for name, low in more_counters(plan) if low]
    return "\n".join(lines)


def _pass_tables(ranges: dict[int, list[tuple[int, tuple[tuple[int, int], ...]]]]) -> tuple[list[str], list[str], int]:
    """Rows of pass_actions, definitions of pass_ranges_N, number of actions."""
    begins: dict[tuple[tuple[int, int], ...], int] = {(): 0}
    actions: list[tuple[int, int]] = []
    lines: list[str] = []
    for bus, own in ranges.items():
        if not any(done for _, done in own):
            continue
        lines.append(f"static const pass_range pass_ranges_{bus}[{len(own)}] = {{")
        for first, done in own:
            if done not in begins:
                begins[done] = len(actions)
                actions.extend(done)
            lines.append(f"    {{UINT32_C(0x{first:X}), {begins[done]}U, {len(done)}U}},")
        lines.append("};")
    rows = [
        f"    {{UINT32_C(0x{max(new, 0):X}), {target}U, {'true' if new >= 0 else 'false'}}}," for target, new in actions
    ]
    return rows, lines, len(actions)


def _bus_numbers(plan: Plan, upper: str) -> str:
    spelled = [re.sub(r"\W", "_", bus.name, flags=re.ASCII).upper() for bus in plan.buses]
    taken = {"COUNT"}
    lines = []
    for k, (bus, spelling) in enumerate(zip(plan.buses, spelled, strict=True)):
        own = spelling if spelling not in taken else f"{spelling}_{k}"
        taken.add(own)
        lines.append(f"    {upper}_BUS_{own} = {k}, /* {bus.bit_rate} bit/s, {bus.placement} */")
    return "\n".join(lines)
