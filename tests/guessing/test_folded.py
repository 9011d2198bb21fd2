"""Guessing room: sums that are folded, weighed or taken modulo one less than a power of two."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swapbridge.core.integrity import Checksum, FieldSum, Sum, Term
from swapbridge.core.layout import Layout, layout_from_positions
from swapbridge.guessing.coding.bit_columns import make_columns
from swapbridge.guessing.integrity.checksums import FoundChecksum, find_checksums
from swapbridge.guessing.integrity.folded import fit_field_sum, method_values
from swapbridge.guessing.integrity.trust import BY_HABIT, check_probability

Bytes = npt.NDArray[np.uint8]


def moving(rows: int = 600, width: int = 8) -> Bytes:
    """Payloads in which all but the last byte move: a counter, walks, a flag, noise."""
    rng = np.random.default_rng(5)
    payload = np.zeros((rows, width), np.uint8)
    walk = 30_000 + np.cumsum(rng.integers(-90, 91, rows))
    payload[:, 0], payload[:, 1] = walk & 255, walk >> 8
    payload[:, 2] = 100 + np.rint(rng.normal(0, 3, rows))
    payload[:, 3] = np.repeat(rng.integers(0, 2, rows // 20 + 1), 20)[:rows] << 5
    payload[:, 4] = 80 + np.cumsum(rng.integers(-1, 2, rows)) % 90
    payload[:, 6] = np.arange(rows) % 16
    return payload


def tsc1(payload: Bytes, identifier: int) -> npt.NDArray[np.int64]:
    """SAE J1939-71, message checksum of TSC1 (from memory): the sum's three-bit digits, added up."""
    total = payload[:, :7].astype(np.int64).sum(axis=1) + sum(identifier.to_bytes(4, "big"))
    total = (total + (payload[:, 7] & 15)) & 255
    return np.asarray(((total >> 6 & 3) + (total >> 3) + total) & 7, np.int64)


def end_around(payload: Bytes) -> npt.NDArray[np.int64]:
    """RFC 1071's sum with the carries brought round, of bytes in place of words, complemented."""
    total = payload[:, :7].astype(np.int64).sum(axis=1)
    while (total >> 8).any():
        total = (total & 255) + (total >> 8)
    return np.asarray(255 - total, np.int64)


def by_place(payload: Bytes) -> npt.NDArray[np.int64]:
    """Each byte times its place."""
    return (payload[:, :7].astype(np.int64) @ np.arange(1, 8) + 77) % 256


def ended(payload: Bytes) -> npt.NDArray[np.int64]:
    """The sum of the bytes and a constant, its bits at last turned where 0x5A has a one."""
    return np.asarray((payload[:, :7].astype(np.int64).sum(axis=1) + 0xC3) % 256 ^ 0x5A, np.int64)


@pytest.mark.parametrize(
    ("check", "bits"),
    [
        (lambda p: tsc1(p, 0x0C000003), (60, 61, 62)),
        (end_around, range(56, 64)),
        (by_place, range(56, 64)),
        (ended, range(56, 64)),
    ],
)
def test_a_sum_of_another_form_is_found_and_computes_every_payload_again(
    check: Callable[[Bytes], npt.NDArray[np.int64]], bits: tuple[int, ...]
) -> None:
    payload = moving()
    if len(bits) == 3:  # the counter and the check share the last byte
        payload[:, 7], payload[:, 6] = payload[:, 6], 33
        payload[:, 7] |= (check(payload) << 4).astype(np.uint8)
    else:
        payload[:, 7] = check(payload)
    n = len(payload)
    columns = make_columns(0x321, False, np.arange(n) * 10**7, np.full(n, 8, np.uint8), payload)

    def rank(found: FoundChecksum) -> float:
        return float(found.positions[0] != bits[0])

    found = [c for c in find_checksums(columns, [], rank) if c.positions == tuple(bits)]
    assert found
    assert isinstance(found[0].method, FieldSum)
    check_field = Checksum(layout_from_positions(found[0].positions), found[0].method)
    assert all(check_field.holds(row.tobytes()) for row in payload)


