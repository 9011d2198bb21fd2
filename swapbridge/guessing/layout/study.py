"""Guessing room: everything about one identifier's layout: multiplexer, counters, checksums, then the cut.

`study` is the costly part, a pure function of one identifier's columns, run in any executor. `fields_of_study` turns
studies into fields once the vehicle's habits are known from all of them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import payloads_at
from swapbridge.core.integrity import Affine, Crc
from swapbridge.core.layout import layout_from_positions
from swapbridge.guessing.coding.bit_columns import FEW_FRAMES, BitColumns, Pairs, sample_pairs
from swapbridge.guessing.coding.candidates import NO_CANDIDATES, Candidates, find_candidates
from swapbridge.guessing.coding.history_costs import LITTLE
from swapbridge.guessing.integrity.checksums import FoundChecksum, find_checksums
from swapbridge.guessing.integrity.counters import FoundCounter, find_counters
from swapbridge.guessing.integrity.few_rows import catalogue_crc
from swapbridge.guessing.integrity.followers import follower_of_counter
from swapbridge.guessing.integrity.integrity_fields import checksum_field, counter_fields
from swapbridge.guessing.integrity.name_checksum import name_checksum
from swapbridge.guessing.integrity.redundant_counters import without_redundant
from swapbridge.guessing.integrity.shared_formulas import (
    Signature,
    possible_checks,
)
from swapbridge.guessing.integrity.trust import MOST, Standing, field_probability, mux_probability
from swapbridge.guessing.integrity.two_byte_checks import as_half, join_bytes
from swapbridge.guessing.layout.copies import copies_apart
from swapbridge.guessing.layout.cut import CutField, OrderPrices, cut_bits, within_reach
from swapbridge.guessing.layout.kinds import comes_round, field_kind, is_noise, is_signed
from swapbridge.guessing.layout.message_fields import raw_values
from swapbridge.guessing.layout.multiplex import FoundMux, decides, find_multiplexer, stands_alone
from swapbridge.guessing.layout.numbered_pages import numbered_pages
from swapbridge.guessing.layout.orders import MESSAGE_ORDERS, CutBits, cut_of, message_cuts
from swapbridge.guessing.layout.selector_order import at_random, is_quantity, takes_turns
from swapbridge.signalmap.findings import FoundField

PAIRS_LIMIT = 2000
"""Steps between frames that code lengths are counted over; see `sample_pairs`."""
FIRST_LIMIT = 400
"""Steps for the first, coarse weighing of all candidates."""
SLACK_BITS = 60.0
SLACK_A_STEP = 0.2
"""How far from the best coarse cut a candidate may be and still be weighed again; three standard errors of it."""
NOISE_BITS = 12
"""Narrowest field that is called noise."""
CRC_BITS = 1e4
"""How much being a CRC speaks for one field as the result of a relation: no other field's choice can make it one."""
MUX_BITS = 40.0
MUX_SHARE = 0.01
MUX_SHARE_WITHOUT_TURNS = 0.08
"""What a multiplexer must save, in bits and as a share of the whole payload; and as a share where its values come in no
fixed order."""
MUX_SHARE_OF_END = 0.2
MUX_SHARE_OF_COUNTER = 0.25
"""What it must save of the bits that it decides, where it looks like one end of a quantity, or where it counts."""
ROUND_MOST = 0.9
"""The most that is stated of a field whose values come round in one order: it may be pages' selector, or cut amiss."""
PAGES_LIKELY = 0.8
"""Probability from which on a multiplexer explains its pages; few are stated surer, and it saves 1,200 bits then."""


@dataclass(frozen=True, slots=True)
class Study:
    """What the costly part found out about one identifier."""

    columns: BitColumns
    checksums: tuple[FoundChecksum, ...]
    mux: FoundMux | None
    parts: tuple[CutBits, ...]
    possible: tuple[tuple[FoundChecksum, tuple[Signature, ...]], ...] = ()
    counting: tuple[FoundCounter, ...] = ()


