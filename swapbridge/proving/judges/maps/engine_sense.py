"""Proving room: what every engine does, standing, cranking and running (common practice, no source; wide limits)."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from swapbridge.core.vocabulary import ON_WORDS, plain
from swapbridge.proving.case import Case
from swapbridge.proving.judges.maps.likeness import says_on
from swapbridge.proving.judges.maps.plausible import Series, series_of
from swapbridge.proving.judges.recordings.driving import (
    RUNNING_RPM,
    BenchQuantity,
    channel_of,
    engine_speed,
    held_at,
    quantity,
    vehicle_speed,
)
from swapbridge.proving.verdict import Check, check_of

REVVED_RPM = 2_000.0
MOST_WORK_J_ML = 18_000.0
"""A millilitre of diesel holds 36 kJ and petrol 32 (lower heating values, handbook figures from memory), and no road
engine turns more than half of it into work."""
LEAST_WORK_J_ML, LOADED = 6_400.0, 0.5
"""From half of its most torque on an engine turns a fifth of the energy into work at least, petrol's at that."""
LEAST_WORK_J = 200_000.0
"""A few seconds under load; with less, the readings of torque and their moments say too little."""
LEAST_OIL_KPA = 90.0
FULL, RELEASED = 95.0, 1.0
LATE_READING_S = 0.3
"""A scan tool's answer is as late as this (common practice, no source)."""
OPEN_AT_FULL, SHUT_WHEN_RELEASED = 60.0, 40.0
MOST_IDLE_FUEL_ML_S = 2.0
MOST_FRICTION = 0.4
"""Of the most torque: friction takes a tenth to a fifth, of a cold engine more."""
MOST_FUEL_ML_S = 60.0
HEADLAMPS = ("headlamps", "headlights", "lights")
MOST_LAMPS_A = 40.0
"""High, low and fog beams, rear fog and all small bulbs together are some 430 W: 34 A at 12 V."""
STEADY_S = 1.5
LEAST_REFERENCE, MOST_REFERENCE = 0.75, 1.8
"""100 % of the most torque: actual torque is told up to 125 % (SAE J1939-71), and an engine makes three fifths of its
most at any speed above idle."""
CLOSE_REFERENCE = 1.25
"""Nearly all engines state about their most torque; so much more may be another unit, as 1.36 Nm are a pound-foot."""
MOST_AIR_KPA = 108.5
"""Air at sea level was never seen above 108.5 kPa (World Meteorological Organization, weather and climate extremes)."""
LAMPS = ("oil_pressure_lamp", "charge_lamp")
FEWEST = 20
IDLE_S, IDLE_RPM = 3.0, 1_200
STALL_S, STALL_STEPS = 10.0, 10
"""So long, and so many of its usual steps, no total of fuel stands still under load or at idle."""


def judge_engine_sense(case: Case) -> list[Check]:
    """Checks of every bus whose map has the roles."""
    out: list[Check] = []
    for bus in range(len(case.names)):
        out += [*_totals(case, bus), *_friction(case, bus), *_headlamps(case, bus)]
        speed = engine_speed(case, bus)
        if speed is not None:
            out += _reference(case, bus, speed)
            out += _throttle(case, bus, speed)
            out += [*_at_rest(case, bus, speed), *_lamps(case, bus, speed), *_oil(case, bus, speed)]
            out += [*_idle_fuel(case, bus, speed), *_fuel_goes_on(case, bus, speed), *_work(case, bus, speed)]
    return out


def _friction(case: Case, bus: int) -> Iterator[Check]:
    """Losses against the most torque."""
    loss, most = series_of(case, bus, "friction_torque", "Nm"), series_of(case, bus, "maximum_torque", "Nm")
    if loss is None or most is None or most.values.max() <= 0:
        return
    share = float(np.percentile(np.abs(loss.values), 90) / most.values.max())
    yield check_of(
        "maps", loss.label, "fits maximum torque", share <= MOST_FRICTION,
        f"up to {100 * share:.0f} % of the most torque ({most.label})", f"at most {100 * MOST_FRICTION:.0f} %",
        "correct the bits, scale, offset or reference of one of the two in its map",
    )  # fmt: skip


