"""Counters, checksums, multiplexers: found where they are, named where they have a name, and not found elsewhere."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swapbridge.core.integrity import Affine, Checksum, Crc, Sum, checksum_from_dict, counter_from_dict
from swapbridge.core.layout import Layout
from swapbridge.guessing.coding.bit_columns import BitColumns, make_columns
from swapbridge.guessing.integrity.counters import find_counters
from swapbridge.guessing.integrity.gf2 import relations, solve_affine
from swapbridge.guessing.integrity.sums import summed_rows
from swapbridge.guessing.integrity.trust import BY_HABIT
from swapbridge.guessing.integrity_only import find_integrity
from swapbridge.guessing.layout.cut import OrderPrices
from swapbridge.guessing.layout.message_fields import raw_values
from swapbridge.guessing.layout.study import fields_of_study, study
from swapbridge.signalmap.findings import FoundField

N = 900
Bytes = npt.NDArray[np.uint8]


def traffic(seed: int, n: int = N) -> Bytes:
    """A walk, a slow field, a flag and a counter in byte 1."""
    rng = np.random.default_rng(seed)
    payload = np.zeros((n, 8), np.uint8)
    walk = 30_000 + np.cumsum(rng.integers(-120, 121, n))
    payload[:, 2], payload[:, 3] = walk >> 8 & 0xFF, walk & 0xFF
    payload[:, 4] = 90 + np.cumsum(rng.random(n) < 0.02)
    payload[:, 5] = np.repeat(rng.integers(0, 2, n // 30 + 1), 30)[:n] * 4 + 0x50
    payload[:, 6] = 128 + np.rint(60 * np.sin(np.arange(n) / 25))
    payload[:, 1] = np.arange(n) % 16 + 0x30
    return payload


def sealed(payload: Bytes, checksum: Checksum) -> Bytes:
    out = payload.copy()
    for i, row in enumerate(payload):
        one = bytearray(row.tobytes())
        checksum.insert(one)
        out[i] = np.frombuffer(bytes(one), np.uint8)
    return out


def integrity_of(payload: Bytes, identifier: int = 0x1A0) -> dict[str, FoundField]:
    n = len(payload)
    found = find_integrity(payload, np.arange(n) * 10_000_000, np.full(n, 8, np.uint8), identifier=identifier)
    kinds = [f.kind for f in found]
    assert len(kinds) == len(set(kinds)), "one counter and one checksum at most in these"
    return {f.kind: f for f in found}


def columns_of(payload: Bytes, time_ns: npt.NDArray[np.int64] | None = None) -> BitColumns:
    n = len(payload)
    time_ns = np.arange(n) * 10_000_000 if time_ns is None else time_ns
    return make_columns(0x1A0, False, time_ns, np.full(n, payload.shape[1], np.uint8), payload)


CHECKS = [
    ("J1850", Crc(8, 0x1D, 0xFF, False, 0xFF, (0, 1, 2, 3, 4, 5, 6)), 7, "CRC-8/SAE-J1850"),
    ("AUTOSAR", Crc(8, 0x2F, 0xFF, False, 0xFF, (1, 2, 3, 4, 5, 6, 7)), 0, "CRC-8/AUTOSAR"),
    ("reflected", Crc(8, 0x31, 0x00, True, 0x00, (0, 1, 2, 3, 4, 5, 6)), 7, "CRC-8/MAXIM-DOW"),
    ("of a part", Crc(8, 0x1D, 0xFF, False, 0xFF, (3, 4, 5, 6)), 7, ""),
    ("rolled", Crc(8, 0x2F, 0xFF, False, 0xFF, (6, 0, 1, 2, 3, 4, 5)), 7, "CRC-8/AUTOSAR"),
    ("no name", Crc(8, 0x4D, 0x12, False, 0x34, (0, 1, 2, 3, 4, 5, 6), before=b"\x01\xa0"), 7, ""),
    # x^24 is 1 by this one: bytes three apart count alike, so it is found as what it does, and not called a CRC
    ("bytes alike", Crc(8, 0xAB, 0x12, False, 0x34, (0, 1, 2, 3, 4, 5, 6), before=b"\x01\xa0"), 7, None),
    ("sum", Sum(8, (0, 1, 2, 3, 4, 5, 6), 8, 1, 0x1A1), 7, None),
    ("sum of a part", Sum(8, (1, 2, 3, 4), 8, 1, 0x51), 7, None),
    ("complement", Sum(8, (1, 2, 3, 4, 5, 6, 7), 8, -1, -1), 0, None),
    ("bit count", Sum(8, (0, 1, 2, 3, 4, 5, 6), 1, 1, 0), 7, None),
]


@pytest.mark.parametrize(("method", "byte", "name"), [c[1:] for c in CHECKS], ids=[c[0] for c in CHECKS])
def test_checksums_are_found_and_can_be_computed_again(method: Crc | Sum, byte: int, name: str | None) -> None:
    payload = sealed(traffic(3), Checksum(Layout(8 * byte, 8), method))
    found = integrity_of(payload)
    assert found["counter"].layout == Layout(8, 4)
    field = found["checksum"]
    assert field.layout == Layout(8 * byte, 8)
    assert field.method is not None
    again = checksum_from_dict(field.method)
    fresh = sealed(traffic(77), Checksum(Layout(8 * byte, 8), method))
    fresh[:, 0] = payload[0, 0] if byte else fresh[:, 0]
    assert all(again.holds(row.tobytes()) for row in fresh)
    if name is not None:
        assert isinstance(again.method, Crc)
        assert again.method.name == name


def test_nibble_sum_with_the_identifier_in_its_constant() -> None:
    payload = sealed(traffic(4), Checksum(Layout(12, 4), Sum(4, tuple(range(8)), 4, -1, 11)))
    field = integrity_of(payload)["checksum"]
    assert field.layout == Layout(12, 4)
    assert field.method is not None
    again = checksum_from_dict(field.method)
    assert all(again.holds(row.tobytes()) for row in payload)


def test_data_id_list_indexed_by_the_counter() -> None:
    # AUTOSAR E2E profile 2: CRC-8 0x2F over the payload, then one byte of a list that the counter indexes (memory)
    rng = np.random.default_rng(1)
    ids = rng.integers(0, 256, 16)
    crc = Crc(8, 0x2F, 0xFF, False, 0xFF, (1, 2, 3, 4, 5, 6, 7))
    payload = traffic(5)
    for row in payload:
        covered = (*crc.coverage,)
        fed = Crc(8, 0x2F, 0xFF, False, 0xFF, covered, after=bytes([ids[row[1] & 15]]))
        row[0] = fed.value(row.tobytes())
    field = integrity_of(payload)["checksum"]
    assert field.layout == Layout(0, 8)
    assert field.method is not None
    again = checksum_from_dict(field.method)
    assert again.counter == Layout(8, 4)
    assert all(again.holds(row.tobytes()) for row in payload)
    assert isinstance(again.method, Crc)
    assert again.method.polynomial == 0x2F


def test_what_the_frames_did_not_span_is_told() -> None:
    payload = sealed(traffic(6), Checksum(Layout(56, 8), Crc(8, 0x1D, 0xFF, False, 0xFF, (0, 1, 2, 3, 4, 5, 6))))
    field = integrity_of(payload)["checksum"]
    assert field.method is not None
    verified = checksum_from_dict(field.method).verified_bits
    assert verified is not None
    assert verified >> 24 & 0xFF  # the low byte of the walk
    assert verified & 0xFF == 0  # byte 0 never moved


def test_a_sum_over_a_counter_and_a_flag_that_went_on_once_is_a_checksum_not_a_second_counter() -> None:
    payload = np.zeros((N, 8), np.uint8)
    payload[:, 6] = np.arange(N) % 16
    payload[N // 3 :, 0] = 0x40
    found = integrity_of(sealed(payload, Checksum(Layout(56, 8), Sum(8, tuple(range(7))))))
    assert found["counter"].layout.positions == (48, 49, 50, 51)
    assert found["checksum"].layout.positions == tuple(range(56, 64))


def test_copies_complements_and_sums_of_nothing_are_no_checksums() -> None:
    payload = traffic(7)
    payload[:, 0] = 255 - payload[:, 6]
    payload[:, 7] = payload[:, 3]
    assert "checksum" not in integrity_of(payload)


@pytest.mark.parametrize("seed", range(6))
def test_noise_and_walks_have_neither_counter_nor_checksum(seed: int) -> None:
    rng = np.random.default_rng(seed)
    payload = traffic(seed)
    payload[:, 1] = rng.integers(0, 256, N)
    payload[:, 7] = rng.integers(0, 256, N)
    assert integrity_of(payload) == {}


@given(
    width=st.integers(2, 8),
    place=st.integers(0, 7),
    step=st.sampled_from([-1, 1, 2, 3]),
    short=st.booleans(),
    skip_zero=st.booleans(),
    lost=st.sampled_from([0.0, 0.02]),
)
@settings(max_examples=25, deadline=None)
def test_any_counter_is_found(width: int, place: int, step: int, short: bool, skip_zero: bool, lost: float) -> None:
    place = min(place, 8 - width)
    top = 2**width
    low, high = int(skip_zero), top - 1 - int(short and width > 2)
    span = high - low + 1
    if span < 4 or np.gcd(step, span) != 1 or (step != -1 and (short or skip_zero)):
        step = 1
    if span < 3:
        low, high, span = 0, top - 1, top
    n = 1200
    value = low + (np.arange(n) * step) % span
    payload = traffic(width * 10 + place, n)[:, [0, 0, 2, 3, 4, 5, 6, 0]]
    payload[:, 7] = value << place
    kept = np.random.default_rng(place).random(n) >= lost
    found = find_counters(columns_of(payload[kept], (np.arange(n) * 10_000_000)[kept]))
    assert [c.positions for c in found] == [tuple(range(56 + place, 56 + place + width))]
    assert (found[0].counter.low, found[0].counter.high, found[0].counter.step) == (low, high, step % span)


@pytest.mark.parametrize("lossy", [False, True])
def test_a_byte_that_counts_down_shows_as_soon_as_one_that_counts_up(lossy: bool) -> None:
    n = 3000 if lossy else 160
    payload = traffic(4, n)[:, [0, 0, 2, 3, 4, 5, 6, 0]]
    payload[:, 7] = -np.arange(n) % 256
    kept = np.random.default_rng(4).random(n) < (0.3 if lossy else 1.0)
    (found,) = find_counters(columns_of(payload[kept], (np.arange(n) * 10_000_000)[kept]))
    assert found.positions == tuple(range(56, 64))
    assert found.counter.after(9) == 8


@pytest.mark.parametrize("every", [2, 3, 4])
def test_a_counter_that_rests_between_two_steps_shows_in_three_rounds(every: int) -> None:
    n = 16 * every * 4
    payload = traffic(5, n)[:, [0, 0, 2, 3, 4, 5, 6, 0]]
    payload[:, 7] = np.arange(n) // every % 16 << 2
    (found,) = find_counters(columns_of(payload))
    assert found.positions == (58, 59, 60, 61)
    assert found.every == every


@pytest.mark.parametrize("every", [2, 3, 4])
def test_two_bits_that_rest_between_steps_by_one_count_if_they_never_miss(every: int) -> None:
    """Six rounds, as many steps as three rounds of three bits; four states in another order are no counter."""
    payload = np.zeros((100, 8), np.uint8)
    payload[:, 7] = np.arange(100) // every % 4 << 2
    found = [c.positions for c in find_counters(columns_of(payload))]
    assert found == [(58, 59)]
    assert not find_counters(columns_of(payload[: 16 * every]))
    payload[:, 7] = np.array([0, 3, 1, 2])[np.arange(100) // every % 4] << 2
    assert not find_counters(columns_of(payload))


@pytest.mark.parametrize(("every", "lost"), [(2, 0.2), (4, 0.05), (2, 0.0)])
def test_a_counter_that_rests_shows_in_a_round_or_two_where_frames_are_missing(every: int, lost: float) -> None:
    """The clock tells how many sendings lie between frames; a byte that never missed needs one round."""
    rng = np.random.default_rng(4)
    n = 700
    payload = np.zeros((n, 8), np.uint8)
    payload[:, 7] = (np.arange(n) + 5) // every % (64 if lost else 256)
    kept = rng.random(n) >= lost
    (found,) = find_counters(columns_of(payload[kept], (np.arange(n) * 10_000_000)[kept]))
    assert found.positions == tuple(range(56, 62 if lost else 64))
    assert (found.counter.step, found.every) == (1, every)


def test_what_climbs_at_about_the_pace_of_a_slow_counter_is_none() -> None:
    n = 700
    payload = np.zeros((n, 8), np.uint8)
    kept = np.random.default_rng(4).random(n) >= 0.2
    for pace in (0.47, 0.53, 0.24, 0.31):
        payload[:, 7] = (np.arange(n) * pace).astype(np.int64) % 64
        assert not find_counters(columns_of(payload[kept], (np.arange(n) * 10_000_000)[kept])), pace


@pytest.mark.parametrize("step", [3, 5, 253])
def test_a_byte_that_counts_by_an_odd_step_and_never_misses_needs_two_rounds(step: int) -> None:
    n = 200
    payload = np.zeros((n, 8), np.uint8)
    payload[:, 6] = np.arange(n) * step
    (found,) = find_counters(columns_of(payload))
    assert (found.positions, found.counter.step) == (tuple(range(48, 56)), step)
    payload[:, 6] = np.arange(n) * (step + 0.02)  # a slope of nearly so much a frame
    assert not find_counters(columns_of(payload))


def test_what_picks_pages_of_still_contents_is_no_sure_counter() -> None:
    """Six pages that never change are a function of their selector, and so is a check of whatever counts."""
    rng = np.random.default_rng(6)
    payload = np.zeros((N, 8), np.uint8)
    payload[:, 0], payload[:, 5] = np.arange(N) % 6, traffic(6)[:, 6]
    payload[:, [1, 3]] = rng.integers(0, 256, (6, 2))[np.arange(N) % 6]
    assert integrity_of(payload)["counter"].confidence <= BY_HABIT
    payload[:, [1, 3]] = traffic(6)[:, [2, 3]]
    assert integrity_of(payload)["counter"].confidence > 0.95


def test_the_upper_bits_of_what_goes_on_by_three_are_no_counter() -> None:
    n = 400
    payload = np.zeros((n, 4), np.uint8)
    payload[:, 2] = np.arange(n) * 3 % 64
    kept = np.random.default_rng(2).random(n) < 0.4
    found = find_counters(columns_of(payload[kept], (np.arange(n) * 10_000_000)[kept]))
    assert all(c.positions[0] == 16 for c in found)


def test_a_checksum_beside_a_counter_is_no_carry_of_it() -> None:
    """A bit of this CRC moves in every frame but at 7 and at 15, as the bit above a quantity that climbs by 17 does."""
    count = (np.arange(N) % 16).astype(np.uint8)
    for polynomial in (0x2F, 0x1D, 0x07, 0x31, 0x9B):
        crc = Crc(8, polynomial, 0, False, 0, (0, 1))
        payload = np.zeros((N, 8), np.uint8)
        payload[:, 0], payload[:, 1] = (np.arange(N) // 90) % 2, count << 4
        found = find_counters(columns_of(sealed(payload, Checksum(Layout(16, 8), crc))))
        assert [c.positions for c in found] == [(12, 13, 14, 15)], hex(polynomial)


@pytest.mark.parametrize("check", [0, 6])
def test_an_xor_over_a_counter_and_a_few_flags_is_a_check(check: int) -> None:
    """Most of its bits are copies of one other bit; called fields, they were taken for what they repeat."""
    count = np.arange(N)
    payload = np.zeros((N, 7), np.uint8)
    payload[:, 1] = count % 16
    payload[:, 2], payload[:, 3] = (count // 97) % 3, (count // 61) % 2 << 5
    payload[:, 4] = (count // 143) % 2
    payload[:, check] = np.bitwise_xor.reduce(payload, axis=1) ^ 0x87
    found = study(columns_of(payload))
    assert [c.positions for c in found.checksums] == [tuple(range(8 * check, 8 * check + 8))]
    assert [c.positions for part in found.parts for c in part.counters] == [(8, 9, 10, 11)]


def test_a_lossy_logger_keeps_a_fifth_and_the_counter_still_shows() -> None:
    n = 6000
    rng = np.random.default_rng(2)
    payload = traffic(2, n)
    kept = np.flatnonzero(rng.random(n) < 0.2)
    time_ns = np.arange(n) * 20_000_000 + rng.integers(-500_000, 500_000, n)
    found = find_counters(columns_of(payload[kept], time_ns[kept]))
    assert [c.positions for c in found] == [(8, 9, 10, 11)]
    assert found[0].by_clock


def test_a_field_that_climbs_one_step_a_frame_for_a_while_is_no_counter() -> None:
    payload = np.zeros((N, 2), np.uint8)
    ramp = np.concatenate([np.arange(250), np.full(300, 249), 249 - np.arange(200), np.full(150, 50)])
    payload[:, 0] = ramp[:N]
    assert find_counters(columns_of(payload)) == []


def test_a_counter_whose_top_bit_moved_once_is_not_cut_short() -> None:
    # 24 frames of six bits: the lower five go round once, just when the top one moves
    payload = np.zeros((24, 8), np.uint8)
    payload[:, 2] = 20 + np.arange(24)
    payload[:, 4] = 90 + np.arange(24) // 7
    (found,) = find_counters(columns_of(payload))
    assert found.positions == tuple(range(16, 22))
    assert (found.counter.low, found.counter.high, found.wraps) == (0, 63, 0)
    # a flag that moved elsewhere stays one
    payload[:, 2] = (20 + np.arange(24)) % 32 + 32 * (np.arange(24) > 5)
    (found,) = find_counters(columns_of(payload))
    assert found.positions == tuple(range(16, 21))


def test_counter_json_generates_the_next_values() -> None:
    field = integrity_of(sealed(traffic(9), Checksum(Layout(56, 8), CHECKS[0][1])))["counter"]  # type: ignore[arg-type]
    assert field.method is not None
    counter = counter_from_dict(field.method)
    assert [counter.after(14, k) for k in range(4)] == [14, 15, 0, 1]


def test_multiplexed_halves_get_a_layout_each() -> None:
    rng = np.random.default_rng(3)
    n = 1600
    page = np.arange(n) % 2
    a = 120 + np.cumsum(rng.integers(-2, 3, n))
    b = 30_000 + np.cumsum(rng.integers(-200, 201, n))
    payload = np.zeros((n, 4), np.uint8)
    payload[:, 0] = page
    payload[:, 1] = np.where(page == 0, a & 0xFF, b >> 8 & 0xFF)
    payload[:, 2] = np.where(page == 0, (a * 3) >> 2 & 0x7F, b & 0xFF)
    payload[:, 3] = 60 + np.cumsum(rng.integers(-1, 2, n)) % 100
    found = study(columns_of(payload))
    assert found.mux is not None
    assert found.mux.positions == (0,)
    assert set(found.mux.values) == {0, 1}
    assert not {p for p in found.mux.decides if p >= 24}
    fields = fields_of_study(found, OrderPrices())
    (selector,) = (f for f in fields if f.kind == "mux")
    # what stands on a page is there only if there are pages
    assert max(f.layout_confidence for f in fields if f.mux is not None) <= selector.layout_confidence
    assert max(f.confidence for f in fields if f.mux is not None) <= selector.confidence
    selected = raw_values(payload, Layout(0, 1)) == 1
    assert len(found.parts) == 3
    assert selected.sum() == n // 2


@given(st.integers(1, 12), st.integers(1, 6), st.integers(0, 2**32 - 1))
@settings(max_examples=40)
def test_affine_solutions_reproduce_what_made_them(columns: int, outputs: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    inputs = rng.integers(0, 2, (60, columns), dtype=np.uint8)
    matrix = rng.integers(0, 2, (columns, outputs), dtype=np.uint8)
    constant = rng.integers(0, 2, outputs, dtype=np.uint8)
    made = ((inputs.astype(int) @ matrix + constant) & 1).astype(np.uint8)
    solved = solve_affine(inputs, made)
    assert solved is not None
    assert (((inputs.astype(int) @ solved[0] + solved[1]) & 1) == made).all()
    made[0] ^= 1
    both = np.concatenate([inputs, inputs[:1]])
    assert solve_affine(both, np.concatenate([made, made[:1] ^ 1])) is None
    for relation in relations(inputs):
        assert not (inputs[:, relation == 1].sum(axis=1) & 1).any()


def test_xor_over_the_payload_is_told_as_such() -> None:
    payload = traffic(12)
    payload[:, 0] = np.bitwise_xor.reduce(payload[:, 1:], axis=1)
    field = integrity_of(payload)["checksum"]
    assert field.method is not None
    method = checksum_from_dict(field.method).method
    assert isinstance(method, Affine)
    assert method.name == "XOR of the bytes"


def test_a_counter_shared_by_multiplexed_parts_is_found_once() -> None:
    rng = np.random.default_rng(14)
    n = 2000
    page = np.arange(n) % 3
    payload = np.zeros((n, 8), np.uint8)
    payload[:, 0] = page | (np.arange(n) % 16) << 4
    for value in range(3):
        rows = page == value
        walk = 30_000 + np.cumsum(rng.integers(-150, 151, int(rows.sum())))
        order = (1, 2) if value % 2 else (2, 1)
        payload[rows, order[0]], payload[rows, order[1]] = walk >> 8 & 0xFF, walk & 0xFF
        payload[rows, 3 + value] = 120 + np.cumsum(rng.integers(-2, 3, int(rows.sum()))) % 90
    found = study(columns_of(payload))
    assert found.mux is not None
    assert found.mux.positions == (0, 1)
    counters = [(part.mux_value, c.positions) for part in found.parts for c in part.counters]
    assert counters == [(None, (4, 5, 6, 7))]


@pytest.mark.parametrize("seed", range(8))
def test_of_a_checksum_and_the_noisy_end_of_a_quantity_the_one_at_the_edge_is_it(seed: int) -> None:
    rng = np.random.default_rng(seed)
    payload = traffic(seed)
    fast = np.cumsum(rng.integers(-12_000, 12_001, N)) % 2**15
    payload[:, 2], payload[:, 3] = fast & 0xFF, fast >> 8
    payload[:, 0] = np.bitwise_xor.reduce(payload[:, 1:], axis=1)
    assert integrity_of(payload)["checksum"].layout == Layout(0, 8)


@pytest.mark.parametrize("seed", [3, 66])
def test_of_nibbles_that_could_be_the_sum_the_one_beside_the_counter_is_it(seed: int) -> None:
    rng = np.random.default_rng(seed)
    payload = traffic(seed)
    payload[:, 1] &= 0x0F
    fast = np.cumsum(rng.integers(-12_000, 12_001, N)) % 2**16
    payload[:, 6], payload[:, 7] = fast >> 8, fast & 0xFF
    payload = sealed(payload, Checksum(Layout(12, 4), Sum(4, tuple(range(8)), 4, -1, 7)))
    assert integrity_of(payload)["checksum"].layout == Layout(12, 4)


def test_upper_nibbles_prove_no_sum_of_four_bits() -> None:
    payload = np.zeros((N, 8), np.uint8)
    payload[:, 0] = np.random.default_rng(2).integers(0, 16, N) * 16 + np.arange(N) % 4
    method = Sum(4, (0, 1), 8, 1, 0)
    assert summed_rows(payload, method, 16) == 4
    assert summed_rows(payload, Sum(8, (0, 1), 8, 1, 0), 256) == 64


def test_a_counter_and_its_complement_in_a_sum_prove_nothing() -> None:
    count = np.arange(N) % 16
    payload = np.zeros((N, 8), np.uint8)
    payload[:, 2], payload[:, 3] = 15 - count, count << 4
    small = np.repeat(np.random.default_rng(2).integers(0, 4, N // 6), 6)  # low = high + 15, as it crosses zero
    payload[:, 5] = small << 4 | (small + 15) % 16
    assert "checksum" not in {
        f.kind for f in find_integrity(payload[:, [3, 5]], np.arange(N) * 10_000_000, np.full(N, 2, np.uint8))
    }
    method = Sum(4, tuple(range(8)), 4, 1, 0)
    cleared = payload.copy()
    cleared[:, 5] &= 0xF0
    assert summed_rows(cleared, method, 16) == 4
    cleared[:, 2] = 0
    assert summed_rows(cleared, method, 16) > 40


def test_a_multiplexer_is_found_in_what_a_lossy_logger_kept() -> None:
    rng = np.random.default_rng(3)
    n, pages = 3000, 3
    page = np.arange(n) % pages
    payload = np.zeros((n, 8), np.uint8)
    payload[:, 0] = page
    for byte in (3, 4):
        walks = np.cumsum(rng.integers(-4, 5, (pages, n)), axis=1) + np.array([[70], [190], [120]])
        payload[:, byte] = walks[page, np.arange(n)] & 0xFF
    payload[:, 6] = rng.integers(0, 256, n)  # much that it does not decide
    payload[:, 7] = 100 + np.cumsum(rng.integers(-3, 4, n))
    for share in (1.0, 0.8, 0.4):
        kept = rng.random(n) < share
        found = study(columns_of(payload[kept], (np.arange(n) * 10_000_000)[kept]))
        assert found.mux is not None
        assert found.mux.positions == (0, 1)