def study(columns: BitColumns, given: FoundChecksum | None = None, counting: tuple[FoundCounter, ...] = ()) -> Study:
    """Find what is exact in one identifier, and the code length of every candidate field.

    Parameters
    ----------
    columns : Columns
        Its frames. Where their lengths vary, those of the commonest length are studied; of longer ones, which more
        often than not begin alike, the bytes that only they have.
    given : FoundChecksum, optional
        A checksum that other messages of the vehicle support: it is taken as it is.
    counting : tuple of FoundCounter, optional
        Counters that other messages support, likewise.

    Returns
    -------
    Study
        Exact fields and the code lengths of the candidates.
    """
    everything, columns = columns, one_length(columns)
    tails = _tails(everything, columns.payload.shape[1])
    live = columns.live
    if len(columns) < FEW_FRAMES or not live.any():
        return Study(columns, (), None, tails)
    exact = _not_a_selector(columns, _exact(columns, given, counting), counting)
    coarse, taken, counters = exact.coarse(), exact.taken, exact.counters
    known = mask_of([p for c in counting for p in c.positions], len(live))  # these pick no pages and stand on none
    mux = find_multiplexer(columns, [c.positions for c in counters], taken | known)
    checksums = exact.checksums
    if mux is not None:
        mux = _not_the_counter(columns, mux, counters, taken)
    plain = _whole_part(columns, coarse, live, taken, counters)
    parts: tuple[CutBits, ...] = (plain,)
    if mux is not None:
        mux, contents = _with_counting_contents(columns, mux, [c for c in counters if c not in counting], checksums)
        muxed = _muxed_parts(columns, coarse, live, taken & ~contents, counters, mux)
        if _still_pays(columns, live, plain, muxed, mux, any(c.positions == mux.positions for c in counters)):
            parts = muxed
            checksums = [c for c in checksums if not contents[list(c.positions)].any()]
        else:
            mux = None
    return Study(columns, tuple(checksums), mux, (*parts, *tails), possible_checks(columns), counting)


def _with_counting_contents(
    columns: BitColumns, mux: FoundMux, counters: list[FoundCounter], checksums: list[FoundChecksum]
) -> tuple[FoundMux, npt.NDArray[np.bool_]]:
    """The multiplexer with what only goes round with it among its contents, and which bits of these were called checks.

    What stands nearly still on every page counts as well, if the pages' contents happen to be in order, and is a
    function of the selector, as a check of a counter alone is. But what never misses a step itself, though it does not
    keep to the pages for good, is a counter beside them.
    """
    size = len(columns.live)
    value = raw_values(columns.payload, layout_from_positions(mux.positions))

    def goes_round(positions: tuple[int, ...], always: bool = False) -> bool:
        own = raw_values(columns.payload, layout_from_positions(positions))
        return _decided_by(value, own) if always else decides(value, own)

    of_counter = [] if mux.beside else [c.positions for c in checksums if c.distinguished is not None]
    follow = [p for positions in of_counter if goes_round(positions) for p in positions]
    others = [c for c in counters if c.positions not in (mux.positions, mux.beside)]
    count = [p for c in others if goes_round(c.positions, always=c.share == 1.0) for p in c.positions]
    return replace(mux, decides=tuple(sorted({*mux.decides, *follow, *count}))), mask_of(follow, size)


@dataclass(frozen=True, slots=True)
class _ExactParts:
    """What is exact in one identifier; the coarse weighing of all candidates is only made when asked for."""

    checksums: list[FoundChecksum]
    counters: list[FoundCounter]
    taken: npt.NDArray[np.bool_]
    coarse: Callable[[], Candidates]


def _exact(
    columns: BitColumns, given: FoundChecksum | None = None, counting: tuple[FoundCounter, ...] = ()
) -> _ExactParts:
    live = columns.live
    size = len(live)

    @cache
    def coarse() -> Candidates:
        return find_candidates(sample_pairs(columns, FIRST_LIMIT), live, np.zeros(size, bool), thorough=False)

    def bits_without(checksum: FoundChecksum) -> float:
        bits = cut_bits(coarse(), live, mask_of(checksum.positions, size), OrderPrices())
        # where other bytes are noise too, only one choice of target makes the relation a CRC
        named = name_checksum(checksum, columns)
        is_crc = isinstance(named.method, Crc) or as_half(columns, named, (), counters) is not None
        return bits - (CRC_BITS if is_crc else 0.0)

    counters = list(counting) or without_redundant(columns, find_counters(columns))
    checksums = [given] if given is not None else find_checksums(columns, counters, bits_without)
    checksums = [name_checksum(c, columns) for c in join_bytes(columns, checksums, counters)]
    if (
        not any(not isinstance(c.method, Affine) or c.method.name for c in checksums)
        and (known := catalogue_crc(columns)) is not None
    ):
        checksums = [known]
    if not checksums and (follower := follower_of_counter(columns, counters)) is not None:
        checksums = [name_checksum(follower, columns)]
    taken = np.zeros(size, bool)
    for checksum in checksums:
        taken |= mask_of(checksum.positions, size)
    if checksums and not counting:
        counters = without_redundant(columns, find_counters(columns, taken))
    return _ExactParts(checksums, counters, taken, coarse)


