"""A drafted message as text: every bit has its sign, in the order of a byte's bits, within 100 columns."""

from __future__ import annotations

from itertools import pairwise

import pytest

from swapbridge.drafting.draft import draft
from swapbridge.drafting.drafted import Drafted
from swapbridge.drafting.picture import CHECK, COUNTER, OTHER, STILL, message_picture
from swapbridge.drafting.recordings import open_swap
from tests.drafting.rig import recordings


@pytest.fixture(scope="module")
def drafted() -> Drafted:
    return draft(open_swap(*recordings())[0])


def test_every_bit_has_its_sign(drafted: Drafted) -> None:
    """Bit 0 of byte 0 is the last of the first eight; a field's letter is at its own bits and nowhere else."""
    seen = 0
    for made in drafted.messages:
        lines = message_picture(made)
        assert max(map(len, lines)) <= 100
        rows = [line.strip() for above, line in pairwise(lines) if above.startswith("  byte ")]
        bits = "".join("".join(byte[::-1] for byte in row.split()) for row in rows)
        assert len(bits) == 8 * made.message.length
        for letter, one in zip("abcdefgh", made.fields, strict=False):
            assert {p for p, sign in enumerate(bits) if sign == letter} == set(one.layout.positions)
            seen += 1
        for position, sign in enumerate(bits):
            if sign == STILL:
                assert position not in made.message.moved
            assert sign in f"{STILL}{COUNTER}{CHECK}{OTHER}" or sign.isalpha()
    assert seen >= 5
