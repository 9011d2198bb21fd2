"""Drafting room: explains one measured field: a copy by its channel, else the cheapest copy, table, sum or product."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from swapbridge.core.layout import Layout
from swapbridge.core.roles import BY_NAME
from swapbridge.core.vocabulary import spoken_words
from swapbridge.drafting.drafted import Explained, How
from swapbridge.drafting.explain.flags import GOOD
from swapbridge.drafting.explain.kit import Kit, open_field
from swapbridge.drafting.explain.numbers import Formula, Measured, NumberTerm, best_formula, fit_straight, fit_table
from swapbridge.drafting.explain.totals import find_total
from swapbridge.drafting.lines import Atom, DraftLine, number_text
from swapbridge.drafting.linking import (
    LinkedLine,
)
from swapbridge.drafting.recorded_vehicle import Floats, VehicleField, VehicleMessage
from swapbridge.drafting.swap_sources import (
    LEAST_CHANNEL,
    physical_series,
)
from swapbridge.drafting.when_sent import RUNNING_RPM

CARRIED_ROLES = frozenset({
    "engine_speed", "actual_torque", "requested_torque", "throttle_position", "pedal_position", "coolant_temperature",
    "oil_temperature", "intake_temperature", "ambient_temperature", "manifold_pressure", "module_voltage",
    "vehicle_speed", "fuel_level",
})  # fmt: skip
"""Channels whose copies are sent in their role."""
NICE_RATIOS = tuple(
    sorted(
        {
            a / b
            for a in (1, 2, 3, 4, 5, 8, 10, 16, 20, 25, 40, 50, 80, 100)
            for b in (1, 2, 3, 4, 5, 8, 10, 16, 20, 25, 40)
        }
    )
)
NEAR_RATIO = 0.025
NOT_ALIKE = 0.04
"""A field that its own formula fits so much better than the other vehicle's rule is another function."""
RANGE_PARTS, LEAST_PART, WRONG_PART = 8, 20, 0.1
"""A quantity's recorded range is looked at in so many parts, where one has so many frames. A copy that is wrong in so
many more of the frames of one than the field's own formula is another function."""
LEAST_HELD_OUT = 0.8
SEEN_MARGIN = 0.1
"""A learned formula is trusted this far beyond its recorded range, as a share of it."""
LEAST_REACHED = 0.5
"""A formula may use a quantity that is in the range it was learned in for this share of its sender's own drive."""
COLD_MARGIN = 1.0
"""A temperature starts anywhere; what follows it is believed this share of its recorded range below that."""
HOT_MARGIN = 1.0
"""A condition on a temperature is believed this share of its range beyond it, hotter."""
WARM_CHANNELS = frozenset({"coolant_temperature", "oil_temperature"})
ODOMETERS = frozenset({"odometer", "mileage", "distance"})
SAME_DISTANCE = 0.99
HEATS = WARM_CHANNELS | {"intake_temperature", "ambient_temperature"}
AS_WELL = 0.01
LOAD_AND_HEAT = WARM_CHANNELS | {
    "engine_speed", "pedal_position", "throttle_position", "actual_torque", "manifold_pressure",
}  # fmt: skip
LOADS = ("actual_torque", "manifold_pressure", "pedal_position", "throttle_position")
MADE_OF_LOAD = frozenset({"manifold_pressure", "engine_load", "air_flow", "throttle_position"})
STANDS_RPM = 50
LEAST_TORQUE_BITS = 7
LEAST_BELOW = 0.03
"""How far below its value at a standing engine a torque goes in overrun, as a share of its span."""
TOLD_WELL = 0.95
"""A copy of what behaves alike has a scale of its own where its stand-in is right in this share of the frames."""
MOST_LOW = 0.015
"""A torque that its rule makes too low in a larger share of the frames is raised until no more are too low."""
EXACT = 0.99
"""A learned formula is sure where this share of frames is right on both halves of the evidence."""
LEAST_HEAT = 0.5
"""A needle of heat goes over this share of its span by a temperature alone."""
LEAST_LEVER = 0.1
"""A slope is read where a value is away from what a standing engine says by this share of its span."""
LEAST_APART = 0.3
"""A formula must be right in this share of the frames in which a field is away from where it rests."""
REQUEST_SHARE = 0.8
"""A field that rests on one end of its range for this share of the time may be a request."""


