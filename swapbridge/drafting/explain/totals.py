"""Drafting room: explains running totals, values that only climb and wrap, by the rate at which they climb."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from swapbridge.drafting.lines import DraftLine, number_text
from swapbridge.drafting.recorded_vehicle import Floats

WINDOW_S = 4.0
LEAST_CLIMBS = 40
LEAST_UP = 0.995
LEAST_FIT = 0.99


@dataclass(frozen=True, slots=True)
class Total:
    """A total: its expression, what it follows, and how well the climb of held-out windows is predicted (R squared)."""

    text: str
    words: str
    fit: float


def find_total(times: Floats, raw: Floats, bits: int, lines: Sequence[DraftLine]) -> Total | None:
    """The rate that a wrapping total adds up: one quantity, or the product of two."""
    wrap = float(1 << bits)
    change = (np.diff(raw) + wrap / 2) % wrap - wrap / 2
    gaps = np.diff(times)
    climbs = change[change != 0]
    if len(climbs) < LEAST_CLIMBS or (climbs > 0).mean() < LEAST_UP or (np.diff(raw) < -wrap / 2).sum() < 1:
        return None
    window = np.floor(times[1:] / WINDOW_S).astype(np.int64)
    _, at = np.unique(window, return_inverse=True)
    keep = gaps < 1.5
    climbed = np.bincount(at[keep], change[keep])
    best: Total | None = None
    alone = [(line, line.series.at(times[1:])) for line in lines]
    options: list[tuple[tuple[DraftLine, ...], Floats]] = [((line,), x) for line, x in alone]
    options += [((a, b), x * y) for n, (a, x) in enumerate(alone) for b, y in alone[n + 1 :]]
    for used, x in options:
        grown = np.bincount(at[keep], (x * gaps)[keep], minlength=len(climbed))
        if grown.std() == 0 or (grown @ grown) == 0:
            continue
        odd = np.arange(len(grown)) % 2 == 1
        factor = float(grown[~odd] @ climbed[~odd] / max(grown[~odd] @ grown[~odd], 1e-30))
        rest = climbed[odd] - factor * grown[odd]
        fit = 1 - float((rest**2).sum() / max(((climbed[odd] - climbed[odd].mean()) ** 2).sum(), 1e-30))
        if factor > 0 and fit > (best.fit + 0.002 if best is not None else LEAST_FIT):
            product = " * ".join(line.plain for line in used)
            factor = float(grown @ climbed / (grown @ grown))
            text = f"accumulate({number_text(factor, 5)} * {product}, wrap={int(wrap)}, resolution=1)"
            best = Total(text, f"adds up {' times '.join(line.words or line.text for line in used)}", fit)
    return best
