"""Proving room: frames of one identifier as columns, and which of a map's or plan's signals they hold."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from swapbridge.core.layout import Layout
from swapbridge.core.roles import BY_NAME
from swapbridge.plan.plan import Field, Send
from swapbridge.signalmap.signal_map import MapMessage

Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Frames:
    """Frames of one identifier: (N,) times in ns, (N,) lengths, (N, bytes) payloads."""

    time_ns: Ints
    length: npt.NDArray[np.uint8]
    payload: npt.NDArray[np.uint8]

    def __len__(self) -> int:
        return len(self.time_ns)


def frames_from(time_ns: Sequence[int], payloads: Sequence[bytes]) -> Frames:
    """Frames as columns: 8 bytes wide, or 64 and more where one of them is longer."""
    lengths = [*map(len, payloads)]
    longest = max(lengths, default=0)
    width = 8 if longest <= 8 else max(64, longest)
    alike = min(lengths, default=0) == longest
    data = np.zeros((len(payloads), width), np.uint8)
    blob = b"".join(payloads if alike else [payload.ljust(longest, b"\0") for payload in payloads])
    data[:, :longest] = np.frombuffer(blob, np.uint8).reshape(len(payloads), longest)
    return Frames(np.array(time_ns, np.int64), np.array(lengths, np.uint8), data)


def unpack_column(layout: Layout, payload: npt.NDArray[np.uint8]) -> Ints:
    """(N,) raw values of a layout that fits the payload; 64-bit unsigned ones wrap into the sign."""
    out = np.zeros(len(payload), np.int64)
    for weight, position in enumerate(layout.positions):
        bit = (payload[:, position >> 3] >> (position & 7) & 1).astype(np.int64)
        out |= bit << weight
    if layout.signed and layout.length < 64:
        out -= (out >> (layout.length - 1)) << layout.length
    return out


def carries(message: MapMessage | None, name: str, data: bytes) -> bool:
    """Whether a frame holds a signal: long enough, and its page where the message is multiplexed."""
    signal = message.signal(name) if message is not None else None
    if message is None or signal is None or not signal.layout.fits(len(data)):
        return False
    page = message.multiplexer
    return not signal.mux_values or page is None or page.layout.unpack(data) in signal.mux_values


def asks_torque(field: Field) -> bool:
    """Whether a signal's role is a torque request, which is to be passed on at once."""
    return field.role in BY_NAME and BY_NAME[field.role].hazard == "torque request"


def fields_of(send: Send) -> list[Field]:
    """The signals of a sent message, each once however many pages carry it."""
    return list({f.name: f for v in send.variants for f in v.fields}.values())
