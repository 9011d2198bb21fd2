"""Guessing room: rolling counters. A counter predicts itself; lost frames show by the clock, wraps may be early."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import gcd

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import payloads_at
from swapbridge.core.integrity import Counter
from swapbridge.guessing.coding.bit_columns import BitColumns, whole_stretches
from swapbridge.guessing.coding.candidates import track_bit
from swapbridge.guessing.coding.codelength import adaptive_bits, field_words
from swapbridge.guessing.coding.history_costs import BIG, LITTLE
from swapbridge.guessing.integrity.ramp_ends import goes_on_below, live_below, makes_up_below
from swapbridge.guessing.integrity.slow_counters import rhythm_by_clock, rhythm_in_trains
from swapbridge.surveying.lost import count_sendings, sendings_between

WIDEST = 16
SHARE = 0.9
"""Steps that must be as the counter says."""
CERTAIN = 0.98
"""The same of steps in which the clock says that no frame is missing."""
BIT_SHARE = 0.85
"""Of the steps in which any one of its bits flips, those that must be as the counter says."""
LOWEST_BIT_SHARE = 0.2
"""Steps in which a counter's lowest bit flips, at least: it may count every fourth frame only."""
ODD_WRAPS = 8
ODD_SHARE = 0.98
"""Rounds and share of steps that are asked of a counter that goes on by another step than one."""
FEWEST_STEPS = 16
FEWEST_SLOW = 64
FEWEST_ALONE = 36
FEWEST_BRIEF = 20
FEWEST_EXACT = 64
"""Steps there must be: at all; in a rhythm of its own; of a byte that has not gone round; of what has gone round once
or twice, by one in every single frame; of what goes on by another odd step in every single frame."""
LOSSY = 0.1
"""Share of gaps that hold more than one sending, or none, from which on a recording is lossy, or its clock coarse."""
EXACT_ROUNDS = 3
LONG_EXACT = 128
NARROW_ROUNDS = 6
"""Rounds of a counter that goes on by one in every second, third or fourth frame and never misses; steps from which on
one round of a whole byte will do: what climbs on its own is not on time for so long; rounds of two bits, which must
make as many steps by one as three bits do."""
CLOCK_ROUNDS = 2
"""Rounds of one that does so by the clock, where frames are missing, unless it is on time in as many steps."""
SEEN = 0.8
"""Share of the values that so few frames can be thought to show which they must show."""
LOSSY_SHARE = 0.7
FEWEST_NEAR = 3
CLOCK_BITS = 60.0
"""Steps by one (or by two) there must be among frames that the clock has nearest to each other; how many of these do
where the clock explains so many bits of all steps."""
CARRIES = 0.7
FEWEST_OVER = 4
"""Share of steps that a longer quantity takes alike where its lower bits go round and where not; rounds needed."""
UPPER_SHARE = 0.98
UPPER_STEPS = 12
"""Steps of the upper bits that must fall together with the lower ones going round, and how many there must be."""
FRAMES_USED = 6000
"""Frames looked at: a counter shows itself in far fewer."""


@dataclass(frozen=True, slots=True)
class FoundCounter:
    """A counter: its bits (least significant first), how it counts, on what that rests, and how many messages of the
    vehicle have one like it at this place.
    """

    positions: tuple[int, ...]
    counter: Counter
    share: float
    steps: int
    wraps: int
    by_clock: bool
    every: int = 1
    shared: int = 0


