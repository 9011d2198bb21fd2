"""Guessing room: what the vehicle's messages show together of one of them: the studies again, with that given.

A maker gives all messages one kind of counter and one formula, at one place each.
"""

from __future__ import annotations

from collections import Counter as Tally
from collections.abc import Callable, Sequence
from dataclasses import replace

from swapbridge.core.integrity import Crc
from swapbridge.guessing.coding.bit_columns import BitColumns
from swapbridge.guessing.integrity.checksums import FoundChecksum, check_at
from swapbridge.guessing.integrity.counters import FoundCounter, find_counters
from swapbridge.guessing.integrity.followers import follower_of_counter, place_of
from swapbridge.guessing.integrity.integrity_fields import SURE, counter_doubts
from swapbridge.guessing.integrity.listed_crcs import listed_crc, listed_forms
from swapbridge.guessing.integrity.rival_places import Place, likelier_place, plain_places
from swapbridge.guessing.integrity.shared_formulas import (
    backed_check,
    crc_of_vehicle,
    proven_formulas,
    same_formula,
    vehicle_crcs,
)
from swapbridge.guessing.integrity.tied_units import settle_units
from swapbridge.guessing.integrity.trust import check_probability
from swapbridge.guessing.integrity.vehicle_counters import counted_alike, counter_of_vehicle, vehicle_counters
from swapbridge.guessing.integrity.vehicle_sums import sum_of_vehicle, vehicle_sums
from swapbridge.guessing.layout.study import Study, paged_bits, study

USUAL = 3
USUAL_SHARE = 0.6
"""Messages, and share of those with a check, that must have it at one place for it to be the vehicle's place."""


Restudy = Callable[[BitColumns, FoundChecksum | None, tuple[FoundCounter, ...]], Study]
"""How a message is studied again with a check or counters given: `study`, or `exact_study` where no cut is wanted."""


def with_vehicle_formulas(studies: Sequence[Study], restudy: Restudy = study) -> list[Study]:
    """Studies again, where the vehicle's own counters and formulas show what one message alone could not prove.

    Parameters
    ----------
    studies : sequence of Study
        Of every message.
    restudy : callable, optional
        What made them.

    Returns
    -------
    list of Study
        As many, in the same order.
    """
    studies = _with_vehicle_counters(studies, restudy)
    formulas = proven_formulas([(s.checksums, s.possible) for s in studies])
    crcs = vehicle_crcs([(s.columns.payload.shape[1], c) for s in studies for c in s.checksums])
    sizes = [int(s.columns.payload.shape[1]) for s in studies]
    sure = [(n, c) for n, s in zip(sizes, studies, strict=True) for c in s.checksums if check_probability(c) >= SURE]
    sums, listed = vehicle_sums(sure), listed_forms(sure)
    places = Tally(place_of(s.columns, c.positions) for s in studies for c in s.checksums if c.distinguished is None)
    plain = plain_places([(s.columns.payload.shape[1], s.checksums) for s in studies])
    out = []
    for s in studies:
        if len(s.checksums) == 1 and s.checksums[0].rivals:
            out.append(_again(s, _at_likelier_place(s, plain), restudy))
            continue
        if any(c.distinguished == 0 for c in s.checksums):
            placed = follower_of_counter(s.columns, find_counters(s.columns), places)
            if placed is not None and placed.shared:
                out.append(_again(s, placed, restudy))
                continue
        if (moved := _at_usual_place(s, places)) is not None:
            out.append(_again(s, moved, restudy))
            continue
        crc = (
            crc_of_vehicle(s.columns, crcs)
            if crcs and not any(isinstance(c.method, Crc) for c in s.checksums)
            else None
        )
        if crc is not None and s.checksums and s.checksums[0].positions == crc.positions:
            out.append(replace(s, checksums=(crc, *s.checksums[1:])))  # the same field: only its formula is clearer now
            continue
        check = crc
        if check is None and sure and all(check_probability(c) < SURE and c.tied is None for c in s.checksums):
            counters = [c for part in s.parts if part.mux_value is None for c in part.counters]
            check = (
                sum_of_vehicle(s.columns, sums)
                or same_formula(s.columns, sure)
                or listed_crc(s.columns, listed, counters)
            )
        if check is None and formulas and not s.checksums:
            check = backed_check(s.possible, formulas)
        if check is None:
            out.append(s)
        else:
            out.append(_again(s, check, restudy))
    settled = settle_units([s.checksums for s in out])
    return _with_counts_alike([replace(s, checksums=checks) for s, checks in zip(out, settled, strict=True)])


