"""Drafting room: what the swapped vehicle has: modules present, fields that only repeat, sources of quantities.

Both recordings lie on one clock, the donor's far behind the host's, so that a rule learned on the one can be looked at
on the other.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from swapbridge.core.units import SPELLINGS
from swapbridge.drafting.channel_words import (
    WordMatch,
    least_share,
    match_words,
    with_words_apart,
    with_words_together,
    word_channels,
)
from swapbridge.drafting.drafted import How
from swapbridge.drafting.lines import Atom, DraftLine
from swapbridge.drafting.recorded_vehicle import (
    Floats,
    Vehicle,
    VehicleField,
    VehicleMessage,
    VehicleSeries,
    raw_series,
)

APART_S = 1e6
"""How far behind the host's recording the donor's lies on the common clock."""
TOOL_LAG_S = 0.15
ALWAYS = 0.998
"""A field that carries a channel's words this well is wrong only where it changes."""
ECHO_TOLD = 0.97
LEAST_LEAPS, LEAP, LEAPS_SHARE = 4, 0.2, 0.9
MOST_COMPARED = 4000
LEAST_SAME_CHANGES = 3
SAME_CHANGE_S = 0.4
LEADS_SHARE = 0.9
FIRST_HAND = 10.0
"""A module of the host reports what is done to the vehicle before the donor's computer, which only hears of it."""
LEAST_CHANNEL = 0.5
"""A field's channel is believed from this confidence on; where there is only one candidate, from half of it."""
ENGINE_CHANNELS = frozenset({
    "engine_speed", "actual_torque", "throttle_position", "pedal_position", "coolant_temperature", "manifold_pressure",
    "intake_temperature", "oil_temperature", "oil_pressure", "module_voltage", "engine_load", "air_flow", "fuel_rate",
    "requested_torque",
})  # fmt: skip
"""What an engine computer measures itself: never taken from a module that may only repeat it."""


@dataclass(frozen=True, slots=True)
class Origin:
    """A signal that will be there: its bus, message, field."""

    bus: str
    message: VehicleMessage
    field: VehicleField

    @property
    def text(self) -> str:
        return f"{self.bus}.{self.message.name}.{self.field.name}"


@dataclass(frozen=True, slots=True)
class Quantity:
    """A numeric channel: its values on the common clock and the signal that will carry it (None: none)."""

    channel: str
    unit: str
    series: VehicleSeries
    origin: Origin | None
    confidence: float

    def line(self) -> DraftLine:
        if self.origin is None:
            return DraftLine("", "", self.unit, self.series, 0.0, self.channel, self.channel)
        text = self.origin.text
        plain = f"({text} / 1 {self.unit})" if self.unit else text
        return DraftLine(text, plain, self.unit, self.series, abs(self.origin.field.scale), self.channel, self.channel)


@dataclass(frozen=True, slots=True)
class Word:
    """A channel of words: its words on the common clock, and the signal that will carry them."""

    channel: str
    words: tuple[str, ...]
    series: VehicleSeries
    origin: Origin | None
    match: WordMatch | None


@dataclass(slots=True)
class Swap:
    """Both vehicles and who of them will be there."""

    host: Vehicle
    donor: Vehicle
    host_alive: frozenset[tuple[int, bool]]
    donor_alive: frozenset[tuple[int, bool]]
    repeaters: frozenset[tuple[str, int, bool, str]]
    quantities: dict[str, Quantity] = field(default_factory=dict)
    words: dict[str, Word] = field(default_factory=dict)
    word_matches: dict[tuple[str, int, bool, str, str], WordMatch] = field(default_factory=dict)

    def vehicle(self, bus: str) -> Vehicle:
        return self.host if bus == self.host.bus else self.donor

    def alive(self, bus: str) -> frozenset[tuple[int, bool]]:
        return self.host_alive if bus == self.host.bus else self.donor_alive

    def is_source(self, bus: str, message: VehicleMessage, one: VehicleField) -> bool:
        """Whether a field will be there and is no repetition of what is gone."""
        key = (message.key.identifier, message.key.extended)
        return key in self.alive(bus) and (bus, *key, one.name) not in self.repeaters


