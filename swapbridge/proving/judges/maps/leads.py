"""Proving room: a request comes before its result: requested torque before actual torque, target gear before gear.

And what a percentage is of: a reference torque that a message of the same engine states is the one that counts.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from swapbridge.core.units import find_unit
from swapbridge.proving.case import Case, Track
from swapbridge.proving.judges.maps.likeness import find_kind, reference_nm
from swapbridge.proving.verdict import Check, check_of

Floats = npt.NDArray[np.float64]
GRID_S = 0.01
LONGEST_S = 0.4
AHEAD_S = 0.03
"""Air and spark answer later than this; a request may be reported only as late as its own message comes."""
SAME = 0.8
LONGEST_SHIFT_S, FEWEST_SHIFTS = 1.5, 3
SAME_REFERENCE = 0.02


def judge_leads(case: Case) -> list[Check]:
    """One check for each pair of what is asked and what is made on a bus, and for each percentage of a torque."""
    out: list[Check] = []
    for bus in range(len(case.names)):
        out += [*_torques(case, bus), *_gears(case, bus), *_references(case, bus)]
    return out


def _torques(case: Case, bus: int) -> Iterator[Check]:
    for message, signal in case.by_role(bus, "requested_torque"):
        asked = case.recorded_track(bus, message, signal)
        label = f"{case.names[bus]}.{message.name}.{signal.name}"
        for other_message, other in case.by_role(bus, "actual_torque"):
            made = case.recorded_track(bus, other_message, other)
            if asked is None or made is None:
                continue
            found = answer_after(asked, made)
            if found is None:
                continue
            late = AHEAD_S + float(message.period_ms or 0) / 2000
            yield check_of(
                "maps",
                label,
                "comes before the actual torque",
                found >= -late,
                f"{1000 * abs(found):.0f} ms {'before' if found >= 0 else 'after'} "
                f"{case.names[bus]}.{other_message.name}.{other.name}",
                "the request comes first, and the engine follows",
                "the two are swapped: correct their bits or their roles in the map",
            )


def _gears(case: Case, bus: int) -> Iterator[Check]:
    wanted, now = (_first(case, bus, alias) for alias in ("target_gear", "current_gear"))
    if wanted is None or now is None:
        return
    label, target = wanted
    found = [ahead for t, gear in _changes(now[1]) if (ahead := _apart(target, t, gear)) is not None]
    if len(found) < FEWEST_SHIFTS:
        return
    ahead = float(np.median(found))
    yield check_of(
        "maps",
        label,
        "comes before the gear",
        ahead >= -AHEAD_S,
        f"{1000 * abs(ahead):.0f} ms {'before' if ahead >= 0 else 'after'} {now[0]}, over {len(found)} shifts",
        "a gearbox selects the target gear first, and reaches it later",
        "the two are swapped: correct their bits or their roles in the map",
    )


def _first(case: Case, bus: int, alias: str) -> tuple[str, Track] | None:
    for message, signal in case.by_role(bus, alias):
        track = case.recorded_track(bus, message, signal)
        if track is not None and track.measured.any():
            return f"{case.names[bus]}.{message.name}.{signal.name}", track
    return None


def _changes(track: Track) -> list[tuple[float, int]]:
    """When a signal took another value, and which."""
    time_s, raw = track.time_s[track.measured], track.raw[track.measured]
    rows = np.flatnonzero(np.diff(raw)) + 1
    return list(zip(time_s[rows].tolist(), raw[rows].tolist(), strict=True))


def _apart(track: Track, time_s: float, raw: int) -> float | None:
    """How long before a moment (or after it, then negative) a signal took that value, within the longest shift."""
    found = [time_s - t for t, value in _changes(track) if value == raw and abs(time_s - t) < LONGEST_SHIFT_S]
    return min(found, key=abs, default=None)


def _references(case: Case, bus: int) -> Iterator[Check]:
    """Percentages of a torque other than the one that a message of their bus states."""
    stated = _first(case, bus, "reference_torque")
    if stated is None:
        return
    label, track = stated
    constant = np.unique(track.values[track.measured])
    if len(constant) != 1 or find_kind(track.signal) != "torque":
        return
    whole = float(constant[0]) * float(find_unit(track.signal.unit).factor)
    for message in case.maps[case.names[bus]].messages:
        for signal in message.signals:
            mine = reference_nm(case, bus, message.name, signal) if signal.reference else None
            if mine is None or find_kind(signal) != "ratio":
                continue
            yield check_of(
                "maps",
                f"{case.names[bus]}.{message.name}.{signal.name}",
                "reference torque",
                abs(mine / whole - 1) <= SAME_REFERENCE,
                f"percent of {mine:.0f} Nm, where {label} says {whole:.0f} Nm",
                "percent of the torque that its own computer states",
                "correct its reference in the map",
            )


def answer_after(asked: Track, made: Track) -> float | None:
    """Seconds from what was asked to what was made, by their likeness; None where they are not alike or never move."""
    begin = max(asked.time_s[0], made.time_s[0]) + LONGEST_S
    end = min(asked.time_s[-1], made.time_s[-1]) - LONGEST_S
    grid = np.arange(begin, end, GRID_S)
    if len(grid) < 500:
        return None
    here, longest = _held(asked, grid), round(LONGEST_S / GRID_S)
    around = _held(made, begin + GRID_S * np.arange(-longest, len(grid) + longest))
    best, lag = SAME, None
    for step in range(-longest, longest + 1):
        then = around[longest + step : longest + step + len(grid)]
        use = ~np.isnan(here) & ~np.isnan(then)
        if use.sum() < 500 or here[use].std() == 0 or then[use].std() == 0:
            return None
        alike = float(np.corrcoef(here[use], then[use])[0, 1])
        if alike > best:
            best, lag = alike, step * GRID_S
    return lag


def _held(track: Track, time_s: Floats) -> Floats:
    rows = np.maximum(np.searchsorted(track.time_s, time_s, "right") - 1, 0)
    out: Floats = np.where(track.measured[rows], track.values[rows], np.nan)
    return out
