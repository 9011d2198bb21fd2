"""Guessing room: checksums: bytes and nibbles that the rest of the payload decides, exactly.

Sums are tried as sums; everything else that a maker uses (XOR, every CRC, any seed or data ID) is affine over GF(2),
so one elimination finds it without knowing the polynomial. A relation names one field only: among the fields that
could be the result, `rank` (given by the caller: how cheap the rest of the payload becomes) picks one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import payloads_at
from swapbridge.core.integrity import Affine, FieldSum, Method, Sum
from swapbridge.guessing.coding.bit_columns import BitColumns, first_of_each
from swapbridge.guessing.coding.codelength import field_words, log2_choose
from swapbridge.guessing.integrity.counters import FoundCounter, never_misses
from swapbridge.guessing.integrity.folded import fit_field_sum
from swapbridge.guessing.integrity.gf2 import reduce_rows, relations, solve_affine
from swapbridge.guessing.integrity.sums import fit_sum, summed_rows, tied_sum

ROWS_USED = 3000
"""Distinct payloads looked at."""
SHARE = 0.995
"""Distinct payloads that must agree."""
EQUATIONS = 10
"""Payloads beyond those that any function could be fitted to."""
EXPLAINED_BITS = 40.0
"""Bits of the field's own history that an affine function must explain, beyond those that name it."""
OF_THEIR_OWN = 3
"""Bits of a check that are no mere copies of one other bit, at least."""
FLIPS = 12
"""Flips that every live bit of the field must show, so that chance could not follow it."""
TURNS = 0.85
"""A check is another one in this share, at least, of the frames in which any other unit that could be it is."""
RANK_STEPS = 400
"""Steps that `rank` is counted over at most, one bit of error each."""
IN_STEP = 0.9
"""Share of steps in which what slips now and then keeps its distance from a counter: either may be the check."""
WEIGHT_BITS = 8.0
"""Bits that name each weight of a sum in which they are not all the same."""


@dataclass(frozen=True, slots=True)
class FoundChecksum:
    """A checksum: its bits (least significant first), how it is computed, and on what that rests.

    Attributes
    ----------
    positions : tuple of int
        DBC bit numbers.
    method : Crc, Sum, FieldSum or Affine
        Relative to the payload with these bits cleared.
    counter : tuple of int or None
        Bits of the counter that picks from `by_counter`.
    by_counter : tuple of int
        A constant for each counter value.
    share : float
        Share of distinct payloads that agree.
    equations : int
        Independent payloads beyond those needed to fit.
    verified_bits : int
        Payload bits (as a mask) whose part in it the frames pinned down.
    shared : int
        Other messages of the vehicle that keep to the same formula, what differs following from the identifier; where
        it only follows a counter, those whose check stands at the same place.
    distinguished : int or None
        Where it only follows a counter: 2 it can't count by itself, 1 it counts in another step, 0 decided by habit
        alone.
    tied : Sum or None
        A sum of other units that every payload keeps to as well (`tied_units.py`).
    same_units : int
        By how many more of the vehicle's other messages use the units of `method` than those of `tied`.
    rivals : tuple of tuple of int
        Bits of other fields that the same relation gives as well, at places as usual for a check as this one.
    half : bool
        Whether it is a nibble beside others that move, none of them a counter's: it may be half of a byte's check.
    open : bool
        Whether other constants explain every payload as well.
    """

    positions: tuple[int, ...]
    method: Method
    counter: tuple[int, ...] | None
    by_counter: tuple[int, ...]
    share: float
    equations: int
    verified_bits: int
    shared: int = 0
    distinguished: int | None = None
    tied: Sum | None = None
    same_units: int = 0
    rivals: tuple[tuple[int, ...], ...] = ()
    half: bool = False
    open: bool = False


@dataclass(frozen=True, slots=True)
class _PayloadTable:
    """Distinct payloads of one identifier, prepared once."""

    payload: npt.NDArray[np.uint8]
    bits: npt.NDArray[np.uint8]
    live: npt.NDArray[np.bool_]
    flips: npt.NDArray[np.int64]
    steps: int


def _prepare(columns: BitColumns) -> _PayloadTable:
    payload, rows = columns.payload, distinct_rows(columns)
    flips_rows = np.unpackbits(payload[1:] ^ payload[:-1], axis=1, bitorder="little")[~columns.breaks[1:]]
    bits = np.unpackbits(rows, axis=1, bitorder="little")
    live = (bits != bits[:1]).any(axis=0)
    return _PayloadTable(rows, bits, live, flips_rows.sum(axis=0, dtype=np.int64), len(flips_rows))


