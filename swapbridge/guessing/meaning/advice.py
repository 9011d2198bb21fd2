"""Guessing room, meaning side: what this capture can't show, and the recording that would."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import Any

import numpy as np

from swapbridge.core.identifier_words import format_identifier
from swapbridge.guessing.meaning.align import PreparedChannel
from swapbridge.guessing.meaning.chance import Chance
from swapbridge.signalmap.findings import FoundMessage

SURE = 0.95
LIKELY = 0.5

NEXT_RECORDING = {
    "pedal": "key on, engine off, sweep the pedal slowly from rest to floor three times",
    "throttle": "key on, engine off, sweep the pedal slowly three times, then rev to 2500 three times",
    "engine_speed": "engine warm, neutral: rev to 1500, 2500 and 3500 rpm, hold 5 s each, three times",
    "vehicle_speed": "drive at 20, 40 and 60 km/h and stop in between, three times (a helper operates the laptop)",
    "coolant_temp": "start from cold and record until the thermostat opens, cool 10 minutes, start again",
    "oil_temp": "start from cold, record the warm-up, then let it cool and start again",
    "brake_switch": "key on, engine off: brake on and off five times, some seconds apart, three rounds",
    "gear": "brake applied, wheels chocked: lever through P-R-N-D and back, three times, 3 s in each",
    "manifold_pressure": "engine warm, neutral: three short blips, then hold 2500 rpm, three times",
}
"""What to do next, by channel (the usual stimuli; common practice, no source)."""


def next_recording(channel: str) -> str:
    """What to record to pin a channel down."""
    for name, words in NEXT_RECORDING.items():
        if name in channel:
            return words
    return f"make {channel} change on purpose at least three times, with ten quiet seconds in between"


def describe_channel(
    target: PreparedChannel, chance: Chance | None, messages: Sequence[FoundMessage], from_tool: bool
) -> dict[str, Any]:
    """One channel as data: how it moved, whether chance can be tested, its lag, its followers."""
    followers = [(f.confidence, f.lag_s) for m in messages for f in m.fields if f.stimulus == target.name]
    lags = [lag for confidence, lag in followers if confidence >= LIKELY and lag is not None]
    return {
        "unit": target.unit,
        "samples": len(target.time_s),
        "low": None if target.is_text else float(target.value.min()),
        "high": None if target.is_text else float(target.value.max()),
        "moves": round(target.moves, 2),
        "steps": target.steps,
        "noise": float(f"{target.noise:.4g}"),
        "lag_s": round(float(np.median(lags)), 3) if lags else None,
        "source": "service 01 answers in the capture" if from_tool else "stimulus file",
        "luck_can_be_tested": bool(chance is not None and chance.testable),
        "best_by_chance_r2": round(chance.high, 4) if chance is not None and chance.testable else None,
        "followers": sum(confidence >= LIKELY for confidence, _ in followers),
        "best_confidence": round(max((c for c, _ in followers), default=0.0), 4),
    }


def advise(
    messages: Sequence[FoundMessage], targets: dict[str, PreparedChannel], chances: dict[str, Chance]
) -> tuple[str, ...]:
    """Sentences for the person in the garage, the most useful first."""
    out: list[str] = []
    for name, target in targets.items():
        out += _about_channel(name, target, chances.get(name), messages)
    for a, b in combinations([t for t in targets.values() if not t.is_text], 2):
        likeness = _likeness(a, b)
        if likeness > 0.97:
            out.append(
                f"{a.name} and {b.name} moved together all the time (r2 {likeness:.2f}), so what follows one may "
                f"follow the other: {next_recording(a.name if 'pedal' in a.name else b.name)}"
            )
    return tuple(out)


def _about_channel(
    name: str, target: PreparedChannel, chance: Chance | None, messages: Sequence[FoundMessage]
) -> list[str]:
    found = sorted(
        ((f.confidence, m, f.name) for m in messages for f in m.fields if f.stimulus == name), key=lambda c: -c[0]
    )
    best = found[0][0] if found else 0.0
    if best >= SURE:
        return []
    out = []
    if not target.is_text and target.moves < 1.5 and target.steps <= 6:
        what = f"{name} took only {target.steps} steps in this recording"
        out.append(f"{what}, too little to be sure of anything: {next_recording(name)}")
    elif not target.is_text and target.moves < 1.5:
        out.append(
            f"{name} only went one way in this recording, as any slow field does, so a match by luck can't be ruled "
            f"out: {next_recording(name)}"
        )
    if best < LIKELY and (target.steps > 6 or target.is_text):
        out.append(f"no field follows {name} with any certainty; perhaps this bus doesn't carry it: try the other bus")
    close = [c for c in found[:4] if c[0] >= 0.3 * best]
    if 0.1 <= best < SURE and len(close) > 1:
        names = " and ".join(f"{format_identifier(m.identifier, m.extended)} {field}" for _, m, field in close[:2])
        out.append(f"for {name}, {names} can't be told apart in this recording: {next_recording(name)}")
    return out


def _likeness(a: PreparedChannel, b: PreparedChannel) -> float:
    low, high = max(a.time_s[0], b.time_s[0]), min(a.time_s[-1], b.time_s[-1])
    if high - low < 5:
        return 0.0
    grid = np.arange(low, high, 0.2)
    x, y = np.interp(grid, a.time_s, a.value), np.interp(grid, b.time_s, b.value)
    if x.std() <= 0 or y.std() <= 0:
        return 0.0
    return float(np.corrcoef(x, y)[0, 1] ** 2)