@dataclass(frozen=True, slots=True)
class _Way:
    price: float
    how: How
    formula: Formula
    words: str
    confidence: float


def explain_number(kit: Kit, message: VehicleMessage, one: VehicleField, allowed: frozenset[int]) -> Explained:
    """A measured value: a copy by its channel, else the cheapest copy, table, sum or product."""
    if _is_odometer(kit, message, one):
        top = str(one.layout.raw_range[1])
        return Explained(
            one.layout, one.name, "open", 0.0, top, top, words="it is an odometer, which is never made up or repeated",
            closes="a module that stays and sends it", unreviewed=True,
        )  # fmt: skip
    copied = _channel_copy(kit, message, one, allowed)
    if copied is not None:
        return copied
    raw = message.raw(one.layout).astype(np.float64)
    wraps = _moving_bits(one)
    total = find_total(
        message.time_s, message.raw(wraps).astype(np.float64), wraps.length,
        (*kit.lines, *kit.local, *(x.line for x in kit.linked)),
    )  # fmt: skip
    if total is not None:
        return Explained(
            wraps, one.name, "total", min(0.9, total.fit - 0.05), total.text, "0", "value", share=total.fit,
            words=f"{total.words}; {total.fit:.1%} of its climb on held-out stretches",
        )  # fmt: skip
    measured = Measured(message.time_s, raw)
    ways = [_straight(measured, line, 0.97) for line in (*kit.lines, *kit.local)]
    formula = _formula_within_reach(kit, message, measured)
    simple = formula if formula is not None and _fits_simply(formula) else None
    plain = 0.0 if simple is None else simple.share
    linked = [_linked(measured, x) for x in kit.linked]
    if simple is not None and not _repeats_old_torque(kit, message, one, simple):
        linked = [w for w in linked if not _differs_somewhere(measured, w.formula, simple)]
    ways += [w if w.formula.share >= plain - NOT_ALIKE else replace(w, price=w.formula.price) for w in linked]
    if formula is not None and formula.lines:
        many = len(formula.lines) > 1
        names = " and ".join(line.channel for line in formula.lines)
        ways.append(_Way(formula.price, "derived" if many else "table", formula, f"follows {names}", 0.97))
    ways = sorted((w for w in ways if w.formula.lines), key=lambda w: w.price)
    nothing = measured.price(raw - np.median(raw), 26.0)
    if not ways or ways[0].price > 0.6 * nothing or max(ways[0].formula.held_out, ways[0].formula.share) < 0.55:
        second = f"; nearest: {ways[0].words}" if ways else ""
        return open_field(
            kit, message, one, f"nothing known on both vehicles explains it{second}", "a recording with its channel",
            high=_goes_with_load(kit, measured),
        )  # fmt: skip
    best = ways[0]
    if _resting_apart(best.formula, measured) < LEAST_APART:
        return open_field(
            kit, message, one, f"the closest rule ({best.words}) is right only while it rests",
            "a recording with its channel", high=_goes_with_load(kit, measured),
        )  # fmt: skip
    if best.how in ("table", "derived") and _repeats_old_torque(kit, message, one, best.formula):
        return open_field(
            kit, message, one, f"it may be a torque, and a load formula ({best.words}) gives the old engine's torque",
            "a scan tool's torque of both engines", high=True,
        )  # fmt: skip
    if may_be_request(raw) and _resting_apart(best.formula, measured) < REQUEST_SHARE:
        return open_field(
            kit, message, one, f"it rests at one value, as a request does; nothing predicts the rest ({best.words})",
            "a recording with its requests",
        )  # fmt: skip
    made = _made(message, one, best, ways[1] if len(ways) > 1 else None, allowed)
    used = {line.text for line in best.formula.lines}
    alike = next((x for x in kit.linked if x.line.text in used), None)
    if alike is not None:
        well = best.formula.share >= TOLD_WELL or _scaled_plainly(kit, measured, alike, best.formula)
        return replace(made, unproved=not well)
    return replace(made, raised=_raised(kit, measured, best.formula, made.layout))


