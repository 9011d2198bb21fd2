"""Proving room: compares a signal with what was measured or switched: lag, scale, offset, and the likely cause."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from swapbridge.capture.stimulus import Channel
from swapbridge.core.errors import InputError
from swapbridge.core.units import find_unit
from swapbridge.core.vocabulary import ON_WORDS, plain
from swapbridge.language.bridge_file import Written
from swapbridge.language.constants import constant
from swapbridge.proving.case import Case, Track
from swapbridge.signalmap.signal_map import MapSignal

Floats = npt.NDArray[np.float64]
LAGS_S = tuple(0.02 * n for n in range(26))
"""A scan tool's answer lags 10 to 300 ms (common practice, no source); a slow message adds its period."""
WINDOW_S = 0.12
"""A value counts as said when the signal took it this near to the moment: a scan tool's own clock is no better."""
SPAN_SHARE = 0.03
SPEED_SHARE = 0.04
"""Speeds of a scan tool and of wheels agree no better (tyres and instruments; common practice, no source)."""
ALONG, SCALE_SHARE = 0.99, 0.04
"""With a correlation r a fitted scale is too low by 1 - r * r at most, and one written with two digits is 2 % off; for
speeds tyres and instruments add error. Readings that stand at two values only (a battery at rest, and charged) are
each rounded one way, at most by half a step; of many values rounding is averaged."""
FEWEST, FEWEST_STEPS = 20, 6
LEAST_RIGHT = 0.75
FACTORS: tuple[tuple[float, str], ...] = (
    (1.609344, "mph sent as km/h"),
    (1 / 1.609344, "km/h sent as mph"),
    (1.8, "degrees Fahrenheit and Celsius mixed"),
    (1 / 1.8, "degrees Fahrenheit and Celsius mixed"),
    (6.894757, "psi and kPa mixed"),
    (1 / 6.894757, "psi and kPa mixed"),
    (100.0, "bar and kPa mixed"),
    (0.01, "bar and kPa mixed"),
    (1.355818, "lbf ft and Nm mixed"),
    (1 / 1.355818, "lbf ft and Nm mixed"),
    (-1.0, "the sign is reversed"),
)


@dataclass(frozen=True, slots=True)
class Likeness:
    """A track beside measured values.

    Attributes
    ----------
    right : float
        Share of the measured values that the track said at their time, one lag for all.
    slope, offset : float
        Measured = slope * track + offset, fitted.
    correlation : float
        At the best lag.
    lag_s : float
    samples : int
    span : float
        How far the measured values reach.
    rounding : float
        What rounding of the readings may do to the slope.
    """

    right: float
    slope: float
    offset: float
    correlation: float
    lag_s: float
    samples: int
    span: float
    rounding: float = 0.0

    def same_scale(self, kind: str) -> bool:
        """Whether the scale is right as far as readings show: many readings of a low value agree with a wrong one."""
        room = self.rounding + (max(SCALE_SHARE, 2 * SPEED_SHARE) if kind == "speed" else SCALE_SHARE)
        return self.correlation < ALONG or 1 / (1 + room) <= self.slope <= 1 + room

    def cause(self) -> str:
        """What the difference looks like."""
        if self.correlation < 0.6:
            if self.correlation < -0.6:
                return "the sign is reversed"
            return "another quantity, or a wrong start bit, length or byte order"
        for factor, words in FACTORS:
            if abs(self.slope / factor - 1) < 0.04:
                return f"scale: {words}"
        if abs(self.slope - 1) > 0.04:
            return f"scale: {self.slope:.3g} of the right one"
        if abs(self.offset) > 0.03 * self.span:
            return f"offset: {self.offset:+.3g} is missing"
        return "delay, clipping, or a few bits of another field"


def says_on(signal: MapSignal, raw: int) -> bool:
    """Whether a raw value of a lamp or switch means 'on': by its name, where the map names it."""
    return plain(signal.choices.get(raw, "on" if raw else "off")) in ON_WORDS


