"""Drafting room: what is never drafted, whatever a recording shows."""

from __future__ import annotations

import numpy as np

from swapbridge.core.obd import diagnostic_use
from swapbridge.drafting.vehicle import VehicleMessage, spans

LEAST_WAKES = 3
AUTHENTICATED_BITS = 24
"""A run of noise this long with no relation to anything is taken for an authentication code."""


def refused(message: VehicleMessage) -> str:
    """Why a whole message is not drafted, or ""."""
    use = diagnostic_use(message.key.identifier, message.key.extended)
    if use:
        return f"its identifier is for {use}"
    if is_start_up(message):
        return _start_up(message)
    if not message.counter and _noisy_run(message) >= AUTHENTICATED_BITS:
        return "it looks authenticated: a long run of its bits is noise, which nobody can make without the key"
    return ""


def is_start_up(message: VehicleMessage) -> bool:
    """Whether it comes a few times after each wake only."""
    moments = spans(message.time_s, 1.5)
    counts = [int(((message.time_s >= a) & (message.time_s <= b)).sum()) for a, b in moments]
    return bool(counts) and max(counts) <= 12 and all(b - a < 3 for a, b in moments)


def _start_up(message: VehicleMessage) -> str:
    moments = spans(message.time_s, 1.5)
    if len(message.moved - _counted(message)) > 0:
        return (
            "its start-up payload differs from wake to wake, as an immobiliser's answer does: it is never sent, and "
            "pairing is work for a licensed person"
        )
    if len(moments) < LEAST_WAKES:
        return f"its start-up payload was seen at {len(moments)} wakes, and three alike are asked for"
    return ""


def _counted(message: VehicleMessage) -> frozenset[int]:
    out: set[int] = set()
    if message.counter is not None:
        out |= set(message.counter[0].positions)
    if message.checksum is not None:
        out |= set(message.checksum[0].layout.positions)
    return frozenset(out)


def _noisy_run(message: VehicleMessage) -> int:
    """Longest run of neighbouring bits that each flip in about half of the frames."""
    if len(message.time_s) < 200:
        return 0
    bits = np.unpackbits(message.payload, axis=1, bitorder="little")
    flips = (bits[1:] != bits[:-1]).mean(axis=0)
    skip = _counted(message)
    run = best = 0
    for position, rate in enumerate(flips.tolist()):
        run = run + 1 if 0.42 < rate < 0.58 and position not in skip else 0
        best = max(best, run)
    return best
