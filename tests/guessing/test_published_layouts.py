"""Outside check: a heavy vehicle's frames in published layouts are guessed back to the published scales and offsets.

Source: SAE J1939-71 (from memory): SPN 190 engine speed, PGN 61444 bytes 4-5, 0.125 rpm a bit; SPN 91 pedal, PGN 61443
byte 2, 0.4 % a bit; SPN 110 coolant, PGN 65262 byte 1, 1 degC a bit from -40; SPN 84 vehicle speed, PGN 65265 bytes 2-3
(1/256 km/h a bit); SPN 513 actual torque, PGN 61444 byte 3, 1 % a bit from -125. Bytes count from 1 in that standard.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from swapbridge.capture.capture import EXTENDED, Capture
from swapbridge.capture.stimulus import Channel, StimulusTrack
from swapbridge.guessing.guess import guess
from swapbridge.signalmap.findings import Findings, FoundField

Floats = npt.NDArray[np.float64]
EEC1, EEC2, ET1, CCVS = 0x0CF00400, 0x0CF00300, 0x18FEEE00, 0x18FEF100


def lowpass(x: Floats, tau_s: float) -> Floats:
    a, out, y = 1 - np.exp(-0.01 / tau_s), np.empty_like(x), float(x[0])
    for k, v in enumerate(x.tolist()):
        y += a * (v - y)
        out[k] = y
    return out


def heavy_vehicle() -> tuple[Capture, StimulusTrack]:
    """A minute and a half: rests, pulls and holds; engine, pedal, torque, road speed and a warm-up."""
    rng = np.random.default_rng(42)
    t = np.arange(0, 90, 0.01)
    held = np.repeat(rng.choice([0, 0, 20, 45, 70, 100], len(t) // 250 + 1), 250)[: len(t)].astype(float)
    pedal = lowpass(held, 0.2)
    rpm = 650 + lowpass(pedal * 13, 0.8) + lowpass(rng.normal(0, 12, len(t)), 0.2)
    torque = np.clip(lowpass(pedal * 1.1 * (1 - ((rpm - 1200) / 2500) ** 2), 0.3) + 8, 0, 125)
    road = np.maximum(lowpass(np.repeat(rng.uniform(-10, 95, len(t) // 900 + 1), 900)[: len(t)], 4.0), 0)
    coolant = 48 + 34 * (1 - np.exp(-t / 40)) + lowpass(rng.normal(0, 8, len(t)), 2.0)
    plan = {
        EEC1: (0.02, {2: (torque + 125, 1), 3: (rpm / 0.125, 2)}),
        EEC2: (0.05, {1: (pedal / 0.4, 1)}),
        ET1: (0.5, {0: (coolant + 40, 1)}),
        CCVS: (0.1, {1: (road * 256, 2)}),
    }
    times, words, payloads = [], [], []
    for identifier, (period, fields) in plan.items():
        at = np.arange(0.003, 89.9, period)
        payload = np.full((len(at), 8), 0xFF, np.uint8)
        for byte, (value, width) in fields.items():
            raw = np.round(value[(at * 100).astype(int)]).astype(np.int64)
            for k in range(width):
                payload[:, byte + k] = (raw >> (8 * k)) & 0xFF
        times.append(at)
        words.append(np.full(len(at), identifier, np.uint32))
        payloads.append(payload)
    time = np.concatenate(times)
    order = np.argsort(time, kind="stable")
    n = len(time)
    capture = Capture(
        ((time[order] + 100) * 1e9).astype(np.int64),
        np.concatenate(words)[order],
        np.full(n, EXTENDED, np.uint8),
        np.zeros(n, np.uint8),
        np.full(n, 8, np.uint8),
        np.concatenate(payloads)[order],
    )
    told = {}
    for name, value, step, unit in (
        ("engine_speed", rpm, 0.25, "rpm"),
        ("pedal", pedal, 100 / 255, "%"),
        ("actual_torque", torque, 1.0, "%"),
        ("vehicle_speed", road, 1.0, "km/h"),
        ("coolant_temp", coolant, 1.0, "degC"),
    ):
        asked = np.arange(1.0, 89.5, 0.12)
        seen = value[((asked - 0.18) * 100).astype(int)]
        told[name] = Channel(name, asked + 100, np.round(seen / step) * step, unit)
    return capture, StimulusTrack(told)


@pytest.fixture(scope="module")
def findings() -> Findings:
    return guess(*heavy_vehicle())


PUBLISHED = [
    (EEC1, "engine_speed", 24, 0.125, 0.0),
    (EEC1, "actual_torque", 16, 1.0, -125.0),
    (EEC2, "pedal", 8, 0.4, 0.0),
    (ET1, "coolant_temp", 0, 1.0, -40.0),
    (CCVS, "vehicle_speed", 8, 1 / 256, 0.0),
]


@pytest.mark.parametrize(("identifier", "channel", "start", "scale", "offset"), PUBLISHED)
def test_published_scales_and_offsets_come_back(
    findings: Findings, identifier: int, channel: str, start: int, scale: float, offset: float
) -> None:
    """The best claim of every channel is the standard's field, with its start bit, scale and offset."""
    claims: list[tuple[float, int, FoundField]] = [
        (f.confidence, m.identifier, f) for m in findings.messages for f in m.fields if f.stimulus == channel
    ]
    confidence, where, best = max(claims, key=lambda c: c[0])
    assert where == identifier
    assert best.layout.start == start
    assert best.scale == pytest.approx(scale, rel=1e-12)
    assert best.offset == pytest.approx(offset, abs=1e-9)
    assert confidence > 0.8