def beside(
    time_s: Floats, measured: Floats, track: Track, values: Floats, use: npt.NDArray[np.bool_]
) -> Likeness | None:
    """Compare a track with measured values.

    Parameters
    ----------
    time_s, measured : (N,) float64
        Times in s and the measured values.
    track : Track
        The signal of the map that is compared.
    values : (M,) float64
        The track's values at the track's own times.
    use : (M,) bool
        Which of them to compare.

    Returns
    -------
    Likeness or None
        None where there are too few rows, or where nothing moved.
    """
    times, used = track.time_s[use], values[use]
    if len(times) < FEWEST or len(time_s) < FEWEST:
        return None
    inside = (time_s > times[0] + LAGS_S[-1]) & (time_s < times[-1])
    rows = np.searchsorted(times, time_s, "right") - 1
    inside &= (rows >= 0) & (time_s - times[np.maximum(rows, 0)] < 1.0)
    time_s, measured = time_s[inside], measured[inside]
    if len(time_s) < FEWEST:
        return None
    low, high = np.percentile(measured, [1, 99])
    span = float(high - low)
    distinct = np.unique(measured)
    grain = float(np.median(np.diff(distinct))) if len(distinct) > 1 else 0.0
    if len(distinct) < FEWEST_STEPS or span <= 0:
        return None
    best_lag, best = 0.0, -2.0
    for lag in LAGS_S:
        then = used[np.maximum(np.searchsorted(times, time_s - lag, "right") - 1, 0)]
        if then.std() == 0:
            continue
        found = float(np.corrcoef(then, measured)[0, 1])
        if abs(found) > best:
            best, best_lag = abs(found), lag
    then = used[np.maximum(np.searchsorted(times, time_s - best_lag, "right") - 1, 0)]
    if then.std() == 0:
        return Likeness(0.0, 0.0, float(np.median(measured)), 0.0, 0.0, len(time_s), span)
    correlation = float(np.corrcoef(then, measured)[0, 1])
    step = abs(float(track.signal.scale))
    digit = float(np.diff(np.unique(np.round(measured / span, 6))).min()) * span  # readings are written in such steps
    slope, offset = _line(then, measured, (digit + step) / 2)
    shares_of = np.unique(measured, return_counts=True)[1] / len(measured)
    rounding = digit / span * float(np.sqrt((shares_of**2).sum()))
    tolerance = SPAN_SHARE * span + min(grain, 0.05 * span) + min(step, 0.05 * span)
    a = np.searchsorted(times, time_s - best_lag - WINDOW_S, "left")
    b = np.maximum(np.searchsorted(times, time_s - best_lag + WINDOW_S, "right"), a + 1)
    a = np.maximum(a - 1, 0)
    lowest = np.array([used[i:j].min() for i, j in zip(a.tolist(), b.tolist(), strict=True)])
    highest = np.array([used[i:j].max() for i, j in zip(a.tolist(), b.tolist(), strict=True)])
    room = tolerance + (SPEED_SHARE * np.abs(measured) if find_kind(track.signal) == "speed" else 0.0)
    right = (measured >= lowest - room) & (measured <= highest + room)
    # each part of the range counts alike, so that a long idle does not hide what happens above it
    parts = np.clip(((measured - low) / span * 5).astype(int), 0, 4)
    shares = [float(right[parts == p].mean()) for p in range(5) if (parts == p).sum() >= 5] or [float(right.mean())]
    return Likeness(float(np.mean(shares)), slope, offset, correlation, best_lag, len(time_s), span, rounding)


def _line(x: Floats, y: Floats, near: float) -> tuple[float, float]:
    """Least squares, fitted again without what lies far off; never without what is as near as readings are rounded."""
    keep = np.ones(len(x), bool)
    slope = offset = 0.0
    for _ in range(3):
        if np.ptp(x[keep]) == 0:
            break
        slope, offset = (float(v) for v in np.polyfit(x[keep], y[keep], 1))
        off = np.abs(y - slope * x - offset)
        keep = off <= max(3 * float(np.median(off[keep])), near)
    return slope, offset


