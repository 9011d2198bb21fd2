"""Drafting room: makes a draft compile: a refused rule becomes open, a message without a rule is not sent."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace

from swapbridge.compiler.compile import compile_bridge
from swapbridge.core.errors import InputError, RefusedError
from swapbridge.drafting.draft_text import bridge_text, draft_map
from swapbridge.drafting.drafted import Drafted, DraftedMessage, Explained
from swapbridge.drafting.merge_draft import merged_map
from swapbridge.drafting.swap_sources import Swap
from swapbridge.language.reading import parse_bridge
from swapbridge.signalmap.dbc_read import parse_map
from swapbridge.signalmap.dbc_write import encode_map
from swapbridge.signalmap.signal_map import SignalMap

MOST_ROUNDS = 6
_FILE = "draft"
_PLACE = re.compile(rf"^\s*{_FILE}:(\d+):\d+: (.*)$", re.MULTILINE)


def compilable(swap: Swap, drafted: Drafted, maps: Mapping[str, SignalMap] | None = None) -> Drafted:
    """The draft without what the compiler refuses, each with its reason; as it is where nothing is refused.

    Parameters
    ----------
    swap : Swap
        Both vehicles.
    drafted : Drafted
        The draft.
    maps : mapping of str to SignalMap, optional
        What a person has said of a bus by now: frames of a module that is named there as one of steering, brakes or
        restraint are refused for what they are.

    Returns
    -------
    Drafted
        The same draft if nothing is refused.
    """
    for _ in range(MOST_ROUNDS):
        reasons = _refusals(swap, drafted, maps or {})
        if not reasons:
            break
        text = bridge_text(swap, drafted, _FILE).splitlines()
        fields: dict[tuple[str, str], str] = {}
        messages: dict[str, str] = {}
        for line, reason in reasons.items():
            send, name = _rule_at(text, line)
            if name:
                fields[send, name] = reason
            elif send:
                messages[send] = reason
        if not fields and not messages:
            break
        drafted = replace(drafted, messages=tuple(_without(m, fields, messages) for m in drafted.messages))
    return drafted


def _refusals(swap: Swap, drafted: Drafted, there: Mapping[str, SignalMap]) -> Mapping[int, str]:
    """What the compiler refuses of a draft, by line of its bridge file."""
    maps: dict[str, SignalMap] = {
        bus: parse_map(encode_map(merged_map(there.get(bus), draft_map(swap, bus, drafted))).decode())
        for bus in ("host", "donor")
    }
    try:
        compile_bridge(parse_bridge(bridge_text(swap, drafted, _FILE), _FILE), maps)
    except (RefusedError, InputError) as error:
        return {int(line): reason for line, reason in _PLACE.findall(str(error))}
    return {}


def _rule_at(text: list[str], line: int) -> tuple[str, str]:
    """(message, field) of a line of a bridge file; "" where it belongs to none."""
    row = min(line, len(text)) - 1
    found = re.match(r"(\w+) = \{", text[row])
    name = found[1] if found and "value = " in text[row] else ""
    while row >= 0 and not text[row].startswith("["):
        row -= 1
    if row >= 0 and text[row] == "[messages.signals]":
        while row >= 0 and text[row] != "[[messages]]":
            row -= 1
    elif row < 0 or text[row] != "[[messages]]":
        return "", ""
    send = re.match(r'send = "([^"]+)"', text[row + 1])
    return (send[1] if send else ""), name


def _without(
    made: DraftedMessage, fields: Mapping[tuple[str, str], str], messages: Mapping[str, str]
) -> DraftedMessage:
    send = f"{made.bus}.{made.message.name}"
    if send in messages:
        return replace(made, refused=f"the compiler refuses it: {messages[send]}")
    if made.refused:
        return made
    refused = [f for f in made.fields if (send, f.name) in fields]
    if any(f.how == "open" for f in refused):  # not even its safe answer can be sent
        reason = next(fields[send, f.name] for f in refused if f.how == "open")
        return replace(made, refused=f"the compiler refuses it: {reason}")
    return replace(made, fields=tuple(_opened(f, fields.get((send, f.name), "")) for f in made.fields))


def _opened(one: Explained, reason: str) -> Explained:
    if not reason:
        return one
    if "64 bits" in reason:  # the compiler's own words hold the formula and twenty digits
        reason = "its numbers are finer than a translator can calculate exactly"
    return replace(
        one, how="open", confidence=0.0, value=one.fallback, seen=(), unreviewed=True, runner_up=one.words,
        words=f"a rule was found that the compiler refuses: {reason}", closes="a rule written by hand",
    )  # fmt: skip
