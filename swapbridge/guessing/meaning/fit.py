"""Guessing room: one field against one channel: lag, robust scale and offset, and what the residual shows.

The heart of telling a follower from a field that merely moves with a channel: a follower's residual is noise, one
sample knows nothing of the next; a related field's residual has shape. So the mean product of *neighbouring*
residuals measures the shape alone, whatever the noise: it is near zero for a follower.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from swapbridge.guessing.meaning.align import (
    TOOL_JITTER_S,
    FieldSeries,
    Floats,
    PreparedChannel,
    inside_recording,
    sample,
    strange_lag,
)

HUBER = 2.0
"""Residuals beyond this many standard deviations count less and less."""
FOLDS = 6
"""Stretches of the capture, each held out once."""
FEWEST_SAMPLES = 20
MOST_BEHIND_S = 1.1
"""Longest lag that is believed."""
LEVEL_BINS = 30
"""Levels that a value is sorted into to see what its rests do to a fit."""


@dataclass(frozen=True, slots=True)
class Fit:
    """How well ``channel(t) = scale * raw(t - lag) + offset`` holds.

    Attributes
    ----------
    lag_s, scale, offset : float
        The fit.
    scale_error, middle, middle_error : float
        Standard error of the scale; the raw value at which the offset is best known, and the error of the fitted value
        there (so offset and scale errors are independent).
    samples : int
        Samples used.
    r2, r2_held : float
        Share of the channel's (weighted) variance that is explained, in all and on the held-out stretches.
    shape : float
        Share of the channel's variance that is shaped residual (see above), rounding of both sides allowed for.
    rough : float
        Residual over the channel's own noise and both sides' rounding (1: nothing else is left).
    worst : float
        Largest shaped residual of any stretch, as a share of the channel's standard deviation.
    far : float
        Share of samples farther off than rounding and noise allow.
    levels : int
        Distinct raw values at the samples.
    step : float
        Smallest difference between two raw values.
    """

    lag_s: float
    scale: float
    offset: float
    scale_error: float
    middle: float
    middle_error: float
    samples: int
    r2: float
    r2_held: float
    shape: float
    rough: float
    worst: float
    far: float
    levels: int
    step: float


def fit(series: FieldSeries, row: int, target: PreparedChannel, near_lag_s: float, *, hold: bool = False) -> Fit | None:
    """Fit one field to a numeric channel, the lag searched about a first guess.

    Parameters
    ----------
    series : Series
        Frames of the field's message.
    row : int
        Which field.
    target : Target
        The channel.
    near_lag_s : float
        Lag of the coarse match.
    hold : bool
        Hold the last frame's value between frames (flags), else interpolate.

    Returns
    -------
    Fit or None
        None where fewer than 20 samples meet the field, or the field stands still at them.
    """
    raw = series.raw[row]
    reach = 0.06 + (0.5 * series.period_s if hold else 0.0)
    lags = np.clip(near_lag_s + np.arange(-reach, reach + 1e-9, 0.01), 0.0, MOST_BEHIND_S)
    lags = np.unique(np.round(lags, 4))
    at = target.time_s[None, :] - lags[:, None]
    ok = inside_recording(series, target.time_s - lags[-1]) & inside_recording(series, target.time_s - lags[0])
    if series.good is not None:
        # a line between a good and a bad frame is bad as well
        ok &= sample(series.time_s, series.good[row].astype(np.float64), target.time_s - near_lag_s, hold=False) == 1
    if ok.sum() < FEWEST_SAMPLES:
        return None
    x = sample(series.time_s, raw, at[:, ok].ravel(), hold=hold).reshape(len(lags), -1)
    y, weight = target.value[ok], _weights(series, target, ok, hold)
    cost = np.array([_robust_cost(xx, y, weight) for xx in x])
    if not np.isfinite(cost).any():
        return None
    cost = cost + strange_lag(lags) * max(float(np.nanmin(cost)), 1e-3) * 4 / max(target.steps, 1)
    lag = _bottom(lags, cost)
    xx = sample(series.time_s, raw, target.time_s[ok] - lag, hold=hold)
    return _judge(xx, y, weight, target, lag, _step(raw))


def residuals(series: FieldSeries, row: int, target: PreparedChannel, lag_s: float) -> tuple[Floats, Floats] | None:
    """Standardised residuals of the robust line at a known lag, sample by sample, and the weights they had.

    None where the field stands still or hardly meets the channel.
    """
    ok = inside_recording(series, target.time_s - lag_s)
    if ok.sum() < FEWEST_SAMPLES:
        return None
    x = sample(series.time_s, series.raw[row], target.time_s[ok] - lag_s, hold=False)
    if np.ptp(x) <= 0:
        return None
    y, weight = target.value[ok], _weights(series, target, ok, False)
    slope, offset, _ = robust_line(x, y, weight)
    return np.asarray((y - slope * x - offset) * np.sqrt(weight)), weight


def _step(raw: Floats) -> float:
    """Smallest difference between two raw values that were seen."""
    values = np.unique(raw)
    return float(np.diff(values).min()) if len(values) > 1 else 1.0


def _weights(series: FieldSeries, target: PreparedChannel, ok: npt.NDArray[np.bool_], hold: bool) -> Floats:
    """One over the variance that a follower's residual would have at each sample."""
    wander = np.hypot(TOOL_JITTER_S, (0.3 if hold else 0.12) * series.period_s)
    variance = target.noise**2 + (target.speed[ok] * wander) ** 2
    floor = max((1e-4 * target.spread) ** 2, 1e-30)
    return np.asarray(1.0 / np.maximum(variance, floor))


