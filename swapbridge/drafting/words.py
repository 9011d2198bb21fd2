"""Drafting room: which field tells the words of a channel (lever, key, gear, a switch), and by which values."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from swapbridge.capture.stimulus import Channel
from swapbridge.drafting.vehicle import Floats, Ints, Series, Vehicle, VehicleField, VehicleMessage

STEP_S = 0.05
LAGS_S = tuple(round(0.05 * k, 2) for k in range(-8, 17))
"""A person says a thing before or after it is done, a scan tool after."""
SETTLE_S = 0.35
MOST_WORDS = 12
LEAST_SHARE = 0.9
BINARY_LEAST_SHARE = 0.85


@dataclass(frozen=True, slots=True)
class Telling:
    """How a field goes with a channel's words.

    `tells` is the share of time in which the field's value tells the word (the mean over words), `told` that in which
    the word tells the value (the mean over values).
    """

    channel: str
    lag_s: float
    word_of: dict[int, str]
    value_of: dict[str, int]
    tells: float
    told: float


def word_channels(vehicle: Vehicle) -> dict[str, tuple[Series, tuple[str, ...]]]:
    """Channels that hold one of a few words or levels, as indices into those."""
    out: dict[str, tuple[Series, tuple[str, ...]]] = {}
    for name, channel in (vehicle.track.channels if vehicle.track is not None else {}).items():
        found = _words(channel)
        if found is not None:
            index, words = found
            out[name] = (Series(channel.time_s - vehicle.start_s, index), words)
    return out


def _words(channel: Channel) -> tuple[Floats, tuple[str, ...]] | None:
    if channel.texts:
        return (channel.value, channel.texts) if len(channel.texts) <= MOST_WORDS else None
    levels = np.unique(channel.value)
    if not 2 <= len(levels) <= MOST_WORDS or channel.unit or (levels != np.round(levels)).any():
        return None
    return np.searchsorted(levels, channel.value).astype(np.float64), tuple(f"{v:g}" for v in levels)


def telling(
    message: VehicleMessage, one: VehicleField, name: str, channel: tuple[Series, tuple[str, ...]]
) -> Telling | None:
    """How a field goes with a channel, at the lag where they go best."""
    series, words = channel
    raw = message.raw(one.layout)
    values = np.unique(raw)
    if not 2 <= len(values) <= 64:
        return None
    first = max(float(message.time_s[0]), float(series.time_s[0]))
    times = np.arange(first, float(message.time_s[-1]), STEP_S)
    rows = np.searchsorted(message.time_s, times, "right") - 1
    awake = times - message.time_s[rows] < max(0.3, 5 * message.period_s)
    value = np.searchsorted(values, raw[rows])
    best: Telling | None = None
    for lag in LAGS_S:
        found = _at_lag(times, value, awake, values, series, words, lag, name)
        if found is not None and (best is None or min(1, found.tells) + found.told > best.tells + best.told):
            best = found
    return best


def _at_lag(
    times: Floats,
    value: Ints,
    awake: np.ndarray[tuple[int], np.dtype[np.bool_]],
    values: Ints,
    series: Series,
    words: tuple[str, ...],
    lag: float,
    name: str,
) -> Telling | None:
    word = series.at(times + lag).astype(np.int64)
    settled = awake & (series.at(times + lag - SETTLE_S) == word) & (series.at(times + lag + SETTLE_S) == word)
    table = np.zeros((len(values), len(words)))
    np.add.at(table, (value[settled], word[settled]), 1.0)
    of_word, of_value = table.sum(0), table.sum(1)
    seen_words, seen_values = of_word * STEP_S >= 0.4, of_value * STEP_S >= 0.4
    if seen_words.sum() < 2 or seen_values.sum() < 2:
        return None
    rough = np.zeros_like(table)  # for values that never settled long enough
    np.add.at(rough, (value[awake], word[awake]), 1.0)
    brief = (of_value == 0) & (rough.sum(1) > 0)
    share = np.where(
        brief[:, None], rough / np.maximum(rough.sum(0), 1), table / np.maximum(of_word, 1)
    )  # of a word's time, so that a rare word counts as much as a common one
    word_of = {int(values[v]): int(share[v].argmax()) for v in np.flatnonzero(of_value + rough.sum(1))}
    right = np.array(
        [sum(table[k, w] for k, v in enumerate(values) if word_of.get(int(v)) == w) for w in range(len(words))]
    )
    tells = float((right / np.maximum(of_word, 1))[seen_words].mean())
    by_value = table / np.maximum(of_value, 1)[:, None]
    value_of = {words[w]: int(values[int(by_value[:, w].argmax())]) for w in np.flatnonzero(of_word)}
    for v, w in word_of.items():  # a word that never settled, by the value that it came with
        value_of.setdefault(words[w], v)
    told = float(
        np.mean([
            sum(table[k, w] for w in np.flatnonzero(of_word) if value_of[words[w]] == values[k]) / of_value[k]
            for k in np.flatnonzero(seen_values)
        ])
    )  # fmt: skip
    return Telling(name, lag, {v: words[w] for v, w in word_of.items()}, value_of, tells, told)


def least_share(values: int) -> float:
    """How well a field must go with a channel before it is believed."""
    return BINARY_LEAST_SHARE if values == 2 else LEAST_SHARE
