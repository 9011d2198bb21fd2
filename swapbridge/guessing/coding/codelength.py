"""Guessing room: how many bits it takes to write down the history of a candidate field.

Several small models compete for every candidate (steps seen, steps that go on, noise, a handful of states); the
cheapest counts. All are adaptive (Krichevsky-Trofimov style), so that a rare event is weighed exactly.
"""

from __future__ import annotations

from math import lgamma
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.special import erfc, gammaln

Floats = npt.NDArray[np.float64]

_LN2 = float(np.log(2.0))
MODELS_BITS = 2.0
"""Naming one of the models."""
STATES_BITS = 6
MOST_STATES = 48
"""States that a field may have and still be tried as a list of states (an enumeration, or noise about a level)."""
QUICK_STATES_BITS = 3
WIDEST_STATES = 16
"""Bits of the longest field that may be a list of states: two fields that move at the same moments, joined, would learn
each other's states, and no enumeration is so wide."""
TURNS_BITS = 3
"""Bits of the narrowest field whose direction is predicted from where it came from: narrower ones are flags and the
like."""
COARSE_BITS = (2, 3, 4, 5)
"""How many of the lowest bits may keep to a grid."""
FEWEST_OTHERS = 3
OTHERS_MOVE = (0.5, 0.9)
"""How many parts of the payload must be alive for the whole to be seen moving, and which share of them then moves."""
RARE = 0.03
"""Share of steps that may be such events."""
STEADY = 0.9
"""Share of steps in which a field moves from which on it may be going at a steady pace."""
FINEST_BITS = 2.0**-16
HEAD_BITS = 4
"""Most of its top bits that a field of noise may learn."""
LEARNED_BITS = 4.0
"""What an enumeration pays before it may learn which of its states follow each other: two flags side by side look
like one that has learned never to change both bits at once."""


def adaptive_bits(counts: Floats, alpha: float = 0.5, size: npt.ArrayLike | None = None) -> Floats:
    """Code length of a sequence with these symbol counts, its probabilities learned on the way.

    Parameters
    ----------
    counts : (..., K) float64
        How often each of K symbols came.
    alpha : float
        Weight of every symbol before the first came (1/2 is Krichevsky and Trofimov's choice).
    size : (...) int, optional
        Size of the alphabet, where it is not K (symbols beyond it have no counts).

    Returns
    -------
    (...) float64
        Bits: ``-log2`` of the Dirichlet-multinomial probability of one such sequence.
    """
    symbols = counts.shape[-1]
    total = np.add.reduce(counts, axis=-1)
    spread = alpha * symbols if size is None else alpha * np.asarray(size)
    start = lgamma(spread) if isinstance(spread, float) else gammaln(spread)
    inside = np.add.reduce(gammaln(counts + alpha), axis=-1)
    out: Floats = (gammaln(total + spread) - start - inside + symbols * lgamma(alpha)) / _LN2
    return out


def typical_weight(weight: Floats) -> float:
    """What one sampled step stands for: models with many numbers to learn may not count it more often than it came.

    Parameters
    ----------
    weight : (U,) float64
        Steps that each sampled step stands for.

    Returns
    -------
    float
        The weight of a typical sampled step.
    """
    return max(1.0, float(np.median(weight))) if len(weight) else 1.0


def field_words(payload: npt.NDArray[np.uint8], order: npt.NDArray[np.intp]) -> npt.NDArray[np.uint64]:
    """(N,) uint64: the bits at `order` (least significant first, at most 64) as one word.

    Parameters
    ----------
    payload : (N, B) uint8
        Payloads.
    order : (K,) intp
        Bit positions, least significant first.

    Returns
    -------
    (N,) uint64
        One word per payload.
    """
    out = np.zeros(len(payload), np.uint64)
    places = order[:64].tolist()
    at = 0
    while at < len(places):
        # as many as stand in one byte, each above the one before
        byte, low = places[at] >> 3, places[at] & 7
        count = 1
        while at + count < len(places) and places[at + count] == places[at] + count and low + count < 8:
            count += 1
        part = payload[:, byte].astype(np.uint64)
        if low or count < 8:
            part >>= np.uint64(low)
            part &= np.uint64((1 << count) - 1)
        if at:
            part <<= np.uint64(at)
        out |= part
        at += count
    return out