def gather(host: Vehicle, donor: Vehicle, host_unplugged: Vehicle | None, donor_alone: Vehicle | None) -> Swap:
    """Who will be there, and which signal carries each quantity.

    Raises
    ------
    InputError
        Nothing vanished, or nothing is the donor's own.
    """
    host_alive = frozenset(host_unplugged.messages) & frozenset(host.messages) if host_unplugged else frozenset()
    donor_alive = frozenset(donor_alone.messages) & frozenset(donor.messages) if donor_alone else frozenset()
    host, donor = (with_words_together(with_words_apart(vehicle)) for vehicle in (host, donor))
    repeaters = _repeaters(host, host_unplugged, host_alive)
    swap = Swap(host, donor, host_alive, donor_alive, repeaters)
    find_words(swap)
    swap.repeaters |= _donor_echoes(swap) | _heard_back(swap)
    _find_quantities(swap)
    return swap


def _donor_echoes(swap: Swap) -> frozenset[tuple[str, int, bool, str]]:
    """Fields in which the donor's computer repeats what a module of the host sends now: they would hear themselves."""
    out = set()
    for (bus, identifier, extended, name, channel), found in swap.word_matches.items():
        word = swap.words.get(channel)
        if bus != swap.donor.bus or (identifier, extended) not in swap.donor_alive or word is None:
            continue
        if word.origin is None or word.origin.bus != swap.host.bus or channel == "key_state":
            continue
        if found.value_share >= ECHO_TOLD or (found.word_share >= 0.93 and found.value_share >= 0.85):
            out.add((bus, identifier, extended, name))
    return frozenset(out)


def _heard_back(swap: Swap) -> frozenset[tuple[str, int, bool, str]]:
    """Codes of the donor's computer that only repeat one of a module that stayed behind: it would hear its own echo.

    Two codes are one where each predicts the other. The computer's is the source only if it changes first.
    """
    out = set()
    gone = [m for k, m in swap.donor.messages.items() if k not in swap.donor_alive]
    theirs = [(m, f, m.series(f).changes()) for m in gone for f in m.fields if f.kind != "number"]
    for key in swap.donor_alive:
        message = swap.donor.messages[key]
        for one in message.fields:
            if one.kind == "number":
                continue
            mine = message.series(one).changes()
            if any(_one_code(message.series(one), m.series(f)) and not _leads(mine, series) for m, f, series in theirs):
                out.add((swap.donor.bus, *key, one.name))
    return frozenset(out)