def _is_odometer(kit: Kit, message: VehicleMessage, one: VehicleField) -> bool:
    """Whether a field goes with what a person read off the odometer, which is no channel of any other quantity."""
    vehicle = kit.swap.vehicle(kit.bus)
    names = () if vehicle.track is None else tuple(vehicle.track.channels)
    raw = message.raw(one.layout).astype(np.float64)
    for name in names:
        distance = vehicle.channel(name) if ODOMETERS & set(spoken_words(name).split()) else None
        if distance is None or np.ptp(raw) == 0:
            continue
        x = distance.at(message.time_s)
        if np.ptp(x) > 0 and float(np.corrcoef(x, raw)[0, 1]) >= SAME_DISTANCE:
            return True
    return False


def _repeats_old_torque(kit: Kit, message: VehicleMessage, one: VehicleField, formula: Formula) -> bool:
    """Whether a formula would say of the donor's engine what the old one made at the same load.

    A torque is what goes below the value of a standing engine in overrun, or what a person's tool said to be one. What
    the driver asks for (pedal and engine speed) is the host's own; what the engine makes of a manifold pressure is not.
    """
    speed = kit.swap.quantities.get("engine_speed")
    known = kit.swap.quantities.get("actual_torque")
    if speed is None or (known is not None and known.origin is not None) or one.layout.length < LEAST_TORQUE_BITS:
        return False
    if not {line.channel for line in formula.lines} & MADE_OF_LOAD:
        return False
    if one.channel == "actual_torque" and one.channel_confidence >= LEAST_CHANNEL:
        return True
    raw = message.raw(one.layout)
    stands = raw[speed.series.at(message.time_s) < STANDS_RPM]
    return len(stands) > 0 and float(np.median(stands) - raw.min()) >= LEAST_BELOW * float(np.ptp(raw))


def _raised(kit: Kit, measured: Measured, formula: Formula, layout: Layout) -> str:
    """The formula raised until it is too low in hardly a frame; "" where it is not too low anyway.

    What goes down while the load goes up has no such side: what it is remains unknown.
    """
    loads = [q.series.at(measured.times) for n, q in kit.swap.quantities.items() if n in LOADS]
    together = [float(np.corrcoef(x, measured.value)[0, 1]) for x in loads if np.ptp(x) > 0]
    if min(together, default=-1.0) < 0:
        return ""
    short = measured.value - formula.at(measured.times)
    more = float(np.quantile(short, 1 - MOST_LOW)) - measured.tolerance
    low, high = layout.raw_range
    return f"clamp({number_text(np.ceil(more))} + {formula.text}, {low}, {high})" if more > 0 else ""


def _scaled_plainly(kit: Kit, measured: Measured, linked: LinkedLine, formula: Formula) -> bool:
    """Whether a copy's scale is more than a fit to a stand-in: both standing engines say the same, and it doubles.

    What a bigger engine makes of the same manifold pressure is more, so that the fit gives a scale of the two engines,
    not of the two fields. A stand-in that is made of the torque that scan tools reported of both engines is free of
    that. Else a fit that goes through what both say of a standing engine, and comes out as one resolution halved or
    doubled, is taken for that of the fields.
    """
    if "actual_torque" in linked.channels:
        return True
    speed = kit.swap.quantities.get("engine_speed")
    if speed is None or not formula.straight:
        return False
    factor = next(t.factor for t in formula.terms if t.parts)
    own = linked.origin.message
    theirs = own.raw(linked.origin.field.layout)[speed.series.at(own.time_s) < STANDS_RPM]
    mine = measured.value[speed.series.at(measured.times) < STANDS_RPM]
    power = float(np.log2(abs(factor)))
    if not len(theirs) or not len(mine) or abs(power - round(power)) > 1e-6:
        return False
    zero, here = float(np.median(theirs)), float(np.median(mine))
    offset = sum(t.factor for t in formula.terms if not t.parts)
    x, y = linked.line.series.at(measured.times) - zero, measured.value - here
    far = np.abs(x) > LEAST_LEVER * max(float(np.ptp(x)), 1.0)
    if abs(offset + factor * zero - here) > measured.tolerance or not far.any():
        return False
    return abs(float(np.median(y[far] / x[far])) / factor - 1) <= NEAR_RATIO


