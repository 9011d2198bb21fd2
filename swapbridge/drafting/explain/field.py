"""Drafting room: one field of an absent message: every kind of explanation tried, the cheapest taken."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from swapbridge.core.layout import Layout
from swapbridge.core.roles import BY_NAME
from swapbridge.drafting.explain.flags import GOOD, Condition, Watched, explain_flag
from swapbridge.drafting.explain.numbers import Formula, Measured, Term, best_formula, fit_straight
from swapbridge.drafting.explain.totals import find_total
from swapbridge.drafting.life import RUNNING_RPM
from swapbridge.drafting.lines import Atom, Line, number_text
from swapbridge.drafting.linking import (
    LinkedLine,
    first_value,
    in_bits,
    linked_atoms,
    linked_lines,
    other_bus,
    slack_of,
    timed_atoms,
    warning_flags,
    warns,
)
from swapbridge.drafting.model import Explained, How
from swapbridge.drafting.never import Guard, differs_from_channel, guarded, tellers
from swapbridge.drafting.sources import (
    LEAST_CHANNEL,
    Origin,
    Swap,
    local_atoms,
    local_lines,
    physical_series,
    quantity_lines,
    several_words,
    word_atoms,
)
from swapbridge.drafting.vehicle import Floats, VehicleField, VehicleMessage
from swapbridge.drafting.words import telling, word_channels

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
"""A field that a formula of its own tells so much better than the other vehicle's rule is another function."""
LEAST_HELD_OUT = 0.8
SEEN_MARGIN = 0.1
"""A learned formula is believed this share of its recorded range beyond it."""
LEAST_REACHED = 0.5
"""A formula may use a quantity that is in the range it was learned in for this share of its sender's own drive."""
COLD_MARGIN = 1.0
"""A temperature starts anywhere; what follows it is believed this share of its recorded range below that."""
WARM_CHANNELS = frozenset({"coolant_temperature", "oil_temperature"})
LOAD_AND_HEAT = WARM_CHANNELS | {
    "engine_speed", "pedal_position", "throttle_position", "actual_torque", "manifold_pressure",
}  # fmt: skip
ELSE_SHARE = 0.985
ELSE_EDGES = 0.1
"""A flag that measured quantities tell so well, with so few wrong changes a change, may not be the switch it goes with.
"""
EXACT = 0.99
"""A learned formula is sure where this share of frames is right on both halves of the evidence."""
WORDS_TOLD = 0.97
LEAST_APART = 0.3
"""A formula must be right in this share of the frames in which a field is away from where it rests."""
REQUEST_SHARE = 0.8
"""A field that rests on one end of its range for this share of the time may be a request."""
MOST_WRONG, MOST_WRONG_EXACT = 0.15, 0.3
"""How many wrong changes a change a condition may say; more where its share is all but exact."""
MOST_FLAGS = 4
BETTER = 0.015
"""How much surer each flag has to be than the choice that they would make together."""
SIGNAL_NAME = re.compile(r"(?:host|donor)\.\w+\.\w+")
TIMED_TEXT = "time_since(state == 'asleep' or state == 'wake') < {t} s"


@dataclass(frozen=True, slots=True)
class Kit:
    """What the fields of one bus may be explained by."""

    swap: Swap
    bus: str
    atoms: tuple[Atom, ...]
    lines: tuple[Line, ...]
    local: tuple[Line, ...]
    linked: tuple[LinkedLine, ...]
    warnings: frozenset[str]
    """Flags of the other vehicle that are lit as warnings are."""
    codes: frozenset[str]
    """Signals that will be there and say one of three or more codes."""
    tellers: Mapping[str, frozenset[str]]
    """Signals that will be there and say what the driver does, by the channel that a person told."""


def kit_for(swap: Swap, bus: str) -> Kit:
    """Everything that could explain a field of a bus."""
    atoms = [*word_atoms(swap, bus), *local_atoms(swap, bus), *linked_atoms(swap, bus)]
    return Kit(
        swap, bus, tuple(atoms), tuple(quantity_lines(swap, known_only=True)), tuple(local_lines(swap, bus)),
        tuple(linked_lines(swap, bus)), frozenset(warning_flags(swap, other_bus(swap, bus))), _codes(swap),
        tellers(swap),
    )  # fmt: skip


