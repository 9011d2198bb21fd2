"""Guessing room: a counter too brief to show by itself is known by the vehicle's kind, at its place, on time."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from swapbridge.capture.capture import Capture
from swapbridge.core.integrity import Counter
from swapbridge.guessing.coding.bit_columns import BitColumns, make_columns
from swapbridge.guessing.integrity.trust import counter_probability
from swapbridge.guessing.integrity.vehicle_counters import CounterKind, counter_of_vehicle, vehicle_counters
from swapbridge.guessing.integrity_only import integrity_fields
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


def test_a_counter_may_go_on_anew_after_a_long_pause() -> None:
    kinds = [CounterKind(True, -16, 4, Counter(0, 15, 3), 1)]
    frames = message(1, np.concatenate([3 * np.arange(8), 3 * np.arange(20, 36)]) % 16)
    frames.time_ns[8:] += 9_000_000_000
    frames.breaks[8] = True
    assert counter_of_vehicle(frames, kinds, [], ()) is not None
    few = frames.select(np.arange(24) < 20)  # no dozen steps without a pause
    assert counter_of_vehicle(few, kinds, [], ()) is None


def pages_beside(count: Ints, selector: Ints) -> BitColumns:
    """A counter at the vehicle's place in a message whose selector picks pages of three bytes."""
    columns = message(9, count)
    held = np.random.default_rng(9).integers(0, 256, (int(selector.max()) + 1, 3))
    columns.payload[:, 0] = selector
    columns.payload[:, 2:5] = held[selector] + np.random.default_rng(8).integers(0, 3, (len(count), 3))
    return make_columns(0x209, False, columns.time_ns, columns.length, columns.payload)


@pytest.mark.parametrize("pages", [4, 12])
def test_a_counter_of_the_vehicles_kind_stands_beside_pages_that_go_round_with_it(pages: int) -> None:
    """By itself it may pick the pages, or be what they hold, or have the selector for its check."""
    n = 1200
    others = [study(message(k, (np.arange(n) + k) % 4)) for k in range(3)]
    selector = np.random.default_rng(2).permutation(pages)[np.arange(n) % pages]
    alone = study(pages_beside(np.arange(n) % 4, selector))
    counters = [c.positions for part in alone.parts for c in part.counters if alone.mux and alone.mux.positions[0] == 0]
    assert (48, 49) not in counters
    found = with_vehicle_formulas([*others, alone])[3]
    assert found.mux is not None
    assert found.mux.positions[0] == 0
    assert not {48, 49} & set(found.mux.decides)
    assert [c.positions for c in found.parts[0].counters] == [(48, 49)]


def test_a_counter_is_surer_where_other_messages_have_its_like_at_its_place() -> None:
    counts = [(np.arange(300) + k) % 4 for k in range(4)]
    alike = with_vehicle_formulas([study(message(k, count)) for k, count in enumerate(counts)])
    apart = with_vehicle_formulas([study(message(k, count, byte=3 + k)) for k, count in enumerate(counts)])
    (one, other) = (studies[0].parts[0].counters[0] for studies in (alike, apart))
    assert (one.shared, other.shared) == (3, 0)
    assert counter_probability(one, None) > counter_probability(other, None)


def test_a_survey_asks_the_vehicle_too() -> None:
    brief, long = message(1, np.arange(70) // 2), message(2, np.arange(4000) // 2 % 256)
    both = [brief, long]
    capture = Capture(
        np.concatenate([c.time_ns for c in both]),
        np.concatenate([np.full(len(c), c.identifier, np.uint32) for c in both]),
        np.zeros(4070, np.uint8),
        np.zeros(4070, np.uint8),
        np.full(4070, 8, np.uint8),
        np.concatenate([c.payload for c in both]),
    )
    found = integrity_fields(capture)
    assert {(name[1], f.layout.start) for name, fields in found.items() for f in fields} == {(0x201, 48), (0x202, 48)}


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
