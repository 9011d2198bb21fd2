"""Guessing room: where one relation gives several fields, or half of one, nothing is called sure."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from swapbridge.core.integrity import Affine
from swapbridge.guessing.coding.bit_columns import BitColumns, make_columns
from swapbridge.guessing.integrity.checksums import fit_affine
from swapbridge.guessing.integrity.counters import find_counters
from swapbridge.guessing.integrity.name_checksum import name_checksum
from swapbridge.guessing.integrity.trust import BY_HABIT, check_probability, trust_probability
from swapbridge.guessing.integrity.vehicle_formulas import vehicle_checks
from swapbridge.guessing.layout.cut import OrderPrices
from swapbridge.guessing.layout.study import fields_of_study, study
from swapbridge.guessing.layout.vehicle_studies import with_vehicle_formulas
from tests.benchmarks.judging import claims_of

Bytes = npt.NDArray[np.uint8]
N = 400


def columns(payload: Bytes, identifier: int = 0x321, time_ns: npt.NDArray[np.int64] | None = None) -> BitColumns:
    n = len(payload)
    time_ns = np.arange(n) * 10**7 if time_ns is None else time_ns
    return make_columns(identifier, False, time_ns, np.full(n, payload.shape[1], np.uint8), payload)


def total(seed: int, size: int) -> Bytes:
    """All bytes add up to a constant: the check in the first byte, noise of 16 bits in the last two."""
    rng = np.random.default_rng(seed)
    payload = np.zeros((N, size), np.uint8)
    payload[:, 1] = np.arange(N) % 64
    noise = np.rint(30_000 + rng.normal(0, 3000, N)).astype(np.int64)
    payload[:, size - 2], payload[:, size - 1] = noise >> 8, noise & 255
    payload[:, 0] = (seed - payload.sum(axis=1)) % 256
    return payload


def plain(seed: int) -> Bytes:
    """The same sum where no other byte is noise."""
    payload = total(seed, 6)
    payload[:, 4:] = np.cumsum(np.random.default_rng(seed).integers(0, 2, (N, 2)), axis=0) // 3
    payload[:, 0] = (seed - payload[:, 1:].sum(axis=1)) % 256
    return payload


def test_of_two_bytes_that_one_total_gives_neither_is_sure_to_be_the_check() -> None:
    (check,) = study(columns(total(5, 4))).checksums
    assert {check.positions[0], *(r[0] for r in check.rivals)} == {0, 24}
    assert check_probability(check) <= BY_HABIT


def test_any_byte_of_an_xor_over_a_part_could_be_its_check_and_none_is_a_crc() -> None:
    """A CRC whose polynomial is x^8 + 1 is that XOR, and as much of one for any byte in it as for the check."""
    rng = np.random.default_rng(5)
    payload = np.zeros((N, 8), np.uint8)
    payload[:, 0] = 200 * (np.arange(N) // 40 % 2)
    payload[:, 2], payload[:, 4] = (100 + np.cumsum(rng.integers(-6, 7, (N, 2)), axis=0)).T & 255
    payload[:, 6] = np.arange(N) % 64
    payload[:, 7] = np.bitwise_xor.reduce(payload[:, 1:7], axis=1) ^ 0x35
    (check,) = study(columns(payload)).checksums
    assert check.positions == tuple(range(56, 64))
    assert isinstance(check.method, Affine)
    assert check.method.name


def test_the_plainest_sum_of_one_relation_tells_the_check() -> None:
    """One byte is the plain sum of the others; solved for a byte of noise, the relation has weights of all sorts."""
    for seed in range(8):
        rng = np.random.default_rng(seed)
        payload = np.zeros((84, 7), np.int64)
        steady = 15_000 + np.cumsum(rng.integers(-900, 901, 84)) * 4
        noisy = np.abs(np.rint(400 + rng.normal(0, 250, 84)).astype(np.int64))
        payload[:, 0], payload[:, 1], payload[:, 2], payload[:, 3] = steady, steady >> 8, noisy, noisy >> 8
        payload[:, 4] = np.arange(84) % 8 + (np.cumsum(rng.random(84) < 0.1) % 12 << 3)
        payload[:, 6] = (payload[:, :5] & 255).sum(axis=1) >> 8
        payload[:, 5] = (payload[:, :5] & 255).sum(axis=1)
        for check in study(columns((payload & 255).astype(np.uint8))).checksums:
            assert check.positions[0] == 40 or check_probability(check) <= BY_HABIT, seed


def slips_beside_its_counter() -> Bytes:
    """A sum of nibbles goes on with its counter, but for the steps in which something else moves: so do both ways."""
    payload = np.zeros((N, 8), np.uint8)
    payload[:, 2], payload[:, 3] = np.arange(N) // 23 % 4 * 3, np.arange(N) // 41 % 5 << 4
    payload[:, 7] = np.arange(N) % 16 << 4
    nibbles = ((payload & 15) + (payload >> 4)).sum(axis=1)
    payload[:, 7] |= (nibbles + 5).astype(np.uint8) & 15
    return payload


def test_of_a_counter_and_a_sum_that_slips_beside_it_neither_is_sure() -> None:
    found = fields_of_study(study(columns(slips_beside_its_counter())), OrderPrices())
    sure = [f for f in found if f.kind in ("counter", "checksum")]
    assert {f.layout.start for f in sure} == {56, 60}
    assert all(f.confidence <= BY_HABIT for f in sure)


def test_claims_are_calibrated_by_what_guess_states() -> None:
    """Doubts that are no feature of the model count in the table of reliability as they do in a guess."""
    for payload in (slips_beside_its_counter(), total(5, 4), plain(11)):
        found = study(columns(payload))
        stated = {f.layout.positions: f.confidence for f in fields_of_study(found, OrderPrices())}
        for kind, bits, features, most in claims_of(found):
            assert trust_probability(kind, features, most=most) == stated[bits]


def test_a_place_that_as_many_messages_allow_leaves_the_check_of_a_total_open() -> None:
    """In both, the byte of the counter holds two noisy bits more, so that it is another one in every frame as well."""
    rng = np.random.default_rng(4)
    vehicle = []
    for identifier in (0x120, 0x230, 0x340):
        payload = np.zeros((N, 8), np.uint8)
        payload[:, 1] = np.arange(N) % 64 | rng.integers(0, 4, N) << 6
        payload[:, 2] = 100 + np.cumsum(rng.integers(-1, 2, N)) // 4
        payload[:, 3] = 100 + np.cumsum(rng.integers(-3, 4, N))
        payload[:, 0] = -payload.sum(axis=1) % 256
        vehicle.append(columns(payload, identifier))
    for check in vehicle_checks(vehicle):
        assert check is not None
        assert {check.positions[0], *(r[0] for r in check.rivals)} >= {0, 8}
        assert check_probability(check) <= BY_HABIT


def test_the_other_messages_of_the_vehicle_tell_which_of_two_is_the_check() -> None:
    others = [study(columns(plain(seed), 0x100 + seed)) for seed in (11, 12, 13, 14)]
    assert all([c.positions[0] for c in s.checksums] == [0] for s in others)
    open_one = study(columns(total(5, 4)))
    (check,) = with_vehicle_formulas([open_one, *others])[0].checksums
    assert check.positions[0] == 0
    assert BY_HABIT < check_probability(check) < 0.95


def test_a_byte_that_another_one_is_with_a_constant_added_is_no_check() -> None:
    """It passes for a sum of the other's two nibbles, the upper one counted sixteen times."""
    count = np.arange(N)
    payload = np.zeros((N, 7), np.uint8)
    payload[:, 0], payload[:, 1], payload[:, 6] = 88 + count // 60, count // 45 % 5, count % 255
    payload[:, 3], payload[:, 5] = 40 + count // 3, 126 + np.rint(2 * np.sin(count))
    payload[:, 2] = 13 + np.sqrt(count * 77)
    payload[:, 4] = payload[:, 2] + 254
    payload[162, 4] += 1  # one frame in which the second was read later
    assert study(columns(payload)).checksums == ()


