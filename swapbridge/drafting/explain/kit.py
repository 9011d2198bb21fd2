"""Drafting room: what the fields of one bus may be explained by, and the open field where nothing explains one."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial

import numpy as np

from swapbridge.drafting.drafted import Explained
from swapbridge.drafting.lines import Atom, DraftLine
from swapbridge.drafting.linking import (
    LinkedLine,
    first_value,
    is_measured,
    linked_atoms,
    linked_lines,
    other_bus,
    warning_flags,
    warns,
)
from swapbridge.drafting.never import tellers
from swapbridge.drafting.recorded_vehicle import VehicleField, VehicleMessage
from swapbridge.drafting.swap_sources import (
    Origin,
    Swap,
    local_atoms,
    local_lines,
    quantity_lines,
    word_atoms,
)

SIGNAL_NAME = re.compile(r"(?:host|donor)\.\w+\.\w+")


@dataclass(frozen=True, slots=True)
class Kit:
    """What the fields of one bus may be explained by."""

    swap: Swap
    bus: str
    atoms: tuple[Atom, ...]
    lines: tuple[DraftLine, ...]
    local: tuple[DraftLine, ...]
    linked: tuple[LinkedLine, ...]
    warnings: frozenset[str]
    """Flags of the other vehicle that are lit as warnings are."""
    codes: frozenset[str]
    """Signals that will be there and say one of three or more codes."""
    tellers: Mapping[str, frozenset[str]]
    """Signals that will be there and carry what the driver does, by the channel that a person recorded."""


def kit_for(swap: Swap, bus: str) -> Kit:
    """Everything that could explain a field of a bus."""
    atoms = [*word_atoms(swap, bus), *local_atoms(swap, bus), *linked_atoms(swap, bus)]
    lines = quantity_lines(swap, known_only=True)
    return Kit(
        swap, bus, tuple(atoms), tuple(lines), tuple(local_lines(swap, bus)),
        tuple(linked_lines(swap, bus)), frozenset(warning_flags(swap, other_bus(swap, bus))), _codes(swap),
        tellers(swap, partial(is_measured, lines=lines)),
    )  # fmt: skip


def _codes(swap: Swap) -> frozenset[str]:
    return frozenset(
        Origin(bus, message, one).text
        for bus in (swap.host.bus, swap.donor.bus)
        for message in swap.vehicle(bus).messages.values()
        for one in message.fields
        if one.kind == "choice" and one.moving > 1 and swap.is_source(bus, message, one)
    )


def named_within(text: str | None, allowed: frozenset[str]) -> bool:
    named = set(SIGNAL_NAME.findall(text or ""))
    return bool(named) and named <= allowed


def open_field(
    kit: Kit, message: VehicleMessage, one: VehicleField, words: str, closes: str, high: bool = False
) -> Explained:
    """A field that has no known rule: its most common value, or the highest one; a warning is lit."""
    raw = message.raw(one.layout)
    values, counts = np.unique(raw, return_counts=True)
    value = int(raw.max()) if high else int(values[counts.argmax()])
    lit = one.kind == "flag" and len(values) == 2 and warns(kit.swap, message, one) is not None
    if lit:
        value = first_value(message, one)
        words += "; lit while the engine is stopped, as a warning lamp is: it is sent lit"
    return Explained(
        one.layout, one.name, "open", 0.0, str(value), str(value), "value" if one.kind == "number" else "status",
        words=words, closes=closes, unreviewed=True, kept=lit,
    )  # fmt: skip
