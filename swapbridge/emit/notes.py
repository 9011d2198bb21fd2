"""Emit room: the notes that go with the C: buses, what is heard and sent, wiring, cautions."""

from __future__ import annotations

import textwrap

from swapbridge.core.cautions import cautions_for
from swapbridge.core.identifier_words import format_identifier, format_words, split_word
from swapbridge.emit.ctext import comment_text
from swapbridge.plan.plan import STATES, Plan, Send


def notes_words(plan: Plan, name: str) -> dict[str, str]:
    """What the marks of ``notes.txt.in`` stand for."""
    title = f'{name}: the translator "{comment_text(plan.name)}" in C'
    return {
        "title": f"{title}\n{'=' * len(title)}",
        "name": name,
        "bus_lines": "\n".join(
            f"  {k}  {comment_text(b.name)}: {b.bit_rate:,} bit/s"
            + (f" and {b.data_rate:,} bit/s in the data phase of CAN FD" if b.fd else "")
            + f", {'in line' if b.placement == 'inline' else 'added node'}"
            for k, b in enumerate(plan.buses)
        ),
        "receive_lines": "\n".join(
            f"  {_bus(plan, r.bus)} {_identifier(r.word)}  {comment_text(r.name)}" for r in plan.receives
        )
        or "  nothing",
        "send_lines": "\n".join(_send_line(plan, s) for s in plan.sends) or "  nothing",
        "pass_lines": "\n".join(
            f"  {_bus(plan, p.bus)} {format_words(p.first, p.last)}  "
            + ("blocked" if p.block else f"to {_bus(plan, p.to_bus)}")
            + (f" as {_identifier(p.new_word)}" if p.new_word >= 0 else "")
            for p in plan.passes
        ),
        "caution_lines": "\n".join(
            textwrap.fill(f"{c.title}. {c.text}", 98, initial_indent="  - ", subsequent_indent="    ")
            for c in cautions_for("send")
        ),
    }


def _send_line(plan: Plan, send: Send) -> str:
    when = []
    if send.count == 1:
        when.append("once after wake-up")
    elif send.count:
        when.append(f"{send.count} times after wake-up, {_ms(send.period_us)} ms apart")
    elif send.period_us:
        when.append(f"every {_ms(send.period_us)} ms")
    if send.check_us:
        when.append("on change")
    if send.gap_us:
        when.append(f"at least {_ms(send.gap_us)} ms apart")
    number = plan.sends.index(send)
    sources = [r.name for r in plan.receives if any(number in plan.feeds[f].triggers for f in r.feeds)]
    if sources:
        when.append(f"when {comment_text(' or '.join(sources))} arrives")
    if send.request is not None:
        when.append("on request")
    states = [s for k, s in enumerate(STATES) if (send.states >> k) & 1]
    if 0 < len(states) < len(STATES):
        when.append(f"in {', '.join(states).replace('_', ' ')}")
    line = f"{_bus(plan, send.bus)} {_identifier(send.word)}  {comment_text(send.name)}: {'; '.join(when) or 'never'}"
    return textwrap.fill(line, 98, initial_indent="  ", subsequent_indent=" " * 6)


def _ms(time_us: int) -> str:
    return f"{time_us // 1000}" if time_us % 1000 == 0 else f"{time_us // 1000}.{time_us % 1000:03d}".rstrip("0")


def _bus(plan: Plan, number: int) -> str:
    return "every bus" if number < 0 else comment_text(plan.buses[number].name)


def _identifier(word: int) -> str:
    identifier, extended = split_word(word)
    return format_identifier(identifier, extended)