def find_checksums(
    columns: BitColumns,
    counters: list[FoundCounter],
    rank: Callable[[FoundChecksum], float],
) -> list[FoundChecksum]:
    """Checksums of one identifier.

    Parameters
    ----------
    columns : Columns
        All frames of the identifier, one payload length.
    counters : list of FoundCounter
        What counts in it; some of these may turn out to be a checksum's low bits.
    rank : callable
        Code length of the payload without a checksum's bits: smaller is the better choice of target.
    """
    if len(columns) < 2 * EQUATIONS or columns.payload.shape[1] < 2:
        return []
    table = _prepare(columns)
    if len(table.payload) < EQUATIONS or int(table.live.sum()) < 4:
        return []
    found: list[FoundChecksum] = []
    for _ in range(3):
        options = _turning(columns, _all_targets(table, counters), counters)
        options = [o for o in options if not (_in_step(o, counters) or _only_counts(columns, o, counters))]
        if not options:
            break
        best = _likeliest(options, counters, rank, columns)
        beside = _counts_beside(best, columns, counters)
        best = replace(
            best,
            half=_is_half(best.positions, table.live, counters),
            rivals=(*best.rivals, *(c.positions for c in beside)),
        )
        found.append(best)
        # a relation names one field only: with that field out of sight, whatever still holds is another relation
        columns = replace(columns, payload=_cleared(columns.payload, best.positions))
        counters = [c for c in counters if not set(c.positions) & set(best.positions)]
        table = _prepare(columns)
    return found


def check_at(columns: BitColumns, counters: list[FoundCounter], positions: tuple[int, ...]) -> FoundChecksum | None:
    """The check that stands just there, if a relation allows for one."""
    if len(columns) < 2 * EQUATIONS or columns.payload.shape[1] < 2:
        return None
    table = _prepare(columns)
    if len(table.payload) < EQUATIONS or int(table.live.sum()) < 4:
        return None
    counters = [c for c in counters if not set(c.positions) & set(positions)]
    options = _turning(columns, _all_targets(table, counters), counters)
    return next((o for o in options if o.positions == positions), None)


def _in_step(found: FoundChecksum, counters: list[FoundCounter]) -> bool:
    """Whether this counts by itself, as all that it follows does: either could be the check (`followers.py`)."""
    counts = any(set(found.positions) <= set(c.positions) for c in counters)
    return counts and any(found.verified_bits == sum(1 << p for p in c.positions) for c in counters)


def _only_counts(columns: BitColumns, found: FoundChecksum, counters: list[FoundCounter]) -> bool:
    """Whether this goes on by one in every single frame, whatever else moves: the counter that the check covers."""
    own = set(found.positions)
    return any(own <= set(c.positions) and c.counter.step == 1 and never_misses(columns, c) for c in counters)


def _likeliest(
    options: list[FoundChecksum],
    counters: list[FoundCounter],
    rank: Callable[[FoundChecksum], float],
    columns: BitColumns,
) -> FoundChecksum:
    """Of fields that could all be the result of one relation, the one that is.

    Where the low end of a quantity is as noisy as the checksum, `rank` differs by less than its own error, and what
    makers do decides.
    """
    if len(options) == 1:  # `rank` is the costly part
        return options[0]
    ranks = [rank(c) + _formula_bits(c.method) for c in options]
    near = min(ranks) + len(columns) / np.sqrt(min(len(columns), RANK_STEPS))
    width = columns.payload.shape[1]
    close = sorted(
        (_oddness(c.positions, width, counters), r, -c.positions[0], k)
        for k, (c, r) in enumerate(zip(options, ranks, strict=True))
        if r <= near
    )
    odd, *_, best = close[0]
    return replace(options[best], rivals=tuple(options[k].positions for other, *_, k in close[1:] if other == odd))


def _formula_bits(method: Method) -> float:
    """Bits that name a sum's weights: of a plain sum, solved for another byte than the check, they are all sorts."""
    weights = [t.weight for t in method.terms] if isinstance(method, FieldSum) else []
    return WEIGHT_BITS * len(weights) if len(set(weights)) > 1 else 0.0


