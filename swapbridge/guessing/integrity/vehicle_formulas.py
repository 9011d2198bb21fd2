"""Guessing room: formulas that belong to the vehicle: sums and XOR over whole payloads, fitted to all messages at once.

A maker writes one formula into every module. What differs between messages then follows from the identifier, so one
message that moves proves the form for twenty that stand still: each of those must meet a constant that is known
beforehand. Where a relation is symmetrical (all nibbles add up to a constant) the vehicle shows where its check is.
"""

from __future__ import annotations

from collections import Counter as Tally
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from math import comb
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from swapbridge.core.integrity import Affine, FieldSum, Method, Sum, Term
from swapbridge.core.layout import Layout
from swapbridge.guessing.coding.bit_columns import FEW_FRAMES, BitColumns, distinct_payloads
from swapbridge.guessing.integrity.checksums import EQUATIONS, SHARE, TURNS, FoundChecksum, distinct_rows
from swapbridge.guessing.integrity.counters import frames_between

Ints = npt.NDArray[np.int64]

FIRST_ROWS = 48
"""Distinct payloads that rule out most relations."""
FEWEST = 3
"""Distinct payloads with which a message has a say in what the vehicle's formula is."""
SIGNIFICANT = 1e-4
"""Chance, over all formulas tried, with which as many messages would meet one constant."""
OWN_BITS = 12
"""Evidence of its own that a message needs where so few keep to a formula that it may be chance."""
COUNTS = 0.8
"""A unit with at least this share of steps by one is a counter and no check."""
MOST = 0.6
PLAIN = 2
"""Messages that must have a formula's check at one place beyond doubt, for those to go by in which a counter alone
moves and either could be the check."""
NEARLY_ALL = 0.95
"""Share of a formula's messages that must have a possible check at its place: for those that can't prove theirs, and
for all, against what a message by itself would make of it."""


class FormulaFamily(NamedTuple):
    """A kind of relation: bits of a unit, the sign of the other units' total (0: XOR), whether carries come round."""

    bits: int
    sign: int
    carried: bool = False

    @property
    def size(self) -> int:
        """What sums are taken modulo: one less where carries are added back in at the bottom."""
        return (1 << self.bits) - self.carried


FAMILIES = (
    FormulaFamily(8, 1),
    FormulaFamily(8, -1),
    FormulaFamily(8, 0),
    FormulaFamily(8, 1, carried=True),
    FormulaFamily(8, -1, carried=True),
    FormulaFamily(4, 1),
    FormulaFamily(4, -1),
    FormulaFamily(4, 0),
)
"""Those over bytes first: an XOR of bytes is one of nibbles too."""
FORMS: tuple[tuple[str, Callable[[int, int], int]], ...] = (
    ("", lambda total, length: 0),
    ("identifier", lambda total, length: total),
    ("identifier and length", lambda total, length: total + length),
    ("length", lambda total, length: length),
)
"""How what differs between messages follows from the identifier's units and the payload's length."""


@dataclass(frozen=True, slots=True)
class _HeldRelation:
    """A relation that all payloads of one message keep to: its unit (None: any could be the check) and constant."""

    family: FormulaFamily
    unit: int | None
    constant: int
    equations: int


@dataclass(frozen=True, slots=True)
class _JointMessage:
    """What one message brings to the joint fit."""

    columns: BitColumns
    identifier: tuple[int, ...]
    holds: tuple[_HeldRelation, ...]


def vehicle_checks(all_columns: Sequence[BitColumns]) -> list[FoundChecksum | None]:
    """For each message the check that the vehicle's own formula says it has, or None.

    Parameters
    ----------
    all_columns : sequence of Columns
        Every identifier's frames, each of one payload length.
    """
    kept = [tuple(_relations(c)) for c in all_columns]
    # two payloads may meet a constant that is known, and speak for none
    brief = {at: holds for at, holds in enumerate(kept) if len(holds) and len(distinct_rows(all_columns[at])) < FEWEST}
    messages = [
        _JointMessage(c, _digits(c), () if at in brief else holds)
        for at, (c, holds) in enumerate(zip(all_columns, kept, strict=True))
    ]
    out: list[FoundChecksum | None] = [None] * len(messages)
    open_ones = set(range(len(messages)))
    tried = sum(len(m.holds) > 0 for m in messages)
    while tried:
        best = max(
            _formulas(messages, open_ones), key=lambda f: (len(f.members), -FAMILIES.index(f.family)), default=None
        )
        if best is None:
            break
        checks, share = _at_its_place(messages, best)
        for at, check in checks.items():
            # a formula of few, or one whose checks have no place in common, helps those that can't prove it
            if (best.sure and share >= NEARLY_ALL) or check.equations < EQUATIONS:
                out[at] = check
        open_ones -= set(best.members)
        if best.sure and share >= NEARLY_ALL:
            met = {
                at: some
                for at, holds in brief.items()
                if out[at] is None and (some := _meets(messages[at], holds, best))
            }
            together, _ = _at_its_place(messages, best._replace(members=best.members | met)) if met else ({}, 0.0)
            for at in met:
                own = together.get(at)
                if own is not None and not own.rivals and own.distinguished is None and not own.half:
                    out[at] = own
    return out


