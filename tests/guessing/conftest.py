"""Guess room's tests: an invented vehicle whose layouts and meanings are known."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pytest

from swapbridge.capture.capture import Capture, FrameKey
from swapbridge.capture.stimulus import Channel, StimulusTrack
from swapbridge.core.layout import Layout
from swapbridge.guessing.layout.message_fields import MessageFields
from swapbridge.signalmap.findings import FieldKind, FoundField

Floats = npt.NDArray[np.float64]
START_S = 1_000.0


@dataclass(frozen=True)
class Invented:
    """Capture, what was done, layouts as a perfect cutter would give them, and what each field truly follows."""

    capture: Capture
    stimulus: StimulusTrack
    fields: list[MessageFields]
    follows: dict[str, str]


def invent(seed: int = 1, *, seconds: float = 60.0, lag_s: float = 0.17, absent: tuple[str, ...] = ()) -> Invented:
    """A drive with blips, holds and braking; `absent` quantities are told by the tool and carried by no frame."""
    rng = np.random.default_rng(seed)
    t = np.arange(0, seconds, 0.01)
    steps = np.repeat(rng.choice([0, 0, 15, 30, 60, 85], len(t) // 150 + 1), 150)[: len(t)]
    pedal = lowpass(steps.astype(float), 0.15)
    rpm = 800 + lowpass(pedal * 35, 0.5) + lowpass(rng.normal(0, 60, len(t)), 0.1)
    speed = np.maximum(lowpass(np.repeat(rng.uniform(-20, 80, len(t) // 700 + 1), 700)[: len(t)], 2.0), 0)
    coolant = 60 + 25 * (1 - np.exp(-t / 30)) + lowpass(rng.normal(0, 20, len(t)), 1.0)
    brake = np.repeat(rng.random(len(t) // 120 + 1) < 0.4, 120)[: len(t)].astype(float)
    lever = np.repeat(rng.permutation(np.arange(len(t) // 400 + 1) % 4), 400)[: len(t)].astype(float)
    throttle = 4 + lowpass(pedal, 0.1) ** 1.1 * 0.6
    walk = np.cumsum(rng.normal(0, 1, len(t)))
    quantities = {
        "engine_speed": rpm,
        "pedal": pedal,
        "vehicle_speed": speed,
        "coolant_temp": coolant,
        "brake_switch": brake,
        "lever": lever,
    }
    walk = (walk - walk.min()) / np.ptp(walk) * 250
    still = np.zeros(len(t))

    def carried(name: str, value: Floats) -> Floats:
        return still if name in absent else value

    plan = [
        (0x100, 0.01, [
            ("speed_of_engine", Layout(0, 16), "analogue", carried("engine_speed", rpm), 0.25, 0.0, "engine_speed"),
            ("pedal_a", Layout(16, 8), "analogue", carried("pedal", pedal), 0.4, 0.0, "pedal"),
            ("throttle", Layout(24, 8), "analogue", throttle, 0.4, 0.0, ""),
        ]),
        (0x200, 0.02, [
            ("road", Layout(7, 16, "big_endian"), "analogue", carried("vehicle_speed", speed), 0.01, 0.0,
             "vehicle_speed"),
            ("brake", Layout(16, 1), "flag", carried("brake_switch", brake), 1.0, 0.0, "brake_switch"),
            ("lever", Layout(20, 3), "enum", carried("lever", lever + 1), 1.0, 0.0, "lever"),
            ("wander", Layout(24, 8), "analogue", walk, 1.0, 0.0, ""),
        ]),
        (0x300, 0.1, [
            ("coolant", Layout(0, 8), "analogue", carried("coolant_temp", coolant), 1.0, -40.0, "coolant_temp"),
            ("blink", Layout(8, 1), "flag", (np.sin(t * 1.7) > 0).astype(float), 1.0, 0.0, ""),
            ("coarse", Layout(16, 8), "analogue", carried("engine_speed", rpm), 25.0, 0.0, "engine_speed"),
        ]),
    ]  # fmt: skip
    times, words, payloads, layouts, follows = [], [], [], [], {}
    for identifier, period, fields in plan:
        at = np.arange(rng.uniform(0, period), seconds - 0.02, period)
        k = (at * 100).astype(np.intp)
        payload = np.zeros((len(at), 8), np.uint8)
        for name, layout, _, value, scale, offset, channel in fields:
            write(payload, layout, np.round((value[k] - (offset if value.any() else 0)) / scale).astype(np.int64))
            if channel and channel not in absent:
                follows[name] = channel
        times.append(at)
        words.append(np.full(len(at), identifier, np.uint32))
        payloads.append(payload)
        layouts.append((identifier, period, fields))
    time = np.concatenate(times)
    order = np.argsort(time, kind="stable")
    n = len(time)
    capture = Capture(
        ((time[order] + START_S) * 1e9).astype(np.int64),
        np.concatenate(words)[order],
        np.zeros(n, np.uint8),
        np.zeros(n, np.uint8),
        np.full(n, 8, np.uint8),
        np.concatenate(payloads)[order],
        ("0",),
        "invented",
    )
    rows = dict(capture.groups())
    found = [
        MessageFields(
            FrameKey(0, identifier, False),
            "0",
            rows[FrameKey(0, identifier, False)],
            8,
            period * 1e3,
            tuple(
                FoundField(name, layout, kind_of(kind), 1.0, 1.0)
                for name, layout, kind, value, *_ in fields
                if value.any()
            ),
        )
        for identifier, period, fields in layouts
    ]
    return Invented(capture, tool(rng, t, quantities, lag_s), found, follows)


def kind_of(kind: str) -> FieldKind:
    assert kind in ("analogue", "flag", "enum")
    return kind  # type: ignore[return-value]


def lowpass(x: Floats, tau_s: float) -> Floats:
    """First-order lag at 100 samples a second."""
    a, out, y = 1 - np.exp(-0.01 / tau_s), np.empty_like(x), float(x[0])
    for k, v in enumerate(x.tolist()):
        y += a * (v - y)
        out[k] = y
    return out


def write(payload: npt.NDArray[np.uint8], layout: Layout, raw: npt.NDArray[np.int64]) -> None:
    """Put raw values into payload columns, bit by bit."""
    for weight, position in enumerate(layout.positions):
        payload[:, position >> 3] |= (((raw >> weight) & 1) << (position & 7)).astype(np.uint8)


WORDS = ("P", "R", "N", "D")
STEPS = {"engine_speed": 0.25, "pedal": 100 / 255, "vehicle_speed": 1.0, "coolant_temp": 1.0}


def tool(rng: np.random.Generator, t: Floats, quantities: dict[str, Floats], lag_s: float) -> StimulusTrack:
    """A scan tool's file: late, rounded, about seven answers a second."""
    channels = {}
    for name, value in quantities.items():
        at = np.arange(1.0, t[-1], 0.14) + rng.uniform(-0.02, 0.02, len(np.arange(1.0, t[-1], 0.14)))
        x = value[((at - lag_s) * 100).astype(np.intp)]
        if name in STEPS:
            x = np.round(x / STEPS[name]) * STEPS[name]
        channels[name] = Channel(name, at + START_S, x, "", WORDS if name == "lever" else ())
    return StimulusTrack(channels)


@pytest.fixture
def vehicle() -> Callable[..., Invented]:
    """Builder of invented vehicles."""
    return invent


@pytest.fixture(scope="session")
def plain_vehicle() -> Invented:
    """One invented vehicle that carries every channel."""
    return invent()


@pytest.fixture
def rename() -> Callable[[StimulusTrack, dict[str, str]], StimulusTrack]:
    """Give channels other names."""

    def renamed(track: StimulusTrack, names: dict[str, str]) -> StimulusTrack:
        return StimulusTrack({names[k]: replace(c, name=names[k]) for k, c in track.channels.items()})

    return renamed