def _with_counts_alike(studies: Sequence[Study]) -> list[Study]:
    """Studies whose counters know how many other messages of the vehicle have their like."""
    plain = [next((p for p in s.parts if p.mux_value is None and p.longer is None), None) for s in studies]
    sizes = [int(s.columns.payload.shape[1]) for s in studies]
    counters = [() if p is None else p.counters for p in plain]
    sure = [_counters(s) for s in studies]
    told = counted_alike(list(zip(sizes, counters, strict=True)), list(zip(sizes, sure, strict=True)))
    return [
        replace(s, parts=tuple(replace(p, counters=mine) if p is part else p for p in s.parts))
        for s, part, mine in zip(studies, plain, told, strict=True)
    ]


def _with_vehicle_counters(studies: Sequence[Study], restudy: Restudy) -> list[Study]:
    """Studies again, where a counter of the vehicle's kind stands at its place and is too brief to show by itself."""
    own = [_counters(s) for s in studies]
    kinds = vehicle_counters([(int(s.columns.payload.shape[1]), found) for s, found in zip(studies, own, strict=True)])
    out = []
    for s in studies:
        taken = {p for c in s.checksums for p in c.positions}
        counters = [c for part in s.parts if part.mux_value is None for c in part.counters]
        found = counter_of_vehicle(s.columns, kinds, counters, taken) if kinds else None
        if found is None:
            out.append(s)
            continue
        # a check that only follows a counter, or one of several, is looked for again
        own_check = s.checksums[0] if len(s.checksums) == 1 and s.checksums[0].distinguished is None else None
        again = restudy(s.columns, own_check, (found,))
        if s.mux is not None and set(s.mux.positions) & set(found.positions) and again.mux is None:
            out.append(s)  # nothing else picks the pages
        else:
            out.append(_with_tails(again, s))
    return out


def _counters(s: Study) -> list[FoundCounter]:
    """A message's counters that nothing speaks against."""
    (plain, *_) = s.parts or (None,)
    if plain is None or plain.longer is not None:
        return []
    doubts = counter_doubts(plain.counters, s.checksums, s.columns, paged_bits(s.mux))
    return [c for c, (alike, *_) in zip(plain.counters, doubts, strict=True) if alike is None]


def _at_usual_place(s: Study, places: Tally[int]) -> FoundChecksum | None:
    """The same relation's check where the vehicle has its checks, if no other message has one where this one was put.

    A relation names no field, and what one message makes of it is the least sure part of a check.
    """
    if len(s.checksums) != 1 or s.checksums[0].distinguished is not None or isinstance(s.checksums[0].method, Crc):
        return None
    here = s.checksums[0].positions
    usual, votes = max(places.items(), key=lambda pair: (pair[1], pair[0]))
    first = usual + 8 * int(s.columns.payload.shape[1])
    if votes < USUAL or votes < USUAL_SHARE * (places.total() - 1) or places[place_of(s.columns, here)] > 1:
        return None
    if first < 0 or first == here[0]:
        return None
    there = tuple(range(first, first + len(here)))
    check = check_at(s.columns, find_counters(s.columns), there)
    return None if check is None else replace(check, shared=votes)


def _at_likelier_place(s: Study, plain: Tally[Place]) -> FoundChecksum:
    """The check, or the rival of it that stands where the vehicle's other messages have theirs."""
    (check,) = s.checksums
    bits, votes = likelier_place(check, s.columns.payload.shape[1], plain)
    if bits != check.positions:
        moved = check_at(s.columns, find_counters(s.columns), bits)
        if moved is None:
            return check
        check = replace(moved, rivals=check.rivals)
    return replace(check, shared=votes)


def _again(s: Study, check: FoundChecksum, restudy: Restudy) -> Study:
    """The study made anew with a check that is given, or the same where it was found there already."""
    if [c.positions for c in s.checksums] == [check.positions]:
        return replace(s, checksums=(check,))
    return _with_tails(restudy(s.columns, check, s.counting), s)


def _with_tails(again: Study, s: Study) -> Study:
    tails = tuple(p for p in s.parts if p.longer is not None)
    return replace(again, parts=(*again.parts, *tails))
