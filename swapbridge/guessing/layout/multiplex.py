"""Guessing room: multiplexers: a small field that decides what other bits mean.

Its mark: the other bits jump from frame to frame, but hardly between frames in which the small field is the same.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import payloads_at
from swapbridge.guessing.coding.bit_columns import FEW_FRAMES, BitColumns, sample_pairs, whole_stretches
from swapbridge.guessing.coding.candidates import Candidates, find_candidates
from swapbridge.guessing.coding.codelength import adaptive_bits, field_words
from swapbridge.guessing.coding.history_costs import LITTLE
from swapbridge.guessing.layout.cut import CutField, OrderPrices, best_cut, cut_bits
from swapbridge.guessing.layout.two_pages import two_pages

WIDEST = 8
MOST_VALUES = 16
MOST_COUNTED = 64
"""Values of a selector that is not, and that is, a counter."""
ROWS_USED = 600
TURNS = 0.25
"""Share of frames in which a multiplexer turns to another value, at least."""
GAIN_BITS = 40.0
"""Bits that knowing the multiplexer must save."""
BIT_GAIN = 8.0
"""Bits it must save on a single bit that is called multiplexed."""
HALF_BEARS = 0.25
"""Share of its fair share that either half of the recording must confirm: a page may well stand still in one."""
DECIDED = 0.9
"""Share of frames in which one value comes with one value of another field, for the first to decide the second."""
FINER_SAVES = 1.5
"""How many times as much a selector must save as one whose pages it divides further."""
TRIED = 2
"""Selectors that are weighed in full."""


@dataclass(frozen=True, slots=True)
class FoundMux:
    """A multiplexer: its bits (least significant first), its values, the bits it decides, and a counter in step.

    `by_habit`: other bits pick the same pages, so that only habit decides which do.
    """

    positions: tuple[int, ...]
    values: tuple[int, ...]
    decides: tuple[int, ...]
    gain_bits: float
    beside: tuple[int, ...] = ()
    by_habit: bool = False


def find_multiplexer(
    columns: BitColumns, exact: list[tuple[int, ...]], taken: npt.NDArray[np.bool_]
) -> FoundMux | None:
    """The multiplexer of one identifier, if it has one.

    Parameters
    ----------
    columns : Columns
        All frames of the identifier.
    exact : list of tuple of int
        Bits of found counters: one of these may be the multiplexer, part of one is not, and none is decided by it.
    taken : (8 B,) bool
        Bits of checksums, which depend on everything.
    """
    columns = whole_stretches(columns, ROWS_USED)
    likely = _likely(columns, exact, taken) or _turning(columns, exact, taken)
    if not likely:
        return None
    live = columns.live
    whole = find_candidates(sample_pairs(columns, ROWS_USED), live, taken, thorough=False)
    plain = cut_bits(whole, live, taken, OrderPrices())
    cut = best_cut(whole, live, taken, OrderPrices(), 1.0)
    best: FoundMux | None = None
    counted = [field_words(columns.payload, np.array(p)).astype(np.int64) for p in exact]
    for found in likely:
        if found.positions not in exact and (
            _inside(found.positions, cut) or _goes_round_with(counted, _value_of(columns, found), found.values)
        ):
            continue
        weighed = _weigh(columns, found, whole, taken, exact)
        saved = plain - weighed.bits - _odd_place(found.positions)
        if saved <= max(GAIN_BITS, 0.03 * plain):
            continue
        needed = 0.0
        if best is not None:
            mine, its = _value_of(columns, found), _value_of(columns, best)
            needed = best.gain_bits
            finer, coarser = decides(mine, its), decides(its, mine)
            # each of more pages shows its first contents for nothing; where one alone has company it is contents
            if finer != coarser and stands_alone(found.positions, live) == stands_alone(best.positions, live):
                needed *= FINER_SAVES if finer else 1.0 / FINER_SAVES
        if saved > needed:
            best = replace(found, decides=weighed.decides, gain_bits=saved)
    return best


def _turning(columns: BitColumns, exact: list[tuple[int, ...]], taken: npt.NDArray[np.bool_]) -> list[FoundMux]:
    """The first byte's number of two pages that take turns; only habit decides where other bytes may hold it."""
    found = two_pages(columns, exact, taken)
    out = []
    for selector, decided in found[:1]:
        values = np.unique(field_words(columns.payload, np.array(selector)))
        numbers = tuple(values.astype(int).tolist())
        out.append(FoundMux(selector, numbers, decided, GAIN_BITS, by_habit=len(found) > 1))
    return out


