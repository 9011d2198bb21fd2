"""Prove room's tests: a small invented swap that uses most of the bridge language, and captures for it."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np

from swapbridge.bridge.bridge_file import BridgeFile
from swapbridge.bridge.bridge_read import parse_bridge
from swapbridge.capture.capture import Capture
from swapbridge.core.integrity import Checksum, Counter, Crc, Sum
from swapbridge.core.layout import Layout
from swapbridge.signalmap import MapMessage, MapNode, MapSignal, SignalMap

BRIDGE = """
[bridge]
name = "small"
step_ms = 10

[buses.donor]
map = "donor.dbc"
bit_rate = 500000
placement = "added-node"
absent = ["TCU"]
holds_engine = true

[buses.host]
map = "host.dbc"
bit_rate = 500000
placement = "added-node"
absent = ["ENGINE"]

[sources."host.REQUEST"]
max_age_ms = 60

[sources."donor.FAST".signals]
Torque = { range = ["-400 Nm", "900 Nm"] }

[states]
key_on = "host.BODY.Key"
run = "donor.FAST.Speed > 400 rpm"
after_run_ms = 500
sleep_after_ms = 2000

[tables.dial]
x = "degC"
y = "%"
points = [[40, 0], [80, 50], [105, 50], [120, 100]]

[[messages]]
send = "host.ENGINE_DATA"
period_ms = 10
[messages.signals]
Speed = { value = "donor.FAST.Speed", hold_ms = 200 }
Torque = { value = "clamp(donor.FAST.Torque, -200 Nm, 1000 Nm)", limits = ["-200 Nm", "1000 Nm"] }
Smooth = { value = "lowpass(donor.FAST.Speed, 0.2 s)" }
Running = { value = "donor.FAST.Speed > 400 rpm", fallback = "false" }

[[messages]]
send = "host.TEMPS"
period_ms = 100
[messages.signals]
Coolant = "clamp(donor.SLOW.Coolant, -40 degF, 400 degF)"
Dial = { value = "table(donor.SLOW.Coolant, dial)", fallback = "100 %", role = "value" }
Lamp = "donor.SLOW.Lamp"

