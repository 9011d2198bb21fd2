"""Proving room: what followed coolant or pedal by one curve in the old sender's frames follows it by that curve now.

A cluster's needle and a kick-down flag have no unit that anybody measures, so that nothing else tells what they are
made from. But the old sender said them beside its coolant temperature and its pedal, and so do we: the two lie on one
curve, whoever drives and whichever engine runs.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from swapbridge.language.expressions import Binary, Call, Node, Number, Unary
from swapbridge.proving.case import Case, Floats, SentSignal, Track
from swapbridge.proving.judges.maps.likeness import find_kind, unit_values
from swapbridge.proving.verdict import Check, check_of

LONGEST_CODE = 4
LEAST_SPAN, PARTS = 30.0, 5
"""A warm-up, in K: over less, most things that warm up look alike."""
BIN, FEWEST = 1.0, 5
STEPS, SPREAD = 2.0, 0.04
"""Readings of one temperature lie so near each other where one curve holds: steps of the signal, or of its span."""
AWAY, ALONG = 0.08, 0.7
"""A needle stands so far from its curve, of its span, before it counts as elsewhere; and so seldom in any part."""
LEAST_STEPS = 10
SAME_PEDAL, PEDAL_APART, FEWEST_FRAMES, APART = 2.0, 4.0, 5, 0.5
"""A flag's edge is known to so much of the pedal's travel; so far off, in so many frames, it is another edge."""


def judge_same_curve(case: Case) -> list[Check]:
    """One check a number of its own scale that followed coolant, and one a flag that the pedal set."""
    out: list[Check] = []
    for made in case.made:
        if made.send.once or made.is_open or case.bridge.buses[made.bus].holds_engine or not made.sources:
            continue
        before, now = case.recorded_track(made.bus, made.message, made.signal), case.sent_track(made)
        if before is None or now is None:
            continue
        if made.signal.layout.length == 1:
            out += _flag(case, made, before, now)
        elif _has_own_scale(made):
            out += _needle(case, made, before, now)
    return out


def _has_own_scale(made: SentSignal) -> bool:
    """A number that measures nothing that another engine may have otherwise."""
    measures = made.role is not None and bool(made.role.quantity)
    plain = made.signal.unit == "" or find_kind(made.signal) == "ratio"
    return made.signal.layout.length > LONGEST_CODE and not made.signal.choices and plain and not measures


# --- a needle and its temperature


def _needle(case: Case, made: SentSignal, before: Track, now: Track) -> Iterator[Check]:
    found = _beside(case, made, "coolant_temperature", "degC", before, now)
    curve = _curve(before, found[0]) if found is not None else None
    if found is None or curve is None:
        return
    today = found[1]
    use = now.measured & (today >= curve.at[0]) & (today <= curve.at[-1]) & (now.raw != made.safe_raw)
    if use.sum() < FEWEST:
        return
    off = np.abs(now.raw[use] - np.interp(today[use], curve.at, curve.raw))
    part = np.minimum((PARTS * (today[use] - curve.at[0]) / np.ptp(curve.at)).astype(int), PARTS - 1)
    near = off <= max(STEPS + 1, AWAY * np.ptp(curve.raw))
    shares = [float(near[part == k].mean()) for k in np.unique(part) if (part == k).sum() >= FEWEST]
    worst = min(shares, default=1.0)
    yield check_of(
        "life", made.label, "follows coolant by the old curve", worst >= ALONG,
        f"{100 * worst:.0f} % of the frames in the part of the range where it is least lie on the curve from "
        f"{curve.at[0]:.0f} to {curve.at[-1]:.0f} degC on which all of the old sender's lay",
        "one curve: the module that shows it was made for that",
        "make it from coolant temperature by a table of the old sender's values", otherwise="unproved",
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Curve:
    """Temperatures in rising order, and the raw value that was said at each."""

    at: Floats
    raw: Floats


def _curve(track: Track, at: Floats) -> _Curve | None:
    """The curve on which all values lie; None where they don't, or over less than a warm-up."""
    use = track.measured & ~np.isnan(at)
    if use.sum() < FEWEST or np.ptp(at[use]) < LEAST_SPAN or np.ptp(track.raw[use]) < LEAST_STEPS:
        return None
    cell = np.floor(at[use] / BIN).astype(np.int64)
    raw, room = track.raw[use], max(STEPS, SPREAD * float(np.ptp(track.raw[use])))
    temperatures, values = [], []
    for one in np.unique(cell).tolist():
        mine = raw[cell == one]
        if len(mine) < FEWEST:
            continue
        low, middle, high = np.percentile(mine, (5, 50, 95))
        if high - low > 2 * room:
            return None
        temperatures.append((one + 0.5) * BIN)
        values.append(float(middle))
    if len(values) < LEAST_STEPS or np.ptp(temperatures) < LEAST_SPAN or np.ptp(values) < LEAST_STEPS:
        return None
    return _Curve(np.array(temperatures), np.array(values))


