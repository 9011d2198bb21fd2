"""Guessing room: the bits of an identifier that never moved: what a bridge may send as it was recorded."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt


def constant_bits(payload: npt.NDArray[np.uint8], length: npt.NDArray[np.uint8]) -> tuple[bytes, bytes]:
    """The bits that never moved, and a mask of them, both as long as the longest frame.

    Parameters
    ----------
    payload : (N, B) uint8
        Payloads of one identifier; B is the longest of them at least.
    length : (N,) uint8
        Bytes of each; what a shorter frame lacks says nothing about a byte.
    """
    base, fixed = bytearray(), bytearray()
    for byte in range(int(length.max(initial=0))):
        column = payload[length > byte, byte]
        always, ever = int(np.bitwise_and.reduce(column)), int(np.bitwise_or.reduce(column))
        fixed.append(~(always ^ ever) & 0xFF)
        base.append(always & fixed[-1])
    return bytes(base), bytes(fixed)
