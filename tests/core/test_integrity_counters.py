"""Rolling counters: every kind of wrap that the trade knows, written out."""

from __future__ import annotations

import pytest

from swapbridge.core.integrity import Counter


@pytest.mark.parametrize(
    ("counter", "begin", "expected"),
    [
        (Counter(0, 15), 13, [14, 15, 0, 1]),
        (Counter(0, 14), 13, [14, 0, 1, 2]),
        (Counter(1, 15), 14, [15, 1, 2, 3]),
        (Counter(0, 3), 2, [3, 0, 1, 2]),
        (Counter(0, 255, 2), 252, [254, 0, 2, 4]),
        (Counter(0, 15, 15), 1, [0, 15, 14, 13]),
    ],
)
def test_wraps(counter: Counter, begin: int, expected: list[int]) -> None:
    assert [counter.after(begin, k) for k in range(1, 5)] == expected
    assert counter.after(begin, 0) == begin
