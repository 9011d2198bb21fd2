"""When an absent message is sent: planted begins, delays and ends are found again."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from swapbridge.capture.capture import FrameKey
from swapbridge.drafting.draft_text import bridge_text
from swapbridge.drafting.drafted import Drafted, DraftedMessage, Life
from swapbridge.drafting.recorded_vehicle import Vehicle, VehicleMessage, VehicleSeries
from swapbridge.drafting.swap_sources import Quantity, Word
from swapbridge.drafting.when_sent import _sleep_ms, life_of, shared_times

WAKES = ((0.0, 40.0), (50.0, 90.0), (100.0, 140.0))
ON, OFF, RUNS = 3.0, 25.0, 10.0
"""Key-on, key-off and the engine's start, in seconds after each wake."""


def message(identifier: int, period_s: float, begin_s: float, end_s: float, count: int = 0) -> VehicleMessage:
    parts = []
    for n, (wake, _) in enumerate(WAKES):
        part = wake + np.arange(begin_s + 0.003 + 0.4 * period_s * n, end_s, period_s)
        parts.append(part[:count] if count else part)
    times = np.concatenate(parts)
    return VehicleMessage(
        FrameKey(0, identifier, False), f"M_{identifier:03X}", 8, period_s, times, np.zeros((len(times), 8), np.uint8),
        (), None, None, frozenset(),
    )  # fmt: skip


def swap(*gone: VehicleMessage) -> Any:
    """A host whose body tells the key every 0.1 s, and messages of its old engine computer."""
    body = message(0x200, 0.1, 0.0, 40.0)
    at = np.concatenate([wake + np.arange(0, 40, 0.1) for wake, _ in WAKES])
    since = np.concatenate([np.arange(0, 40, 0.1) for _ in WAKES])
    key = VehicleSeries(at, ((since >= ON) & (since < OFF)).astype(float))
    rpm = VehicleSeries(at, np.where((since >= RUNS) & (since < OFF), 900.0, 0.0))
    messages = {(m.key.identifier, False): m for m in (body, *gone)}
    host = Vehicle("host", messages, WAKES, None, 0.0)
    donor = Vehicle("donor", {}, WAKES, None, 0.0)
    origin: Any = SimpleNamespace(text="host.M_200.f_0_1", bus="host", message=body)
    tells: Any = SimpleNamespace(word_of={0: "off", 1: "on"})
    return SimpleNamespace(
        host=host, donor=donor, host_alive=frozenset({(0x200, False)}), vehicle=lambda bus: host,
        words={"key_state": Word("key_state", ("off", "on"), key, origin, tells)},
        quantities={"engine_speed": Quantity("engine_speed", "rpm", rpm, None, 1.0)},
    )  # fmt: skip


def life(one: VehicleMessage) -> Life:
    """Of a message beside the usual one, which begins with the key and goes on for a second after it."""
    return life_of(swap(message(0x100, 0.01, ON, OFF + 1.0), one), "host", one)


USUAL = {"begin": "key", "delay_ms": 0, "last_ms": 0, "count": 0}


@pytest.mark.parametrize(
    ("begin_s", "end_s", "count", "expected"),
    [
        (ON, OFF + 1.0, 0, USUAL),
        (0.0, 40.0, 0, {**USUAL, "begin": "bus"}),
        (1.5, 40.0, 0, {**USUAL, "begin": "bus", "delay_ms": 1500}),
        (ON + 2.0, OFF + 1.0, 0, {**USUAL, "delay_ms": 2000}),
        (ON, OFF + 0.3, 0, {**USUAL, "last_ms": 250}),
        (ON, OFF + 1.15, 0, USUAL),
        (ON + 0.2, OFF + 1.0, 0, USUAL),
        (ON - 0.09, OFF + 1.0, 0, USUAL),  # before the frame that says 'on'
        (RUNS, OFF, 0, {**USUAL, "begin": "run"}),
        (0.0, 40.0, 3, {**USUAL, "begin": "bus", "count": 3}),
        (ON + 1.0, 40.0, 3, {**USUAL, "delay_ms": 1000, "count": 3}),
    ],
)
def test_a_planted_life_is_found_again(begin_s: float, end_s: float, count: int, expected: dict[str, Any]) -> None:
    found = life(message(0x300, 0.05, begin_s, end_s, count))
    said = {name: getattr(found, name) for name in expected}
    for name in ("delay_ms", "last_ms"):
        assert said.pop(name) == pytest.approx(expected[name], abs=110 if expected[name] else 0)
    assert said == {n: v for n, v in expected.items() if n in said}


