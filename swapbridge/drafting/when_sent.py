"""Drafting room: when an absent message is sent: with the bus or the key, how long after, how often, until when."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np

from swapbridge.core.vocabulary import CRANK_WORDS, KEY_OFF_WORDS, plain
from swapbridge.drafting.drafted import Life, Times
from swapbridge.drafting.never import is_start_up
from swapbridge.drafting.recorded_vehicle import Floats, Vehicle, VehicleMessage, VehicleSeries, spans
from swapbridge.drafting.swap_sources import Swap

WITH_BUS_S = 0.3
NEAR_ROUND = 0.02
RUNNING_RPM = 400
LATE_S = 0.3
"""A first frame that comes later than this, and than two periods, waits; one that comes sooner only has its phase."""
ALIKE_S = 0.2
"""So much may what happened at one key-on or key-off differ from another, beside a period, and be one time."""
LEAST_SEEN = 2
"""A time of a message's own needs so many key-ons or key-offs that agree on it."""
LEAST_STANDING_S = 3.0
"""The key was on with the engine standing for so long, and a message was silent: it comes with the running engine."""
MOST_SILENT = 0.02


def life_of(swap: Swap, bus: str, message: VehicleMessage) -> Life:
    """When a message is sent, from its first and last frames of every wake."""
    vehicle = swap.vehicle(bus)
    moments = spans(message.time_s, max(1.5, 4 * message.period_s))
    after_wake = _since([a for a, _ in moments], [a for a, _ in vehicle.wakes], 0.02)
    late_s = 0.02 + _key_period_s(swap)  # the key was turned before the frame that shows it
    after_key = _since([a for a, _ in moments], key_moments(swap, bus, on=True), late_s, vehicle.wakes)
    limit_s = max(WITH_BUS_S, message.period_s * 1.05)
    soon = len(after_wake) > 0 and float(np.median(after_wake)) <= limit_s
    if soon and len(after_key) == len(after_wake) and after_wake.max() > limit_s >= after_key.max():
        soon = False  # once its bus was awake for longer before the key came on, and it waited for the key
    keyless = len(after_wake) - len(after_key) >= LEAST_SEEN and _agree(after_wake, message.period_s)
    begin: Literal["bus", "key", "run"] = "bus" if soon or keyless else "key"
    if begin == "key" and _lives_running(swap, bus, message):
        begin = "run"
    delay_ms = 0 if begin == "run" else _delay_ms(after_wake if begin == "bus" else after_key, message.period_s)
    count = 0
    if is_start_up(message):
        count = round(float(np.median([((message.time_s >= a) & (message.time_s <= b)).sum() for a, b in moments])))
    period = drafted_period(1000 * message.period_s)
    after = {"bus": "the bus is awake", "key": "key-on", "run": "the engine runs"}[begin]
    if count:
        late = f"{delay_ms} ms after" if delay_ms else "after"
        often = f"{count} times {period:g} ms apart {late} {after}"
    else:
        often = f"every {period:g} ms from {f'{delay_ms} ms after {after}' if delay_ms else f'when {after}'} on"
    last_ms = _last_ms(swap, bus, message) if begin == "key" and not count else 0
    return Life(begin, period, count, often, delay_ms, last_ms)


def key_moments(swap: Swap, bus: str, *, on: bool) -> list[float]:
    """When the key was turned on (or off) in a vehicle's recording, as a module reports it; none if no one does."""
    key = swap.words.get("key_state")
    if key is None or key.origin is None:
        return []
    vehicle = swap.vehicle(bus)
    off = [n for n, w in enumerate(key.words) if plain(w) in KEY_OFF_WORDS]
    mine = (key.series.time_s >= vehicle.wakes[0][0]) & (key.series.time_s <= vehicle.wakes[-1][1])
    times, is_off = key.series.time_s[mine], np.isin(key.series.value[mine], off)
    edges = is_off[:-1] & ~is_off[1:] if on else is_off[1:] & ~is_off[:-1]
    return [float(t) for t in times[1:][edges]]


def _lives_running(swap: Swap, bus: str, message: VehicleMessage) -> bool:
    """Whether a message was silent while the engine stood with the key on, and came all the time while it ran."""
    speed, on = swap.quantities.get("engine_speed"), key_moments(swap, bus, on=True)
    if speed is None or not on or is_start_up(message):
        return False
    vehicle, step = swap.vehicle(bus), 0.1
    times = np.arange(vehicle.wakes[0][0], vehicle.wakes[-1][1], step)
    off = key_moments(swap, bus, on=False)
    edges = np.array(sorted([(t, 1) for t in on] + [(t, 0) for t in off]))
    keyed = VehicleSeries(edges[:, 0], edges[:, 1]).at(times) > 0
    runs = keyed & (speed.series.at(times) >= RUNNING_RPM)
    change = (
        np.convolve(
            np.diff(runs, prepend=runs[0]) | np.diff(keyed, prepend=keyed[0]),
            np.ones(2 * round((0.5 + message.period_s) / step) + 1),
            "same",
        )
        > 0
    )
    last = np.searchsorted(message.time_s, times, "right") - 1
    alive = (last >= 0) & (times - message.time_s[np.maximum(last, 0)] <= 2 * message.period_s + step)
    stands, runs = keyed & ~runs & ~change & (times > on[0]), runs & ~change
    if stands.sum() * step < LEAST_STANDING_S or not runs.any():
        return False
    return float(alive[stands].mean()) <= MOST_SILENT and float(alive[runs].mean()) >= 1 - MOST_SILENT