def _not_a_selector(columns: BitColumns, exact: _ExactParts, counting: tuple[FoundCounter, ...]) -> _ExactParts:
    """Without a check that only follows a counter, where it picks pages.

    It must follow one that the vehicle's other messages show, or stand alone in its byte.

    Pages by turns go round with a counter of as many values, as a check of it does; and their contents go round with
    them, so that two bits of these may be what counts.
    """
    size = len(columns.live)
    follow = [p for c in exact.checksums if c.distinguished is not None for p in c.positions]
    if not follow:
        return exact
    known = mask_of([p for c in counting for p in c.positions], size)
    taken = exact.taken & ~mask_of(follow, size)
    mux = find_multiplexer(columns, [c.positions for c in exact.counters], taken | known)
    if mux is None or not set(mux.positions) <= set(follow):
        return exact
    if not counting and not stands_alone(mux.positions, columns.live):
        return exact
    return replace(exact, checksums=[c for c in exact.checksums if c.distinguished is None], taken=taken)


def _still_pays(
    columns: BitColumns,
    live: npt.NDArray[np.bool_],
    plain: CutBits,
    muxed: tuple[CutBits, ...],
    mux: FoundMux,
    counted: bool,
) -> bool:
    """Whether a multiplexer still saves enough when all models have had their say."""
    own = mask_of(mux.positions, len(live))
    selector = find_candidates(sample_pairs(columns, PAIRS_LIMIT), live & own, ~own, thorough=True)
    before = cut_bits(plain.candidates, plain.live, plain.fixed, OrderPrices())
    common, *pages = (cut_bits(p.candidates, p.live, p.fixed, OrderPrices()) for p in muxed)
    if counted:  # a counter costs nothing in either reading, but as a counter it must leave no structure behind
        return sum(pages) < (1 - MUX_SHARE_OF_COUNTER) * (before - common)
    common += cut_bits(selector, live & own, ~own, OrderPrices())
    saved = before - common - sum(pages)
    if not takes_turns(columns, mux):
        # a selector that comes in no order must decide much: states of one machine go together too
        cut = [f.positions for f in cut_of(plain, OrderPrices())]
        if len(mux.values) == 2 or not at_random(columns, mux) or is_quantity(columns, cut, mux):
            return False
        return len(mux.decides) >= 8 and saved > max(4 * MUX_BITS, MUX_SHARE_WITHOUT_TURNS * before)
    # the low or high end of a quantity 'decides' all that moves with that quantity
    ends = any(set(mux.positions) < set(f.positions) for f in cut_of(plain, OrderPrices()))
    needed = MUX_SHARE_OF_END * (before - common) if ends else MUX_SHARE * before
    return saved > max(MUX_BITS, needed)


def _not_the_counter(
    columns: BitColumns, mux: FoundMux, counters: list[FoundCounter], taken: npt.NDArray[np.bool_]
) -> FoundMux:
    """Of two that count in step the one near the checksum is the counter, and the other one the multiplexer."""
    if not taken.any() or all(c.positions != mux.positions for c in counters):
        return mux
    check = np.flatnonzero(taken) >> 3

    def distance(positions: tuple[int, ...]) -> int:
        return int(np.abs(check[:, None] - (np.array(positions) >> 3)).min())

    value = raw_values(columns.payload, layout_from_positions(mux.positions))
    in_step = [mux.positions]
    for other in counters:
        raw = raw_values(columns.payload, layout_from_positions(other.positions))
        alike = len(other.positions) == len(mux.positions) and _decided_by(value, raw) and _decided_by(raw, value)
        if alike and other.positions != mux.positions:
            in_step.append(other.positions)
    farthest, nearest = max(in_step, key=distance), min(in_step, key=distance)
    if distance(farthest) == distance(nearest):
        return mux
    values = tuple(int(v) for v in np.unique(raw_values(columns.payload, layout_from_positions(farthest))))
    decided = tuple(p for p in mux.decides if p not in farthest)
    return replace(mux, positions=farthest, values=values, decides=decided, beside=nearest)


