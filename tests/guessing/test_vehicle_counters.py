"""Guessing room: a counter too brief to show by itself is known by the vehicle's kind, at its place, on time."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from swapbridge.core.integrity import Counter
from swapbridge.guessing.coding.bit_columns import BitColumns, make_columns
from swapbridge.guessing.integrity.vehicle_counters import CounterKind, counter_of_vehicle, vehicle_counters
from swapbridge.guessing.layout.study import study
from swapbridge.guessing.layout.vehicle_studies import with_vehicle_formulas

Ints = npt.NDArray[np.int64]


def message(number: int, count: Ints, byte: int = 6, lost: float = 0.0) -> BitColumns:
    """A walk in front and the counter's values in one byte, every 20 ms; some frames were not recorded."""
    rng = np.random.default_rng(number)
    n = len(count)
    payload = np.zeros((n, 8), np.uint8)
    payload[:, 2] = 120 + np.cumsum(rng.integers(-2, 3, n))
    payload[:, byte] = count
    kept = rng.random(n) >= lost
    kept[0] = True
    time_ns = (np.arange(n) * 20_000_000)[kept]
    return make_columns(0x200 + number, False, time_ns, np.full(len(time_ns), 8, np.uint8), payload[kept])


@pytest.mark.parametrize("lost", [0.0, 0.1])
@pytest.mark.parametrize(("every", "step"), [(1, 1), (2, 1), (4, 1), (1, 5)])
def test_a_counter_that_never_went_round_shows_where_another_message_has_its_kind(
    every: int, step: int, lost: float
) -> None:
    long, brief = np.arange(4000), np.arange(70)
    counts = [(7 + step * (t // every)) % 256 for t in (long, brief)]
    studies = [study(message(k, c, lost=lost)) for k, c in enumerate(counts)]
    assert [c.positions for part in studies[0].parts for c in part.counters] == [tuple(range(48, 56))]
    settled = with_vehicle_formulas(studies)[1]
    (found,) = settled.parts[0].counters
    assert found.positions == tuple(range(48, 56))
    assert (found.counter.step, found.every) == (step, every)


@pytest.mark.parametrize("pace", [0.45, 0.9, 1.1])
def test_what_climbs_at_about_the_pace_of_the_vehicles_counters_is_none(pace: float) -> None:
    kinds = [CounterKind(True, -16, 8, Counter(0, 255), 1), CounterKind(True, -16, 8, Counter(0, 255), 2)]
    assert counter_of_vehicle(message(1, np.arange(90)), kinds, [], ()) is not None
    assert counter_of_vehicle(message(1, np.floor(np.arange(90) * pace).astype(np.int64)), kinds, [], ()) is None


def test_the_vehicles_counter_stands_at_its_place_and_takes_no_bits_of_a_check() -> None:
    kinds = [CounterKind(True, -16, 8, Counter(0, 255), 1)]
    assert counter_of_vehicle(message(1, np.arange(90), byte=5), kinds, [], ()) is None
    assert counter_of_vehicle(message(1, np.arange(90)), kinds, [], range(48, 56)) is None


def test_what_goes_on_above_is_no_counter_of_the_vehicle() -> None:
    """Sixteen bits that go on by one: the lower eight are on time as well, and the upper ones count their rounds."""
    kinds = [CounterKind(False, 24, 8, Counter(0, 255), 1)]
    columns = message(1, np.arange(900) % 256, byte=3)
    columns.payload[:, 4] = np.arange(900) >> 8
    assert counter_of_vehicle(columns, kinds, [], ()) is None


def test_where_a_vehicles_counters_are_of_many_kinds_none_is_its_kind() -> None:
    found = [(8, [c]) for k in (3, 5, 7) for c in study(message(k, k * np.arange(2000) % 256)).parts[0].counters]
    assert len(found) == 3
    assert vehicle_counters(found) == []
