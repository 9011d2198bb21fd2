"""Proving room: an engine answers: its actual torque never comes before the torque that was asked of it."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from swapbridge.proving.case import Case, Track
from swapbridge.proving.report.verdict import Check, check_of

Floats = npt.NDArray[np.float64]
GRID_S = 0.01
LONGEST_S = 0.4
AHEAD_S = 0.03
"""Air and spark answer later than this; what is asked may at most be told as late as its own message comes."""
SAME = 0.8


def judge_torque_order(case: Case) -> list[Check]:
    """One check for each pair of actual and requested torque of a bus."""
    return [check for bus in range(len(case.names)) for check in _one_bus(case, bus)]


def _one_bus(case: Case, bus: int) -> Iterator[Check]:
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
                "what is asked comes first, and the engine answers",
                "the two are exchanged: correct their bits or their roles in the map",
            )


def answer_after(asked: Track, made: Track) -> float | None:
    """Seconds from what was asked to what was made, by their likeness; None where they are not alike or never move."""
    begin = max(asked.time_s[0], made.time_s[0]) + LONGEST_S
    end = min(asked.time_s[-1], made.time_s[-1]) - LONGEST_S
    grid = np.arange(begin, end, GRID_S)
    if len(grid) < 500:
        return None
    here = _held(asked, grid)
    best, lag = SAME, None
    for step in range(round(-LONGEST_S / GRID_S), round(LONGEST_S / GRID_S) + 1):
        then = _held(made, grid + step * GRID_S)
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
