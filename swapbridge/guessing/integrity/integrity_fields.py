"""Guessing room: counters and checksums as fields, with how sure each is."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import Any

import numpy as np

from swapbridge.core.integrity import Checksum
from swapbridge.core.layout import Layout, layout_from_positions
from swapbridge.guessing.coding.bit_columns import BitColumns, whole_stretches
from swapbridge.guessing.coding.codelength import field_words
from swapbridge.guessing.integrity.checksums import IN_STEP, SHARE, FoundChecksum
from swapbridge.guessing.integrity.counters import FoundCounter
from swapbridge.guessing.integrity.trust import check_probability, counter_probability
from swapbridge.signalmap.findings import FoundField

MAY_PICK = "what else moves is nearly the same whenever this is: it may pick pages"
MOVES = 0.1
STAYS = 0.25
"""Share of frames in which a bit is another one, at least, to be looked at; how much less often it is so between frames
in which a counter is the same, at most, for the counter to decide it."""
FRAMES_USED = 2000
NOT_APART = "counter and check go in step: which is which cannot be told apart here"
TIED = "a sum of bytes and one of nibbles fit alike: they part where an upper nibble moves"
BARE = "only a counter moves: what else it covers is unknown"


def counter_fields(
    counters: Sequence[FoundCounter],
    checksums: Sequence[FoundChecksum],
    columns: BitColumns,
    paged: Sequence[int] = (),
) -> list[FoundField]:
    """Counters as fields; one that goes in step with what may be its check is no surer than that one.

    Parameters
    ----------
    counters : sequence of FoundCounter
        What counts.
    checksums : sequence of FoundChecksum
        The checks of the same message.
    columns : BitColumns
        The frames that they were found in.
    paged : sequence of int, optional
        Bits of a multiplexer and of its pages: no counter decides these.

    Returns
    -------
    list of FoundField
        One for each counter.
    """
    doubts = counter_doubts(counters, checksums, columns, paged)
    return [_counter_field(c, *doubt) for c, doubt in zip(counters, doubts, strict=True)]


def counter_doubts(
    counters: Sequence[FoundCounter],
    checksums: Sequence[FoundChecksum],
    columns: BitColumns,
    paged: Sequence[int] = (),
) -> list[tuple[int | None, bool]]:
    """Of each counter what `trust.counter_ceiling` asks for, and whether it may pick pages; as `counter_fields`."""
    doubtful = {
        p: c.shared
        for c in checksums
        if c.distinguished == 0
        for p in range(c.verified_bits.bit_length())
        if c.verified_bits >> p & 1
    }
    doubtful |= {p: c.shared for c in checksums for bits in c.rivals for p in bits}
    for one, other in combinations(counters, 2):
        if _twins(one, other, columns):  # one may be the upper half of a check that the other's steps run through
            doubtful |= dict.fromkeys((*one.positions, *other.positions), 0)
        for slips, runs in ((one, other), (other, one)):
            if _slips_of_neighbours(slips, runs, columns) or _part_in_step(slips, runs, columns):
                doubtful |= dict.fromkeys(slips.positions, 0)
    own_bits = [c.positions for c in counters] + [c.positions for c in checksums]
    explained = {*paged, *(p for bits in own_bits for p in bits)}
    some = whole_stretches(columns, FRAMES_USED)
    picks = [_may_pick_pages(c, explained, some) for c in counters]
    return [
        (next((doubtful[p] for p in c.positions if p in doubtful), 0 if picking else None), picking)
        for c, picking in zip(counters, picks, strict=True)
    ]


def _may_pick_pages(found: FoundCounter, explained: set[int], columns: BitColumns) -> bool:
    """Whether what nothing else explains, in two bytes or more, is nearly the same whenever the counter is.

    One byte may be a check that was not found; contents of several bytes are pages, and what picks them counts too.
    """
    payload = columns.payload
    rest = np.array([p for p in np.flatnonzero(columns.live).tolist() if p not in explained], np.intp)
    value = field_words(payload, np.array(found.positions)).astype(np.int64)
    order = np.argsort(value, kind="stable")
    again = value[order][1:] == value[order][:-1]
    if len({p >> 3 for p in rest.tolist()}) < 2 or not again.any():
        return False
    bits = columns.bits[:, rest]
    moves = (bits[1:] != bits[:-1]).mean(axis=0)
    in_turn = bits[order]
    stays = (in_turn[1:] != in_turn[:-1])[again].mean(axis=0) <= STAYS * moves
    return len({p >> 3 for p in rest[(moves >= MOVES) & stays].tolist()}) > 1


def _twins(one: FoundCounter, other: FoundCounter, columns: BitColumns) -> bool:
    """Whether two counters of one size stay the same distance apart."""
    span = one.counter.high - one.counter.low + 1
    if one.counter.step != other.counter.step or span != other.counter.high - other.counter.low + 1:
        return False
    a, b = (field_words(columns.payload, np.array(c.positions)).astype(np.int64) for c in (one, other))
    apart = np.bincount((a - b) % span)
    return bool(apart.max() >= SHARE * len(a))


def _part_in_step(one: FoundCounter, other: FoundCounter, columns: BitColumns) -> bool:
    """Whether this goes in step with the low bits of a longer counter, but for a few jumps: bits of a check of it."""
    span = one.counter.high - one.counter.low + 1
    rounds = other.counter.high - other.counter.low + 1
    if rounds <= span or rounds % span:
        return False
    a, b = (field_words(columns.payload, np.array(c.positions)).astype(np.int64) for c in (one, other))
    apart = np.diff((a - b) % span)[~columns.breaks[1:]] != 0
    return bool(apart.mean() < 1 - IN_STEP)


def _slips_of_neighbours(one: FoundCounter, other: FoundCounter, columns: BitColumns) -> bool:
    """Whether this goes in step with a counter that never misses, but for a few jumps: a check that covers more too."""
    span = one.counter.high - one.counter.low + 1
    rounds = other.counter.high - other.counter.low + 1
    if one.share == 1.0 or other.share < 1.0 or one.counter.step != other.counter.step or rounds % span:
        return False
    a, b = (field_words(columns.payload, np.array(c.positions)).astype(np.int64) for c in (one, other))
    apart = np.diff((a - b) % span)[~columns.breaks[1:]] != 0
    return bool(apart.any() and apart.mean() < 1 - IN_STEP)


def _counter_field(found: FoundCounter, alike: int | None, picking: bool) -> FoundField:
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
        evidence["note"] = MAY_PICK if picking else NOT_APART
    confidence = counter_probability(found, alike)
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
