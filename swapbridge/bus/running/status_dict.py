"""Bus room: how a run is doing, as plain data for whoever watches it from another process."""

from __future__ import annotations

from typing import Any

from swapbridge.bus.running.live_status import LiveStatus, LiveValues
from swapbridge.core.errors import InputError
from swapbridge.core.identifier_words import format_identifier, split_word
from swapbridge.core.roles import find_role
from swapbridge.core.units import find_unit
from swapbridge.plan.plan import Plan

SPEEDS = frozenset(find_role(name).name for name in ("vehicle_speed", "wheel_speed"))
SHOWN_WORDS = 8


def status_dict(plan: Plan, status: LiveStatus, values: LiveValues) -> dict[str, Any]:
    """A run's state, its buses, inputs and outputs; `speed_kmh` where the plan carries the vehicle's speed."""
    outputs, speeds = [], []
    for item in status.outputs:
        shown = values.of(item.send, item.data) if item.data is not None else []
        outputs.append(
            {
                "bus": item.bus,
                "name": item.name,
                "id": format_identifier(*split_word(item.word)),
                "count": item.count,
                "data": item.data.hex(" ").upper() if item.data is not None else "",
                "seen": item.seen.hex(" ").upper() if item.seen is not None else "",
                "values": [f"{name} {value:g} {unit}".strip() for name, value, unit in shown],
            }
        )
        roles = {f.name: _role(f.role) for form in plan.sends[item.send].variants for f in form.fields}
        speeds += [_kmh(value, unit) for name, value, unit in shown if roles.get(name) in SPEEDS]
    return {
        "seconds": status.seconds,
        "mode": status.mode,
        "sending": status.sending,
        "shut": status.shut,
        "lost": list(status.lost),
        "worst_lag_ms": status.worst_lag_ms,
        "speed_kmh": max((speed for speed in speeds if speed is not None), default=None),
        "announced": list(status.announced[-SHOWN_WORDS:]),
        "buses": [
            {
                "name": b.name,
                "up": b.up,
                "line": b.health.line(),
                "warning": b.health.warning,
                "received": b.received,
                "sent": b.sent,
            }
            for b in status.buses
        ],
        "inputs": [
            {"bus": i.bus, "name": i.name, "age_s": i.age_s, "limit_s": i.limit_s, "fresh": i.fresh}
            for i in status.inputs
        ],
        "outputs": outputs,
    }


def _role(name: str) -> str:
    try:
        return find_role(name).name if name else ""
    except InputError:
        return name


def _kmh(value: float, unit: str) -> float | None:
    try:
        scale, shift = find_unit(unit).conversion(find_unit("km/h"))
    except InputError:
        return None
    return float(value * float(scale) + float(shift))
