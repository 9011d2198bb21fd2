"""Page room: what the host would show while a capture plays: the translator's own frames, sampled for simple dials."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from fractions import Fraction
from typing import Any

import numpy as np
import numpy.typing as npt

from swapbridge.bus.running.replay import translate
from swapbridge.capture.capture import Capture
from swapbridge.core.errors import InputError
from swapbridge.core.progress import Progress
from swapbridge.guessing.layout.fields import raw_values
from swapbridge.plan.model import Plan
from swapbridge.plan.python.translator import Translator
from swapbridge.signalmap.decode import decode_columns
from swapbridge.signalmap.model import MapSignal, SignalMap

MOMENTS = 600
MOST_DIALS = 24
STALE_S = 1.0
"""A value older than this is shown as silent."""

Floats = npt.NDArray[np.float64]


def dials(plan: Plan, maps: Mapping[str, SignalMap], capture: Capture, progress: Progress) -> dict[str, Any]:
    """Every numeric signal that the plan sends while a capture comes in, beside the signals it is made from.

    Parameters
    ----------
    plan : Plan
        A compiled plan.
    maps : mapping of str to SignalMap
        The map of each bus, by the bus's name in the plan.
    capture : Capture
        What comes in, in the order of time.

    Returns
    -------
    dict
        `times` (M seconds) and `dials`: of each its `label`, `message`, `bus`, `unit`, `low` and `high` end, M `values`
        (None where nothing fresh was sent) and its `sources`.
    """
    if not len(capture):
        raise InputError("this capture holds no frames; choose another")
    capture = capture.select(np.argsort(capture.time_ns, kind="stable"))
    first_ns, span_s = int(capture.time_ns[0]), capture.duration_s
    times: dict[tuple[int, int], list[float]] = defaultdict(list)
    payloads: dict[tuple[int, int], list[bytes]] = defaultdict(list)
    words = {(s.bus, s.word & 0x1FFF_FFFF): (s.bus, s.word) for s in plan.sends}
    for frame in translate(plan, Translator(plan), capture):
        at_s = (frame.time_ns - first_ns) / 1e9
        progress(0.9 * min(1.0, at_s / max(span_s, 1e-9)), "translating")
        key = words.get((frame.bus, frame.message.arbitration_id))
        if key is not None:
            times[key].append(at_s)
            payloads[key].append(bytes(frame.message.data))
    grid = np.linspace(0.0, span_s, MOMENTS)
    heard = _heard(plan, maps, capture, grid)
    out = []
    for send in plan.sends:
        key = (send.bus, send.word)
        if not times[key] or plan.buses[send.bus].name in capture.bus_names:
            continue
        when, payload = np.array(times[key]), _stacked(payloads[key])
        for variant in send.variants:
            for item in variant.fields:
                scale, offset = float(Fraction(item.scale)), float(Fraction(item.offset))
                if not item.unit or item.layout.length < 4:
                    continue
                values: Floats = raw_values(payload, item.layout).astype(np.float64) * scale + offset
                sources = [heard[n] for feed in item.feeds for n in _names(plan, feed) if n in heard]
                label = f"{send.name} {item.name}"
                out.append(
                    _dial(label, item.unit, values, _held(when, values, grid), _chosen(sources, item.expression))
                )
    progress(1.0, "done")
    return {"times": np.round(grid, 3).tolist(), "dials": out[:MOST_DIALS]}


def _heard(plan: Plan, maps: Mapping[str, SignalMap], capture: Capture, grid: Floats) -> dict[str, dict[str, Any]]:
    """Source signals of the capture's buses, by `bus.MESSAGE.SIGNAL`."""
    out = {}
    first_s = int(capture.time_ns[0]) / 1e9
    for bus in plan.buses:
        signal_map = maps.get(bus.name)
        if signal_map is None or (bus.name not in capture.bus_names and len(capture.bus_names) > 1):
            continue
        for (message, name), column in decode_columns(capture, signal_map).items():
            signal = _signal(signal_map, message, name)
            if signal is None or not signal.unit or not len(column.values):
                continue
            held = _held(column.time_s - first_s, column.values.astype(np.float64), grid)
            full = f"{bus.name}.{message}.{name}"
            out[full] = {"name": full, "unit": signal.unit, "values": _listed(held)}
    return out


def _signal(signal_map: SignalMap, message: str, name: str) -> MapSignal | None:
    found = signal_map.message(message)
    return found.signal(name) if found else None


def _names(plan: Plan, feed: int) -> list[str]:
    return [extract.name for extract in plan.feeds[feed].extracts]


def _chosen(sources: list[dict[str, Any]], expression: str) -> list[dict[str, Any]]:
    """Sources that the expression names, or all of a few where it names them only through a named value."""
    named = [s for s in sources if s["name"] in expression]
    return (named or (sources if len(sources) <= 2 else []))[:3]


def _dial(label: str, unit: str, values: Floats, held: Floats, sources: list[dict[str, Any]]) -> dict[str, Any]:
    low, high = float(values.min()), float(values.max())
    if low >= 0 and low < 0.5 * high:
        low = 0.0
    return {"label": label, "unit": unit, "low": low, "high": high, "values": _listed(held), "sources": sources}


def _held(when: Floats, values: Floats, grid: Floats) -> Floats:
    """The latest value at each moment, nan where it is older than `STALE_S` or not there yet."""
    at = np.searchsorted(when, grid, side="right") - 1
    fresh = (at >= 0) & (grid - when[np.maximum(at, 0)] <= STALE_S)
    return np.where(fresh, values[np.maximum(at, 0)], np.nan)


def _listed(values: Floats) -> list[float | None]:
    return [None if np.isnan(v) else round(v, 6) for v in values.tolist()]


def _stacked(payloads: list[bytes]) -> npt.NDArray[np.uint8]:
    width = max(map(len, payloads))
    return np.frombuffer(b"".join(p.ljust(width, b"\0") for p in payloads), np.uint8).reshape(-1, width)
