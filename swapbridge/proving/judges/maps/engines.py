"""Proving room: compares the two engines and the gearbox: what one can take and what the other demands.

Figures come from the recordings and from the engine health sheet; limits are common practice, no source. A gearbox
that shifts above the new engine's end, or torque that is only capped in what is reported, breaks things however right
every frame is.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from swapbridge.core.engine_health import Gearbox, HealthSheet
from swapbridge.core.errors import InputError
from swapbridge.core.units import find_unit
from swapbridge.language.bridge_file import Written
from swapbridge.language.constants import constant
from swapbridge.language.expressions import Call, Name, Node, Number
from swapbridge.proving.case import Case, SentSignal
from swapbridge.proving.judges.maps.likeness import unit_values
from swapbridge.proving.judges.recordings.driving import RUNNING_RPM, BenchQuantity, channel_of, engine_speed, held_at
from swapbridge.proving.verdict import Check, EngineFigure, check_of

SHIFT_ROOM = 1.05
STRONGER = 1.05
CAP_ROOM = 0.97
IDLE_APART = 1.6
FULL_POWER_SHARE = 0.999


@dataclass(frozen=True, slots=True)
class Engine:
    """An engine's figures from a recording and a health sheet; None where neither has them."""

    top_rpm: float | None
    idle_rpm: float | None
    torque_nm: float | None
    redline_rpm: float | None


def judge_engines(case: Case) -> list[Check]:
    """Redline against shift points, torque against the gearbox and the report, idle speeds."""
    donor = next((n for n, b in enumerate(case.bridge.buses) if b.holds_engine), None)
    if donor is None:
        return []
    host = next((n for n in range(len(case.names)) if n != donor and any(s.bus == n for s in case.plan.sends)), None)
    if host is None or case.bench.captures[host] is None or case.bench.captures[donor] is None:
        return []
    sheets = {s.which: s for s in case.health}
    new, old = _engine(case, donor, sheets.get("donor")), _engine(case, host, sheets.get("host"))
    gearbox = next((s.gearbox for s in case.health if s.gearbox is not None), Gearbox())
    shift = float(gearbox.shifts_at_rpm) if gearbox.shifts_at_rpm else _highest_shift(case, host)
    most = float(gearbox.most_torque_nm) if gearbox.most_torque_nm else None
    rows = (
        ("highest speed seen, rpm", old.top_rpm, new.top_rpm, shift and f"shifts up to {shift:.0f}"),
        ("redline by the health sheet, rpm", old.redline_rpm, new.redline_rpm, None),
        ("idle, rpm", old.idle_rpm, new.idle_rpm, None),
        ("most torque, Nm", old.torque_nm, new.torque_nm, most and f"can take {most:.0f}"),
    )
    case.tables.engines = [EngineFigure(what, _shown(a), _shown(b), box or "") for what, a, b, box in rows]
    return [*_speeds(new, shift), *_torques(case, host, old, new, most), *_idle(old, new)]


def _shown(value: float | None) -> str:
    return f"{value:.0f}" if value else "not known"


def _engine(case: Case, bus: int, sheet: HealthSheet | None) -> Engine:
    speed = engine_speed(case, bus)
    top = idle = None
    if speed is not None and speed.measured.any():
        runs = speed.values[speed.measured & (speed.values > RUNNING_RPM)]
        if len(runs):
            top = float(runs.max())
            idle = _idle_speed(case, bus, speed)
    torque = _peak_torque(case, bus)
    if sheet is not None and sheet.peak_torque_nm is not None:
        torque = max(torque or 0.0, float(sheet.peak_torque_nm))
    if sheet is not None and sheet.idle_rpm is not None:
        idle = float(sheet.idle_rpm)
    redline = float(sheet.redline_rpm) if sheet is not None and sheet.redline_rpm is not None else None
    return Engine(top, idle, torque, redline)


def _idle_speed(case: Case, bus: int, speed: BenchQuantity) -> float | None:
    runs = speed.values[speed.measured & (speed.values > RUNNING_RPM)]
    return float(np.percentile(runs, 15)) if len(runs) else None


def _peak_torque(case: Case, bus: int) -> float | None:
    """Highest of what was measured and of what the map's torques say."""
    found: list[float] = []
    channel = channel_of(case, bus, "actual_torque")
    if channel is not None and channel.unit == "Nm" and len(channel.value):
        found.append(float(channel.value.max()))
    for alias in ("actual_torque", "maximum_torque"):
        for message, signal in case.by_role(bus, alias):
            track = case.recorded_track(bus, message, signal)
            if track is None or not track.measured.any():
                continue
            values = unit_values(case, bus, message.name, signal, track.values, "Nm")
            if values is not None:
                found.append(float(np.quantile(values[track.measured], FULL_POWER_SHARE)))
    return max(found, default=None)


