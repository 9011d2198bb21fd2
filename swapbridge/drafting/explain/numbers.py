"""Drafting room: fits formulas to measured values: copies, tables, sums and products, chosen by code length.

A value is a sum of terms, each a product of at most two parts; a part is a quantity, how far it is above or below a
knot, or whether it is above one. The first term is a constant; every further one must pay for itself in fewer bits of
what is left over. One part alone, straight, is a copy; parts of one quantity are a table.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg.lapack import dposv

from swapbridge.drafting.lines import DraftLine, median, number_text
from swapbridge.drafting.recorded_vehicle import Bools, Floats, Ints

MOST_ROWS = 2500
MOST_TERMS = 9
KNOTS = 7
TABLE_KNOTS = 30
TERM_BITS = 26.0
TABLE_TERM_BITS = 10.0
MOST_TABLE_KNOTS = 7
TABLE_PARTS = 64
"""A quantity's range is looked at in so many parts for whether a table of it could fit."""
QUANTITY_BITS = 14.0
KNOT_BITS = 8.0
EVENTS_PER_S = 4.0
"""Independent samples in a second of an engine's life, at most: what code lengths are counted with."""
TOLERANCE = 0.02
MOST_MULTIPLIED = 12
"""Of so many quantities, those that go best with a value, each two are tried with their product."""
LEAST_PIVOT = 1e-5
"""Terms that are nearer to being each other's sums than this are solved without squaring that nearness."""
SPARED = 0.005
"""A quantity is left out where the share of frames that are right without it is only so much smaller."""
PRICE_DIGITS, GAIN_DIGITS = 6, 9
"""Prices and gains alike in so many decimals are equal, so that the first wins and not a processor's rounding."""
GREEDY_ROWS = 32
"""Candidates weighed at once: as many as stay in a processor's cache, which is ten times as quick as all of them."""
ROUNDING = 100.0
"""The rounding of a coefficient takes less than so many parts of what is near enough; a term below that is left out."""


@dataclass(frozen=True, slots=True)
class NumberPart:
    """A quantity (`form` "x"), its excess over a knot ("+"), its lack ("-"), or whether it is above it (">")."""

    line: DraftLine
    form: str
    knot: float = 0.0

    def at(self, times: Floats) -> Floats:
        return self.of(self.line.series.at(times))

    def of(self, x: Floats) -> Floats:
        if self.form == "+":
            return np.maximum(x - self.knot, 0)
        if self.form == "-":
            return np.maximum(self.knot - x, 0)
        if self.form == ">":
            return (x >= self.knot).astype(np.float64)
        return x

    @property
    def text(self) -> str:
        plain, knot = self.line.plain, number_text(self.knot, 12)
        if self.form == "+":
            return f"max({plain} - {knot}, 0)"
        if self.form == "-":
            return f"max({knot} - {plain}, 0)"
        if self.form == ">":
            return f"choose({plain} >= {knot}, 1, 0)"
        return plain


Based = tuple[NumberPart, int]
"""A part and the number of its quantity."""
Chosen = tuple[int, ...]
"""A term by the numbers of its parts."""
Solved = tuple[float, Floats, Floats, tuple[Chosen, ...]]
"""Price, what is left over, factors, terms."""


@dataclass(frozen=True, slots=True)
class NumberTerm:
    """A coefficient times the product of its parts (none: a constant).

    `decimals` is how many the coefficient is written with (None: five digits).
    """

    parts: tuple[NumberPart, ...]
    factor: float
    decimals: int | None = None

    def at(self, times: Floats) -> Floats:
        out = np.full(len(times), self.factor)
        for part in self.parts:
            out = out * part.at(times)
        return out


