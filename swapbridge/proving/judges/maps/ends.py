"""Proving room: where a number begins and ends: bits beside it that no signal of the map claims."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from swapbridge.core.layout import Layout
from swapbridge.proving.bench.frame_rows import unpack_column
from swapbridge.proving.case import Case
from swapbridge.proving.verdict import Check, check_of
from swapbridge.signalmap.signal_map import MapMessage, MapSignal

MOST_BITS = 62
LOWER_BITS, FEWEST_CARRIES, CARRIES = 8, 20, 0.8
"""A number goes up by one where what lies below it starts again: so often by chance that happens every fourth time."""
FEWEST_FLIPS, SMOOTHER = 50, 1.4
"""Of numbers whose own lowest bit was taken away it is mostly 1.6 to 4; with a bit of no meaning 0.94 to 1.06."""
LEAST_BITS, FEWEST_WRAPS = 3, 2
"""Nothing but a number whose top is missing starts again each time that the bit above it turns, and only then."""


def judge_ends(case: Case) -> list[Check]:
    """One check a number that goes on below its lowest bit or above its highest; one a bus for those that may go on."""
    out: list[Check] = []
    used = {place for made in case.made for place in made.sources}
    used |= {(case.names[m.bus], m.message.name, m.signal.name) for m in case.made if m.sources}
    heard = {(bus, message.word) for bus, message in case.heard}
    for bus, name in enumerate(case.names):
        above = []
        for message in case.maps[name].messages:
            frames = case.old(bus, message.word)
            payload = frames.payload[frames.length >= message.length] if frames is not None else None
            if payload is None or not len(payload):
                continue
            free = _free_bits(message)
            for signal in message.signals:
                counts = signal.counter is not None and (bus, message.word) in heard
                if counts or (name, message.name, signal.name) in used:
                    out += _cut_above(f"{name}.{message.name}.{signal.name}", signal, payload, free)
                if (name, message.name, signal.name) not in used or signal.mux_values or signal.is_float:
                    continue
                if signal.layout.length > 1 and _may_go_on(signal.layout, payload, free):
                    above.append(f"{message.name}.{signal.name}")
                out += _cut_below(f"{name}.{message.name}.{signal.name}", signal, payload, free)
        if above:
            out.append(
                check_of(
                    "maps", f"bus {name}", "how long", False,
                    f"{', '.join(above)}: the bit above belongs to no signal and never moved, so that a longer one "
                    "would look alike",
                    "a recording in which the bits above move, or another signal that has them",
                    "check the length where the new engine, or a faster drive, goes further", otherwise="open",
                )
            )  # fmt: skip
    return out


def _free_bits(message: MapMessage) -> set[int]:
    """Bits of a message that no signal claims."""
    claimed = {p for s in message.signals for p in s.layout.positions}
    return set(range(8 * message.length)) - claimed


def _above(layout: Layout) -> int:
    """The bit that would be the next higher one."""
    top = layout.positions[-1]
    return top + 1 if layout.byte_order == "little_endian" or top % 8 != 7 else top - 15


def _may_go_on(layout: Layout, payload: npt.NDArray[np.uint8], free: set[int]) -> bool:
    above = _above(layout)
    if above not in free:
        return False
    bit = payload[:, above // 8] >> (above % 8) & 1
    return bool((bit == bit[0]).all())


def _cut_above(label: str, signal: MapSignal, payload: npt.NDArray[np.uint8], free: set[int]) -> Iterator[Check]:
    """A number that starts again exactly when the bit above it changes, goes on there."""
    above = _above(signal.layout)
    if above not in free or not LEAST_BITS <= signal.layout.length <= MOST_BITS or signal.choices:
        return
    if signal.mux_values or signal.is_float:
        return
    flips = np.diff(payload[:, above // 8] >> (above % 8) & 1) != 0
    steps = np.diff(unpack_column(replace(signal.layout, signed=False), payload))
    wraps = np.abs(steps) > 1 << (signal.layout.length - 1)
    carried = int((flips & wraps).sum())
    if carried < FEWEST_WRAPS or carried < CARRIES * max(int(flips.sum()), int(wraps.sum())):
        return
    yield check_of(
        "maps", label, "all of its bits", False,
        f"it starts again {carried:,} times with the bit above it, which belongs to no signal: that is its next bit",
        "a number with all its bits", "in the map, give it the bit above", otherwise="unproved",
    )  # fmt: skip


def _cut_below(label: str, signal: MapSignal, payload: npt.NDArray[np.uint8], free: set[int]) -> Iterator[Check]:
    """Bits below a number that start again whenever it takes a step are its own lower bits."""
    below: list[int] = []
    while len(below) < LOWER_BITS:
        lowest = below[-1] if below else signal.layout.positions[0]
        down = lowest - 1 if signal.layout.byte_order == "little_endian" or lowest % 8 else lowest + 15
        if down not in free:
            break
        below.append(down)
    if not below or signal.choices or signal.layout.length > MOST_BITS:
        return
    lower = sum(
        ((payload[:, p // 8] >> (p % 8) & 1).astype(np.int64) << n for n, p in enumerate(reversed(below))),
        np.zeros(len(payload), np.int64),
    )
    values = unpack_column(signal.layout, payload)
    steps, turned = np.diff(values), np.diff(lower)
    once = np.abs(steps) == 1
    carried = (turned * steps)[once] <= -(1 << (len(below) - 1))
    share = float(carried.mean()) if once.sum() >= FEWEST_CARRIES else 0.0
    smoother = _smoother(values, lower >> (len(below) - 1))
    if share < CARRIES and smoother < SMOOTHER:
        return
    what = f"with {100 * share:.0f} % of its steps the {len(below)} bits below it start again"
    if share < CARRIES:
        what = f"with the bit below it, its steps are {smoother:.2g} times as even as with its opposite"
        below = below[:1]
    yield check_of(
        "maps", label, "all of its bits", False, f"{what}: it goes on there", "a number with all its bits",
        f"in the map, give it the {len(below)} bits below, and divide its scale by {1 << len(below)}",
        otherwise="unproved",
    )  # fmt: skip


def _smoother(values: npt.NDArray[np.int64], bit: npt.NDArray[np.int64]) -> float:
    """How much evener a number's steps are with a bit below it than with that bit turned round; 1 for a stranger's."""
    if (np.diff(bit) != 0).sum() < FEWEST_FLIPS:
        return 1.0
    with_it, without = (2 * values + mine for mine in (bit, 1 - bit))
    moves = np.diff(with_it) != 0
    near = moves[1:] | moves[:-1]
    uneven = [float(np.abs(np.diff(number, 2))[near].sum()) for number in (with_it, without)]
    return uneven[1] / max(uneven[0], 1.0)
