"""Guessing room: what the layout side hands to the meaning side: one identifier's fields and the rows they stand in."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import Capture, FrameKey
from swapbridge.core.layout import Layout
from swapbridge.signalmap.findings import FoundField


@dataclass(frozen=True, slots=True)
class MessageFields:
    """Fields of one identifier on one bus, before anything is known of what they mean.

    Attributes
    ----------
    key : FrameKey
        Bus number, identifier and form.
    bus_name : str
        The bus's name in the capture.
    rows : (N,) intp
        Rows of the (first) capture that carry this identifier, in file order.
    length : int
        Longest payload, in bytes.
    period_ms : float
        Median time between frames.
    fields : tuple of FoundField
        Layouts, kinds and layout confidence; a field with `mux` set stands only in the frames whose multiplexer field
        (named there) holds that value.
    """

    key: FrameKey
    bus_name: str
    rows: npt.NDArray[np.intp]
    length: int
    period_ms: float
    fields: tuple[FoundField, ...]


def rows_of(message: MessageFields, capture: Capture, mux: tuple[str, int] | None) -> npt.NDArray[np.intp]:
    """(M,) rows in which a field with this `mux` stands; none where the multiplexer is not among the fields."""
    if mux is None:
        return message.rows
    chooser = next((f for f in message.fields if f.name == mux[0]), None)
    if chooser is None:
        return message.rows[:0]
    chosen: npt.NDArray[np.bool_] = raw_values(capture.payload[message.rows], chooser.layout) == mux[1]
    return np.asarray(message.rows[chosen])


def raw_values(payload: npt.NDArray[np.uint8], layout: Layout) -> npt.NDArray[np.int64]:
    """Raw values of a layout in many payloads at once.

    Parameters
    ----------
    payload : (N, B) uint8
        Payloads, zero beyond their length.
    layout : Layout
        Where to read; bits beyond column B read as zero.

    Returns
    -------
    (N,) int64
        Two's complement where the layout is signed. An unsigned 64-bit layout with its top bit set comes out negative.
    """
    raw = np.zeros(len(payload), np.uint64)
    done = 0
    positions = layout.positions
    while done < len(positions):
        # whole runs inside one byte move at once
        first = positions[done]
        run = 1
        while done + run < len(positions) and positions[done + run] == first + run and (first + run) >> 3 == first >> 3:
            run += 1
        if first >> 3 < payload.shape[1]:
            part = (payload[:, first >> 3] >> np.uint8(first & 7)) & np.uint8((1 << run) - 1)
            raw |= part.astype(np.uint64) << np.uint64(done)
        done += run
    if layout.signed and layout.length < 64:
        top = np.uint64(1 << (layout.length - 1))
        raw = (raw ^ top) - top
    return raw.view(np.int64)
