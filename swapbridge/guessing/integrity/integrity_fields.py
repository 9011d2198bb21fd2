"""Guessing room: counters and checksums as fields, with how sure each is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations
from math import gcd
from typing import Any

import numpy as np
import numpy.typing as npt

from swapbridge.core.integrity import Checksum
from swapbridge.core.layout import Layout, layout_from_positions
from swapbridge.guessing.coding.bit_columns import BitColumns, whole_stretches
from swapbridge.guessing.coding.codelength import field_words
from swapbridge.guessing.integrity.checksums import IN_STEP, FoundChecksum
from swapbridge.guessing.integrity.counters import FoundCounter, never_misses
from swapbridge.guessing.integrity.redundant_counters import are_twins, counted_apart
from swapbridge.guessing.integrity.trust import check_probability, counter_probability
from swapbridge.signalmap.findings import FoundField

Ints = npt.NDArray[np.int64]
SURE = 0.95
"""Probability from which on a claim explains its bits to others."""
NARROW = 4
"""Values of a counter of two bits: any two bits of a check that go round do as well."""
MAY_PICK = "what else moves is nearly the same whenever this is: it may pick pages"
MOVES = 0.1
STAYS = 0.25
"""Share of frames in which a bit is another one, at least, to be looked at; how much less often it is so between frames
in which a counter is the same, at most, for the counter to decide it."""
FRAMES_USED = 2000
STUMBLES = "it misses steps though no frame is missing, and bits beside it move: it may be two bits of a check"
MAY_BE_RAMP = "what stands below it drifts by one: it may be the upper end of a steady quantity"
NOT_APART = "counter and check go in step: which is which cannot be told apart here"
TIED = "a sum of bytes and one of nibbles fit alike: they part where an upper nibble moves"
OPEN = "other constants explain all payloads as well"
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
        Bits of a likely multiplexer and of its pages: no counter decides these.

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
) -> list[tuple[int | None, str, tuple[int, ...]]]:
    """Of each counter what `trust.counter_ceiling` asks for, why it is in doubt, and bits whose pages it may pick.

    Parameters are those of `counter_fields`.
    """
    doubtful = {
        p: c.shared
        for c in checksums
        if c.distinguished == 0
        for p in range(c.verified_bits.bit_length())
        if c.verified_bits >> p & 1
    }
    doubtful |= {p: c.shared for c in checksums for bits in c.rivals for p in bits}
    for one, other in combinations(counters, 2):
        unsure = [a for a, b in ((one, other), (other, one)) if _part_in_step(a, b, columns)]
        if are_twins(one, other, columns):  # one may be the upper half of a check that the other's steps run through
            unsure = [one, other]
        doubtful |= {p: 0 for c in unsure for p in c.positions}
    # a check or a multiplexer that may not be there explains nothing
    checks = {p for c in checksums if check_probability(c) >= SURE for p in c.positions}.union(paged)
    sure = [c for c in counters if counter_probability(c, _alike(c, doubtful)) >= SURE]
    beside = checks.union(*(c.positions for c in sure))
    explained = checks.union(*(c.positions for c in counters))
    some = whole_stretches(columns, FRAMES_USED)
    out: list[tuple[int | None, str, tuple[int, ...]]] = []
    for c in counters:
        if picked := _pages_picked(c, explained, some):
            out.append((0, MAY_PICK, picked))
        elif (alike := _alike(c, doubtful)) is not None:
            out.append((alike, NOT_APART, ()))
        elif _stumbles(c, beside, columns):
            out.append((0, STUMBLES, ()))
        else:
            out.append((0, MAY_BE_RAMP, ()) if _may_be_ramp(c, beside, columns) else (None, "", ()))
    return out


def _alike(found: FoundCounter, doubtful: Mapping[int, int]) -> int | None:
    return next((doubtful[p] for p in found.positions if p in doubtful), None)


def _pages_picked(found: FoundCounter, explained: set[int], columns: BitColumns) -> tuple[int, ...]:
    """Bits in two bytes or more, of nothing else that explains them, that are nearly the same whenever the counter is.

    One byte may be a check that was not found; contents of several bytes are pages, and what picks them counts too.
    """
    payload = columns.payload
    rest = np.array([p for p in np.flatnonzero(columns.live).tolist() if p not in explained], np.intp)
    value = field_words(payload, np.array(found.positions)).astype(np.int64)
    order = np.argsort(value, kind="stable")
    again = value[order][1:] == value[order][:-1]
    if len({p >> 3 for p in rest.tolist()}) < 2 or not again.any():
        return ()
    bits = columns.bits[:, rest]
    moves = (bits[1:] != bits[:-1]).mean(axis=0)
    in_turn = bits[order]
    stays = (in_turn[1:] != in_turn[:-1])[again].mean(axis=0) <= STAYS * moves
    picked = rest[(moves >= MOVES) & stays].tolist()
    return tuple(picked) if len({p >> 3 for p in picked}) > 1 else ()


def _part_in_step(one: FoundCounter, other: FoundCounter, columns: BitColumns) -> bool:
    """Whether this goes in step with the low bits of a longer counter, but for a few jumps: bits of a check of it."""
    span = one.counter.high - one.counter.low + 1
    rounds = other.counter.high - other.counter.low + 1
    if rounds <= span or rounds % span or gcd(other.counter.step, span) > 1:
        return False
    apart = np.diff(counted_apart(one, other, columns))[~columns.breaks[1:]] != 0
    return bool(apart.mean() < 1 - IN_STEP)


def _stumbles(found: FoundCounter, explained: set[int], columns: BitColumns) -> bool:
    """Whether a narrow counter beside other moving bits of its byte misses steps though no frame is missing.

    What counts never misses; two bits of a check of little more than a counter do.
    """
    span = found.counter.high - found.counter.low + 1
    beside = {8 * (p >> 3) + k for p in found.positions for k in range(8)} - set(found.positions) - explained
    return span <= NARROW and bool(columns.live[sorted(beside)].any()) and not never_misses(columns, found)


def _may_be_ramp(found: FoundCounter, explained: set[int], columns: BitColumns) -> bool:
    """Whether this is the upper end of a byte whose lower end, all of it live, drifts one code at a time.

    A quantity that goes on by two, four or eight codes a frame, or nearly so, leaves just that; flags also change by
    more than one code, or leave bits dead, save a single one below seven bits.
    """
    first = found.positions[0]
    below = list(range(first & ~7, first))
    if len(found.positions) <= 4 or not 0 < first & 7 < 4 or not columns.live[below].all():
        return False
    if explained.intersection(below):
        return False
    low = field_words(columns.payload, np.array(below)).astype(np.int64)
    step = np.diff(low)[~columns.breaks[1:]]
    return bool((np.abs(step[step != 0]) == 1).all())


def _counter_field(found: FoundCounter, alike: int | None, doubt: str, picked: tuple[int, ...]) -> FoundField:
    layout = layout_from_positions(found.positions)
    evidence: dict[str, Any] = {
        "steps": found.steps,
        "share": round(found.share, 4),
        "wraps": found.wraps,
        "by_clock": found.by_clock,
    }
    if found.every > 1:
        evidence["every"] = found.every
    if doubt:
        evidence["note"] = doubt
    if picked:
        evidence["picks"] = list(picked)
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
    elif found.open:
        evidence["note"] = OPEN
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