def find_counters(columns: BitColumns, taken: npt.NDArray[np.bool_] | None = None) -> list[FoundCounter]:
    """Counters of one identifier, widest first, none overlapping.

    Parameters
    ----------
    columns : Columns
        All frames of the identifier.
    taken : (8 B,) bool, optional
        Bits already spoken for.
    """
    columns = whole_stretches(columns, FRAMES_USED)
    follows = np.flatnonzero(~columns.breaks[1:]) + 1
    if len(follows) < FEWEST_STEPS:
        return []
    live = columns.live
    if taken is not None:
        live = live & ~taken
    frames = frames_between(columns, follows)
    gap = np.diff(columns.time_ns)
    lossy = (frames > 1).mean() > LOSSY or (gap <= 0).mean() > LOSSY
    found: list[FoundCounter] = []
    few_left: list[FoundCounter] = []
    nbits = len(live)
    payload = columns.payload
    moved = payloads_at(payload, follows) ^ payloads_at(payload, follows - 1)
    flips = np.unpackbits(moved, axis=1, bitorder="little").mean(axis=0)
    fast = live & (flips >= LOWEST_BIT_SHARE)
    if lossy:  # of every second frame the lowest bit hardly moves
        fast |= live & np.append(fast[1:], False)
    for order in (LITTLE, BIG):
        place_bit = track_bit(order, np.arange(nbits))
        for low in np.flatnonzero(fast[place_bit]):
            step = 1 if order == LITTLE else -1
            reach = low + step * np.arange(WIDEST)
            reach = reach[(reach >= 0) & (reach < nbits)]
            bits = place_bit[reach]
            dead = np.flatnonzero(~live[bits])
            if len(dead):
                bits = bits[: dead[0]]
            if order == BIG and (len(bits) < 2 or bits[-1] >> 3 == bits[0] >> 3):
                continue
            word = field_words(columns.payload, bits).astype(np.int64)
            run = _CounterSteps(word[follows - 1], word[follows], frames)
            seen = np.zeros(1 << len(bits), bool)
            seen[word] = True
            for length in range(len(bits), 1, -1):
                if len(seen) > 1 << length:
                    seen = seen[: 1 << length] | seen[1 << length :]
                apart = bits[length - 1] >> 3 != bits[0] >> 3
                if order == BIG and not apart:
                    break
                if apart and length <= 8:
                    continue  # what fits into a byte is not laid across two
                # the low end of a byte whose other bits stand still may be a byte that has not gone round yet
                whole = not bits[0] & 7 and not live[bits[length - 1] + 1 : (bits[0] | 7) + 1].any()
                counter, into = _as_counter(run, length, whole, seen), found
                if counter is None and lossy and not apart:
                    value = word & ((1 << length) - 1)
                    counter, into = _lossy_of_any_step(value, gap, length), few_left
                if counter is not None:
                    span = counter.counter.high - counter.counter.low + 1
                    if goes_on_above(columns, follows, bits[:length], down=2 * counter.counter.step > span):
                        break
                    below = live_below(columns, int(bits[0]))
                    slow, own = counter.every > 1, bits[:length]
                    if (slow or counter.by_clock) and goes_on_below(payload, follows, frames, below, own):
                        break
                    alone = frames == 1  # the clock may not know how long pauses were
                    if slow and alone.any() and goes_on_below(payload, follows[alone], frames[alone], below, own):
                        break
                    if not slow and makes_up_below(payload, gap, below, bits[:length], counter.counter):
                        break
                    if length < len(bits) and bits[length] >> 3 == bits[0] >> 3 and _one_longer(run, counter, length):
                        length += 1
                        counter = replace(counter, counter=Counter(0, (1 << length) - 1), wraps=0)
                    into.append(_at(counter, tuple(int(b) for b in bits[:length])))
                    break
    for some in (found, few_left):  # what goes on frame by frame goes before what only the clock confirms
        some.sort(key=lambda c: (-len(c.positions), -c.share, c.positions))
    kept: list[FoundCounter] = []
    used: set[int] = set()
    for c in (*found, *few_left):
        if not used.intersection(c.positions):
            if len(c.positions) == 2 and c.every > 1 and any(_tells(payload, o, c) for o in kept):
                continue
            kept.append(c)
            used.update(c.positions)
    return kept + [upper for c in kept if (upper := _upper_half(columns, follows, c, used)) is not None]


