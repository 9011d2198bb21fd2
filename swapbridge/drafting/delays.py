"""Drafting room: how much later a field says what another module of its bus said: an echo is delayed as recorded."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from swapbridge.drafting.drafted import Explained
from swapbridge.drafting.drawn import worked_out
from swapbridge.drafting.explain.kit import SIGNAL_NAME, Kit
from swapbridge.drafting.recorded_vehicle import Floats, VehicleMessage, VehicleSeries

STEP_S = 0.01
MOST_S = 1.0
"""What comes later than this is no echo."""
LEAST_S = 0.02
"""A shorter delay is lost in the time between two frames."""
LEAST_CHANGES = 6
EXPLAINED = 0.5
"""A delay must explain a wrong frame for this share of the changes."""
ROLES = frozenset({"status", "value"})
NEAR = 0.01


def delayed(kit: Kit, message: VehicleMessage, one: Explained) -> Explained:
    """The same echo, so much later as it came in the recording; as it is where no delay shows.

    Parameters
    ----------
    kit : Kit
        What the fields of this bus are explained with.
    message : VehicleMessage
        The recorded message.
    one : Explained
        The field and its explanation.

    Returns
    -------
    Explained
        The explanation with `delay(...)` around its value, or without a change.
    """
    names = set(SIGNAL_NAME.findall(one.value))
    here = all(name.startswith(f"{kit.bus}.") for name in names)
    if one.how not in ("echo", "copy") or not names or not here or one.role not in ROLES or one.raised:
        return one
    known = {m.name: m for m in kit.swap.vehicle(kit.bus).messages.values()}
    times = np.unique(np.concatenate([known[name.split(".")[1]].time_s for name in names]))
    made = worked_out(kit, message, one, times)
    if made is None:
        return one
    found = find_delay(VehicleSeries(times, made), message.time_s, message.raw(one.layout).astype(np.float64))
    if not found:
        return one
    return replace(
        one, value=f"delay({one.value}, {round(1000 * found)} ms)", words=f"{one.words}; {1000 * found:.0f} ms later"
    )


def find_delay(source: VehicleSeries, times: Floats, raw: Floats) -> float:
    """How much later `raw` follows its source, in seconds; 0 where no delay shows."""
    changes = int((np.diff(raw) != 0).sum())
    if changes < LEAST_CHANGES:
        return 0.0
    near = NEAR * float(np.ptp(raw))
    tries = np.arange(0.0, MOST_S + STEP_S / 2, STEP_S)
    wrong = np.array([int((np.abs(source.at(times - d) - raw) > near).sum()) for d in tries])
    good = np.flatnonzero(wrong <= wrong.min() + changes // 10)
    runs = np.split(good, np.flatnonzero(np.diff(good) > 1) + 1)
    best = next(run for run in runs if wrong.argmin() in run)
    low, high = float(tries[best[0]]), float(tries[best[-1]])
    if low < LEAST_S or high >= MOST_S or wrong[0] - wrong.min() < EXPLAINED * changes:
        return 0.0
    return round((low + high) / 2, 2)
