"""A byte that comes round in one order is cut into the number that goes on by one and what goes with it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from swapbridge.guessing.coding.bit_columns import make_columns
from swapbridge.guessing.layout.cut import OrderPrices
from swapbridge.guessing.layout.numbered_pages import numbered_pages
from swapbridge.guessing.layout.orders import cut_of
from swapbridge.guessing.layout.study import study

CONTENTS = np.array([15, 11, 4, 35])


def cut(byte: NDArray[np.int64]) -> list[tuple[int, ...]]:
    n = len(byte)
    payload = np.zeros((n, 8), np.uint8)
    payload[:, 0] = byte
    columns = make_columns(0x123, False, np.arange(n) * 10_000_000, np.full(n, 8, np.uint8), payload)
    return sorted(f.positions for f in cut_of(study(columns).parts[0], OrderPrices()))


def free_pages(byte: NDArray[np.int64]) -> list[tuple[tuple[int, ...], tuple[int, ...]]]:
    payload = byte.astype(np.uint8)[:, None]
    n = len(byte)
    columns = make_columns(0x123, False, np.arange(n) * 10_000_000, np.full(n, 1, np.uint8), payload)
    return numbered_pages(columns, columns.live)


def test_a_number_and_its_contents_in_one_byte_are_two_fields() -> None:
    number = np.arange(1200) // 6 % 4
    beside = CONTENTS[number]
    beside[700:][number[700:] == 2] = 0  # what stands on a page may change once
    assert cut(beside | number << 6) == [(0, 1, 2, 3, 4, 5), (6, 7)]


def test_lost_frames_do_not_hide_the_number() -> None:
    number = np.arange(1200) // 3 % 4
    kept = np.sort(np.random.default_rng(0).choice(1200, 900, replace=False))
    assert cut((CONTENTS[number] | number << 6)[kept]) == [(0, 1, 2, 3, 4, 5), (6, 7)]


def test_a_ramp_and_states_in_no_order_hold_no_number() -> None:
    assert not free_pages(
        np.arange(1200) // 3 % 256
    )  # its top bits go on by one, but what is below them does not return
    rng = np.random.default_rng(1)
    states = np.repeat(rng.integers(0, 4, 400), 3)
    assert not free_pages(CONTENTS[states] | states << 6)