def step_class(step: npt.NDArray[np.uint64], lengths: npt.NDArray[np.int64]) -> npt.NDArray[np.int16]:
    """Size class of steps taken modulo ``2**length``, for several lengths at once.

    Returns
    -------
    (L, U) int16
        0 for no step, 1 for a step of 1, then two classes an octave (2, 3, 4-5, 6-7, 8-11, ...); negative downwards.
    """
    narrow = int(np.searchsorted(lengths, 24, side="right"))
    out = np.empty((len(lengths), len(step)), np.int16)
    if narrow:  # 24 bits are exact in single precision, at half the work
        shift32 = (32 - lengths[:narrow]).astype(np.uint32)[:, None]
        low = step.astype(np.uint32)
        out[:narrow] = _classes((low[None, :] << shift32).view(np.int32) >> shift32.view(np.int32), np.float32)
    if narrow < len(lengths):
        shift64 = (64 - lengths[narrow:]).astype(np.uint64)[:, None]
        out[narrow:] = _classes((step[None, :] << shift64).view(np.int64) >> shift64.view(np.int64), np.float64)
    return out


def _classes(small: npt.NDArray[np.signedinteger[Any]], kind: type[np.floating[Any]]) -> npt.NDArray[np.int16]:
    mantissa, exponent = np.frexp(np.abs(small).astype(kind))
    octave = exponent.astype(np.int16)
    size: npt.NDArray[np.int16] = np.where(octave <= 1, octave, 2 * octave - 2 + (mantissa >= 0.75)).astype(np.int16)
    np.negative(size, out=size, where=small < 0)
    return size


