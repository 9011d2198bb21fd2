"""Guessing room: what a vehicle's other messages settle, and what one message shows in few frames."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from swapbridge.core.integrity import Counter, Crc
from swapbridge.guessing.coding.bit_columns import BitColumns, make_columns
from swapbridge.guessing.coding.history_costs import BIG, LITTLE
from swapbridge.guessing.integrity import shared_formulas
from swapbridge.guessing.integrity.checksums import FoundChecksum, check_at, find_checksums
from swapbridge.guessing.integrity.counters import find_counters
from swapbridge.guessing.integrity.followers import follower_of_counter
from swapbridge.guessing.integrity.integrity_fields import counter_fields
from swapbridge.guessing.integrity.shared_formulas import possible_checks
from swapbridge.guessing.integrity.two_byte_checks import as_half, join_bytes
from swapbridge.guessing.layout.orders import order_prices, vehicle_order
from swapbridge.guessing.layout.study import Study, study
from swapbridge.guessing.layout.vehicle_studies import with_vehicle_formulas

Bytes = npt.NDArray[np.uint8]


def columns(payload: Bytes, identifier: int = 0x321, period_ms: int = 10) -> BitColumns:
    """Frames of one identifier, in step."""
    n = len(payload)
    times = np.arange(n) * period_ms * 10**6
    return make_columns(identifier, False, times, np.full(n, payload.shape[1], np.uint8), payload)


def test_a_counter_that_went_round_once_is_one_if_it_never_missed_a_step() -> None:
    payload = np.zeros((66, 8), np.uint8)
    payload[:, 6] = (np.arange(17, 83) % 63) << 2  # 0 to 62: one short of the top
    (found,) = find_counters(columns(payload))
    assert (found.positions, found.counter) == (tuple(range(50, 56)), Counter(0, 62))
    payload[30:, 6] = (np.arange(48, 84) % 63) << 2  # one step left out: it may as well be a slope
    assert not find_counters(columns(payload))


def test_a_counter_that_goes_round_too_early_is_none() -> None:
    payload = np.zeros((60, 8), np.uint8)
    payload[:, 6] = np.arange(60) % 40
    assert all(c.wraps > 1 for c in find_counters(columns(payload)))


@pytest.mark.parametrize("check_at", [2, 5])
def test_of_two_bytes_in_step_the_one_where_the_vehicle_has_its_checks_is_the_check(check_at: int) -> None:
    payload = np.zeros((600, 8), np.uint8)
    payload[:, 2], payload[:, 5] = np.arange(600) % 256, (np.arange(600) + 77) % 256
    frames = columns(payload)
    counters = find_counters(frames)
    assert len(counters) == 2
    assert not find_checksums(frames, counters, lambda c: 0.0)  # either could be: no sum is sure of one
    found = follower_of_counter(frames, counters, {8 * check_at - 64: 6})
    assert found is not None
    assert (found.positions[0] >> 3, found.distinguished, found.shared) == (check_at, 0, 6)
    alone = follower_of_counter(frames, counters)
    assert alone is not None
    left = [c for c in counters if c.positions != found.positions]
    (with_help,) = counter_fields(left, [found], frames)
    (without,) = counter_fields(left, [alone], frames) if alone.positions == found.positions else (None,)
    assert 0.7 < with_help.confidence < 0.95
    assert without is None or without.confidence <= 0.7


@pytest.mark.parametrize("still", [0, 1500, 2999])
@pytest.mark.parametrize("check", ["sum", "negative sum", "xor", "none"])
def test_a_first_look_rules_out_no_check(check: str, still: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """A few frames of a long recording leave every byte possible that all of them leave."""
    payload = np.random.default_rng(5).integers(0, 256, (3000, 8), dtype=np.uint8)
    payload[:still] = payload[0]
    rest = payload[:, :7].astype(np.int64)
    made = {"sum": rest.sum(axis=1) + 9, "negative sum": 7 - rest.sum(axis=1), "xor": np.bitwise_xor.reduce(rest, 1)}
    if check in made:
        payload[:, 7] = made[check] % 256
    found = possible_checks(columns(payload))
    monkeypatch.setattr(shared_formulas, "FIRST_LOOK", 1 << 30)
    assert found == possible_checks(columns(payload))
    assert bool(found) == (check in made and still < 2999)


def test_two_messages_in_one_order_settle_the_third() -> None:
    rng = np.random.default_rng(2)

    def walk(order: int) -> BitColumns:
        payload = np.zeros((500, 8), np.uint8)
        value = (30_000 + np.cumsum(rng.integers(-400, 401, 500))) & 0xFFFF
        payload[:, 2 + order], payload[:, 3 - order] = value & 255, value >> 8
        return columns(payload)

    for order in (LITTLE, BIG):
        prices = vehicle_order([study(walk(order)).parts for _ in range(3)])
        assert prices.order_bits[1 - order] > 4 > 1 > prices.order_bits[order]
    assert vehicle_order([]).order_bits == (1.0, 1.0)
    assert order_prices(np.array([0.0, 40.0]))[LITTLE] > order_prices(np.array([0.0, 2.0]))[LITTLE] > 3


def test_half_of_a_wide_crc_brings_the_other_half_though_hardly_a_bit_of_it_moves() -> None:
    crc = Crc(16, 0x1021, 0xFFFF, False, 0, tuple(range(6)))
    payload = np.zeros((600, 8), np.uint8)
    payload[:, 2] = np.arange(600) % 64
    for row in payload:
        value = crc.value(row[:6].tobytes())
        row[6], row[7] = value & 255, value >> 8
    frames = columns(payload)
    found = find_checksums(frames, find_counters(frames), lambda c: 0.0 if as_half(frames, c) else 1.0)
    joined = join_bytes(frames, found)
    assert [c.positions for c in joined] == [tuple(range(48, 64))]
    assert isinstance(joined[0].method, Crc)
    assert joined[0].method.polynomial == 0x1021


def test_twelve_pages_in_an_order_of_their_own_are_found() -> None:
    rng = np.random.default_rng(8)
    order = rng.permutation(12)
    n = 900
    page = order[np.arange(n) % 12]
    payload = np.zeros((n, 8), np.uint8)
    payload[:, 0] = page
    held = rng.integers(30, 220, (12, 5)) + np.cumsum(rng.integers(-1, 2, (n, 12, 5)), axis=0) // 4
    payload[:, 2:7] = held[np.arange(n), page] & 255
    mux = study(columns(payload)).mux
    assert mux is not None
    assert mux.positions == (0, 1, 2, 3)
    assert len(mux.values) == 12


def test_a_counter_whose_low_bits_pick_the_page_is_not_the_selector() -> None:
    """Pages by two bits, a counter of four beside them in step: the coarser one decides, the finer adds nothing."""
    rng = np.random.default_rng(9)
    n = 800
    page = np.arange(n) % 4
    payload = np.zeros((n, 8), np.uint8)
    payload[:, 0], payload[:, 7] = page, np.arange(n) % 16
    held = rng.integers(0, 2**16, (4, 2)) + np.cumsum(rng.integers(-300, 301, (n, 4, 2)), axis=0)
    value = held[np.arange(n), page] & 0xFFFF
    payload[:, 2], payload[:, 3] = value[:, 0] & 255, value[:, 0] >> 8
    payload[:, 4], payload[:, 5] = value[:, 1] & 255, value[:, 1] >> 8
    mux = study(columns(payload)).mux
    assert mux is not None
    assert mux.positions == (0, 1)


def test_two_counters_in_step_are_not_both_sure() -> None:
    payload = np.zeros((600, 8), np.uint8)
    payload[:, 1], payload[:, 5] = np.arange(600) % 16, (np.arange(600) + 3) % 16
    payload[:, 3] = np.arange(600) % 64
    frames = columns(payload)
    fields = {f.layout.start: f.confidence for f in counter_fields(find_counters(frames), [], frames)}
    assert fields.keys() == {8, 24, 40}
    assert fields[24] > 0.95 > 0.7 >= max(fields[8], fields[40])


def test_the_check_of_a_relation_that_names_none_stands_where_the_vehicle_has_its_checks() -> None:
    """Bytes that add up to nought: any of them could be the check, were it not for the other messages."""
    rng = np.random.default_rng(4)

    def message(constant: int, movers: int) -> Study:
        payload = np.zeros((120, 8), np.uint8)
        payload[:, :movers] = rng.integers(0, 256, (120, movers))
        payload[:, 7] = (constant - payload[:, :7].astype(int).sum(axis=1)) % 256
        return study(columns(payload, 0x300 + constant))

    proven = [study(m.columns, check_of(m, 7)) for m in (message(k, 3) for k in (3, 50, 77, 120))]
    last = message(9, 2)
    odd = study(last.columns, check_of(last, 0))
    assert odd.checksums[0].positions[0] == 0
    settled = with_vehicle_formulas([*proven, odd])
    assert settled[-1].checksums[0].positions == tuple(range(56, 64))


def test_a_byte_that_stands_still_while_the_counter_runs_is_not_made_the_check() -> None:
    """Bytes whose XOR is nought: the others have their check in byte 7, this one a seldom changed quantity there."""
    rng = np.random.default_rng(6)

    def message(number: int, check: int) -> Study:
        payload = np.zeros((300, 8), np.uint8)
        payload[:, 3] = rng.integers(0, 256, 300)
        payload[:, 1] = np.arange(300) % 16
        if check == 0:
            payload[:, 3] = np.repeat(payload[:30, 3], 10)
            payload[:, 7] = np.repeat(rng.integers(0, 256, 50), 6)
        payload[:, check] = np.bitwise_xor.reduce(payload, axis=1) ^ payload[:, check]
        return study(columns(payload, 0x300 + number))

    studies = with_vehicle_formulas([message(0, 0), *(message(k, 7) for k in range(1, 7))])
    assert [s.checksums[0].positions[0] for s in studies] == [0] + 6 * [56]


def test_what_slips_beside_a_counter_that_never_does_is_not_sure() -> None:
    """Its lower bits count along but for a few flags that are in it too: a check that covers more than the counter."""
    payload = np.zeros((2000, 8), np.uint8)
    count = np.arange(2000) % 16
    flags = np.repeat(np.random.default_rng(1).integers(0, 8, 10), 200)
    payload[:, 1], payload[:, 6] = count, (count & 7) + flags & 7
    frames = columns(payload)
    fields = {f.layout.start: f.confidence for f in counter_fields(find_counters(frames), [], frames)}
    assert fields[8] > 0.95 > 0.7 >= fields[48]


def check_of(s: Study, byte: int) -> FoundChecksum:
    """The relation of a message, told as if this byte were its check."""
    found = check_at(s.columns, [], tuple(range(8 * byte, 8 * byte + 8)))
    assert found is not None
    return found
