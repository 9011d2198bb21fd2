"""Proving room: compares the role of each sent signal with the role of its source."""

from __future__ import annotations

from collections.abc import Collection, Iterator

import numpy as np

from swapbridge.core.roles import BY_NAME, Role
from swapbridge.core.vocabulary import spoken_words
from swapbridge.proving.case import Case, SentSignal
from swapbridge.proving.judges.behaviour.coverage import ALIKE
from swapbridge.proving.judges.recordings.driving import BenchQuantity, held_at
from swapbridge.proving.verdict import Check, check_of
from swapbridge.signalmap.signal_map import MapSignal

PLAIN_ROLES = ("Value", "Status")
NUMBER_BITS = 7
OPPOSITES = (({"left", "fl", "rl"}, {"right", "fr", "rr"}), ({"front", "fl", "fr"}, {"rear", "rl", "rr"}))
"""Words for places of a vehicle in names of signals, each beside those for the other side."""
MOMENT_S, FEWEST, MOSTLY = 0.3, 20, 0.8
"""Two flags go together if they are set within so long of each other in four fifths of so many frames."""


def judge_roles(case: Case) -> list[Check]:
    """One check for each sent signal with a role whose sources have roles, and for each that echoes its own bus."""
    return [check for made in case.made for check in (*_one(case, made), *_echo(case, made))]


def _echo(case: Case, made: SentSignal) -> Iterator[Check]:
    """What is made only of what its own bus says: its readers hear themselves, whatever the other vehicle did.

    An acknowledgement that echoes its request agrees with every recording in which the request was granted.
    """
    buses = {place[0] for place in made.sources}
    if buses != {case.names[made.bus]} or made.is_open or len(case.names) < 2:
        return
    yield check_of(
        "maps",
        made.label,
        "says what the other vehicle does",
        False,
        f"made only from {', '.join('.'.join(p) for p in sorted(made.sources))}, which its own bus says",
        "a source on the other side: a request that is echoed looks granted whatever becomes of it",
        "take it from the other bus, or make sure that its readers may hear themselves",
        otherwise="open",
    )


def _one(case: Case, made: SentSignal) -> Iterator[Check]:
    role = made.role
    if role is None or role.name in PLAIN_ROLES or not made.sources:
        return
    serves = {role.name} | {BY_NAME[a].name for a in ALIKE.get(role.alias, ()) if a in BY_NAME}
    sources = [(place, signal) for place in made.sources if (signal := _signal(case, place)) is not None]
    same = [(place, s) for place, s in sources if s.role in serves]
    if same:
        across = [".".join(place) for place, s in same if _other_side(made.signal.name, s.name)]
        yield check_of(
            "maps", made.label, "made from the same quantity", len(across) < len(same),
            f"made from {', '.join(across)}, which its name puts on the other side of the vehicle"
            if across else "source and target have the same role",
            "a source on the same side", "take it from the signal of its own side, or correct the names in the maps",
            otherwise="unproved",
        )  # fmt: skip
        return
    named = [(place, s) for place, s in sources if s.role and s.role not in PLAIN_ROLES]
    alike = [(place, s) for place, s in named if s.role in BY_NAME and BY_NAME[s.role].quantity == role.quantity]
    if not alike:
        yield from _passed_over(case, made, role, unnamed=not named)
        return
    true = _carriers(case, made, role, case.names)
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


def _other_side(one: str, other: str) -> bool:
    """Whether two names of signals say left and right, or front and rear."""
    mine, theirs = (set(spoken_words(name).split()) for name in (one, other))
    sides = [(a, b) if mine & a else (b, a) for a, b in OPPOSITES if bool(mine & a) != bool(mine & b)]
    return any(theirs & far and not theirs & near for near, far in sides)


def _carriers(case: Case, made: SentSignal, role: Role, buses: Collection[str]) -> list[str]:
    """Signals with that role in recorded messages that the plan does not send itself, those of the read buses first."""
    sent = {(s.bus, s.word) for s in case.plan.sends}
    read = {place[0] for place in made.sources}
    return [
        f"{bus}.{m.name}.{s.name}"
        for number, bus in sorted(enumerate(case.names), key=lambda one: one[1] not in read)
        if bus in buses
        for m in case.maps[bus].messages
        if (number, m.word) not in sent
        for s in m.signals
        if s.role == role.name and case.recorded_track(number, m, s) is not None
    ]


def _passed_over(case: Case, made: SentSignal, role: Role, *, unnamed: bool) -> Iterator[Check]:
    """Something made from another thing, where the bus that it is taken from says the very quantity.

    A flag or state may be made from much. A number may be computed from other numbers; from sources without a role
    nobody knows what it is. What the engine does is said on the engine's bus, whichever bus it is taken from.
    """
    on_buses = {place[0] for place in made.sources}
    if "CombustionEngine" in role.name:
        on_buses |= {bus.name for bus in case.bridge.buses if bus.holds_engine}
    carriers = _carriers(case, made, role, on_buses)
    number = unnamed and made.signal.layout.length >= NUMBER_BITS and not made.signal.choices
    if carriers and (unnamed or not role.quantity):
        yield check_of(
            "maps",
            made.label,
            "made from the same quantity",
            False,
            f"{role.alias.replace('_', ' ')} made from {', '.join('.'.join(p) for p in sorted(made.sources))}, "
            f"although {carriers[0]} carries it",
            f"a source with the role {role.alias}",
            f"take it from {carriers[0]}, or make sure that your source says the same at the same time"
            + ("; then give it that role in the map" if role.quantity else ""),
            otherwise="unproved" if role.quantity or number or _says_otherwise(case, made, carriers[0]) else "open",
        )


def _says_otherwise(case: Case, made: SentSignal, carrier: str) -> bool:
    """Whether a flag is often set where the one that it stands for is not, in the drive of both; or the other way."""
    bus, name, signal = carrier.split(".")
    theirs, ours = case.track_of((bus, name, signal)), case.sent_track(made)
    flags = theirs is not None and theirs.signal.layout.length == 1 and made.signal.layout.length == 1
    if theirs is None or ours is None or not flags or case.drives_of(made) != {case.names.index(bus)}:
        return False
    mine, other = (BenchQuantity(t.time_s, t.raw.astype(np.float64), t.measured) for t in (ours, theirs))
    return _often_alone(mine, other) or _often_alone(other, mine)


def _often_alone(one: BenchQuantity, other: BenchQuantity) -> bool:
    """Whether the other flag is set, within a moment, in too few of the frames in which one is."""
    times = one.time_s[one.measured & (one.values > 0)]
    near = [held_at(other, times + shift) for shift in (-MOMENT_S, 0.0, MOMENT_S)]
    known = ~np.isnan(near).any(axis=0)
    return bool(known.sum() >= FEWEST and (np.max(near, axis=0)[known] > 0).mean() < MOSTLY)


def _alias(role: str) -> str:
    return BY_NAME[role].alias.replace("_", " ") if role in BY_NAME else role


def _signal(case: Case, place: tuple[str, str, str]) -> MapSignal | None:
    message = case.maps[place[0]].message(place[1]) if place[0] in case.maps else None
    return message.signal(place[2]) if message is not None else None
