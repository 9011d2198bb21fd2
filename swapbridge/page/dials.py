"""Page room: what the host would show while a capture plays: the translator's own frames, sampled for simple dials."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping
from fractions import Fraction
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from swapbridge.bus.adapters.can_messages import word_of
from swapbridge.bus.running.replay import translate
from swapbridge.capture.capture import Capture
from swapbridge.core.errors import InputError
from swapbridge.core.progress import Progress
from swapbridge.guessing.layout.message_fields import raw_values
from swapbridge.page.answers import Dial, Dials, DialSource
from swapbridge.plan.plan import Plan
from swapbridge.plan.python.translator import Translator
from swapbridge.signalmap.decode import raw_columns
from swapbridge.signalmap.signal_map import MapSignal, SignalMap

MOMENTS = 600
MOST_DIALS = 24
TICKS = 6
NOT_AVAILABLE, ERROR = "not available", "error"
ON_OFF = {0: "off", 1: "on"}
STALE_S = 1.0
"""A value older than this is shown as silent."""

Floats = npt.NDArray[np.float64]


def dials(plan: Plan, maps: Mapping[str, SignalMap], capture: Capture, progress: Progress) -> Dials:
    """Every signal that the plan sends while a capture comes in, beside the signals it is made from.

    Parameters
    ----------
    plan : Plan
        A compiled plan.
    maps : mapping of str to SignalMap
        The map of each bus, by the bus's name in the plan.
    capture : Capture
        What comes in, in the order of time.
    progress : callable
        Told the share that is done, 0 to 1, and what is being done.

    Returns
    -------
    dict
        `times` (M seconds) and `dials`: of each its `name`, `message`, `bus`, `unit`, `ticks` of its scale, M `values`
        (None where nothing fresh was sent, or no measurement), M `words` ("" where a number says it) and its
        `sources`; `left_out` counts dials beyond what is shown.

    Raises
    ------
    InputError
        The capture holds no frames.
    """
    if not len(capture):
        raise InputError("this capture holds no frames; choose another")
    capture = capture.select(np.argsort(capture.time_ns, kind="stable"))
    first_ns, span_s = int(capture.time_ns[0]), capture.duration_s
    times: dict[tuple[int, int], list[float]] = defaultdict(list)
    payloads: dict[tuple[int, int], list[bytes]] = defaultdict(list)
    planned = {(send.bus, send.word) for send in plan.sends}
    for frame in translate(plan, Translator(plan), capture):
        at_s = (frame.time_ns - first_ns) / 1e9
        progress(0.9 * min(1.0, at_s / max(span_s, 1e-9)), "translating")
        key = frame.bus, word_of(frame.message)
        if key in planned:
            times[key].append(at_s)
            payloads[key].append(bytes(frame.message.data))
    grid = np.linspace(0.0, span_s, MOMENTS)
    heard = _heard(plan, maps, capture, grid)
    out: list[Dial] = []
    for send in plan.sends:
        key, bus = (send.bus, send.word), plan.buses[send.bus].name
        if not times[key] or capture.bus_names == (bus,):
            continue
        when, payload = np.array(times[key]), _stacked(payloads[key])
        described = maps[bus].by_word(send.word) if bus in maps else None
        for variant in send.variants:
            for item in variant.fields:
                signal = described.signal(item.name) if described is not None else None
                states = _states(signal) or (ON_OFF if item.layout.length == 1 else {})
                if not item.unit and not states:
                    continue
                raw = raw_values(payload, item.layout)
                scale, offset = float(Fraction(item.scale)), float(Fraction(item.offset))
                sources = [heard[n] for feed in item.feeds for n in _names(plan, feed) if n in heard]
                shown = _shown(when, raw, raw.astype(np.float64) * scale + offset, states, grid)
                out.append(
                    {
                        "name": item.name,
                        "message": send.name.removeprefix(f"{bus}."),
                        "bus": bus,
                        "unit": item.unit,
                        "ticks": shown.ticks,
                        "numeric": shown.numeric,
                        "values": shown.values,
                        "words": shown.words,
                        "sources": _chosen(sources, item.expression),
                    }
                )
    progress(1.0, "done")
    out.sort(key=lambda dial: not dial["numeric"])
    return {"times": np.round(grid, 3).tolist(), "dials": out[:MOST_DIALS], "left_out": max(0, len(out) - MOST_DIALS)}


def _states(signal: MapSignal | None) -> dict[int, str]:
    """Raw values that are words and no measurement: named choices, 'not available', 'error'."""
    if signal is None:
        return {}
    return {
        **dict.fromkeys(signal.not_available, NOT_AVAILABLE),
        **dict.fromkeys(signal.error_codes, ERROR),
        **signal.choices,
    }


class _Shown(NamedTuple):
    ticks: list[float]
    numeric: bool
    values: list[float | None]
    words: list[str]


def _shown(when: Floats, raw: npt.NDArray[Any], values: Floats, states: dict[int, str], grid: Floats) -> _Shown:
    """Values and words at each moment, and the ends of the scale among what was measured."""
    worded = np.isin(raw, list(states)) if states else np.zeros(len(raw), bool)
    at, fresh = _latest(when, grid)
    words = [states[int(raw[n])] if ok and worded[n] else "" for n, ok in zip(at.tolist(), fresh.tolist(), strict=True)]
    measured = values[~worded & np.isfinite(values)]
    held = np.where(fresh & ~worded[at] & np.isfinite(values[at]), values[at], np.nan)
    low, high = (float(measured.min()), float(measured.max())) if len(measured) else (0.0, 0.0)
    ticks = scale_ticks(min(low, 0.0) if low < 0.5 * high else low, high)
    return _Shown(ticks, bool(len(measured)), _listed(held), words)


def scale_ticks(low: float, high: float) -> list[float]:
    """Marks of a dial's scale in round steps; the first and the last are its ends, and hold everything between."""
    if not high > low:
        high = low + (abs(low) or 1.0)
    rough = (high - low) / TICKS
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * n for n in (1, 2, 2.5, 5, 10) if power * n >= rough * (1 - 1e-9))
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    return [float(f"{n * step:.10g}") for n in range(first, last + 1)]


