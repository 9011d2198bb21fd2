"""Drafting room: the field that carries a channel's words (lever, key, gear, a switch), and its value for each."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from swapbridge.capture.stimulus import Channel
from swapbridge.core.errors import InputError
from swapbridge.core.layout import layout_from_positions
from swapbridge.core.roles import BY_NAME
from swapbridge.drafting.recorded_vehicle import (
    Bools,
    Floats,
    Ints,
    ValueKind,
    Vehicle,
    VehicleField,
    VehicleMessage,
    VehicleSeries,
)

STEP_S = 0.05
LAGS_S = tuple(round(0.05 * k, 2) for k in range(-8, 17))
"""A person notes an action before or after it, a scan tool after."""
SETTLE_S = 0.35
MOST_WORDS = 12
LEAST_SHARE = 0.9
PART_SHARE = 0.97
"""A part of a code carries a channel where it and the words predict each other in this share of the time."""
BINARY_LEAST_SHARE = 0.85
MOST_PART_BITS, MOST_JOINED_BITS = 3, 4
"""Parts of a code, and a code put together from two, at most."""


@dataclass(frozen=True, slots=True)
class WordMatch:
    """How a field goes with a channel's words.

    `word_share` is the share of time in which the field's value gives the word (the mean over words), `value_share`
    that in which the word gives the value (the mean over values).
    """

    channel: str
    lag_s: float
    word_of: dict[int, str]
    value_of: dict[str, int]
    word_share: float
    value_share: float


def word_channels(vehicle: Vehicle) -> dict[str, tuple[VehicleSeries, tuple[str, ...]]]:
    """Channels that hold one of a few words or levels, as indices into those.

    A measured quantity that hardly moved, like a coolant at 34 and 35 degC, is none: a flag may have changed then too.
    """
    out: dict[str, tuple[VehicleSeries, tuple[str, ...]]] = {}
    for name, channel in (vehicle.track.channels if vehicle.track is not None else {}).items():
        role = BY_NAME.get(name)
        found = None if role is not None and role.quantity else _words(channel)
        if found is not None:
            index, words = found
            out[name] = (VehicleSeries(channel.time_s - vehicle.start_s, index), words)
    return out


def _words(channel: Channel) -> tuple[Floats, tuple[str, ...]] | None:
    if channel.texts:
        return (channel.value, channel.texts) if len(channel.texts) <= MOST_WORDS else None
    levels = np.unique(channel.value)
    if not 2 <= len(levels) <= MOST_WORDS or channel.unit or (levels != np.round(levels)).any():
        return None
    return np.searchsorted(levels, channel.value).astype(np.float64), tuple(f"{v:g}" for v in levels)


def match_words(
    message: VehicleMessage, one: VehicleField, name: str, channel: tuple[VehicleSeries, tuple[str, ...]]
) -> WordMatch | None:
    """How a field goes with a channel, at the lag where they go best."""
    series, words = channel
    raw = message.raw(one.layout)
    values = np.unique(raw)
    if not 2 <= len(values) <= 64:
        return None
    rows, said, settled = _laid(message, series)
    pairs = np.searchsorted(values, raw[rows]) * len(words) + said
    shape = (len(values), len(words))
    best, best_sum = None, -np.inf
    for n, (pair, still) in enumerate(zip(pairs, settled, strict=True)):
        table = np.bincount(pair[still], minlength=shape[0] * shape[1]).reshape(shape).astype(np.float64)
        shares = _shares(table)
        if shares is not None and min(1, shares[0]) + shares[1] > best_sum:
            best, best_sum = (n, table, *shares), min(1, shares[0]) + shares[1]
    if best is None:
        return None
    n, table, word_share, value_share = best
    rough = np.bincount(pairs[n], minlength=table.size).reshape(shape)  # for values that never settled long enough
    of_value, of_word = table.sum(1), table.sum(0)
    brief = (of_value == 0)[:, None]
    word_at = np.where(brief, rough / np.maximum(rough.sum(0), 1), table / np.maximum(of_word, 1)).argmax(1)
    value_at = (table / np.maximum(of_value, 1)[:, None]).argmax(0)
    word_of = {int(values[v]): words[word_at[v]] for v in np.flatnonzero(rough.sum(1))}
    value_of = {words[w]: int(values[value_at[w]]) for w in np.flatnonzero(of_word)}
    for v, word in word_of.items():  # a word that never settled, by the value that it came with
        value_of.setdefault(word, v)
    return WordMatch(name, LAGS_S[n], word_of, value_of, word_share, value_share)


@lru_cache(maxsize=4)
def _laid(message: VehicleMessage, series: VehicleSeries) -> tuple[Ints, Ints, Bools]:
    """The rows of a message at the moments that are looked at; for each lag the words then, and which had settled.

    It is the same for every field of a message, and many are asked one after the other.
    """
    first = max(float(message.time_s[0]), float(series.time_s[0]))
    times = np.arange(first, float(message.time_s[-1]), STEP_S)
    rows = np.searchsorted(message.time_s, times, "right") - 1
    awake = times - message.time_s[rows] < max(0.3, 5 * message.period_s)
    rows, times = rows[awake], times[awake]
    short = series.changes()
    at = times + np.array(LAGS_S)[:, None]
    word = short.at(at)
    settled = (short.at(at - SETTLE_S) == word) & (short.at(at + SETTLE_S) == word)
    return rows, word.astype(np.int64), settled


def _shares(table: Floats) -> tuple[float, float] | None:
    """(word share, value share) of the moments with each value and word; None where fewer than two of either lasted.

    A share is of a word's time, or a value's, so that a rare one counts as much as a common one.
    """
    of_word, of_value = table.sum(0), table.sum(1)
    seen_words, seen_values = of_word * STEP_S >= 0.4, of_value * STEP_S >= 0.4
    if np.count_nonzero(seen_words) < 2 or np.count_nonzero(seen_values) < 2:
        return None
    by_word = (table / np.maximum(of_word, 1)).argmax(1)
    right = np.bincount(by_word, table[np.arange(len(table)), by_word], len(of_word))
    said = np.flatnonzero(of_word)
    by_value = (table / np.maximum(of_value, 1)[:, None])[:, said].argmax(0)
    meant = np.bincount(by_value, table[by_value, said], len(table))
    word_share = (right / np.maximum(of_word, 1))[seen_words].mean()
    return float(word_share), float((meant / np.maximum(of_value, 1))[seen_values].mean())


def with_words_apart(vehicle: Vehicle) -> Vehicle:
    """The vehicle with codes cut where a part of their bits alone carries a channel's words.

    A lever and the gear that it chooses, side by side, look like one code: as many values as there are pairs.
    """
    channels = {n: c for n, c in word_channels(vehicle).items() if len(c[1]) > 2}
    messages = dict(vehicle.messages)
    for key, message in vehicle.messages.items():
        fields: list[VehicleField] = []
        for one in message.fields:
            parts = [one]
            if one.kind == "choice" and one.layout.length >= 3:
                for name, channel in channels.items():
                    parts = _apart(message, one, name, channel)
                    if len(parts) > 1:
                        break
            fields += parts
        if len(fields) > len(message.fields):
            messages[key] = replace(message, fields=tuple(fields))
    return replace(vehicle, messages=messages)


def with_words_together(vehicle: Vehicle) -> Vehicle:
    """The vehicle with codes put together whose bits were cut apart where only both together carry a channel's words.

    A key's code in which one bit is set for the second that the starter turns looks like two flags.
    """
    channels = {n: c for n, c in word_channels(vehicle).items() if len(c[1]) > 2}
    messages = dict(vehicle.messages)
    for key, message in vehicle.messages.items():
        fields = list(message.fields)
        small = [f for f in fields if f.kind != "number" and f.layout.length <= MOST_PART_BITS]
        for name, channel in channels.items():
            joined = [
                (match, (a, b), both) for n, a in enumerate(small) for b in small[n + 1 :]
                if (both := _both(a, b)) is not None
                and (match := match_words(message, both, name, channel)) is not None
                and min(match.word_share, match.value_share) >= PART_SHARE
                and _more_together(message, (a, b), name, channel, match)
            ]  # fmt: skip
            if joined:
                _, pair, both = max(joined, key=lambda j: j[0].word_share + j[0].value_share)
                fields[fields.index(pair[0])] = both
                fields.remove(pair[1])
                break
        if len(fields) < len(message.fields):
            messages[key] = replace(message, fields=tuple(fields))
    return replace(vehicle, messages=messages)


def _both(a: VehicleField, b: VehicleField) -> VehicleField | None:
    """Two fields side by side as one code."""
    for first, second in ((a, b), (b, a)):
        try:
            layout = layout_from_positions((*first.layout.positions, *second.layout.positions))
        except InputError:
            continue
        if layout.length <= MOST_JOINED_BITS:
            return replace(
                first, name=f"f_{layout.start}_{layout.length}", layout=layout, kind="choice", moving=layout.length,
                channel="", channel_confidence=0.0,
            )  # fmt: skip
    return None


def _more_together(
    message: VehicleMessage, parts: tuple[VehicleField, VehicleField], name: str,
    channel: tuple[VehicleSeries, tuple[str, ...]], both: WordMatch,
) -> bool:  # fmt: skip
    """Whether two fields together carry words that neither carries alone, each word by its own value."""
    alone = [match for part in parts if (match := match_words(message, part, name, channel)) is not None]
    most = max((len(set(match.value_of.values())) for match in alone), default=0)
    return len(set(both.value_of.values())) == len(both.value_of) > most


def _apart(
    message: VehicleMessage, one: VehicleField, name: str, channel: tuple[VehicleSeries, tuple[str, ...]]
) -> list[VehicleField]:
    """A code cut into the part that carries a channel's words, each by one value, and what is below and above it."""
    whole = match_words(message, one, name, channel)
    if whole is None or whole.word_share < PART_SHARE or whole.value_share >= LEAST_SHARE:
        return [one]
    positions = one.layout.positions
    least = max(2, int(np.ceil(np.log2(len(whole.value_of)))))
    for length in range(least, len(positions)):
        for first in range(len(positions) - length + 1):
            run = _part(message, one, positions[first : first + length])
            if run is None or not {positions[first], positions[first + length - 1]} <= message.moved:
                continue
            match = match_words(message, run, name, channel)
            if match is not None and min(match.word_share, match.value_share) >= PART_SHARE:
                ends = (positions[:first], positions[first + length :])
                others = [p for end in ends if set(end) & message.moved and (p := _part(message, one, end)) is not None]
                return [run, *others]
    return [one]


def _part(message: VehicleMessage, one: VehicleField, positions: tuple[int, ...]) -> VehicleField | None:
    moving = [k for k, p in enumerate(positions) if p in message.moved]
    if not moving:
        return None
    try:
        layout = layout_from_positions(positions[moving[0] : moving[-1] + 1])
    except InputError:
        return None
    kind: ValueKind = "flag" if layout.length == 1 else "choice"
    return replace(
        one, name=f"f_{layout.start}_{layout.length}", layout=layout, kind=kind, moving=layout.length, channel="",
        channel_confidence=0.0,
    )  # fmt: skip


def least_share(values: int) -> float:
    """How well a field must go with a channel before it is believed."""
    return BINARY_LEAST_SHARE if values == 2 else LEAST_SHARE
