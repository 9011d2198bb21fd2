"""Drafting room: what somebody must look at: whatever may be a torque, a throttle or a request; and codes of a map."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from swapbridge.compiler.expressions.sources import invalid_code
from swapbridge.core.roles import BY_NAME
from swapbridge.core.units import SPELLINGS
from swapbridge.drafting.explain.kit import Kit
from swapbridge.drafting.explain.measured import may_be_request
from swapbridge.drafting.lines import number_text
from swapbridge.drafting.model import Explained
from swapbridge.drafting.vehicle import VehicleMessage
from swapbridge.signalmap.model import MapMessage

LOAD_CHANNELS = {
    "actual_torque": "torque",
    "requested_torque": "torque",
    "engine_load": "torque",
    "manifold_pressure": "torque",
    "throttle_position": "throttle",
    "pedal_position": "throttle",
}
"""Channels of load; what goes with one is taken for that, torque first."""
MOVES_WITH = 0.6
"""A correlation from which on a field moves with a channel: low, since only a review is lost by being wrong."""
MOST_SURE_RAISED = 0.5
RAISED = ("actual_torque", "throttle_position")
"""What a driver asks for goes with the pedal, in percent or in Nm: in doubt it is a torque."""
TORQUE_HAZARDS = frozenset({"actual torque", "torque request"})


def is_torque(one: Explained) -> bool:
    """Whether a field is known to be a torque, by its role or unit."""
    role = BY_NAME.get(one.role)
    known = role is not None and (role.hazard in TORQUE_HAZARDS or role.quantity == "torque")
    return known or (one.unit in SPELLINGS and SPELLINGS[one.unit].kind == "torque")


def cautious(kit: Kit, message: VehicleMessage, fields: Sequence[Explained]) -> list[Explained]:
    """The fields, those that may be a torque, a throttle or a request with role, limits, safe answer, `unreviewed`."""
    holds = any(is_torque(f) for f in fields)
    return [_cautious(kit, message, f, holds) for f in fields]


def _cautious(kit: Kit, message: VehicleMessage, one: Explained, holds: bool) -> Explained:
    if one.role == "status" and holds:
        return replace(one, unreviewed=True)
    if one.role != "value":
        return one
    raw = message.raw(one.layout)
    kind, why = _suspected(kit, message, one, holds)
    if not kind:
        return one
    if one.how == "total":  # a running total is no torque, whatever it adds up
        return replace(one, unreviewed=True, words=f"{one.words}; {why}")
    values, counts = np.unique(raw, return_counts=True)
    rest = int(values[counts.argmax()])
    if kit.bus == kit.swap.donor.bus:  # an engine computer listens there: it is asked for something
        role = "throttle_request" if kind == "throttle" else "torque_reduction_request"
        safe, ends = rest, (int(raw.min()), int(raw.max()))
    else:
        role = {"torque": "actual_torque", "throttle": "throttle_position", "request": "requested_torque"}[kind]
        safe, ends = (rest if kind == "request" else int(raw.max())), one.layout.raw_range
    low, high = sorted((_physical(one, ends[0]), _physical(one, ends[1])))
    answer = _text(one, _physical(one, safe))
    if role in RAISED and one.raised:
        why += "; nothing matches it well, and what may be a torque is sent too high rather than too low"
        one = replace(one, value=one.raised, confidence=min(one.confidence, MOST_SURE_RAISED))
    return replace(
        one, role=role, limits=(_text(one, low), _text(one, high)), fallback=answer,
        value=answer if one.how == "open" else one.value, unreviewed=True, words=f"{one.words}; {why}",
    )  # fmt: skip


def _suspected(kit: Kit, message: VehicleMessage, one: Explained, holds: bool) -> tuple[str, str]:
    """(torque, throttle, request or "", why) of a measured field without a role."""
    raw = message.raw(one.layout).astype(np.float64)
    if is_torque(one):
        return "torque", f"its unit is {one.unit}"
    if may_be_request(raw):
        return "request", "it rests at one value, as a request does"
    best = ("", 0.0)
    for line in kit.swap.quantities.values():
        if line.channel in LOAD_CHANNELS:
            x = line.series.at(message.time_s)
            if np.ptp(x) > 0 and np.ptp(raw) > 0:
                together = abs(float(np.corrcoef(x, raw)[0, 1]))
                best = max(best, (line.channel, together), key=lambda b: b[1])
    if best[1] >= MOVES_WITH:
        return LOAD_CHANNELS[best[0]], f"it moves with {best[0]} and may be a {LOAD_CHANNELS[best[0]]}"
    return ("torque", "its message holds a torque, so it may be one") if holds else ("", "")


def _physical(one: Explained, raw: int) -> float:
    return raw * one.scale + one.offset


def _text(one: Explained, value: float) -> str:
    return f"{number_text(value, 12)} {one.unit}".strip()


def with_codes(fields: Sequence[Explained], known: MapMessage | None) -> list[Explained]:
    """The fields, open ones with the map's code for 'not available' where it has one and no safer answer is kept."""
    out = []
    for one in fields:
        signal = None if known is None else known.signal(one.name)
        code = None if signal is None or signal.layout != one.layout else invalid_code(signal)
        if one.how != "open" or one.kept or signal is None or code is None or code in signal.error_codes:
            out.append(one)
            continue
        words = f"{one.words}; 'not available' is said"
        text = _text(one, _physical(one, code))
        out.append(replace(one, value=text, fallback=text, words=words))
    return out
