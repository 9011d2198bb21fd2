"""Proving room: what every automatic gearbox does: its turbine beside the engine, its gears beside the road.

Nothing on a scan tool tells turbine speed or gear, so that the gearbox's own work is their only witness.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from swapbridge.core.vocabulary import plain
from swapbridge.proving.case import Case, Floats, Track
from swapbridge.proving.judges.maps.plausible import Series, series_of
from swapbridge.proving.judges.recordings.driving import BenchQuantity, held_at, quantity, vehicle_speed
from swapbridge.proving.verdict import Check, check_of

TURNING_RPM = 1_000.0
"""Above idle, where a converter is neither stalled nor held by the brake."""
SETTLED_S = (-1.0, -0.5, 0.0, 0.5, 1.0)
PULLING, RELEASED = 10.0, 1.0
PULLED, OVERRUN = 1.01, 0.98
"""A converter slips the way that torque goes through it: pulled, its turbine is no faster than the engine; overrun, no
slower, and far faster where a gear freewheels. A locked one turns with the engine (physics; readings may be late)."""
FEWEST, FEWEST_IN_GEAR = 100, 50
ROLLING_KMH, GEAR_SETTLED_S = 10.0, 0.7
NO_GEAR = frozenset({"n", "neutral", "p", "park", "parked"})
GEARS_APART = 0.95
"""Neighbouring gears are apart by a tenth at least (common practice, no source)."""


def judge_drivetrain(case: Case) -> list[Check]:
    """Checks of every bus that tells turbine speed or gear."""
    out: list[Check] = []
    for bus in range(len(case.names)):
        out += [*_converter(case, bus), *_order(case, bus)]
    return out


def _as_quantity(series: Series) -> BenchQuantity:
    return BenchQuantity(series.time_s, series.values, np.ones(len(series.values), bool))


def _converter(case: Case, bus: int) -> Iterator[Check]:
    """Turbine speed beside engine speed, pulled and overrun."""
    turbine, engine = series_of(case, bus, "turbine_speed", "rpm"), series_of(case, bus, "engine_speed", "rpm")
    pedal = quantity(case, bus, "pedal_position", "%")
    if turbine is None or engine is None or pedal is None:
        return
    rpm = held_at(_as_quantity(engine), turbine.time_s)
    around = np.array([held_at(pedal, turbine.time_s + shift) for shift in SETTLED_S])
    road = vehicle_speed(case, bus)
    rolls = turbine.values > TURNING_RPM if road is None else held_at(road, turbine.time_s) > ROLLING_KMH
    turns = rolls & (rpm > TURNING_RPM)
    ratio = turbine.values / np.where(turns, rpm, np.nan)
    pulled, overrun = ratio[turns & (around.min(axis=0) > PULLING)], ratio[turns & (around.max(axis=0) < RELEASED)]
    if len(pulled) < FEWEST or len(overrun) < FEWEST:
        return
    most, least = float(np.percentile(pulled, 95)), float(np.median(overrun))
    yield check_of(
        "maps", turbine.label, "turns with the engine", most <= PULLED and least >= OVERRUN,
        f"{most:.3g} times engine speed under power, {least:.3g} times with the pedal released ({engine.label})",
        "under power no faster than the engine, with the pedal released no slower",
        "correct its bits, scale or unit in the map; where it is measured behind gears, take the role away",
        otherwise="unproved",
    )  # fmt: skip


def _order(case: Case, bus: int) -> Iterator[Check]:
    """The higher a gear, the slower its shaft turns at the same speed of the vehicle."""
    shaft = series_of(case, bus, "turbine_speed", "rpm") or series_of(case, bus, "engine_speed", "rpm")
    road, pedal = vehicle_speed(case, bus), quantity(case, bus, "pedal_position", "%")
    for message, signal in case.by_role(bus, "current_gear"):
        track = case.recorded_track(bus, message, signal)
        if shaft is None or road is None or track is None:
            continue
        speed, turns = held_at(road, track.time_s), held_at(_as_quantity(shaft), track.time_s)
        use = track.measured & _settled(track) & (speed > ROLLING_KMH) & (turns > TURNING_RPM)
        pulled = use & (held_at(pedal, track.time_s) > PULLING) if pedal is not None else use & False
        ratios, idle = {}, []
        for raw in np.unique(track.raw[use]).tolist():
            gear, mine = _number(track, raw), (turns / np.maximum(speed, 1.0))[use & (track.raw == raw)]
            if gear is not None and len(mine) >= FEWEST_IN_GEAR:
                ratios[gear] = float(np.median(mine))
            elif plain(track.signal.choices.get(raw, "")) in NO_GEAR and (pulled & (track.raw == raw)).sum() >= FEWEST:
                idle.append(f"driven under power in {track.signal.choices[raw]}")
        gears = sorted(ratios)
        wrong = [(a, b) for a, b in pairwise(gears) if ratios[b] > GEARS_APART * ratios[a]]
        if len(gears) < 2 and not idle:
            continue
        yield check_of(
            "maps", f"{case.names[bus]}.{message.name}.{signal.name}", "gears in order", not wrong and not idle,
            "; ".join(
                idle + [f"{ratios[b]:.3g} rpm a km/h in gear {b:g}, {ratios[a]:.3g} in gear {a:g}" for a, b in wrong]
            )
            or ", ".join(f"{ratios[g]:.3g} rpm a km/h in gear {g:g}" for g in gears),
            f"the higher the gear, the slower the shaft at the same speed ({shaft.label})",
            "correct its bits or its codes in the map; codes that stand in another order need their names there",
            otherwise="unproved",
        )  # fmt: skip


def _settled(track: Track) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Where a signal says the same long before and after."""
    turned = track.time_s[1:][np.diff(track.raw) != 0]
    rows = np.searchsorted(turned, track.time_s, "right")
    edges: Floats = np.r_[-np.inf, turned, np.inf]
    settled: np.ndarray[tuple[int], np.dtype[np.bool_]] = (track.time_s - edges[rows] > GEAR_SETTLED_S) & (
        edges[rows + 1] - track.time_s > GEAR_SETTLED_S
    )
    return settled


def _number(track: Track, raw: int) -> float | None:
    """Which forward gear a code is: by its name, else by its value; None for all else."""
    signal = track.signal
    if signal.choices:
        found = re.fullmatch(r"\D*(\d+)\D*", signal.choices.get(raw, ""))
        return float(found[1]) if found else None
    value = float(raw * signal.scale + signal.offset)
    return value if value >= 1 else None
