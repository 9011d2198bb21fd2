"""Guessing room, meaning side: parameters of public J1939 groups: their layout and meaning are known, not guessed.

Only on a bus that `surveying.groups_heard` recognised. What the frames show still counts: a parameter is named where it
held a measurement, and a channel counts as followed where the comparison found so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from swapbridge.capture.capture import Capture
from swapbridge.core.errors import InputError
from swapbridge.core.identifier_words import EXTENDED_BIT
from swapbridge.core.j1939_groups import Parameter
from swapbridge.core.layout import layout_from_positions
from swapbridge.signalmap.findings import FoundField, FoundGroup, FoundMessage
from swapbridge.surveying.groups_heard import ReceivedGroup, groups_heard

SURE = 0.999
"""Of a parameter that the standard places there, on a bus that speaks it; a maker may still have bent it."""
AGREES = 0.5
"""A claim as likely as this on the same bits is kept as what the parameter follows."""


def with_public_groups(messages: Sequence[FoundMessage], capture: Capture) -> tuple[FoundMessage, ...]:
    """Findings with the groups of J1939 named, and the parameters of public ones in place of what was cut there."""
    heard = {(g.bus, g.identifier.word): g for g in groups_heard(capture)}
    if not heard:
        return tuple(messages)
    out = []
    for message in messages:
        group = heard.get((message.bus, message.identifier | EXTENDED_BIT)) if message.extended else None
        out.append(message if group is None else _named(message, group))
    return tuple(out)


def _named(message: FoundMessage, group: ReceivedGroup) -> FoundMessage:
    number, source = group.identifier.number, group.identifier.source
    public = group.public
    known = FoundGroup(number, source, public.name if public else "", group.words)
    if public is None or any(f.mux is not None for f in message.fields):
        return replace(message, group=known)
    # a parameter that was never available shows nothing, and nothing else stands there either
    taken = {p for one in public.parameters for p in one.layout.positions}
    kept = [left for f in message.fields if (left := _outside(f, taken)) is not None]
    fields = [_field(one, message.fields) for one in group.there]
    together = sorted([*kept, *fields], key=lambda f: min(f.layout.positions))
    return replace(message, fields=tuple(together), group=known)


def _outside(found: FoundField, taken: set[int]) -> FoundField | None:
    """What of a found field lies outside the known parameters; None where nothing does."""
    left = tuple(p for p in found.layout.positions if p not in taken)
    if len(left) == len(found.layout.positions):
        return found
    if not left:
        return None
    try:
        layout = layout_from_positions(left)
    except InputError:
        return None
    name = f"field_{layout.start}_{layout.length}"
    return FoundField(
        name, layout, "flag" if layout.length == 1 else "enum", found.layout_confidence, found.layout_confidence
    )


def _field(one: Parameter, found: Sequence[FoundField]) -> FoundField:
    bits = set(one.layout.positions)
    mine = [f for f in found if f.stimulus and f.confidence >= AGREES and bits & set(f.layout.positions)]
    best = max(mine, key=lambda f: f.confidence, default=None)
    return FoundField(
        name=f"spn_{one.spn}",
        layout=one.layout,
        kind="analogue" if one.unit or one.offset else "enum",
        layout_confidence=SURE,
        confidence=SURE,
        scale=float(one.scale),
        offset=float(one.offset),
        unit=one.unit,
        stimulus=best.stimulus if best else None,
        lag_s=best.lag_s if best else None,
        alternatives=best.alternatives if best else (),
        evidence={
            **(best.evidence if best else {}),
            "public": f"SAE J1939 SPN {one.spn}, {one.words}",
            "spn": one.spn,
            "public_name": one.name,
            "quantity": one.quantity,
            "role": one.role,
        },
    )
