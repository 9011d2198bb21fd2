"""Guessing room: series and channels on one time axis: sampling a field where a scan tool looked, and lag.

A scan tool's answer is late: a channel's value at time t is the vehicle's at ``t - lag``. So fields are sampled at the
channel's own times, less the lag; the channel's values are never resampled.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from swapbridge.capture.stimulus import Channel

Floats = npt.NDArray[np.float64]

LAGS_S: Floats = np.round(np.arange(0.0, 1.0001, 0.04), 3)
"""Coarse lags that are tried, in seconds: a scan tool lags 10 to 300 ms (common practice), a slow one to a second."""
TOOL_JITTER_S = 0.012
"""How much a scan tool's own delay wanders from answer to answer: what a value that moves fast may be off by."""
COARSE_SAMPLES = 700
"""Samples that are enough to find a lag coarsely."""
FEW_LEVELS = 8
"""A channel of so few levels steps; what looks like noise in it is its steps."""
MOST_SAMPLES = 6000
"""A longer channel is thinned to about this many samples: more add nothing to a fit of two numbers."""


@dataclass(frozen=True, slots=True)
class FieldSeries:
    """Raw values of some fields that stand in the same frames.

    Attributes
    ----------
    time_s : (N,) float64
        Seconds, ascending.
    raw : (F, N) float64
        Raw values, one row a field.
    period_s : float
        Median time between frames.
    good : (F, N) bool or None
        False where the field says 'not available' (its raw value is then the one before); None where it never does.
    """

    time_s: Floats
    raw: Floats
    period_s: float
    good: npt.NDArray[np.bool_] | None = None


@dataclass(frozen=True, slots=True)
class PreparedChannel:
    """A stimulus channel made ready for comparing.

    Attributes
    ----------
    name, unit, texts
        As in the stimulus file.
    time_s, value : (N,) float64
        Samples, ascending in time.
    speed : (N,) float64
        Absolute slope of the value, a second, with the noise taken off.
    quantum : float
        The channel's own step (resolution).
    noise : float
        Standard deviation of the channel's own noise, quantisation included: an upper bound, from its second
        differences.
    spread : float
        Standard deviation of the value.
    moves : float
        How many times the value went the length of its range, up or down, wiggles left out: about 1 for one ramp.
    steps : int
        Number of samples at which the value left the band of one quantum it was in.
    memory_s : float
        Autocorrelation time: shifts shorter than this are not independent.
    """

    name: str
    unit: str
    texts: tuple[str, ...]
    time_s: Floats
    value: Floats
    speed: Floats
    quantum: float
    noise: float
    spread: float
    moves: float
    steps: int
    memory_s: float

    @property
    def is_text(self) -> bool:
        return bool(self.texts)

    @property
    def is_switch(self) -> bool:
        """Numeric with two values only."""
        return not self.texts and len(np.unique(self.value)) == 2


def prepare(channel: Channel) -> PreparedChannel:
    """Measure a channel itself: noise, step, movement, memory."""
    order = np.argsort(channel.time_s, kind="stable")
    time = np.asarray(channel.time_s, np.float64)[order]
    value = np.asarray(channel.value, np.float64)[order]
    good = np.isfinite(time) & np.isfinite(value)
    time, value = time[good], value[good]
    if len(time) > MOST_SAMPLES and not channel.texts:
        keep = np.linspace(0, len(time) - 1, MOST_SAMPLES).astype(np.intp)
        time, value = time[keep], value[keep]
    quantum = _quantum(value)
    spread = float(value.std()) if len(value) else 0.0
    noise = _noise(value, quantum)
    moves, steps = _movement(value, max(0.1 * float(np.ptp(value)), 3 * noise) if len(value) else 0.0, quantum, noise)
    return PreparedChannel(
        channel.name,
        channel.unit,
        tuple(channel.texts),
        time,
        value,
        _speed(time, value, noise),
        quantum,
        noise,
        spread,
        moves,
        steps,
        _memory(time, value),
    )


def _quantum(value: Floats) -> float:
    levels = np.unique(value)
    if len(levels) < 2:
        return 0.0
    gaps = np.diff(levels)
    return float(np.percentile(gaps, 10))