def _reference(case: Case, bus: int, speed: BenchQuantity) -> Iterator[Check]:
    """A reference torque beside the most that its engine can make, or was seen to make."""
    whole = series_of(case, bus, "reference_torque", "Nm")
    if whole is None or not (whole.values > 0).any():
        return
    stated, made = series_of(case, bus, "maximum_torque", "Nm"), series_of(case, bus, "actual_torque", "Nm")
    most = stated if stated is not None and stated.values.max() > 0 else made
    if most is None or most.values.max() <= 0:
        return
    share = float(np.median(whole.values) / most.values.max())
    revved = bool((speed.values[speed.measured] > REVVED_RPM).any())
    low, high = share < LEAST_REFERENCE, most is stated and revved and share > MOST_REFERENCE
    loose = most is stated and share > CLOSE_REFERENCE
    measured = channel_of(case, bus, "actual_torque") is not None
    yield check_of(
        "maps", whole.label, "fits the engine's torque", not (low or high or loose),
        f"{np.median(whole.values):.0f} Nm, {share:.2g} times the {most.values.max():.0f} Nm of {most.label}",
        f"{LEAST_REFERENCE:g} to {MOST_REFERENCE if measured else CLOSE_REFERENCE:g} times the most torque",
        "correct the scale, unit or byte order of one of the two in its map"
        + ("" if low else "; if it belongs to a whole family of engines, take the role reference_torque away"),
        otherwise="fail" if low else "unproved" if high or (revved and not measured) else "open",
    )  # fmt: skip


def _headlamps(case: Case, bus: int) -> Iterator[Check]:
    """What the headlamps add to the electrical load, where nothing else was switched."""
    load = series_of(case, bus, "electrical_load", "A")
    switch = next((c for name in HEADLAMPS if (c := channel_of(case, bus, name)) is not None), None)
    if load is None or switch is None:
        return
    measured = BenchQuantity(load.time_s, load.values, np.ones(len(load.values), bool))
    turned = switch.time_s[1:][np.diff(switch.value) != 0]
    steps = np.abs(held_at(measured, turned + STEADY_S / 2) - held_at(measured, turned - STEADY_S / 2))
    steps = steps[~np.isnan(steps)]
    if len(steps) < 2:
        return
    most = float(np.median(steps))
    yield check_of(
        "maps", load.label, "fits the headlamps", most <= MOST_LAMPS_A, f"{most:.3g} A more with the headlamps on",
        f"at most {MOST_LAMPS_A:g} A: no car's lamps take more", "correct its bits, scale or unit in the map",
    )  # fmt: skip


def _throttle(case: Case, bus: int, speed: BenchQuantity) -> Iterator[Check]:
    """A running engine's throttle is nearly open at full pedal and nearly shut when it is released.

    With the engine stopped it may do anything. A diesel engine's flap is open all along, which leaves the map open. A
    scan tool reads the pedal once a second, so between two readings it is known only where both say the same.
    """
    throttle, pedal = series_of(case, bus, "throttle_position", "%"), quantity(case, bus, "pedal_position", "%")
    if throttle is None or pedal is None:
        return
    soon = throttle.time_s - 0.5
    runs = (held_at(speed, throttle.time_s) > RUNNING_RPM) & (held_at(speed, soon) > RUNNING_RPM)
    following = np.searchsorted(pedal.time_s, throttle.time_s + LATE_READING_S, "left")
    known = following < len(pedal.time_s)
    then = pedal.values[np.minimum(following, len(pedal.time_s) - 1)]
    around = np.array([held_at(pedal, soon), held_at(pedal, throttle.time_s), then])
    runs &= known
    least, most = around.min(axis=0), around.max(axis=0)
    full, released = throttle.values[runs & (least >= FULL)], throttle.values[runs & (most <= RELEASED)]
    wrong = []
    shut_at_full = len(full) >= FEWEST and np.median(full) < OPEN_AT_FULL
    if shut_at_full:
        wrong.append(f"{np.median(full):.0f} % at full pedal")
    if len(released) >= FEWEST and np.median(released) > SHUT_WHEN_RELEASED:
        wrong.append(f"{np.median(released):.0f} % with the pedal released")
    yield check_of(
        "maps", throttle.label, "fits the pedal", not wrong, "; ".join(wrong) or "as it should be",
        f"over {OPEN_AT_FULL:.0f} % at full pedal, under {SHUT_WHEN_RELEASED:.0f} % with it released",
        "correct its bits, scale or offset in the map" + ("" if shut_at_full else "; a diesel's flap may be open"),
        otherwise="fail" if shut_at_full else "open",
    )  # fmt: skip


