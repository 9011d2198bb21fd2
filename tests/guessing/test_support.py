"""A check that one message alone can't prove stands where the vehicle's other messages have theirs."""

from __future__ import annotations

import numpy as np
import pytest

from swapbridge.capture.capture import Capture
from swapbridge.guessing.guess import find_layouts

FRAMES = 600


def vehicle(last: bool) -> Capture:
    """Messages of several lengths, an XOR of all other bytes in the first byte or in the last."""
    rng = np.random.default_rng(6)
    payload = np.zeros((4 * FRAMES, 8), np.uint8)
    for place, length in enumerate((8, 6, 5, 2)):
        rows = payload[place::4]
        rest = list(range(length - 1)) if last else list(range(1, length))
        rows[:, rest[0]] = np.arange(FRAMES) % 16 + np.repeat(rng.integers(0, 2, FRAMES // 40), 40) * 64
        for byte in rest[1:]:
            rows[:, byte] = 100 + np.cumsum(rng.integers(-2, 3, FRAMES))
        rows[:, length - 1 if last else 0] = np.bitwise_xor.reduce(rows[:, rest], axis=1)
    count = len(payload)
    return Capture(
        np.arange(count) * 5_000_000,
        np.tile(np.array([0x100, 0x110, 0x120, 0x130], np.uint32), FRAMES),
        np.zeros(count, np.uint8),
        np.zeros(count, np.uint8),
        np.tile(np.array([8, 6, 5, 2], np.uint8), FRAMES),
        payload,
    )


@pytest.mark.parametrize("last", [False, True])
def test_a_copy_of_the_counter_is_the_checksum_where_others_have_theirs(last: bool) -> None:
    found = {m.key.identifier: m for m in find_layouts([vehicle(last)])}
    for identifier, length in ((0x100, 8), (0x110, 6), (0x120, 5), (0x130, 2)):
        checks = [f.layout for f in found[identifier].fields if f.kind == "checksum"]
        assert [c.positions[0] for c in checks] == [8 * (length - 1) if last else 0]
