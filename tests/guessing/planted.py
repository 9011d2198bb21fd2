"""Guess room's tests: traffic with planted layouts: random fields in both byte orders, counters, checksums, losses.

Nothing here knows how guessing works: fields are laid into payloads bit by bit through `core.layout`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import Capture
from swapbridge.core.layout import ByteOrder, Layout

Ints = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Planted:
    """A capture and the truth: for each identifier, kind and layout of every field."""

    capture: Capture
    truth: dict[int, list[tuple[str, Layout]]]


def write_field(bits: npt.NDArray[np.uint8], layout: Layout, raw: Ints) -> None:
    """Lay raw values into a bit matrix (frames, 8 bytes), one bit at a time."""
    for weight, position in enumerate(layout.positions):
        bits[:, position] = raw >> weight & 1


def wander(rng: np.random.Generator, n: int, length: int, signed: bool) -> Ints:
    """A quantity that moves smoothly, with rests, somewhere in the field's range."""
    span = 2**length
    step = span * 10.0 ** rng.uniform(-3, -1.3)
    walk = np.zeros(n)
    noise = rng.normal(0, step, n) * (np.repeat(rng.random(n // 200 + 1), 200)[:n] < 0.8)
    value = 0.0
    for i in range(n):
        value = 0.999 * value + noise[i]
        walk[i] = value
    reach = np.ptp(walk) or 1.0
    low, high = (-0.45, 0.45) if signed else (0.05, 0.95)
    scaled = (walk - walk.min()) / reach
    size = rng.uniform(0.4, 1.0)
    at = rng.uniform(low, high - size * (high - low))
    raw: Ints = np.rint((at + scaled * size * (high - low)) * span).astype(np.int64)
    return raw


def switch(rng: np.random.Generator, n: int, states: int) -> Ints:
    """A few states, held for long."""
    changes = int(rng.integers(8, 40))
    times = np.sort(rng.choice(np.arange(1, n), changes, replace=False))
    value = np.zeros(n, np.int64)
    now = int(rng.integers(states))
    value[: times[0]] = now
    for a, b in zip(times, [*times[1:], n], strict=True):
        now = (now + int(rng.integers(1, states))) % states
        value[a:b] = now
    return value


def plant(seed: int, messages: int = 10, frames: int = 1500, lost: float = 0.01) -> Planted:
    """Messages of random layouts in one byte order a seed, one in three with a counter and a checksum."""
    rng = np.random.default_rng(seed)
    order: ByteOrder = "little_endian" if rng.random() < 0.5 else "big_endian"
    truth: dict[int, list[tuple[str, Layout]]] = {}
    rows: list[tuple[npt.NDArray[np.int64], int, npt.NDArray[np.uint8]]] = []
    for identifier in rng.choice(np.arange(0x100, 0x700), messages, replace=False).tolist():
        bits = np.zeros((frames, 64), np.uint8)
        fields: list[tuple[str, Layout]] = []
        free = np.ones(64, bool)
        checked = rng.random() < 0.35
        if checked:
            fields.append(("counter", Layout(48, 4)))
            write_field(bits, Layout(48, 4), np.arange(frames) % 16)
            free[48:52] = free[56:] = False
        place = int(rng.integers(0, 3))
        while place < 64:
            length = int(rng.choice([1, 1, 1, 1, 2, 3, 4, 7, 8, 8, 10, 12, 13, 16, 16]))
            if length >= 8 and place % 8 and rng.random() < 0.5:
                place += 8 - place % 8
            run = [p if order == "little_endian" else (p >> 3 << 3) + 7 - (p & 7) for p in range(place, place + length)]
            if place + length > 64 or not free[run].all():
                place += 1
                continue
            start = run[0]
            signed = length >= 7 and bool(rng.random() < 0.3)
            layout = Layout(start, length, order, signed)
            if layout.length == 1:
                fields.append(("flag", layout))
                write_field(bits, layout, switch(rng, frames, 2))
            elif length <= 4:
                fields.append(("enum", layout))
                write_field(bits, layout, switch(rng, frames, int(rng.integers(3, 2**length)) if length > 2 else 3))
            else:
                fields.append(("analogue", layout))
                write_field(bits, layout, wander(rng, frames, length, signed))
            place += length + int(rng.choice([0, 0, 0, 1, 4]))
        payload = np.packbits(bits, axis=1, bitorder="little")
        if checked:
            fields.append(("checksum", Layout(56, 8)))
            if rng.random() < 0.5:
                payload[:, 7] = np.bitwise_xor.reduce(payload[:, :7], axis=1) ^ (identifier & 0xFF)
            else:
                payload[:, 7] = (payload[:, :7].sum(axis=1) + identifier) & 0xFF
        period = int(rng.choice([10, 20, 50, 100])) * 1_000_000
        time_ns = np.arange(frames) * period + rng.normal(0, period * 0.02, frames).astype(np.int64)
        kept = rng.random(frames) >= lost
        truth[identifier] = fields
        rows.append((time_ns[kept], identifier, payload[kept]))
    time_ns = np.concatenate([r[0] for r in rows])
    identifiers = np.concatenate([np.full(len(r[0]), r[1], np.uint32) for r in rows])
    payloads = np.concatenate([r[2] for r in rows])
    by_time = np.argsort(time_ns, kind="stable")
    n = len(time_ns)
    capture = Capture(
        time_ns[by_time] + 10**9,
        identifiers[by_time],
        np.zeros(n, np.uint8),
        np.zeros(n, np.uint8),
        np.full(n, 8, np.uint8),
        payloads[by_time],
    )
    return Planted(capture, truth)


def seen_positions(layout: Layout, live: npt.NDArray[np.bool_]) -> tuple[int, ...]:
    """What anyone could see of a field: its bits that change, least significant first."""
    return tuple(p for p in layout.positions if live[p])
