"""Proving room: source and sent signal over time, as the report draws them."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from swapbridge.core.errors import InputError
from swapbridge.core.units import find_unit
from swapbridge.proving.bench.bench import Bench, Run, frames_of
from swapbridge.proving.bench.frame_rows import Frames, unpack_column
from swapbridge.proving.curves import thin
from swapbridge.proving.verdict import ProofOverlay
from swapbridge.signalmap.signal_map import MapSignal, SignalMap

OVERLAYS = 24


def overlays(bench: Bench, run: Run, maps: Mapping[str, SignalMap]) -> list[ProofOverlay]:
    """Source and sent signal over time, for the fields made from one source signal."""
    out: list[ProofOverlay] = []
    plan = bench.plan
    sent = run.by_word()
    places = {e.name: (r.bus, r.word, e.layout) for r in plan.receives for n in r.feeds for e in plan.feeds[n].extracts}
    for send in plan.sends:
        rows = sent.get((send.bus, send.word), [])
        for field in send.variants[0].fields:
            names = [n for n in places if n in field.expression]
            if len(out) >= OVERLAYS or len(names) != 1 or len(rows) < 2 or len(send.variants) > 1:
                continue
            bus, word, _ = places[names[0]]
            source = bench.recorded(bus, word)
            message = maps[plan.buses[bus].name].by_word(word)
            target = maps[plan.buses[send.bus].name].by_word(send.word)
            if source is None or message is None or target is None:
                continue
            from_signal, to_signal = message.signal(names[0].rsplit(".", 1)[-1]), target.signal(field.name)
            if from_signal is None or to_signal is None or from_signal.mux_values:
                continue
            scale, shift, unit = _shown_in(from_signal.unit, to_signal.unit)
            out.append(
                ProofOverlay(
                    f"{send.name}.{field.name} = {field.expression}",
                    names[0],
                    unit,
                    tuple((t, round(v * scale + shift, 6)) for t, v in _points(source, from_signal)),
                    f"{send.name}.{field.name}",
                    to_signal.unit,
                    _points(frames_of(rows), to_signal),
                )
            )
    return out


def _shown_in(unit: str, other: str) -> tuple[float, float, str]:
    """Factor and shift that show a source in the sent signal's unit, where both are of one kind."""
    try:
        scale, shift = find_unit(unit).conversion(find_unit(other))
    except InputError:
        return 1.0, 0.0, unit
    return float(scale), float(shift), other


def _points(frames: Frames, signal: MapSignal) -> tuple[tuple[float, float], ...]:
    """A signal's measurements over time, for a picture; codes that are none leave a gap."""
    raw = unpack_column(signal.layout, frames.payload)
    keep = ~np.isin(raw, [*signal.not_available, *signal.error_codes])
    physical = raw[keep].astype(np.float64) * float(signal.scale) + float(signal.offset)
    return thin(frames.time_ns[keep] / 1e9, physical)