def _codes(swap: Swap) -> frozenset[str]:
    return frozenset(
        Origin(bus, message, one).text
        for bus in (swap.host.bus, swap.donor.bus)
        for message in swap.vehicle(bus).messages.values()
        for one in message.fields
        if one.kind == "choice" and one.moving > 1 and swap.is_source(bus, message, one)
    )


def explain_field(kit: Kit, message: VehicleMessage, one: VehicleField, allowed: frozenset[int]) -> list[Explained]:
    """The explanations of a field: one, or one for each part where it turns out to be several."""
    guard = guarded(kit.swap, kit.bus, message, one)
    if guard is not None and guard.safe is not None and not _is_something_else(kit, message, one, guard):
        return [_explain_guarded(kit, message, one, guard)]
    told = _by_words(kit, message, one)
    made = [told] if told is not None else _explained(kit, message, one, allowed)
    if len(made) == 1 and made[0].how == "open" and one.layout.length > 1 and one.moving > 1:
        return _without_switches(kit, message, one) or made
    return made


def _without_switches(kit: Kit, message: VehicleMessage, one: VehicleField) -> list[Explained]:
    """An open field cut into bits where one of them alone is a switch of the driver or a request; else nothing.

    Where several bits go with one channel, the field is a value that does (a brake pressure), and stays whole.
    """
    parts = in_bits(message, one)
    guards = [guarded(kit.swap, kit.bus, message, part) if _jumps(message, one, part) else None for part in parts]
    channels = [g.channel for g in guards if g is not None and g.safe is not None]
    if not channels or len(set(channels)) < len(channels):
        return []
    return [
        open_field(kit, message, part, "cut from a field with a switch in it", "a longer recording")
        if guard is None or guard.safe is None else _explain_guarded(kit, message, part, guard)
        for part, guard in zip(parts, guards, strict=True)
    ]  # fmt: skip


def _part(kit: Kit, message: VehicleMessage, part: VehicleField) -> Explained:
    """One bit of a field that was cut: what a person said of it counts as for a field that guess found."""
    for name, channel in word_channels(kit.swap.vehicle(kit.bus)).items():
        found = telling(message, part, name, channel)
        if found is not None:
            kit.swap.tellings[kit.bus, message.key.identifier, message.key.extended, part.name, name] = found
    return _by_words(kit, message, part) or explain_choice(kit, message, part)


def _jumps(message: VehicleMessage, one: VehicleField, part: VehicleField) -> bool:
    """Whether a value jumps by the weight of a bit where that changes; in a value that counts on, the bit carries."""
    weight = 1 << one.layout.positions.index(part.layout.start)
    flips = np.flatnonzero(np.diff(message.raw(part.layout)))
    change = np.abs(np.diff(message.raw(one.layout))[flips])
    return bool(len(flips)) and float((change >= weight / 2).mean()) > 0.5


def _explained(kit: Kit, message: VehicleMessage, one: VehicleField, allowed: frozenset[int]) -> list[Explained]:
    """The explanations of a field that nobody says by words."""
    if one.kind == "number":
        number = explain_number(kit, message, one, allowed)
        few = len(np.unique(message.raw(one.layout))) <= 12
        return [number if number.how != "open" or not few else explain_choice(kit, message, one)]
    whole = explain_choice(kit, message, one)
    if one.layout.length > 1 and whole.how == "open":
        number = explain_number(kit, message, one, allowed) if one.moving >= 3 else whole
        if number.how != "open" and number.share >= EXACT:  # a choice has no values near the right one
            return [number]
    return _in_bits(kit, message, one, whole) or [whole]