def _counts_beside(found: FoundChecksum, columns: BitColumns, counters: list[FoundCounter]) -> list[FoundCounter]:
    """Counters of as many bits that this keeps its distance from, but for a few jumps: either may be the check.

    What covers more than a counter jumps where that moves; so do both where either is the sum of all.
    """
    own = [p for p in found.positions if columns.live[p]]
    value = field_words(columns.payload, np.array(own)).astype(np.int64)
    out = []
    for c in counters:
        if len(c.positions) != len(own) or set(c.positions) & set(own):
            continue
        its = field_words(columns.payload, np.array(c.positions)).astype(np.int64)
        apart = np.diff((value - its) % (c.counter.high - c.counter.low + 1))[~columns.breaks[1:]] != 0
        if apart.mean() < 1 - IN_STEP:
            out.append(c)
    return out


def _is_half(positions: tuple[int, ...], live: npt.NDArray[np.bool_], counters: list[FoundCounter]) -> bool:
    """Whether other bits of a nibble's byte move, and no counter is among them.

    The upper half of a byte's sum is a sum of nibbles wherever the lower half seldom carries into it.
    """
    beside = {p ^ 4 for p in positions} if len(positions) <= 4 else set()
    return bool(live[list(beside)].any()) and not any(beside & set(c.positions) for c in counters)


def _turning(columns: BitColumns, options: list[FoundChecksum], counters: list[FoundCounter]) -> list[FoundChecksum]:
    """Of fields that could all be the result of one relation those that are others whenever the payload is.

    A counter is another one in every frame, and no measure for a check that it cancels with what else goes by one.
    """
    counting = {p for c in counters for p in c.positions}
    shares = [_turns(columns, c.positions) for c in options]
    often = max((s for c, s in zip(options, shares, strict=True) if not counting & set(c.positions)), default=0.0)
    return [c for c, share in zip(options, shares, strict=True) if share >= TURNS * often]


def _turns(columns: BitColumns, positions: tuple[int, ...]) -> float:
    """Share of the frames whose payload is another one in which these bits are others too: a check nearly always is."""
    changes = columns.payload[1:] ^ columns.payload[:-1]
    changed = ~columns.breaks[1:] & changes.any(axis=1)
    mask = np.zeros(changes.shape[1], np.uint8)
    for p in positions:
        mask[p >> 3] |= np.uint8(1 << (p & 7))
    return float((changes[changed] & mask).any(axis=1).mean()) if changed.any() else 0.0


def _oddness(positions: tuple[int, ...], width: int, counters: list[FoundCounter]) -> int:
    """How far this is from where makers put checksums: a nibble beside a counter, the first or the last byte."""
    counting = {p: c.counter.step for c in counters for p in c.positions}
    if all(counting.get(p) == 1 for p in positions):
        return 3  # it counts up: the counter itself
    if len(positions) == 4 and all(p ^ 4 in counting for p in positions):
        return 0
    return 1 if positions[0] >> 3 in (0, width - 1) else 2


def distinct_rows(columns: BitColumns) -> npt.NDArray[np.uint8]:
    """(U, B) uint8: distinct payloads as they came first, at most `ROWS_USED` of them, evenly spread."""
    first = first_of_each(columns.payload)
    if len(first) > ROWS_USED:
        first = first[np.linspace(0, len(first) - 1, ROWS_USED).astype(np.intp)]
    return payloads_at(columns.payload, first)


def fit_affine(columns: BitColumns, target: tuple[int, ...]) -> FoundChecksum | None:
    """The affine function of all other bits that gives these, if there is one."""
    table = _prepare(columns)
    chosen = np.array(target)
    moving = chosen[table.live[chosen]]
    return _try_affine(table, target, moving, table.live, None) if len(moving) else None


