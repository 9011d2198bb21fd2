"""Fields that are all ones until their module has a value: told from their first value on, and kept whole."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from hypothesis import given
from hypothesis import strategies as st

from swapbridge.core.layout import Layout
from swapbridge.guessing.coding.bit_columns import BitColumns, make_columns, sample_pairs
from swapbridge.guessing.coding.candidates import find_candidates
from swapbridge.guessing.coding.openings import FEWEST_BYTES, FEWEST_FALLS, FEWEST_STEPS, find_opening, no_state_yet
from swapbridge.guessing.layout.cut import OrderPrices
from swapbridge.guessing.layout.orders import cut_of
from swapbridge.guessing.layout.study import study
from tests.guessing.planted import write_field

Ints = npt.NDArray[np.int64]


def columns_of(*fields: tuple[Layout, Ints]) -> BitColumns:
    bits = np.zeros((len(fields[0][1]), 64), np.uint8)
    for layout, raw in fields:
        write_field(bits, layout, raw)
    payload = np.packbits(bits, axis=1, bitorder="little")
    n = len(payload)
    return make_columns(0x123, False, np.arange(n) * 10_000_000, np.full(n, 8, np.uint8), payload)


def moving(columns: BitColumns, positions: tuple[int, ...]) -> tuple[int, ...]:
    """Those of its bits that change."""
    return tuple(p for p in positions if columns.live[p])


def cut(columns: BitColumns) -> set[tuple[int, ...]]:
    (part,) = study(columns).parts
    return {moving(columns, f.positions) for f in cut_of(part, OrderPrices())}


def opened(raw: Ints, length: int, frames: int) -> Ints:
    return np.where(np.arange(len(raw)) < frames, 2**length - 1, raw)


def walk(rng: np.random.Generator, n: int, start: int, step: int) -> Ints:
    return np.asarray(start + np.cumsum(rng.integers(-step, step + 1, n)), np.int64)


def test_upper_bits_that_rest_after_the_first_value_stay_with_their_field() -> None:
    # SAE J1939-71: a parameter that is not available is all ones
    rng = np.random.default_rng(1)
    n = 400
    low = Layout(0, 12), opened(np.clip(walk(rng, n, 40, 1), 1, 90), 12, 60)
    high = Layout(16, 16), opened(np.clip(walk(rng, n, 0x1234, 3), 0x1200, 0x12FF), 16, 60)
    columns = columns_of(low, high, (Layout(40, 8), np.clip(walk(rng, n, 100, 2), 50, 150)))
    assert {moving(columns, layout.positions) for layout, _ in (low, high)} <= cut(columns)


def test_dead_ones_above_what_moves_are_no_gap_in_a_field_that_opens() -> None:
    # all ones, then 120 to 127: bits 3 to 6 never leave one, bit 7 does so once
    rng = np.random.default_rng(2)
    n = 600
    field = Layout(8, 8), opened(120 + rng.integers(0, 8, n), 8, 50)
    other = Layout(24, 8), opened(walk(rng, n, 90, 1), 8, 50)
    columns = columns_of(field, other)
    assert moving(columns, field[0].positions) in cut(columns)


def test_whole_bytes_of_ones_open_a_field_though_few_of_its_bits_fall() -> None:
    # 65535, then 32237 to 32239: bits 9 and 15 fall once and for all, the others stay one or jitter
    rng = np.random.default_rng(8)
    field = Layout(0, 16), opened(32237 + rng.integers(0, 3, 400), 16, 30)
    columns = columns_of(field, (Layout(24, 1), (np.arange(400) // 70 % 2).astype(np.int64)))
    opening = find_opening(sample_pairs(columns, 1000), columns.live)
    assert opening is not None
    assert opening.falls.sum() < FEWEST_FALLS
    assert moving(columns, field[0].positions) in cut(columns)


def test_one_frame_of_ones_opens_two_bytes_but_not_one() -> None:
    rng = np.random.default_rng(9)
    first = Layout(8, 8), opened(np.full(40, 118), 8, 1)
    beside = Layout(16, 8), rng.integers(100, 180, 40)
    also = Layout(32, 8), opened(np.full(40, 13), 8, 1)
    alone, together = columns_of(first, beside), columns_of(first, beside, also)
    assert find_opening(sample_pairs(alone, 1000), alone.live) is None
    assert find_opening(sample_pairs(together, 1000), together.live) is not None


def test_two_bit_states_that_are_not_available_at_first_are_one_field() -> None:
    rng = np.random.default_rng(3)
    n = 500
    switch = (np.searchsorted(np.sort(rng.integers(60, n, 11)), np.arange(n)) & 1).astype(np.int64)
    states = Layout(18, 2), opened(switch, 2, 55)
    columns = columns_of(states, (Layout(0, 8), opened(walk(rng, n, 90, 1), 8, 55)))
    assert states[0].positions in cut(columns)


def test_a_payload_that_jitters_from_the_first_frame_on_has_no_opening() -> None:
    rng = np.random.default_rng(4)
    columns = columns_of((Layout(0, 16), rng.integers(0, 2**16, 300)), (Layout(16, 16), rng.integers(0, 2**16, 300)))
    assert find_opening(sample_pairs(columns, 1000), columns.live) is None


@given(st.lists(st.lists(st.integers(0, 255), min_size=2, max_size=2), min_size=2, max_size=12), st.integers(0, 8))
def test_an_opening_is_where_most_bits_leave_the_ones_they_stood_at(rows: list[list[int]], ones: int) -> None:
    payload = np.array([[255, 255]] * ones + rows, np.uint8)
    n = len(payload)
    columns = make_columns(1, False, np.arange(n) * 10_000_000, np.full(n, 2, np.uint8), payload)
    found = find_opening(sample_pairs(columns, 1000), columns.live)
    bits = columns.bits.astype(bool)
    fell = [[b for b in range(16) if bits[: k + 1, b].all() and not bits[k + 1, b]] for k in range(n - 1)]
    enough = [
        (len(f) >= FEWEST_FALLS and k + 1 >= FEWEST_STEPS)
        or sum(bits[: k + 1, b : b + 8].all() and any(b <= p < b + 8 for p in f) for b in (0, 8)) >= FEWEST_BYTES
        for k, f in enumerate(fell)
    ]
    late = [len(f) if well else 0 for f, well in zip(fell, enough, strict=True)]
    most = max(late)
    end = late.index(most)
    if not most or end == n - 2:
        assert found is None
        return
    assert found is not None
    assert np.flatnonzero(found.falls).tolist() == fell[end]
    assert np.flatnonzero(found.ones).tolist() == [b for b in range(16) if bits[: end + 1, b].all()]
    assert found.after.steps == n - 2 - end
    assert (found.after.before[0] == found.after.old[0]).all()


def test_a_long_recording_that_is_thinned_out_has_an_opening_only_where_bits_were_one_at_first() -> None:
    rng = np.random.default_rng(5)
    n = 9000
    flags = [(Layout(k, 1), ((np.arange(n) + 37 * k) // (300 + 50 * k) % 2).astype(np.int64)) for k in range(8)]
    columns = columns_of(*flags, (Layout(16, 16), rng.integers(0, 2**16, n)))
    assert find_opening(sample_pairs(columns, 2000), columns.live) is None


def test_a_dead_zero_between_a_switch_and_states_keeps_them_apart_where_both_were_ones() -> None:
    rng = np.random.default_rng(6)
    n = 360
    switch = Layout(6, 1), opened((np.searchsorted(np.sort(rng.integers(9, n, 21)), np.arange(n)) & 1), 1, 3)
    columns = columns_of(
        switch, (Layout(8, 5), opened(np.zeros(n, np.int64), 5, 3)), (Layout(24, 2), opened(0 * switch[1], 2, 3))
    )
    assert (6,) in cut(columns)


def test_a_quantity_on_a_coarse_grid_keeps_the_low_bits_that_rest_after_the_first_value() -> None:
    rng = np.random.default_rng(7)
    coarse = Layout(8, 16), opened(4 * np.clip(walk(rng, 160, 900, 60), 300, 1500), 16, 20)
    columns = columns_of(coarse)
    assert coarse[0].positions[:2] == (8, 9)
    assert cut(columns) == {moving(columns, coarse[0].positions)}


def test_two_bits_that_are_ones_until_the_upper_falls_for_good_are_one_state() -> None:
    # SAE J1939-71: 11 is not available, 00 off, 01 on
    rng = np.random.default_rng(11)
    n = 600
    on = (np.searchsorted(np.sort(rng.integers(40, n, 24)), np.arange(n)) & 1).astype(np.int64)
    state = Layout(26, 2), opened(on, 2, 35)
    columns = columns_of(state)
    assert no_state_yet(sample_pairs(columns, 1000), columns.live).tolist() == [26]
    assert cut(columns) == {(26, 27)}
    # a lower bit that was zero before, an upper one that comes back, or one that rises is none
    raw = np.where(np.arange(n) < 35, 3, on)
    early, again = np.where(np.arange(n) == 20, 2, raw), np.where(np.arange(n) > 500, raw | 2, raw)
    for other in (early, again, raw ^ 2):
        columns = columns_of((Layout(26, 2), other))
        assert not len(no_state_yet(sample_pairs(columns, 1000), columns.live))
        assert cut(columns) == {(26,), (27,)}


def test_what_moves_through_all_its_codes_and_never_carries_is_no_low_end_of_bits_that_rest() -> None:
    rng = np.random.default_rng(12)
    n = 400

    def joined(low: Ints) -> float:
        raw = np.where(np.arange(n) < 30, 0xFFFF, 0x3A00 + low)
        columns = columns_of((Layout(0, 16), raw))
        found = find_candidates(sample_pairs(columns, 1000), columns.live, ~columns.live & False, thorough=True)
        both, alone = (
            float(found.cost[[found.positions(k) == bits for k in range(len(found.cost))]].min())
            for bits in (tuple(range(15)), tuple(range(8)))
        )
        return both - alone

    assert joined(rng.integers(0, 250, n)) > 3.0
    assert joined(100 + rng.integers(0, 20, n)) < 1.0