def _tells(payload: npt.NDArray[np.uint8], one: FoundCounter, other: FoundCounter) -> bool:
    """Whether each value of this counter comes with one value of another: that is a part of its check."""
    its, own = (field_words(payload, np.array(c.positions)).astype(np.int64) for c in (one, other))
    return bool(len(np.unique(its << WIDEST | own)) == len(np.unique(its)))


def _upper_half(
    columns: BitColumns, follows: npt.NDArray[np.intp], lower: FoundCounter, used: set[int]
) -> FoundCounter | None:
    """The upper bits of a counter that is laid in two places: they go on by one just when the lower ones go round."""
    payload, live = columns.payload, columns.live
    low = field_words(payload, np.array(lower.positions)).astype(np.int64)
    round_again = low[follows] < low[follows - 1]
    if lower.counter.step != 1 or round_again.sum() < UPPER_STEPS:
        return None
    for first in np.flatnonzero(live).tolist():
        if first in used or (first & 7 and live[first - 1] and first - 1 not in used):
            continue
        run = [first]
        while (run[-1] + 1) & 7 and run[-1] + 1 < len(live) and live[run[-1] + 1] and run[-1] + 1 not in used:
            run.append(run[-1] + 1)
        if not 2 <= len(run) <= 4:
            continue
        value = field_words(payload, np.array(run)).astype(np.int64)
        step = (value[follows] - value[follows - 1]) % (1 << len(run))
        if (step[round_again] == 1).mean() >= UPPER_SHARE and (step[~round_again] == 0).mean() >= UPPER_SHARE:
            span = lower.counter.high - lower.counter.low + 1
            wraps = int((value[follows] < value[follows - 1]).sum())
            share = float((step == round_again).mean())
            return FoundCounter(
                tuple(run), Counter(0, (1 << len(run)) - 1), share, len(follows), wraps, False, span * lower.every
            )
    return None


def _one_longer(run: _CounterSteps, lower: FoundCounter, length: int) -> bool:
    """Whether this goes on by one in every frame with the bit above too, which has not gone round yet."""
    return lower.counter.step == 1 and bool(((run.new - run.old) % (2 << length) == 1).all())


