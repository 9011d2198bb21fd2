"""Drafting room: the outlook: what completely, what is open and what can't be made, before money is spent."""

from __future__ import annotations

from collections import Counter

from swapbridge.core.identifier_words import format_identifier
from swapbridge.core.vocabulary import spoken_words
from swapbridge.drafting.drafted import Drafted, DraftedMessage
from swapbridge.drafting.linking import warns
from swapbridge.drafting.swap_sources import ENGINE_CHANNELS, Swap

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
        f"{len(drafted.messages)} messages will be missed: {len(whole)} can be made completely, "
        f"{len(sent) - len(whole)} with open fields, {len(never)} not at all.",
        f"{len(fields) - len(opened)} of {len(fields)} fields that move are explained "
        f"({sum(f.confidence >= SURE for f in fields)} of them surely): {_kinds(drafted)}.",
    ]
    out += [f"{label(m)} can't be made: {m.refused}." for m in never]
    for m, f in opened:
        closes = f"; what would settle it: {f.closes}" if f.closes else ""
        out.append(f"{label(m)} {f.name} is open: {f.words}{closes}.")
    return out


def outlook_before_a_donor(swap: Swap, drafted: Drafted) -> list[str]:
    """What a donor's computer must send so that the host's messages can be made, in sentences, the weightiest first.

    Parameters
    ----------
    swap : Swap
        The host beside the donor that is asked for (`recordings.open_host`).
    drafted : Drafted
        The draft of that swap.

    Returns
    -------
    list of str
        Sentences, the most important first.
    """
    missed = [m for m in drafted.messages if m.bus == swap.host.bus]
    sent, never = [m for m in missed if not m.refused], [m for m in missed if m.refused]
    asked: dict[str, list[str]] = {}
    at_home: list[str] = []
    warnings: list[str] = []
    opened: list[str] = []
    for m in sent:
        for f in m.fields:
            place = f"{label(m)} {f.name}"
            needs = sorted(n for n, q in swap.quantities.items() if q.origin is not None and q.origin.text in f.value)
            engines = [n for n in needs if n in ENGINE_CHANNELS]
            flag = next((v for v in m.message.fields if v.layout == f.layout and v.kind == "flag"), None)
            if flag is not None and warns(swap, m.message, flag) is not None:
                warnings.append(place)
            elif f.how == "open":
                opened.append(f"{place}: {f.words}")
            elif engines:
                for name in engines:
                    asked.setdefault(name, []).append(place)
            else:
                at_home.append(place)
    most = sorted(asked, key=lambda name: (-len(asked[name]), name))
    out = [
        f"{len(missed)} messages will be missed without the old engine's computer; {len(never)} of them can't be made "
        "by any donor.",
        "A donor's computer must send: "
        + (", ".join(f"{spoken_words(n)} ({_fields(len(asked[n]))})" for n in most) or "nothing that is known yet")
        + ".",
    ]
    if warnings:
        out.append(f"It also needs a warning of its own, or what it warns of, for {_fields(len(warnings))}: "
                   f"{', '.join(warnings)}. Without one, each is sent lit.")  # fmt: skip
    if at_home:
        out.append(f"{_fields(len(at_home))} need no donor: the host's other modules, the key or the time tell them.")
    out += [f"{label(m)} can't be made: {m.refused}." for m in never]
    out += [f"No donor is known to help with {text}." for text in opened]
    return out


def _fields(count: int) -> str:
    return "1 field" if count == 1 else f"{count} fields"


def _kinds(drafted: Drafted) -> str:
    counts = Counter(f.how for m in drafted.messages for f in m.fields if f.how != "open")
    return ", ".join(f"{n} {how}" for how, n in counts.most_common()) or "none"