def _all_targets(table: _PayloadTable, counters: list[FoundCounter]) -> list[FoundChecksum]:
    width = table.payload.shape[1]
    usable = table.live
    related = np.concatenate([np.ones((len(table.bits), 1), np.uint8), table.bits[:, usable]], axis=1)
    # a first look at few rows shows where no relation at all is possible
    null = relations(related[: 4 * related.shape[1] + 64])[:, 1:]
    in_relation = np.zeros(len(table.live), bool)
    in_relation[np.flatnonzero(usable)] = null.any(axis=0) if len(null) else False
    sums: list[FoundChecksum] = []
    affine: list[FoundChecksum] = []
    targets: list[tuple[int, ...]] = []
    targets += [tuple(range(8 * b, 8 * b + 8)) for b in range(width)]
    whole = _folds(table.payload)  # then seldom-moving bits are settled by the others
    targets += [] if whole else [tuple(range(4 * b, 4 * b + 4)) for b in range(2 * width)]
    for target in targets:
        chosen = np.array(target)
        moving = chosen[usable[chosen]]
        if len(moving) < 3:
            continue
        often = table.flips[moving] >= min(FLIPS, table.steps // 8)
        if len(moving) == 3:  # a sum's last three bits may stand alone; any other relation of so few is met by chance
            digits = _try_field_sum(table, target) if often.all() and moving[-1] - moving[0] == 2 else None
            sums += [] if digits is None else [digits]
            continue
        if often.sum() < (3 if whole else max(3, len(moving) // 2)):
            continue
        if len(target) == 4 and _byte_is_taken(target, sums + affine):
            continue
        sum_found = _try_sum(table, target, counters, null, usable)
        if sum_found is not None:
            sums.append(sum_found)
            continue
        if table.flips[moving].min() < 2 and not whole:
            continue  # a bit that moved once goes with whatever else moved then
        for counter in (None, *[c for c in counters if len(c.positions) <= 4]):
            if counter is None and not in_relation[moving].all():
                continue
            if counter is not None and set(counter.positions) & set(target):
                continue
            fit = _try_affine(table, target, moving, usable, counter)
            if fit is not None:
                affine.append(fit)
                break
    # an exact sum is far less likely by chance than membership in an affine relation
    return sums if sums else affine


def _folds(payload: npt.NDArray[np.uint8]) -> bool:
    """Whether the XOR of all bytes is one value."""
    folded = np.bitwise_xor.reduce(payload, axis=1)
    return int(np.bincount(folded).max()) >= SHARE * len(folded)


def _byte_is_taken(target: tuple[int, ...], found: list[FoundChecksum]) -> bool:
    return any(set(target) <= set(f.positions) for f in found)


def _values(payload: npt.NDArray[np.uint8], positions: tuple[int, ...]) -> npt.NDArray[np.int64]:
    return field_words(payload, np.array(positions)).astype(np.int64)


def _cleared(payload: npt.NDArray[np.uint8], positions: tuple[int, ...]) -> npt.NDArray[np.uint8]:
    out = payload.copy()
    for p in positions:
        out[:, p >> 3] &= np.uint8(0xFF ^ (1 << (p & 7)))
    return out


def _copies(bits: npt.NDArray[np.uint8], target: npt.NDArray[np.intp], others: npt.NDArray[np.intp]) -> int:
    """How many target bits equal, or are the complement of, one single other bit."""
    count = 0
    other = bits[:, others]
    for t in target:
        same = (other == bits[:, [t]]).mean(axis=0)
        if len(same) and (same.max() >= SHARE or same.min() <= 1 - SHARE):
            count += 1
    return count


def _try_sum(
    table: _PayloadTable,
    target: tuple[int, ...],
    counters: list[FoundCounter],
    null: npt.NDArray[np.uint8],
    usable: npt.NDArray[np.bool_],
) -> FoundChecksum | None:
    value = _values(table.payload, target)
    cleared = _cleared(table.payload, target)
    own = tuple(sorted({p >> 3 for p in target}))
    others = [c for c in counters if not set(c.positions) & set(target)]
    counter = others[0] if others and len(others[0].positions) <= 4 else None
    counter_values = None if counter is None else _values(table.payload, counter.positions)
    fit = fit_sum(cleared, value, len(target), own, _odd_bytes(target, null, usable), counter_values, SHARE)
    if fit is None:
        return _try_field_sum(table, target)
    chosen = np.array(target)
    moving = chosen[table.live[chosen]]
    inputs = np.flatnonzero(table.live & ~np.isin(np.arange(len(table.live)), chosen))
    if fit.moving < 2:
        # of one byte among several that move it is a copy with an offset; and a copy without is none either
        beside = any(int(p) >> 3 not in (*fit.method.coverage, *own) for p in inputs)
        if beside or _copies(table.bits, moving, inputs) * 2 >= len(moving):
            return None
    table_size = len(fit.by_counter) or 1
    equations = summed_rows(cleared, fit.method, 1 << len(target)) - table_size - 1
    if equations < EQUATIONS or len(np.unique(value)) < 4:
        return None
    verified = 0
    for p in inputs:
        if p >> 3 in fit.method.coverage:
            verified |= 1 << int(p)
    return FoundChecksum(
        target,
        fit.method,
        counter.positions if counter is not None and fit.by_counter else None,
        fit.by_counter,
        fit.share,
        equations,
        verified,
        tied=None if fit.by_counter else tied_sum(cleared, fit.method),
    )


def _try_field_sum(table: _PayloadTable, target: tuple[int, ...]) -> FoundChecksum | None:
    """A sum that is weighed or folded; what is copied, or goes with a counter alone, is none."""
    chosen = np.array(target)
    moving = chosen[table.live[chosen]]
    width = int(moving[-1] - moving[0]) + 1 if len(target) == 4 else len(target)
    if moving[0] != target[0]:
        return None
    inputs = np.flatnonzero(table.live & ~np.isin(np.arange(len(table.live)), chosen))
    fit = fit_field_sum(_cleared(table.payload, target[:width]), _values(table.payload, target[:width]), width, SHARE)
    if fit is None or _copies(table.bits, moving, inputs) * 2 >= len(moving):
        return None
    if _is_shifted_copy(table.payload, target[0] >> 3):
        return None
    weighed = {p for term in fit.method.terms for p in term.layout.positions}
    verified = sum(1 << int(p) for p in inputs if int(p) in weighed)
    free = [p for p in inputs if int(p) in weighed]
    equations = len(np.unique(table.bits[:, free], axis=0)) - len(fit.method.terms) - 2
    if equations < 2 * EQUATIONS:
        return None
    return FoundChecksum(target[:width], fit.method, None, (), fit.share, equations, verified, open=fit.open)


def _is_shifted_copy(payload: npt.NDArray[np.uint8], byte: int) -> bool:
    """Whether this byte is another one, or its complement, with a constant added, carries dropped or brought round.

    Its nibbles then fit sums as well, but of nothing else than that other byte.
    """
    moving = np.flatnonzero((payload != payload[:1]).any(axis=0))
    own = payload[:, byte].astype(np.int64)
    for other in moving[moving != byte].tolist():
        its = payload[:, other].astype(np.int64)
        for apart in (own - its, own + its):
            for ring in (255, 256):
                if np.bincount(apart % ring).max() >= SHARE * len(payload):
                    return True
    return False


def _odd_bytes(
    target: tuple[int, ...], null: npt.NDArray[np.uint8], usable: npt.NDArray[np.bool_]
) -> tuple[int, ...] | None:
    """Bytes whose lowest bit stands in the relation of the target's: they are in the sum an odd number of times."""
    places = np.flatnonzero(usable)
    at = np.flatnonzero(places == target[0])
    if not len(at) or not len(null):
        return None
    with_it = null[null[:, at[0]] == 1]
    if len(with_it) != 1:
        return None
    return tuple(sorted({int(p) >> 3 for p in places[with_it[0] == 1] if p != target[0]}))


def _try_affine(
    table: _PayloadTable,
    target: tuple[int, ...],
    moving: npt.NDArray[np.intp],
    usable: npt.NDArray[np.bool_],
    counter: FoundCounter | None,
) -> FoundChecksum | None:
    in_target = np.isin(np.arange(len(usable)), np.array(target))
    inputs = np.flatnonzero(usable & ~in_target)
    if len(inputs) < 2:
        return None
    features = table.bits[:, inputs]
    values = 0
    if counter is not None:
        state = _values(table.payload, counter.positions)
        values = int(state.max()) + 1
        one_hot = (state[:, None] == np.arange(1, values)[None, :]).astype(np.uint8)
        features = np.concatenate([features, one_hot], axis=1)
    outputs = table.bits[:, moving]
    solved = _solve_tolerantly(features, outputs)
    if solved is None:
        return None
    coefficients, constant, _, share = solved
    used = coefficients.any(axis=1)
    equations = _independent_rows(features[:, used], outputs)
    if equations < EQUATIONS:
        return None
    if _explained_bits(features, outputs, coefficients) < EXPLAINED_BITS:
        return None
    # an XOR of few flags is mostly copies; so is one of some bytes, each bit made of those at its own place in theirs
    in_place = coefficients[: len(inputs)] <= (inputs[:, None] & 7 == moving & 7)
    apart = 1 if len(target) == 8 and (in_place.all() or _folds(table.payload)) else OF_THEIR_OWN
    if _copies(table.bits, moving, inputs) > len(moving) - apart:
        return None
    masks = [0] * len(target)
    fixed = 0
    for k, p in enumerate(target):
        column = np.flatnonzero(moving == p)
        if len(column):
            chosen = inputs[coefficients[: len(inputs), column[0]] == 1]
            masks[k] = sum(1 << int(b) for b in chosen)
            fixed |= int(constant[column[0]]) << k
        else:
            fixed |= int(table.bits[0, p]) << k
    by_counter: tuple[int, ...] = ()
    if counter is not None:
        rows = np.zeros((values, len(moving)), np.uint8)
        rows[1:] = coefficients[len(inputs) :]
        weights = np.array([1 << target.index(int(p)) for p in moving])
        by_counter = tuple(int(v) for v in (rows * weights).sum(axis=1))
    return FoundChecksum(
        target,
        Affine(len(target), tuple(masks), fixed),
        counter.positions if counter is not None else None,
        by_counter,
        share,
        equations,
        _pinned(features, inputs),
    )


def _explained_bits(
    features: npt.NDArray[np.uint8], outputs: npt.NDArray[np.uint8], coefficients: npt.NDArray[np.uint8]
) -> float:
    """Bits of the outputs' histories that are explained, less those that name the functions: what seldom flips shows
    little.

    A function is named by one bit for each of the inputs' dimensions, or by which few of the inputs are in it.
    """
    n, given = outputs.shape[0], features.shape[1]
    rows = np.concatenate([np.ones((n, 1), np.uint8), features], axis=1)
    rank = len(reduce_rows(rows[: 4 * given + 64], given + 1).pivots)
    explained = 0.0
    for output, part in zip(outputs.T, coefficients.T, strict=True):
        ones, flips = int(output.sum()), int((output[1:] != output[:-1]).sum())
        alone = min(log2_choose(n, ones), log2_choose(n - 1, flips)) + np.log2(n)
        few = log2_choose(given, int(part.sum())) + np.log2(given)
        explained += max(0.0, alone - 1.0 - min(rank, few))
    return explained


def _independent_rows(features: npt.NDArray[np.uint8], outputs: npt.NDArray[np.uint8]) -> int:
    """Distinct rows of what stands in a relation, beyond those that any affine function could be fitted to."""
    both = np.packbits(np.concatenate([features, outputs], axis=1), axis=1)
    distinct = len(np.unique(np.ascontiguousarray(both).view(f"V{both.shape[1]}")))
    rows = np.unique(features, axis=0) if len(features) < 200 else features[:400]
    rank = len(
        reduce_rows(np.concatenate([np.ones((len(rows), 1), np.uint8), rows], axis=1), features.shape[1] + 1).pivots
    )
    return distinct - rank


def _pinned(features: npt.NDArray[np.uint8], inputs: npt.NDArray[np.intp]) -> int:
    """Mask of the input bits whose part is pinned down: they stand in no relation among the inputs themselves."""
    loose = relations(np.concatenate([np.ones((len(features), 1), np.uint8), features], axis=1))
    bound = np.asarray(loose.sum(axis=0) == 0)[1 : 1 + len(inputs)]
    return sum(1 << int(p) for p in inputs[bound])


def _solve_tolerantly(
    features: npt.NDArray[np.uint8], outputs: npt.NDArray[np.uint8]
) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.uint8], int, float] | None:
    """Fit on some rows, verify on the others; rows that span something new are taken in, bad frames left out."""
    n = len(features)
    columns = np.ascontiguousarray(features.T)
    start = min(n, 2 * features.shape[1] + 32)
    rng = np.random.default_rng(7)
    for _ in range(2):
        fit_rows = rng.permutation(n)[:start]
        nearly = None
        for _ in range(8):
            solved = solve_affine(features[fit_rows], outputs[fit_rows])
            if solved is None:
                break
            coefficients, constant, rank = solved
            off = np.zeros(n, bool)
            for part, bit, output in zip(coefficients.T, constant, outputs.T, strict=True):
                off |= np.bitwise_xor.reduce(columns[part == 1], axis=0, initial=bit) != output
            wrong = np.flatnonzero(off)
            if not len(wrong):
                return coefficients, constant, rank, 1.0
            if len(wrong) <= (1 - SHARE) * n and n > 400:
                nearly = coefficients, constant, rank, 1.0 - len(wrong) / n
            fit_rows = np.concatenate([fit_rows, wrong[:64]])
        if nearly is not None:  # what is left can't be fitted with the rest: frames gone bad
            return nearly
    return None