def _in_bits(kit: Kit, message: VehicleMessage, one: VehicleField, whole: Explained) -> list[Explained]:
    """A choice as flags of one bit each, where those are told better than its values are; else nothing.

    Two flags beside each other that mostly moved together look like one choice. Where every bit is lit as a lamp is, it
    is several lamps unless the donor's own code tells it whole: an engine's state.
    """
    parts = in_bits(message, one)
    if len(parts) < 2 or (len(parts) > MOST_FLAGS and whole.how != "open"):
        return []
    made = [_part(kit, message, part) for part in parts]
    if all(warns(kit.swap, message, part) is not None for part in parts):
        lit = all(m.how != "open" for m in made) and min(m.confidence for m in made) >= whole.confidence
        return made if lit or whole.how == "open" or not _named_within(whole.value, kit.codes) else []
    if whole.how == "open":
        return made if sum(m.how != "open" for m in made) * 2 > len(made) else []  # else the bits belong together
    told = all(m.how != "open" for m in made)
    return made if told and min(m.confidence for m in made) > whole.confidence + BETTER else []


def _is_something_else(kit: Kit, message: VehicleMessage, one: VehicleField, guard: Guard) -> bool:
    """Whether a field only goes with what the driver does, as 'at idle' goes with the brake.

    Two things must say so: a field of this bus says the channel better and this one differs from it, and a measured
    quantity tells this one all but without a fault.
    """
    if one.kind != "flag" or not differs_from_channel(kit.swap, kit.bus, message, one, guard.channel):
        return False
    watched = Watched(message.time_s, message.raw(one.layout) == 1, slack_of(message))
    found = explain_flag(watched, [], kit.lines, pairs=True)
    return bool(found) and found[0].share >= ELSE_SHARE and found[0].wrong_edges <= ELSE_EDGES * len(watched.edges)


def _explain_guarded(kit: Kit, message: VehicleMessage, one: VehicleField, guard: Guard) -> Explained:
    """A field that is only ever said after a real one: a copy of what says so, else its safe answer, open."""
    ends, first = one.layout.raw_range, str(guard.safe)
    limits = (str(ends[0]), str(ends[1])) if guard.fixed and one.layout.length > 1 else None
    if not guard.fixed:
        allowed = kit.tellers.get(guard.channel, frozenset())
        real = replace(kit, lines=(), atoms=tuple(a for a in kit.atoms if _named_within(a.text, allowed)))
        made = _by_words(kit, message, one, guard.safe) or explain_choice(real, message, one)
        if made.how in ("copy", "echo") and _says_it(kit, made.value, guard):
            return replace(made, fallback=first, role=guard.role)
    return Explained(
        one.layout, one.name, "open", 0.0, first, first, guard.role,
        words=f"{guard.words} and nothing else is sent" if guard.fixed else f"{guard.words} until a module says it",
        closes="" if guard.fixed else f"a module that stays and says {guard.channel}", unreviewed=True, limits=limits,
        kept=guard.role != "brake_switch",
    )  # fmt: skip


def _says_it(kit: Kit, text: str, guard: Guard) -> bool:
    """Whether every signal of an expression really says what a guarded field is about."""
    return _named_within(text, kit.tellers.get(guard.channel, frozenset()))


def _named_within(text: str | None, allowed: frozenset[str]) -> bool:
    named = set(SIGNAL_NAME.findall(text or ""))
    return bool(named) and named <= allowed


def open_field(
    kit: Kit, message: VehicleMessage, one: VehicleField, words: str, closes: str, high: bool = False
) -> Explained:
    """A field that nobody knows how to make: its most common value, or the highest one; a warning is lit."""
    raw = message.raw(one.layout)
    values, counts = np.unique(raw, return_counts=True)
    value = int(raw.max()) if high else int(values[counts.argmax()])
    lit = one.kind == "flag" and len(values) == 2 and warns(kit.swap, message, one) is not None
    if lit:
        value = first_value(message, one)
        words += "; lit while the engine stands, as a warning is: it is sent lit"
    return Explained(
        one.layout, one.name, "open", 0.0, str(value), str(value), "value" if one.kind == "number" else "status",
        words=words, closes=closes, unreviewed=True, kept=lit,
    )  # fmt: skip


# --- choices and flags


