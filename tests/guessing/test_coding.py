"""What single models of a field's history are for: each names a field whole that is dearer whole without it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from swapbridge.guessing.coding.bit_columns import BitColumns, distinct_payloads, first_of_each, make_columns
from swapbridge.guessing.coding.candidates import noisy_flips
from swapbridge.guessing.coding.carries import carry_saving
from swapbridge.guessing.coding.codelength import candidate_bits
from swapbridge.guessing.layout.orders import vehicle_order
from swapbridge.guessing.layout.study import fields_of_study, study

Ints = npt.NDArray[np.int64]


def columns_of(payload: npt.NDArray[np.uint8], breaks: npt.NDArray[np.bool_] | None = None) -> BitColumns:
    n = len(payload)
    time_ns = np.arange(n, dtype=np.int64) * 10_000_000
    return make_columns(0x321, False, time_ns, np.full(n, payload.shape[1], np.uint8), payload, breaks)


def cut(payload: npt.NDArray[np.uint8]) -> set[tuple[int, ...]]:
    """Live bits of each field that is found, least significant first."""
    columns = columns_of(payload)
    found = study(columns)
    live = columns.live
    return {
        tuple(p for p in f.layout.positions if live[p]) for f in fields_of_study(found, vehicle_order([found.parts]))
    }


def live_bits(value: Ints, start: int) -> tuple[int, ...]:
    moved = int(np.bitwise_or.reduce(value ^ value[0]))
    return tuple(start + i for i in range(16) if moved >> i & 1)


def test_frames_that_all_stand_alone_have_no_history() -> None:
    """Each frame behind a seam: nothing follows anything, and that is no reason to fail."""
    payload = np.random.default_rng(1).integers(0, 256, (40, 8), np.uint8)
    columns = columns_of(payload, np.ones(40, bool))
    assert study(columns).columns is columns
    nothing = np.zeros(0, np.uint64)
    bits = candidate_bits(nothing, nothing, nothing, np.zeros(0), np.array([1, 8, 64]))
    assert bits.max() <= 2.0


def test_heartbeat_of_two_bytes_is_one_field() -> None:
    """0xAA and 0x55 in turns of two frames: its moments are foretold by the step before, whatever its width."""
    value = np.where(np.arange(900) // 2 % 2 == 0, 0xAA, 0x55)
    payload = np.zeros((900, 2), np.uint8)
    payload[:, 1] = value
    assert cut(payload) == {tuple(range(8, 16))}


def test_coarse_measurement_scaled_up_keeps_its_low_bits() -> None:
    """A sensor of 3.2 codes a step: its low nibble takes five values and looks like an enumeration below a field."""
    rng = np.random.default_rng(4)
    warm = np.cumsum(rng.normal(0.5, 2.0, 160)) + 60.0
    value = np.floor(np.rint(warm) * 3.2).astype(np.int64)
    payload = np.stack([value & 0xFF, value >> 8], axis=1).astype(np.uint8)
    assert cut(payload) == {live_bits(value, 0)}


def test_what_carries_saves_and_what_only_moves_along_does_not() -> None:
    """A jittering quantity's low bits tell where those above go; those of a neighbour that moves with it never do."""
    rng = np.random.default_rng(7)
    level = 37.5 + 4.0 * np.sin(np.arange(2500) / 300.0)
    value = np.rint(level + rng.normal(0, 0.35, 2500)).astype(np.uint64)
    weight = np.ones(2498)
    two, six = np.array([2]), np.array([6])
    assert carry_saving((value[:-2], value[1:-1], value[2:]), weight, 1.0, two, six)[0] > 100.0
    move = rng.random(2500) < 0.1
    low, high = (np.cumsum(np.where(move, rng.integers(-1, 2, 2500), 0)) & mask for mask in (3, 15))
    both = (low + 4 * high).astype(np.uint64)
    assert carry_saving((both[:-2], both[1:-1], both[2:]), weight, 1.0, two, six)[0] < 0.0


def test_neighbours_that_move_when_the_whole_message_moves_stay_apart() -> None:
    """Start-up and invalid values: six bytes change in the same dozen frames, each to values of its own."""
    rng = np.random.default_rng(11)
    moves = np.sort(rng.choice(np.arange(5, 600), 14, replace=False))
    payload = np.zeros((600, 6), np.uint8)
    for byte in range(6):
        state = np.full(600, int(rng.integers(20, 200)))
        for at in moves:
            state[at:] = int(np.clip(state[at] + rng.integers(-9, 10), 1, 254))
        payload[:, byte] = state
    found = cut(payload)
    assert all(len({p >> 3 for p in field}) == 1 for field in found)


@pytest.mark.parametrize("width", [1, 3, 7, 8, 9, 64])
@pytest.mark.parametrize("count", [0, 1, 500])
def test_distinct_payloads_are_those_that_numpy_finds(width: int, count: int) -> None:
    rng = np.random.default_rng(width)
    payload = (rng.integers(0, 3, (count, width)) << 7).astype(
        np.uint8
    )  # with bytes that would be negative, were they signed
    payload[:, 3:] = 0
    if not count:
        assert distinct_payloads(payload).shape == (0, width)
        assert first_of_each(payload).tolist() == []
        return
    rows, first = np.unique(payload, axis=0, return_index=True)
    np.testing.assert_array_equal(distinct_payloads(payload), rows)
    assert first_of_each(payload).tolist() == sorted(first.tolist())


def test_payloads_of_no_bytes_are_one() -> None:
    assert len(distinct_payloads(np.zeros((5, 0), np.uint8))) == 1
    assert first_of_each(np.zeros((5, 0), np.uint8)).tolist() == [0]


def test_noise_in_few_frames_costs_little_more_than_its_bits() -> None:
    """Sixteen shares of the range are not worth learning in thirty frames; in thousands of a narrow field they are."""
    rng = np.random.default_rng(6)

    def bits(value: Ints) -> float:
        new, old = value[1:].astype(np.uint64), value[:-1].astype(np.uint64)
        return float(candidate_bits(np.roll(old, 1), old, new, np.ones(len(new)), np.array([8]))[0])

    assert bits(rng.integers(0, 256, 31)) <= 8 * 30 + 8
    narrow = np.where(rng.random(3001) < 0.5, rng.integers(16, 32, 3001), rng.integers(192, 208, 3001))
    assert bits(narrow) < 5.1 * 3000


@pytest.mark.parametrize("seed", [14, 17, 23, 27])
def test_few_large_random_values_stay_whole(seed: int) -> None:
    """Their upper bits are predicted by nothing, and cost no more whole than cut for want of having been learned."""
    value = np.clip(np.random.default_rng(seed).normal(150e6, 60e6, 97), 0, 2**29 - 1).astype(np.int64)
    payload = np.zeros((97, 4), np.uint8)
    for byte in range(4):
        payload[:, byte] = value >> 8 * byte & 0xFF
    assert cut(payload) == {tuple(range(29))}


@pytest.mark.parametrize(("steps", "flips"), [(10_000, 4000), (100, 40), (36, 12), (25, 7.5)])
def test_a_bit_is_noise_that_flips_as_chance_has_it_half_of_the_time(steps: int, flips: float) -> None:
    """Two standard errors of so many coin tosses below one half, 0.4 at most."""
    assert noisy_flips(steps) == pytest.approx(flips)
