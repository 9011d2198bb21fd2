"""Guessing room, meaning side: fields against channels of words (a lever's P, R, N, D), value by value.

No arithmetic holds between words and raw values, only a table: which raw value stands for which word. The fit is the
share of samples that the best table gets right beyond the commonest word, the lag searched as for numbers.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from swapbridge.guessing.meaning.align import LAGS_S, FieldSeries, Floats, PreparedChannel, inside_recording, sample

MOST_LEVELS = 64


@dataclass(frozen=True, slots=True)
class TableFit:
    """How well a table from raw values to words holds.

    Attributes
    ----------
    lag_s : float
        The lag.
    right : float
        Share of samples that the table gets right.
    gain : float
        The same beyond always saying the commonest word: 1 is perfect, 0 is nothing.
    held : float
        `gain` on stretches that the table was not made from.
    table : tuple of (int, str)
        Raw value and word.
    samples, changes : int
        Samples, and how often the word changed.
    """

    lag_s: float
    right: float
    gain: float
    held: float
    table: tuple[tuple[int, str], ...]
    samples: int
    changes: int


def fit_words(series: FieldSeries, row: int, target: PreparedChannel) -> TableFit | None:
    """Best table of one field for a channel of words; None where the field stands still or has too many values."""
    raw = series.raw[row]
    levels, codes = np.unique(raw, return_inverse=True)  # once, so that each lag only has to count
    numbers = codes.astype(np.float64)
    said, word = np.unique(target.value, return_inverse=True)
    if not 2 <= len(levels) <= MOST_LEVELS:
        return None
    best: tuple[float, float, npt.NDArray[np.intp], npt.NDArray[np.intp]] | None = None
    for lag in np.round(np.arange(LAGS_S[0], LAGS_S[-1], 0.02), 3):
        at = target.time_s - lag
        ok = inside_recording(series, at)
        if ok.sum() < 10:
            continue
        level = sample(series.time_s, numbers, at[ok], hold=True).astype(np.intp)
        right = _right(level, word[ok], (len(levels), len(said)))
        if best is None or right > best[0] + 1e-9:
            best = (right, float(lag), level, word[ok])
    if best is None:
        return None
    right, lag = best[:2]
    x, y = levels[best[2]], said[best[3]]
    words, counts = np.unique(y, return_counts=True)
    common = counts.max() / len(y)
    if len(words) < 2 or len(np.unique(x)) < 2:
        return None
    table = []
    for value in np.unique(x):
        seen, times = np.unique(y[x == value], return_counts=True)
        table.append((int(value), target.texts[int(seen[int(times.argmax())])]))
    return TableFit(
        lag,
        right,
        (right - common) / (1 - common),
        _held(x, y, common),
        tuple(table),
        len(y),
        int((np.diff(y) != 0).sum()),
    )


def _right(level: npt.NDArray[np.intp], word: npt.NDArray[np.intp], shape: tuple[int, int]) -> float:
    """Share of samples that the best table gets right, levels and words by their numbers."""
    counts = np.bincount(level * shape[1] + word, minlength=shape[0] * shape[1]).reshape(shape)
    met = np.count_nonzero(counts.any(axis=1))
    # a table that maps many raw values onto one word must not win by having many: one value is charged a sample
    return float((counts.max(axis=1).sum() - met) / len(level))


def _held(x: Floats, y: Floats, common: float) -> float:
    edges = np.linspace(0, len(x), 7).astype(np.intp)
    right = 0
    for a, b in pairwise(edges):
        train = np.ones(len(x), bool)
        train[a:b] = False
        for value in np.unique(x[a:b]):
            known = y[train & (x == value)]
            if len(known):
                seen, times = np.unique(known, return_counts=True)
                right += int(((x[a:b] == value) & (y[a:b] == seen[int(times.argmax())])).sum())
    return float((right / len(x) - common) / (1 - common))