_CLASSES = 2 * 64
_WIDTH_BITS = np.maximum(0, np.arange(_CLASSES) // 2 - 1).astype(np.float64)
"""Bits that say where in its class a step lies."""


def _shapes() -> Floats:
    """(128, S) bits that each class costs under bell-shaped and two-sided exponential steps of many scales.

    A small share goes evenly to all classes, so that a jump or a wrap is dear but not impossible.
    """
    size = np.arange(_CLASSES)
    octave = np.maximum(0, size // 2 - 1)
    low = np.where(size < 2, size, (2.0 + size % 2) * 2.0**octave)
    high = np.where(size < 2, size, low + 2.0**octave - 1.0)
    scales = 2.0 ** (np.arange(-4, 2 * 62) / 2.0)
    columns = []
    above, beyond = np.maximum(low - 0.5, 0.0), high + 0.5
    for bell in (False, True):
        for s in scales:
            if bell:
                still, near, far = (erfc(x / (s * np.sqrt(2.0))) for x in (0.5, above, beyond))
            else:
                still, near, far = (np.exp(-x / s) for x in (0.5, above, beyond))
            share = np.where(size == 0, 1.0 - still, near - far)
            columns.append(-np.log2(0.97 * np.maximum(share, 0.0) + 0.03 / _CLASSES))
    table: Floats = np.stack(columns, axis=1).reshape(_CLASSES, 2, len(scales))
    return table


SHAPES = _shapes()
GIVEN: Floats = -np.log2(1.0 - np.minimum(2.0 ** -SHAPES[0], 0.999))
"""(2, S) bits that every class is the cheaper by, given that it moves: what a shape spent on standing still."""
_PRODUCT = 100_000
"""Largest matrix product made at once: larger ones would wake the linear algebra library's own threads, which only get
in the way of processes that share the cores."""
SHAPE_BITS = 6.0
"""Naming a shape and its scale."""
CONTEXTS = 7


def _shape_bits(counts: Floats) -> Floats:
    """(...) bits of class counts (..., C) under the best single shape, with and without a share of standstill apart."""
    size = counts.shape[-1]
    shapes = SHAPES[:size, :, : size + 6].reshape(size, -1)
    given = GIVEN[:, : size + 6].ravel()
    rows = counts.reshape(-1, size)
    zeros = rows[:, 0]
    moving = rows.copy()
    moving[:, 0] = 0.0
    total = moving.sum(axis=-1)
    stays = adaptive_bits(np.stack([zeros, total], axis=-1))
    best = np.empty(len(rows))
    chunk = max(1, _PRODUCT // shapes.size)
    for at in range(0, len(rows), chunk):
        part = slice(at, at + chunk)
        bits = moving[part] @ shapes
        whole = (bits + zeros[part, None] * shapes[0]).min(axis=-1)
        apart = stays[part] + (bits - total[part, None] * given).min(axis=-1)
        best[part] = np.minimum(whole, apart)
    shaped = best.reshape(counts.shape[:-1])
    out: Floats = np.where(counts.sum(axis=-1) > 0, shaped + SHAPE_BITS, 0.0)
    return out


def _walk_bits(
    signed_class: npt.NDArray[np.int16],
    before_class: npt.NDArray[np.int16] | None,
    weight: Floats,
    lengths: npt.NDArray[np.int64],
    heavy: float,
    came: npt.NDArray[np.int8] | None = None,
) -> Floats:
    """Code length of steps: their size class in the light of the step before, their sign, the bits below.

    `came` is where each row of values came from (`last_turn`), where that may foretell the sign.
    """
    cases = len(lengths)
    size = np.abs(signed_class)
    top = 2 * int(lengths.max())
    per_class = weighted_counts(size, weight, top)
    # classes beyond the largest seen are named once, not paid for in every context
    used = top - (per_class[:, ::-1] > 0).argmax(axis=1)
    name = np.log2(2.0 * lengths)
    best = np.minimum(heavy * adaptive_bits(per_class / heavy, size=used) + name, _shape_bits(per_class))
    if before_class is not None:
        octave = (np.abs(before_class) + 1) >> 1  # 0, 1, then one an octave
        context = np.minimum(octave, CONTEXTS - 1)
        joint = weighted_counts(context * np.int16(top) + size, weight, CONTEXTS * top).reshape(cases, CONTEXTS, top)
        learned = heavy * adaptive_bits(joint / heavy, size=used[:, None])
        best = np.minimum(best, np.minimum(learned, _shape_bits(joint)).sum(axis=1) + name)
    rises = np.where(signed_class > 0, weight, 0.0).sum(axis=1)
    moves = per_class[:, 1:].sum(axis=1)
    sign = adaptive_bits(np.stack([rises, moves - rises], axis=-1))
    if came is not None:
        kind = 2 * (came + np.int8(1)) + (size > 1)  # small steps turn back, large ones go on
        way = weighted_counts(3 * kind + np.sign(signed_class) + 1, weight, 18)
        turned = adaptive_bits(way.reshape(cases, 6, 3)[:, :, ::2]).sum(axis=1) + 1.0
        sign = np.where(lengths >= TURNS_BITS, np.minimum(sign, turned), sign)
    below = per_class @ _WIDTH_BITS[:top]
    out: Floats = best + np.where(lengths > 1, sign, 0.0) + below
    return out


def last_turn(
    old: npt.NDArray[np.uint64], new: npt.NDArray[np.uint64], lengths: npt.NDArray[np.int64]
) -> npt.NDArray[np.int8]:
    """(L, U) whether the value before each step was reached from below (1), from above (-1), or never moved (0).

    What drifts goes on the same way and what jitters about a level turns back. Without that a field pays for the
    direction of every small step, which its lowest bit alone, as a flag, would not.

    Parameters
    ----------
    old, new : (U,) uint64
        Values before and after each step.
    lengths : (L,) int64
        Bits of each candidate.

    Returns
    -------
    (L, U) int8
        1, -1 or 0.
    """
    path = np.stack([old, new], axis=1).ravel()
    shift = (64 - lengths).astype(np.uint64)[:, None]
    moved = np.sign(((path[1:] - path[:-1])[None, :] << shift).view(np.int64)).astype(np.int8)
    last = np.where(moved != 0, np.arange(1, len(path), dtype=np.int32), 0)
    np.maximum.accumulate(last, axis=1, out=last)
    way = np.concatenate([np.zeros((len(lengths), 1), np.int8), moved], axis=1)
    came = np.zeros((len(lengths), len(old)), np.int8)
    came[:, 1:] = np.take_along_axis(way, last[:, 1::2], axis=1)
    return came


def _pace(step: npt.NDArray[np.uint64], length: int) -> np.uint64:
    """The middle one of steps that are signed numbers of `length` bits: what goes at a steady pace steps about it.

    Told by size classes alone, 15 and 16 codes a step cost three bits each time, and less when cut into nibbles.
    """
    shift, sign = np.uint64(64 - length), np.uint64(1 << 63)
    ranked = np.sort((step << shift) ^ sign)
    return np.uint64((ranked[len(ranked) // 2] ^ sign) >> shift)


def weighted_counts(values: npt.NDArray[np.int16], weight: Floats, size: int) -> Floats:
    """How often each value comes in each row.

    Parameters
    ----------
    values : (L, U) int16
        Rows of values, below `size`.
    weight : (U,) float64
        What each column counts for.
    size : int
        Values there may be.

    Returns
    -------
    (L, size) float64
        Weighted counts.
    """
    cases = len(values)
    flat = (values + (np.arange(cases) * size)[:, None]).ravel()
    weights = np.broadcast_to(weight, values.shape).ravel()
    return np.bincount(flat, weights=weights, minlength=cases * size).reshape(cases, size).astype(np.float64)


def _coarse_bits(
    before: npt.NDArray[np.uint64],
    old: npt.NDArray[np.uint64],
    new: npt.NDArray[np.uint64],
    weight: Floats,
    lengths: npt.NDArray[np.int64],
    heavy: float,
    came: npt.NDArray[np.int8],
) -> Floats:
    """Code length of steps between the codes that are used at all, where the low bits take few of their values.

    What was measured coarsely and then scaled up keeps to a grid: 0, 3, 6, 9, 12, 16, 19, ... Its low bits are no field
    of few states, though they look like one. The grid is named by the values that the lowest bits take.
    """
    out = np.full(len(lengths), np.inf)
    rows = lengths > COARSE_BITS[-1]
    if not rows.any():
        return out
    moves = float(weight[old != new].sum())
    best, chosen = 0.0, None
    for low in COARSE_BITS:
        used = np.bincount((new & np.uint64((1 << low) - 1)).astype(np.intp), minlength=1 << low) > 0
        used[(old & np.uint64((1 << low) - 1)).astype(np.intp)] = True
        count = int(used.sum())
        saved = moves * (low - np.log2(count)) - log2_choose(2.0**low, count) - low
        if count > 1 and saved > best:
            best, chosen = saved, (low, used)
    if chosen is None:
        return out
    low, used = chosen
    count = int(used.sum())
    rank = np.cumsum(used) - 1

    def ranks(value: npt.NDArray[np.uint64]) -> npt.NDArray[np.int64]:
        mask = np.where(lengths[rows] < 64, (np.uint64(1) << (lengths[rows] % 64).astype(np.uint64)), 0) - np.uint64(1)
        short = value[None, :] & mask[:, None]
        upper = (short >> np.uint64(low)).astype(np.int64)
        return upper * count + rank[(value & np.uint64((1 << low) - 1)).astype(np.intp)][None, :]

    at = [ranks(v) for v in (before, old, new)]
    first, last = (_classes(b - a, np.float64) for a, b in ((at[1], at[2]), (at[0], at[1])))
    name = log2_choose(2.0**low, count) + np.log2(2.0**low)
    out[rows] = _walk_bits(first, last, weight, lengths[rows], heavy, came[rows]) + name
    return out


def _noise_bits(new: npt.NDArray[np.uint64], weight: Floats, lengths: npt.NDArray[np.int64], heavy: float) -> Floats:
    """Code length of values that owe nothing to the one before: their top bits learned, up to four, the rest raw.

    How many are learned is stated, at least one: in few frames more are not worth learning.
    """
    head = np.minimum(lengths, HEAD_BITS)
    tail = lengths - head
    mask = ((1 << head) - 1).astype(np.uint64)
    top = ((new[None, :] >> tail.astype(np.uint64)[:, None]) & mask[:, None]).astype(np.int64)
    counts = weighted_counts(top.astype(np.int16), weight, 1 << HEAD_BITS)
    total = counts.sum(axis=1)
    out = np.full(len(lengths), np.inf)
    for _ in range(HEAD_BITS):  # one bit of the head less each time
        learned = heavy * adaptive_bits(counts / heavy, size=1 << head)
        out = np.where(head > 0, np.minimum(out, learned + (lengths - head) * total), out)
        head = np.maximum(head - 1, 0)
        counts = counts.reshape(len(counts), -1, 2).sum(axis=2)
    named: Floats = out + float(np.log2(HEAD_BITS))
    return named


def _seldom_bits(stay: float, moves: float) -> float:
    """Bits to say in which steps something rare happened: how often (each order of magnitude alike), then when."""
    total = stay + moves
    if total <= 0 or moves <= 0:
        return 0.0
    ways = float(gammaln(total + 1.0) - gammaln(moves + 1.0) - gammaln(stay + 1.0)) / _LN2
    return ways + float(np.log2((moves + 1.0) * (1.0 + np.log(total + 1.0))))


def _states_bits(
    before: npt.NDArray[np.uint64] | None,
    old: npt.NDArray[np.uint64],
    new: npt.NDArray[np.uint64],
    weight: Floats,
    length: int,
    heavy: float,
) -> float:
    """Code length of a field as a list of states: when it changes, and to which of the states it ever takes.

    Infinite where there are too many states to be called that. With the values `before` given, whether it changes is
    predicted from whether it just did.
    """
    mask = np.uint64((1 << length) - 1 if length < 64 else 2**64 - 1)
    a, b = old & mask, new & mask
    if length <= STATES_BITS:
        present = np.bincount(a.astype(np.intp), minlength=1 << length)
        present += np.bincount(b.astype(np.intp), minlength=1 << length)
        values = np.flatnonzero(present).astype(np.uint64)
    else:
        values = np.unique(np.concatenate([a, b]))
    states = len(values)
    if states < 2:
        return 0.0
    if states > MOST_STATES:
        return float("inf")
    joint = np.bincount(
        np.searchsorted(values, a) * states + np.searchsorted(values, b), weights=weight, minlength=states * states
    ).reshape(states, states)
    moved = float(joint.sum()) - float(np.trace(joint))
    stay = float(np.trace(joint))
    when = min(float(adaptive_bits(np.array([stay, moved]))), _seldom_bits(stay, moved))
    if before is not None:
        kind = 2 * ((before & mask) != a).astype(np.intp) + (a != b)
        counts = np.bincount(kind, weights=weight, minlength=4).reshape(2, 2).astype(np.float64)
        when = min(when, float(adaptive_bits(counts).sum()) + 1.0)
    off = ~np.eye(states, dtype=bool)
    if states == 2:
        where = 0.0
    else:
        # a changed enumeration lands on any other state: a prior too firm to learn 'never both bits at once'
        k = states - 1
        rows = joint[off].reshape(states, k) / heavy
        into = np.where(off, joint, 0.0).sum(axis=0) / heavy
        where = min(
            moved * float(np.log2(k)),
            heavy * float(adaptive_bits(rows, alpha=1.0).sum()) + LEARNED_BITS,
            heavy * float(adaptive_bits(into, alpha=1.0)) + LEARNED_BITS,
        )
    level = heavy * float(adaptive_bits(joint.sum(axis=0) / heavy)) + LEARNED_BITS
    return min(when + where, level) + _list_bits(values, length)


def _takes_turns(new: npt.NDArray[np.uint64], length: int) -> bool:
    """Whether the lowest bits only ever take two values, as a heartbeat of 0x55 and 0xAA does."""
    value = new & np.uint64((1 << length) - 1 if length < 64 else 2**64 - 1)
    return not bool(((value != value.max()) & (value != value.min())).any())


def _list_bits(values: npt.NDArray[np.uint64], length: int) -> float:
    """Bits to say which of all codes are states: anywhere, or within one stretch of codes."""
    states = len(values)
    top = 2.0**length
    anywhere = length + log2_choose(top, states)
    gaps = np.diff(values.astype(np.float64))
    around = top - float(values[-1]) + float(values[0])
    stretch = top - max(float(gaps.max()), around) + 1.0
    return min(anywhere, 1.5 * length + 1.0 + log2_choose(max(stretch - 2.0, 0.0), states - 2))


def log2_choose(n: float, k: int) -> float:
    """``log2`` of the number of ways to choose k of n."""
    if k <= 0 or n <= k:
        return 0.0
    return float(gammaln(n + 1.0) - gammaln(k + 1.0) - gammaln(n - k + 1.0)) / _LN2


def company_saving(
    moved: npt.NDArray[np.bool_],
    moved_before: npt.NDArray[np.bool_],
    others: npt.NDArray[np.bool_],
    allowed: npt.NDArray[np.bool_],
    weight: Floats,
    heavy: float,
) -> Floats:
    """Bits that the movement of another part of the payload saves in telling when each candidate moves.

    At start-up, or when a value turns invalid, everything changes at once. That fields move in the same frames then
    is no sign that they are one, once something farther off moves there too.

    Parameters
    ----------
    moved, moved_before : (L, U) bool
        Whether each candidate moves in a step, and in the step before.
    others : (U, R) bool
        Whether each part of the payload moves.
    allowed : (L, R) bool
        Parts far enough from each candidate to be no part of the same field.
    weight : (U,) float64
        Steps each stands for.
    heavy : float
        What one sampled step stands for.

    Returns
    -------
    (L,) float64
        Bits saved for each candidate.
    """
    lively = allowed[:, others.any(axis=0)].sum(axis=1)
    saved = np.zeros(len(moved))
    chosen = np.flatnonzero(lively >= FEWEST_OTHERS)
    if not len(chosen):
        return saved
    share = (allowed[chosen].astype(np.float64) @ others.T.astype(np.float64)) / lively[chosen, None]
    now, before = moved[chosen], moved_before[chosen]
    for at_least in OTHERS_MOVE:
        company = share >= at_least
        company &= (company @ weight <= RARE * weight.sum())[:, None]  # what is common shows copies, not events
        kind = 4 * before + 2 * company + now
        count = weighted_counts(kind.astype(np.int16), weight, 8).reshape(-1, 2, 2, 2) / heavy
        split = adaptive_bits(count).sum(axis=(1, 2))
        plain = adaptive_bits(count.sum(axis=2)).sum(axis=1)
        saved[chosen] = np.maximum(saved[chosen], heavy * (plain - split))
    out: Floats = np.maximum(saved - 1.0 - np.log2(len(OTHERS_MOVE)), 0.0)
    return out


def candidate_bits(
    before: npt.NDArray[np.uint64],
    old: npt.NDArray[np.uint64],
    new: npt.NDArray[np.uint64],
    weight: Floats,
    lengths: npt.NDArray[np.int64],
    *,
    thorough: bool = True,
    company: tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]] | None = None,
    heavy: float | None = None,
) -> Floats:
    """Code length of every candidate that begins at one bit: its lowest `length` bits, for each of `lengths`.

    Parameters
    ----------
    before, old, new : (U,) uint64
        Three neighbouring values, wide enough for the longest candidate.
    weight : (U,) float64
        Steps each stands for.
    lengths : (L,) int64
        Candidate lengths, 1 to 64, ascending.
    thorough : bool
        Whether all models compete, or the quick ones only.
    company : (U, R) bool and (L, R) bool, optional
        Whether other parts of the payload move in each step, and which of them each candidate may look at.
    heavy : float, optional
        What one sampled step stands for, where it is known already.

    Returns
    -------
    (L,) float64
        Bits for all steps.
    """
    if not len(new) or not len(lengths):  # every frame stands by itself, so there is no history to write down
        return np.where(lengths > 1, MODELS_BITS, 0.0)
    heavy = typical_weight(weight) if heavy is None else heavy
    step, last = new - old, old - before
    first = step_class(step, lengths)
    before_class = step_class(last, lengths) if thorough else None
    wide = lengths >= 4
    came = last_turn(old, new, lengths) if thorough else None
    out = _walk_bits(first, before_class, weight, lengths, heavy, came)
    if thorough and wide.any():
        second = step_class(step - last, lengths[wide])
        out[wide] = np.minimum(out[wide], _walk_bits(second, None, weight, lengths[wide], heavy))
    if wide.any():
        # noise about a level: steps from one typical value, not from the one before; a quick model too, since without
        # it noise that sometimes crosses a power of two costs far more whole than cut there
        away = step_class(new - np.sort(new)[len(new) // 2], lengths[wide])
        out[wide] = np.minimum(out[wide], _walk_bits(away, None, weight, lengths[wide], heavy) + lengths[wide])
        for row in np.flatnonzero(wide & (np.count_nonzero(first, axis=1) >= STEADY * len(new))).tolist():
            one = lengths[row : row + 1]
            paced = _walk_bits(step_class(step - _pace(step, int(one[0])), one), None, weight, one, heavy)
            out[row] = min(out[row], float(paced[0]) + float(one[0]))
    out = np.minimum(out, _noise_bits(new, weight, lengths, heavy))
    if came is not None:
        out = np.minimum(out, _coarse_bits(before, old, new, weight, lengths, heavy, came))
    for i in range(len(lengths)):
        if lengths[i] > WIDEST_STATES:
            break
        if not thorough and lengths[i] > QUICK_STATES_BITS and not _takes_turns(new, int(lengths[i])):
            break
        states = _states_bits(before if thorough else None, old, new, weight, int(lengths[i]), heavy)
        if states == np.inf:  # longer ones have more states still
            break
        out[i] = min(out[i], states)
    if company is not None and before_class is not None:
        out -= np.minimum(company_saving(first != 0, before_class != 0, *company, weight, heavy), 0.9 * out)
    return in_steps(out + np.where(lengths > 1, MODELS_BITS, 0.0))


def in_steps(bits: Floats) -> Floats:
    """Code lengths in steps of `FINEST_BITS`: lengths that differ only by the order of a sum are equal."""
    out: Floats = np.rint(bits / FINEST_BITS) * FINEST_BITS
    return out
