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

from swapbridge.core.integrity import Affine, Crc
from swapbridge.core.layout import layout_from_positions
from swapbridge.guessing.coding.bit_columns import FEW_FRAMES, BitColumns, sample_pairs
from swapbridge.guessing.coding.candidates import Candidates, find_candidates
from swapbridge.guessing.integrity.checksums import FoundChecksum, find_checksums
from swapbridge.guessing.integrity.counters import FoundCounter, find_counters, frames_between
from swapbridge.guessing.integrity.few_rows import catalogue_crc
from swapbridge.guessing.integrity.followers import follower_of_counter
from swapbridge.guessing.integrity.integrity_fields import checksum_field, counter_fields
from swapbridge.guessing.integrity.name_checksum import name_checksum
from swapbridge.guessing.integrity.redundant_counters import without_redundant
from swapbridge.guessing.integrity.shared_formulas import (
    Signature,
    possible_checks,
)
from swapbridge.guessing.integrity.trust import Standing, field_probability, mux_probability
from swapbridge.guessing.integrity.two_byte_checks import as_half, join_bytes
from swapbridge.guessing.layout.cut import CutField, OrderPrices, cut_bits, within_reach
from swapbridge.guessing.layout.kinds import field_kind, is_noise, is_signed
from swapbridge.guessing.layout.message_fields import raw_values
from swapbridge.guessing.layout.multiplex import FoundMux, find_multiplexer
from swapbridge.guessing.layout.orders import CutBits, cut_of, message_cuts
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
MUX_MEMORY_BITS = 0.05
"""How much each value of a selector in no order may predict of the next."""
MUX_STEP_FOR_STEP = 0.8
"""Correlation of steps from which on one quantity moves with another."""
FEWEST_TURNS = 12
"""At least so many turns must have been predicted by those before."""
MUX_LOOKS_BACK = 3
"""Values before the next one that may be used to predict it."""
MUX_SHARE_OF_END = 0.2
MUX_SHARE_OF_COUNTER = 0.25
"""What it must save of the bits that it decides, where it looks like one end of a quantity, or where it counts."""
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
    exact = _exact(columns, given, counting)
    coarse, taken, counters = exact.coarse(), exact.taken, exact.counters
    mux = find_multiplexer(columns, [c.positions for c in counters], taken)
    if mux is not None:
        mux = _not_the_counter(columns, mux, counters, taken)
    plain = _whole_part(columns, coarse, live, taken, counters)
    parts: tuple[CutBits, ...] = (plain,)
    if mux is not None:
        muxed = _muxed_parts(columns, coarse, live, taken, counters, mux)
        if _still_pays(columns, live, plain, muxed, mux, any(c.positions == mux.positions for c in counters)):
            parts = muxed
        else:
            mux = None
    return Study(columns, tuple(exact.checksums), mux, (*parts, *tails), possible_checks(columns), counting)


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
    if not _takes_turns(columns, mux):
        # a selector that comes in no order must decide much: states of one machine go together too
        if not _at_random(columns, mux) or _moves_with(columns, plain, mux):
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
    best = mux
    for other in counters:
        raw = raw_values(columns.payload, layout_from_positions(other.positions))
        in_step = len(other.positions) == len(mux.positions) and _decided_by(value, raw) and _decided_by(raw, value)
        if in_step and distance(other.positions) > distance(best.positions):
            decides = tuple(p for p in mux.decides if p not in other.positions)
            values = tuple(int(v) for v in np.unique(raw))
            best = replace(mux, positions=other.positions, values=values, decides=decides, beside=mux.positions)
    return best


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


def _at_random(columns: BitColumns, mux: FoundMux) -> bool:
    """Whether its values look random: each predicts hardly anything of the next. Contents have a memory."""
    value = raw_values(columns.payload, layout_from_positions(mux.positions))
    size = int(value.max()) + 1
    old, new = value[:-1][~columns.breaks[1:]], value[1:][~columns.breaks[1:]]
    both = np.zeros((size, size))
    np.add.at(both, (old, new), 1.0)
    share = both / both.sum()
    alone = share.sum(axis=1, keepdims=True) * share.sum(axis=0, keepdims=True)
    seen = share > 0
    shared = float((share[seen] * np.log2(share[seen] / alone[seen])).sum())
    by_luck = (size - 1) ** 2 / (2 * np.log(2) * len(old))
    return bool(shared <= MUX_MEMORY_BITS + 2 * by_luck)