def _fits_simply(formula: Formula) -> bool:
    """Whether a formula of one or two quantities fits a field nearly without error."""
    return len(formula.lines) <= 2 and min(formula.share, formula.held_out) >= GOOD


def _differs_somewhere(measured: Measured, copy: Formula, own: Formula) -> bool:
    """Whether a copy is wrong in a part of a quantity's range in which the field's own formula is right.

    Few frames in one corner of the range hardly count among all, but a drive may stay there. So the other vehicle's
    field is another function: what an engine loses, of another engine.
    """
    right = [np.abs(f.at(measured.times) - measured.value) <= measured.tolerance for f in (copy, own)]
    for line in own.lines:
        x = line.series.at(measured.times)
        part = np.minimum(((x - x.min()) / max(float(np.ptp(x)), 1e-9) * RANGE_PARTS).astype(int), RANGE_PARTS - 1)
        for mine in (part == n for n in range(RANGE_PARTS)):
            if mine.sum() >= LEAST_PART and right[1][mine].mean() - right[0][mine].mean() > WRONG_PART:
                return True
    return False


def _believed(message: VehicleMessage, line: DraftLine) -> tuple[float, float]:
    """Where a quantity may be for a formula that was learned beside a message."""
    x = line.series.at(message.time_s)
    span = float(x.max() - x.min())
    below = COLD_MARGIN if line.channel in WARM_CHANNELS else SEEN_MARGIN
    return float(x.min()) - below * span, float(x.max()) + SEEN_MARGIN * span


def _formula_within_reach(kit: Kit, message: VehicleMessage, measured: Measured) -> Formula | None:
    """The cheapest formula; one that leans on what is elsewhere in its own drive only where it can do without it."""
    formula = _of_coolant(kit, measured, best_formula(measured, kit.lines))
    if all(_reached(kit, message, line) for line in formula.lines):
        return formula
    within = best_formula(measured, [line for line in kit.lines if _reached(kit, message, line)])
    return within if within.held_out >= LEAST_HELD_OUT else None


def _of_coolant(kit: Kit, measured: Measured, formula: Formula) -> Formula:
    """A needle of heat shows the coolant where that fits as many frames as another temperature does, by itself or not.

    All temperatures rise together while a sound engine warms up, and only the coolant's is hot when its engine is.
    """
    channels = {line.channel for line in formula.lines}
    line = next((x for x in kit.lines if x.channel == "coolant_temperature"), None)
    if line is None or "coolant_temperature" in channels or not channels & HEATS:
        return formula
    table = fit_table(measured, line)
    return table if table.share >= formula.share - AS_WELL else formula


def _reached(kit: Kit, message: VehicleMessage, line: DraftLine) -> bool:
    """Whether its sender's own drive had a quantity mostly where a formula would believe it.

    Else the formula would be silent for most of a drive. An engine that runs hotter is another matter: there the hot
    answer is due.
    """
    quantity = kit.swap.quantities.get(line.channel)
    if quantity is None or quantity.origin is None or line.channel in WARM_CHANNELS:
        return True
    low, high = _believed(message, line)
    own = physical_series(quantity.origin.message, quantity.origin.field).value
    return float(((own >= low) & (own <= high)).mean()) >= LEAST_REACHED


def may_be_request(raw: Floats) -> bool:
    """Whether a field rests on one end of its range nearly all the time, as a request does."""
    values, counts = np.unique(raw, return_counts=True)
    rest = float(values[counts.argmax()])
    return bool(counts.max() > REQUEST_SHARE * len(raw) and rest in (values[0], values[-1]))


def _resting_apart(formula: Formula, measured: Measured) -> float:
    """Share that is right of the frames in which a field is away from where it rests."""
    values, counts = np.unique(measured.value, return_counts=True)
    away = np.abs(measured.value - values[counts.argmax()]) > measured.tolerance
    if not away.any():
        return 0.0
    near = np.abs(formula.at(measured.times) - measured.value) <= measured.tolerance
    return float(near[away].mean())


