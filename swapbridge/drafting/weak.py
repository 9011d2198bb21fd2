"""Drafting room: gives channels that barely moved (a voltage, an outside temperature) to the field that follows them.

`guess` claims a channel only where chance can be ruled out. A draft needs less: with both vehicles' recordings the
wrong field has to be wrong in both, and what is drafted from one is marked as unsure.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from swapbridge.drafting.recorded_vehicle import Bools, Floats, Vehicle, VehicleField, VehicleMessage

LAGS_S = (0.0, 0.1, 0.2, 0.3)
LEAST_R2 = 0.5
MARGIN = 0.08
CONFIDENCE = 0.6
SCALES = (1.0, 0.75, 0.5, 0.4, 0.25, 0.2, 0.125, 0.1, 0.0625, 0.05, 0.04, 0.03125, 0.025, 0.02, 0.01)
OFFSETS = (0.0, -40.0, -48.0, -50.0, -100.0, -273.0, 3.0, 5.0, 6.0)
NEAR_SCALE = 0.2


def with_weak_channels(vehicle: Vehicle) -> Vehicle:
    """The vehicle with unclaimed channels given to the fields that go with them best."""
    if vehicle.track is None:
        return vehicle
    claimed = {f.channel for m in vehicle.messages.values() for f in m.fields if f.channel_confidence >= 0.5}
    open_fields = [
        (m, f) for m in vehicle.messages.values() for f in m.fields if f.kind == "number" and f.channel_confidence < 0.5
    ]
    channels = {
        n: (c.time_s - vehicle.start_s, c.value, c.unit)
        for n, c in vehicle.track.channels.items()
        if not c.texts and len(np.unique(c.value)) >= 3 and c.unit
    }
    score = {
        (name, k): _r2(times, value, message, one)
        for name, (times, value, _) in channels.items()
        for k, (message, one) in enumerate(open_fields)
    }
    given: dict[tuple[int, bool, str], VehicleField] = {}
    for name in sorted(set(channels) - claimed):
        ranked = sorted(((score[name, k], k) for k in range(len(open_fields))), reverse=True)
        if not ranked or ranked[0][0] < LEAST_R2:
            continue
        best, k = ranked[0]
        others = max((score[n, k] for n in channels if n != name), default=0.0)
        if best < others + MARGIN or (len(ranked) > 1 and ranked[1][0] > best - 0.02):
            continue
        message, one = open_fields[k]
        times, value, unit = channels[name]
        given[message.key.identifier, message.key.extended, one.name] = _named(times, value, unit, name, message, one)
    if not given:
        return vehicle
    messages = {
        key: replace(m, fields=tuple(given.get((*key, f.name), f) for f in m.fields))
        for key, m in vehicle.messages.items()
    }
    return replace(vehicle, messages=messages)


def _sampled(times: Floats, message: VehicleMessage, one: VehicleField, lag: float) -> tuple[Floats, Bools]:
    raw = message.raw(one.layout).astype(np.float64)
    rows = np.searchsorted(message.time_s, times - lag, "right") - 1
    ok = (rows >= 0) & (times - lag - message.time_s[np.maximum(rows, 0)] < 3 * max(message.period_s, 0.1))
    return raw[np.maximum(rows, 0)], ok


def _r2(times: Floats, value: Floats, message: VehicleMessage, one: VehicleField) -> float:
    best = 0.0
    for lag in LAGS_S:
        x, ok = _sampled(times, message, one, lag)
        if ok.sum() < 30 or np.ptp(x[ok]) == 0 or np.ptp(value[ok]) == 0:
            continue
        best = max(best, float(np.corrcoef(x[ok], value[ok])[0, 1]) ** 2)
    return best


def _named(
    times: Floats, value: Floats, unit: str, name: str, message: VehicleMessage, one: VehicleField
) -> VehicleField:
    """The field with its channel, and the scale and offset of round numbers that fit."""
    x, ok = _sampled(times, message, one, 0.15)
    x, y = x[ok], value[ok]
    r = float(np.corrcoef(x, y)[0, 1])
    slope = float(np.std(y) / np.std(x)) * (1 if r > 0 else -1)  # both carry noise: neither regression is right
    scale = min(SCALES, key=lambda s: abs(s / abs(slope) - 1))
    if abs(scale / abs(slope) - 1) > NEAR_SCALE:
        scale = abs(slope)
    scale = scale if slope > 0 else -scale
    free = float(np.median(y - scale * x))
    offset = min(OFFSETS, key=lambda o: abs(o - free))
    step = max(abs(scale), float(np.min(np.diff(np.unique(y)))))
    if abs(offset - free) > 1.5 * step:
        offset = round(free / abs(scale)) * abs(scale)
    return replace(one, channel=name, channel_confidence=CONFIDENCE, scale=scale, offset=offset, unit=unit)
