"""Guessing room: counters and checksums as fields, with how sure each is."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import Any

import numpy as np

from swapbridge.core.integrity import Checksum
from swapbridge.core.layout import Layout, layout_from_positions
from swapbridge.guessing.coding.bit_columns import BitColumns
from swapbridge.guessing.coding.codelength import field_words
from swapbridge.guessing.integrity.checksums import SHARE, FoundChecksum
from swapbridge.guessing.integrity.counters import FoundCounter
from swapbridge.guessing.integrity.trust import check_probability, counter_probability
from swapbridge.signalmap.findings import FoundField

IN_STEP = 0.9
"""Share of steps in which what slips now and then keeps its distance from a counter that never does."""
NOT_APART = "counter and check go in step: which is which cannot be told apart here"
TIED = "a sum of bytes and one of nibbles fit alike: they part where an upper nibble moves"
BARE = "only a counter moves: what else it covers is unknown"


def counter_fields(
    counters: Sequence[FoundCounter], checksums: Sequence[FoundChecksum], columns: BitColumns
) -> list[FoundField]:
    """Counters as fields; one that goes in step with what may be its check is no surer than that one."""
    doubtful = {
        p: c.shared
        for c in checksums
        if c.distinguished == 0
        for p in range(c.verified_bits.bit_length())
        if c.verified_bits >> p & 1
    }
    for one, other in combinations(counters, 2):
        if _twins(one, other, columns):  # one may be the upper half of a check that the other's steps run through
            doubtful |= dict.fromkeys((*one.positions, *other.positions), 0)
        for slips, runs in ((one, other), (other, one)):
            if _slips_of_neighbours(slips, runs, columns):
                doubtful |= dict.fromkeys(slips.positions, 0)
    return [_counter_field(c, next((doubtful[p] for p in c.positions if p in doubtful), None)) for c in counters]


def _twins(one: FoundCounter, other: FoundCounter, columns: BitColumns) -> bool:
    """Whether two counters of one size stay the same distance apart."""
    span = one.counter.high - one.counter.low + 1
    if one.counter.step != other.counter.step or span != other.counter.high - other.counter.low + 1:
        return False
    a, b = (field_words(columns.payload, np.array(c.positions)).astype(np.int64) for c in (one, other))
    apart = np.bincount((a - b) % span)
    return bool(apart.max() >= SHARE * len(a))


def _slips_of_neighbours(one: FoundCounter, other: FoundCounter, columns: BitColumns) -> bool:
    """Whether this goes in step with a counter that never misses, but for a few jumps: a check that covers more too."""
    span = one.counter.high - one.counter.low + 1
    rounds = other.counter.high - other.counter.low + 1
    if one.share == 1.0 or other.share < 1.0 or one.counter.step != other.counter.step or rounds % span:
        return False
    a, b = (field_words(columns.payload, np.array(c.positions)).astype(np.int64) for c in (one, other))
    apart = np.diff((a - b) % span)[~columns.breaks[1:]] != 0
    return bool(apart.any() and apart.mean() < 1 - IN_STEP)


def _counter_field(found: FoundCounter, alike: int | None) -> FoundField:
    layout = layout_from_positions(found.positions)
    evidence: dict[str, Any] = {
        "steps": found.steps,
        "share": round(found.share, 4),
        "wraps": found.wraps,
        "by_clock": found.by_clock,
    }
    if found.every > 1:
        evidence["every"] = found.every
    if alike is not None:
        evidence["note"] = NOT_APART
    confidence = counter_probability(found, alike is not None, alike or 0)
    return FoundField(
        name=f"counter_{layout.start}",
        layout=layout,
        kind="counter",
        layout_confidence=confidence,
        confidence=confidence,
        method=found.counter.to_dict(),
        evidence=evidence,
    )


def checksum_field(found: FoundChecksum) -> FoundField:
    """A checksum as a field, its method complete enough to compute it again."""
    layout = layout_from_positions(found.positions)
    counter: Layout | None = layout_from_positions(found.counter) if found.counter else None
    method = Checksum(layout, found.method, counter, found.by_counter, found.verified_bits)
    evidence: dict[str, Any] = {"equations": found.equations, "share": round(found.share, 4)}
    if found.shared:
        evidence["messages_alike"] = found.shared
    if found.distinguished is not None:
        evidence["note"] = NOT_APART if found.distinguished == 0 else BARE
    elif found.tied is not None:
        evidence["note"] = TIED
        evidence["messages_of_these_units"] = found.same_units
    confidence = check_probability(found)
    return FoundField(
        name=f"checksum_{layout.start}",
        layout=layout,
        kind="checksum",
        layout_confidence=confidence,
        confidence=confidence,
        method=method.to_dict(),
        evidence=evidence,
    )
