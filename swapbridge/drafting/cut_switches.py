"""Drafting room: finds a switch that guess took for the end of the value beside it, and lamps taken for a code.

A switch that moves whenever the value next to it does (a brake switch beside a brake pressure) can't be distinguished
from one more bit of that value by the bits alone. A person's note of when it was pressed shows it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from swapbridge.core.layout import Layout, layout_from_positions
from swapbridge.core.vocabulary import CRANK_WORDS, plain
from swapbridge.drafting.channel_words import WordMatch, match_words, word_channels
from swapbridge.drafting.linking import STANDS_RPM, in_bits, key_is_on, warns
from swapbridge.drafting.recorded_vehicle import VehicleField, VehicleMessage
from swapbridge.drafting.swap_sources import Swap, find_words

TOLD = 0.97
"""A single bit must agree this well with what was noted, both ways, before a field is cut for it."""
LAMPS = 2
"""Of more bits side by side some may be a state of the engine, which warns of nothing."""
MOSTLY = 0.6
LIT = 0.9
"""A lamp beside a lamp is lit for this share of the time that the engine stands with the key on."""


def cut_switches(swap: Swap) -> None:
    """Cut from the fields of modules that will be there each recorded switch that no field follows yet.

    Parameters
    ----------
    swap : Swap
        Both vehicles; a message with a cut field and the switches found are replaced in it.
    """
    missing = {name for name, word in swap.words.items() if word.origin is None and len(word.words) == 2}
    changed = False
    for bus in (swap.host.bus, swap.donor.bus):
        vehicle = swap.vehicle(bus)
        channels = {n: c for n, c in word_channels(vehicle).items() if n in missing}
        for name, channel in channels.items():
            found: list[tuple[float, VehicleMessage, VehicleField, list[VehicleField]]] = []
            for key in sorted(swap.alive(bus)):
                message = vehicle.messages[key]
                for one in message.fields:
                    if not swap.is_source(bus, message, one):
                        continue
                    for parts in _ends(message, one):
                        match = match_words(message, parts[0], name, channel)
                        if match is not None and _goes(match):
                            found.append((match.word_share + match.value_share, message, one, parts))
            if found:
                _, message, one, parts = max(found, key=lambda f: f[0])
                fields = tuple(p for f in message.fields for p in (parts if f is one else [f]))
                vehicle.messages[message.key.identifier, message.key.extended] = replace(message, fields=fields)
                changed = True
    if changed:
        find_words(swap)


def cut_lamps(swap: Swap) -> None:
    """Cut into flags the choices of modules that will be there of which every bit is lit as a warning is.

    Two lamps side by side that mostly changed together look like one code, and a warning is taken from a flag only.
    """
    changed = False
    for bus in (swap.host.bus, swap.donor.bus):
        vehicle = swap.vehicle(bus)
        for key in sorted(swap.alive(bus)):
            message = vehicle.messages[key]
            fields: list[VehicleField] = []
            for one in message.fields:
                lamps = in_bits(message, one) if one.kind == "choice" and swap.is_source(bus, message, one) else []
                two = len(lamps) == LAMPS and not _shows_cranking(swap, message, one)
                fields += lamps if two and all(_is_lamp(swap, message, x) for x in lamps) else [one]
            if len(fields) > len(message.fields):
                vehicle.messages[key] = replace(message, fields=tuple(fields))
                changed = True
    if changed:
        find_words(swap)


def _shows_cranking(swap: Swap, message: VehicleMessage, one: VehicleField) -> bool:
    """Whether one value of a code says that the starter turns: a state of the engine; also where its moments were not
    noted."""
    key = swap.words.get("key_state")
    starts = [] if key is None else [n for n, w in enumerate(key.words) if plain(w) in CRANK_WORDS]
    if key is None or not starts:
        return True
    cranks = np.isin(key.series.at(message.time_s), starts)
    raw = message.raw(one.layout)
    return any(
        float((raw[cranks] == v).mean()) >= MOSTLY and float(cranks[raw == v].mean()) >= MOSTLY
        for v in np.unique(raw[cranks]).tolist()
    )  # fmt: skip


def _is_lamp(swap: Swap, message: VehicleMessage, one: VehicleField) -> bool:
    """Whether a flag is lit as a warning is, all the time that the engine stands with the key on: a state goes to and
    fro."""
    lit, speed = warns(swap, message, one), swap.quantities.get("engine_speed")
    if lit is None or speed is None:
        return False
    stands = (speed.series.at(message.time_s) < STANDS_RPM) & key_is_on(swap, message.time_s)
    return float((message.raw(one.layout)[stands] == lit).mean()) >= LIT


def _goes(match: WordMatch) -> bool:
    return match.word_share >= TOLD and match.value_share >= TOLD


def _ends(message: VehicleMessage, one: VehicleField) -> Iterator[list[VehicleField]]:
    """A field as the flag at one of its ends and what is left of it, for both ends."""
    positions = [p for p in one.layout.positions if p in message.moved]
    if len(positions) < 2 or one.channel_confidence >= TOLD:
        return
    every = list(one.layout.positions)
    for flag, rest in ((every[0], every[1:]), (positions[-1], every[: every.index(positions[-1])])):
        layout = layout_from_positions(tuple(rest))
        moving = sum(p in message.moved for p in rest)
        if flag not in message.moved or not moving:
            continue
        left = replace(
            one, name=f"f_{layout.start}_{layout.length}", layout=layout, moving=moving, channel="",
            channel_confidence=0.0, kind="flag" if layout.length == 1 else one.kind,
        )  # fmt: skip
        bit = replace(
            one, name=f"f_{flag}_1", layout=Layout(flag, 1, "little_endian"), kind="flag", moving=1, channel="",
            channel_confidence=0.0, scale=1.0, offset=0.0, unit="",
        )  # fmt: skip
        yield [bit, left]
