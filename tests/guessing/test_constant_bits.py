"""Bits that never moved, against a loop over frames."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from swapbridge.core.layout import Layout
from swapbridge.guessing.layout.constant import constant_bits


@given(st.lists(st.binary(max_size=8).map(lambda b: bytes(x & 0x55 | 0x20 for x in b)), min_size=1, max_size=6))
def test_against_a_loop(frames: list[bytes]) -> None:
    longest = max(map(len, frames))
    payload = np.array([list(f.ljust(8, b"\0")) for f in frames], dtype=np.uint8)
    found = constant_bits(payload, np.array([len(f) for f in frames], dtype=np.uint8))
    base, fixed = found.payload, found.mask
    assert (len(base), len(fixed)) == (longest, longest)
    for bit in range(8 * longest):
        seen = {f[bit >> 3] >> (bit & 7) & 1 for f in frames if len(f) > bit >> 3}
        assert fixed[bit >> 3] >> (bit & 7) & 1 == (len(seen) == 1)
        assert base[bit >> 3] >> (bit & 7) & 1 == (seen == {1})


def test_each_page_has_constants_of_its_own() -> None:
    """Bits that differ from page to page, never within one; no frame too short to say its page, and no rare page."""
    frames = [
        b"\x01\xaa\x05",
        b"\x02\xbb\x05",
        b"\x01\xaa\x06",
        b"\x02\xbb\x05",
        b"\x01\xaa\x05",
        b"\x02\xbb\x05",
        b"\x09\0\0",
        b"",
    ]
    payload = np.array([list(f.ljust(8, b"\0")) for f in frames], dtype=np.uint8)
    found = constant_bits(payload, np.array([len(f) for f in frames], dtype=np.uint8), Layout(0, 8))
    assert found.mask == b"\xf4\x44\xf8"
    pages = dict(found.pages)
    assert sorted(pages) == [1, 2]
    assert (pages[1].payload, pages[1].mask, pages[1].frames) == (b"\x01\xaa\x04", b"\xff\xff\xfc", 3)
    assert (pages[2].payload, pages[2].mask) == (b"\x02\xbb\x05", b"\xff\xff\xff")