def _by_words(kit: Kit, message: VehicleMessage, one: VehicleField, answer: int | None = None) -> Explained | None:
    """A choice that says the words of a channel that another module will say: value by value."""
    best: tuple[float, Explained] | None = None
    for word in kit.swap.words.values():
        key = (kit.bus, message.key.identifier, message.key.extended, one.name, word.channel)
        found = kit.swap.tellings.get(key)
        if found is None or word.origin is None or word.tells is None:
            continue
        if found.told < WORDS_TOLD or found.tells < WORDS_TOLD:
            continue
        pairs = [(v, found.value_of[w]) for v, w in sorted(word.tells.word_of.items()) if w in found.value_of]
        if len({u for _, u in pairs}) < 2:
            continue
        first = first_value(message, one) if answer is None else answer
        if one.layout.length == 1:
            text = " or ".join(f"{word.origin.text} == {v}" for v, u in pairs if u == 1)
        else:
            text = f"lookup({word.origin.text}, {', '.join(f'{v}: {u}' for v, u in pairs)}, else {first})"
        sure = min(found.told, found.tells, word.tells.tells)
        made = Explained(
            one.layout, one.name, "echo" if kit.bus == word.origin.bus else "copy", min(0.985, sure), text, str(first),
            "status", hold_ms=500, share=sure,
            words=f"says {word.channel} ({', '.join(f'{u} {w}' for w, u in found.value_of.items())}), as "
            f"{word.origin.text} does",
        )  # fmt: skip
        if best is None or sure > best[0]:
            best = (sure, made)
    return None if best is None else best[1]


def explain_choice(kit: Kit, message: VehicleMessage, one: VehicleField) -> Explained:
    """A flag by a condition; a choice by a condition for each of its values."""
    raw = message.raw(one.layout)
    values, counts = np.unique(raw, return_counts=True)
    real = values[counts >= 3]
    if len(real) < 2 or len(real) > 12:
        return open_field(
            kit, message, one, f"{len(values)} values, too few frames of each", "a recording in which it moves"
        )
    best: list[tuple[int, Condition, str]] = []
    common = int(values[counts.argmax()])
    first = first_value(message, one)
    todo = [int(v) for v in real if len(real) > 2 or v == real[-1]]
    warning = one.layout.length == 1 and warns(kit.swap, message, one) is not None
    for value in todo:
        watched = Watched(message.time_s, raw == value, slack_of(message))
        key = (kit.bus, message.key.identifier, message.key.extended, one.name)
        atoms = [*kit.atoms, *timed_atoms(watched, message, TIMED_TEXT), *several_words(kit.swap, key, value)]
        found = _warned(kit, watched) if warning else []
        found += [c for c in explain_flag(watched, atoms, kit.lines) if c.atom.text is not None]
        if not found:
            return open_field(kit, message, one, "no condition tells its values", "a recording in which it moves")
        second = next((c for c in found[1:] if c.atom.key != found[0].atom.key), None)
        best.append((value, found[0], "" if second is None else second.atom.words))
    share = min(c.share for _, c, _ in best)
    most_wrong = 3 + (MOST_WRONG if share < EXACT else MOST_WRONG_EXACT) * len(np.flatnonzero(np.diff(raw)))
    if share < GOOD - 0.05 or max(c.wrong_edges for _, c, _ in best) > most_wrong:
        worst = min(best, key=lambda b: b[1].share)
        return open_field(
            kit, message, one, f"the nearest condition ({worst[1].atom.words}) is right in {worst[1].share:.0%} only",
            "a recording in which it moves apart from everything else",
        )  # fmt: skip
    if warning:
        told = best[0][1].atom
        if not _warned_of(kit, best[0][1]):
            return open_field(
                kit, message, one,
                f"only {told.words} tells it, which fits every healthy engine and never warns",
                "the donor's own warning, or the quantity that it warns of",
            )  # fmt: skip
    hows: set[How] = {c.atom.how for _, c, _ in best}
    how: How = next(iter(hows)) if len(hows) == 1 else "state" if len(todo) > 1 else "threshold"
    if len(real) == 2:
        value, condition, runner = best[0]
        low = int(real[0])
        if one.layout.length == 1:
            text = condition.atom.text or ""
        else:
            text = f"choose({condition.atom.text}, {value}, {low})"
    else:
        rare = sorted((b for b in best if b[0] != common), key=lambda b: int((raw == b[0]).sum()))
        text = str(common)
        for value, condition, _ in reversed(rare):
            text = f"choose({condition.atom.text}, {value}, {text})"
        runner = best[0][2]
    words = "; ".join(f"{v}: {c.atom.words}" for v, c, _ in best)
    return Explained(
        one.layout, one.name, how, _flag_confidence(best, raw), text, str(first), "status", words=words,
        runner_up=runner, hold_ms=500, share=share,
        seen=recorded_ranges(
            message,
            (
                line for _, c, _ in best for line in c.atom.learned
                if line.text in text and not tells_running(message, c.atom, line)
            ),
        ),
    )  # fmt: skip