def _moves_with(columns: BitColumns, plain: CutBits, mux: FoundMux) -> bool:
    """Whether the selector is the end of a quantity that others copy: step for step as far, so that it decides them."""
    if len(mux.values) < 4:
        return False
    fields = cut_of(plain, OrderPrices())
    follows = ~columns.breaks[1:]

    def steps(positions: tuple[int, ...]) -> npt.NDArray[np.float64]:
        raw = raw_values(columns.payload, layout_from_positions(positions)).astype(np.float64)
        return np.diff(raw)[follows]

    for quantity in fields:
        if set(mux.positions) < set(quantity.positions):
            own = steps(quantity.positions)
            for other in fields:
                if other is quantity or not set(other.positions) & set(mux.decides) or len(other.positions) < 4:
                    continue
                its = steps(other.positions)
                if own.std() and its.std() and abs(np.corrcoef(own, its)[0, 1]) >= MUX_STEP_FOR_STEP:
                    return True
    return False


def _takes_turns(columns: BitColumns, mux: FoundMux) -> bool:
    """Whether its values come in a fixed order, where no frame was lost in between.

    Each is nearly always followed by the same other one, or by the same one where those before it are known too: a
    page may come between all others. What jitters comes in no order.
    """
    step = np.flatnonzero(~columns.breaks[1:]) + 1
    follows = np.zeros(len(columns), bool)
    follows[step[frames_between(columns, step) == 1]] = True
    value = raw_values(columns.payload, layout_from_positions(mux.positions))
    size = max(mux.values) + 1
    value = np.where(value < size, value, 0)
    context = np.zeros(len(columns), np.int64)
    known = follows.copy()
    for back in range(1, MUX_LOOKS_BACK + 1):
        if size**back > len(columns):
            break
        context[back:] = context[back:] * size + value[:-back]
        if back > 1:
            known[back - 1 :] &= follows[: len(columns) - back + 1]
            known[: back - 1] = False
        after = np.zeros((size**back, size), np.int64)
        np.add.at(after, (context[known], value[known]), 1)
        if back == 1:
            np.fill_diagonal(after, 0)
        # the first time that a value follows foretells nothing: where frames are few nearly all would be such
        seen = after.sum(axis=1)
        seen = seen - (seen > 0)
        if seen.sum() >= FEWEST_TURNS and np.maximum(after.max(axis=1) - 1, 0).sum() > 0.9 * seen.sum():
            return True
    return False


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
    kept = []
    for c in counters:
        if (selector | decided)[list(c.positions)].any():
            continue
        if c.positions != mux.beside and _decided_by(
            value, raw_values(columns.payload, layout_from_positions(c.positions))
        ):
            taken = taken | mask_of(c.positions, size)  # goes round with the multiplexer: a constant of each page
        else:
            kept.append(c)
    parts = [_whole_part(columns, coarse, live, taken | selector | decided, kept)]
    for v in mux.values:
        parts.append(_mux_part(columns.select(value == v), v, decided))
    return tuple(parts)


def find_exact(columns: BitColumns, given: FoundChecksum | None = None) -> list[FoundField]:
    """Counters and checksums alone, as fields; `given` is a check that the vehicle's own formula shows."""
    columns = one_length(columns)
    if len(columns) < FEW_FRAMES or not columns.live.any():
        return []
    exact = _exact(columns, given)
    counting = [c.positions for c in exact.counters]
    if not counting or find_multiplexer(columns, counting, exact.taken) is None:
        return [*map(checksum_field, exact.checksums), *counter_fields(exact.counters, exact.checksums, columns)]
    # a multiplexer that comes in turns counts as well: only the whole study shows which of the two it is
    found = study(columns, given)
    fields = [checksum_field(c) for c in found.checksums]
    counters = [c for part in found.parts if part.mux_value is None for c in part.counters]
    return fields + counter_fields(counters, found.checksums, columns, paged_bits(found.mux))


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
    return find_candidates(pairs, live, fixed, thorough=True, among=near)


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
    return tuple(sorted(fields, key=lambda f: (-1 if f.mux is None else f.mux[1], min(f.layout.positions))))


def paged_bits(mux: FoundMux | None) -> tuple[int, ...]:
    """Bits of a multiplexer and of its pages, where it is likely enough to explain them."""
    if mux is None or mux_probability(len(mux.values), len(mux.positions), mux.gain_bits) < PAGES_LIKELY:
        return ()
    return (*mux.positions, *mux.decides)


def _on_page(found: FoundField, selector: FoundField, page: int) -> FoundField:
    """The field where the multiplexer holds this value: no surer than that there is such a multiplexer."""
    sure = min(found.layout_confidence, selector.layout_confidence)
    return replace(
        found,
        name=f"{found.name}_when_{page}",
        mux=(selector.name, page),
        layout_confidence=sure,
        confidence=min(found.confidence, sure),
    )


def _mux_field(mux: FoundMux) -> FoundField:
    layout = layout_from_positions(mux.positions)
    confidence = mux_probability(len(mux.values), len(mux.positions), mux.gain_bits)
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
    flips = np.ascontiguousarray((columns.payload[1:] ^ columns.payload[:-1])[follows].T)
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
    changes = int((np.diff(raw)[follows[1:]] != 0).sum())
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
