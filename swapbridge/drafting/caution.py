"""Drafting room: what a person must look at (possible torques, throttles, requests); 'not available' codes of a map."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

import numpy as np

from swapbridge.compiler.expressions.sources import invalid_code
from swapbridge.core.layout import Layout
from swapbridge.core.roles import BY_NAME
from swapbridge.core.units import SPELLINGS
from swapbridge.drafting.drafted import Explained
from swapbridge.drafting.explain.kit import Kit
from swapbridge.drafting.explain.measured import TOLD_WELL, may_be_request
from swapbridge.drafting.lines import number_text
from swapbridge.drafting.recorded_vehicle import VehicleMessage
from swapbridge.signalmap.signal_map import MapMessage

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
VALID_SHARE = Fraction(250, 255)
"""The share of a layout that holds values; above it are codes (SAE J1939-71: 0xFA of 0xFF)."""
TORQUE_HAZARDS = frozenset({"actual torque", "torque request"})


def is_torque(one: Explained) -> bool:
    """Whether a field is known to be a torque, by its role or unit."""
    role = BY_NAME.get(one.role)
    known = role is not None and (role.hazard in TORQUE_HAZARDS or role.quantity == "torque")
    return known or (one.unit in SPELLINGS and SPELLINGS[one.unit].kind == "torque")


def cautious(
    kit: Kit, message: VehicleMessage, fields: Sequence[Explained], allowed: frozenset[int]
) -> list[Explained]:
    """The fields, those that may be a torque, a throttle or a request with role, limits, safe answer, `unreviewed`.

    `allowed` are the bits that may move.
    """
    holds = any(is_torque(f) for f in fields)
    return [_cautious(kit, message, f, holds, allowed) for f in fields]


def _cautious(kit: Kit, message: VehicleMessage, one: Explained, holds: bool, allowed: frozenset[int]) -> Explained:
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
        if one.unproved:
            one = _unproved(one)
        safe, ends = (rest if kind == "request" else int(raw.max())), one.layout.raw_range
        if role in RAISED and one.how == "open":
            safe = high_side(one.layout, safe, allowed)
            why += "; it is sent from the high side of its layout"
    low, high = sorted((_physical(one, ends[0]), _physical(one, ends[1])))
    answer = _text(one, _physical(one, safe))
    if one.how != "open" and one.share < TOLD_WELL:
        one = replace(one, confidence=min(one.confidence, MOST_SURE_RAISED))
    if role in RAISED and one.raised:
        why += "; nothing matches it well, and what may be a torque is sent too high rather than too low"
        one = replace(one, value=one.raised, confidence=min(one.confidence, MOST_SURE_RAISED))
    return replace(
        one, role=role, limits=(_text(one, low), _text(one, high)), fallback=answer,
        value=answer if one.how == "open" else one.value, unreviewed=True, words=f"{one.words}; {why}",
    )  # fmt: skip


def _unproved(one: Explained) -> Explained:
    """A copy of what behaves alike, open: its scale may be wrong, and a torque would be sent too low."""
    return replace(
        one, how="open", confidence=0.0, seen=(), runner_up=one.words,
        words="its scale is a guess, which is not enough for a torque",
        closes="a scan tool's torque of both engines",
    )  # fmt: skip


def high_side(layout: Layout, highest: int, allowed: frozenset[int]) -> int:
    """The value of an open torque: a gearbox that believes it is low applies too little pressure.

    The engine that comes may be stronger than the one recorded: one bit more than was ever used, if the layout and the
    bits that may move have it, and no code such as 'not available'.
    """
    if layout.signed or highest < 0:
        return max(highest, int(layout.raw_range[1] * VALID_SHARE))
    used = highest.bit_length()
    more = used < layout.length and layout.positions[used] in allowed
    return max(highest, int(((1 << (used + more)) - 1) * VALID_SHARE))


def _suspected(kit: Kit, message: VehicleMessage, one: Explained, holds: bool) -> tuple[str, str]:
    """(torque, throttle, request or "", why) of a measured field without a role.

    What rests on one value is a request, except the load of the host's own engine: it may have stood or idled.
    """
    raw = message.raw(one.layout).astype(np.float64)
    if is_torque(one):
        return "torque", f"its unit is {one.unit}"
    best = ("", 0.0)
    for line in kit.swap.quantities.values():
        if line.channel in LOAD_CHANNELS:
            x = line.series.at(message.time_s)
            if np.ptp(x) > 0 and np.ptp(raw) > 0:
                together = abs(float(np.corrcoef(x, raw)[0, 1]))
                best = max(best, (line.channel, together), key=lambda b: b[1])
    asks = kit.bus == kit.swap.donor.bus or best[1] < MOVES_WITH
    if asks and may_be_request(raw):
        return "request", "it rests at one value, as a request does"
    if best[1] >= MOVES_WITH:
        return LOAD_CHANNELS[best[0]], f"it moves with {best[0]} and may be a {LOAD_CHANNELS[best[0]]}"
    return ("torque", "its message holds a torque, so it may be one") if holds else ("", "")


def _physical(one: Explained, raw: int) -> float:
    return raw * one.scale + one.offset


def _text(one: Explained, value: float) -> str:
    return f"{number_text(value, 12)} {one.unit}".strip()


def with_not_available(fields: Sequence[Explained], known: MapMessage | None) -> list[Explained]:
    """The fields, open ones with the map's code for 'not available' where it has one and no safer answer is kept."""
    out = []
    for one in fields:
        signal = None if known is None else known.signal(one.name)
        code = None if signal is None or signal.layout != one.layout else invalid_code(signal)
        if one.how != "open" or one.kept or signal is None or code is None or code in signal.error_codes:
            out.append(one)
            continue
        words = f"{one.words}; sent as 'not available'"
        text = _text(one, _physical(one, code))
        out.append(replace(one, value=text, fallback=text, words=words))
    return out
