"""Emit room: division by a constant as multiply and shift, only where it is proved equal.

The theorem (Granlund and Montgomery, "Division by invariant integers using multiplication", PLDI 1994, in the form
for a bounded numerator): with ``m = ceil(2**s / d)`` and ``e = m * d - 2**s``, ``floor(n * m / 2**s) == floor(n / d)``
for every ``0 <= n <= N`` if ``e * N < 2**s``. Proof: ``n*m / 2**s = n/d + n*e / (d * 2**s)``; the fraction of ``n/d``
is at most ``(d - 1) / d``, so the floor stays while ``n*e / 2**s < 1``. The condition is checked here with whole
numbers for each constant before a single line is written.
"""

from __future__ import annotations

from typing import NamedTuple


class MultiplyShift(NamedTuple):
    """``floor(n / d) == (n * multiplier) >> shift`` for all ``0 <= n <= limit``, no product over `width` bits."""

    multiplier: int
    shift: int
    width: int


def is_proved(divisor: int, limit: int, found: MultiplyShift) -> bool:
    """Whether the theorem covers every numerator from 0 to `limit`.

    Parameters
    ----------
    divisor : int
        The divisor, 1 or more.
    limit : int
        The largest numerator.
    found : MultiplyShift
        The multiplication and shift that replace the division.

    Returns
    -------
    bool
        Whether the result is exact for all of them.
    """
    excess = found.multiplier * divisor - (1 << found.shift)
    return (
        0 <= excess < divisor and excess * limit < 1 << found.shift and (limit * found.multiplier) >> found.width == 0
    )


def multiply_shift(divisor: int, limit: int) -> MultiplyShift | None:
    """The smallest proved multiply and shift for ``0 <= n <= limit``, or None where a true division is needed.

    Products of 64 bits are preferred (one instruction on a small processor); where they do not reach, 128 bits
    (four of them, by the helper ``multiply_high``, so that the shift is then at least 64 and the multiplier fits 64).
    """
    for width in (64, 128):
        for shift in range(width):
            found = MultiplyShift(-(-(1 << shift) // divisor), shift, width)
            if (width == 64 or (shift >= 64 and found.multiplier < 1 << 64)) and is_proved(divisor, limit, found):
                return found
    return None


def magnitude_type(limit: int) -> str:
    """The unsigned C type for values from 0 to `limit`: 32 bits where they do."""
    return "uint32_t" if limit < 1 << 32 else "uint64_t"


def floor_quotient(numerator: str, divisor: int, limit: int) -> tuple[str, str]:
    """C expression for ``floor(numerator / divisor)``, and how it is done.

    Parameters
    ----------
    numerator : str
        A C variable of type ``magnitude_type(limit)`` whose value is 0 to `limit`.
    divisor : int
        At least 1.
    limit : int
        Largest numerator, below ``2**64``.

    Returns
    -------
    expression : str
        Of the numerator's type.
    how : {"shift", "multiply", "multiply_high", "divide"}
    """
    if divisor == 1:
        return numerator, "shift"
    if divisor & (divisor - 1) == 0:
        return f"({numerator} >> {divisor.bit_length() - 1})", "shift"
    narrow = magnitude_type(limit) == "uint32_t"
    if limit < divisor:
        return ("UINT32_C(0)" if narrow else "UINT64_C(0)"), "shift"
    found = multiply_shift(divisor, limit)
    if found is None:
        kind = "UINT32_C" if narrow else "UINT64_C"
        return f"({numerator} / {kind}({divisor}))", "divide"
    if found.width == 64:
        product = f"(((uint64_t){numerator} * UINT64_C({found.multiplier})) >> {found.shift})"
        return (f"(uint32_t){product}" if narrow else product), "multiply"
    high = f"multiply_high({numerator}, UINT64_C({found.multiplier}))"
    return (f"({high} >> {found.shift - 64})" if found.shift > 64 else high), "multiply_high"