def _warned_of(kit: Kit, condition: Condition) -> bool:
    """Whether a condition hears a warning of the other vehicle's."""
    return any(name in (condition.atom.text or "") for name in kit.warnings)


def _warned(kit: Kit, watched: Watched) -> list[Condition]:
    """The other vehicle's warning that a lamp goes with, where it has one: it comes before every other condition."""
    atoms = [a for a in kit.atoms if any(name in (a.text or "") for name in kit.warnings)]
    found = explain_flag(watched, atoms, [], pairs=False)
    return [c for c in found[:1] if c.share >= GOOD and c.wrong_edges <= 1 + MOST_WRONG * len(watched.edges)]


def _flag_confidence(
    best: Sequence[tuple[int, Condition, str]], raw: np.ndarray[tuple[int], np.dtype[np.int64]]
) -> float:
    """How sure: by the share that is right on the worse half, wrong changes, and how often it changed."""
    changes = int((np.diff(raw) != 0).sum())
    share = min(c.share for _, c, _ in best)
    held = min(c.held_out if c.held_out > 0 else c.share for _, c, _ in best)
    wrong = max(c.wrong_edges for _, c, _ in best)
    sure = 0.985 - 2.0 * (1 - share) - 1.0 * (1 - held) - 0.06 * wrong
    if changes < 4:
        sure = min(sure, 0.9)
    if any(c.atom.how == "threshold" for _, c, _ in best):
        sure = min(sure, 0.96 if changes >= 6 else 0.8)
    return float(min(max(sure, 0.05), 0.985))


# --- measured values


@dataclass(frozen=True, slots=True)
class _Way:
    price: float
    how: How
    formula: Formula
    words: str
    confidence: float


def explain_number(kit: Kit, message: VehicleMessage, one: VehicleField, allowed: frozenset[int]) -> Explained:
    """A measured value: a copy by its channel, else the cheapest copy, table, sum or product."""
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
    plain = formula.share if formula is not None and _tells_plainly(formula) else 0.0
    linked = [_linked(measured, x) for x in kit.linked]
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
            kit, message, one, f"nothing that both vehicles know explains it{second}", "a recording with its channel",
            high=_goes_with_load(kit, measured),
        )  # fmt: skip
    best = ways[0]
    if _resting_apart(best.formula, measured) < LEAST_APART:
        return open_field(
            kit, message, one, f"what is nearest ({best.words}) tells it only where it rests",
            "a recording with its channel", high=_goes_with_load(kit, measured),
        )  # fmt: skip
    if may_be_request(raw) and _resting_apart(best.formula, measured) < REQUEST_SHARE:
        return open_field(
            kit, message, one, f"it rests on one value as a request does; nothing tells the rest ({best.words})",
            "a recording with its requests",
        )  # fmt: skip
    return _made(message, one, best, ways[1] if len(ways) > 1 else None, allowed)


def _tells_plainly(formula: Formula) -> bool:
    """Whether a formula of one or two quantities tells a field all but without a fault."""
    return len(formula.lines) <= 2 and min(formula.share, formula.held_out) >= GOOD