@dataclass(frozen=True, slots=True)
class Formula:
    """A value as a sum of terms, with how well it does.

    `share` is the share of frames within 2 % of the span (or one and a half steps), `held_out` the same on stretches
    it was not fitted to, `price` the bits of it and of what it leaves over.
    """

    terms: tuple[NumberTerm, ...]
    share: float
    held_out: float
    price: float
    rms: float

    def at(self, times: Floats) -> Floats:
        out = np.zeros(len(times))
        for term in self.terms:
            out = out + term.at(times)
        return out

    def of(self, values: Mapping[str, float]) -> float:
        """What it gives for one value of each quantity, by its text."""
        each = (t.factor * float(np.prod([p.of(np.array(values[p.line.text])) for p in t.parts])) for t in self.terms)
        return sum(each)

    @property
    def lines(self) -> tuple[DraftLine, ...]:
        """The quantities it uses, each once."""
        found: dict[str, DraftLine] = {}
        for term in self.terms:
            for part in term.parts:
                found.setdefault(part.line.text, part.line)
        return tuple(found.values())

    @property
    def straight(self) -> bool:
        """Whether it is a copy: one quantity, with a scale and an offset."""
        used = [t for t in self.terms if t.parts]
        return len(used) == 1 and len(used[0].parts) == 1 and used[0].parts[0].form == "x"

    @property
    def text(self) -> str:
        """The expression, in plain numbers."""
        out = ""
        for term in self.terms:
            size = number_text(abs(term.factor), 5)
            if term.decimals is not None:
                size = f"{abs(term.factor):.{term.decimals}f}"
                size = size.rstrip("0").rstrip(".") if "." in size else size
            if size == "0" and out:
                continue
            body = " * ".join(
                [size, *[f"({p.text})" if p.form == "x" and " " in p.text else p.text for p in term.parts]]
            )
            out += (" - " if term.factor < 0 else " + ") + body if out else ("-" if term.factor < 0 else "") + body
        return out or "0"