def _goes_with_load(kit: Kit, measured: Measured) -> bool:
    """Whether a value goes with load or heat, whoever carries it: also where the other vehicle does not."""
    for channel in sorted(LOAD_AND_HEAT):
        quantity = kit.swap.quantities.get(channel)
        series = kit.swap.vehicle(kit.bus).channel(channel) if quantity is None else quantity.series
        x = np.zeros(1) if series is None else series.at(measured.times)
        if np.ptp(x) > 0 and abs(np.corrcoef(x, measured.value)[0, 1]) > 0.4:
            return True
    return False


def _straight(measured: Measured, line: DraftLine, most: float) -> _Way:
    formula = fit_straight(measured, line)
    return _Way(formula.price, "copy", formula, f"goes straight with {line.words or line.text}", most)


def _linked(measured: Measured, linked: LinkedLine) -> _Way:
    """A copy of a field of the other vehicle that behaves alike, with the round numbers that engineers choose."""
    formula = fit_straight(measured, linked.line)
    words = f"behaves like {linked.line.text}"
    factor = next((t.factor for t in formula.terms if t.parts), 0.0)
    if factor == 0:
        return _Way(formula.price, "copy", formula, words, 0.5)
    x = linked.line.series.at(measured.times)
    best: tuple[float, float, float] | None = None
    for ratio in NICE_RATIOS:
        if abs(ratio / abs(factor) - 1) > 4 * NEAR_RATIO:
            continue
        size = float(np.copysign(ratio, factor))
        rest = measured.value - size * x
        counts, edges = np.histogram(rest, bins=max(10, int(np.ptp(rest)) + 1))
        peak = float(edges[counts.argmax()] + (edges[1] - edges[0]) / 2)
        near = rest[np.abs(rest - peak) <= measured.tolerance]
        offset = round(float(np.median(near))) if len(near) else round(peak)
        share = float((np.abs(rest - offset) <= measured.tolerance).mean())
        away = abs(ratio / abs(factor) - 1)
        if best is None or share - away > best[0] - abs(best[1] / factor - 1):
            best = (share, size, float(offset))
    if best is None or best[0] < formula.share - 0.04 or abs(best[1] / factor - 1) > 3 * NEAR_RATIO:
        return _Way(formula.price, "copy", formula, words, 0.6)
    part = next(t.parts for t in formula.terms if t.parts)
    nice = Formula(
        (NumberTerm((), best[2]), NumberTerm(part, best[1])), best[0], formula.held_out, formula.price, formula.rms
    )
    close = abs(best[1] / factor - 1) <= NEAR_RATIO
    if best[0] >= 0.6 and close:
        return _Way(60 + 0.3 * max(0.0, formula.price - 60), "copy", nice, words, 0.97)
    return _Way(60 + 0.8 * max(0.0, formula.price - 60), "copy", nice, words, 0.85)


def _channel_copy(kit: Kit, message: VehicleMessage, one: VehicleField, allowed: frozenset[int]) -> Explained | None:
    quantity = kit.swap.quantities.get(one.channel)
    if quantity is None or quantity.origin is None or one.channel_confidence < LEAST_CHANNEL:
        return None
    role = one.channel if one.channel in CARRIED_ROLES else "value"
    layout = _fitted(one, allowed)
    low_raw, high_raw = layout.raw_range
    ends = sorted((low_raw * one.scale + one.offset, high_raw * one.scale + one.offset))
    unit = quantity.unit if one.unit == quantity.unit or one.unit == "" else one.unit
    mark = f" {unit}" if unit else ""
    low, high = (number_text(e, 12) for e in ends)
    torque = role in BY_NAME and BY_NAME[role].hazard == "actual torque"
    call = "within" if torque else "clamp"
    sure = min(one.channel_confidence, quantity.confidence)
    return Explained(
        layout, one.channel, "copy", sure, f"{call}({quantity.origin.text}, {low}{mark}, {high}{mark})",
        f"{_safe_end(role, low, high)}{mark}", role, one.scale, one.offset, unit, hold_ms=300,
        words=f"carries {one.channel}, as {quantity.origin.text} does", share=1.0,
        unreviewed=bool(torque or role == "throttle_position"),
    )  # fmt: skip


def _safe_end(role: str, low: str, high: str) -> str:
    kind = BY_NAME[role].fallback if role in BY_NAME else "stated"
    return low if kind in ("invalid or low", "hold then zero") else high