def _believed(message: VehicleMessage, line: Line) -> tuple[float, float]:
    """Where a quantity may be for a formula that was learned beside a message."""
    x = line.series.at(message.time_s)
    span = float(x.max() - x.min())
    below = COLD_MARGIN if line.channel in WARM_CHANNELS else SEEN_MARGIN
    return float(x.min()) - below * span, float(x.max()) + SEEN_MARGIN * span


def _formula_within_reach(kit: Kit, message: VehicleMessage, measured: Measured) -> Formula | None:
    """The cheapest formula; one that leans on what is elsewhere in its own drive only where it can do without it."""
    formula = best_formula(measured, kit.lines)
    if all(_reached(kit, message, line) for line in formula.lines):
        return formula
    within = best_formula(measured, [line for line in kit.lines if _reached(kit, message, line)])
    return within if within.held_out >= LEAST_HELD_OUT else None


def _reached(kit: Kit, message: VehicleMessage, line: Line) -> bool:
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
    """Whether a field rests on one end of what it says nearly all the time, as a request does."""
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
    for line in kit.lines:
        if line.channel in (
            "engine_speed",
            "pedal_position",
            "throttle_position",
            "actual_torque",
            "coolant_temperature",
            "manifold_pressure",
        ):
            x = line.series.at(measured.times)
            if np.ptp(x) > 0 and abs(np.corrcoef(x, measured.value)[0, 1]) > 0.4:
                return True
    return False


def _straight(measured: Measured, line: Line, most: float) -> _Way:
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
    nice = Formula((Term((), best[2]), Term(part, best[1])), best[0], formula.held_out, formula.price, formula.rms)
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


def tells_running(message: VehicleMessage, atom: Atom, line: Line) -> bool:
    """Whether a condition on engine speed only tells a running engine from one that stands.

    Such a condition holds at any higher speed as well: beyond the recorded speeds it must not say that the engine
    stands, since power steering and more hang on it.
    """
    if line.channel != "engine_speed":
        return False
    running = line.series.at(message.time_s) > RUNNING_RPM
    holds = atom.at(message.time_s)[running]
    return bool(len(holds)) and bool(max(holds.mean(), 1 - holds.mean()) >= 0.99)


def recorded_ranges(message: VehicleMessage, lines: Iterable[Line]) -> tuple[tuple[str, str, str], ...]:
    """Where a rule learned from these lines is believed: their recorded ranges and a margin, once for each source."""
    out: dict[str, tuple[str, str, str]] = {}
    for line in lines:
        mark = f" {line.unit}" if line.unit else ""
        ends = _believed(message, line)
        out[line.text] = line.text, f"{number_text(ends[0], 4)}{mark}", f"{number_text(ends[1], 4)}{mark}"
    return tuple(out.values())


def _made(
    message: VehicleMessage, one: VehicleField, best: _Way, second: _Way | None, allowed: frozenset[int]
) -> Explained:
    layout = _fitted(one, allowed)
    low, high = layout.raw_range
    raw = message.raw(one.layout)
    channels = {line.channel for line in best.formula.lines}
    safe = high if best.how == "table" and channels <= WARM_CHANNELS else int(raw.max())  # a needle goes hot
    seen = recorded_ranges(message, best.formula.lines) if best.how in ("table", "derived") else ()
    formula = best.formula
    sure = best.confidence - 0.4 * max(0.0, 0.97 - max(formula.share, formula.held_out))
    if best.how in ("table", "derived"):
        worse = min(formula.share, formula.held_out)
        sure = min(0.96, sure) if worse >= EXACT else min(0.9 - 2 * (EXACT - worse), sure)
    return Explained(
        layout, one.name, best.how, float(max(0.05, sure)), f"clamp({formula.text}, {low}, {high})", str(safe), "value",
        hold_ms=300, seen=seen, share=formula.share,
        words=f"{best.words}, {formula.share:.1%} of frames within 2 % of its span ({formula.held_out:.1%} held out)",
        fitted=True, runner_up="" if second is None else f"{second.words} ({second.formula.share:.0%})",
    )  # fmt: skip