def _oil(case: Case, bus: int, speed: BenchQuantity) -> Iterator[Check]:
    """Oil pressure with the engine revved."""
    oil = series_of(case, bus, "oil_pressure", "kPa")
    if oil is None:
        return
    revved = oil.values[(held_at(speed, oil.time_s) > REVVED_RPM) & (held_at(speed, oil.time_s - 1.0) > REVVED_RPM)]
    if len(revved) < FEWEST:
        return
    found = float(np.median(revved))
    yield check_of(
        "maps", oil.label, "fits engine speed", found >= LEAST_OIL_KPA,
        f"{found:.0f} kPa over {REVVED_RPM:.0f} rpm", f"at least {LEAST_OIL_KPA:.0f} kPa: a healthy engine's",
        "correct its bits, scale, offset or unit in the map; or check the engine's oil pressure",
    )  # fmt: skip


def _idle_fuel(case: Case, bus: int, speed: BenchQuantity) -> Iterator[Check]:
    """What an engine burns at idle."""
    used, driven = series_of(case, bus, "fuel_used", "mL"), vehicle_speed(case, bus)
    pedal = quantity(case, bus, "pedal_position", "%")
    if used is None or pedal is None:
        return
    rpm = held_at(speed, used.time_s)
    idle = (rpm > RUNNING_RPM) & (rpm < IDLE_RPM) & (held_at(pedal, used.time_s) <= RELEASED)
    if driven is not None:
        idle &= held_at(driven, used.time_s) < 2.0
    steps, gaps = np.diff(used.values), np.diff(used.time_s)
    both = idle[1:] & idle[:-1] & (steps >= 0) & (gaps < 1.0)
    seconds = float(gaps[both].sum())
    if seconds < IDLE_S:
        return
    rate = float(steps[both].sum()) / seconds
    yield check_of(
        "maps", used.label, "plausible for an idling engine", rate <= MOST_IDLE_FUEL_ML_S, f"{rate:.3g} mL/s at idle",
        f"at most {MOST_IDLE_FUEL_ML_S:g} mL/s", "correct its bits, byte order, scale or unit in the map",
    )  # fmt: skip


def _work(case: Case, bus: int, speed: BenchQuantity) -> Iterator[Check]:
    """The work that an engine did, beside the energy of the fuel that it says it used."""
    used, torque = series_of(case, bus, "fuel_used", "mL"), quantity(case, bus, "actual_torque", "Nm")
    if used is None or torque is None:
        return
    times = used.time_s
    rpm, made = held_at(speed, times[1:]), held_at(torque, times[1:])
    climbs, gaps = np.diff(used.values), np.diff(times)
    known = (climbs >= 0) & (gaps < 1.0) & (rpm > RUNNING_RPM) & ~np.isnan(made)
    work = float((np.maximum(made, 0.0) * rpm * gaps)[known].sum()) * 2 * np.pi / 60
    burnt = float(climbs[known].sum())
    if work < LEAST_WORK_J:
        return
    yield check_of(
        "maps", used.label, "enough for the engine's work", burnt * MOST_WORK_J_ML >= work,
        f"{burnt:.4g} mL for {work / 1000:.0f} kJ of work, {work / 1000 / burnt if burnt else np.inf:.3g} kJ a mL",
        f"at most {MOST_WORK_J_ML / 1000:.0f} kJ a mL: half of the energy that is in fuel",
        "correct its bits, byte order, scale or unit in the map, or those of actual torque",
    )  # fmt: skip
    loaded = known & (made >= LOADED * float(np.nanmax(made)))
    work, burnt = float((made * rpm * gaps)[loaded].sum()) * 2 * np.pi / 60, float(climbs[loaded].sum())
    if work < LEAST_WORK_J or not burnt:
        return
    yield check_of(
        "maps", used.label, "no more than the engine's work needs", burnt * LEAST_WORK_J_ML <= work,
        f"{burnt:.4g} mL for {work / 1000:.0f} kJ of work under load, {work / 1000 / burnt:.3g} kJ a mL",
        f"at least {LEAST_WORK_J_ML / 1000:g} kJ a mL from half of the most torque on: a fifth of its energy",
        "correct its bits, byte order, scale or unit in the map, or those of every torque on its bus: record a scan "
        "tool's actual torque (service 01, 62 and 63) to tell which", otherwise="unproved",
    )  # fmt: skip


