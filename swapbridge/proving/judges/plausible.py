"""Proving room: what a signal says that no vehicle does: ranges, steps, and quantities that contradict each other.

Limits are common practice, no source; they are wide, so that what lies outside is another field, unit or byte order.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from swapbridge.core.roles import BY_NAME
from swapbridge.proving.case import Case, Track
from swapbridge.proving.judges.driving import RUNNING_RPM, engine_speed, held_at
from swapbridge.proving.judges.likeness import find_kind, in_unit
from swapbridge.proving.report.verdict import Check, check_of
from swapbridge.signalmap.model import MapMessage, MapSignal

Floats = npt.NDArray[np.float64]
ODD_SHARE = 0.02
JUMP, JUMPS = 0.35, 0.02
"""A step of so much of a signal's own range is a jump; more of them than this, and the bits are not one number."""
DISTINCT = 8
NUMBER_BITS = 7


@dataclass(frozen=True, slots=True)
class Physics:
    """What a role's quantity may be: unit, smallest, largest, largest step within 20 ms."""

    unit: str
    low: float
    high: float
    step: float


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
    "coolant_temperature": Physics("degC", -45, 150, 5),
    "oil_temperature": Physics("degC", -45, 180, 5),
    "intake_temperature": Physics("degC", -45, 150, 10),
    "ambient_temperature": Physics("degC", -45, 60, 5),
    "oil_pressure": Physics("kPa", 0, 1_200, 400),
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
                if track is not None and len(track.raw) > 10 and not (signal.counter or signal.checksum):
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
            f"{', '.join(pairs[:4])} share bits",
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
            "every recorded value is one that the map calls invalid",
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
            "and the map takes it for a value"
        )


def _physics(
    case: Case, bus: int, message: MapMessage, signal: MapSignal, track: Track, physics: Physics
) -> Iterator[str]:
    values = in_unit(case, bus, message.name, signal, track.values, physics.unit)
    if values is None:
        if signal.unit:
            yield f"measured in {signal.unit}, which is no unit of {BY_NAME[signal.role].alias.replace('_', ' ')}"
        return
    use = track.measured
    said = values[use]
    step = abs(float(signal.scale)) if find_kind(signal) != "ratio" else 0.5
    odd = (said < physics.low - step) | (said > physics.high + step)
    if odd.mean() > ODD_SHARE / 4:
        yield f"{said.min():.5g} to {said.max():.5g} {physics.unit}: possible is {physics.low:g} to {physics.high:g}"
    both = use[1:] & use[:-1]
    gaps = np.diff(track.time_s)
    near = both & (gaps < 1.0)
    room = physics.step * np.maximum(1.0, gaps / 0.02)
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
        yield f"{100 * share:.0f} % of its steps jump over a third of its range: these bits are not one number"


@dataclass(frozen=True, slots=True)
class _Series:
    label: str
    time_s: Floats
    values: Floats


def _series(case: Case, bus: int, alias: str, unit: str) -> _Series | None:
    for message, signal in case.by_role(bus, alias):
        track = case.recorded_track(bus, message, signal)
        if track is None or not track.measured.any():
            continue
        values = track.values if not unit else in_unit(case, bus, message.name, signal, track.values, unit)
        if values is not None:
            label = f"{case.names[bus]}.{message.name}.{signal.name}"
            return _Series(label, track.time_s[track.measured], values[track.measured])
    return None


def _at(series: _Series, time_s: Floats) -> Floats:
    rows = np.searchsorted(series.time_s, time_s, "right") - 1
    out: Floats = np.where(rows >= 0, series.values[np.maximum(rows, 0)], np.nan)
    return out


def _together(case: Case, bus: int) -> Iterator[Check]:
    """Quantities of one recording that must fit each other."""
    for a, b, unit, words, holds in RELATIONS:
        first, second = _series(case, bus, a, unit), _series(case, bus, b, unit)
        if first is None or second is None or len(first.time_s) < 50:
            continue
        other = _at(second, first.time_s)
        both = ~np.isnan(other)
        if both.sum() < 50:
            continue
        fine = holds(first.values[both], other[both])
        if fine is None:
            continue
        yield check_of(
            "maps",
            first.label,
            f"fits {b.replace('_', ' ')}",
            fine >= 0.8,
            f"{100 * fine:.0f} % of the time {words} ({second.label})",
            f"{words}, most of the time",
            "correct bits, scale, offset, unit or reference of one of the two in its map",
        )
    for alias in ("fuel_used", "distance"):
        found = _series(case, bus, alias, "")
        if found is None or len(np.unique(found.values)) < 5:
            continue
        steps = np.diff(found.values)
        moved = steps[steps != 0]
        rises = float((moved > 0).mean())
        yield check_of(
            "maps",
            found.label,
            "only rises",
            rises >= 0.9,
            f"{100 * rises:.0f} % of its steps go up",
            "a total rises, and falls only where it wraps",
            "correct its bits or byte order in the map",
        )
        used = _series(case, bus, alias, "mL") if alias == "fuel_used" else None
        if used is None:
            continue
        climbs = np.diff(used.values)
        rate = float(climbs[climbs > 0].sum()) / max(float(used.time_s[-1] - used.time_s[0]), 1.0)
        yield check_of(
            "maps",
            used.label,
            "possible",
            rate <= MOST_FUEL_ML_S,
            f"{rate:.3g} mL/s on the mean",
            f"at most {MOST_FUEL_ML_S:g} mL/s: no road engine burns more",
            "correct its bits, byte order or scale in the map",
        )
    yield from _at_rest(case, bus)


