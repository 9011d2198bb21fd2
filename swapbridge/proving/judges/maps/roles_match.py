"""Proving room: maps against each other: the role of what is sent against the role of what it is made from."""

from __future__ import annotations

from collections.abc import Iterator

from swapbridge.core.roles import BY_NAME, Role
from swapbridge.proving.case import Case, SentSignal
from swapbridge.proving.judges.behaviour.coverage import ALIKE
from swapbridge.proving.verdict import Check, check_of
from swapbridge.signalmap.model import MapSignal

PLAIN_ROLES = ("Value", "Status")


def judge_roles(case: Case) -> list[Check]:
    """One check for each sent signal with a role whose sources have roles."""
    return [check for made in case.made for check in _one(case, made)]


def _one(case: Case, made: SentSignal) -> Iterator[Check]:
    role = made.role
    if role is None or role.name in PLAIN_ROLES or not made.sources:
        return
    serves = {role.name} | {BY_NAME[a].name for a in ALIKE.get(role.alias, ()) if a in BY_NAME}
    sources = [(place, signal) for place in made.sources if (signal := _signal(case, place)) is not None]
    if any(s.role in serves for _, s in sources):
        yield check_of(
            "maps", made.label, "made from the same quantity", True, "source and target have the same role", "", ""
        )
        return
    named = [(place, s) for place, s in sources if s.role and s.role not in PLAIN_ROLES]
    alike = [(place, s) for place, s in named if s.role in BY_NAME and BY_NAME[s.role].quantity == role.quantity]
    if not alike:
        if not role.quantity:
            yield from _passed_over(case, made, role)
        return
    buses = {place[0] for place, _ in alike}
    true = [
        f"{bus}.{m.name}.{s.name}"
        for bus in buses
        for m in case.maps[bus].messages
        for s in m.signals
        if s.role == role.name
    ]
    what = ", ".join(f"{'.'.join(place)} ({_alias(s.role)})" for place, s in alike)
    yield check_of(
        "maps",
        made.label,
        "made from the same quantity",
        False,
        f"{role.alias.replace('_', ' ')} made from {what}" + (f", although {true[0]} carries it" if true else ""),
        f"a source with the role {role.alias}",
        f"take it from {true[0]}, or correct the roles of the maps"
        if true
        else "make sure that one may stand for the other",
        otherwise="fail" if true else "open",
    )


def _passed_over(case: Case, made: SentSignal, role: Role) -> Iterator[Check]:
    """A flag or state made from something else, where a message that is heard says it itself."""
    buses = {place[0] for place in made.sources}
    said = [
        f"{case.names[number]}.{m.name}.{s.name}"
        for number, m in case.heard
        if case.names[number] in buses
        for s in m.signals
        if s.role == role.name
    ]
    if said:
        yield check_of(
            "maps",
            made.label,
            "made from the same quantity",
            False,
            f"{role.alias.replace('_', ' ')} made from {', '.join('.'.join(p) for p in sorted(made.sources))}, where "
            f"{said[0]} says it",
            f"a source with the role {role.alias}",
            f"take it from {said[0]}, or make sure that your source says the same at the same time",
            otherwise="open",
        )


def _alias(role: str) -> str:
    return BY_NAME[role].alias.replace("_", " ") if role in BY_NAME else role


def _signal(case: Case, place: tuple[str, str, str]) -> MapSignal | None:
    message = case.maps[place[0]].message(place[1]) if place[0] in case.maps else None
    return message.signal(place[2]) if message is not None else None