def test_the_upper_half_of_a_byte_whose_lower_half_moves_too_may_be_half_of_a_check() -> None:
    """Of a sum that ends in an XOR, the upper half is a sum of nibbles where the lower one seldom carries into it."""
    count = np.arange(N)
    payload = np.zeros((N, 4), np.uint8)
    payload[:, 1] = (count * 2 % 16 << 4) + 1
    payload[:, 2] = 160 + count // 21 % 2 * 16
    payload[:, 3] = count // 19 % 7 * 16 + count // 70 % 2 * 2
    payload[:, 0] = (payload.sum(axis=1) & 255) ^ 2
    (check,) = study(columns(payload)).checksums
    assert check_probability(check) <= BY_HABIT


def test_two_counters_side_by_side_in_a_lossy_log_are_no_ramp() -> None:
    """Nibble beside nibble: as a byte they go on by 17, but nothing carries where the lower one goes round."""
    kept = np.random.default_rng(3).random(800) < 0.8
    payload = np.zeros((800, 8), np.uint8)
    payload[:, 7] = np.arange(800) % 16 << 4 | (np.arange(800) + 1) % 16
    found = find_counters(columns(payload[kept], time_ns=(np.arange(800) * 10**7)[kept]))
    assert {c.positions[0] for c in found} == {56, 60}


def test_a_polynomial_that_copies_bytes_three_apart_makes_no_crc_of_an_xor() -> None:
    """By x^8 + x^4 + 1 x to the 24 is 1: with two bytes fed behind the payload the last of five bytes is copied."""
    rng = np.random.default_rng(9)
    payload = np.zeros((N, 8), np.uint8)
    payload[:, 3] = np.rint(128 + rng.normal(0, 60, N)).astype(np.int64) & 255
    payload[:, 4] = np.arange(N) // 9 % 16
    payload[:, 2] = payload[:, 4] & 3  # which of the two is in the XOR is open
    payload[:, 1] = np.cumsum(rng.integers(-1, 2, N)) & 15
    payload[:, 7] = payload[:, 3] ^ payload[:, 4] ^ 0x5C
    frames = columns(payload)
    other = fit_affine(frames, tuple(range(24, 32)))
    assert other is not None
    assert isinstance(name_checksum(other, frames).method, Affine)
    (check,) = study(frames).checksums
    assert check.positions[0] == 56 or check_probability(check) <= BY_HABIT
