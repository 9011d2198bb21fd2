"""Guessing room: sums of other forms, proven in one message, found in others that are too brief or too calm."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import pytest

from swapbridge.core.integrity import Checksum, Crc
from swapbridge.core.layout import layout_from_positions
from swapbridge.guessing.coding.bit_columns import BitColumns, make_columns
from swapbridge.guessing.integrity.checksums import FoundChecksum, fit_affine
from swapbridge.guessing.integrity.shared_formulas import same_formula
from swapbridge.guessing.integrity.trust import BY_HABIT, check_probability
from swapbridge.guessing.integrity.vehicle_formulas import vehicle_checks
from swapbridge.guessing.integrity.vehicle_sums import sum_of_vehicle, vehicle_sums
from swapbridge.guessing.layout.study import study
from swapbridge.guessing.layout.vehicle_studies import with_vehicle_formulas
from tests.guessing.test_exact import columns_of

Bytes = npt.NDArray[np.uint8]
Ints = npt.NDArray[np.int64]
Formula = Callable[[Ints, int], Ints]
MANY = 900


def carried(rows: Ints, own: int) -> Ints:
    """RFC 1071's sum with the carries brought round, of bytes in place of words, complemented."""
    total = rows.sum(axis=1) + own
    while (total >> 8).any():
        total = (total & 255) + (total >> 8)
    return np.asarray(255 - total, np.int64)


def weighed(rows: Ints, own: int) -> Ints:
    """Each byte times its place, as the second sum of Fletcher's has them."""
    return np.asarray((rows @ np.arange(1, rows.shape[1] + 1) + own) % 256, np.int64)


def ended(rows: Ints, own: int) -> Ints:
    return np.asarray((rows.sum(axis=1) + own) % 256 ^ 0x5A, np.int64)


