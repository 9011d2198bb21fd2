"""Page room: a finding taken into a map, as it was found or as a person edited it, and the new map read back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

from swapbridge.core.errors import InputError, SwapbridgeError
from swapbridge.core.identifier_words import format_identifier, identifier_word
from swapbridge.core.layout import Layout
from swapbridge.signalmap.accept import accept_findings, same_place
from swapbridge.signalmap.dbc_read import exact_number, load_map
from swapbridge.signalmap.dbc_write import format_map
from swapbridge.signalmap.edit import NOTHING, MapChange, set_in_map
from swapbridge.signalmap.findings import Findings, FoundField, FoundMessage
from swapbridge.signalmap.signal_map import MapMessage, MapSignal, SignalMap

BY_HAND = "Set by hand on the browser page."
FOUND = "Found by guess"


def taken_into(
    before: SignalMap | None,
    found: Findings,
    message: FoundMessage,
    field: str,
    name: str,
    edits: Mapping[str, Any],
) -> tuple[SignalMap, str]:
    """A map with one field of the findings in it, and what the signal is called there.

    Parameters
    ----------
    before : SignalMap or None
        The map as it is.
    found : Findings
    message : FoundMessage
        The findings, and the message of them that has the field.
    field, name : str
        What the field is called there, and what it will be called.
    edits : mapping
        What a person said instead of what was found (start, length, byte_order, signed, and as text scale, offset,
        unit); empty for none. An edited field is set by hand: how sure the search was of the other one says nothing
        about it, and is not kept.

    Raises
    ------
    InputError
        It contradicts the map, lies outside the payload, or the map has another signal of that name.
    """
    label = format_identifier(message.identifier, message.extended)
    chosen = next(f for f in message.fields if f.name == field)
    if edits:
        chosen = _by_hand(chosen, edits)
    layout = chosen.layout
    if not layout.fits(message.length):
        raise InputError(
            f"start bit {layout.start} with {layout.length} bits leaves the {message.length} bytes of {label}: "
            "change start or length"
        )
    selectors = tuple(f for f in message.fields if chosen.mux is not None and f.name == chosen.mux[0])
    only = replace(found, messages=(replace(message, fields=(*selectors, chosen)),))
    taken = accept_findings(only, before, min_confidence=0.0, names={f"{label}.{field}": name})
    if taken.conflicts:
        raise InputError("; ".join(taken.conflicts))
    word = identifier_word(message.identifier, message.extended)
    if edits:
        return _set_by_hand(taken.signal_map, word, layout, edits)
    whole = taken.signal_map.by_word(word)
    assert whole is not None
    return taken.signal_map, _twin(whole, layout).name


def check_map(meant: SignalMap, new: Path) -> None:
    """Read a new map back before it replaces anything.

    Raises
    ------
    InputError
        It can't be read, or reads as another map than was meant.
    """
    try:
        back = load_map(new)
        same = format_map(back) == format_map(meant)
    except SwapbridgeError as error:
        words = str(error).replace(str(new), "it")
        raise InputError(f"the map could not be read again, so nothing was written: {words}") from None
    if not same:
        lost = sorted(set(_names(meant)) ^ set(_names(back)))
        new_notes = [note for note in back.notes if note not in meant.notes]
        what = f" ({'; '.join((*new_notes[:1], *lost[:3]))})"
        raise InputError(f"the map would not read back as written{what}; nothing was written")


def _names(signal_map: SignalMap) -> list[str]:
    return [f"{m.name}.{s.name}" for m in signal_map.messages for s in m.signals]


def _by_hand(found: FoundField, edits: Mapping[str, Any]) -> FoundField:
    """The field as a person says it is: no evidence, and no method or names that were found for other bits."""
    layout = Layout(edits["start"], edits["length"], edits["byte_order"], edits["signed"])
    edited = replace(found, layout=layout, confidence=1.0, layout_confidence=1.0)
    if layout == found.layout:
        return replace(edited, evidence={k: found.evidence[k] for k in ("choices", "value") if k in found.evidence})
    kind = found.kind if found.kind in ("mux", "flag") else "analogue"
    return replace(edited, evidence={}, method=None, kind=kind)


def _set_by_hand(signal_map: SignalMap, word: int, layout: Layout, edits: Mapping[str, Any]) -> tuple[SignalMap, str]:
    message = signal_map.by_word(word)
    assert message is not None
    old = _twin(message, layout)
    change = MapChange(
        signed=layout.signed if old.layout.positions == layout.positions else None,
        scale=_exact(edits["scale"], "the scale"),
        offset=_exact(edits["offset"], "the offset"),
        unit=str(edits["unit"]) or NOTHING,
    )
    changed = set_in_map(signal_map, f"{message.name}.{old.name}", change).signal_map
    by_person = bool(old.comment) and not old.comment.startswith(FOUND)

    def marked(s: MapSignal) -> MapSignal:
        if s.name != old.name:
            return s
        return replace(s, evidence={"by_hand": True}, comment=old.comment if by_person else BY_HAND)

    messages = tuple(
        replace(m, signals=tuple(map(marked, m.signals))) if m.word == word else m for m in changed.messages
    )
    return replace(changed, messages=messages), old.name


def _twin(message: MapMessage, layout: Layout) -> MapSignal:
    """The signal of a message that stands where a field was taken in."""

    def here(s: MapSignal) -> bool:
        field = MapSignal("field", layout, mux_signal=s.mux_signal, mux_values=s.mux_values, evidence={"seen": True})
        return same_place(s, field)

    return next(s for s in message.signals if here(s))


def _exact(text: Any, what: str) -> Fraction:
    try:
        return exact_number(str(text).strip())
    except InputError as error:
        raise InputError(f"{what}: {error}") from None