def find_kind(signal: MapSignal) -> str:
    """Kind of a signal's unit, "" where it is unknown."""
    try:
        return find_unit(signal.unit).kind
    except InputError:
        return ""


def unit_values(case: Case, bus: int, message: str, signal: MapSignal, values: Floats, unit: str) -> Floats | None:
    """A signal's physical values in another unit; a percentage of a torque in Nm; None where that can't be."""
    text = signal.unit
    options = next((o for o in case.bridge.sources if o.message.text == f"{case.names[bus]}.{message}"), None)
    own = options.signals.get(signal.name) if options is not None else None
    if own is not None and own.unit is not None:
        text = own.unit
    try:
        mine, wanted = find_unit(text, case.bridge.units), find_unit(unit)
        if mine.kind == "ratio" and wanted.kind == "torque":
            whole = reference_nm(case, bus, message, signal)
            return None if whole is None else values * float(mine.factor) * whole / float(wanted.factor)
        scale, shift = mine.conversion(wanted)
    except InputError:
        return None
    return values * float(scale) + float(shift)


def reference_nm(case: Case, bus: int, message: str, signal: MapSignal) -> float | None:
    """What 100 % of a percent torque is, in Nm."""
    place = f"{case.names[bus]}.{message}"
    options = next((o for o in case.bridge.sources if o.message.text == place), None)
    own = options.signals.get(signal.name) if options is not None else None
    stated = own.reference if own is not None and own.reference is not None else None
    made = next(
        (m for m in case.made if m.bus == bus and m.message.name == message and m.signal.name == signal.name), None
    )
    if made is not None and made.rule.reference is not None:
        stated = made.rule.reference
    text = stated.text if stated is not None else signal.reference
    if not text:
        return None
    try:
        value, unit = constant(case.bridge, Written(text))
        return float(unit.convert(Fraction(value), find_unit("Nm")))
    except InputError:
        pass
    names = text.split(".")
    found = case.track_of((names[0], names[1], names[2])) if len(names) == 3 else None
    if len(names) == 2:
        found = case.track_of((case.names[bus], names[0], names[1]))
    if found is None or not found.measured.any():
        return None
    return float(np.median(found.values[found.measured]))


@dataclass(frozen=True, slots=True)
class Switching:
    """Which raw value a signal takes at each word or state of a switched channel, and how well that holds (0 to 1)."""

    value_at: dict[float, int]
    right: float


def switched(channel: Channel, track: Track, value_at: dict[float, int] | None = None) -> Switching | None:
    """How a signal of few values goes with a switch; with `value_at`, how well that table holds."""
    times = channel.time_s
    if len(times) < 2:
        return None
    rows = np.searchsorted(times, track.time_s, "right") - 1
    near = np.searchsorted(times, track.time_s - 0.4, "right") - 1
    soon = np.minimum(np.searchsorted(times, track.time_s + 0.4, "right") - 1, len(times) - 1)
    steady = (rows >= 0) & (near == rows) & (soon == rows)
    if not steady.any():
        return None
    at = np.where(rows >= 0, channel.value[np.maximum(rows, 0)], np.nan)
    table, shares = {}, []
    for state in np.unique(at[steady]).tolist():
        mine = track.raw[steady & (at == state)]
        if len(mine) < 5:
            continue
        values, counts = np.unique(mine, return_counts=True)
        if value_at is None:
            table[state] = int(values[counts.argmax()])
            shares.append(float(counts.max() / len(mine)))
        elif state in value_at:
            table[state] = value_at[state]
            shares.append(float((mine == value_at[state]).mean()))
    if len(table) < 2 or (value_at is None and len(set(table.values())) < 2):
        return None
    return Switching(table, float(np.min(shares)))