class Measured:
    """A value to be explained: thinned frames, and how near is near enough."""

    def __init__(self, times: Floats, value: Floats) -> None:
        thin = max(1, -(-len(times) // MOST_ROWS))
        self.times, self.value = times[::thin], value[::thin]
        self.span = float(value.max() - value.min())
        self.tolerance = max(1.5, TOLERANCE * self.span)
        seconds = max(1.0, float(np.minimum(np.diff(self.times), 0.5).sum()))
        self.events = min(float(len(self.times)), EVENTS_PER_S * seconds)
        self.held, _ = held_out(self.times)
        self.order = np.argsort(self.held, kind="stable")
        self.cut = int((~self.held).sum())

    def price(self, residual: Floats, bits: float) -> float:
        """Bits of an expression and of what it leaves over: small errors cost little, gross ones are capped."""
        return bits + float(self._each(residual).mean()) * self.events if len(residual) else float("inf")

    def fitted_price(self, residual: Floats, bits: float) -> float:
        """The price of what was fitted, its frames by `order`: a half of it counts what was held out alone."""
        if self.cut == len(residual):
            return float("inf")  # nothing was held out to judge it by
        each = self._each(residual)
        return round(bits + 0.5 * (float(each.mean()) + float(each[self.cut :].mean())) * self.events, PRICE_DIGITS)

    def _each(self, residual: Floats) -> Floats:
        return np.asarray(np.log2(1 + np.minimum(np.abs(residual) / (0.35 * self.tolerance), 40) ** 2) / 2)


class Sums:
    """What sums of terms are fitted with: a value, and the parts of which terms are made, one row for each.

    Frames stand in the order of `Measured.order`, those that are fitted to first, so that a fit looks at no others.
    """

    def __init__(self, measured: Measured, values: Sequence[Floats], base: Sequence[Based]) -> None:
        self.measured, self.base = measured, base
        self.value = measured.value[measured.order]
        self.rows = np.empty((len(base), len(self.value)))
        for row, (part, n) in zip(self.rows, base, strict=True):
            row[:] = part.of(values[n])[measured.order]

    def row(self, term: Chosen) -> Floats:
        """A term in every frame."""
        if not term:
            return np.ones(len(self.value))
        out: Floats = self.rows[term[0]]
        for k in term[1:]:
            out = out * self.rows[k]
        return out

    def solve(self, terms: Sequence[Chosen], weight: Floats | None = None, term_bits: float = TERM_BITS) -> Solved:
        """Terms fitted robustly to what is not held out, at first by these weights (of those frames)."""
        measured, base, cut = self.measured, self.base, self.measured.cut
        a = np.stack([self.row(t) for t in terms])
        size = np.maximum(a.max(1), -a.min(1)) + 1e-30
        a /= size[:, None]
        fitted, value = np.ascontiguousarray(a[:, :cut]), self.value[:cut]
        factors = _least_squares(fitted, value, weight)
        for _ in range(2):
            left = np.abs(value - factors @ fitted)
            scale = max(0.5 * measured.tolerance, 1.5 * median(left))
            factors = _least_squares(fitted, value, 1 / (1 + (left / scale) ** 2))
        residual = self.value - factors @ a
        used = {base[k][1] for t in terms for k in t}
        bits = term_bits * len(terms) + QUANTITY_BITS * len(used) + 6.0 * sum(max(0, len(t) - 1) for t in terms)
        bits += KNOT_BITS * sum(base[k][0].form != "x" for t in terms for k in t)
        return measured.fitted_price(residual, bits), residual, factors / size, tuple(terms)

    def greedy(self, candidates: Sequence[Chosen], terms: Sequence[Chosen], weight: Floats) -> list[Chosen]:
        """The candidates that take away most of what is left, by weighted least squares."""
        cut = self.measured.cut
        root = np.sqrt(weight)
        q, _ = np.linalg.qr(np.stack([self.row(t)[:cut] * root for t in terms], axis=1))
        rest = self.value[:cut] * root
        rest = rest - q @ (q.T @ rest)
        gain = np.empty(len(candidates))
        for at in range(0, len(candidates), GREEDY_ROWS):
            some = candidates[at : at + GREEDY_ROWS]
            block = self.rows[[c[0] for c in some], :cut]
            block *= root
            for row, chosen in zip(block, some, strict=True):
                for k in chosen[1:]:
                    row *= self.rows[k, :cut]
            norm = np.einsum("ij,ij->i", block, block) + 1e-30
            block -= (block @ q) @ q.T
            left = np.einsum("ij,ij->i", block, block)
            gain[at : at + len(some)] = np.where(left > 1e-9 * norm, (block @ rest) ** 2 / np.maximum(left, 1e-30), 0.0)
        order = np.argsort(-np.round(gain / (rest @ rest + 1e-30), GAIN_DIGITS), kind="stable")
        return [candidates[k] for k in order[:5]]


def held_out(times: Floats) -> tuple[Bools, Ints]:
    """Which frames are left out of every fit, and the number of the stretch that each is in: every fourth stretch."""
    thin = max(1, -(-len(times) // MOST_ROWS))
    seconds = max(1.0, float(np.minimum(np.diff(times[::thin]), 0.5).sum()))
    block = np.floor((times - times[0]) / max(6.0, seconds / 16)).astype(np.int64)
    return block % 4 == 3, block


def best_formula(measured: Measured, lines: Sequence[DraftLine]) -> Formula:
    """The cheapest sum of terms; of one quantity alone with more knots, as a table needs them.

    A sum that grows a term at a time may begin with the wrong quantity and never come to the one whose table fits.
    """
    found = _fewer(measured, fit_formula(measured, lines))
    worth = [x for x in lines if x in found.lines[:2] or _followed(measured, x) > found.share]
    return min([found, *(fit_table(measured, line) for line in worth)], key=lambda f: f.price)


def _followed(measured: Measured, line: DraftLine) -> float:
    """Share of frames near the median of those with about the same value of a quantity: what a table might do."""
    x = line.series.at(measured.times)
    if np.ptp(x) == 0:
        return 0.0
    order = np.argsort(x, kind="stable")
    value = measured.value[order]
    parts = np.split(value, np.flatnonzero(np.diff(np.floor((x[order] - x.min()) / np.ptp(x) * TABLE_PARTS))) + 1)
    return sum(int((np.abs(v - median(v)) <= measured.tolerance).sum()) for v in parts) / len(value)


def _fewer(measured: Measured, found: Formula) -> Formula:
    """The formula without the quantities that it can do without: each is one more range to leave."""
    while len(found.lines) > 1:
        rest = [fit_formula(measured, [x for x in found.lines if x is not line]) for line in found.lines]
        best = max(rest, key=lambda f: f.held_out + f.share)
        if min(best.held_out - found.held_out, best.share - found.share) < -SPARED:
            break
        found = best
    return found


def fit_table(measured: Measured, line: DraftLine) -> Formula:
    """A table of one quantity: its knots are cheap, and each is moved to where it serves best."""
    x = line.series.at(measured.times)
    if np.ptp(x) == 0:
        return fit_formula(measured, [line])
    base = _base_parts([line], [x], TABLE_KNOTS)
    sums = Sums(measured, [x], base)
    plus = [k for k, (part, _) in enumerate(base) if part.form == "+"]
    best = sums.solve([(), (0,)], term_bits=TABLE_TERM_BITS)
    for _ in range(MOST_TABLE_KNOTS):
        more = [[*best[3], (k,)] for k in plus if (k,) not in best[3]]
        tries = [sums.solve(t, term_bits=TABLE_TERM_BITS) for t in more]
        top = min(tries, key=lambda t: t[0], default=best)
        top = _moved(sums, top, plus)
        if top[0] > best[0] - 2:
            break
        best = top
    return _formula(sums, best)


def _moved(sums: Sums, best: Solved, plus: Sequence[int]) -> Solved:
    """A table with each knot moved to a neighbour where that is cheaper."""
    for at in range(2, len(best[3])):
        where = plus.index(best[3][at][0])
        for k in plus[max(0, where - 2) : where + 3]:
            if (k,) not in best[3]:
                terms = [(k,) if n == at else t for n, t in enumerate(best[3])]
                best = min(best, sums.solve(terms, term_bits=TABLE_TERM_BITS), key=lambda t: t[0])
    return best


def fit_formula(measured: Measured, lines: Sequence[DraftLine]) -> Formula:
    """The cheapest sum of terms over these quantities."""
    values = [line.series.at(measured.times) for line in lines]
    moved = [k for k, v in enumerate(values) if np.ptp(v) > 0]
    lines, values = [lines[k] for k in moved], [values[k] for k in moved]
    sums = Sums(measured, values, _base_parts(lines, values, KNOTS))
    nothing = sums.solve([()])
    best = min((_grown(sums, start) for start in [nothing, *_products(sums, nothing[1])]), key=lambda t: t[0])
    return _formula(sums, best)


def _grown(sums: Sums, best: Solved) -> Solved:
    """A sum of terms with every further one that pays for itself."""
    cut, tolerance = sums.measured.cut, sums.measured.tolerance
    while len(best[3]) < MOST_TERMS:
        weight = 1 / (1 + (best[1][:cut] / max(tolerance, 2 * median(np.abs(best[1])))) ** 2)
        candidates = _candidates(sums.base, best[3], len(best[3]) > 1)
        if not candidates:
            break
        tries = [sums.solve([*best[3], c], weight) for c in sums.greedy(candidates, best[3], weight)]
        top = min(tries, key=lambda t: t[0])
        if top[0] > best[0] - 4:
            break
        best = top
    return best


def _products(sums: Sums, value: Floats) -> list[Solved]:
    """Two quantities and their product, of the pair that explains most: one step at a time never comes there.

    A pedal that asks for less at higher speeds is such a product: each step on the way to it looks worse than a knot.
    """
    plain = [k for k, (part, _) in enumerate(sums.base) if part.form == "x"]
    cut = sums.measured.cut
    if len(plain) < 2 or cut < len(plain) or np.ptp(value) == 0:
        return []
    correlations = [
        abs(float(np.corrcoef(sums.rows[k, :cut], value[:cut])[0, 1])) if np.ptp(sums.rows[k, :cut]) else 0.0
        for k in plain
    ]
    first = [plain[n] for n in np.argsort(correlations)[::-1][:MOST_MULTIPLIED]]
    pairs = [sums.solve([(), (a,), (b,), (a, b)]) for n, a in enumerate(first) for b in first[n + 1 :]]
    return sorted(pairs, key=lambda t: t[0])[:1]


def _base_parts(lines: Sequence[DraftLine], values: Sequence[Floats], many: int) -> list[tuple[NumberPart, int]]:
    out: list[tuple[NumberPart, int]] = []
    for n, (line, x) in enumerate(zip(lines, values, strict=True)):
        out.append((NumberPart(line, "x"), n))
        levels = np.unique(x)
        if len(levels) <= 2:
            continue
        knots = np.unique(np.quantile(levels, np.linspace(0, 1, many + 2)[1:-1]))
        more = np.unique(np.quantile(x, np.linspace(0, 1, 5)[1:-1]))
        near_bottom = levels[0] + (levels[-1] - levels[0]) * np.array([0.004, 0.02, 0.06])
        decimals = knot_decimals(line.step)
        for knot in np.unique(np.round(np.concatenate([knots, more]), decimals)):
            if levels[0] < knot < levels[-1]:
                out.append((NumberPart(line, "+", float(knot)), n))
                out.append((NumberPart(line, "-", float(knot)), n))
        for knot in np.unique(np.round(near_bottom, decimals + 1)):
            out.append((NumberPart(line, ">", float(knot)), n))
    return out


def knot_decimals(step: float) -> int:
    """Decimals of a knot: about as fine as its quantity, since every digit more makes exact arithmetic wider."""
    return int(np.clip(np.ceil(-np.log10(step)), 0, 3)) if step > 0 else 3


def _candidates(
    base: Sequence[tuple[NumberPart, int]], terms: Sequence[tuple[int, ...]], products: bool
) -> list[tuple[int, ...]]:
    out: list[Chosen] = [(k,) for k in range(len(base))]
    if products:
        singles = [t[0] for t in terms if len(t) == 1]
        out += [(a, b) for a in singles for b in range(len(base)) if base[a][0].line is not base[b][0].line]
    seen = {tuple(sorted(t)) for t in terms}
    return [c for c in out if tuple(sorted(c)) not in seen]


def _least_squares(a: Floats, value: Floats, weight: Floats | None = None) -> Floats:
    """The factors of the rows that fit best, by the normal equations where those are sound: a fraction of the work."""
    weighted = a if weight is None else a * weight
    low, factors, failed = dposv(weighted @ a.T, weighted @ value)
    pivots = np.diagonal(low)
    if not failed and pivots.min() > LEAST_PIVOT * pivots.max():
        return np.asarray(factors)
    root = np.ones(len(value)) if weight is None else np.sqrt(weight)
    return np.asarray(np.linalg.lstsq((a * root).T, value * root, rcond=None)[0])


def _formula(sums: Sums, best: Solved) -> Formula:
    measured = sums.measured
    price, residual, factors, terms = best
    near = np.abs(residual) <= measured.tolerance
    held = float(near[measured.cut :].mean()) if measured.cut < len(near) else 0.0
    made = tuple(
        term for t, f in zip(terms, factors, strict=True) if (term := _term(sums, t, float(f))).factor or not t
    )
    rms = float(np.sqrt(np.mean(np.minimum(residual**2, (10 * measured.tolerance) ** 2))))
    return Formula(made, float(near.mean()), held, price, rms)


def _term(sums: Sums, chosen: Chosen, factor: float) -> NumberTerm:
    """A term with its coefficient rounded to what matters: a sum of long decimals would leave 64 bits."""
    reach = max(1.0, float(np.abs(sums.row(chosen)).max()))
    decimals = int(np.clip(np.ceil(np.log10(ROUNDING * reach / sums.measured.tolerance)), 0, 9))
    return NumberTerm(tuple(sums.base[k][0] for k in chosen), round(factor, decimals), decimals)


def fit_straight(measured: Measured, line: DraftLine) -> Formula:
    """The copy of one quantity that fits best."""
    sums = Sums(measured, [line.series.at(measured.times)], [(NumberPart(line, "x"), 0)])
    return _formula(sums, sums.solve([(), (0,)]))