def test_what_no_sum_gives_gets_none() -> None:
    rng = np.random.default_rng(3)
    payload = moving()
    for width in (4, 8):
        assert fit_field_sum(payload, rng.integers(0, 1 << width, len(payload)), width, 0.995) is None
    # a table of squares is a function of one byte, but no sum
    squares = payload[:, 4].astype(np.int64) ** 2 % 251
    assert fit_field_sum(payload, squares, 8, 0.995) is None


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 2**32), st.just(8), st.sampled_from([4, 8]), st.sampled_from([1, -1]), st.data())
def test_any_sum_that_ends_in_an_xor_is_found_and_holds_on_other_frames(
    seed: int, width: int, unit_bits: int, factor: int, data: st.DataObject
) -> None:
    low = (1 << width - 1) - 1  # the top bit alone, or all below it, make a plain sum of what is left
    constant = data.draw(st.integers(0, (1 << width) - 1))
    ending = data.draw(st.integers(0, (1 << width) - 1).filter(lambda x: x & low not in (0, low)))
    rows = np.random.default_rng(seed).integers(0, 256, (160, 6)).astype(np.uint8)
    units = rows if unit_bits == 8 else np.concatenate([rows & 15, rows >> 4], axis=1)
    target = (constant + factor * units.astype(np.int64).sum(axis=1)) % (1 << width) ^ ending
    fit = fit_field_sum(rows[:80], target[:80], width, 0.995)
    assert fit is not None
    assert [fit.method.value(row.tobytes()) for row in rows] == target.tolist()


def test_a_handful_of_payloads_proves_no_sum() -> None:
    payload = moving()[:20]
    assert fit_field_sum(payload, by_place(payload), 8, 0.995) is None


def test_columns_of_units_and_the_core_agree() -> None:
    """The fast arithmetic over columns against the method's own, one payload at a time."""
    payload = moving(60)
    terms = tuple(Term(Layout(8 * k, 8), k + 1) for k in range(7))
    for method in (
        FieldSum(8, terms, 5, fold=8, factor=-1, constant=-1),
        FieldSum(4, terms, 9, 8, 4, 1),
        FieldSum(8, terms, 0, constant=3),
        FieldSum(3, terms, 200, 8, 3, 1, factor=-1),
        FieldSum(8, terms, 1, factor=-1, constant=3, xor_out=0x5A),
    ):
        told = method_values(method, payload.astype(np.int64), 8)
        assert told.tolist() == [method.value(row.tobytes()) for row in payload]


def test_a_plain_sum_stays_a_plain_sum() -> None:
    payload = moving()
    payload[:, 7] = (payload[:, :7].sum(axis=1) + 17) % 256
    n = len(payload)
    columns = make_columns(0x321, False, np.arange(n) * 10**7, np.full(n, 8, np.uint8), payload)
    found = find_checksums(columns, [], lambda c: float(c.positions[0] != 56))
    assert found[0].method == Sum(8, (0, 1, 2, 3, 4, 5, 6), 8, 1, 17)


@pytest.mark.parametrize("factor", [1, -1])
@pytest.mark.parametrize("carried", [False, True])
def test_a_start_that_few_payloads_tell_from_another_is_not_sure(carried: bool, factor: int) -> None:
    """Starts 15 apart give the same digits wherever the lower one of the sum is not zero."""
    payload = np.zeros((80, 3), np.uint8)
    payload[:, 0] = np.arange(80) % 15 + 16 * (np.arange(80) % 7)  # the lower digit of the sum is never 15
    payload[:, 1] = 16 * (np.arange(80) // 9 % 3)
    if carried:
        payload[::6, 0] |= 15
    total = payload.astype(np.int64).sum(axis=1) + 1
    target = factor * ((total & 15) + (total >> 4)) % 16
    fit = fit_field_sum(payload, target, 4, 0.995)
    assert fit is not None
    assert fit.open is not carried
    field = layout_from_positions(tuple(range(16, 20)))
    found = FoundChecksum(field.positions, fit.method, None, (), 1.0, 60, 0, open=fit.open)
    assert (check_probability(found) <= BY_HABIT) is not carried
