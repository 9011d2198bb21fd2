"""Drafting room: measured values: copies, tables, sums and products of a few quantities, chosen by code length.

A value is a sum of terms, each a product of at most two parts; a part is a quantity, how far it is above or below a
knot, or whether it is above one. The first term is a constant; every further one must pay for itself in fewer bits of
what is left over. One part alone, straight, is a copy; parts of one quantity are a table.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from swapbridge.drafting.lines import DraftLine, number_text
from swapbridge.drafting.vehicle import Bools, Floats, Ints

MOST_ROWS = 2500
MOST_TERMS = 9
KNOTS = 7
TABLE_KNOTS = 30
TERM_BITS = 26.0
TABLE_TERM_BITS = 10.0
MOST_TABLE_KNOTS = 7
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

    def price(self, residual: Floats, bits: float) -> float:
        """Bits of an expression and of what it leaves over: small errors cost little, gross ones are capped."""
        if not len(residual):
            return float("inf")  # nothing was held out to judge it by
        size = np.log2(1 + np.minimum(np.abs(residual) / (0.35 * self.tolerance), 40) ** 2) / 2
        return bits + float(size.mean()) * self.events


def held_out(times: Floats) -> tuple[Bools, Ints]:
    """Which frames are left out of every fit, and the number of the stretch that each is in: every fourth stretch."""
    thin = max(1, -(-len(times) // MOST_ROWS))
    seconds = max(1.0, float(np.minimum(np.diff(times[::thin]), 0.5).sum()))
    block = np.floor((times - times[0]) / max(6.0, seconds / 16)).astype(np.int64)
    return block % 4 == 3, block


def best_formula(measured: Measured, lines: Sequence[DraftLine]) -> Formula:
    """The cheapest sum of terms; of one quantity alone with more knots, as a table needs them."""
    found = _fewer(measured, fit_formula(measured, lines))
    tables = [fit_table(measured, line) for line in found.lines[:2]]
    return min([found, *tables], key=lambda f: f.price)


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
    columns = np.stack([part.of(x) for part, _ in base], axis=1)
    plus = [k for k, (part, _) in enumerate(base) if part.form == "+"]
    weight = np.ones(len(x))
    best = _solve(measured, columns, base, [(), (0,)], weight, TABLE_TERM_BITS)
    for _ in range(MOST_TABLE_KNOTS):
        more = [[*best[3], (k,)] for k in plus if (k,) not in best[3]]
        tries = [_solve(measured, columns, base, t, weight, TABLE_TERM_BITS) for t in more]
        top = min(tries, key=lambda t: t[0], default=best)
        top = _moved(measured, columns, base, top, plus)
        if top[0] > best[0] - 2:
            break
        best = top
    return _formula(measured, columns, base, best)


def _moved(measured: Measured, columns: Floats, base: Sequence[Based], best: Solved, plus: Sequence[int]) -> Solved:
    """A table with each knot moved to a neighbour where that is cheaper."""
    weight = np.ones(len(measured.times))
    for at in range(2, len(best[3])):
        where = plus.index(best[3][at][0])
        for k in plus[max(0, where - 2) : where + 3]:
            if (k,) not in best[3]:
                terms = [(k,) if n == at else t for n, t in enumerate(best[3])]
                best = min(best, _solve(measured, columns, base, terms, weight, TABLE_TERM_BITS), key=lambda t: t[0])
    return best


def fit_formula(measured: Measured, lines: Sequence[DraftLine]) -> Formula:
    """The cheapest sum of terms over these quantities."""
    values = [line.series.at(measured.times) for line in lines]
    moved = [k for k, v in enumerate(values) if np.ptp(v) > 0]
    lines, values = [lines[k] for k in moved], [values[k] for k in moved]
    base = _base_parts(lines, values, KNOTS)
    columns = np.stack([part.of(values[n]) for part, n in base], axis=1) if base else np.zeros((len(measured.times), 0))
    nothing = _solve(measured, columns, base, [()], np.ones(len(measured.times)))
    starts = [nothing, *_products(measured, columns, base, nothing[1])]
    best = min((_grown(measured, columns, base, start) for start in starts), key=lambda t: t[0])
    return _formula(measured, columns, base, best)


def _grown(measured: Measured, columns: Floats, base: Sequence[Based], best: Solved) -> Solved:
    """A sum of terms with every further one that pays for itself."""
    while len(best[3]) < MOST_TERMS:
        weight = 1 / (1 + (best[1] / max(measured.tolerance, 2 * float(np.median(np.abs(best[1]))))) ** 2)
        candidates = _candidates(base, best[3], len(best[3]) > 1)
        if not candidates:
            break
        chosen = _greedy(measured, columns, candidates, best[3], weight * ~measured.held)
        tries = [_solve(measured, columns, base, [*best[3], c], weight) for c in chosen]
        top = min(tries, key=lambda t: t[0])
        if top[0] > best[0] - 4:
            break
        best = top
    return best


def _products(measured: Measured, columns: Floats, base: Sequence[Based], value: Floats) -> list[Solved]:
    """Two quantities and their product, of the pair that tells most so: one step at a time never comes there.

    A pedal that asks for less at higher speeds is such a product: each step on the way to it looks worse than a knot.
    """
    plain = [k for k, (part, _) in enumerate(base) if part.form == "x"]
    train = ~measured.held
    if len(plain) < 2 or train.sum() < len(plain) or np.ptp(value) == 0:
        return []
    told = [
        abs(float(np.corrcoef(columns[train, k], value[train])[0, 1])) if np.ptp(columns[train, k]) else 0.0
        for k in plain
    ]
    first = [plain[n] for n in np.argsort(told)[::-1][:MOST_MULTIPLIED]]
    weight = np.ones(len(value))
    pairs = [
        _solve(measured, columns, base, [(), (a,), (b,), (a, b)], weight)
        for n, a in enumerate(first) for b in first[n + 1 :]
    ]  # fmt: skip
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


def _column(columns: Floats, term: tuple[int, ...]) -> Floats:
    out = np.ones(len(columns))
    for k in term:
        out = out * columns[:, k]
    return out


def _greedy(
    measured: Measured,
    columns: Floats,
    candidates: Sequence[tuple[int, ...]],
    terms: Sequence[tuple[int, ...]],
    weight: Floats,
) -> list[tuple[int, ...]]:
    """The candidates that take away most of what is left, by weighted least squares."""
    root = np.sqrt(weight)
    have = np.stack([_column(columns, t) for t in terms], axis=1) * root[:, None]
    q, _ = np.linalg.qr(have)
    rest = measured.value * root
    rest = rest - q @ (q.T @ rest)
    block = np.stack([_column(columns, c) for c in candidates], axis=1) * root[:, None]
    norm = (block**2).sum(0) + 1e-30
    block = block - q @ (q.T @ block)
    left = (block**2).sum(0)
    gain = np.where(left > 1e-9 * norm, (rest @ block) ** 2 / np.maximum(left, 1e-30), 0.0)
    order = np.argsort(-gain)[:5]
    return [candidates[k] for k in order]


def _solve(
    measured: Measured,
    columns: Floats,
    base: Sequence[tuple[NumberPart, int]],
    terms: Sequence[tuple[int, ...]],
    weight: Floats,
    term_bits: float = TERM_BITS,
) -> Solved:
    """(price, residuals, factors, terms), fitted robustly without the held-out stretches."""
    a = np.stack([_column(columns, t) for t in terms], axis=1)
    size = np.abs(a).max(0) + 1e-30
    a = a / size
    train = ~measured.held
    factors = np.zeros(len(terms))
    w = weight
    for _ in range(3):
        root = np.sqrt(w * train)
        factors = _least_squares(a * root[:, None], measured.value * root)
        residual = measured.value - a @ factors
        scale = max(0.5 * measured.tolerance, 1.5 * float(np.median(np.abs(residual[train]))))
        w = 1 / (1 + (residual / scale) ** 2)
    residual = measured.value - a @ factors
    used = {base[k][1] for t in terms for k in t}
    bits = term_bits * len(terms) + QUANTITY_BITS * len(used) + 6.0 * sum(max(0, len(t) - 1) for t in terms)
    bits += KNOT_BITS * sum(base[k][0].form != "x" for t in terms for k in t)
    price = 0.5 * (measured.price(residual, bits) + measured.price(residual[measured.held], bits))
    return price, residual, factors / size, tuple(terms)


def _least_squares(a: Floats, b: Floats) -> Floats:
    """The factors that fit best, by the normal equations where those are sound: a small fraction of the work."""
    try:
        low = np.linalg.cholesky(a.T @ a)
    except np.linalg.LinAlgError:
        low = np.zeros((1, 1))
    pivots = np.diagonal(low)
    if pivots.min() > LEAST_PIVOT * pivots.max():
        return np.asarray(np.linalg.solve(low.T, np.linalg.solve(low, a.T @ b)))
    return np.asarray(np.linalg.lstsq(a, b, rcond=None)[0])


def _formula(measured: Measured, columns: Floats, base: Sequence[tuple[NumberPart, int]], best: Solved) -> Formula:
    price, residual, factors, terms = best
    near = np.abs(residual) <= measured.tolerance
    held = float(near[measured.held].mean()) if measured.held.any() else 0.0
    made = tuple(
        term
        for t, f in zip(terms, factors, strict=True)
        if (term := _term(measured, columns, base, t, float(f))).factor or not t
    )
    rms = float(np.sqrt(np.mean(np.minimum(residual**2, (10 * measured.tolerance) ** 2))))
    return Formula(made, float(near.mean()), held, price, rms)


def _term(measured: Measured, columns: Floats, base: Sequence[Based], chosen: Chosen, factor: float) -> NumberTerm:
    """A term with its coefficient rounded to what matters: a sum of long decimals would leave 64 bits."""
    reach = max(1.0, float(np.abs(_column(columns, chosen)).max()))
    decimals = int(np.clip(np.ceil(np.log10(ROUNDING * reach / measured.tolerance)), 0, 9))
    return NumberTerm(tuple(base[k][0] for k in chosen), round(factor, decimals), decimals)


def fit_straight(measured: Measured, line: DraftLine) -> Formula:
    """The copy of one quantity that fits best."""
    x = line.series.at(measured.times)
    columns = x[:, None]
    base = [(NumberPart(line, "x"), 0)]
    return _formula(measured, columns, base, _solve(measured, columns, base, [(), (0,)], np.ones(len(x))))
