"""Two fields that follow one quantity stay two fields, and one quantity stays one."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from swapbridge.core.layout import Layout
from swapbridge.guessing.coding.bit_columns import make_columns
from swapbridge.guessing.layout.cut import OrderPrices
from swapbridge.guessing.layout.orders import MESSAGE_ORDERS, cut_of
from swapbridge.guessing.layout.study import study
from tests.guessing.planted import write_field


def cut(*fields: tuple[Layout, NDArray[np.int64]]) -> list[tuple[int, int]]:
    """Lowest bit and length of each field that is found."""
    n = len(fields[0][1])
    bits = np.zeros((n, 64), np.uint8)
    for layout, raw in fields:
        write_field(bits, layout, raw)
    payload = np.packbits(bits, axis=1, bitorder="little")
    columns = make_columns(0x123, False, np.arange(n) * 10_000_000, np.full(n, 8, np.uint8), payload)
    part = study(columns).parts[0]
    return [(f.positions[0], len(f.positions)) for f in cut_of(part, OrderPrices(MESSAGE_ORDERS[0]))]


def presses(seed: int, n: int = 1200) -> NDArray[np.float64]:
    """From 0 to 1: a pedal that is pressed now and then, and rests in between."""
    rng = np.random.default_rng(seed)
    want = np.repeat(np.where(rng.random(n // 40) < 0.3, rng.random(n // 40), 0.0), 40)
    out, at = np.zeros(n), 0.0
    for i, x in enumerate(want):
        at += 0.4 * (x - at)
        out[i] = at
    return out


@pytest.mark.parametrize("seed", range(4))
def test_copies_side_by_side_are_two_fields(seed: int) -> None:
    x = presses(seed)
    one, other = (np.rint(base + reach * x).astype(np.int64) for base, reach in ((118, 20), (100, 16)))
    assert cut((Layout(0, 8), one), (Layout(8, 8), other))[:2] == [
        (0, int(np.bitwise_or.reduce(one ^ one[0])).bit_length()),
        (8, int(np.bitwise_or.reduce(other ^ other[0])).bit_length()),
    ]


@pytest.mark.parametrize("seed", range(3))
def test_one_quantity_of_two_bytes_is_not_split(seed: int) -> None:
    raw = np.rint(9000 + 40000 * presses(seed)).astype(np.int64)
    assert cut((Layout(0, 16), raw)) == [(0, 16)]


def test_bits_at_rest_between_copies_are_left_where_they_are_cheapest() -> None:
    """Ten bits each, not available at first: the upper bit of the lower one rests, as good as its copy's lowest."""
    x = np.repeat(presses(7, 1200)[::13], 1)
    one, other = np.rint(20 * x).astype(np.int64), np.rint(780 + 80 * x).astype(np.int64)
    one[:11] = other[:11] = 1023
    assert cut((Layout(11, 10), one), (Layout(21, 10), other)) == [(11, 10), (21, 8)]