def goes_on_above(
    columns: BitColumns, follows: npt.NDArray[np.intp], positions: npt.NDArray[np.intp], down: bool
) -> bool:
    """Whether the bit above, in either byte order, moves just when the counter goes round: the low end of a quantity.

    Distances, times and what was used up go round too, but something above them counts the rounds. What counts down
    is looked at upside down.
    """
    payload = ~columns.payload if down else columns.payload
    low = field_words(payload, positions).astype(np.int64)
    round_again = low[follows] < low[follows - 1]
    live = columns.live
    top = int(positions[-1])
    above = {top + 1} if top & 7 != 7 else {top + 1, top - 15}
    for p in above:
        if not 0 <= p < len(live) or not live[p] or p in positions:
            continue
        value = payload[:, p >> 3] >> np.uint8(p & 7) & np.uint8(1)
        moved = value[follows] != value[follows - 1]
        if moved.sum() >= 2 and (moved & round_again).sum() >= 0.7 * max(moved.sum(), 0.6 * round_again.sum()):
            return True
        # what goes on by more than a round each time: the same step with the bit above, over the top and elsewhere
        span = 2 << len(positions)
        longer = low + (value.astype(np.int64) << len(positions))
        own, step = ((w[follows] - w[follows - 1]) % size for w, size in ((low, span // 2), (longer, span)))
        usual = own == np.bincount(own).argmax()
        over = usual & round_again
        if len(positions) > 2 and over.sum() >= FEWEST_OVER:
            same, within = step == np.bincount(step[usual]).argmax(), usual & ~round_again
            if within.any() and min(same[over].mean(), same[within].mean()) >= CARRIES:
                # a bit of a checksum misses where as many bits change as at a round: always at the same value
                counted = np.bincount(low[follows - 1][within])
                missed = np.bincount(low[follows - 1][within & ~same], minlength=len(counted))
                if not (missed > CARRIES * np.maximum(counted, FEWEST_OVER)).any():
                    return True
    return False


def _at(counter: FoundCounter, positions: tuple[int, ...]) -> FoundCounter:
    return FoundCounter(
        positions, counter.counter, counter.share, counter.steps, counter.wraps, counter.by_clock, counter.every
    )


def frames_between(columns: BitColumns, follows: npt.NDArray[np.intp]) -> npt.NDArray[np.int64]:
    """How many sendings each step spans, by the clock: 1 where nothing was lost."""
    return sendings_between(columns.time_ns[follows] - columns.time_ns[follows - 1])[0]


def usual_steps(columns: BitColumns, found: FoundCounter) -> npt.NDArray[np.bool_]:
    """Of each step within a stretch, whether it is the counter's own.

    Parameters
    ----------
    columns : BitColumns
        The message's frames.
    found : FoundCounter
        A counter of it.

    Returns
    -------
    (N,) bool
        One for each frame that follows another.
    """
    span = found.counter.high - found.counter.low + 1
    value = field_words(columns.payload, np.array(found.positions)).astype(np.int64)
    return np.asarray(np.diff(value)[~columns.breaks[1:]] % span == found.counter.step % span)


def never_misses(columns: BitColumns, found: FoundCounter) -> bool:
    """Whether it goes on in every frame that the clock shows to be the next one sent.

    Parameters
    ----------
    columns : BitColumns
        The message's frames.
    found : FoundCounter
        A counter of it.

    Returns
    -------
    bool
        False too where no frame is known to be the next one.
    """
    if found.share == 1.0:
        return True
    alone = frames_between(columns, np.flatnonzero(~columns.breaks[1:]) + 1) == 1
    return bool(alone.any() and usual_steps(columns, found)[alone].all())


class _CounterSteps:
    """The steps of one run of bits, and what is the same for all lengths that a counter in it may have.

    Steps modulo a power of two are alike just where their difference is a multiple of it; so the lowest set bits of all
    differences, counted once, say for every length how many neighbouring steps are alike.
    """

    def __init__(self, old: npt.NDArray[np.int64], new: npt.NDArray[np.int64], frames: npt.NDArray[np.int64]) -> None:
        self.old, self.new, self.frames = old, new, frames
        self.alone = frames == 1
        self.alone_steps = int(np.count_nonzero(self.alone))
        self.all_alone = self.alone_steps / len(frames) > 0.98
        step = new - old
        self._alike = _alike_by_length(step)
        self._alike_alone = None if self.all_alone else _alike_by_length(step[self.alone])

    def may_step_alike(self, length: int, by_clock: bool) -> bool:
        """Whether steps modulo ``2**length`` are alike often enough for a counter: else it need not be looked for.

        Each step of another size parts two pairs of equal ones at most: quicker than counting sizes.
        """
        steps = len(self.old)
        if not by_clock:
            return bool(self._alike[length] >= steps * (2 * _needed(steps) - 1) - 2)
        alone = self.alone_steps
        return self._alike_alone is not None and (
            alone < FEWEST_STEPS or bool(self._alike_alone[length] >= alone * (2 * CERTAIN - 1) - 2)
        )


def _needed(steps: int) -> float:
    return SHARE if steps >= 100 else 0.95


def _alike_by_length(step: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """(WIDEST + 1,) how many neighbouring steps are alike modulo ``2**length``, for each length."""
    # what is a multiple of the largest power is alike for all; the exponent of the lowest set bit
    apart = (step[1:] - step[:-1]) | 1 << WIDEST
    exponent = np.frexp((apart & -apart).astype(np.float32))[1] - 1
    return np.asarray(np.bincount(exponent, minlength=WIDEST + 1)[::-1].cumsum()[::-1], np.int64)


def _as_counter(run: _CounterSteps, length: int, whole: bool, taken: npt.NDArray[np.bool_]) -> FoundCounter | None:
    """The counter in the lowest `length` bits of these steps, of which the values `taken` came at all."""
    top = 1 << length
    low, high = int(taken.argmax()), top - 1 - int(taken[::-1].argmax())
    span = high - low + 1
    # every value in between must be taken, or the wrap can't be where it seems
    seen = int(np.count_nonzero(taken))
    steps = len(run.old)
    wide = length > 8
    if wide or steps < 2 * span:
        # too few frames to go round often: it must then step by exactly one, nearly always
        modulus, low_value = top, 0
        if seen < min(span, steps) * 0.6:
            return None
    else:
        if seen < span * 0.95 or span < 3 or span <= top // 2:
            return None
        modulus, low_value = span, low
    ways = [c for c in (False, True) if modulus != top or run.may_step_alike(length, c)]
    may_be_brief = length >= 4 and steps < 3 * span
    may_be_slow = steps >= max(span, FEWEST_SLOW) and length <= 8
    if not (ways or may_be_brief or may_be_slow):
        return None
    old, new, frames, alone = run.old & (top - 1), run.new & (top - 1), run.frames, run.alone
    step_taken = (new - old) & (top - 1) if modulus == top else (new - old) % modulus
    for by_clock in ways:
        if by_clock and run.all_alone:
            continue
        unit = step_taken[alone] if by_clock else step_taken
        if len(unit) < 8:
            continue
        needed = _needed(steps)
        if not by_clock and np.count_nonzero(unit[1:] == unit[:-1]) < steps * (2 * needed - 1) - 2:
            continue
        step = int(np.bincount(unit).argmax())
        if step == 0:
            continue
        fits = step_taken == ((step * frames) % modulus if by_clock else step % modulus)
        share = float(fits.mean())
        if share < needed:
            continue
        if alone.sum() >= FEWEST_STEPS and fits[alone].mean() < CERTAIN:
            continue  # where the clock says that nothing is missing, nothing else excuses it
        if not _bits_agree(old, new, fits, length):
            continue
        wraps = int((new < old).sum()) if step <= modulus // 2 else int((new > old).sum())
        by_one = step in (1, modulus - 1)
        if wraps < 2 and not (whole and length >= 5 and by_one and steps >= FEWEST_ALONE and share >= 0.97):
            continue
        exact = steps >= FEWEST_EXACT and share == 1.0 and step % 2
        if modulus == top and not by_one and not exact and steps < 2 * span:
            continue
        if not by_one and not exact and (wraps < ODD_WRAPS or share < ODD_SHARE):
            continue  # a steady ramp goes round too
        return FoundCounter((), Counter(low_value, low_value + modulus - 1, step), share, steps, wraps, by_clock)
    if may_be_brief and (brief := _brief_counter(old, new, top)) is not None:
        return brief
    if not may_be_slow:
        return None
    slow = _slow_counter(old, new, step_taken, modulus, low_value, length, steps, span)
    return slow if slow is not None or run.all_alone else _slow_by_clock(run, modulus, low_value, length)


def _slow_by_clock(run: _CounterSteps, modulus: int, low: int, length: int) -> FoundCounter | None:
    """A counter that rests between two steps by one, in a recording in which frames are missing."""
    old, new = (v & ((1 << length) - 1) for v in (run.old, run.new))
    value = np.concatenate([old[:1], new]) - low
    wraps = int((new < old).sum())
    if wraps < (NARROW_ROUNDS if length == 2 else 1):
        return None
    rhythm = rhythm_by_clock(value, run.frames, modulus) or rhythm_in_trains(value, run.frames, modulus)
    if rhythm is None:
        return None
    every, share = rhythm
    if wraps < CLOCK_ROUNDS and (share < CERTAIN or len(old) < LONG_EXACT or length < 8):
        return None
    return FoundCounter((), Counter(low, low + modulus - 1), share, len(old), wraps, True, every)


def _brief_counter(old: npt.NDArray[np.int64], new: npt.NDArray[np.int64], top: int) -> FoundCounter | None:
    """A counter that has gone round only once or twice: by one each time, and over at one and the same value.

    What is measured never goes on by exactly one in every frame.
    """
    first = slice(FEWEST_BRIEF)
    if len(old) < FEWEST_BRIEF or not ((new[first] < old[first]) | (new[first] == old[first] + 1)).all():
        return None  # as most do, seen from the first few
    over = new < old
    if not over.any() or not (new[~over] == old[~over] + 1).all():
        return None
    low, high = int(new[over][0]), int(old[over][0])
    if low > 1 or high < top - 2 or not ((new[over] == low) & (old[over] == high)).all():
        return None
    return FoundCounter((), Counter(low, high), 1.0, len(old), int(over.sum()), False)


def _lossy_of_any_step(value: npt.NDArray[np.int64], gap: npt.NDArray[np.int64], length: int) -> FoundCounter | None:
    """A counter that few frames are left of, by one, by one down, or by the odd step that nearest frames mostly show.

    Multiplied by its step's inverse it goes on by one.
    """
    found = _lossy_counter(value, gap, length) or _lossy_down(value, gap, length)
    if found is not None or length < 3:
        return found
    low, high = int(value.min()), int(value.max())
    span = high - low + 1
    step = (np.diff(value) % span)[_nearest(gap)]
    by = int(np.bincount(step).argmax()) if len(step) else 0
    if by in (0, 1, span - 1) or gcd(by, span) > 1 or (step == by).mean() < LOSSY_SHARE:
        return None
    found = _lossy_counter((value - low) * pow(by, -1, span) % span, gap, length)
    if found is None or found.counter.high - found.counter.low + 1 != span:
        return None
    return replace(found, counter=Counter(low, high, by))


def _nearest(gap: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
    """Frames that came together, or nearest to each other: neighbours mostly, or every second one was kept."""
    return np.asarray(gap <= max(0.0, 1.2 * float(np.quantile(gap, 0.1))))


def _lossy_counter(value: npt.NDArray[np.int64], gap: npt.NDArray[np.int64], length: int) -> FoundCounter | None:
    """A counter that few frames are left of: by one between nearest frames, or as far on as the clock says."""
    low, high = int(value.min()), int(value.max())
    span = high - low + 1
    seen = len(np.unique(value))
    to_see = span * (1.0 - (1.0 - 1.0 / span) ** len(value))  # as many as chance gives
    if span <= 1 << (length - 1) or seen < SEEN * to_see or len(gap) < 2 * FEWEST_STEPS:
        return None
    step = np.diff(value)
    wraps = int((step < 0).sum())
    alone = sendings_between(gap)[0] == 1
    if span > 2 and alone.sum() >= max(FEWEST_SLOW, len(gap) // 2):
        # a logger that keeps trains of frames: what lies between these the clock may be too coarse to say
        for by in (1, 2) if length > 2 else (1,):
            share = float((step[alone] % span == by).mean())
            if share >= CERTAIN:
                return FoundCounter((), Counter(low, high), share, int(alone.sum()), wraps, True)
    if length < 3:
        return None
    near = _nearest(gap)
    best: FoundCounter | None = None
    most = 0.0
    for ends in {(low, high), (0, (1 << length) - 1)}:  # of few frames the last value may be missing
        sendings = count_sendings(value, gap, Counter(*ends))
        if sendings is None or sendings.jumped.mean() > (1 - SHARE if len(gap) >= 100 else 0.05):
            continue
        turn = ends[1] - ends[0] + 1
        bits = _clock_bits(step, gap / sendings.period_ns, turn)
        neighbours = gap < 1.5 * sendings.period_ns if bits >= CLOCK_BITS else near
        if neighbours.sum() < (FEWEST_NEAR if bits >= CLOCK_BITS else FEWEST_STEPS // 2):
            continue
        if bits > most and max((step[neighbours] % turn == k).mean() for k in (1, 2)) >= LOSSY_SHARE:
            share = 1.0 - float(sendings.jumped.mean())
            best, most = FoundCounter((), Counter(*ends), share, len(gap), wraps, True), bits
    return best


def _lossy_down(value: npt.NDArray[np.int64], gap: npt.NDArray[np.int64], length: int) -> FoundCounter | None:
    """The same of a counter that counts down, looked at upside down."""
    top = (1 << length) - 1
    found = _lossy_counter(top - value, gap, length)
    if found is None:
        return None
    low, high = top - found.counter.high, top - found.counter.low
    return replace(found, counter=Counter(low, high, high - low))


def _clock_bits(step: npt.NDArray[np.int64], sendings: npt.NDArray[np.float64], span: int) -> float:
    """Bits of the steps that the clock explains: against all sizes being alike, what is left over being learned."""
    off = (step - np.rint(sendings).astype(np.int64)) % span
    left = float(adaptive_bits(np.bincount(off, minlength=span).astype(np.float64)))
    return len(step) * float(np.log2(span)) - left


def _bits_agree(
    old: npt.NDArray[np.int64], new: npt.NDArray[np.int64], fits: npt.NDArray[np.bool_], length: int
) -> bool:
    """Whether each single bit moves with the counter: a flag on top of a counter does not."""
    changed = old ^ new
    for k in range(length):
        flips = (changed >> k & 1).astype(bool)
        total = int(flips.sum())
        if total == 0 or fits[flips].sum() < BIT_SHARE * total:
            return False
    return True


def _slow_counter(
    old: npt.NDArray[np.int64],
    new: npt.NDArray[np.int64],
    step_taken: npt.NDArray[np.int64],
    modulus: int,
    low: int,
    length: int,
    steps: int,
    span: int,
) -> FoundCounter | None:
    """A counter that steps in a fixed short rhythm: every second frame, or by two sizes in turn."""
    count_of = np.bincount(step_taken)
    sizes = np.flatnonzero(count_of)
    if len(sizes) > 8 or np.sort(count_of[sizes])[::-1][:3].sum() < 0.98 * steps:
        return None
    for every in (2, 3, 4):
        same = step_taken[every:] == step_taken[:-every]
        # two sizes in turn, both large, may slip sometimes
        if same.mean() < (0.9 if len(sizes) == 2 and sizes[0] > 1 else 0.97) or (step_taken != 0).mean() < 0.9 / every:
            continue
        in_turn = [int(s) for s in step_taken[:every]]
        turns = sum(in_turn[i] != in_turn[i - 1] for i in range(every)) / every
        if turns == 0 or (step_taken[1:] != step_taken[:-1]).mean() < 0.9 * turns:
            continue  # long stretches of equal steps are a slope, not a rhythm
        wraps = min(int((new < old).sum()), int((new > old).sum()))
        if sum(in_turn) % modulus == 0:
            continue
        # what goes on by one and rests in between, never otherwise, is distinguished from a clock by fewer rounds
        exact = bool(same.all()) and modulus == 1 << length and sorted(in_turn) == [*[0] * (every - 1), 1]
        if length == 2 and not exact:
            continue  # of four states any that come in turn, in no matter what order, go on in some rhythm
        byte = steps >= LONG_EXACT and length == 8
        rounds = NARROW_ROUNDS if length == 2 else 1 if byte else EXACT_ROUNDS
        if wraps < (rounds if exact else max(4, 2 * span // steps)):
            continue
        moving = step_taken != 0
        typical = np.zeros(steps, bool)
        typical[every:] = same
        typical[:-every] |= same
        if not _bits_agree(old, new, typical, length):
            continue
        step = int(np.bincount(step_taken[moving]).argmax())
        if every > 2 and step > modulus // 2:
            continue
        return FoundCounter((), Counter(low, low + modulus - 1, step), float(same.mean()), steps, wraps, False, every)
    return None