[[messages]]
send = "donor.TCU_REQUEST"
period_ms = 20
on_arrival = ["host.REQUEST"]
gap_ms = 5
[messages.signals.Request]
value = "clamp(host.REQUEST.Torque, -100 Nm, 800 Nm)"
limits = ["-100 Nm", "800 Nm"]
fallback = "800 Nm"
ramp = "2000 Nm"
[messages.signals.Active]
value = "host.REQUEST.Active"
fallback = "0"
role = "status"
"""
"""A bridge both ways: conversion of units, a filter, a table, limits, a ramp, holding, states."""


def _signal(name: str, start: int, length: int, **more: object) -> MapSignal:
    order = more.pop("order", "little_endian")
    signed = bool(more.pop("signed", False))
    layout = Layout(start, length, order, signed)  # type: ignore[arg-type]
    for key in ("scale", "offset", "minimum", "maximum"):
        if key in more:
            more[key] = Fraction(str(more[key]))
    return MapSignal(name, layout, **more)  # type: ignore[arg-type]


def maps() -> dict[str, SignalMap]:
    """Signal maps of both buses."""
    engine = "Vehicle.Powertrain.CombustionEngine"
    fast = MapMessage(
        "FAST",
        0x101,
        False,
        8,
        (
            _signal(
                "Speed",
                0,
                16,
                scale="0.125",
                minimum=0,
                maximum=8000,
                unit="rpm",
                role=f"{engine}.Speed",
                not_available=(0xFFFF,),
            ),
            _signal(
                "Torque",
                16,
                12,
                scale="0.5",
                offset=-400,
                minimum=-400,
                maximum=1600,
                unit="Nm",
                role=f"{engine}.Torque",
                not_available=(0xFFF,),
            ),
            _signal("Count", 48, 4, counter=Counter(0, 14)),
            _signal("Check", 56, 8, checksum=Checksum(Layout(56, 8), Crc(8, 0x1D, 0xFF, False, 0xFF, tuple(range(7))))),
        ),
        period_ms=Fraction(10),
        senders=("PCM",),
    )
    slow = MapMessage(
        "SLOW",
        0x291,
        False,
        8,
        (
            _signal(
                "Coolant",
                0,
                8,
                scale="0.75",
                offset=-48,
                minimum=-48,
                maximum="142.5",
                unit="degC",
                role=f"{engine}.EngineCoolant.Temperature",
                not_available=(255,),
            ),
            _signal("Lamp", 8, 1, role="Vehicle.OBD.Status.IsMILOn"),
        ),
        period_ms=Fraction(100),
        senders=("PCM",),
    )
    tcu = MapMessage(
        "TCU_REQUEST",
        0x0F1,
        False,
        6,
        (
            _signal(
                "Request",
                0,
                12,
                scale="0.5",
                offset=-500,
                minimum=-500,
                maximum=1500,
                unit="Nm",
                role="Vehicle.Powertrain.Transmission.TorqueReductionRequest",
            ),
            _signal("Active", 12, 1, role="Status"),
            _signal("Count", 32, 4, counter=Counter(0, 15)),
            _signal("Check", 40, 8, checksum=Checksum(Layout(40, 8), Sum(8, tuple(range(5)), constant=0x33))),
        ),
        period_ms=Fraction(20),
        senders=("TCU",),
    )
    data = MapMessage(
        "ENGINE_DATA",
        0x0C8,
        False,
        8,
        (
            _signal(
                "Speed",
                7,
                16,
                order="big_endian",
                scale="0.25",
                minimum=0,
                maximum=16000,
                unit="rpm",
                role=f"{engine}.Speed",
                not_available=(0xFFFF,),
            ),
            _signal(
                "Torque",
                23,
                12,
                order="big_endian",
                scale="0.5",
                offset=-500,
                minimum=-500,
                maximum="1547",
                unit="Nm",
                role=f"{engine}.Torque",
                not_available=(0xFFF,),
            ),
            _signal("Running", 27, 1, order="big_endian"),
            _signal(
                "Smooth",
                39,
                16,
                order="big_endian",
                scale=1,
                minimum=0,
                maximum=16000,
                unit="rpm",
                role=f"{engine}.Speed",
                not_available=(0xFFFF,),
            ),
            _signal("Count", 51, 4, order="big_endian", counter=Counter(0, 15)),
            _signal(
                "Check",
                63,
                8,
                order="big_endian",
                checksum=Checksum(
                    Layout(63, 8, "big_endian"), Crc(8, 0x2F, 0xFF, False, 0xFF, tuple(range(7)), before=b"\xc8")
                ),
            ),
        ),
        period_ms=Fraction(10),
        senders=("ENGINE",),
    )
    temps = MapMessage(
        "TEMPS",
        0x280,
        False,
        4,
        (
            _signal(
                "Coolant",
                7,
                10,
                order="big_endian",
                scale="0.5",
                offset=-40,
                minimum=-40,
                maximum=470,
                unit="degF",
                role=f"{engine}.EngineCoolant.Temperature",
                not_available=(1023,),
            ),
            _signal("Dial", 23, 8, order="big_endian", scale="0.5", minimum=0, maximum=100, unit="%"),
            _signal("Lamp", 31, 1, order="big_endian", role="Vehicle.OBD.Status.IsMILOn"),
        ),
        period_ms=Fraction(100),
        senders=("ENGINE",),
    )
    request = MapMessage(
        "REQUEST",
        0x0B4,
        False,
        6,
        (
            _signal(
                "Torque", 7, 12, order="big_endian", scale="0.5", offset=-500, minimum=-500, maximum="1546.5", unit="Nm"
            ),
            _signal("Active", 11, 1, order="big_endian"),
            _signal("Count", 35, 4, order="big_endian", counter=Counter(0, 15)),
        ),
        period_ms=Fraction(10),
        senders=("TRANS",),
    )
    body = MapMessage("BODY", 0x2F0, False, 2, (_signal("Key", 0, 1),), period_ms=Fraction(50), senders=("BCM",))
    return {
        "donor": SignalMap((fast, slow, tcu), (MapNode("PCM", "engine"), MapNode("TCU", "transmission"))),
        "host": SignalMap(
            (data, temps, request, body),
            (MapNode("ENGINE", "engine"), MapNode("TRANS", "transmission"), MapNode("BCM", "body")),
        ),
    }


def bridge(text: str = BRIDGE) -> BridgeFile:
    """The bridge file as values."""
    return parse_bridge(text, "small.toml")


def _frames(
    message: MapMessage, seconds: float, values: dict[str, Any], jitter: np.random.Generator
) -> list[tuple[int, int, bytes]]:
    period = float(message.period_ms or 10) / 1000
    count = int(seconds / period)
    rows = []
    for n in range(count):
        data = bytearray(message.length)
        for signal in message.signals:
            if signal.counter is not None:
                signal.layout.pack(data, signal.counter.low + n % (signal.counter.high - signal.counter.low + 1))
            elif signal.checksum is None:
                at = min(int(n * period * 100), len(values[signal.name]) - 1)
                physical = values[signal.name][at]
                raw = round((Fraction(float(physical)) - signal.offset) / signal.scale)
                low, high = signal.layout.raw_range
                signal.layout.pack(data, min(max(raw, low), high))
        for signal in message.signals:
            if signal.checksum is not None:
                signal.checksum.insert(data)
        late = int(jitter.integers(0, 200_000))
        rows.append((int(n * period * 1e9) + 1_000_000_000 + late, message.word, bytes(data)))
    return rows


def captures(seconds: float = 8.0, seed: int = 1) -> dict[str, Capture]:
    """The donor in its own vehicle, and the host with its old engine."""
    rng = np.random.default_rng(seed)
    t = np.arange(int(seconds * 100)) / 100
    speed = np.where(t < 1.5, 0, 800 + 1500 * (1 + np.sin(t * 1.3)) / 2 + 40 * np.sin(t * 9))
    torque = np.where(t < 1.5, 0, 120 + 260 * np.sin(t * 0.9))
    coolant = 30 + 75 * t / seconds
    lamp = (t < 2).astype(float)
    request = np.where((t % 3) < 0.4, 60 + 100 * (t % 1), 1500)
    key = (t < seconds - 1).astype(float)
    m = maps()
    values = {
        "FAST": {"Speed": speed, "Torque": torque},
        "SLOW": {"Coolant": coolant, "Lamp": lamp},
        "TCU_REQUEST": {"Request": request, "Active": (request < 1000).astype(float)},
        "ENGINE_DATA": {"Speed": speed * 0.9, "Torque": torque * 0.7, "Smooth": speed * 0.9, "Running": speed > 400},
        "TEMPS": {"Coolant": coolant * 1.8 + 32, "Dial": coolant / 2, "Lamp": lamp},
        "REQUEST": {"Torque": request, "Active": (request < 1000).astype(float)},
        "BODY": {"Key": key},
    }
    out = {}
    for bus, signal_map in m.items():
        rows = sorted(
            r for message in signal_map.messages for r in _frames(message, seconds, values[message.name], rng)
        )
        payload = np.zeros((len(rows), 8), np.uint8)
        for i, (_, _, data) in enumerate(rows):
            payload[i, : len(data)] = list(data)
        out[bus] = Capture(
            time_ns=np.array([r[0] for r in rows], np.int64),
            identifier=np.array([r[1] for r in rows], np.uint32),
            flags=np.zeros(len(rows), np.uint8),
            bus=np.zeros(len(rows), np.uint8),
            length=np.array([len(r[2]) for r in rows], np.uint8),
            payload=payload,
            bus_names=(bus,),
            source=f"small {bus}",
        )
    return out