def _noise(value: Floats, quantum: float) -> float:
    """Robust noise from second differences where the channel isn't at rest; never below what rounding gives."""
    floor = quantum / np.sqrt(12)
    if len(value) < 8 or len(np.unique(value)) <= FEW_LEVELS:
        return float(floor)
    second = np.abs(value[1:-1] - (value[2:] + value[:-2]) / 2) / np.sqrt(1.5)
    moving = second[(value[1:-1] != value[2:]) | (value[1:-1] != value[:-2])]
    if len(moving) < max(8, len(value) // 20):
        return float(floor)
    return float(max(1.4826 * np.median(moving), floor))


def _speed(time: Floats, value: Floats, noise: float) -> Floats:
    if len(time) < 3:
        return np.zeros(len(time))
    rise = np.zeros(len(time))
    rise[1:-1] = np.maximum(
        np.abs(value[2:] - value[1:-1]) / np.maximum(time[2:] - time[1:-1], 1e-3),
        np.abs(value[1:-1] - value[:-2]) / np.maximum(time[1:-1] - time[:-2], 1e-3),
    )
    rise[0], rise[-1] = rise[1], rise[-2]
    step = np.median(np.diff(time))
    return np.asarray(np.maximum(rise - 2.5 * noise / max(float(step), 1e-3), 0.0))


def _movement(value: Floats, band: float, quantum: float, noise: float) -> tuple[float, int]:
    """Travel over range with wiggles below `band` left out, and steps of more than a quantum."""
    if len(value) < 2 or np.ptp(value) <= 0:
        return 0.0, 0
    return _travel(value, band) / float(np.ptp(value)), _crossings(value, max(0.75 * quantum, 2.5 * noise))


def _travel(value: Floats, band: float) -> float:
    anchor, travel = float(value[0]), 0.0
    low = high = anchor
    direction = 0
    for v in value.tolist():
        if direction >= 0 and v > high:
            high = v
        if direction <= 0 and v < low:
            low = v
        if direction >= 0 and high - v > band:
            travel += high - anchor
            anchor, low, direction = high, v, -1
        elif direction <= 0 and v - low > band:
            travel += anchor - low
            anchor, high, direction = low, v, 1
    return travel + (high - anchor if direction >= 0 else anchor - low)


def _crossings(value: Floats, band: float) -> int:
    count, held = 0, float(value[0])
    for v in value.tolist():
        if abs(v - held) >= band:
            count, held = count + 1, v
    return count


def _memory(time: Floats, value: Floats) -> float:
    """Seconds until the autocorrelation falls under 0.2."""
    if len(value) < 8 or np.ptp(value) <= 0:
        return 0.0
    x = value - value.mean()
    n = len(x)
    power = np.abs(np.fft.rfft(x, 2 * n)) ** 2
    acf = np.fft.irfft(power)[:n]
    below = np.flatnonzero(acf < 0.2 * acf[0])
    lag = int(below[0]) if len(below) else n
    return float(lag * np.median(np.diff(time)))


def sample(series_time: Floats, raw: Floats, at: Floats, *, hold: bool) -> Floats:
    """Fields at given times: the last frame's value (`hold`), or a straight line between frames.

    Parameters
    ----------
    series_time : (N,) float64
        Times of the frames.
    raw : (F, N) or (N,) float64
        Values.
    at : (M,) float64
        Where to look.
    hold : bool
        True for flags and enumerations.

    Returns
    -------
    (F, M) or (M,) float64
        Times outside the frames' span give the nearest frame's value; see `inside_recording`.
    """
    i = np.clip(np.searchsorted(series_time, at, side="right") - 1, 0, len(series_time) - 1)
    if hold or len(series_time) < 2:
        return np.asarray(raw[..., i], np.float64)
    j = np.minimum(i + 1, len(series_time) - 1)
    gap = series_time[j] - series_time[i]
    share = np.clip(np.divide(at - series_time[i], gap, out=np.zeros_like(at), where=gap > 0), 0.0, 1.0)
    before = raw[..., i]
    return np.asarray(before + (raw[..., j] - before) * share, np.float64)


def inside_recording(series: FieldSeries, at: Floats) -> npt.NDArray[np.bool_]:
    """Where a time has a frame close enough before and after it to say what the field was."""
    time = series.time_s
    patience = max(4 * series.period_s, 0.25)
    i = np.searchsorted(time, at, side="right") - 1
    ok = (i >= 0) & (at <= time[-1] + patience)
    at_i = np.clip(i, 0, len(time) - 1)
    ok &= at - time[at_i] <= patience
    return np.asarray(ok)


def coarse_match(series: FieldSeries, target: PreparedChannel, *, hold: bool = False) -> tuple[Floats, Floats]:
    """Best squared correlation over the coarse lags of every field with a numeric channel.

    Returns
    -------
    r2, lag_s : (F,) float64
        Best squared correlation of each field and the lag it stands at.
    """
    fields = len(series.raw)
    best, lag_of, cost = np.zeros(fields), np.zeros(fields), np.full(fields, np.inf)
    thin = max(1, len(target.time_s) // COARSE_SAMPLES)
    time, value = target.time_s[::thin], target.value[::thin]
    for lag in LAGS_S:
        at = time - lag
        ok = inside_recording(series, at)
        if ok.sum() < 12:
            continue
        x = sample(series.time_s, series.raw, at[ok], hold=hold)
        r2 = _squared_correlation(x, value[ok])
        best = np.maximum(best, r2)
        spent = (1 - r2 + 1e-6) * (1 + float(strange_lag(np.array([lag]))[0]) * 4 / max(target.steps, 1))
        better = spent < cost
        cost[better], lag_of[better] = spent[better], lag
    return best, lag_of


def strange_lag(lag_s: Floats) -> Floats:
    """How far a lag is from the usual, in squared standard deviations: decides only where the data can't."""
    return np.asarray(((lag_s - 0.2) / 0.25) ** 2)


def _squared_correlation(x: Floats, y: Floats) -> Floats:
    xc = x - x.mean(axis=1, keepdims=True)
    yc = y - y.mean()
    xx, yy = (xc * xc).sum(axis=1), float(yc @ yc)
    xy = xc @ yc
    return np.asarray(np.divide(xy * xy, xx * yy, out=np.zeros(len(x)), where=(xx > 0) & (yy > 0)))
