"""Proving room: what is sent with the key on before the engine runs: modules wait for it before they let it start."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from swapbridge.core.roles import BY_NAME
from swapbridge.proving.bench.bench import Bench, Run, frames_of
from swapbridge.proving.bench.frame_rows import Frames, unpack_column
from swapbridge.proving.verdict import Check, check_of
from swapbridge.signalmap.signal_map import MapMessage, MapSignal, SignalMap

FEW = 3
"""Frames of the old engine computer before the engine ran that count as a habit."""

AHEAD_NS = 50_000_000
"""So long before the engine turns a message must have been seen: one that comes with the first turn is too late."""


def key_on_checks(bench: Bench, run: Run, maps: Mapping[str, SignalMap]) -> list[Check]:
    """Each message that the old engine computer sent before its engine turned must be sent before the new one does.

    The moment is where the sent engine speed first leaves zero; without such a signal nothing is judged.
    """
    out = []
    sent = run.by_word()
    for number, bus in enumerate(bench.plan.buses):
        found = _speed(bench, number, maps)
        if found is None:
            continue
        message, signal = found
        old, ours = bench.recorded(number, message.word), sent.get((number, message.word), [])
        turned = None if old is None else _first_above_zero(old, message, signal)
        turns = _first_above_zero(frames_of(ours), message, signal) if ours else None
        if turned is None or turns is None:
            continue
        missing, looked = [], 0
        for send in bench.plan.sends:
            before = bench.recorded(number, send.word) if send.bus == number else None
            if before is None or int((before.time_ns < turned).sum()) < FEW:
                continue
            looked += 1
            if not any(s.received_ns < turns - AHEAD_NS for s in sent.get((number, send.word), [])):
                missing.append(send.name)
        out.append(
            check_of(
                "form",
                f"bus {bus.name}",
                "before the engine runs",
                not missing,
                f"not sent: {', '.join(missing)}" if missing else f"{looked} messages, as the old engine sent",
                "what the old engine computer sent with the key on",
                'add "key_on" to the states of that message in the bridge file',
            )
        )
    return out


def _speed(bench: Bench, bus: int, maps: Mapping[str, SignalMap]) -> tuple[MapMessage, MapSignal] | None:
    """The engine speed that the plan sends on a bus."""
    role = BY_NAME["engine_speed"].name
    for send in bench.plan.sends:
        message = maps[bench.plan.buses[bus].name].by_word(send.word) if send.bus == bus else None
        names = {f.name for v in send.variants for f in v.fields if f.role == role}
        for signal in message.signals if message is not None else ():
            if message is not None and signal.name in names and not signal.mux_values:
                return message, signal
    return None


def _first_above_zero(frames: Frames, message: MapMessage, signal: MapSignal) -> int | None:
    whole = frames.length >= message.length
    raw = unpack_column(signal.layout, frames.payload[whole])
    physical = raw * float(signal.scale) + float(signal.offset)
    runs = (physical > 0) & ~np.isin(raw, [*signal.not_available, *signal.error_codes])
    return int(frames.time_ns[whole][runs][0]) if runs.any() else None
