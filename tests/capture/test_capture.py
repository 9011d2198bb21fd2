"""Capture room: grouping by bus and identifier, against the obvious loop."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swapbridge.capture.capture import ERROR, EXTENDED, REMOTE, Capture

Make = Callable[..., Capture]
keys = st.tuples(
    st.integers(0, 3), st.sampled_from([0, 1, 0x7FF, 0x400, 0x18FEEE00, 0x1FFFFFFF]), st.sampled_from([0, EXTENDED])
)


def slow_groups(capture: Capture) -> list[tuple[tuple[int, int, bool], list[int]]]:
    groups: dict[tuple[int, int, bool], list[int]] = {}
    for i in range(len(capture)):
        flags = int(capture.flags[i])
        if not flags & (ERROR | REMOTE):
            key = (int(capture.bus[i]), int(capture.identifier[i]), bool(flags & EXTENDED))
            groups.setdefault(key, []).append(i)
    return sorted(groups.items(), key=lambda item: (item[0][0], item[0][2], item[0][1]))


@settings(deadline=None)
@given(
    st.lists(st.tuples(keys, st.sampled_from([0, 0, 0, ERROR, REMOTE])), max_size=40), st.sampled_from([1, 4, 1 << 15])
)
def test_groups_equal_the_loop(
    make_capture: Make, rows: list[tuple[tuple[int, int, int], int]], rows_together: int
) -> None:
    capture = make_capture(
        [(i, key[1], key[2] | flag, key[0], b"", 0) for i, (key, flag) in enumerate(rows)], ("a", "b", "c", "d")
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("swapbridge.capture.capture._ROWS", rows_together)
        patch.setattr("swapbridge.capture.capture._SORTED_ROWS", rows_together + 1)
        found = [(tuple(key), where.tolist()) for key, where in capture.groups()]
    assert found == slow_groups(capture)


@pytest.mark.parametrize("count", [2, 300, 5000])
def test_many_identifiers_with_and_without_a_hash(make_capture: Make, count: int) -> None:
    rng = np.random.default_rng(count)
    capture = make_capture(
        [(i, int(v), EXTENDED, 0, b"", 0) for i, v in enumerate(rng.integers(0, 1 << 29, count).repeat(2))]
    )
    words, edges, rows = capture.grouped()
    assert (np.diff(words.astype(np.int64)) > 0).all()
    for g in range(len(words)):
        part = rows[edges[g] : edges[g + 1]]
        assert (np.diff(part) > 0).all()
        assert set(capture.identifier[part].tolist()) == {int(words[g]) & 0x1FFFFFFF}
    assert sorted(rows.tolist()) == list(range(len(capture)))