def _heard(plan: Plan, maps: Mapping[str, SignalMap], capture: Capture, grid: Floats) -> dict[str, DialSource]:
    """Source signals of the capture's buses, by `bus.MESSAGE.SIGNAL`."""
    out: dict[str, DialSource] = {}
    for bus in plan.buses:
        signal_map = maps.get(bus.name)
        if signal_map is None or (bus.name not in capture.bus_names and len(capture.bus_names) > 1):
            continue
        heard_on = bus.name if bus.name in capture.bus_names else None
        for (message, name), column in raw_columns(capture, signal_map, bus=heard_on).items():
            signal = _signal(signal_map, message, name)
            if signal is None or signal.is_float or not len(column.values):
                continue
            when = (capture.time_ns[column.rows] - int(capture.time_ns[0])) / 1e9
            values = column.values.astype(np.float64) * float(signal.scale) + float(signal.offset)
            shown = _shown(when, column.values, values, _states(signal), grid)
            full = f"{bus.name}.{message}.{name}"
            out[full] = {"name": full, "unit": signal.unit, "values": shown.values, "words": shown.words}
    return out


def _signal(signal_map: SignalMap, message: str, name: str) -> MapSignal | None:
    found = signal_map.message(message)
    return found.signal(name) if found else None


def _names(plan: Plan, feed: int) -> list[str]:
    return [extract.name for extract in plan.feeds[feed].extracts]


def _chosen(sources: list[DialSource], expression: str) -> list[DialSource]:
    """Sources that the expression names, or all of a few where it names them only through a named value."""
    named = [s for s in sources if s["name"] in expression]
    return (named or (sources if len(sources) <= 2 else []))[:3]


def _latest(when: Floats, grid: Floats) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.bool_]]:
    """The latest value's number at each moment, and whether it is there and no older than `STALE_S`."""
    at = np.searchsorted(when, grid, side="right") - 1
    there = np.maximum(at, 0)
    return there, (at >= 0) & (grid - when[there] <= STALE_S)


def _listed(values: Floats) -> list[float | None]:
    return [None if np.isnan(v) else round(v, 6) for v in values.tolist()]


def _stacked(payloads: list[bytes]) -> npt.NDArray[np.uint8]:
    width = max(map(len, payloads))
    return np.frombuffer(b"".join(p.ljust(width, b"\0") for p in payloads), np.uint8).reshape(-1, width)