def line(x: Floats, y: Floats, weight: Floats) -> tuple[float, float]:
    """Weighted least-squares slope and intercept; slope 0 where x stands still."""
    total = weight.sum()
    mx, my = weight @ x / total, weight @ y / total
    xc = x - mx
    xx = weight @ (xc * xc)
    slope = float(weight @ (xc * (y - my)) / xx) if xx > 0 else 0.0
    return slope, float(my - slope * mx)


def robust_line(x: Floats, y: Floats, weight: Floats) -> tuple[float, float, Floats]:
    """Huber's line by reweighting; the third value is the final weights."""
    slope, offset = line(x, y, weight)
    final = weight
    for _ in range(5):
        z = np.abs(y - slope * x - offset) * np.sqrt(weight)
        limit = HUBER * max(1.4826 * float(np.median(z)), 0.5)
        final = weight * np.minimum(1.0, limit / np.maximum(z, 1e-12))
        slope, offset = line(x, y, final)
    return slope, offset, final


def _robust_cost(x: Floats, y: Floats, weight: Floats) -> float:
    if np.ptp(x) <= 0:
        return np.inf
    slope, offset = line(x, y, weight)
    z2 = (y - slope * x - offset) ** 2 * weight
    cap = 16 * max(float(np.median(z2)), 0.3)
    slope, offset = line(x, y, weight * (z2 < cap))
    z2 = (y - slope * x - offset) ** 2 * weight
    return float(np.minimum(z2, cap).mean())


def _bottom(lags: Floats, cost: Floats) -> float:
    """Lag of least cost, the parabola through its neighbours taken; a flat bottom gives its middle."""
    least = float(np.nanmin(cost))
    k = int(np.nanargmin(cost))
    flat = np.flatnonzero(cost <= least + 1e-9 + 1e-6 * abs(least))
    if len(flat) > 1:
        return float(lags[flat].mean())
    if 0 < k < len(lags) - 1:
        a, b, c = cost[k - 1], cost[k], cost[k + 1]
        bend = a - 2 * b + c
        if np.isfinite(bend) and bend > 0:
            return float(lags[k] + 0.5 * (a - c) / bend * (lags[k + 1] - lags[k]))
    return float(lags[k])


def _judge(x: Floats, y: Floats, weight: Floats, target: PreparedChannel, lag: float, step: float) -> Fit | None:
    if np.ptp(x) <= 0:
        return None
    slope, offset, final = robust_line(x, y, weight)
    residual = y - slope * x - offset
    total = float(final.sum())
    mean_y = float(final @ y / total)
    variance = float(final @ (y - mean_y) ** 2 / total)
    if variance <= 0:
        return None
    spent = float(final @ residual**2 / total)
    held = _held_out(x, y, final)
    rounding = (target.quantum**2 + (slope * step) ** 2) / 12
    shape, worst = _shape(residual, final, rounding)
    z_rounded = np.abs(residual) / np.sqrt(1 / weight + (slope * step) ** 2 / 12)
    far = np.abs(residual) > 0.6 * abs(slope) * step + 3.5 / np.sqrt(weight)
    middle = float(final @ x / total)
    scatter = float(np.sqrt(max(spent, 1e-30)))
    effective = max(independent(residual * np.sqrt(final)), 2.0)
    spread_x = float(np.sqrt(max(float(final @ (x - middle) ** 2) / total, 1e-30)))
    by_scale, by_middle = _jackknife(x, y, final, middle)
    return Fit(
        lag_s=lag,
        scale=slope,
        offset=offset,
        scale_error=float(max(scatter / np.sqrt(effective) / spread_x, by_scale)),
        middle=middle,
        middle_error=float(max(scatter / np.sqrt(effective), by_middle)),
        samples=len(x),
        r2=1.0 - spent / variance,
        r2_held=1.0 - held / variance,
        shape=shape / variance,
        rough=float(np.sqrt(np.mean(np.clip(z_rounded, 0.0, 6.0) ** 2))),
        worst=float(worst / np.sqrt(variance)),
        far=float(np.mean(far)),
        levels=len(np.unique(np.round(x / step))),
        step=step,
    )


