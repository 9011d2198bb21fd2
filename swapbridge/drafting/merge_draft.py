"""Drafting room: merges a new draft with existing files: a person's lines stay, the draft's own are replaced.

A line is draft's while it carries draft's comment, or is what `new` wrote unchanged. What a person said of a signal in
a map (its role, its choices, its codes) stays with the signal, and whose message it is stays with the message.
"""

from __future__ import annotations

from collections.abc import MutableMapping
from dataclasses import replace
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, InlineTable, Table

from swapbridge.core.errors import InputError
from swapbridge.drafting.draft_text import MARK, NAMED_BY_DRAFT
from swapbridge.signalmap.signal_map import MapSignal, SignalMap


def merged_bridge(old: str, new: str, pristine: str) -> tuple[str, list[str]]:
    """The drafted bridge file with the lines of `old` that are a person's, and what draft changed its mind about.

    Parameters
    ----------
    old : str
        The bridge file that is there.
    new : str
        What the draft says now.
    pristine : str
        What `new` wrote into an empty folder.

    Raises
    ------
    InputError
        The file that is there is not TOML.
    """
    if old == pristine or not old.strip():
        return new, []
    try:
        there = tomlkit.parse(old)
    except TOMLKitError as error:
        raise InputError(
            f"bridge.toml is not TOML ({error}): check the line it names, or move the file away and draft again"
        ) from None
    made, first = tomlkit.parse(new), tomlkit.parse(pristine)
    notes: list[str] = []
    for key, item in there.items():
        if isinstance(item, AoT):
            _lay_list(made, str(key), item, notes)
        elif isinstance(item, Table):
            if key not in made:
                made[key] = item
            else:
                _lay(made[key], item, first.get(key, {}), str(key), notes)
        elif not _is_drafts(item):
            made[key] = item
    return tomlkit.dumps(made).replace("unreviewed = {on", "reviewed = {on"), notes


def _lay_list(made: MutableMapping[str, Any], key: str, there: AoT, notes: list[str]) -> None:
    """Messages by what they send; whatever else comes in lists is a person's."""
    if key not in made:
        made[key] = there
        return
    for table in there:
        name = table.get("send")
        mine = next((t for t in made[key] if t.get("send") == name), None)
        if mine is None:
            if not _all_drafts(table):
                made[key].append(table)
        else:
            _lay(mine, table, {}, str(name), notes)


def _lay(
    made: MutableMapping[str, Any], there: MutableMapping[str, Any], first: Any, where: str, notes: list[str]
) -> None:
    for key, item in there.items():
        before = first.get(key) if isinstance(first, MutableMapping | dict) else None
        if isinstance(item, Table):
            if key in made:
                _lay(made[key], item, before or {}, f"{where}.{key}", notes)
            elif not _all_drafts(item):
                made[key] = item
            continue
        if _is_drafts(item):
            if key == "reviewed" and "unreviewed" in made:
                made["unreviewed"] = item  # in its place; `merged_bridge` gives it its name
            elif key in made and _reviewed_alike(made[key], item):
                made[key] = item
            elif key in made and _value(made[key]) != _value(item):
                notes.append(f"{where} {key}: was {_words(item)}, is {_words(made[key])}")
            elif key not in made:
                notes.append(f"{where} {key}: is not drafted any more (was {_words(item)})")
        elif before is None or _value(before) != _value(item):
            made[key] = item


def _is_drafts(item: Any) -> bool:
    comment = getattr(getattr(item, "trivia", None), "comment", "")
    return bool(comment.lstrip("# ").startswith(MARK))


def _reviewed_alike(made: Any, there: Any) -> bool:
    """Whether somebody reviewed a line that the draft would write again as it is."""
    if not isinstance(there, InlineTable) or "reviewed" not in there or not isinstance(made, InlineTable):
        return False
    mine, old = made.unwrap(), there.unwrap()
    return {**mine, "unreviewed": True} == {**{k: v for k, v in old.items() if k != "reviewed"}, "unreviewed": True}


def _all_drafts(table: MutableMapping[str, Any]) -> bool:
    return all(_all_drafts(i) if isinstance(i, Table) else _is_drafts(i) for i in table.values())


def _value(item: Any) -> Any:
    plain = item.unwrap() if hasattr(item, "unwrap") else item
    return plain.get("value") if isinstance(plain, dict) and "value" in plain else plain


def _words(item: Any) -> str:
    text = str(_value(item))
    return text if len(text) <= 80 else f"{text[:77]}..."


def merged_map(old: SignalMap | None, new: SignalMap) -> SignalMap:
    """The drafted map with what a person said of its signals and senders in the map there; own messages stay."""
    if old is None:
        return new
    messages = []
    for message in new.messages:
        there = old.by_word(message.word)
        signals = tuple(
            s
            if there is None or (mine := there.signal(s.name)) is None or mine.layout != s.layout
            else _keeping(s, mine)
            for s in message.signals
        )
        named = there is not None and bool(set(there.senders) - NAMED_BY_DRAFT)  # a person knows whose message it is
        senders = there.senders if there is not None and named else message.senders
        messages.append(replace(message, signals=signals, senders=senders))
    known = {m.word for m in new.messages}
    messages += [m for m in old.messages if m.word not in known]
    nodes = {node.name: node for node in (*new.nodes, *old.nodes)}
    return replace(new, messages=tuple(messages), nodes=tuple(nodes.values()), foreign=old.foreign)


def _keeping(drafted: MapSignal, there: MapSignal) -> MapSignal:
    return replace(
        drafted,
        role=there.role or drafted.role,
        choices=there.choices or drafted.choices,
        not_available=there.not_available or drafted.not_available,
        error_codes=there.error_codes or drafted.error_codes,
        reference=there.reference or drafted.reference,
        authenticated=there.authenticated or drafted.authenticated,
        receivers=there.receivers or drafted.receivers,
    )