def message(number: int, formula: Formula, frames: int, size: int = 8, moving: bool = True) -> BitColumns:
    """A check in the last byte, a counter before it, and where it moves a noisy quantity and a walk in front."""
    rng = np.random.default_rng(number)
    payload = np.zeros((frames, size), np.uint8)
    payload[:] = rng.integers(0, 256, size)
    if moving:
        value = np.rint(30_000 + rng.normal(0, 4000, frames)).astype(np.int64)
        payload[:, 0], payload[:, 1] = value >> 8, value & 255
        payload[:, 2] = 90 + np.cumsum(rng.integers(-3, 4, frames))
        payload[:, 3 : size - 2] = rng.integers(0, 256, (frames // 20 + 1, size - 5)).repeat(20, axis=0)[:frames]
    payload[:, -2] = np.arange(frames) % 16
    payload[:, -1] = formula(payload[:, :-1].astype(np.int64), 37 * number)
    time_ns = np.arange(frames) * 20_000_000
    return make_columns(0x200 + number, False, time_ns, np.full(frames, size, np.uint8), payload)


def holds(check: FoundChecksum, columns: BitColumns) -> float:
    checksum = Checksum(layout_from_positions(check.positions), check.method)
    return float(np.mean([checksum.holds(row.tobytes()) for row in columns.payload]))


def test_a_sum_with_carries_brought_round_is_the_vehicles_where_only_a_counter_moves() -> None:
    messages = [message(0, lambda r, _: carried(r, 0), MANY)]
    messages += [message(k, lambda r, _: carried(r, 0), 40, 4 + k % 5, moving=False) for k in range(1, 7)]
    found = vehicle_checks(messages)
    for columns, check in zip(messages, found, strict=True):
        assert check is not None
        size = columns.payload.shape[1]
        assert check.positions == tuple(range(8 * size - 8, 8 * size))
        assert holds(check, columns) == 1.0


@pytest.mark.parametrize("formula", [weighed, ended, carried])
def test_a_form_that_one_message_proves_shows_in_few_payloads_of_another(formula: Formula) -> None:
    messages = [message(1, formula, MANY), message(2, formula, 30), message(3, formula, 60, 6, moving=False)]
    settled = with_vehicle_formulas([study(m) for m in messages])
    for s in settled:
        (check,) = s.checksums
        size = s.columns.payload.shape[1]
        assert check.positions == tuple(range(8 * size - 8, 8 * size))
        assert holds(check, s.columns) == 1.0


@pytest.mark.parametrize("formula", [weighed, ended])
def test_what_meets_no_form_of_the_vehicle_has_no_check(formula: Formula) -> None:
    size, proven = 8, study(message(1, formula, MANY)).checksums
    sums = vehicle_sums([(size, c) for c in proven])
    assert len(sums) == 1
    other = message(4, lambda r, own: (r.sum(axis=1) * 3 + own) % 256, 60)
    assert sum_of_vehicle(other, sums) is None
    few = message(5, formula, 3)
    assert sum_of_vehicle(few, sums) is None


def test_a_folded_sum_with_a_start_of_its_own_is_not_sure_where_few_payloads_tell_starts_apart() -> None:
    def folded(rows: Ints, own: int) -> Ints:
        total = rows.sum(axis=1) + own
        return np.asarray(((total & 15) + (total >> 4)) % 16, np.int64)

    (proven,) = study(message(1, folded, MANY)).checksums
    sums = vehicle_sums([(8, proven)])
    (brief, long) = (sum_of_vehicle(message(6, folded, n), sums) for n in (10, MANY))
    assert brief is not None
    assert long is not None
    assert brief.open
    assert check_probability(brief) <= BY_HABIT
    assert not long.open
    assert holds(long, message(6, folded, MANY)) == 1.0


def test_an_xor_of_two_bytes_that_share_few_bits_is_a_check() -> None:
    """Six of its bits are copies: a byte of seven bits that move and one of three have two places in common."""
    rng = np.random.default_rng(5)
    payload = np.zeros((MANY, 8), np.uint8)
    payload[:, 0] = 0x2B
    payload[:, 5] = rng.integers(0, 8, MANY) << 5
    payload[:, 6] = 60 + np.clip(np.cumsum(rng.integers(-9, 10, MANY)), -60, 60)
    payload[:, 7] = np.bitwise_xor.reduce(payload[:, 3:7], axis=1)
    fit = fit_affine(columns_of(payload), tuple(range(56, 64)))
    assert fit is not None
    payload[:, 7] = payload[:, 6] ^ payload[:, 5] >> 6  # two bits that are no copies, made of others' places
    assert fit_affine(columns_of(payload), tuple(range(56, 64))) is None


ROLLED = Crc(8, 0x1D, 0xFF, False, 0xFF, (6, 0, 1, 2, 3, 4, 5))
"""SAE J1850's CRC, begun in the middle of the payload."""


def crc_rolled(rows: Ints, own: int) -> Ints:
    return np.array([ROLLED.value(bytes(row.astype(np.uint8)) + b"\0") ^ own & 255 for row in rows], np.int64)


def xor_of_some(rows: Ints, own: int) -> Ints:
    return np.asarray(np.bitwise_xor.reduce(rows[:, 2:], axis=1) ^ (own & 255), np.int64)


def sum_of_some(rows: Ints, own: int) -> Ints:
    return np.asarray((rows[:, 2:].sum(axis=1) + own) % 256, np.int64)


@pytest.mark.parametrize("formula", [crc_rolled, xor_of_some, sum_of_some])
def test_what_a_maker_leaves_out_or_begins_with_he_does_in_every_message_of_that_length(formula: Formula) -> None:
    (proven,) = study(message(1, formula, MANY)).checksums
    brief = message(2, formula, 25, moving=False)
    check = same_formula(brief, [(8, proven)])
    assert check is not None
    assert check.positions == tuple(range(56, 64))
    assert holds(check, brief) == 1.0
    assert same_formula(message(2, formula, 25, 7, moving=False), [(8, proven)]) is None
    assert same_formula(message(2, lambda r, own: crc_rolled(r, own) // 2, 25), [(8, proven)]) is None
    assert same_formula(message(2, formula, 3), [(8, proven)]) is None
    assert same_formula(message(1, formula, 2, moving=False), [(8, proven)]) is not None  # no constant of its own
    assert same_formula(message(2, formula, 2, moving=False), [(8, proven)]) is None
