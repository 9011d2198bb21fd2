"""Proving room: finds values that no vehicle reaches: ranges, steps, and quantities that contradict each other.

Limits are common practice, no source; they are wide, so that what lies outside is another field, unit or byte order.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from swapbridge.core.roles import BY_NAME
from swapbridge.proving.case import Case, Track
from swapbridge.proving.judges.maps.likeness import find_kind, unit_values
from swapbridge.proving.verdict import Check, check_of
from swapbridge.signalmap.signal_map import MapMessage, MapSignal

Floats = npt.NDArray[np.float64]
Holds = Callable[[Floats, Floats], "npt.NDArray[np.bool_] | None"]
LEAST_PART = 0.1
"""A relation must hold in each part of the range this often, however long the engine idled."""
ODD_SHARE = 0.02
JUMP, JUMPS = 0.35, 0.02
"""A step of so much of a signal's own range is a jump; more of them than this, and the bits are not one number."""
DISTINCT = 8
WRAP = 0.7
NUMBER_BITS = 7
FEWEST = 3
"""What is said once after waking is recorded a few times only."""
BESIDE_STEPS, BESIDE_SHARE, FEWEST_ENTRIES = 2, 0.05, 3
"""A code that says 'invalid' stands apart: one so near the values before and after it, so often, is another value."""


@dataclass(frozen=True, slots=True)
class Physics:
    """What a role's quantity may be: unit, smallest, largest, largest step within 20 ms, or at first and a second."""

    unit: str
    low: float
    high: float
    step: float
    a_second: float | None = None


PHYSICS: dict[str, Physics] = {
    "engine_speed": Physics("rpm", 0, 12_000, 1_000),
    "turbine_speed": Physics("rpm", 0, 12_000, 2_000),
    "vehicle_speed": Physics("km/h", 0, 350, 15),
    "wheel_speed": Physics("km/h", 0, 350, 40),
    "actual_torque": Physics("Nm", -800, 3_500, 1_500),
    "requested_torque": Physics("Nm", -800, 3_500, 3_000),
    "torque_without_intervention": Physics("Nm", -800, 3_500, 1_500),
    "maximum_torque": Physics("Nm", -100, 4_000, 2_000),
    "minimum_torque": Physics("Nm", -1_000, 500, 1_500),
    "friction_torque": Physics("Nm", -400, 400, 300),
    "reference_torque": Physics("Nm", 30, 6_000, 6_000),
    "coolant_temperature": Physics("degC", -45, 150, 5, 5),
    "oil_temperature": Physics("degC", -45, 180, 5, 5),
    "intake_temperature": Physics("degC", -45, 150, 10, 5),
    "ambient_temperature": Physics("degC", -45, 60, 5, 5),
    "oil_pressure": Physics("kPa", 0, 950, 400),
    "manifold_pressure": Physics("kPa", 5, 450, 120),
    "module_voltage": Physics("V", 4, 36, 8),
    "pedal_position": Physics("%", 0, 105, 60),
    "throttle_position": Physics("%", 0, 105, 80),
    "engine_load": Physics("%", 0, 150, 100),
    "fuel_level": Physics("%", 0, 105, 30),
}


def judge_plausible(case: Case) -> list[Check]:
    """One check a heard or sent signal that measures something; more where two contradict each other."""
    out: list[Check] = []
    sent = {(s.bus, s.word) for s in case.plan.sends if s.request is None}
    for number, bus in enumerate(case.names):
        heard = {m.word for n, m in case.heard if n == number}
        for message in case.maps[bus].messages:
            if message.word not in heard and (number, message.word) not in sent:
                continue
            out += _overlap(bus, message)
            for signal in message.signals:
                track = case.recorded_track(number, message, signal)
                if track is not None and len(track.raw) >= FEWEST and not (signal.counter or signal.checksum):
                    out += _one(case, number, message, signal, track)
        out += _together(case, number)
    return out


def _overlap(bus: str, message: MapMessage) -> Iterator[Check]:
    """Bits that two signals of one page both claim."""
    pairs = []
    for i, a in enumerate(message.signals):
        for b in message.signals[i + 1 :]:
            apart = a.mux_values and b.mux_values and not set(a.mux_values) & set(b.mux_values)
            if not apart and set(a.layout.positions) & set(b.layout.positions):
                pairs.append(f"{a.name} and {b.name}")
    if pairs:
        yield check_of(
            "maps",
            f"{bus}.{message.name}",
            "each bit in one signal",
            False,
            f"{', '.join(pairs)} share bits",
            "signals of one frame that do not overlap",
            "correct start bit, length or byte order of one of them in the map",
        )


