"""An invented J1939 bus for tests: an engine's groups with plausible values, long messages."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np

from swapbridge.capture.capture import EXTENDED, Capture
from swapbridge.core import j1939

Frame = tuple[float, int, bytes]
"""Seconds, identifier word, data."""


def speed_at(at_s: float) -> float:
    """The invented engine's speed, rpm."""
    return 900 + 600 * max(0.0, math.sin(at_s / 2))


def heavy_frames(seconds: float = 20.0, engine: int = 0, priority: int = 3) -> list[Frame]:
    """EEC1 every 20 ms, EEC2 every 50 ms, CCVS every 100 ms, ET1 every second."""

    def word(number: int) -> int:
        return j1939.Identifier(priority, number, engine).word

    out: list[Frame] = []
    for k in range(int(seconds * 50)):
        at = k / 50
        raw = round(speed_at(at) * 8)
        torque = 125 + round(20 + 15 * math.sin(at))
        out.append((at, word(0xF004), bytes([0xF0, torque, torque, raw & 255, raw >> 8, 0, 0xF0, 0x7D])))
        if k % 5 == 0:
            speed = round(256 * (20 + 10 * math.sin(at / 3)))
            out.append((at + 0.001, word(0xFEF1), bytes([0xFF, speed & 255, speed >> 8, 0xCF, 0xFF, 0xFF, 0xFF, 0xFF])))
            pedal = round(2.5 * 40 * max(0.0, math.sin(at / 2)))
            out.append((at + 0.002, word(0xF003), bytes([0xF1, pedal, 30, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF])))
        if k % 50 == 0:
            out.append((at + 0.003, word(0xFEEE), bytes([100 + int(at / 4), *b"\xff" * 7])))
    return out


def long_message(at: float, source: int, number: int, body: bytes) -> list[Frame]:
    """A message announced to everybody (BAM) and its frames, 50 ms apart."""
    packets = -(-len(body) // 7)
    head = bytes([j1939.ANNOUNCE, len(body) & 255, len(body) >> 8, packets, 0xFF]) + number.to_bytes(3, "little")
    out = [(at, j1939.Identifier(7, j1939.TRANSPORT, source).word, head)]
    for k in range(packets):
        part = body[7 * k : 7 * k + 7].ljust(7, b"\xff")
        out.append((at + 0.05 * (k + 1), j1939.Identifier(7, j1939.TRANSPORT_DATA, source).word, bytes([k + 1]) + part))
    return out


def capture_of(frames: Iterable[Frame], extended: bool = True) -> Capture:
    """Frames as a capture on one bus."""
    rows = list(frames)
    payload = np.zeros((len(rows), 8), np.uint8)
    for k, (_, _, data) in enumerate(rows):
        payload[k, : len(data)] = list(data)
    return Capture(
        time_ns=np.array([round(at * 1e9) for at, _, _ in rows], np.int64) + 10**18,
        identifier=np.array([word & 0x1FFF_FFFF for _, word, _ in rows], np.uint32),
        flags=np.full(len(rows), EXTENDED if extended else 0, np.uint8),
        bus=np.zeros(len(rows), np.uint8),
        length=np.array([len(data) for _, _, data in rows], np.uint8),
        payload=payload,
        bus_names=("can0",),
    )