def _meets(message: _JointMessage, holds: Sequence[_HeldRelation], formula: _CheckFormula) -> tuple[_HeldRelation, ...]:
    """Of a message's relations those of the formula, with its constant."""
    family = formula.family
    part = _of_identifier(message, family, formula.form)
    constant = (formula.constant ^ part) if not family.sign else (formula.constant + family.sign * part) % family.size
    return tuple(h for h in holds if h.family == family and h.constant % family.size == constant)


class _CheckFormula(NamedTuple):
    family: FormulaFamily
    form: int
    constant: int
    members: dict[int, tuple[_HeldRelation, ...]]
    sure: bool


def _digits(columns: BitColumns) -> tuple[int, ...]:
    """Hexadecimal digits of the identifier, least significant first."""
    return tuple(columns.identifier >> s & 15 for s in range(0, 32, 4))


def _of_identifier(message: _JointMessage, family: FormulaFamily, form: int) -> int:
    digits = message.identifier
    units = digits if family.bits == 4 else tuple(a + 16 * b for a, b in zip(digits[::2], digits[1::2], strict=True))
    if family.sign:
        total = sum(units)
        return FORMS[form][1](total, message.columns.payload.shape[1])
    folded = 0
    for unit in units:
        folded ^= unit
    length = message.columns.payload.shape[1]
    return (0, folded, folded ^ length, length)[form]


def _formulas(messages: Sequence[_JointMessage], open_ones: set[int]) -> Iterator[_CheckFormula]:
    """Formulas that more messages keep to, with one constant, than chance would have it, one of them moving enough."""
    for family in FAMILIES:
        size = family.size
        holding = {at: [h for h in messages[at].holds if h.family == family] for at in open_ones}
        holding = {at: some for at, some in holding.items() if some}
        if not holding:
            continue
        for form in range(len(FORMS)):
            members: dict[int, dict[int, list[_HeldRelation]]] = {}
            for at, some in holding.items():
                part = _of_identifier(messages[at], family, form)
                for h in some:
                    constant = (h.constant ^ part) if not family.sign else (h.constant - family.sign * part) % size
                    members.setdefault(constant, {}).setdefault(at, []).append(h)
            for constant, of in members.items():
                known = 1 if constant in (0, size - 1) else 0  # a plain or inverted sum: no message was used up for it
                trials = len(FAMILIES) * len(FORMS) * (1 + known)
                chance = trials * _at_least(len(of) - 1 + known, len(holding) - 1 + known, 1 / size)
                kept = {
                    at: tuple(some)
                    for at, some in of.items()
                    if chance <= SIGNIFICANT or family.bits * (1 + max(h.equations for h in some)) >= OWN_BITS
                }
                if len(kept) > 1 and any(h.equations >= EQUATIONS for some in kept.values() for h in some):
                    yield _CheckFormula(family, form, constant, kept, chance <= SIGNIFICANT)


def _at_least(count: int, trials: int, chance: float) -> float:
    """Probability of at least so many of the trials, each of the same chance: an upper bound (union over choices)."""
    return min(1.0, comb(trials, count) * chance**count)


def _relations(columns: BitColumns) -> Iterator[_HeldRelation]:
    """Relations of whole payloads that every distinct payload keeps to, of units that move."""
    if len(columns) < FEW_FRAMES or columns.payload.shape[1] < 2 or columns.length.min() != columns.length.max():
        return
    rows = distinct_rows(columns)
    if len(rows) < 2:
        return
    few = rows[np.linspace(0, len(rows) - 1, min(len(rows), FIRST_ROWS)).astype(np.intp)]
    folded_found = False
    for family in FAMILIES:
        if family.bits == 4 and not family.sign and folded_found:
            continue
        small, whole = _units(few, family.bits), None
        moving = np.flatnonzero((small != small[:1]).any(axis=0))
        if len(moving) < 2:
            continue
        may_fail = int((1 - SHARE) * len(rows)) + 1
        for unit, rest in _rests(small, family, moving):
            constant, right = _commonest(rest)
            if right < len(few) - may_fail:
                continue
            if whole is None:
                whole = _units(rows, family.bits)
            full = dict(_rests(whole, family, moving))[unit]
            constant, right = _commonest(full)
            if right < SHARE * len(rows):
                continue
            folded_found |= family == FormulaFamily(8, 0)
            yield _HeldRelation(family, unit, constant, _equations(whole, family, unit))