def _value_of(columns: BitColumns, found: FoundMux) -> npt.NDArray[np.int64]:
    return field_words(columns.payload, np.array(found.positions)).astype(np.int64)


def decides(one: npt.NDArray[np.int64], other: npt.NDArray[np.int64]) -> bool:
    """Whether each value of the one comes with one value of the other only, except in a few frames."""
    width = int(other.max()) + 1
    pairs, counts = np.unique(one * width + other, return_counts=True)
    most = np.zeros(int(one.max()) + 1, np.int64)
    np.maximum.at(most, pairs // width, counts)
    return int(most.sum()) >= DECIDED * len(one)


def _goes_round_with(
    counted: list[npt.NDArray[np.int64]], value: npt.NDArray[np.int64], values: tuple[int, ...]
) -> bool:
    """Whether a counter decides a selector whose values are no pages' numbers: then it is what one of them holds."""
    return max(values) - min(values) >= len(values) and any(decides(c, value) for c in counted)


@dataclass(frozen=True, slots=True)
class _Weighed:
    bits: float
    decides: tuple[int, ...]


def _weigh(
    columns: BitColumns,
    found: FoundMux,
    whole: Candidates,
    taken: npt.NDArray[np.bool_],
    exact: list[tuple[int, ...]],
) -> _Weighed:
    """Code length with this multiplexer, and the set of decided bits that makes it shortest."""
    live = columns.live
    size = len(live)
    selector = _mask(found.positions, size)
    never = taken | selector
    for positions in exact:
        if positions != found.positions:
            never = never | _mask(positions, size)
    value = field_words(columns.payload, np.array(found.positions)).astype(np.int64)
    parts = []
    for v in found.values:
        part = columns.select(value == v)
        part_live = part.live
        pairs = sample_pairs(part, ROWS_USED)
        parts.append((part_live, find_candidates(pairs, part_live, never, thorough=False)))
    same = (whole.first == found.positions[0]) & (whole.last == found.positions[-1]) & (whole.order == LITTLE)
    own_bits = float(whole.cost[same].min()) if same.any() else 0.0

    def total(decided: npt.NDArray[np.bool_]) -> float:
        bits = own_bits
        common = never | decided
        bits += cut_bits(whole, live, common, OrderPrices())
        for part_live, candidates in parts:
            bits += cut_bits(candidates, part_live, never | ~decided, OrderPrices())
        return bits

    sure = _mask(found.decides, size)
    chosen = sure.copy()
    best = total(chosen)
    for byte in range(size // 8):
        here = np.zeros(size, bool)
        here[8 * byte : 8 * byte + 8] = True
        open_bits = here & live & ~never
        options = [(chosen & ~here) | open_bits]
        # low noisy bits beside decided ones gain nothing by themselves, yet belong to them
        spread = open_bits & (_runs_touching(open_bits, sure))
        options.append((chosen & ~here) | spread)
        if not sure[here].any():
            options = options[:1]
        for option in options:
            if (option == chosen).all():
                continue
            bits = total(option)
            # a byte with no sure bit must bring a good deal: it may only follow the same rhythm
            if bits < best - (0.0 if sure[here].any() else 0.02 * best):
                best, chosen = bits, option
    return _Weighed(best, tuple(int(p) for p in np.flatnonzero(chosen)))


def _inside(positions: tuple[int, ...], cut: tuple[CutField, ...]) -> bool:
    """Whether a field of the plain cut goes on above and below these bits: then they are the middle of a quantity."""
    for f in cut:
        if set(positions) < set(f.positions):
            return f.positions[0] not in positions and f.positions[-1] not in positions
    return False


def _odd_place(positions: tuple[int, ...]) -> float:
    """Bits that a selector costs that begins or ends where no maker would let it."""
    aligned = positions[0] & 3 == 0 or positions[-1] & 7 == 7
    return (0.0 if aligned else 10.0) + 2.0 * len(positions)


def _runs_touching(bits: npt.NDArray[np.bool_], seed: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Runs of `bits` that hold a bit of `seed`."""
    out = np.zeros(len(bits), bool)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], bits, [False])).astype(np.int8)))
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        if seed[a:b].any():
            out[a:b] = True
    return out


def _likely(columns: BitColumns, exact: list[tuple[int, ...]], taken: npt.NDArray[np.bool_]) -> list[FoundMux]:
    """The few selectors that save most when single bits are counted, each flip by itself."""
    payload = columns.payload
    n = len(payload)
    live = columns.live
    counting = np.zeros(len(live), bool)
    for positions in exact:
        counting[list(positions)] = True
    if n < 4 * FEW_FRAMES or int((live & ~taken).sum()) < 4:
        return []
    flips = _flips(payload[1:] ^ payload[:-1])
    plain = _flip_bits(flips, n - 1)
    halves = [
        (half, _flip_bits(_flips(payload[half][1:] ^ payload[half][:-1]), len(payload[half]) - 1))
        for half in (slice(n // 2), slice(n // 2, n))
    ]
    found: list[FoundMux] = []
    for positions in _selectors(live & ~taken, counting, exact):
        if int(flips[list(positions)].sum()) < TURNS * n:
            continue
        low, width = positions[0] & 7, len(positions)
        value = payload[:, positions[0] >> 3] >> np.uint8(low) & np.uint8((1 << width) - 1)
        if np.count_nonzero(value[1:] != value[:-1]) < TURNS * (n - 1):
            continue
        counts = np.bincount(value)
        values = np.flatnonzero(counts)
        counts = counts[values]
        often = counts >= FEW_FRAMES
        if (
            often.sum() < 2
            or len(values) > (MOST_COUNTED if positions in exact else MOST_VALUES)
            or counts[often].sum() < 0.98 * n
        ):
            continue
        grouped_flips, steps = _grouped_flips(payload, value)
        gain = plain - _flip_bits(grouped_flips, steps) - len(values)
        own = _mask(positions, len(live))
        decided = live & ~taken & ~(counting & ~own) & ~own & (gain > BIT_GAIN)
        total = float(gain[decided].sum())
        if total < GAIN_BITS or not _believable(decided, grouped_flips):
            continue
        if not all(_holds_in(payload[half], value[half], its, decided, total) for half, its in halves):
            continue
        bits = tuple(int(p) for p in np.flatnonzero(decided))
        in_company = not stands_alone(positions, live) and positions not in exact
        if int(often.sum()) == 2 and in_company and _has_copies(payload, value, bits):
            continue
        found.append(FoundMux(positions, tuple(int(v) for v in values[often]), bits, total))
    found.sort(key=lambda m: m.gain_bits, reverse=True)
    # narrow ones that save nearly as much as the best stand before wide ones
    close = _without_contents([m for m in found if m.gain_bits > 0.5 * found[0].gain_bits], payload, live)
    return sorted(close, key=lambda m: m.gain_bits - 0.02 * found[0].gain_bits * len(m.positions), reverse=True)[:TRIED]


def _without_contents(
    found: list[FoundMux], payload: npt.NDArray[np.uint8], live: npt.NDArray[np.bool_]
) -> list[FoundMux]:
    """Selectors without those that come and go with one that stands alone in its byte, and don't so themselves.

    Contents that stand still on every page pick the pages as well as their selector does, and contents that move a
    little divide them further; but they have company. Of those that have none, what begins a nibble is rather the
    selector.
    """
    if not found:
        return found
    alike: dict[bytes, list[FoundMux]] = {}
    for m in found:
        _, first, name = np.unique(field_words(payload, np.array(m.positions)), return_index=True, return_inverse=True)
        alike.setdefault(np.argsort(np.argsort(first))[name].astype(np.uint8).tobytes(), []).append(m)
    picks: list[tuple[npt.NDArray[np.int64], FoundMux]] = []
    others: list[tuple[npt.NDArray[np.int64], FoundMux]] = []
    for names, group in alike.items():
        alone = [m for m in group if stands_alone(m.positions, live)]
        usual = [m for m in alone if not m.positions[0] & 3] or alone or group
        by_habit = any(not set(m.positions) & set(usual[0].positions) for m in alone or group)
        into, value = picks if alone else others, np.frombuffer(names, np.uint8).astype(np.int64)
        into += [(value, replace(m, by_habit=by_habit)) for m in usual]
    divide = [
        m
        for value, m in others
        if not any(m.gain_bits < FINER_SAVES * its.gain_bits and decides(value, other) for other, its in picks)
    ]
    return sorted([*(m for _, m in picks), *divide], key=lambda m: m.gain_bits, reverse=True)


def _flips(moved: npt.NDArray[np.uint8]) -> npt.NDArray[np.int64]:
    """(8 B,) how often each bit is set in these rows, of which there are about `ROWS_USED`."""
    counts = np.unpackbits(moved, axis=1, bitorder="little").sum(axis=0, dtype=np.uint16)
    return np.asarray(counts, np.int64)


def _grouped_flips(payload: npt.NDArray[np.uint8], value: npt.NDArray[np.uint8]) -> tuple[npt.NDArray[np.int64], int]:
    """(8 B,) how often each bit flips between frames of one selector value, and how many steps these are."""
    order = np.argsort(value, kind="stable")  # a selector is at most a byte
    rows, sorted_value = payloads_at(payload, order), value[order]
    moved = payloads_at(rows[1:] ^ rows[:-1], sorted_value[1:] == sorted_value[:-1])
    return _flips(moved), len(moved)


def _holds_in(
    payload: npt.NDArray[np.uint8],
    value: npt.NDArray[np.uint8],
    plain: npt.NDArray[np.float64],
    decided: npt.NDArray[np.bool_],
    total: float,
) -> bool:
    """Whether part of a recording has its fair share, or nearly, of what the selector saves in all of it.

    `plain` is what the part's bits cost without it.
    """
    grouped_flips, steps = _grouped_flips(payload, value)
    if not steps:
        return False
    gain = plain - _flip_bits(grouped_flips, steps)
    return float(gain[decided].sum()) >= HALF_BEARS * total / 2


def _has_copies(payload: npt.NDArray[np.uint8], value: npt.NDArray[np.uint8], decided: tuple[int, ...]) -> bool:
    """Whether a decided bit flips whenever a selector of two values turns: then both are bits of one field."""
    turns = value[1:] != value[:-1]
    if not turns.any():
        return False
    flips = np.unpackbits(payload[1:] ^ payload[:-1], axis=1, bitorder="little")
    return bool((flips[turns][:, list(decided)].mean(axis=0) > 0.95).any())


def stands_alone(positions: tuple[int, ...], live: npt.NDArray[np.bool_]) -> bool:
    """Whether the bits beside these, in the same byte, stand still: upper bits of a field have company below.

    Parameters
    ----------
    positions : tuple of int
        Neighbours, least significant first.
    live : (8 B,) bool
        Bits that move.

    Returns
    -------
    bool
    """
    below, above = positions[0] - 1, positions[-1] + 1
    return not (positions[0] & 7 and live[below]) and not (above & 7 and live[above])


def _selectors(
    usable: npt.NDArray[np.bool_], counting: npt.NDArray[np.bool_], exact: list[tuple[int, ...]]
) -> list[tuple[int, ...]]:
    """Runs of bits inside one byte whose ends are live; narrow ones first."""
    out = []
    for first in np.flatnonzero(usable):
        for last in range(int(first), min(len(usable), (int(first) >> 3 << 3) + WIDEST)):
            run = tuple(range(int(first), last + 1))
            if usable[last] and (not counting[list(run)].any() or run in exact):
                out.append(run)
    return sorted(out, key=len)


def _mask(positions: tuple[int, ...], size: int) -> npt.NDArray[np.bool_]:
    out = np.zeros(size, bool)
    out[list(positions)] = True
    return out


def _flip_bits(flips: npt.NDArray[np.int64], steps: int) -> npt.NDArray[np.float64]:
    count = flips.astype(np.float64)
    return adaptive_bits(np.stack([count, steps - count], axis=-1))


def _believable(decided: npt.NDArray[np.bool_], grouped_flips: npt.NDArray[np.int64]) -> bool:
    """Whether what is decided looks like contents: it goes on moving, or there is much of it.

    One byte that is fixed for each value of the selector may as well be an unknown checksum of a counter.
    """
    bits = np.flatnonzero(decided)
    moving = int((grouped_flips[bits] > 0).sum())
    whole_bytes = len({int(b) >> 3 for b in bits})
    return moving >= 3 or (len(bits) > 8 and whole_bytes >= 3)
