"""Guessing room, meaning side: how well would *some* field have fitted a channel by chance?

The channel is shifted round the capture many times; the best fit over all fields at each shift is what chance gives,
the number of fields counted in. Shifts shorter than the channel's own memory are not chance and are left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from swapbridge.guessing.meaning.align import FieldSeries, Floats, PreparedChannel, sample

POINTS = 1024
"""Samples that a channel is thinned to before it is shifted."""
USUAL_LAG_S = 0.2
FEWEST_INDEPENDENT = 4.0
"""Fewer independent shifts than this are no measure of chance."""


@dataclass(frozen=True, slots=True)
class Chance:
    """What chance gives for one channel.

    Attributes
    ----------
    testable : bool
        False where the channel is one long ramp or the capture too short.
    shifts : float
        Number of independent shifts.
    typical, high : float
        Median and 95th percentile of the best squared correlation over all fields at a shift.
    tail : tuple of float
        Threshold, share above it, shape and scale of the fitted tail of ``-log(1 - r2)``.
    """

    testable: bool
    shifts: float
    typical: float = 0.0
    high: float = 0.0
    tail: tuple[float, float, float, float] = (0.0, 1.0, 0.0, 1.0)

    def p_value(self, r2: float) -> float | None:
        """Chance that the luckiest field fits at least this well, or None where that can't be tested."""
        if not self.testable:
            return None
        level = -np.log(max(1.0 - r2, 1e-9))
        threshold, share, shape, scale = self.tail
        if level <= threshold:
            return 1.0
        over = (level - threshold) / scale
        beyond = np.exp(-over) if shape < 1e-6 else (1 + shape * over) ** (-1 / shape)
        return float(max(share * beyond, 1e-12))


def shifted_best(series: FieldSeries, target: PreparedChannel) -> Floats:
    """Best squared correlation over the fields of one series, at every circular shift of the channel.

    Returns
    -------
    (POINTS,) float64
        Entry k: the channel moved on by k points (of the channel thinned to `POINTS` samples evenly in time).
    """
    grid = np.linspace(target.time_s[0], target.time_s[-1], POINTS)
    value = target.value[np.clip(np.searchsorted(target.time_s, grid, side="right") - 1, 0, None)]
    x = sample(series.time_s, series.raw, grid - USUAL_LAG_S, hold=True)
    x = x - x.mean(axis=1, keepdims=True)
    norm = np.sqrt((x * x).sum(axis=1, keepdims=True))
    x = np.divide(x, norm, out=np.zeros_like(x), where=norm > 0)
    y = value - value.mean()
    size = float(np.sqrt(y @ y))
    if size <= 0:
        return np.zeros(POINTS)
    spectrum = np.fft.rfft(x, axis=1) * np.conj(np.fft.rfft(y / size))
    correlation = np.fft.irfft(spectrum, POINTS, axis=1)
    return np.asarray((correlation * correlation).max(axis=0))


def judge_luck(best: Floats, target: PreparedChannel) -> Chance:
    """Fit the tail of chance to the best correlations at all shifts that are long enough.

    Parameters
    ----------
    best : (POINTS,) float64
        Elementwise largest of `shifted_best` over all series.
    target : Target
        The channel.
    """
    duration = float(target.time_s[-1] - target.time_s[0])
    step = duration / (POINTS - 1)
    memory = max(target.memory_s, 1.0)
    skip = int(np.ceil(memory / step))
    usable = best[skip : POINTS - skip]
    independent = len(usable) * step / memory
    if len(usable) < 20 or independent < FEWEST_INDEPENDENT or target.moves < 1.5:
        return Chance(False, max(independent, 0.0))
    level = -np.log(1.0 - np.minimum(usable, 1 - 1e-9))
    threshold = float(np.percentile(level, 85))
    shape, scale = _pareto(np.sort(level[level > threshold] - threshold))
    return Chance(
        True,
        float(independent),
        float(np.median(usable)),
        float(np.percentile(usable, 95)),
        (threshold, float(np.mean(level > threshold)), shape, scale),
    )


def _pareto(beyond: Floats) -> tuple[float, float]:
    """Shape and scale of a generalised Pareto tail by probability-weighted moments.

    Source: Hosking and Wallis, Technometrics 29, 1987. The shape is kept from 0 to 0.5: few shifts must not promise a
    tail that ends.
    """
    n = len(beyond)
    mean = float(beyond.mean()) if n else 0.0
    if n < 10 or mean <= 0:
        return 0.0, max(mean, 0.1)
    share_above = 1 - (np.arange(1, n + 1) - 0.35) / n
    weighted = float((share_above * beyond).mean())
    apart = mean - 2 * weighted
    if apart <= 1e-12:
        return 0.5, mean
    shape = float(np.clip(2 - mean / apart, 0.0, 0.5))
    return shape, max(mean * (1 - shape), 1e-3)
