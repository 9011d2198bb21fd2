"""Drafting room: links fields of the two vehicles that behave alike: one function of what both recordings know.

A field of a module that will be there is explained on its own recording by what both know (quantities, words). That
rule, looked at on the other recording, stands in for the field there: what goes with it is linked to the field itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from swapbridge.core.layout import Layout
from swapbridge.core.vocabulary import KEY_OFF_WORDS, plain
from swapbridge.drafting.explain.flags import Watched, explain_flag, since_atom
from swapbridge.drafting.explain.numbers import Formula, Measured, best_formula
from swapbridge.drafting.lines import Atom, DraftLine
from swapbridge.drafting.recorded_vehicle import (
    Bools,
    Floats,
    Ints,
    VehicleField,
    VehicleMessage,
    VehicleSeries,
    spans,
)
from swapbridge.drafting.swap_sources import Origin, Swap, grid, quantity_lines, word_atoms

LINK_BITS = 11.0
ALIKE = 0.95
ALIKE_BUT = 1
"""Two warnings are distinct if only one of them made more changes than this."""
STANDS_RPM = 50
MOSTLY_LIT, MOSTLY_LIT_KEYLESS = 0.75, 0.6
"""A warning is lit for this share of the time that the engine stands with the key on; less where nobody told the key,
without which it is dark. A lamp test of four seconds was lit for 0.66 of it."""
ELSE_SHARE = 0.985
ELSE_EDGES = 0.1
"""A flag that measured quantities predict so well, with so few wrong changes a change, may not be the switch it goes
with.
"""
LEAST_SHARE = 0.9
LEAST_NUMBER_SHARE = 0.5
MESSAGE_GAP_S = 1.5
SAME_TIME_S = 0.25
"""Changes so near to each other after waking are one time."""
LEAST_TIMED_S = 0.3
LEAST_TIMED = 2
"""A time after waking is one from so many wakes on: what happened once then happened for another reason."""


@dataclass(frozen=True, slots=True)
class LinkedLine:
    """A measured field of the other vehicle as its rule gives it here, how well the rule does on its own, and of what.

    `channels` are those that the rule is made of.
    """

    line: DraftLine
    origin: Origin
    share: float
    channels: frozenset[str]


def begins(message: VehicleMessage) -> list[float]:
    """When a message came for the first time after each wake or key-on."""
    return [first for first, _ in spans(message.time_s, max(MESSAGE_GAP_S, 4 * message.period_s))]


def slack_of(message: VehicleMessage) -> float:
    """How far from a change of a flag frames are not judged."""
    return max(0.12, 1.6 * message.period_s)


def timed_atoms(watched: Watched, message: VehicleMessage, text: str) -> list[Atom]:
    """'The first so many seconds after it began to be sent', with the times that its changes suggest."""
    moments = begins(message)
    if not len(watched.edges):
        return []
    last = np.searchsorted(moments, watched.edges, "right") - 1
    after = (watched.edges - np.asarray(moments)[np.maximum(last, 0)])[last >= 0]
    once = np.r_[True, (np.diff(after) > SAME_TIME_S) | (np.diff(last[last >= 0]) != 0)]  # of each wake one
    after = np.sort(after[once[: len(after)]])
    middles, alike = _middles(after, SAME_TIME_S)
    times = sorted({round(x, 2) for x in middles[(after > LEAST_TIMED_S) & (alike >= LEAST_TIMED)].tolist()})
    return [since_atom(moments, watched_series(message), t, text.format(t=t)) for t in times[:6] if t < 30]


def _middles(sorted_values: Floats, near: float) -> tuple[Floats, Ints]:
    """For each of the sorted values the median of those that are nearer than that, and how many they are."""
    first = np.searchsorted(sorted_values, sorted_values - near, "right")
    end = np.searchsorted(sorted_values, sorted_values + near, "left")
    low, high = first + (end - first - 1) // 2, first + (end - first) // 2
    return np.asarray((sorted_values[low] + sorted_values[high]) / 2), end - first


def watched_series(message: VehicleMessage) -> VehicleSeries:
    return VehicleSeries(message.time_s, np.ones(len(message.time_s)))


def linked_atoms(swap: Swap, bus: str) -> list[Atom]:
    """Conditions on flags and choices of the other vehicle's modules that will be there, as they would be here."""
    other = other_bus(swap, bus)
    atoms, lines = word_atoms(swap), quantity_lines(swap)
    out: list[Atom] = []
    for message in swap.vehicle(other).messages.values():
        for one in message.fields:
            if one.kind == "number" or not swap.is_source(other, message, one):
                continue
            text = Origin(other, message, one).text
            out += _choice_atoms(message, one, text, atoms, lines)
    return _either_warning(swap, other, out)


