"""Drafting room: one warning of the donor's is not sent as two warnings of the host's."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from swapbridge.drafting.drafted import DraftedMessage, Explained
from swapbridge.drafting.drawn import drawn
from swapbridge.drafting.explain.kit import SIGNAL_NAME, Kit, open_field
from swapbridge.drafting.linking import lit_alike, warns
from swapbridge.drafting.recorded_vehicle import VehicleField, VehicleMessage

CLEARLY = 0.05
"""How much surer one of two lamps must be before it keeps a warning that both follow."""
Lamp = tuple[VehicleMessage, VehicleField, int]


def one_lamp_each(kit: Kit, made: Sequence[DraftedMessage]) -> list[DraftedMessage]:
    """The messages, with lamps open that repeat a warning which belongs to another lamp.

    The lamps of a healthy engine all go out soon after it starts, so two of them may follow one warning. If they
    changed apart, at most one of them is that warning, and the other would stay dark when it is due. The lamp that is
    clearly surer keeps the warning; if none is, all are open. An open warning is sent lit.
    """
    lamps: dict[str, list[tuple[Explained, Lamp]]] = {}
    for message in (m for m in made if m.bus == kit.bus and not m.refused):
        for one in message.fields:
            lamp = _lamp(kit, message.message, one)
            names = set(SIGNAL_NAME.findall(one.value)) & kit.warnings
            if lamp is not None and len(names) == 1:
                lamps.setdefault(names.pop(), []).append((one, lamp))
    others: dict[tuple[tuple[int, bool], str], str] = {}
    for name, group in lamps.items():
        best, its_lamp = max(group, key=lambda g: g[0].confidence)
        for one, lamp in group:
            if one is best or lit_alike(its_lamp, lamp):
                continue
            others[_place(lamp[0], one)] = f"another lamp goes with {name} as well, and the two changed apart"
            if one.confidence > best.confidence - CLEARLY:
                others[_place(its_lamp[0], best)] = others[_place(lamp[0], one)]
    return [_opened(kit, m, others) if m.bus == kit.bus else m for m in made]


def _place(message: VehicleMessage, one: Explained) -> tuple[tuple[int, bool], str]:
    return (message.key.identifier, message.key.extended), one.name


def _lamp(kit: Kit, message: VehicleMessage, one: Explained) -> Lamp | None:
    """A drafted flag that is lit as a warning is, and its value while it is lit."""
    if one.layout.length > 1 or one.how == "open" or one.page is not None:
        return None
    field = VehicleField(one.name, one.layout, "flag", 1, one.confidence)
    lit = warns(kit.swap, message, field)
    return None if lit is None else (message, field, lit)


def _opened(kit: Kit, made: DraftedMessage, others: dict[tuple[tuple[int, bool], str], str]) -> DraftedMessage:
    fields = []
    for one in made.fields:
        reason = others.get(_place(made.message, one))
        lamp = None if reason is None else _lamp(kit, made.message, one)
        if reason is not None and lamp is not None:
            opened = open_field(kit, made.message, lamp[1], reason, "the donor's own warning for it")
            opened = replace(opened, name=one.name, runner_up=one.words)
            one = replace(opened, drawn=drawn(kit, made.message, opened))
        fields.append(one)
    return replace(made, fields=tuple(fields))
