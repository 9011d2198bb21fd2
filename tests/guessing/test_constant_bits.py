"""Bits that never moved, against a loop over frames."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from swapbridge.guessing.layout.constant import constant_bits


@given(st.lists(st.binary(max_size=8).map(lambda b: bytes(x & 0x55 | 0x20 for x in b)), min_size=1, max_size=6))
def test_against_a_loop(frames: list[bytes]) -> None:
    longest = max(map(len, frames))
    payload = np.array([list(f.ljust(8, b"\0")) for f in frames], dtype=np.uint8)
    base, fixed = constant_bits(payload, np.array([len(f) for f in frames], dtype=np.uint8))
    assert (len(base), len(fixed)) == (longest, longest)
    for bit in range(8 * longest):
        seen = {f[bit >> 3] >> (bit & 7) & 1 for f in frames if len(f) > bit >> 3}
        assert fixed[bit >> 3] >> (bit & 7) & 1 == (len(seen) == 1)
        assert base[bit >> 3] >> (bit & 7) & 1 == (seen == {1})