def _units(rows: npt.NDArray[np.uint8], bits: int) -> Ints:
    """(N, units) bytes, or nibbles (the low one of each byte first)."""
    if bits == 8:
        return rows.astype(np.int64)
    both = np.stack([rows & 15, rows >> 4], axis=2)
    return both.reshape(len(rows), -1).astype(np.int64)


def _rests(units: Ints, family: FormulaFamily, moving: npt.NDArray[np.intp]) -> Iterator[tuple[int | None, Ints]]:
    """What should be constant: of a symmetrical relation once, else for each unit that could be the check."""
    size = family.size
    if not family.sign:
        yield None, np.asarray(np.bitwise_xor.reduce(units, axis=1))
        return
    total = units.sum(axis=1)
    if family.sign < 0:
        yield None, total % size
        return
    for unit in moving.tolist():
        yield unit, (2 * units[:, unit] - total) % size


def _commonest(values: Ints) -> tuple[int, int]:
    counts = np.bincount(values)
    return int(counts.argmax()), int(counts.max())


def _equations(units: Ints, family: FormulaFamily, unit: int | None) -> int:
    """Different rows of moving units beyond the first, without pairs that go in step: those prove nothing."""
    size = family.size
    left = [k for k in range(units.shape[1]) if units[:, k].min() != units[:, k].max()]
    for a, b in combinations(tuple(left), 2):
        if a not in left or b not in left:
            continue
        if family.sign == 0:
            both = units[:, a] ^ units[:, b]
        elif unit in (a, b):
            both = (units[:, a] - units[:, b]) % size
        else:
            both = (units[:, a] + units[:, b]) % size
        if (both == both[0]).all():
            left.remove(a)
            left.remove(b)
    return len(distinct_payloads(units[:, left].astype(np.uint8))) - 1 if left else 0


def _at_its_place(messages: Sequence[_JointMessage], formula: _CheckFormula) -> tuple[dict[int, FoundChecksum], float]:
    """The checks of a formula's messages at the place that most have in common, and how many of them do."""
    possible = {at: set(_possible(messages[at].columns, formula, some)) for at, some in formula.members.items()}
    votes: Tally[tuple[bool, int]] = Tally()
    per_byte = 8 // formula.family.bits
    for at, units in possible.items():
        width = per_byte * messages[at].columns.payload.shape[1]
        votes.update({(True, u - width) for u in units} | {(False, u) for u in units})
    # counted from the end where both ways have as many
    ranked = sorted(votes, key=lambda place: (votes[place], place[0], -abs(place[1] + per_byte)), reverse=True)
    out: dict[int, FoundChecksum] = {}
    if not ranked:
        return out, 0.0
    from_end, place = ranked[0]
    shared = sum(1 for units in possible.values() if units)
    agreed = votes[ranked[0]] >= MOST * shared
    ends = {at: per_byte * messages[at].columns.payload.shape[1] if from_end else 0 for at in possible}
    plain = Tally(min(units) - ends[at] for at, units in possible.items() if len(units) == 1)
    # what may be half of a byte's check speaks for no nibble
    halves = {at: _is_half(messages[at].columns, formula.family, place + ends[at]) for at in possible if possible[at]}
    for at, units in possible.items():
        columns = messages[at].columns
        width = per_byte * columns.payload.shape[1]
        unit = place + width if from_end else place
        if not agreed and len(units) == 1:
            unit = next(iter(units))  # no place in common, but only one that it could be
        holds = [h for h in formula.members[at] if h.unit in (None, unit)]
        open_choice = len(units) > 1 and max(h.equations for h in formula.members[at]) == 0
        if open_choice and plain[place] < PLAIN:
            # counter and check in step: where no others show which is which, habit decides
            unit = max(units, key=lambda u: (u >= width - per_byte, u < per_byte, -u))
            holds = [h for h in formula.members[at] if h.unit in (None, unit)]
            check = _check(columns, formula.family, unit, holds[0], plain[unit - ends[at]])
            out[at] = replace(check, distinguished=0)
        elif unit in units and (agreed or len(units) == 1):
            check = _check(
                columns, formula.family, unit, holds[0], sum(not half for other, half in halves.items() if other != at)
            )
            # another place that as many of the messages allow: either may be the check's
            as_many = [
                u
                for u in sorted(units - {unit})
                if None in {h.unit for h in formula.members[at]}
                and max(votes[True, u - width], votes[False, u]) >= votes[ranked[0]]
            ]
            if as_many:
                bits = formula.family.bits
                rivals = tuple(tuple(range(bits * u, bits * (u + 1))) for u in as_many)
                check = replace(check, rivals=rivals, shared=0)
            out[at] = check
    return out, votes[ranked[0]] / shared