@pytest.mark.parametrize(("begins", "expected"), [("key", "key"), ("bus", "bus")])
def test_a_key_that_mostly_comes_soon_after_the_bus_is_told_from_it_by_the_once_that_it_did_not(
    begins: str, expected: str
) -> None:
    """A slow message 0.4 s after two wakes looks as if it came with the bus; in the third the key came 3 s later."""
    keyed = [wake + late for (wake, _), late in zip(WAKES, (0.4, 0.4, 3.0), strict=True)]
    starts = keyed if begins == "key" else [wake + 0.1 for wake, _ in WAKES]
    times = np.concatenate([np.arange(a + 0.01, wake + 26.0, 0.5) for a, (wake, _) in zip(starts, WAKES, strict=True)])
    slow = replace(message(0x510, 0.5, ON, OFF), time_s=times, payload=np.zeros((len(times), 8), np.uint8))
    one = swap(message(0x100, 0.01, ON, OFF + 1.0), slow)
    series = one.words["key_state"].series
    on = np.zeros(len(series.time_s))
    for a, (wake, _) in zip(keyed, WAKES, strict=True):
        on[(series.time_s >= a) & (series.time_s < wake + OFF)] = 1.0
    one.words["key_state"] = replace(one.words["key_state"], series=replace(series, value=on))
    assert life_of(one, "host", slow).begin == expected


def test_where_one_goes_on_for_longer_the_others_keep_their_own_end() -> None:
    usual, longer = message(0x100, 0.01, ON, OFF + 1.0), message(0x300, 0.05, ON, OFF + 6.0)
    both = swap(usual, longer)
    assert shared_times(both).after_run_ms == pytest.approx(5900, abs=60)
    assert life_of(both, "host", usual).last_ms == pytest.approx(900, abs=60)
    assert life_of(both, "host", longer).last_ms == 0


def test_times_that_differ_from_wake_to_wake_are_none() -> None:
    times = np.concatenate(
        [w + np.arange(ON + late, OFF + 1, 0.05) for (w, _), late in zip(WAKES, (1, 4, 9), strict=True)]
    )
    one = message(0x300, 0.05, ON, OFF)
    found = life(VehicleMessage(one.key, one.name, 8, 0.05, times, np.zeros((len(times), 8), np.uint8), (), None, None,
                                frozenset()))  # fmt: skip
    assert (found.begin, found.delay_ms) == ("key", 0)


def test_what_is_shared_is_never_too_long() -> None:
    """The frame that reports 'off' is late by up to its period. 5.53 s were sent where the last frame came after 5."""
    ends = (1.0, 0.93, 0.97)
    times = np.concatenate([w + np.arange(ON, OFF + end, 0.01) for (w, _), end in zip(WAKES, ends, strict=True)])
    one = message(0x100, 0.01, ON, OFF)
    tail = VehicleMessage(one.key, one.name, 8, 0.01, times, np.zeros((len(times), 8), np.uint8), (), None, None,
                          frozenset())  # fmt: skip
    assert shared_times(swap(tail)).after_run_ms == pytest.approx(900, abs=15)


def test_a_bus_is_asleep_before_half_a_second_where_its_slowest_talk_is_ten_times_a_second() -> None:
    """A bus asleep for 0.55 s was still talked to: more than half a second after everybody else had gone."""
    assert _sleep_ms(swap().host) == pytest.approx(425, abs=26)


def drafted(**life: Any) -> str:
    one = message(0x300, 0.05, ON, OFF)
    made: dict[str, Any] = {"begin": "key", "period_ms": 50.0, "count": 0, "words": "so", **life}
    times = shared_times(swap(message(0x100, 0.01, ON, OFF + 1.0)))
    whole = Drafted((DraftedMessage("host", one, Life(**made), ()),), times)
    return bridge_text(swap(), whole, "planted")


@pytest.mark.parametrize(
    ("found", "lines"),
    [
        ({}, ['states = ["key_on", "crank", "run", "after_run"]']),
        ({"delay_ms": 2000}, ["delay_ms = 2000", '"after_run"]']),
        ({"last_ms": 6000}, ['states = ["key_on", "crank", "run"]', "last_ms = 6000"]),
    ],
)
def test_a_life_is_written_as_the_language_says_it(found: dict[str, Any], lines: list[str]) -> None:
    text = drafted(**found)
    for line in lines:
        assert line in text