def _one_code(a: VehicleSeries, b: VehicleSeries) -> bool:
    """Whether each of two codes predicts the other, except where they change, and both changed often enough."""
    times = a.time_s[:: max(1, len(a.time_s) // MOST_COMPARED)]
    x, y = (np.unique(s.at(times), return_inverse=True)[1] for s in (a, b))
    table = np.zeros((x.max() + 1, y.max() + 1))
    np.add.at(table, (x, y), 1)
    if min(table.shape) < 2 or min(len(a.changes().time_s), len(b.changes().time_s)) <= LEAST_SAME_CHANGES:
        return False
    return bool(min(table.max(axis=0).sum(), table.max(axis=1).sum()) >= ECHO_TOLD * len(times))


def _leads(a: VehicleSeries, b: VehicleSeries) -> bool:
    """Whether the changes of one code come before those of another."""
    after = b.time_s[np.minimum(b.time_s.searchsorted(a.time_s[1:]), len(b.time_s) - 1)] - a.time_s[1:]
    before = a.time_s[1:] - b.time_s[np.maximum(b.time_s.searchsorted(a.time_s[1:], "right") - 1, 0)]
    near = (np.abs(after) <= SAME_CHANGE_S) | (before <= SAME_CHANGE_S)
    first = (after > 0) & (after <= SAME_CHANGE_S) & ~((before >= 0) & (before <= SAME_CHANGE_S))
    return bool(near.any()) and float(first[near].mean()) >= LEADS_SHARE


def _repeaters(
    host: Vehicle, unplugged: Vehicle | None, alive: frozenset[tuple[int, bool]]
) -> frozenset[tuple[str, int, bool, str]]:
    """Fields of remaining modules that carry what the engine computer sent.

    They follow a channel of the engine, or have one value without it that they never had with it: a default.
    """
    out = set()
    for key in alive:
        message, without = host.messages[key], unplugged.messages[key] if unplugged is not None else None
        for one in message.fields:
            repeats = one.channel in ENGINE_CHANNELS and one.channel_confidence >= LEAST_CHANNEL
            if without is not None and without.length == message.length:
                still = np.unique(raw_series(without.payload, one.layout))
                known = np.unique(message.raw(one.layout))
                all_ones = (1 << one.layout.length) - 1
                repeats |= len(still) == 1 and one.kind == "number" and (still[0] not in known or still[0] == all_ones)
            if repeats:
                out.add((host.bus, *key, one.name))
    return frozenset(out)


# --- words


def find_words(swap: Swap) -> None:
    """Which field carries the words of each channel."""
    channels = {bus: word_channels(swap.vehicle(bus)) for bus in (swap.host.bus, swap.donor.bus)}
    best: dict[str, tuple[float, Origin, WordMatch]] = {}
    for bus, known in channels.items():
        for key, message in swap.vehicle(bus).messages.items():
            fields = [f for f in message.fields if f.kind != "number" or len(np.unique(message.raw(f.layout))) <= 12]
            for name, channel in known.items():
                for one in fields:
                    found = match_words(message, one, name, channel)
                    if found is None:
                        continue
                    swap.word_matches[(bus, *key, one.name, name)] = found
                    if not swap.is_source(bus, message, one):
                        continue
                    rank = found.word_share + 0.1 * found.value_share
                    rank += FIRST_HAND * (bus == swap.host.bus)
                    rank += found.word_share >= ALWAYS  # one that is wrong at times comes after
                    if found.word_share >= least_share(len(found.word_of)) and (
                        name not in best or rank > best[name][0]
                    ):
                        best[name] = (rank, Origin(bus, message, one), found)
    for name in sorted({n for known in channels.values() for n in known}):
        words = tuple(dict.fromkeys(w for known in channels.values() if name in known for w in known[name][1]))
        parts = []
        for bus, known in channels.items():
            if name in known:
                parts.append(_word_series(swap, bus, name, words, known[name]))
        origin = best.get(name)
        swap.words[name] = Word(
            name, words, _joined(parts), None if origin is None else origin[1], None if origin is None else origin[2]
        )


def _word_series(
    swap: Swap, bus: str, name: str, words: tuple[str, ...], channel: tuple[VehicleSeries, tuple[str, ...]]
) -> VehicleSeries:
    """The words from the field that carries them best, else as they were recorded."""
    matches = [(found.word_share, k) for k, found in swap.word_matches.items() if k[0] == bus and k[4] == name]
    if matches:
        share, key = max(matches, key=lambda t: t[0])
        found = swap.word_matches[key]
        if share >= least_share(len(found.word_of)):
            message = swap.vehicle(bus).messages[key[1], key[2]]
            one = next(f for f in message.fields if f.name == key[3])
            raw = message.raw(one.layout)
            values, at = np.unique(raw, return_inverse=True)
            index = np.array([words.index(found.word_of[int(v)]) if int(v) in found.word_of else -1 for v in values])
            return VehicleSeries(message.time_s, index[at].astype(np.float64))
    series, own = channel
    return VehicleSeries(
        series.time_s, np.array([words.index(w) for w in own], dtype=np.float64)[series.value.astype(np.int64)]
    )


def _joined(parts: list[VehicleSeries]) -> VehicleSeries:
    parts = sorted(parts, key=lambda s: float(s.time_s[0]))
    return VehicleSeries(np.concatenate([s.time_s for s in parts]), np.concatenate([s.value for s in parts]))


def word_atoms(swap: Swap, bus: str = "") -> list[Atom]:
    """A condition for every word of every channel; for the fields of a bus only those that a signal will carry."""
    out = []
    for word in swap.words.values():
        how: How = "echo" if word.origin is not None and word.origin.bus == bus else "copy"
        for n, text in enumerate(word.words):
            spoken = VehicleSeries(word.series.time_s, (word.series.value == n).astype(np.float64))
            expression = None
            if word.origin is not None and word.match is not None:
                values = [v for v, w in sorted(word.match.word_of.items()) if w == text]
                if values:
                    expression = " or ".join(f"{word.origin.text} == {v}" for v in values)
            if expression is None and bus:
                continue
            out.append(
                Atom(
                    expression,
                    spoken,
                    8,
                    f"{word.channel}={text}",
                    how,
                    f"{word.channel} {text}",
                    frozenset({word.channel}),
                )
            )  # fmt: skip
    return out


def several_words(swap: Swap, key: tuple[str, int, bool, str], value: int) -> list[Atom]:
    """A condition for each channel of which several words go with a value of a field: a lever in park or neutral."""
    out = []
    for word in swap.words.values():
        matched = swap.word_matches.get((*key, word.channel))
        if matched is None or word.origin is None or word.match is None:
            continue
        mine = [w for w, v in matched.value_of.items() if v == value]
        if not 2 <= len(mine) < len(matched.value_of):
            continue
        spoken = np.isin(word.series.value, [word.words.index(w) for w in mine])
        values = [v for v, w in sorted(word.match.word_of.items()) if w in mine]
        how: How = "echo" if word.origin.bus == key[0] else "copy"
        text = " or ".join(f"{word.origin.text} == {v}" for v in values)
        name = f"{word.channel} {' or '.join(mine)}"
        out.append(
            Atom(
                f"({text})", VehicleSeries(word.series.time_s, spoken.astype(np.float64)), 8.0 + 3 * len(mine),
                name, how, name, frozenset({word.channel}),
            )
        )  # fmt: skip
    return out


# --- quantities


def _find_quantities(swap: Swap) -> None:
    names = {
        n for bus in (swap.host, swap.donor) if bus.track is not None
        for n, c in bus.track.channels.items() if not c.texts and n not in swap.words
    }  # fmt: skip
    names |= {f.channel for v in (swap.host, swap.donor) for m in v.messages.values() for f in m.fields if f.channel}
    for name in sorted(names - set(swap.words)):
        parts, unit = [], ""
        for vehicle in (swap.host, swap.donor):
            found = _best_field(vehicle, name, None)
            if found is not None:
                message, one = found
                parts.append(physical_series(message, one))
                unit = unit or one.unit
            else:
                series = vehicle.channel(name)
                if series is not None:
                    parts.append(VehicleSeries(series.time_s - TOOL_LAG_S, series.value))
                    unit = unit or (vehicle.track.channels[name].unit if vehicle.track is not None else "")
        if len(parts) < 2:
            continue
        origin, sure = None, 0.0
        heard = name not in ENGINE_CHANNELS and _sent_by_absent_module(swap, name)
        for bus in (swap.donor.bus,) if name in ENGINE_CHANNELS else (swap.host.bus, swap.donor.bus):
            if bus == swap.donor.bus and heard:
                continue
            found = _best_field(swap.vehicle(bus), name, swap)
            if found is not None:
                origin, sure = Origin(bus, *found), found[1].channel_confidence
                break
        unit = unit if unit in SPELLINGS else ""
        swap.quantities[name] = Quantity(name, unit, _joined(parts), origin, sure)


def _sent_by_absent_module(swap: Swap, channel: str) -> bool:
    """Whether a donor's module that stayed behind sent a channel, which the donor's computer then only received."""
    return any(
        f.channel == channel and f.channel_confidence >= LEAST_CHANNEL
        for k, m in swap.donor.messages.items() if k not in swap.donor_alive for f in m.fields
    )  # fmt: skip


def physical_series(message: VehicleMessage, one: VehicleField) -> VehicleSeries:
    """A field's physical values in time."""
    return VehicleSeries(message.time_s, message.raw(one.layout).astype(np.float64) * one.scale + one.offset)


def _best_field(vehicle: Vehicle, channel: str, sources_of: Swap | None) -> tuple[VehicleMessage, VehicleField] | None:
    """The surest field of a channel, of equals the finest and fastest; only sources where a swap is given."""
    found = []
    for message in vehicle.messages.values():
        for one in message.fields:
            if one.channel != channel or one.channel_confidence < LEAST_CHANNEL:
                continue
            if sources_of is not None and not sources_of.is_source(vehicle.bus, message, one):
                continue
            found.append((round(one.channel_confidence, 1), -abs(one.scale), -message.period_s, message, one))
    if not found:
        return None
    top = max(found, key=lambda f: f[:3])
    return top[3], top[4]


def quantity_lines(swap: Swap, known_only: bool = False) -> list[DraftLine]:
    """A line for every quantity (those that somebody will say, where asked so)."""
    return [q.line() for q in swap.quantities.values() if q.origin is not None or not known_only]


def local_atoms(swap: Swap, bus: str) -> list[Atom]:
    """Conditions on flags and choices of the modules that stay on a bus."""
    out = []
    for message in swap.vehicle(bus).messages.values():
        for one in message.fields:
            if not swap.is_source(bus, message, one):
                continue
            text = Origin(bus, message, one).text
            raw = message.raw(one.layout)
            if one.kind == "number":
                if _top_leaps(message, one) and one.channel not in swap.quantities:
                    half = 1 << (one.moving - 1)
                    high = VehicleSeries(message.time_s, (raw >= half).astype(np.float64))
                    condition = f"{text} >= {half}"
                    out.append(Atom(condition, high, 10, f"{text} high", "echo", condition, frozenset({text})))
                continue
            values, counts = np.unique(raw, return_counts=True)
            for value in values[counts >= 3]:
                equal = VehicleSeries(message.time_s, (raw == value).astype(np.float64))
                condition = f"{text} == {value}"
                out.append(Atom(condition, equal, 8, f"{text}={value}", "echo", condition, frozenset({text})))
    return out


def _top_leaps(message: VehicleMessage, one: VehicleField) -> bool:
    """Whether a value leaps wherever its top bit changes, so that the bit may be a switch beside it."""
    if one.layout.signed:
        return False
    raw = message.raw(one.layout)
    top = raw >= 1 << (one.moving - 1)
    leaps = np.abs(np.diff(raw))[np.diff(top)]
    return len(leaps) >= LEAST_LEAPS and float((leaps >= LEAP * np.ptp(raw)).mean()) >= LEAPS_SHARE


def local_lines(swap: Swap, bus: str) -> list[DraftLine]:
    """Measured fields without a known quantity of the modules that stay on a bus."""
    out = []
    for message in swap.vehicle(bus).messages.values():
        for one in message.fields:
            if one.kind != "number" or not swap.is_source(bus, message, one):
                continue
            if one.channel in swap.quantities and one.channel_confidence >= LEAST_CHANNEL:
                continue
            text = Origin(bus, message, one).text
            out.append(DraftLine(text, text, "", message.series(one), 1.0, "", text))
    return out


def grid(vehicle: Vehicle, step_s: float = 0.02) -> Floats:
    """Times all along a vehicle's recording."""
    return np.arange(vehicle.wakes[0][0], vehicle.wakes[-1][1], step_s)
