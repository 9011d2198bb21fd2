"""What one message can't prove its vehicle does: sums and CRCs with the identifier in them, checks that only follow."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swapbridge.core.integrity import Checksum, Crc, Sum, checksum_from_dict
from swapbridge.core.layout import Layout
from swapbridge.guessing.coding.bit_columns import BitColumns, make_columns
from swapbridge.guessing.integrity.checksums import FoundChecksum
from swapbridge.guessing.integrity.counters import find_counters
from swapbridge.guessing.integrity.listed_crcs import listed_crc, listed_forms
from swapbridge.guessing.integrity.shared_formulas import crc_of_vehicle, vehicle_crcs
from swapbridge.guessing.integrity.trust import BY_HABIT, check_probability
from swapbridge.guessing.integrity.vehicle_formulas import vehicle_checks
from swapbridge.guessing.integrity_only import find_integrity
from swapbridge.guessing.layout.study import study
from swapbridge.signalmap.findings import FoundField

N = 400
Bytes = npt.NDArray[np.uint8]


def message(rng: np.random.Generator, length: int, moving: bool, counter_bits: int = 2) -> Bytes:
    """A counter in the last byte's upper nibble, a jittering 12-bit quantity in front where it moves."""
    payload = np.zeros((N, length), np.uint8)
    payload[:] = rng.integers(0, 256, length)
    payload[:, -1] = (np.arange(N) % (1 << counter_bits)) << 4
    if moving:
        value = 2000 + np.cumsum(rng.integers(-9, 10, N))
        payload[:, 0], payload[:, 1] = value >> 8, value & 255
    return payload


def columns(payload: Bytes, identifier: int, period_ms: int = 10) -> BitColumns:
    n = len(payload)
    return make_columns(
        identifier, False, np.arange(n) * period_ms * 1_000_000, np.full(n, payload.shape[1], np.uint8), payload
    )


def nibbles(payload: Bytes) -> npt.NDArray[np.int64]:
    return np.asarray(((payload & 15) + (payload >> 4)).sum(axis=1), np.int64)


def vehicle(rng: np.random.Generator, constant: int, with_identifier: bool) -> list[BitColumns]:
    """Two messages that move and eight in which only the counter does; the last nibble makes all digits add up."""
    out = []
    for k in range(10):
        identifier = int(rng.integers(0x100, 0x700))
        payload = message(rng, int(rng.integers(3, 9)), moving=k < 2)
        digits = sum(int(d, 16) for d in f"{identifier:X}") if with_identifier else 0
        payload[:, -1] |= ((constant - digits - nibbles(payload)) % 16).astype(np.uint8)
        out.append(columns(payload, identifier))
    return out


@settings(deadline=None, max_examples=12)
@given(st.integers(0, 2**32), st.integers(0, 15), st.booleans())
def test_one_that_moves_proves_the_sum_for_those_that_stand_still(seed: int, constant: int, identifier: bool) -> None:
    some = vehicle(np.random.default_rng(seed), constant, identifier)
    for c, found in zip(some, vehicle_checks(some), strict=True):
        assert found is not None
        width = c.payload.shape[1]
        assert found.positions == tuple(range(8 * width - 8, 8 * width - 4))
        check = Checksum(Layout(8 * width - 8, 4), found.method)
        assert all(check.holds(row.tobytes()) for row in c.payload)
        assert found.shared == 9


@pytest.mark.parametrize("seed", range(5))
def test_no_formula_is_made_of_counters_copies_and_noise(seed: int) -> None:
    rng = np.random.default_rng(seed)
    some = []
    for k in range(30):
        payload = message(rng, 8, moving=k % 2 == 0, counter_bits=4)
        if k % 3 == 0:
            payload[:, 4] = 255 - (np.arange(N) % 16)
        if k % 3 == 1:
            payload[:, 5] = rng.integers(0, 256, N)
        some.append(columns(payload, 0x100 + 7 * k))
    assert vehicle_checks(some) == [None] * len(some)