def _fuel_goes_on(case: Case, bus: int, speed: BenchQuantity) -> Iterator[Check]:
    """A total of fuel that stands still while the engine runs: its sender stopped measuring, or was frozen.

    Beside its own usual step, because a total in half litres hardly moves; an engine that is overrun burns nothing.
    """
    used, pedal = series_of(case, bus, "fuel_used", ""), quantity(case, bus, "pedal_position", "%")
    if used is None or pedal is None:
        return
    rpm, pressed = held_at(speed, used.time_s), held_at(pedal, used.time_s)
    burns = (rpm > RUNNING_RPM) & ((rpm < IDLE_RPM) | (pressed > RELEASED))
    seconds = np.r_[0.0, np.minimum(np.diff(used.time_s), 1.0)] * burns
    burnt = np.cumsum(seconds)
    steps = burnt[np.flatnonzero(np.diff(used.values) != 0) + 1]
    if len(steps) < FEWEST:
        return
    waits = np.diff(np.r_[steps, burnt[-1]])
    longest, usual = float(waits.max()), float(np.percentile(waits, 90))
    yield check_of(
        "maps", used.label, "goes on while the engine runs", longest <= max(STALL_S, STALL_STEPS * usual),
        f"stood still for {longest:.0f} s of running under load or idling",
        f"at most {max(STALL_S, STALL_STEPS * usual):.0f} s", "record again: its sender said the same all along",
        otherwise="unproved",
    )  # fmt: skip


def _totals(case: Case, bus: int) -> Iterator[Check]:
    """What only rises."""
    for alias in ("fuel_used", "distance"):
        found = series_of(case, bus, alias, "")
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
        used = series_of(case, bus, alias, "mL") if alias == "fuel_used" else None
        if used is None:
            continue
        climbs = np.diff(used.values)
        rate = float(climbs[climbs > 0].sum()) / max(float(used.time_s[-1] - used.time_s[0]), 1.0)
        yield check_of(
            "maps",
            used.label,
            "possible",
            rate <= MOST_FUEL_ML_S,
            f"{rate:.3g} mL/s on average",
            f"at most {MOST_FUEL_ML_S:g} mL/s: no road engine burns more",
            "correct its bits, byte order or scale in the map",
        )


def _at_rest(case: Case, bus: int, speed: BenchQuantity) -> Iterator[Check]:
    """What signals say with the engine stopped and running."""
    for alias, unit, still, runs, required in (
        ("oil_pressure", "kPa", (-1.0, 60.0), (40.0, 1_200.0), "none at rest, some with the engine running"),
        (
            "manifold_pressure",
            "kPa",
            (55.0, MOST_AIR_KPA),
            (8.0, 450.0),
            "that of the outside air with the engine stopped",
        ),
        ("module_voltage", "V", (8.0, 30.0), (10.0, 32.0), "a battery's"),
        ("actual_torque", "Nm", (-150.0, 60.0), (-800.0, 3_500.0), "about none with the engine stopped"),
        ("coolant_temperature", "degC", (-45.0, 125.0), (-45.0, 125.0), "no more than a healthy engine's"),
        ("oil_temperature", "degC", (-45.0, 150.0), (-45.0, 150.0), "no more than a healthy engine's"),
    ):
        found = series_of(case, bus, alias, unit)
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
            "agrees with the engine's state",
            not wrong,
            "; ".join(wrong) or "as it should be",
            required,
            "correct its bits, scale, offset or unit in the map",
        )


def _lit(case: Case, bus: int, alias: str) -> Series | None:
    """When a lamp was lit: a map may name the value at which it is."""
    for message, signal in case.by_role(bus, alias):
        track = case.recorded_track(bus, message, signal)
        if track is not None and track.measured.any():
            raw, back = np.unique(track.raw[track.measured], return_inverse=True)
            named = any(plain(text) in ON_WORDS for text in signal.choices.values())
            lit = np.array([float(says_on(signal, value) if named else value > 0) for value in raw.tolist()])
            return Series(f"{case.names[bus]}.{message.name}.{signal.name}", track.time_s[track.measured], lit[back])
    return None


def _lamps(case: Case, bus: int, speed: BenchQuantity) -> Iterator[Check]:
    """Lamps that every engine lights when it stands, and none when it runs."""
    for alias in LAMPS:
        found = _lit(case, bus, alias)
        if found is None:
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
                f"lit {100 * share:.0f} % of the time while the engine is stopped",
                "lit with the key on and the engine stopped",
                "correct its bit in the map",
            )
        lit_running = found.values[(rpm > RUNNING_RPM) & (soon > RUNNING_RPM)]
        if len(lit_running) > 20:
            share = float((lit_running > 0).mean())
            yield check_of(
                "maps",
                found.label,
                "agrees with the engine's state",
                share < 0.5,
                f"lit {100 * share:.0f} % of the time while the engine runs",
                "dark while a healthy engine runs",
                "correct its bit in the map; for a lamp that is lit at 0, name its values",
            )