def _one(case: Case, bus: int, message: MapMessage, signal: MapSignal, track: Track) -> Iterator[Check]:
    label = f"{case.names[bus]}.{message.name}.{signal.name}"
    use = track.measured
    number = signal.layout.length >= NUMBER_BITS and not signal.choices
    if not use.any():
        yield check_of(
            "maps",
            label,
            "measurements",
            False,
            "the map calls every recorded value invalid",
            "measurements",
            "correct the codes that say 'not available' or error in the map",
            otherwise="unproved",
        )
        return
    wrong: list[str] = []
    raw, values = track.raw[use], track.values[use]
    if signal.minimum is not None and signal.maximum is not None and number:
        low, high = float(signal.minimum), float(signal.maximum)
        slack = abs(float(signal.scale))
        share = float(((values < low - slack) | (values > high + slack)).mean())
        if share > ODD_SHARE:
            wrong.append(f"{100 * share:.0f} % outside its own range of {low:g} to {high:g} {signal.unit}".rstrip())
    if number:
        wrong += _codes(signal, raw)
    physics = PHYSICS.get(BY_NAME[signal.role].alias) if signal.role in BY_NAME else None
    if physics is not None:
        wrong += _physics(case, bus, message, signal, track, physics)
    if number and (signal.unit or physics is not None):
        wrong += _jumps(raw)
    if number and physics is not None:
        wrong += _wraps(track)
    if number and (code := _reached(track)) is not None:
        yield check_of(
            "maps",
            label,
            "codes stand apart",
            False,
            f"raw {code} counts as invalid, and its values walk into it and out of it in their usual steps",
            "a code that says 'invalid' far from what is measured before and after it",
            "take that code out of its 'not available' or error codes in the map: it is a measurement",
            otherwise="unproved",
        )
    if number and (signal.unit or physics is not None or wrong):
        yield check_of(
            "maps",
            label,
            "possible",
            not wrong,
            "; ".join(wrong) or f"{values.min():.5g} to {values.max():.5g} {signal.unit}".rstrip(),
            "values and steps that a vehicle can make",
            "correct its bits, byte order, sign, scale, offset, unit or invalid codes in the map",
        )


def _codes(signal: MapSignal, raw: npt.NDArray[np.int64]) -> Iterator[str]:
    """The top code, far above all else, seen as a value."""
    top = signal.layout.raw_range[1]
    at_top = raw == top
    if not at_top.any() or at_top.all() or signal.layout.length < 8:
        return
    rest = raw[~at_top]
    if top - rest.max() > max(0.25 * (rest.max() - rest.min()), 0.05 * top) and at_top.mean() < 0.9:
        yield (
            f"raw {top} (all ones) in {int(at_top.sum()):,} frames and nothing near it: it looks like 'not available', "
            "and the map treats it as a value"
        )


def _reached(track: Track) -> int | None:
    """An 'invalid' code that measurements reach step by step, as oil pressure does 0; None where all stand apart."""
    raw, use = track.raw, track.measured
    low, high = np.percentile(raw[use], [1, 99])
    near = max(BESIDE_STEPS, BESIDE_SHARE * float(high - low))
    edges = np.flatnonzero((use[1:] != use[:-1]) & (np.diff(track.time_s) < 1.0))
    codes = np.where(use[edges], raw[edges + 1], raw[edges])
    steps = np.abs(raw[edges + 1] - raw[edges])
    for code in np.unique(codes).tolist():
        mine = steps[codes == code]
        if len(mine) >= FEWEST_ENTRIES and np.median(mine) <= near:
            return int(code)
    return None


def _physics(
    case: Case, bus: int, message: MapMessage, signal: MapSignal, track: Track, physics: Physics
) -> Iterator[str]:
    values = unit_values(case, bus, message.name, signal, track.values, physics.unit)
    if values is None:
        if signal.unit:
            yield f"measured in {signal.unit}, which is not a unit of {BY_NAME[signal.role].alias.replace('_', ' ')}"
        return
    use = track.measured
    used = values[use]
    step = abs(float(signal.scale)) if find_kind(signal) != "ratio" else 0.5
    odd = (used < physics.low - step) | (used > physics.high + step)
    if odd.mean() > ODD_SHARE / 4:
        yield f"{used.min():.5g} to {used.max():.5g} {physics.unit}: possible is {physics.low:g} to {physics.high:g}"
    both = use[1:] & use[:-1]
    gaps = np.diff(track.time_s)
    near = both & (gaps < 1.0)
    room = physics.step * np.maximum(1.0, gaps / 0.02)
    if physics.a_second is not None:
        room = physics.step + physics.a_second * gaps
    jumps = np.abs(np.diff(values))[near] > room[near]
    if len(jumps) and jumps.sum() > max(2, 0.001 * len(jumps)):
        most = float(np.abs(np.diff(values))[near].max())
        yield f"{int(jumps.sum()):,} steps of up to {most:.5g} {physics.unit} between frames: no vehicle does that"


