"""The interval of an operation is that of its results, found here by computing every one of them."""

from __future__ import annotations

from collections.abc import Callable
from itertools import product

import pytest

from swapbridge.plan.intervals import op_interval, table_inner
from swapbridge.plan.plan import Table, div_round

ENDS = range(-3, 4)
INTERVALS = [(low, high) for low in ENDS for high in ENDS if low <= high]
ONE: dict[str, Callable[[int], int]] = {"neg": lambda a: -a, "abs": abs, "not": lambda a: int(not a)}
TWO: dict[str, Callable[[int, int], int]] = {
    "add": lambda a, b: a + b,
    "sub": lambda a, b: a - b,
    "mul": lambda a, b: a * b,
    "min": min,
    "max": max,
    "div": div_round,
    "lt": lambda a, b: int(a < b),
    "le": lambda a, b: int(a <= b),
    "eq": lambda a, b: int(a == b),
    "ne": lambda a, b: int(a != b),
    "and": lambda a, b: int(bool(a) and bool(b)),
    "or": lambda a, b: int(bool(a) or bool(b)),
}


def whole(interval: tuple[int, int]) -> range:
    return range(interval[0], interval[1] + 1)


@pytest.mark.parametrize("kind", sorted(ONE))
def test_of_one_argument(kind: str) -> None:
    for a in INTERVALS:
        results = [ONE[kind](x) for x in whole(a)]
        assert op_interval(kind, [a], 0, (), (), ()) == (min(results), max(results)), a


@pytest.mark.parametrize("kind", sorted(TWO))
def test_of_two_arguments(kind: str) -> None:
    for a, b in product(INTERVALS, repeat=2):
        if kind == "div" and 0 in whole(b):
            with pytest.raises(ValueError, match="may be 0"):
                op_interval(kind, [a, b], 0, (), (), ())
            continue
        results = [TWO[kind](x, y) for x in whole(a) for y in whole(b)]
        assert op_interval(kind, [a, b], 0, (), (), ()) == (min(results), max(results)), (a, b)


def test_of_a_remainder() -> None:
    """Sound for every value; exact where the dividend is below the modulus already."""
    for a, b in product(INTERVALS, repeat=2):
        if b[0] <= 0:
            with pytest.raises(ValueError, match="may be 0 or below"):
                op_interval("mod", [a, b], 0, (), (), ())
            continue
        low, high = op_interval("mod", [a, b], 0, (), (), ())
        assert all(low <= x % y <= high for x in whole(a) for y in whole(b)), (a, b)
        assert (low, high) == (a if a[0] >= 0 and a[1] < b[0] else (0, b[1] - 1))


def test_of_a_choice() -> None:
    for condition in INTERVALS:
        results = [5 if x else 9 for x in whole(condition)]
        assert op_interval("select", [condition, (5, 5), (9, 9)], 0, (), (), ()) == (min(results), max(results))


def test_the_largest_step_inside_a_table() -> None:
    """Rise times run of its steepest pieces, upwards and downwards, worked out by hand."""
    assert table_inner(Table("t", (0, 10, 13), (0, 7, 7))) == (0, 70)
    assert table_inner(Table("t", (0, 10, 13), (7, 0, 5))) == (-70, 15)
    assert table_inner(Table("t", (0, 1), (4, 4))) == (0, 0)
