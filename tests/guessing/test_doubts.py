"""Guessing room: what a counter or a check is not sure of: bits of a check that count, and halves of a byte's check."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from swapbridge.core.integrity import Crc
from swapbridge.guessing.coding.bit_columns import BitColumns, make_columns
from swapbridge.guessing.integrity.checksums import find_checksums
from swapbridge.guessing.integrity.counters import find_counters, never_misses
from swapbridge.guessing.integrity.followers import follower_of_counter
from swapbridge.guessing.integrity.integrity_fields import counter_fields
from swapbridge.guessing.integrity.redundant_counters import without_redundant
from swapbridge.guessing.integrity.trust import BY_HABIT, check_probability
from swapbridge.guessing.integrity.vehicle_formulas import vehicle_checks
from swapbridge.guessing.layout.cut import OrderPrices
from swapbridge.guessing.layout.kinds import comes_round
from swapbridge.guessing.layout.multiplex import FoundMux
from swapbridge.guessing.layout.study import ROUND_MOST, fields_of_study, paged_bits, study

Bytes = npt.NDArray[np.uint8]
N = 600


def frames(payload: Bytes, identifier: int = 0x321, kept: npt.NDArray[np.bool_] | None = None) -> BitColumns:
    """Every 10 ms; where given, only these were recorded."""
    kept = np.ones(len(payload), bool) if kept is None else kept
    time_ns = (np.arange(len(payload)) * 10**7)[kept]
    n = int(kept.sum())
    return make_columns(identifier, False, time_ns, np.full(n, payload.shape[1], np.uint8), payload[kept])


def confidence_of(columns: BitColumns) -> dict[int, float]:
    counters = without_redundant(columns, find_counters(columns))
    return {f.layout.start: f.confidence for f in counter_fields(counters, [], columns)}


def test_bits_of_a_check_that_count_backwards_beside_a_counter_are_no_counter() -> None:
    """Two bits of an affine check of two counted bits may run 0, 3, 2, 1: the counter is what goes on by one."""
    payload = np.zeros((N, 4), np.uint8)
    count = np.arange(N) % 4
    payload[:, 1], payload[:, 3] = count << 2, (3 - count) << 5
    stated = confidence_of(frames(payload))
    assert stated.keys() == {10}
    assert stated[10] > 0.95


@pytest.mark.parametrize("lost", [0.0, 0.02])
def test_of_two_that_count_the_one_that_slips_by_itself_is_no_counter(lost: float) -> None:
    """A frame that the logger lost both miss; a flag that a sum covers moves the sum alone."""
    rng = np.random.default_rng(4)
    payload = np.zeros((N, 4), np.uint8)
    count, flag = np.arange(N) % 4, np.arange(N) // 90 % 2
    payload[:, 0], payload[:, 1] = flag, count << 6
    payload[:, 3] = (payload.sum(axis=1) + 64 * flag).astype(np.uint8)
    columns = frames(payload, kept=rng.random(N) >= lost)
    assert {c.positions[0] for c in find_counters(columns)} == {14, 30}
    stated = confidence_of(columns)
    assert stated.keys() == {14}
    assert stated[14] > 0.95


def test_two_bits_that_miss_steps_beside_moving_ones_are_no_sure_counter() -> None:
    payload = np.zeros((N, 4), np.uint8)
    payload[:, 3] = (np.arange(N) % 4) << 6
    assert confidence_of(frames(payload))[30] > 0.95
    other = np.repeat(np.random.default_rng(2).integers(0, 8, 6), N // 6)
    payload[:, 3] += (other * 24).astype(np.uint8)
    columns = frames(payload)
    (found,) = find_counters(columns)
    assert not never_misses(columns, found)
    assert confidence_of(columns)[found.positions[0]] <= BY_HABIT


def test_what_leaves_a_drift_below_it_may_be_a_quantity_that_goes_on_by_two() -> None:
    payload = np.zeros((N, 4), np.uint8)
    count = np.arange(N)
    payload[:, 1] = (2 * count + count // 333) & 255
    stated = confidence_of(frames(payload))
    assert stated[9] <= BY_HABIT
    payload[:, 1] = (4 * count + np.array([0, 3, 1, 2, 0, 2])[count // 100]) & 255  # two states below a counter
    assert confidence_of(frames(payload))[10] > 0.95
    payload[:, 1] = (4 * count + 2 * (count // 100 % 2)) & 255  # a flag, and a dead bit
    assert confidence_of(frames(payload))[10] > 0.95


def test_a_multiplexer_that_may_not_be_there_explains_no_pages() -> None:
    saved = [FoundMux((0, 1), (0, 1, 2), tuple(range(8, 24)), bits) for bits in (45.0, 4000.0)]
    assert [bool(paged_bits(mux)) for mux in saved] == [False, True]


@pytest.mark.parametrize("lost", [0.0, 0.02])
def test_what_goes_on_by_one_whatever_else_moves_is_no_check(lost: float) -> None:
    """Solved for the counter, the relation of a check is a sum as well; the check itself does not count."""
    rng = np.random.default_rng(3)
    payload = np.zeros((N, 4), np.uint8)
    payload[:, 1] = np.cumsum(rng.integers(0, 3, N)) * 2 & 255
    payload[:, 3] = np.arange(N) % 16 << 4
    nibbles = ((payload & 15) + (payload >> 4)).sum(axis=1)
    payload[:, 3] |= (-nibbles % 16).astype(np.uint8)
    columns = frames(payload, kept=rng.random(N) >= lost)
    for rank in (lambda c: float(c.positions[0]), lambda c: -float(c.positions[0])):
        assert [c.positions for c in find_checksums(columns, find_counters(columns), rank)] == [(24, 25, 26, 27)]


def test_a_counter_beside_a_crc_is_no_part_of_a_wider_one() -> None:
    """An affine map of a counter and a CRC may be a CRC of twelve bits by chance; what counts is a counter."""
    crc = Crc(8, 0x1D, 0, False, 0, (3,))
    payload = np.zeros((N, 5), np.uint8)
    payload[:, 0] = np.cumsum(np.random.default_rng(5).integers(-2, 3, N)) & 255
    payload[:, 3] = np.arange(N) % 16
    payload[:, 4] = [crc.value(row.tobytes()) for row in payload]
    assert all(not set(c.positions) & {24, 25, 26, 27} for c in study(frames(payload)).checksums)


def test_what_may_be_half_of_a_bytes_check_speaks_for_no_sum_of_nibbles() -> None:
    """Of a sum with the carries brought round, the lower half is a sum of nibbles while the upper bits are calm."""
    messages = []
    for k in range(6):
        payload = np.zeros((N, 4), np.uint8)
        payload[:, 0], payload[:, 2] = np.arange(N) % 16, np.arange(N) // 50 % 4
        payload[:, 1] = 16 * (np.arange(N) // 11 % 3)
        payload[:, 3] = (np.arange(N) // 11 % 3) * 5 << 4
        payload[:, 3] |= (15 - ((payload & 15) + (payload >> 4)).sum(axis=1) % 16).astype(np.uint8)
        messages.append(frames(payload, 0x100 + k))
    found = [c for c in vehicle_checks(messages) if c is not None]
    assert found
    assert all(c.half and check_probability(c) <= BY_HABIT for c in found)


def test_what_counts_by_three_in_step_with_a_counter_is_its_check_and_none_itself() -> None:
    """Four bits of a weighed sum of which only the counter moves: taken for the counter, it made this one its check."""
    payload = np.zeros((N, 4), np.uint8)
    count = np.arange(N) % 16
    payload[:, 1], payload[:, 2] = count, 7 * count % 16
    columns = frames(payload, kept=np.random.default_rng(6).random(N) >= 0.02)
    both = find_counters(columns)
    assert {c.counter.step for c in both} == {1, 7}
    assert [c.positions for c in without_redundant(columns, both)] == [(8, 9, 10, 11)]
    check = follower_of_counter(columns, both)
    assert check is not None
    assert (check.positions[0], check.distinguished) == (16, 1)


def test_states_that_come_in_one_order_again_and_again_are_no_sure_field() -> None:
    """Each page six times: its number in two bits, what it holds in the six below. A gear is shifted up and down."""
    page = np.arange(N) // 6 % 4
    payload = np.zeros((N, 4), np.uint8)
    payload[:, 1] = page << 6 | np.array([0x0C, 0x0F, 0x0E, 0x2D])[page]
    found = [f for f in fields_of_study(study(frames(payload)), OrderPrices()) if f.kind != "constant"]
    assert len(found) == 2
    assert all(f.evidence["comes_round"] for f in found)
    assert all(f.layout_confidence == ROUND_MOST < 0.95 for f in found)
    follows = np.arange(N) > 0
    gear = np.array([0, 1, 2, 3, 4, 3, 2, 1])[np.arange(N) // 5 % 8]
    rng = np.random.default_rng(3)
    for states in (gear, page % 2, rng.integers(0, 4, N)):
        assert not comes_round(states, follows)
    assert comes_round(page, follows)
    assert not comes_round(page[:180], follows[:180])