# --- a flag and the pedal


def _flag(case: Case, made: SentSignal, before: Track, now: Track) -> Iterator[Check]:
    found = _beside(case, made, "pedal_position", "%", before, now)
    if found is None:
        return
    then, today = found
    for side in (1, -1):  # set above an edge, or below it
        at, here = side * then, side * today
        on, off = at[(before.raw != 0) & ~np.isnan(at)], at[(before.raw == 0) & ~np.isnan(at)]
        if min(len(on), len(off)) < FEWEST_FRAMES or float(on.min()) < float(off.max()) - SAME_PEDAL:
            continue
        if min(float((on > off.max()).mean()), float((off < on.min()).mean())) < APART:
            continue  # something else decides as well
        early = (now.raw != 0) & (here < float(off.max()) - PEDAL_APART)
        late = (now.raw == 0) & (here > float(on.min()) + PEDAL_APART)
        wrong = early if early.sum() >= late.sum() else late
        number = int(wrong.sum())
        edge = side * (float(on.min()) + float(off.max())) / 2
        shown = f"{'set' if early.sum() >= late.sum() else 'not set'} in {number} frames at "
        shown += f"{today[wrong].min():.0f} to {today[wrong].max():.0f} %" if number else ""
        yield check_of(
            "life", made.label, "follows the pedal by the old edge", number < FEWEST_FRAMES,
            f"{shown}; the old sender set it {'above' if side > 0 else 'below'} {edge:.0f} %" if number
            else f"set {'above' if side > 0 else 'below'} {edge:.0f} %, as before",
            "the same pedal as the old sender's",
            f"compare with {edge:.0f} % in its rule" if _compares(case, made) else
            "its own computer decides otherwise: make it from pedal position, or drive and see whether it fits",
            otherwise="unproved" if _compares(case, made) else "open",
        )  # fmt: skip
        released = int(side < 0)
        if made.safe_raw is not None:
            yield check_of(
                "life", made.label, "in doubt as with the pedal released", made.safe_raw == released,
                f"{made.safe_raw} in doubt, {released} with the pedal released", "a pedal in doubt is released",
                f'write fallback = "{released}" in its rule, or make sure that this harms nobody', otherwise="open",
            )  # fmt: skip
        return


def _compares(case: Case, made: SentSignal) -> bool:
    """Whether a person's number in the rule decides, and no flag of the engine's own computer."""
    wide = False
    for place in made.sources:
        found = case.track_of(place)
        wide |= found is not None and found.signal.layout.length > LONGEST_CODE and not found.signal.choices
    return wide and _has_edge(made.tree)


def _has_edge(node: Node | None) -> bool:
    if isinstance(node, Binary):
        parts = (node.left, node.right)
        edge = node.operator in ("<", "<=", ">", ">=") and any(isinstance(part, Number) for part in parts)
        return edge or any(_has_edge(part) for part in (*parts, node.otherwise))
    if isinstance(node, Unary):
        return _has_edge(node.operand)
    return isinstance(node, Call) and any(_has_edge(part) for part in node.arguments)


# --- what its sender says beside it


def _beside(
    case: Case, made: SentSignal, alias: str, unit: str, before: Track, now: Track
) -> tuple[Floats, Floats] | None:
    """What the same sender says of a role at the moments of a signal's old and new frames; nan where nothing."""
    others = [m for m in case.made if m.bus == made.bus and m.role is not None and m.role.alias == alias]
    for other in sorted(others, key=lambda m: m.message.name != made.message.name):
        old, new = case.recorded_track(other.bus, other.message, other.signal), case.sent_track(other)
        if old is None or new is None or other.is_open or other.message.senders != made.message.senders:
            continue
        then, today = (_held(case, other, unit, one, at.time_s) for one, at in ((old, before), (new, now)))
        if then is not None and today is not None:
            return then, today
    return None


def _held(case: Case, other: SentSignal, unit: str, track: Track, time_s: Floats) -> Floats | None:
    values = unit_values(case, other.bus, other.message.name, other.signal, track.values, unit)
    if values is None:
        return None
    rows = np.searchsorted(track.time_s, time_s, "right") - 1
    there = (rows >= 0) & track.measured[np.maximum(rows, 0)] & (track.raw[np.maximum(rows, 0)] != other.safe_raw)
    out: Floats = np.where(there, values[np.maximum(rows, 0)], np.nan)
    return out
