"""Proving room: compares temperatures before a cold start: engine, oil and air that rested for hours read alike.

Common practice, no source: scan tools' own plausibility checks compare the same sensors after a long rest. An engine
that was still warm is no evidence: its parts cool at their own pace, so only readings that others confirm are judged.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from swapbridge.core.roles import find_role
from swapbridge.core.units import find_unit
from swapbridge.proving.case import Case
from swapbridge.proving.judges.maps.likeness import unit_values
from swapbridge.proving.judges.recordings.driving import CRANKING_RPM, channel_of, engine_speed
from swapbridge.proving.verdict import Check, check_of

ALIKE_C = 5.0
"""Parts and air this near to each other have stood long enough."""
APART_C = 7.0
"""So far apart, after such a rest, no two sound sensors are."""
SUN_C = 15.0
"""The sun on an air sensor, or a cold garage, does no more."""
COLD_C = 45.0
COOLING = 0.1
"""Coolant and oil cool at different rates: while still warm they differ by about a tenth of the excess."""
STEP_C = 1.0
"""A temperature is told in steps of about so much."""
AIR, PARTS = ("ambient_temperature", "intake_temperature"), ("coolant_temperature", "oil_temperature")
_FEWEST = 3


@dataclass(frozen=True, slots=True)
class _SoakReading:
    role: str
    label: str
    celsius: float

    def __str__(self) -> str:
        return f"{self.label} {self.celsius:.0f} degC"


def judge_cold_soak(case: Case) -> list[Check]:
    """One check for each temperature of a recording that begins before the engine first turns."""
    return [check for bus in range(len(case.names)) for check in _one_bus(case, bus)]


def _one_bus(case: Case, bus: int) -> Iterator[Check]:
    readings = _before_the_start(case, bus)
    for mine in readings:
        if mine.role == "measured" or _was_measured(case, mine):
            continue
        others = [r for r in readings if r is not mine and r.role != mine.role]
        found = _odd(mine, others)
        if found is None:
            continue
        wrong, why = found
        yield check_of(
            "maps",
            mine.label,
            "fits the others before a cold start",
            not wrong,
            f"{mine.celsius:.0f} degC; {why}",
            "after a long rest coolant, oil and air read about the same",
            "correct its offset, scale, unit or bits in the map; if the engine was still warm, record a cold start",
            otherwise="fail" if wrong == "never" else "unproved" if wrong == "hardly" else "open",
        )


def _was_measured(case: Case, mine: _SoakReading) -> bool:
    """A scan tool that read the same all along is a better witness of the air than parts that may still be warm."""
    said = (c for c in case.checks if c.subject == mine.label and c.name.startswith("says "))
    return mine.role in AIR and any(c.status == "pass" for c in said)


def _odd(mine: _SoakReading, others: list[_SoakReading]) -> tuple[str, str] | None:
    """What is wrong ("never" where no rest explains it, "hardly" or "warm" where one might), and beside what."""
    parts = [r for r in others if r.role in (*PARTS, "measured")]
    air = [r for r in others if r.role in AIR]
    if not parts:
        return None
    low, high = min(r.celsius for r in parts), max(r.celsius for r in parts)
    if high - low > ALIKE_C or high > COLD_C:
        return None
    readings = ", ".join(str(r) for r in (*parts, *air))
    if mine.role in PARTS:
        rested = [a for a in air if low - ALIKE_C <= a.celsius <= high + ALIKE_C]
        if not rested:
            return None
        far = max(low - mine.celsius, mine.celsius - high) > APART_C
        return ("never" if far else ""), readings
    if mine.celsius > high + SUN_C:
        return "never", readings
    if len(parts) + len(air) > 1 and mine.celsius < low - SUN_C:
        bodies = len({r.role == "oil_temperature" for r in parts})  # coolant, and what measured it, are one
        settled = bodies > 1 and high - low < max(STEP_C, COOLING * (low - mine.celsius))
        # two sensors in the air that read alike say that it is cold outside, and the engine was kept warm
        confirmed = any(abs(a.celsius - mine.celsius) <= ALIKE_C for a in air)
        return "hardly" if settled and not confirmed else "warm", readings
    return "", readings


def _before_the_start(case: Case, bus: int) -> list[_SoakReading]:
    """What each temperature said with the key on before the engine first turned."""
    speed = engine_speed(case, bus)
    if speed is None or not speed.measured.any():
        return []
    turning = speed.time_s[speed.measured & (speed.values > CRANKING_RPM)]
    until = float(turning[0]) if len(turning) else float(speed.time_s[-1])
    if not (speed.measured & (speed.time_s < until)).any():
        return []  # it ran already: how warm it was is not known
    out = []
    for role in (*PARTS, *AIR):
        for message, signal in case.by_role(bus, role):
            track = case.recorded_track(bus, message, signal)
            if track is None:
                continue
            rows = track.measured & (track.time_s < until)
            values = unit_values(case, bus, message.name, signal, track.values[rows], "degC")
            if values is not None and len(values) >= _FEWEST:
                label = f"{case.names[bus]}.{message.name}.{signal.name}"
                out.append(_SoakReading(role, label, float(np.median(values))))
    channel = channel_of(case, bus, "coolant_temperature")
    if channel is not None and channel.unit and find_unit(channel.unit).kind == find_role("oil_temperature").quantity:
        scale, shift = find_unit(channel.unit).conversion(find_unit("degC"))
        early = channel.value[channel.time_s < until]
        if len(early) >= _FEWEST:
            out.append(
                _SoakReading(
                    "measured", "the scan tool's coolant", float(np.median(early * float(scale) + float(shift)))
                )
            )
    return out