def _since(
    firsts: list[float], begins: list[float], near_s: float, within: Sequence[tuple[float, float]] = ()
) -> Floats:
    """How long after the last of the moments each first frame came; those left out that had none in their wake."""
    out = []
    for first in firsts:
        woke = max((a for a, _ in within if a <= first + 0.02), default=-np.inf)
        before = [b for b in begins if woke - 0.02 <= b <= first + near_s]
        out += [max(0.0, first - before[-1])] if before else []
    return np.array(out)


def _agree(times: Floats, period_s: float) -> bool:
    """Whether times agree, except for the phase of what is sent every period."""
    return len(times) >= LEAST_SEEN and float(np.ptp(times)) <= period_s + ALIKE_S


def _delay_ms(after: Floats, period_s: float) -> int:
    """How long a message waits before its first frame: 0 where that is no more than its phase."""
    if not _agree(after, period_s) or float(after.min()) <= max(LATE_S, 2 * period_s):
        return 0
    return int(round(1000 * float(after.min()), -1))


def _last_ms(swap: Swap, bus: str, message: VehicleMessage) -> int:
    """How long a message goes on after key-off, where that is a time of its own; 0 where it ends as the others do."""
    shared = _after_run(swap) / 1000
    ends = [b for _, b in spans(message.time_s, max(1.5, 4 * message.period_s))]
    wakes = swap.vehicle(bus).wakes
    tails = []
    for edge in key_moments(swap, bus, on=False):
        slept = min((b for a, b in wakes if a <= edge <= b), default=np.inf)
        after = [e for e in ends if edge - message.period_s <= e <= slept]
        if after and slept - after[0] > message.period_s + ALIKE_S:  # else the bus fell asleep, which ends it anyway
            tails.append(max(0.0, after[0] - edge))
    if not _agree(np.array(tails), message.period_s):
        return 0
    tail = max(0.0, max(tails) - _key_period_s(swap))
    if tail - ALIKE_S <= shared <= tail + message.period_s + ALIKE_S:
        return 0
    return max(10, int(round(1000 * tail, -1)))


def drafted_period(period_ms: float) -> float:
    """The round number that a measured period stands for."""
    for step in (100.0, 50.0, 10.0, 5.0, 1.0):
        near = round(period_ms / step) * step
        if near > 0 and abs(near - period_ms) <= NEAR_ROUND * near:
            return near
    return round(period_ms, 1)


def shared_times(swap: Swap) -> Times:
    """Conditions of the states, and how long frames go on after key-off and after a bus fell silent."""
    key = swap.words.get("key_state")
    key_on = crank = ""
    after_ms = 0
    host = swap.host
    if key is not None and key.origin is not None and key.match is not None:
        values = {w: [v for v, x in sorted(key.match.word_of.items()) if x == w] for w in key.words}
        text = key.origin.text
        on = [v for w, vs in values.items() if plain(w) not in KEY_OFF_WORDS for v in vs]
        key_on = " or ".join(f"{text} == {v}" for v in on)
        crank = " or ".join(f"{text} == {v}" for w, vs in values.items() if plain(w) in CRANK_WORDS for v in vs)
        after_ms = _after_run(swap)
    speed = swap.quantities.get("engine_speed")
    run = f"{speed.origin.text} >= {RUNNING_RPM} rpm" if speed is not None and speed.origin is not None else ""
    return Times(key_on, crank, run, after_ms, _sleep_ms(host))


def _after_run(swap: Swap) -> int:
    """From key-off to the last frame of the host's modules that are gone, in ms, so short that it is never too long.

    The frame that reports 'off' is late by up to its period.
    """
    gone = [m for k, m in swap.host.messages.items() if k not in swap.host_alive and m.period_s and m.period_s < 0.15]
    found = []
    for edge in key_moments(swap, swap.host.bus, on=False) if gone else []:
        ends = [b for a, b in swap.host.wakes if a <= edge <= b]
        if not ends:
            continue
        last = [float(m.time_s[np.searchsorted(m.time_s, ends[0] + 0.01) - 1]) for m in gone if m.time_s[0] < edge]
        found += [max(t for t in last) - edge] if last and max(last) > edge else []
    alike = [t for t in found if t <= float(np.median(found)) + ALIKE_S]
    return max(10, int(round(1000 * (max(alike) - _key_period_s(swap)), -1))) if alike else 0


def _key_period_s(swap: Swap) -> float:
    """How late at most the frame with 'off' is."""
    key = swap.words.get("key_state")
    return 0.0 if key is None or key.origin is None else key.origin.message.period_s


def _sleep_ms(vehicle: Vehicle) -> int:
    """Silence that means sleep: four times the longest pause of an awake bus, so that three lost frames are none."""
    every = np.sort(np.concatenate([m.time_s for m in vehicle.messages.values()]))
    gaps = np.diff(every)
    awake = gaps[gaps < 1.0]
    longest = float(np.quantile(awake, 0.9999)) if len(awake) else 0.05
    return int(min(3000, max(250, np.ceil(1000 * 4 * longest / 50) * 50)))