def one_length(columns: BitColumns) -> BitColumns:
    """Frames of the length that most have, without the bytes that only longer ones carry."""
    if not len(columns) or columns.length.min() == columns.length.max():
        return columns
    length = int(np.bincount(columns.length).argmax())
    return _cut_short(columns.select(columns.length == length), length)


def _cut_short(columns: BitColumns, length: int) -> BitColumns:
    return replace(columns, payload=np.ascontiguousarray(columns.payload[:, :length]))


def _tails(columns: BitColumns, length: int) -> tuple[CutBits, ...]:
    """Bytes beyond `length`, cut by themselves, one length after the other."""
    parts = []
    while (longer := columns.length > length).any():
        reach = int(np.bincount(columns.length[longer]).argmax())
        tail = _cut_short(columns.select(columns.length >= reach), reach)
        own = np.arange(8 * reach) >= 8 * length
        if len(tail) >= FEW_FRAMES and (tail.live & own).any():
            parts.append(replace(_mux_part(tail, None, own), longer=tail))
        length = reach
    return tuple(parts)


def _decided_by(selector: npt.NDArray[np.int64], other: npt.NDArray[np.int64]) -> bool:
    """Whether each selector value comes with one value of the other field only."""
    pairs = np.unique(np.stack([selector, other], axis=1), axis=0)
    return len(pairs) <= 1.1 * len(np.unique(selector))


def _whole_part(
    columns: BitColumns,
    coarse: Candidates,
    live: npt.NDArray[np.bool_],
    taken: npt.NDArray[np.bool_],
    counters: list[FoundCounter],
) -> CutBits:
    fixed = taken.copy()
    for counter in counters:
        fixed |= mask_of(counter.positions, len(live))
    return CutBits(None, live, fixed, _refine(columns, coarse.clear_of(fixed), live, fixed), tuple(counters))


def _muxed_parts(
    columns: BitColumns,
    coarse: Candidates,
    live: npt.NDArray[np.bool_],
    taken: npt.NDArray[np.bool_],
    counters: list[FoundCounter],
    mux: FoundMux,
) -> tuple[CutBits, ...]:
    """What every frame holds, then what each multiplexer value selects."""
    size = len(live)
    selector, decided = mask_of(mux.positions, size), mask_of(mux.decides, size)
    value = raw_values(columns.payload, layout_from_positions(mux.positions))
    kept = [c for c in counters if not (selector | decided)[list(c.positions)].any()]
    parts = [_whole_part(columns, coarse, live, taken | selector | decided, kept)]
    for v in mux.values:
        parts.append(_mux_part(columns.select(value == v), v, decided))
    return tuple(parts)


def exact_study(
    columns: BitColumns, given: FoundChecksum | None = None, counting: tuple[FoundCounter, ...] = ()
) -> Study:
    """What is exact in one identifier alone: no candidates are weighed, unless something may be a multiplexer.

    Parameters are those of `study`. Frames of the commonest length are looked at.
    """
    columns = one_length(columns)
    if len(columns) < FEW_FRAMES or not columns.live.any():
        return Study(columns, (), None, ())
    exact = _not_a_selector(columns, _exact(columns, given, counting), counting)
    places = [c.positions for c in exact.counters]
    known = mask_of([p for c in counting for p in c.positions], len(columns.live))
    if places and find_multiplexer(columns, places, exact.taken | known) is not None:
        # a multiplexer that comes in turns counts as well: only the whole study shows which of the two it is
        return study(columns, given, counting)
    part = CutBits(None, columns.live, exact.taken, NO_CANDIDATES, tuple(exact.counters))
    return Study(columns, tuple(exact.checksums), None, (part,), possible_checks(columns), counting)


def exact_fields(s: Study) -> list[FoundField]:
    """Counters and checksums of a study as fields, those on pages and in longer frames left out."""
    counters = [c for part in s.parts if part.mux_value is None and part.longer is None for c in part.counters]
    return [*map(checksum_field, s.checksums), *counter_fields(counters, s.checksums, s.columns, paged_bits(s.mux))]