def _fitted(one: VehicleField, allowed: frozenset[int]) -> Layout:
    """The field without top bits that its message's checksum was never seen to cover."""
    positions = one.layout.positions
    keep = len(positions)
    while keep > one.moving and not allowed >= set(positions[:keep]):
        keep -= 1
    if keep == len(positions):
        return one.layout
    start = positions[0] if one.layout.byte_order == "little_endian" else positions[keep - 1]
    return replace(one.layout, start=start, length=keep, signed=False)


def _moving_bits(one: VehicleField) -> Layout:
    """The field without the still bits above it: a running total wraps where it was seen to."""
    if one.moving >= one.layout.length:
        return one.layout
    start = one.layout.start if one.layout.byte_order == "little_endian" else one.layout.positions[one.moving - 1]
    return replace(one.layout, start=start, length=one.moving, signed=False)


def separates_running(message: VehicleMessage, atom: Atom, line: DraftLine) -> bool:
    """Whether a condition on engine speed only separates a running engine from one that stands.

    Such a condition holds at any higher speed as well: beyond the recorded speeds it must not say that the engine
    stands, since power steering and more depend on it.
    """
    if line.channel != "engine_speed":
        return False
    running = line.series.at(message.time_s) > RUNNING_RPM
    holds = atom.at(message.time_s)[running]
    return bool(len(holds)) and bool(max(holds.mean(), 1 - holds.mean()) >= 0.99)


def recorded_ranges(
    message: VehicleMessage, lines: Iterable[DraftLine], hotter: bool = False
) -> tuple[tuple[str, str, str], ...]:
    """Where a rule learned from these lines is believed: their recorded ranges and a margin, once for each source.

    `hotter` goes on believing a condition on a temperature that was never recorded so hot: a fan that runs from 98 degC
    runs at 120 as well.
    """
    out: dict[str, tuple[str, str, str]] = {}
    for line in lines:
        mark = f" {line.unit}" if line.unit else ""
        ends = _believed(message, line)
        if hotter and line.channel in WARM_CHANNELS:
            ends = ends[0], ends[1] + HOT_MARGIN * (ends[1] - ends[0])
        out[line.text] = line.text, f"{number_text(ends[0], 4)}{mark}", f"{number_text(ends[1], 4)}{mark}"
    return tuple(out.values())


def _is_needle(formula: Formula, message: VehicleMessage, span: float) -> bool:
    """Whether heat alone moves a formula up by most of its range, whatever else is in it: a needle goes hot."""
    lines = formula.lines
    usual = {line.text: float(np.median(line.series.at(message.time_s))) for line in lines}
    for line in lines:
        if line.channel in WARM_CHANNELS:
            x = line.series.at(message.time_s)
            cold, hot = (formula.of(usual | {line.text: float(end)}) for end in (x.min(), x.max()))
            if hot - cold > LEAST_HEAT * span:
                return True
    return False


def _made(
    message: VehicleMessage, one: VehicleField, best: _Way, second: _Way | None, allowed: frozenset[int]
) -> Explained:
    layout = _fitted(one, allowed)
    low, high = layout.raw_range
    raw = message.raw(one.layout)
    safe = high if _is_needle(best.formula, message, float(np.ptp(raw))) else int(raw.max())
    seen = recorded_ranges(message, best.formula.lines) if best.how in ("table", "derived") else ()
    formula = best.formula
    sure = best.confidence - 0.4 * max(0.0, 0.97 - max(formula.share, formula.held_out))
    if best.how in ("table", "derived"):
        worse = min(formula.share, formula.held_out)
        sure = min(0.96, sure) if worse >= EXACT else min(0.9 - 2 * (EXACT - worse), sure)
    sure = min(sure, one.layout_confidence)  # a rule that fits does so with a flag among its bits that hardly moved too
    return Explained(
        layout, one.name, best.how, float(max(0.05, sure)), f"clamp({formula.text}, {low}, {high})", str(safe), "value",
        hold_ms=300, seen=seen, share=formula.share,
        words=f"{best.words}, {formula.share:.1%} of frames within 2 % of its span ({formula.held_out:.1%} held out)",
        fitted=True, runner_up="" if second is None else f"{second.words} ({second.formula.share:.0%})",
    )  # fmt: skip