def _jackknife(x: Floats, y: Floats, weight: Floats, middle: float) -> tuple[float, float]:
    """Errors of the slope and of the middle value when levels are left out in turn.

    Rounding errs alike for as long as a value rests, so samples at one level are one witness, not many.
    """
    low, high = float(x.min()), float(x.max())
    bins = np.minimum(((x - low) / (high - low) * LEVEL_BINS).astype(np.intp), LEVEL_BINS - 1)
    xc = x - middle
    sums = np.array([np.bincount(bins, weight * v, LEVEL_BINS) for v in (np.ones(len(x)), xc, y, xc * xc, xc * y)])
    sums = sums[:, sums[0] > 0]
    k = sums.shape[1]
    if k < 3:
        return 0.0, 0.0
    w, sx, sy, sxx, sxy = sums.sum(axis=1, keepdims=True) - sums
    below = w * sxx - sx * sx
    good = below > 1e-9 * np.abs(w * sxx)
    if good.sum() < 3:
        return 0.0, 0.0
    slope = ((w * sxy - sx * sy)[good]) / below[good]
    centre = (sy[good] - slope * sx[good]) / w[good]
    factor = np.sqrt((k - 1) / k)
    return (
        float(factor * np.sqrt(((slope - slope.mean()) ** 2).sum())),
        float(factor * np.sqrt(((centre - centre.mean()) ** 2).sum())),
    )


def _held_out(x: Floats, y: Floats, weight: Floats) -> float:
    """Mean weighted squared error on stretches that the line was not fitted on.

    Short stretches are dealt out to the folds like cards, so that each fold meets the whole recording: a channel that
    moves once in a minute would otherwise be held out whole.
    """
    stretches = FOLDS * max(1, min(4, len(x) // 60))
    fold = (np.arange(len(x)) * stretches // len(x)) % FOLDS
    parts = np.array([np.bincount(fold, weight * v, FOLDS) for v in (np.ones(len(x)), x, y, x * x, x * y)])
    w, sx, sy, sxx, sxy = parts.sum(axis=1, keepdims=True) - parts
    below = w * sxx - sx * sx
    slope = np.divide(w * sxy - sx * sy, below, out=np.zeros(FOLDS), where=below > 1e-12 * np.abs(w * sxx) + 1e-300)
    offset = np.divide(sy - slope * sx, w, out=np.zeros(FOLDS), where=w > 0)
    return float(weight @ (y - slope[fold] * x - offset[fold]) ** 2 / weight.sum())


def _shape(residual: Floats, weight: Floats, rounding: float) -> tuple[float, float]:
    """Power of the shaped part of the residual, and the largest shaped residual of any stretch.

    Rounding at rest repeats itself from sample to sample; what both sides' steps explain is taken off.
    """
    root = np.sqrt(weight)
    pair = root[1:] * root[:-1]
    product = pair * residual[1:] * residual[:-1]
    power = float(product.sum() / pair.sum())
    edges = np.linspace(0, len(product), FOLDS + 1).astype(np.intp)
    worst = 0.0
    for a, b in pairwise(edges):
        if b - a > 3 and pair[a:b].sum() > 0:
            worst = max(worst, float(product[a:b].sum() / pair[a:b].sum()) - rounding)
    return max(power - rounding, 0.0), float(np.sqrt(max(worst, 0.0)))


def independent(z: Floats) -> float:
    """Number of independent samples: neighbours that repeat each other (rounding at rest) count once."""
    z = z - z.mean()
    power = float(z @ z)
    if power <= 0:
        return float(len(z))
    n, total = len(z), 1.0
    for k in range(1, min(n // 4, 400)):
        rho = float(z[k:] @ z[:-k]) / power
        if rho < 0.05:
            break
        total += 2 * rho
    return n / total