def _mux_part(columns: BitColumns, value: int | None, decided: npt.NDArray[np.bool_]) -> CutBits:
    live = columns.live & decided
    counters = find_counters(columns, ~decided)
    if value is not None:  # of a page's few frames the clock makes counters of steady ramps
        counters = [c for c in counters if not c.by_clock]
    fixed = ~decided
    for counter in counters:
        fixed = fixed | mask_of(counter.positions, len(live))
    coarse = find_candidates(sample_pairs(columns, FIRST_LIMIT), live, fixed, thorough=False)
    return CutBits(value, live, fixed, _refine(columns, coarse, live, fixed), tuple(counters))


def _refine(
    columns: BitColumns, coarse: Candidates, live: npt.NDArray[np.bool_], fixed: npt.NDArray[np.bool_]
) -> Candidates:
    """Weigh again, on more steps and with all models, what could stand in a good cut."""
    pairs = sample_pairs(columns, PAIRS_LIMIT)
    near = within_reach(coarse, live, fixed, SLACK_BITS + SLACK_A_STEP * pairs.steps)
    candidates = find_candidates(pairs, live, fixed, thorough=True, among=near)
    for number, beside in numbered_pages(columns, live & ~fixed):
        candidates = _only_these(pairs, candidates, live, fixed, (number, beside))
    for bits in MESSAGE_ORDERS:
        candidates = copies_apart(pairs, candidates, live, fixed, OrderPrices(bits))
    return candidates


def _only_these(
    pairs: Pairs,
    candidates: Candidates,
    live: npt.NDArray[np.bool_],
    fixed: npt.NDArray[np.bool_],
    fields: tuple[tuple[int, ...], ...],
) -> Candidates:
    """Candidates in which bits of these fields, each in one byte, belong to them alone."""
    others = candidates.clear_of(fixed | mask_of([p for field in fields for p in field], len(live)))
    first, last = (np.array([field[at] for field in fields]) for at in (0, -1))
    own = Candidates(np.full(len(fields), LITTLE), first, last, np.zeros(len(fields)))
    return others.joined_by(find_candidates(pairs, live, fixed, thorough=True, among=own))


def mask_of(positions: Sequence[int], size: int) -> npt.NDArray[np.bool_]:
    """(size,) bool: true at these bits."""
    mask = np.zeros(size, bool)
    mask[list(positions)] = True
    return mask


def fields_of_study(s: Study, prices: OrderPrices) -> tuple[FoundField, ...]:
    """Fields of one identifier, in payload order; multiplexed ones after the others."""
    fields = [checksum_field(c) for c in s.checksums]
    selector: FoundField | None = None
    value: npt.NDArray[np.int64] | None = None
    if s.mux is not None:
        selector = _mux_field(s.mux)
        value = raw_values(s.columns.payload, selector.layout)
        fields.append(selector)
    for part, cut in zip(s.parts, message_cuts(s.parts, prices), strict=True):
        page = None if selector is None else part.mux_value
        columns = s.columns if part.longer is None else part.longer
        if page is not None and value is not None:
            columns = s.columns.select(value == page)
        own = counter_fields(part.counters, s.checksums, columns, paged_bits(s.mux))
        for found, beside in zip(cut, _neighbours(columns, cut), strict=True):
            own.append(_plain_field(columns, found, beside, page is not None))
        fields += own if page is None or selector is None else [_on_page(f, selector, page) for f in own]
    fields = [_no_surer_than(f, surest(f, fields)) for f in fields]
    return tuple(sorted(fields, key=lambda f: (-1 if f.mux is None else f.mux[1], min(f.layout.positions))))


def paged_bits(mux: FoundMux | None) -> tuple[int, ...]:
    """Bits of a multiplexer and of its pages, where it is likely enough to explain them."""
    if mux is None or mux_probability(len(mux.values), len(mux.positions), mux.gain_bits, mux.by_habit) < PAGES_LIKELY:
        return ()
    return (*mux.positions, *mux.decides)


def _on_page(found: FoundField, selector: FoundField, page: int) -> FoundField:
    """The field where the multiplexer holds this value."""
    return replace(found, name=f"{found.name}_when_{page}", mux=(selector.name, page))


def surest(found: FoundField, fields: Sequence[FoundField]) -> float:
    """The highest probability that is stated of one of a message's fields, because of what picks its page or may.

    Parameters
    ----------
    found : FoundField
    fields : sequence of FoundField
        All fields of the message.

    Returns
    -------
    float
        That of the multiplexer whose page the field stands on: without pages it isn't there. That of a counter which
        may pick pages, of what it would pick. `ROUND_MOST` where the field itself comes round as pages do.
    """
    most = ROUND_MOST if found.evidence.get("comes_round") else MOST
    if found.mux is not None:
        return min([most, *(f.layout_confidence for f in fields if f.name == found.mux[0])])
    bits = set(found.layout.positions)
    return min([most, *(f.layout_confidence for f in fields if bits & set(f.evidence.get("picks", ())))])