def _jumps(raw: npt.NDArray[np.int64]) -> Iterator[str]:
    """A field cut wrongly jumps all over its range; a measurement walks."""
    low, high = np.percentile(raw, [1, 99])
    if high <= low or len(np.unique(raw)) < DISTINCT:
        return
    steps = np.abs(np.diff(raw)) / (high - low)
    share = float((steps > JUMP).mean())
    moving = float((steps > 0).mean())
    if share > JUMPS and share > 0.15 * moving:
        yield f"{100 * share:.0f} % of its steps cross a third of its range: these bits are not one number"


def _wraps(track: Track) -> Iterator[str]:
    """From one end of what its bits can say to the other within 25 ms: a bit is missing at the top."""
    length = track.signal.layout.length
    both = track.measured[1:] & track.measured[:-1] & (np.diff(track.time_s) < 0.025)
    wraps = int((both & (np.abs(np.diff(track.raw)) > WRAP * (1 << length))).sum())
    if wraps > 1:
        yield f"{wraps:,} steps from one end of its {length} bits to the other: a bit is missing at the top"


@dataclass(frozen=True, slots=True)
class Series:
    """A quantity of one recording in one unit, its measurements only."""

    label: str
    time_s: Floats
    values: Floats


def series_of(case: Case, bus: int, alias: str, unit: str) -> Series | None:
    for message, signal in case.by_role(bus, alias):
        track = case.recorded_track(bus, message, signal)
        if track is None or not track.measured.any():
            continue
        values = track.values if not unit else unit_values(case, bus, message.name, signal, track.values, unit)
        if values is not None:
            label = f"{case.names[bus]}.{message.name}.{signal.name}"
            return Series(label, track.time_s[track.measured], values[track.measured])
    return None


def at_times(series: Series, time_s: Floats) -> Floats:
    rows = np.searchsorted(series.time_s, time_s, "right") - 1
    out: Floats = np.where(rows >= 0, series.values[np.maximum(rows, 0)], np.nan)
    return out


def _together(case: Case, bus: int) -> Iterator[Check]:
    """Quantities of one recording that must fit each other."""
    for a, b, unit, words, holds in RELATIONS:
        first, second = series_of(case, bus, a, unit), series_of(case, bus, b, unit)
        if first is None or second is None or len(first.time_s) < 50:
            continue
        other = at_times(second, first.time_s)
        both = ~np.isnan(other)
        if both.sum() < 50:
            continue
        held = holds(first.values[both], other[both])
        if held is None:
            continue
        fine, least = float(held.mean()), _least_part(held, other[both])
        yield check_of(
            "maps",
            first.label,
            f"fits {b.replace('_', ' ')}",
            fine >= 0.8 and least >= LEAST_PART,
            f"{100 * fine:.0f} % of the time {words} ({second.label})"
            + (f", {100 * least:.0f} % in one part of the range" if least < LEAST_PART else ""),
            f"{words}, most of the time",
            "correct the bits, scale, offset, unit or reference of one of the two in its map",
        )


def _least_part(held: npt.NDArray[np.bool_], values: Floats) -> float:
    """The share in the fifth of a range where it is least: what holds at idle need not hold at full load."""
    low, high = float(values.min()), float(values.max())
    if high <= low:
        return float(held.mean())
    parts = ((values - low) / (high - low) * 5).astype(int).clip(0, 4)
    shares = [float(held[parts == p].mean()) for p in range(5) if (parts == p).sum() >= 50]
    return min(shares, default=float(held.mean()))


def _near(share: float, least: float) -> Holds:
    def holds(a: Floats, b: Floats) -> npt.NDArray[np.bool_] | None:
        span = float(np.percentile(b, 99) - np.percentile(b, 1))
        if span <= 0:
            return None
        near: npt.NDArray[np.bool_] = np.abs(a - b) <= np.maximum(share * np.abs(b), max(least, 0.06 * span))
        return near

    return holds


def _at_least(a: Floats, b: Floats) -> npt.NDArray[np.bool_]:
    return np.greater_equal(a, b - 0.05 * float(np.abs(b).max()))


def _at_most(a: Floats, b: Floats) -> npt.NDArray[np.bool_]:
    return np.less_equal(a, b + 0.05 * float(np.abs(b).max()))


RELATIONS: tuple[tuple[str, str, str, str, Holds], ...] = (
    ("torque_without_intervention", "actual_torque", "Nm", "about the actual torque", _near(0.15, 5.0)),
    ("requested_torque", "actual_torque", "Nm", "about the actual torque", _near(0.25, 10.0)),
    ("maximum_torque", "actual_torque", "Nm", "at least the actual torque", _at_least),
    ("minimum_torque", "actual_torque", "Nm", "at most the actual torque", _at_most),
    ("wheel_speed", "vehicle_speed", "km/h", "about the vehicle's speed", _near(0.1, 2.0)),
    ("current_gear", "target_gear", "", "the target gear", np.equal),
)
"""Role, other role, unit, words, and the share of frames in which it holds (common practice, no source)."""