def _either_warning(swap: Swap, bus: str, atoms: list[Atom]) -> list[Atom]:
    """Warnings that behave alike in the recording can't be separated by it: either of them lights the lamp."""
    lit = warning_flags(swap, bus)
    out = []
    for atom in atoms:
        name = (atom.text or "").partition(" == ")[0]
        same = [n for n in lit if n != name and name in lit and lit_alike(lit[name], lit[n])]
        if not same:
            out.append(atom)
            continue
        value = int((atom.text or "").partition(" == ")[2])
        text = " or ".join(f"{n} == {lit[n][2]}" for n in (name, *sorted(same)))
        text = text if value == lit[name][2] else f"not ({text})"
        words = f"{atom.words}; {', '.join(sorted(same))} warns at the same time, and either lights it"
        out.append(replace(atom, text=f"({text})", words=words))
    return out


def warning_flags(swap: Swap, bus: str) -> dict[str, tuple[VehicleMessage, VehicleField, int]]:
    """Flags of the modules that will be there which are lit as warnings are, by name, and the value that is lit."""
    lit: dict[str, tuple[VehicleMessage, VehicleField, int]] = {}
    for message in swap.vehicle(bus).messages.values():
        for one in message.fields:
            if one.kind == "flag" and swap.is_source(bus, message, one):
                value = warns(swap, message, one)
                if value is not None:
                    lit[Origin(bus, message, one).text] = (message, one, value)
    return lit


def other_bus(swap: Swap, bus: str) -> str:
    """The other vehicle's bus."""
    return swap.donor.bus if bus == swap.host.bus else swap.host.bus


def warns(swap: Swap, message: VehicleMessage, one: VehicleField) -> int | None:
    """The value that a flag has while the engine stands with the key on, and hardly ever while it runs; else None."""
    speed = swap.quantities.get("engine_speed")
    if speed is None:
        return None
    rpm = speed.series.at(message.time_s)
    value = message.raw(one.layout)
    stands, runs = value[(rpm < STANDS_RPM) & key_is_on(swap, message.time_s)], value[rpm > 600]
    if len(stands) < 5 or len(runs) < 50:
        return None
    lit = first_value(message, one)
    least = MOSTLY_LIT if "key_state" in swap.words else MOSTLY_LIT_KEYLESS
    return lit if (stands == lit).mean() > least and (runs == lit).mean() < 0.05 else None


def is_measured(message: VehicleMessage, one: VehicleField, lines: Sequence[DraftLine]) -> bool:
    """Whether measured quantities alone predict a flag nearly without error: it may be a flag of the engine's."""
    watched = Watched(message.time_s, message.raw(one.layout) == 1, slack_of(message))
    found = explain_flag(watched, [], lines, pairs=True)
    return bool(found) and found[0].share >= ELSE_SHARE and found[0].wrong_edges <= ELSE_EDGES * len(watched.edges)


def key_is_on(swap: Swap, times: Floats) -> Bools:
    """Where the key is on, or may be: lamps are dark without it, which shows nothing of what they warn of."""
    key = swap.words.get("key_state")
    if key is None:
        return np.ones(len(times), bool)
    off = [n for n, w in enumerate(key.words) if plain(w) in KEY_OFF_WORDS]
    on: Bools = ~np.isin(key.series.at(times), off)
    return on