def _no_surer_than(found: FoundField, most: float) -> FoundField:
    return replace(found, layout_confidence=min(found.layout_confidence, most), confidence=min(found.confidence, most))


def _mux_field(mux: FoundMux) -> FoundField:
    layout = layout_from_positions(mux.positions)
    confidence = mux_probability(len(mux.values), len(mux.positions), mux.gain_bits, mux.by_habit)
    return FoundField(
        name=f"mux_{layout.start}",
        layout=layout,
        kind="mux",
        layout_confidence=confidence,
        confidence=confidence,
        evidence={"values": list(mux.values), "saved_bits": round(mux.gain_bits, 1)},
    )


def _neighbours(columns: BitColumns, cut: Sequence[CutField]) -> list[tuple[int, float]]:
    """For each field, on how many ends another one touches it, and how much the closest of these moves with it."""
    follows = ~columns.breaks[1:]
    flips = np.ascontiguousarray(payloads_at(columns.payload[1:] ^ columns.payload[:-1], follows).T)
    moved: list[npt.NDArray[np.bool_]] = []
    for f in cut:
        own: dict[int, int] = {}
        for p in f.positions:
            own[p >> 3] = own.get(p >> 3, 0) | 1 << (p & 7)
        moves = np.zeros(flips.shape[1], np.uint8)
        for byte, mask in own.items():
            moves |= flips[byte] & np.uint8(mask)
        moved.append(moves != 0)
    at = {p: k for k, f in enumerate(cut) for p in (f.positions[0], f.positions[-1])}
    out = []
    for k, f in enumerate(cut):
        beside = set()
        low, top = f.positions[0], f.positions[-1]
        # the next bit in either byte order
        for p in (low - 1, low + 15 if low & 7 == 0 else low - 1, top + 1, top - 15 if top & 7 == 7 else top + 1):
            if p in at and at[p] != k:
                beside.add((at[p], p in (top + 1, top - 15)))
        shares = [
            float(np.count_nonzero(moved[k] & moved[other]))
            / max(1, min(int(np.count_nonzero(moved[k])), int(np.count_nonzero(moved[other]))))
            for other, _ in beside
        ]
        out.append((len({upper for _, upper in beside}), max(shares, default=0.0)))
    return out


def _plain_field(columns: BitColumns, found: CutField, beside: tuple[int, float], page: bool) -> FoundField:
    layout = layout_from_positions(found.positions)
    raw = raw_values(columns.payload, layout)
    follows = ~columns.breaks
    kind = field_kind(raw, follows, layout.length)
    if kind == "analogue" and layout.length < 64:
        layout = replace(layout, signed=is_signed(raw, follows, layout.length))
    changes = int(np.count_nonzero((raw[1:] != raw[:-1]) & follows[1:]))
    evidence: dict[str, Any] = {"frames": len(columns), "changes": changes, "margin_bits": round(found.margin, 1)}
    if kind == "constant" and len(raw):
        evidence["value"] = int(raw[0])  # a signal map keeps it, so that a bridge can send it
    touches, together = beside
    states = kind in ("flag", "enum")
    low = found.positions[0] & 7
    confidence = field_probability(
        Standing(found.probability, changes, len(found.positions), low, states, touches, together, page)
    )
    evidence |= {"share_of_cuts": round(found.probability, 4), "touches": touches, "moves_with": round(together, 3)}
    if kind == "enum" and comes_round(raw, follows):
        evidence |= {"comes_round": True, "note": "its values come in one order: perhaps they pick pages"}
    if layout.length >= NOISE_BITS and is_noise(columns, found.positions):
        evidence["note"] = "high entropy, related to nothing: possibly authenticated, cannot be generated"
        evidence["possibly_authenticated"] = True  # a signal map takes this word: the compiler then won't write it
    return FoundField(
        name=f"field_{layout.start}_{layout.length}",
        layout=layout,
        kind=kind,
        layout_confidence=confidence,
        confidence=confidence,
        evidence=evidence,
    )
