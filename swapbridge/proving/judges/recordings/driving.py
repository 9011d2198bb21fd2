"""Proving room: what engine and vehicle did in a recording, from the stimulus if it has it, else from the map."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from swapbridge.capture.stimulus import Channel
from swapbridge.core.errors import InputError
from swapbridge.core.units import find_unit
from swapbridge.core.vocabulary import CHANNELS
from swapbridge.proving.case import Case

Floats = npt.NDArray[np.float64]
CRANKING_RPM, RUNNING_RPM = 50.0, 400.0
"""Above the first an engine turns, above the second by itself (common practice, no source)."""
DRIVEN_KMH = 5.0
LONGEST_HOLD_S = 2.0


@dataclass(frozen=True, slots=True)
class BenchQuantity:
    """A quantity over time on the bench's clock, in a plain unit; `measured` is kept for the likeness with a track."""

    time_s: Floats
    values: Floats
    measured: npt.NDArray[np.bool_]


def channel_of(case: Case, bus: int, alias: str) -> Channel | None:
    """The stimulus channel beside a bus's recording that measures a role."""
    stimulus = case.stimuli.get(case.names[bus])
    if stimulus is None:
        return None
    names = CHANNELS.get(alias, (alias,))
    return next((stimulus.channels[n] for n in (alias, *names) if n in stimulus.channels), None)


def quantity(case: Case, bus: int, alias: str, unit: str) -> BenchQuantity | None:
    """What a role did beside or in a recording, in that unit: by the stimulus, else by the map."""
    channel = channel_of(case, bus, alias)
    if channel is not None and not channel.texts and len(channel.time_s) > 1:
        values = channel.value
        try:
            scale, shift = find_unit(channel.unit or unit).conversion(find_unit(unit))
            values = values * float(scale) + float(shift)
        except InputError:
            pass
        return BenchQuantity(channel.time_s, values, np.ones(len(values), bool))
    found = case.role_track(bus, alias)
    if found is None:
        return None
    try:
        scale, shift = find_unit(found.signal.unit, case.bridge.units).conversion(find_unit(unit))
    except InputError:
        return None
    return BenchQuantity(found.time_s, found.values * float(scale) + float(shift), found.measured)


def engine_speed(case: Case, bus: int) -> BenchQuantity | None:
    """Engine speed in rpm."""
    return quantity(case, bus, "engine_speed", "rpm")


def vehicle_speed(case: Case, bus: int) -> BenchQuantity | None:
    """Vehicle speed in km/h."""
    return quantity(case, bus, "vehicle_speed", "km/h")


def running_seconds(speed: BenchQuantity) -> float:
    """How long an engine ran by itself."""
    steps = np.minimum(np.diff(speed.time_s), LONGEST_HOLD_S)
    runs = (speed.values > RUNNING_RPM) & speed.measured
    return float(steps[runs[:-1]].sum()) if len(steps) else 0.0


def whole_starts(speed: BenchQuantity, longest_gap_s: float) -> tuple[int, int]:
    """How often an engine started, and how many of these starts were recorded whole: from standing still until it ran.

    On its way from one to the other an engine is cranked; a reading that says nothing is one of an engine that stands.
    """
    rpm = np.where(speed.measured, speed.values, 0.0)
    began = np.flatnonzero((rpm[1:] > RUNNING_RPM) & (rpm[:-1] <= RUNNING_RPM)) + 1
    stood = np.flatnonzero(rpm < CRANKING_RPM)
    starts = whole = 0
    for row in began.tolist():
        still = int(np.searchsorted(stood, row)) - 1
        if still < 0:
            continue
        first = int(stood[still])
        if (rpm[first + 1 : row] > RUNNING_RPM).any():
            continue  # it ran before: this is a dip
        starts += 1
        gaps = np.diff(speed.time_s[first : row + 1])
        whole += bool((gaps <= longest_gap_s).all())
    return starts, whole


def held_at(quantity: BenchQuantity, time_s: Floats) -> Floats:
    """Values that hold at some moments; nan before the first and where there is none for long."""
    if not len(quantity.time_s):
        return np.full(len(time_s), np.nan)
    rows = np.searchsorted(quantity.time_s, time_s, "right") - 1
    there = (rows >= 0) & quantity.measured[np.maximum(rows, 0)]
    out = np.where(there, quantity.values[np.maximum(rows, 0)], np.nan)
    return out.astype(np.float64)