def first_value(message: VehicleMessage, one: VehicleField) -> int:
    """The value with which a field wakes: it is sent until its source has sent."""
    raw = message.raw(one.layout)
    firsts = raw[np.searchsorted(message.time_s, [b + 1e-6 for b in begins(message)]) - 1]
    values, counts = np.unique(firsts, return_counts=True)
    return int(values[counts.argmax()])


def in_bits(message: VehicleMessage, one: VehicleField) -> list[VehicleField]:
    """A field cut into its moving bits, one flag each."""
    moving = [p for p in one.layout.positions if p in message.moved]
    return [
        replace(one, name=f"f_{p}_1", layout=Layout(p, 1, "little_endian"), kind="flag", moving=1, channel="")
        for p in moving
    ]


def lit_alike(a: tuple[VehicleMessage, VehicleField, int], b: tuple[VehicleMessage, VehicleField, int]) -> bool:
    """Whether two lamps (message, field, value while lit) are lit at the same times, but for one change at most."""
    mine, theirs = a[0].raw(a[1].layout) == a[2], b[0].raw(b[1].layout) == b[2]
    theirs_at = VehicleSeries(b[0].time_s, theirs.astype(np.float64)).at(a[0].time_s) > 0.5
    if min((theirs_at[mine]).mean(), (~theirs_at[~mine]).mean()) <= ALIKE:
        return False
    watched = Watched(a[0].time_s, mine, max(slack_of(a[0]), slack_of(b[0])))
    return (
        watched.wrong_edges(VehicleSeries(a[0].time_s, theirs_at.astype(np.float64)).at(watched.times) > 0.5)
        <= ALIKE_BUT
    )


def _choice_atoms(
    message: VehicleMessage, one: VehicleField, text: str, atoms: Sequence[Atom], lines: Sequence[DraftLine]
) -> list[Atom]:
    raw = message.raw(one.layout)
    values, counts = np.unique(raw, return_counts=True)
    out = []
    if len(values) > 10:
        return []
    for value in values[counts >= 3][1 if len(values) == 2 else 0 :]:
        watched = Watched(message.time_s, raw == value, slack_of(message))
        timed = timed_atoms(watched, message, "time_since(state == 'asleep' or state == 'wake') < {t} s")
        found = explain_flag(watched, [*atoms, *timed], lines)
        if not found or found[0].share < LEAST_SHARE:
            continue
        best = found[0].atom
        out.append(
            Atom(f"{text} == {value}", best.series, LINK_BITS + 60 * (1 - found[0].share), f"{text}={value}", "copy",
                 f"behaves like {text} ({best.words})", frozenset({text}))
        )  # fmt: skip
    return out


def linked_lines(swap: Swap, bus: str) -> list[LinkedLine]:
    """Measured fields of the other vehicle's modules that will be there, as they would be here."""
    other = other_bus(swap, bus)
    lines = quantity_lines(swap)
    times = grid(swap.vehicle(bus))
    out = []
    for message in swap.vehicle(other).messages.values():
        for one in message.fields:
            if one.kind != "number" or not swap.is_source(other, message, one):
                continue
            if one.channel in swap.quantities and one.channel_confidence >= 0.5:
                continue
            formula = formula_of(message, one, lines)
            if formula.held_out < LEAST_NUMBER_SHARE:
                continue
            text = Origin(other, message, one).text
            line = DraftLine(text, text, "", VehicleSeries(times, formula.at(times)), 1.0, "", text)
            channels = frozenset(x.channel for x in formula.lines)
            out.append(LinkedLine(line, Origin(other, message, one), formula.held_out, channels))
    return out


def formula_of(message: VehicleMessage, one: VehicleField, lines: Sequence[DraftLine]) -> Formula:
    """A measured field as a formula of some quantities."""
    raw = message.raw(one.layout).astype(np.float64)
    return best_formula(Measured(message.time_s, raw), lines)
