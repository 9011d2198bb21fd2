"""Drafting room: when an absent message is sent: with the bus or with the key, how long after, how often."""

from __future__ import annotations

from typing import Literal

import numpy as np

from swapbridge.core.vocabulary import CRANK_WORDS, KEY_OFF_WORDS, plain
from swapbridge.drafting.model import Life, Times
from swapbridge.drafting.never import is_start_up
from swapbridge.drafting.sources import Swap
from swapbridge.drafting.vehicle import Vehicle, VehicleMessage, spans

WITH_BUS_S = 0.3
NEAR_ROUND = 0.02
RUNNING_RPM = 400


def life_of(vehicle: Vehicle, message: VehicleMessage) -> Life:
    """When a message is sent, from its first and last frames of every wake."""
    moments = spans(message.time_s, max(1.5, 4 * message.period_s))
    late = []
    for first, _ in moments:
        woke = [a for a, _ in vehicle.wakes if a <= first + 0.02]
        if woke:
            late.append(first - woke[-1])
    begin: Literal["bus", "key"] = (
        "bus" if late and np.median(late) <= max(WITH_BUS_S, message.period_s * 1.05) else "key"
    )
    count = 0
    if is_start_up(message):
        count = round(float(np.median([((message.time_s >= a) & (message.time_s <= b)).sum() for a, b in moments])))
    period = round_period(1000 * message.period_s)
    after = "the bus is awake" if begin == "bus" else "key-on"
    often = f"{count} times {period:g} ms apart after {after}" if count else f"every {period:g} ms from when {after} on"
    return Life(begin, period, count, often)


def round_period(period_ms: float) -> float:
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
    if key is not None and key.origin is not None and key.tells is not None:
        values = {w: [v for v, x in sorted(key.tells.word_of.items()) if x == w] for w in key.words}
        text = key.origin.text
        on = [v for w, vs in values.items() if plain(w) not in KEY_OFF_WORDS for v in vs]
        key_on = " or ".join(f"{text} == {v}" for v in on)
        crank = " or ".join(f"{text} == {v}" for w, vs in values.items() if plain(w) in CRANK_WORDS for v in vs)
        after_ms = _after_run(swap, key.words)
    speed = swap.quantities.get("engine_speed")
    run = f"{speed.origin.text} >= {RUNNING_RPM} rpm" if speed is not None and speed.origin is not None else ""
    return Times(key_on, crank, run, after_ms, _sleep_ms(host))


def _after_run(swap: Swap, words: tuple[str, ...]) -> int:
    """From key-off to the last frame of the modules that are gone (the median over key-offs)."""
    key = swap.words["key_state"]
    off = [n for n, w in enumerate(words) if plain(w) in KEY_OFF_WORDS]
    gone = [m for k, m in swap.host.messages.items() if k not in swap.host_alive and m.period_s and m.period_s < 0.15]
    if not off or not gone or key.origin is None:
        return 0
    is_off = np.isin(key.series.value, off)
    edges = key.series.time_s[1:][is_off[1:] & ~is_off[:-1]]
    edges = edges[edges <= swap.host.wakes[-1][1]]
    found = []
    for edge in edges:
        ends = [b for a, b in swap.host.wakes if a <= edge <= b]
        if not ends:
            continue
        last = [float(m.time_s[np.searchsorted(m.time_s, ends[0] + 0.01) - 1]) for m in gone if m.time_s[0] < edge]
        found += [max(t for t in last) - edge] if last and max(last) > edge else []
    return int(round(1000 * float(np.median(found)), -1)) if found else 0


def _sleep_ms(vehicle: Vehicle) -> int:
    """Silence that means sleep: several times the longest pause of an awake bus."""
    every = np.sort(np.concatenate([m.time_s for m in vehicle.messages.values()]))
    gaps = np.diff(every)
    awake = gaps[gaps < 1.0]
    longest = float(np.quantile(awake, 0.9999)) if len(awake) else 0.05
    return int(min(3000, max(250, np.ceil(1000 * 5 * longest / 50) * 50)))
