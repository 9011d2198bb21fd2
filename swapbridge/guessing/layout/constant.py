"""Guessing room: the bits of an identifier that never moved: what a bridge may send as it was recorded."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import payloads_at
from swapbridge.core.layout import Layout
from swapbridge.guessing.coding.bit_columns import set_always_and_ever
from swapbridge.guessing.layout.message_fields import raw_values
from swapbridge.signalmap.findings import ConstantBits

MOST_PAGES = 256
FEWEST_FRAMES = 3
"""A page seen less often than that shows nothing of what moves on it."""


def constant_bits(
    payload: npt.NDArray[np.uint8], length: npt.NDArray[np.uint8], selector: Layout | None = None
) -> ConstantBits:
    """The bits that never moved, as long as the longest frame; and those of each page.

    Parameters
    ----------
    payload : (N, B) uint8
        Payloads of one identifier; B is the longest of them at least.
    length : (N,) uint8
        Bytes of each; bytes that a shorter frame lacks are not counted.
    selector : Layout or None
        The multiplexer, where the identifier has one.
    """
    size = int(length.max(initial=0))
    always, ever = set_always_and_ever(payload)
    for byte in range(int(length.min(initial=size)), size):  # what a shorter frame lacks is not zero
        column = payload[length > byte, byte]
        always[byte], ever[byte] = np.bitwise_and.reduce(column), np.bitwise_or.reduce(column)
    fixed = ~(always ^ ever)[:size]
    whole = ConstantBits((always[:size] & fixed).tobytes(), fixed.tobytes(), len(payload))
    if selector is None or not selector.fits(payload.shape[1]):
        return whole
    value = raw_values(payload, selector)
    value[length <= max(selector.positions) >> 3] = -1  # too short to say its page
    seen, counts = np.unique(value, return_counts=True)
    pages = [int(v) for v, n in zip(seen, counts, strict=True) if v >= 0 and n >= FEWEST_FRAMES]
    if len(pages) > MOST_PAGES:
        return whole
    known = tuple((v, constant_bits(payloads_at(payload, value == v), length[value == v])) for v in pages)
    return replace(whole, selector=selector, pages=known)