def _highest_shift(case: Case, host: int) -> float | None:
    """Engine speed at the highest upshift that was recorded."""
    speed = engine_speed(case, host)
    channel = channel_of(case, host, "current_gear")
    gears = case.role_track(host, "current_gear")
    if speed is None or (channel is None and gears is None):
        return None
    if gears is not None:
        times, values = gears.time_s[gears.measured], gears.values[gears.measured]
    else:
        assert channel is not None
        times, values = channel.time_s, channel.value
    real = (values >= 1) & (values <= 10)
    up = real[1:] & real[:-1] & (np.diff(values) == 1)
    if not up.any():
        return None
    before = held_at(speed, times[1:][up] - 0.05)
    return float(np.nanmax(before)) if not np.isnan(before).all() else None


def _speeds(new: Engine, shift: float | None) -> Iterator[Check]:
    if shift is None or new.top_rpm is None:
        return
    top = new.redline_rpm or new.top_rpm
    known = "by the health sheet" if new.redline_rpm else "the highest that was recorded"
    yield check_of(
        "engines",
        "gearbox and new engine",
        "shift speeds",
        shift <= top * (1.0 if new.redline_rpm else SHIFT_ROOM),
        f"the gearbox shifts at up to {shift:.0f} rpm, the new engine reaches {top:.0f} rpm ({known})",
        "upshifts below the new engine's highest speed",
        "have its shift speeds lowered, or scale the engine speed sent to it; `redline` is set in health.toml",
        otherwise="fail" if new.redline_rpm else "unproved",
    )


def _torques(case: Case, host: int, old: Engine, new: Engine, most: float | None) -> Iterator[Check]:
    if new.torque_nm is None:
        return
    if most is not None:
        yield check_of(
            "engines",
            "gearbox and new engine",
            "torque",
            new.torque_nm <= most,
            f"the new engine makes {new.torque_nm:.0f} Nm, the gearbox can take {most:.0f} Nm",
            "no more than the gearbox can take",
            "have the new engine's torque limited in its own computer, or fit a stronger gearbox",
        )
    elif old.torque_nm and new.torque_nm > STRONGER * old.torque_nm:
        yield check_of(
            "engines",
            "gearbox and new engine",
            "torque",
            False,
            f"the new engine makes {new.torque_nm:.0f} Nm, the old one made {old.torque_nm:.0f} Nm; what the gearbox "
            "can take is not known",
            "no more than the gearbox can take",
            "find out what the gearbox can take, and write it into health.toml under [gearbox]",
            otherwise="open",
        )
    for made in case.made:
        if made.bus != host or made.role is None or made.role.hazard != "actual torque":
            continue
        cap = _cap_nm(case, made)
        if cap is not None and made.role.alias in ("actual_torque", "maximum_torque", "torque_without_intervention"):
            yield check_of(
                "engines",
                made.label,
                "reported in full",
                cap >= CAP_ROOM * new.torque_nm,
                f"at most {cap:.0f} Nm can be sent; the new engine makes {new.torque_nm:.0f} Nm",
                "all of the torque: reporting too little lowers a gearbox's clutch pressure",
                "widen its clamp or limits: torque that is too much for a gearbox is limited in the engine",
            )


def _cap_nm(case: Case, made: SentSignal) -> float | None:
    """The most that a rule or its signal can say, in Nm."""
    highest = max(float(v) for v in made.signal.physical_range)
    if made.signal.maximum is not None:
        highest = min(highest, float(made.signal.maximum))
    in_nm = unit_values(case, made.bus, made.message.name, made.signal, np.array([highest]), "Nm")
    caps = [] if in_nm is None else [float(in_nm[0])]
    caps += list(_upper_limits(case, made.tree))
    if made.rule.limits is not None and (limit := _nm(case, made.rule.limits[1])) is not None:
        caps.append(limit)
    return min(caps, default=None)


def _upper_limits(case: Case, node: Node) -> Iterator[float]:
    """Constants in Nm that an expression can't go beyond."""
    if isinstance(node, Call):
        if node.function in ("clamp", "min"):
            for part in node.arguments[2:] if node.function == "clamp" else node.arguments:
                found = _constant_nm(case, part)
                if found is not None:
                    yield found
        for part in node.arguments[:1]:
            yield from _upper_limits(case, part)


def _constant_nm(case: Case, node: Node) -> float | None:
    if isinstance(node, Number):
        try:
            return float(find_unit(node.unit, case.bridge.units).convert(node.value, find_unit("Nm")))
        except InputError:
            return None
    if isinstance(node, Name) and node.dotted in case.bridge.constants:
        return _nm(case, case.bridge.constants[node.dotted])
    return None


def _nm(case: Case, written: Written) -> float | None:
    try:
        value, unit = constant(case.bridge, written)
        return float(unit.convert(value, find_unit("Nm")))
    except InputError:
        return None


def _idle(old: Engine, new: Engine) -> Iterator[Check]:
    if not old.idle_rpm or not new.idle_rpm:
        return
    apart = max(old.idle_rpm, new.idle_rpm) / min(old.idle_rpm, new.idle_rpm)
    yield check_of(
        "engines",
        "both engines",
        "idle speed",
        apart <= IDLE_APART,
        f"{new.idle_rpm:.0f} rpm, the old one {old.idle_rpm:.0f} rpm",
        "about alike",
        "make sure that the vehicle does not creep and the gearbox does not stall the engine at it",
        otherwise="habit",
    )
