"""Four bits that a sum of bytes and one of nibbles give alike: other messages of the vehicle tell which, or none do."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swapbridge.core.integrity import Sum
from swapbridge.guessing.coding.bit_columns import BitColumns, make_columns
from swapbridge.guessing.integrity.integrity_fields import TIED
from swapbridge.guessing.integrity.sums import tied_sum
from swapbridge.guessing.integrity_only import find_integrity
from swapbridge.guessing.layout.study import study
from swapbridge.guessing.layout.vehicle_studies import with_vehicle_formulas

N = 500
Bytes = npt.NDArray[np.uint8]


def message(seed: int, unit: int, upper: bool) -> Bytes:
    """Codes in lower nibbles, in upper ones only where asked for; the sum modulo 16 in the last byte's lower nibble."""
    rng = np.random.default_rng(seed)
    payload = np.zeros((N, 6), np.uint8)
    payload[:, 1] = 0x40 | rng.integers(0, 16, N)
    payload[:, 2] = 0x70 | np.clip(8 + np.cumsum(rng.integers(-1, 2, N)), 0, 15)
    if upper:
        payload[:, 3] = rng.integers(0, 256, N)
    wide = payload.astype(np.int64)
    total = wide.sum(axis=1) if unit == 8 else ((wide & 15) + (wide >> 4)).sum(axis=1)
    payload[:, 5] = 0x30 | (total + 3 * (unit == 4)) % 16
    return payload


def columns(payload: Bytes, identifier: int) -> BitColumns:
    n = len(payload)
    return make_columns(identifier, False, np.arange(n) * 10_000_000, np.full(n, 6, np.uint8), payload)


@pytest.mark.parametrize("unit", [4, 8])
def test_a_tie_goes_to_the_units_that_other_messages_use(unit: int) -> None:
    tied, *plain = (columns(message(k, unit, upper=k > 0), 0x100 + 0x31 * k) for k in range(4))
    settled = with_vehicle_formulas([study(c) for c in (tied, *plain)])
    (check,) = settled[0].checksums
    assert isinstance(check.method, Sum)
    assert (check.method.unit_bits, check.same_units) == (unit, 3)
    # and goes on holding once upper nibbles move
    later = message(0, unit, upper=True)
    rest = np.where(np.arange(6) == 5, later & 0xF0, later).astype(np.uint8)
    assert [check.method.value(row.tobytes()) for row in rest] == (later[:, 5] & 15).tolist()


def test_where_no_other_message_tells_it_is_not_called_sure() -> None:
    n = N
    found = find_integrity(message(1, 8, upper=False), np.arange(n) * 10_000_000, np.full(n, 6, np.uint8))
    (check,) = (f for f in found if f.kind == "checksum")
    assert check.confidence < 0.9
    assert check.evidence["note"] == TIED
    (plain,) = (
        f
        for f in find_integrity(message(1, 8, upper=True), np.arange(n) * 10_000_000, np.full(n, 6, np.uint8))
        if f.kind == "checksum"
    )
    assert plain.confidence > 0.9
    assert "note" not in plain.evidence


@given(
    st.lists(st.lists(st.integers(0, 255), min_size=3, max_size=3), min_size=1, max_size=20),
    st.sampled_from([4, 8]),
    st.sampled_from([1, -1]),
    st.integers(0, 15),
)
def test_a_tied_sum_gives_the_same_in_every_payload(
    rows: list[list[int]], unit: int, factor: int, constant: int
) -> None:
    method = Sum(4, (0, 1, 2), unit, factor, constant)
    payload = np.array(rows, np.uint8)
    other = tied_sum(payload, method)
    values = [method.value(bytes(row)) for row in rows]
    alike = [
        Sum(4, (0, 1, 2), 12 - unit, factor, c)
        for c in range(16)
        if [Sum(4, (0, 1, 2), 12 - unit, factor, c).value(bytes(row)) for row in rows] == values
    ]
    assert alike == ([] if other is None else [other])
