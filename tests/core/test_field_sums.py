"""Which sums of fields are allowed, at both sides of each limit."""

from __future__ import annotations

import pytest

from swapbridge.core.errors import InputError
from swapbridge.core.integrity import FieldSum, Term
from swapbridge.core.layout import Layout

TERMS = (Term(Layout(0, 8)),)


def test_the_modulus_of_the_full_width_is_none() -> None:
    assert FieldSum(8, TERMS, modulus=256) == FieldSum(8, TERMS)
    assert FieldSum(8, TERMS, modulus=256).modulus is None
    assert FieldSum(8, TERMS, modulus=255).modulus == 255
    for modulus in (1, 257, 512):
        with pytest.raises(InputError, match="is taken modulo"):
            FieldSum(8, TERMS, modulus=modulus)


def test_a_final_xor_fits_a_modulus_that_is_a_power_of_two() -> None:
    assert FieldSum(8, TERMS, xor_out=255).xor_out == 255
    assert FieldSum(8, TERMS, modulus=128, xor_out=127).xor_out == 127
    assert FieldSum(8, TERMS, modulus=255, xor_out=0).modulus == 255
    for modulus, xor_out in ((None, 256), (None, -1), (128, 128), (255, 1)):
        with pytest.raises(InputError, match="final XOR needs"):
            FieldSum(8, TERMS, modulus=modulus, xor_out=xor_out)