def _near(share: float, least: float) -> Callable[[Floats, Floats], float | None]:
    def holds(a: Floats, b: Floats) -> float | None:
        span = float(np.percentile(b, 99) - np.percentile(b, 1))
        if span <= 0:
            return None
        return float((np.abs(a - b) <= np.maximum(share * np.abs(b), max(least, 0.06 * span))).mean())

    return holds


def _at_least(a: Floats, b: Floats) -> float:
    room = 0.05 * float(np.abs(b).max())
    return float((a >= b - room).mean())


def _at_most(a: Floats, b: Floats) -> float:
    room = 0.05 * float(np.abs(b).max())
    return float((a <= b + room).mean())


RELATIONS: tuple[tuple[str, str, str, str, Callable[[Floats, Floats], float | None]], ...] = (
    ("torque_without_intervention", "actual_torque", "Nm", "about the actual torque", _near(0.15, 5.0)),
    ("requested_torque", "actual_torque", "Nm", "about the actual torque", _near(0.25, 10.0)),
    ("maximum_torque", "actual_torque", "Nm", "at least the actual torque", _at_least),
    ("minimum_torque", "actual_torque", "Nm", "at most the actual torque", _at_most),
    ("wheel_speed", "vehicle_speed", "km/h", "about the vehicle's speed", _near(0.1, 2.0)),
    ("current_gear", "target_gear", "", "the target gear", lambda a, b: float((a == b).mean())),
)
"""Role, other role, unit, words, and the share of frames in which it holds (common practice, no source)."""

MOST_FUEL_ML_S = 60.0
LAMPS = ("oil_pressure_lamp", "charge_lamp")


def _at_rest(case: Case, bus: int) -> Iterator[Check]:
    """What signals say with the engine stopped and running."""
    speed = engine_speed(case, bus)
    if speed is None:
        return
    for alias, unit, still, runs, required in (
        ("oil_pressure", "kPa", (-1.0, 60.0), (40.0, 1_200.0), "none at rest, some when running"),
        ("manifold_pressure", "kPa", (55.0, 112.0), (8.0, 450.0), "the air's own with the engine stopped"),
        ("module_voltage", "V", (8.0, 30.0), (10.0, 32.0), "a battery's"),
        ("actual_torque", "Nm", (-150.0, 60.0), (-800.0, 3_500.0), "about none with the engine stopped"),
        ("coolant_temperature", "degC", (-45.0, 125.0), (-45.0, 125.0), "no more than a healthy engine's"),
        ("oil_temperature", "degC", (-45.0, 150.0), (-45.0, 150.0), "no more than a healthy engine's"),
    ):
        found = _series(case, bus, alias, unit)
        if found is None:
            continue
        rpm = held_at(speed, found.time_s)
        wrong = []
        for words, rows, (low, high) in (("stopped", rpm < 20, still), ("running", rpm > RUNNING_RPM, runs)):
            mine = found.values[rows]
            if len(mine) > 20 and not low <= float(np.median(mine)) <= high:
                wrong.append(f"{np.median(mine):.4g} {unit} with the engine {words}")
        yield check_of(
            "maps",
            found.label,
            "fits the engine's state",
            not wrong,
            "; ".join(wrong) or "as it should be",
            required,
            "correct bits, scale, offset or unit in the map",
        )
    for alias in LAMPS:
        found = _series(case, bus, alias, "")
        if found is None or len(np.unique(found.values)) < 1:
            continue
        rpm = held_at(speed, found.time_s)
        soon = held_at(speed, found.time_s - 3.0)
        at_rest = found.values[(rpm < 20) & (held_at(speed, found.time_s + 1.0) < 20)]
        if len(at_rest) > 20:
            share = float((at_rest > 0).mean())
            yield check_of(
                "maps",
                found.label,
                "lit at rest",
                share >= 0.3,
                f"lit {100 * share:.0f} % of the time that the engine stands",
                "lit with the key on and the engine stopped",
                "correct its bit in the map",
            )
        lit_running = found.values[(rpm > RUNNING_RPM) & (soon > RUNNING_RPM)]
        if len(lit_running) > 20:
            share = float((lit_running > 0).mean())
            yield check_of(
                "maps",
                found.label,
                "fits the engine's state",
                share < 0.5,
                f"lit {100 * share:.0f} % of the time that the engine runs",
                "dark while a healthy engine runs",
                "correct its bit in the map; a lamp that is lit at 0 needs choices that say so",
            )
