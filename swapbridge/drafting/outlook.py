"""Drafting room: the outlook: what completely, what is open and what can't be made, before money is spent."""

from __future__ import annotations

from collections import Counter

from swapbridge.core.frames import format_identifier
from swapbridge.drafting.model import Drafted, DraftedMessage

SURE = 0.95


def label(made: DraftedMessage) -> str:
    """Bus and identifier of a message."""
    return f"{made.bus} {format_identifier(made.message.key.identifier, made.message.key.extended)}"


def outlook(drafted: Drafted) -> list[str]:
    """The outlook in sentences, the weightiest first.

    Parameters
    ----------
    drafted : Drafted
        A draft.

    Returns
    -------
    list of str
        Sentences, the most important first.
    """
    sent = [m for m in drafted.messages if not m.refused]
    never = [m for m in drafted.messages if m.refused]
    whole = [m for m in sent if all(f.how != "open" for f in m.fields)]
    fields = [f for m in sent for f in m.fields]
    opened = [(m, f) for m in sent for f in m.fields if f.how == "open"]
    out = [
        f"{len(drafted.messages)} messages will be missed: {len(whole)} completely, {len(sent) - len(whole)} "
        f"with open fields, {len(never)} not at all.",
        f"{len(fields) - len(opened)} of {len(fields)} fields that move are explained "
        f"({sum(f.confidence >= SURE for f in fields)} of them surely): {_kinds(drafted)}.",
    ]
    out += [f"{label(m)} can't be made: {m.refused}." for m in never]
    for m, f in opened:
        closes = f"; what would settle it: {f.closes}" if f.closes else ""
        out.append(f"{label(m)} {f.name} is open: {f.words}{closes}.")
    return out


def _kinds(drafted: Drafted) -> str:
    counts = Counter(f.how for m in drafted.messages for f in m.fields if f.how != "open")
    return ", ".join(f"{n} {how}" for how, n in counts.most_common()) or "none"
