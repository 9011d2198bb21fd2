"""Drafting room: conditions that explain a flag: copies, thresholds with hysteresis, pairs, time since key-on.

A condition is judged as a module would: by the mean of the shares of yes and of no that are right, frames next to a
change of either left out, since what is sent comes a few frames later.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from swapbridge.drafting.drafted import How
from swapbridge.drafting.lines import Atom, DraftLine, median, number_text
from swapbridge.drafting.recorded_vehicle import Bools, Floats, VehicleSeries

MOST_ROWS = 3000
GOOD = 0.97
MOST_PAIRED = 12
USUAL_HYSTERESIS = 0.02
"""A switch on a measured value falls back this share of its recorded range lower, where nothing speaks against it."""
MOST_DIGITS = 12
MOST_TOLD = 6
LASTS_S = 0.05
"""What is yes, or no, away from its changes for no longer than this can only be judged by the other."""
LEAST_OCCASIONS = 2
"""A second condition that was needed once was chosen by that one occasion, and nothing has tested it."""
EDGE_BITS = 9.0
"""What one wrong change costs: about the bits that say when it happened instead."""


@dataclass(frozen=True, slots=True)
class Condition:
    """A condition that was found: its atom, the share that is right on all frames and on held-out ones, its price."""

    atom: Atom
    share: float
    held_out: float
    price: float
    wrong_edges: int
    occasions: int = LEAST_OCCASIONS
    """How often the less needed of two conditions was needed."""


class Watched:
    """A flag to be explained: thinned frames, their truth, and which of them are near a change."""

    def __init__(self, times: Floats, truth: Bools, slack_s: float) -> None:
        thin = max(1, len(times) // MOST_ROWS)
        edges = times[1:][truth[1:] != truth[:-1]] if len(times) > 1 else np.zeros(0)
        keep = np.zeros(len(times), bool)
        keep[::thin] = True
        for edge in edges[:400]:  # frames round every change are kept, since thresholds are read there
            near = slice(np.searchsorted(times, edge - 4 * slack_s), np.searchsorted(times, edge + 4 * slack_s) + 1)
            keep[near] = True
        self.times, self.truth = times[keep], truth[keep]
        self.edges, self.slack_s = edges, slack_s
        self.between = np.concatenate([[-np.inf], edges, [np.inf]])
        self.far = self._far(edges)
        gaps = np.diff(self.times, append=self.times[-1:])
        self.weight = np.minimum(np.maximum(gaps, 1e-6), 0.2)
        self.judged = np.stack([self.far & self.truth, self.far & ~self.truth]) * self.weight
        self.whole = self.judged @ np.ones(len(self.times))

    def _far(self, edges: Floats) -> Bools:
        if not len(edges):
            return np.ones(len(self.times), bool)
        at = np.searchsorted(edges, self.times)
        before = self.times - edges[np.maximum(at - 1, 0)]
        after = edges[np.minimum(at, len(edges) - 1)] - self.times
        return ~(((at > 0) & (before < self.slack_s)) | ((at < len(edges)) & (after < self.slack_s)))

    def share(self, predicted: Bools, rows: Bools | None = None) -> float:
        """Mean over yes and no of the share that is right."""
        weight = self.judged if rows is None else self.judged * rows
        yes, no = self.whole if rows is None else weight @ np.ones(len(predicted))
        if min(yes, no) <= LASTS_S:
            return 0.0
        right, wrong = weight @ predicted.astype(np.float64)
        return float(right / yes + (no - wrong) / no) / 2

    def wrong_edges(self, predicted: Bools) -> int:
        """Predicted changes that did not happen, and those that happened and were not predicted."""
        changes = self.times[1:][predicted[1:] != predicted[:-1]]
        if not len(self.edges) or not len(changes):
            return len(self.edges) + len(changes)
        return int(
            np.count_nonzero(_nearest(changes, self.edges, self.between) > 2.5 * self.slack_s)
            + np.count_nonzero(
                _nearest(self.edges, changes, np.concatenate([[-np.inf], changes, [np.inf]])) > 2.5 * self.slack_s
            )
        )

    def price_of(self, predicted: Bools, bits: float) -> tuple[float, float, float, int]:
        """(price, share, share of the worse half, wrong changes) of a prediction at the watched times."""
        share = self.share(predicted)
        wrong = self.wrong_edges(predicted)
        right = share or self.left_alone(predicted) / 2
        return bits + EDGE_BITS * wrong + 400 * (1 - right), share, 0.0, wrong

    def left_alone(self, predicted: Bools) -> float:
        """Of a flag that never lasts: the share of the time without it in which it is not predicted; else 0."""
        yes, no = self.judged.sum(axis=1)
        return float(1 - self.judged[1] @ predicted / no) if yes <= LASTS_S < no else 0.0

    def halves(self, predicted: Bools) -> float:
        """Share that is right on the worse half."""
        middle = self.edges[len(self.edges) // 2] if len(self.edges) > 1 else self.times[len(self.times) // 2]
        parts = [self.share(predicted, rows) for rows in (self.times < middle, self.times >= middle)]
        return min([p for p in parts if p > 0], default=0.0)


@dataclass(frozen=True, slots=True)
class _Try:
    """A condition at the watched times, and how its atom is made; `text` where that is known by now."""

    predicted: Bools
    bits: float
    key: str
    make: Callable[[], Atom]
    price: float = 0.0
    share: float = 0.0
    wrong: int = 0
    text: str = ""
    occasions: int = LEAST_OCCASIONS


def _nearest(a: Floats, b: Floats, between: Floats) -> Floats:
    """How far each of `a` is from the nearest of `b`, which `between` has with a stop at either end."""
    at = b.searchsorted(a)
    return np.minimum(a - between[at], between[at + 1] - a)


def explain_flag(
    watched: Watched, atoms: Sequence[Atom], lines: Sequence[DraftLine], pairs: bool = True
) -> list[Condition]:
    """The cheapest conditions that say the flag, cheapest first."""
    samples = [line.series.at(watched.times) for line in lines]
    tries: list[_Try] = []
    for atom in atoms:
        predicted = atom.at(watched.times)
        if predicted.any() and not predicted.all():
            tries.append(_Try(predicted, atom.bits, atom.key, partial(_same, atom), text=atom.text or ""))
            tries.append(_Try(~predicted, atom.bits + 1, f"not {atom.key}", atom.negated))
    for line, x in zip(lines, samples, strict=True):
        tries += _thresholds(watched, line, x, None)
    tries = sorted((_judged(watched, t) for t in tries), key=lambda t: t.price)
    if pairs and (not tries or tries[0].wrong or tries[0].share < GOOD):
        enough = LEAST_OCCASIONS if tries and tries[0].share >= GOOD else 0
        tries += [t for t in _two(watched, tries, lines, samples) if t.occasions >= enough]
        tries.sort(key=lambda t: t.price)
    out: list[Condition] = []
    keys: set[str] = set()
    for one in tries:
        if one.key not in keys:
            keys.add(one.key)
            made = Condition(one.make(), one.share, watched.halves(one.predicted), one.price, one.wrong, one.occasions)
            out.append(made)
        if len(out) == MOST_TOLD:
            break
    return out


def _same(atom: Atom) -> Atom:
    return atom


def _judged(watched: Watched, one: _Try) -> _Try:
    price, share, _, wrong = watched.price_of(one.predicted, one.bits)
    return replace(one, price=price, share=share, wrong=wrong)


def _two(
    watched: Watched, singles: Sequence[_Try], lines: Sequence[DraftLine], samples: Sequence[Floats]
) -> list[_Try]:
    """Two conditions together: each single that holds whenever the flag does, and another; or the same of the no."""
    out: list[_Try] = []
    for want in (True, False):
        mine = watched.far & (watched.truth == want)
        whole = max(1e-9, float(watched.weight[mine].sum()))
        first: list[_Try] = []
        seen: set[str] = set()
        for group in (singles, _bounds(watched, lines, samples, want)):
            covers = [t for t in group if float(watched.weight[mine & (t.predicted == want)].sum()) > 0.985 * whole]
            covers.sort(key=lambda t: (-round(t.share, 2), t.bits))
            for one in covers:  # one for every quantity or flag, or a family of like thresholds fills the list
                if one.key not in seen and len(seen) < MOST_PAIRED * (1 if group is singles else 2):
                    seen.add(one.key)
                    first.append(one)
        word = "and" if want else "or"
        for n, a in enumerate(first):
            holds = a.predicted == want
            more = [t for line, x in zip(lines, samples, strict=True) for t in _thresholds(watched, line, x, holds)]
            for b in [*first[n + 1 :], *more]:
                if b.key == a.key or (a.text and a.text == b.text):  # a word and the field that carries it are one
                    continue
                predicted = (a.predicted & b.predicted) if want else (a.predicted | b.predicted)
                make = partial(_joined, a.make, b.make, word)
                needed = min(_occasions(watched, part.predicted, predicted) for part in (a, b))
                both = _Try(predicted, a.bits + b.bits + 2, f"{a.key} {word} {b.key}", make, occasions=needed)
                out.append(_judged(watched, both))
    return out


def _occasions(watched: Watched, alone: Bools, both: Bools) -> int:
    """How many times one condition alone differs from both together."""
    other = (alone != both) & watched.far
    return int(np.count_nonzero(other[1:] & ~other[:-1])) + int(other[:1].any())


def _joined(make_a: Callable[[], Atom], make_b: Callable[[], Atom], word: str) -> Atom:
    return joined_atoms(make_a(), make_b(), word)


def joined_atoms(a: Atom, b: Atom, word: str) -> Atom:
    """Two conditions as one, by "and" or "or"."""
    one, other = a.series.changes(), b.series.changes()
    times = np.unique(np.concatenate([one.time_s, other.time_s]))
    x, y = one.at(times) > 0.5, other.at(times) > 0.5
    text = None if a.text is None or b.text is None else f"({a.text}) {word} ({b.text})"
    value = (x & y) if word == "and" else (x | y)
    how: How = a.how if a.how == b.how else "threshold"
    return Atom(
        text, VehicleSeries(times, value.astype(np.float64)), a.bits + b.bits + 2, f"{a.key} {word} {b.key}", how,
        f"{a.words} {word} {b.words}", a.quantities | b.quantities,
        a.learned + b.learned,
    )  # fmt: skip


def _thresholds(watched: Watched, line: DraftLine, x: Floats, holds: Bools | None) -> list[_Try]:
    """Thresholds of one quantity that could say the flag, above and below, with hysteresis where it needs one.

    `holds` are the frames in which the other of two conditions leaves the flag to this one.
    """
    out = []
    use = watched.far if holds is None else watched.far & holds
    yes, no = x[use & watched.truth], x[use & ~watched.truth]
    if len(yes) < 3 or len(no) < 3:
        return []
    for way in (1.0, -1.0):
        ends = _ends(way * yes, way * no, line.step)
        if ends is None:
            continue
        on, off = way * ends[0], way * ends[1]
        narrow = abs(on - off) <= line.step * 0.51
        key = f"{line.text} {'high' if on > off else 'low'}"
        out.append(_Try(with_hysteresis(x, on, off), 18 if narrow else 26, key, partial(threshold_atom, line, on, off)))
        if (
            narrow
        ):  # seen to cross one way only, it may cross back anywhere beyond: a slow value must not make it flicker
            gap = way * max(line.step, USUAL_HYSTERESIS * float(np.ptp(x)))
            for ends in ((on, on - gap), (off + gap, off)):
                out.append(_Try(with_hysteresis(x, *ends), 17, key, partial(threshold_atom, line, *ends)))
    return out


def _bounds(watched: Watched, lines: Sequence[DraftLine], samples: Sequence[Floats], want: bool) -> list[_Try]:
    """The range of each quantity in which the flag is ever as wanted, from below and from above."""
    out = []
    for line, x in zip(lines, samples, strict=True):
        mine = x[watched.far & (watched.truth == want)]
        if len(mine) < 3 or line.step == 0:
            continue
        cut = len(mine) // 500
        for end, sign in ((float(np.partition(mine, cut)[cut]), 1.0), (float(-np.partition(-mine, cut)[cut]), -1.0)):
            on = end - sign * line.step / 2
            inside = sign * x >= sign * on
            if inside.all():
                continue
            off = on - sign * line.step / 4
            high = (sign > 0) == want  # the no of a flag is bounded by the opposite condition
            ends = (on, off) if want else (off, on)
            key = f"{line.text} {'high' if high else 'low'}"
            predicted = with_hysteresis(x, *ends)
            out.append(_judged(watched, _Try(predicted, 18, key, partial(threshold_atom, line, *ends))))
    return out


def _ends(yes: Floats, no: Floats, step: float) -> tuple[float, float] | None:
    """(on, off) of 'x is high': the flag is yes above what no ever saw, and no below what yes ever saw."""
    cut_no, cut_yes = len(no) // 1000, len(yes) // 1000  # a frame in a thousand may be late
    top_no = float(np.partition(no, len(no) - 1 - cut_no)[len(no) - 1 - cut_no])
    low_yes = float(np.partition(yes, cut_yes)[cut_yes])
    if median(yes) <= top_no and median(no) >= low_yes:
        return None
    if low_yes > top_no:  # the two never meet: halfway, as a plain threshold
        middle = (low_yes + top_no) / 2
        return middle, middle - step / 4
    on, off = top_no + step / 2, low_yes - step / 2
    return (on, off) if on > off else (on, on - step / 4)


def threshold_atom(line: DraftLine, on: float, off: float) -> Atom:
    """True from `on`, false from `off`, as it was in between."""
    rising = on > off
    predicted = with_hysteresis(line.series.value, on, off).astype(np.float64)
    unit = f" {line.unit}" if line.unit else ""
    digits = next((d for d in range(5, MOST_DIGITS) if number_text(on, d) != number_text(off, d)), MOST_DIGITS)
    text = f"hysteresis({line.text}, {number_text(on, digits)}{unit}, {number_text(off, digits)}{unit})"
    narrow = abs(on - off) <= line.step * 0.51
    return Atom(
        text, VehicleSeries(line.series.time_s, predicted), 18 if narrow else 26,
        f"{line.text} {'high' if rising else 'low'}",
        "threshold", f"{line.words or line.text} {'from' if rising else 'up to'} {number_text(on, 4)}{unit}",
        frozenset({line.channel or line.text}), (line,),
    )  # fmt: skip


def with_hysteresis(value: Floats, on: float, off: float) -> Bools:
    """True from `on`, false from `off`, as it was in between (false at first)."""
    rising = on > off
    up, down = (value >= on, value <= off) if rising else (value <= on, value >= off)
    mark = np.where(up, 1, np.where(down, 0, -1))
    rows = np.where(mark >= 0, np.arange(len(mark)), -1)
    last = np.maximum.accumulate(rows)
    predicted: Bools = (last >= 0) & (mark[np.maximum(last, 0)] == 1)
    return predicted


def since_atom(begins: Sequence[float], series: VehicleSeries, seconds: float, text: str) -> Atom:
    """True for so long after each of the moments."""
    times = np.unique(np.concatenate([series.time_s[:1], *[[b, b + seconds] for b in begins]]))
    value = np.zeros(len(times))
    for begin in begins:
        value[(times >= begin) & (times < begin + seconds)] = 1
    return Atom(
        text, VehicleSeries(times, value), 12, "time since key-on", "timed", f"the first {seconds:.2f} s after key-on"
    )


def with_bits(atom: Atom, more: float) -> Atom:
    """The same atom at a higher price."""
    return replace(atom, bits=atom.bits + more)