def test_where_checks_have_no_place_in_common_each_message_keeps_its_own() -> None:
    """A sum of bytes that adds up to nothing tells not which byte is the check."""
    rng = np.random.default_rng(3)
    some, truth = [], []
    for k in range(12):
        payload = np.zeros((N, 6), np.uint8)
        own = 0 if k % 3 else 5
        payload[:, 5 - own] = np.arange(N) % 16
        payload[:, 2] = 100 + np.cumsum(rng.integers(-1, 2, N))
        payload[:, own] = (-payload.sum(axis=1, dtype=np.int64)) % 256
        some.append(columns(payload, 0x200 + k))
        truth.append(own)
    for c, found, own in zip(some, vehicle_checks(some), truth, strict=True):
        done = study(c, found)
        assert [f.positions[0] // 8 for f in done.checksums] == [own]


def test_a_crc_proven_elsewhere_shows_in_four_payloads() -> None:
    rng = np.random.default_rng(4)
    crc = Crc(8, 0x85, 0, False, 0, (0, 1, 2, 3, 4))
    moving = rng.integers(0, 256, (N, 6)).astype(np.uint8)
    still = np.zeros((N, 6), np.uint8)
    still[:, 2] = np.arange(N) % 4
    for payload in (moving, still):
        payload[:, 5] = [crc.value(row.tobytes()) for row in payload]
    (proven,) = study(columns(moving, 0x123)).checksums
    found = crc_of_vehicle(columns(still, 0x124), vehicle_crcs([(6, proven)]))
    assert found is not None
    assert found.method == crc
    still[7, 5] ^= 1
    assert crc_of_vehicle(columns(still, 0x124), vehicle_crcs([(6, proven)])) is None


def kinds(payload: Bytes) -> dict[str, FoundField]:
    n = len(payload)
    found = find_integrity(payload, np.arange(n) * 10_000_000, np.full(n, payload.shape[1], np.uint8))
    assert len({f.kind for f in found}) == len(found)
    return {f.kind: f for f in found}


@pytest.mark.parametrize("kind", ["down", "xor", "sum that spills over", "crc"])
def test_two_counters_are_a_longer_tale_than_a_counter_and_its_check(kind: str) -> None:
    count = np.arange(N) % (4 if kind == "sum that spills over" else 16)
    payload = np.zeros((N, 8), np.uint8)
    payload[:, 3] = 0x5A
    payload[:, 7] = count << 4
    if kind == "crc":
        payload[:, 7] = 0
        payload[:, 6] = count
        crc = Crc(8, 0x1D, 0xFF, False, 0xFF, tuple(range(7)))
        payload[:, 7] = [crc.value(row.tobytes()) for row in payload]
    else:
        payload[:, 7] |= {
            "down": (-count - 3) % 16,
            "xor": count ^ 9,
            "sum that spills over": (count + 6) % 16,
        }[kind].astype(np.uint8)
    found = kinds(payload)
    assert found["counter"].layout.positions[0] == (48 if kind == "crc" else 60)
    check = found["checksum"]
    assert check.layout == (Layout(56, 8) if kind == "crc" else Layout(56, 4))
    assert check.method is not None
    again = checksum_from_dict(check.method)
    assert all(again.holds(row.tobytes()) for row in payload)


def test_a_check_that_follows_a_whole_byte_counts_each_value_though_it_came_but_twice() -> None:
    count = np.arange(N + 200) % 256
    payload = np.zeros((N + 200, 8), np.uint8)
    payload[:, 6], payload[:, 7] = count, (count + 77) % 256 ^ 0x55
    found = kinds(payload)["checksum"]
    assert found.layout == Layout(56, 8)
    assert found.method is not None
    again = checksum_from_dict(found.method)
    assert all(again.holds(row.tobytes()) for row in payload)


def test_a_check_picked_from_a_list_by_the_counter_may_have_a_value_twice() -> None:
    """Of fifteen values among 256 some two are the same once in three times; three pairs are pages' contents."""
    listed = np.random.default_rng(3).permutation(256)[:15]
    count = np.arange(N) % 15
    payload = np.zeros((N, 8), np.uint8)
    payload[:, 6] = count << 4
    for repeated, is_check in ((1, True), (3, False)):
        table = listed.copy()
        table[:repeated] = table[5 : 5 + repeated]
        payload[:, 7] = table[count]
        found = kinds(payload)
        assert ("checksum" in found) == is_check
        if is_check:
            again = checksum_from_dict(found["checksum"].method or {})
            assert all(again.holds(row.tobytes()) for row in payload)


def test_two_that_cannot_be_told_apart_are_not_called_sure() -> None:
    payload = np.zeros((N, 8), np.uint8)
    payload[:, 2] = np.arange(N) % 16
    payload[:, 7] = np.arange(N) % 16
    found = kinds(payload)
    assert found["checksum"].layout.positions[0] == 56
    for field in found.values():
        assert field.confidence < 0.9
        assert "cannot be told apart" in str(field.evidence["note"])


def test_pages_that_go_round_with_a_counter_are_no_checks() -> None:
    rng = np.random.default_rng(5)
    pages = rng.integers(0, 256, (8, 4)).astype(np.uint8)
    payload = np.zeros((N, 8), np.uint8)
    payload[:, 0] = np.arange(N) % 8
    payload[:, 2:6] = pages[payload[:, 0]]
    n = len(payload)
    found = find_integrity(payload, np.arange(n) * 10_000_000, np.full(n, 8, np.uint8))
    assert "checksum" not in {f.kind for f in found}


@pytest.mark.parametrize("order", ["little", "big"])
def test_what_was_used_up_is_no_counter(order: str) -> None:
    """A steady ramp of five a frame whose lower byte goes round, with the rounds counted beside it."""
    total = 1000 + 5 * np.arange(N) * 4
    payload = np.zeros((N, 4), np.uint8)
    low, high = (1, 2) if order == "little" else (2, 1)
    payload[:, low], payload[:, high] = total & 255, total >> 8
    assert find_counters(columns(payload, 0x300)) == []


def test_a_counter_that_one_frame_in_five_is_left_of_and_a_coarse_clock() -> None:
    rng = np.random.default_rng(6)
    sent = np.flatnonzero(rng.random(6000) < 0.2)
    payload = np.zeros((len(sent), 2), np.uint8)
    payload[:, 0] = sent % 128
    payload[:, 1] = rng.integers(0, 128, len(sent))
    time = sent * 10_000_000 // 20_500_000 * 20_500_000  # a logger that writes down what came, every 20.5 ms
    some = make_columns(1, False, time, np.full(len(sent), 2, np.uint8), payload)
    assert [c.positions for c in find_counters(some)] == [tuple(range(7))]


def test_a_counter_laid_in_two_places() -> None:
    count = np.arange(N)
    payload = np.zeros((N, 8), np.uint8)
    payload[:, 1] = (count % 4) << 6
    payload[:, 3] = (count // 4 % 4) << 6
    found = find_counters(columns(payload, 0x386))
    assert {(c.positions, c.every) for c in found} == {((14, 15), 1), ((30, 31), 4)}


@pytest.mark.parametrize("seed", range(4))
def test_the_low_bits_of_what_jitters_are_no_multiplexer(seed: int) -> None:
    """A second quantity that moves step for step as far seems to be decided by them."""
    rng = np.random.default_rng(seed)
    value = 0x7D0 + np.rint(rng.normal(0, 1.6, 900)).astype(np.int64)
    payload = np.zeros((900, 8), np.uint8)
    payload[:, 2], payload[:, 3] = value >> 8, value & 255
    payload[:, 4], payload[:, 5] = value + 0x7C30 >> 8, value + 0x7C30 & 255
    payload[:, 6] = np.arange(900) % 16 << 4
    assert study(columns(payload, 0x220)).mux is None


def test_a_multiplexer_in_no_order_and_one_with_a_page_between() -> None:
    rng = np.random.default_rng(7)
    n = 1200
    pages = np.cumsum(rng.integers(-2, 3, (n, 4, 3)), axis=0) + rng.integers(20, 230, (4, 3))
    between = np.where(np.arange(n) % 2, 0, np.arange(n) // 2 % 3 + 1)
    for value in (rng.integers(0, 4, n), between):
        payload = np.zeros((n, 8), np.uint8)
        payload[:, 0] = value
        payload[:, 2:5] = pages[np.arange(n), value] & 255
        mux = study(columns(payload, 0x520)).mux
        assert mux is not None
        assert mux.positions == (0, 1)
        assert set(mux.decides) <= set(range(16, 40))


def test_the_sum_needs_no_identifier() -> None:
    """The method of a check is complete: it computes the field again from the payload alone."""
    some = vehicle(np.random.default_rng(8), 8, True)
    method = vehicle_checks(some)[5].method  # type: ignore[union-attr]
    assert isinstance(method, Sum)
    assert (method.width, method.unit_bits, method.factor) == (4, 4, -1)


def test_where_a_counter_and_its_sum_go_in_step_and_no_other_message_tells_only_habit_does() -> None:
    """One message proves the sum, in its last byte; in two a counter alone moves and either byte could be the check."""
    rng = np.random.default_rng(3)
    proof = message(rng, 8, moving=True)
    proof[:, 3] = np.cumsum(rng.integers(-3, 4, N)) & 255
    proof[:, -1] = proof[:, :-1].sum(axis=1) & 255
    bare = np.zeros((N, 8), np.uint8)
    bare[:, 0] = bare[:, 1] = np.arange(N) % 16
    checks = vehicle_checks([columns(proof, 0x120), columns(bare, 0x312), columns(bare, 0x405)])
    for check in checks[1:]:
        assert check is not None
        assert (check.positions, check.distinguished) == (tuple(range(8)), 0)
        assert check_probability(check) <= BY_HABIT


def test_a_crc_of_the_vehicle_shows_a_list_that_the_counter_picks_from() -> None:
    """Where a counter alone moves, sixteen constants explain anything; what one CRC makes of its upper half, not."""
    rng = np.random.default_rng(14)
    crc = Crc(8, 0x07, 0, False, 0, tuple(range(5)))
    proven = FoundChecksum(tuple(range(40, 48)), replace(crc, xor_out=99), None, (), 1.0, 300, 0)
    forms = listed_forms([(6, proven)])
    secret = rng.integers(0, 256, 16)
    payload = np.full((N, 4), 55, np.uint8)
    payload[:, 2] = np.arange(N) & 255
    method = replace(crc, coverage=(0, 1, 2))
    payload[:, 3] = [method.value(row.tobytes()) ^ secret[row[2] & 15] for row in payload]
    frames = columns(payload, 0x234)
    found = listed_crc(frames, forms, find_counters(frames))
    assert found is not None
    assert (found.positions, found.counter, found.by_counter) == (
        tuple(range(24, 32)),
        (16, 17, 18, 19),
        tuple(secret.tolist()),
    )
    payload[:, 3] = np.roll(payload[:, 3], 1)  # another function of the counter
    frames = columns(payload, 0x234)
    assert listed_crc(frames, forms, find_counters(frames)) is None
    payload[:, 2] &= 15  # nothing left over to prove it
    frames = columns(payload, 0x234)
    assert listed_crc(frames, forms, find_counters(frames)) is None
    assert not listed_forms([(6, replace(proven, method=Sum(8, (0, 1), 8, 1, 0)))])


def test_two_payloads_meet_a_constant_that_the_vehicle_is_known_for() -> None:
    """A flag that went up once: its message has no say in what the formula is."""
    rng = np.random.default_rng(15)
    some = []
    for k in range(7):
        payload = np.zeros((N, 6), np.uint8)
        payload[:] = rng.integers(0, 256, 6)
        if k < 6:
            payload[:, 0] = 100 + np.cumsum(rng.integers(-1, 2, N))
            payload[:, 1] = 90 + np.cumsum(rng.integers(-2, 3, N))
        else:
            payload[:, 2] = np.where(np.arange(N) < 250, 3, 0x83)
        payload[:, 5] = np.bitwise_xor.reduce(payload[:, :5], axis=1) ^ 0x02 ^ (0x40 + k)
        some.append(columns(payload, 0x240 + k))
    found = vehicle_checks(some)
    assert [c.positions[0] if c else None for c in found] == [40] * 7
    some[6].payload[250:, 5] ^= 1
    assert vehicle_checks(some)[6] is None
    alone = vehicle_checks([some[0], some[6]])
    assert alone[1] is None
