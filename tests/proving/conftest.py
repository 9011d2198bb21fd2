"""Prove room's tests: nodes that send periodically, empty traffic, captures made of rows."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pytest

from swapbridge.capture.capture import EXTENDED, FD, Capture
from swapbridge.core.identifier_words import EXTENDED_BIT


@dataclass
class SentFrameStub:
    bus: int
    word: int
    data: bytes


@dataclass
class Periodic:
    """Sends frames of one word at fixed times (us), and remembers what it hears."""

    times: list[tuple[int, int, bytes]]
    heard: list[tuple[int, int, bytes]] = field(default_factory=list)
    at: int = 0

    def on_frame(self, bus: int, word: int, data: bytes, now: int) -> None:
        self.heard.append((now, word, data))

    def poll(self, now: int) -> SentFrameStub | None:
        if self.at < len(self.times) and self.times[self.at][0] <= now:
            _, word, data = self.times[self.at]
            self.at += 1
            return SentFrameStub(0, word, data)
        return None

    def next_poll(self, now: int) -> int:
        return max(self.times[self.at][0], now) if self.at < len(self.times) else now + 1_000_000


def make_capture(rows: list[tuple[int, int, bytes]], *, flags: int = 0, bus_names: tuple[str, ...] = ("0",)) -> Capture:
    """Capture of (time in ns, identifier word, data) rows on bus 0."""
    wide = 64 if flags & FD else 8
    payload = np.zeros((len(rows), wide), np.uint8)
    for i, (_, _, data) in enumerate(rows):
        payload[i, : len(data)] = list(data)
    words = np.array([r[1] for r in rows], np.int64)
    return Capture(
        time_ns=np.array([r[0] for r in rows], np.int64),
        identifier=(words & ~EXTENDED_BIT).astype(np.uint32),
        flags=(np.where(words & EXTENDED_BIT, EXTENDED, 0) | flags).astype(np.uint8),
        bus=np.zeros(len(rows), np.uint8),
        length=np.array([len(r[2]) for r in rows], np.uint8),
        payload=payload,
        bus_names=bus_names,
    )


@pytest.fixture(scope="session")
def periodic() -> type[Periodic]:
    return Periodic


@pytest.fixture(scope="session")
def capture_of() -> Callable[..., Capture]:
    return make_capture