def _possible(columns: BitColumns, formula: _CheckFormula, some: Sequence[_HeldRelation]) -> Iterator[int]:
    """Units that could be the check of one message: they are another one nearly whenever the payload is."""
    changed = _changed(columns)
    if not changed.any():
        return
    units = _units(columns.payload, formula.family.bits)
    named = {h.unit for h in some}
    for unit in range(units.shape[1]) if None in named else sorted(u for u in named if u is not None):
        moves = _moves(units[:, unit], changed)
        if (moves != 0).mean() < TURNS:
            continue
        if None in named and len(moves) > 1 and (moves == 1).mean() > COUNTS:
            continue  # a counter, where another unit may be the check
        yield unit


def _changed(columns: BitColumns) -> npt.NDArray[np.bool_]:
    """(N - 1,) steps in which the payload changes; where most of these are such, those without a frame missing."""
    changed = ~columns.breaks[1:] & (columns.payload[1:] != columns.payload[:-1]).any(axis=1)
    whole = changed & (frames_between(columns, np.arange(1, len(columns))) == 1)
    # over a frame that was lost no counter goes on by one
    return np.asarray(whole if 2 * whole.sum() > changed.sum() else changed)


def _moves(value: Ints, changed: npt.NDArray[np.bool_]) -> Ints:
    """How far a unit goes in each of these steps, by its bits that move: two of a nibble's may be a counter."""
    moving = int(np.bitwise_or.reduce(value ^ value[0]))
    low = (moving & -moving).bit_length() - 1 if moving else 0
    return np.asarray((np.diff(value >> low) % (1 << moving.bit_length() - low))[changed], np.int64)


def _is_half(columns: BitColumns, family: FormulaFamily, unit: int) -> bool:
    """Whether the other nibble of its byte moves, and counts nothing: the upper half of a byte's sum is one of nibbles
    wherever the lower half seldom carries into it.
    """
    if family.bits == 8:
        return False
    moves = _moves(_units(columns.payload[:, unit >> 1 :][:, :1], 4)[:, 1 - (unit & 1)], _changed(columns))
    return bool(moves.any()) and float((moves == 1).mean()) <= COUNTS


def _check(columns: BitColumns, family: FormulaFamily, unit: int, holds: _HeldRelation, shared: int) -> FoundChecksum:
    rows = columns.payload
    width = rows.shape[1]
    positions = tuple(range(family.bits * unit, family.bits * (unit + 1)))
    method: Method
    if family.carried:
        terms = tuple(Term(Layout(8 * k, 8)) for k in range(width) if k != unit)
        start = int(family.sign * holds.constant % family.size)
        method = FieldSum(8, terms, start, fold=8, factor=family.sign, constant=min(family.sign, 0))
    elif family.sign:
        own_byte = positions[0] >> 3
        covered = tuple(i for i in range(width) if family.bits == 4 or i != own_byte)
        method = Sum(family.bits, covered, family.bits, family.sign, holds.constant)
    else:
        units = width * 8 // family.bits
        masks = tuple(sum(1 << (family.bits * u + k) for u in range(units) if u != unit) for k in range(family.bits))
        name = "XOR of the bytes" if family.bits == 8 else "XOR of the nibbles"
        method = Affine(family.bits, masks, holds.constant, name)
    moved = int.from_bytes(np.bitwise_or.reduce(rows ^ rows[:1], axis=0).tobytes(), "little")
    own = sum(1 << p for p in positions)
    equations, half = max(holds.equations, 0), _is_half(columns, family, unit)
    return FoundChecksum(positions, method, None, (), 1.0, equations, moved & ~own, shared, half=half)
