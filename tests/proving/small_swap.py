"""Prove room's tests: a small invented swap that uses most of the bridge language, and captures for it."""

from __future__ import annotations

from fractions import Fraction
from functools import cache
from typing import Any

import numpy as np

from swapbridge.capture.capture import Capture
from swapbridge.capture.stimulus import Channel, StimulusTrack
from swapbridge.core.integrity import Checksum, Counter, Crc, Method, Sum
from swapbridge.core.layout import ByteOrder, Layout
from swapbridge.language.bridge_file import BridgeFile
from swapbridge.language.reading import parse_bridge
from swapbridge.signalmap.signal_map import MapMessage, MapNode, MapSignal, SignalMap

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


BEGIN_NS = 1_000_000_000_000
"""When the recordings begin by their own clock; far from zero, so that a stimulus's seconds can be told from it."""
_BIG: ByteOrder = "big_endian"
_SPEED, _TORQUE, _COOLANT = (
    f"Vehicle.Powertrain.CombustionEngine.{name}" for name in ("Speed", "Torque", "EngineCoolant.Temperature")
)
_LAMP = "Vehicle.OBD.Status.IsMILOn"
_REDUCTION = "Vehicle.Powertrain.Transmission.TorqueReductionRequest"


def _signal(
    name: str,
    start: int,
    length: int,
    measures: str = "",
    order: ByteOrder = "little_endian",
    *,
    role: str = "",
    reserved: int | None = None,
    **more: Any,
) -> MapSignal:
    """A signal; `measures` is scale, offset, minimum, maximum and unit."""
    if measures:
        *numbers, unit = measures.split()
        more.update(zip(("scale", "offset", "minimum", "maximum"), map(Fraction, numbers), strict=True), unit=unit)
    codes = () if reserved is None else (reserved,)
    return MapSignal(name, Layout(start, length, order), role=role, not_available=codes, **more)


def _count(start: int, high: int = 15, order: ByteOrder = "little_endian") -> MapSignal:
    return _signal("Count", start, 4, order=order, counter=Counter(0, high))


def _check(start: int, method: Method, order: ByteOrder = "little_endian") -> MapSignal:
    return _signal("Check", start, 8, order=order, checksum=Checksum(Layout(start, 8, order), method))


def _message(name: str, identifier: int, length: int, period_ms: int, sender: str, *signals: MapSignal) -> MapMessage:
    period = Fraction(period_ms)
    return MapMessage(name, identifier, False, length, signals, period_ms=period, senders=(sender,))


def maps() -> dict[str, SignalMap]:
    """Signal maps of both buses."""
    donor = (
        _message(
            "FAST", 0x101, 8, 10, "PCM",
            _signal("Speed", 0, 16, "0.125 0 0 8000 rpm", role=_SPEED, reserved=0xFFFF),
            _signal("Torque", 16, 12, "0.5 -400 -400 1600 Nm", role=_TORQUE, reserved=0xFFF),
            _count(48, 14),
            _check(56, Crc(8, 0x1D, 0xFF, False, 0xFF, tuple(range(7)))),
        ),
        _message(
            "SLOW", 0x291, 8, 100, "PCM",
            _signal("Coolant", 0, 8, "0.75 -48 -48 142.5 degC", role=_COOLANT, reserved=255),
            _signal("Lamp", 8, 1, role=_LAMP),
        ),
        _message(
            "TCU_REQUEST", 0x0F1, 6, 20, "TCU",
            _signal("Request", 0, 12, "0.5 -500 -500 1500 Nm", role=_REDUCTION),
            _signal("Active", 12, 1, role="Status"),
            _count(32),
            _check(40, Sum(8, tuple(range(5)), constant=0x33)),
        ),
    )  # fmt: skip
    host = (
        _message(
            "ENGINE_DATA", 0x0C8, 8, 10, "ENGINE",
            _signal("Speed", 7, 16, "0.25 0 0 16000 rpm", _BIG, role=_SPEED, reserved=0xFFFF),
            _signal("Torque", 23, 12, "0.5 -500 -500 1547 Nm", _BIG, role=_TORQUE, reserved=0xFFF),
            _signal("Running", 27, 1, order=_BIG),
            _signal("Smooth", 39, 16, "1 0 0 16000 rpm", _BIG, role=_SPEED, reserved=0xFFFF),
            _count(51, order=_BIG),
            _check(63, Crc(8, 0x2F, 0xFF, False, 0xFF, tuple(range(7)), before=b"\xc8"), _BIG),
        ),
        _message(
            "TEMPS", 0x280, 4, 100, "ENGINE",
            _signal("Coolant", 7, 10, "0.5 -40 -40 470 degF", _BIG, role=_COOLANT, reserved=1023),
            _signal("Dial", 23, 8, "0.5 0 0 100 %", _BIG),
            _signal("Lamp", 31, 1, order=_BIG, role=_LAMP),
        ),
        _message(
            "REQUEST", 0x0B4, 6, 10, "TRANS",
            _signal("Torque", 7, 12, "0.5 -500 -500 1546.5 Nm", _BIG),
            _signal("Active", 11, 1, order=_BIG),
            _count(35, order=_BIG),
        ),
        _message("BODY", 0x2F0, 2, 50, "BCM", _signal("Key", 0, 1)),
    )  # fmt: skip
    return {
        "donor": SignalMap(donor, (MapNode("PCM", "engine"), MapNode("TCU", "transmission"))),
        "host": SignalMap(
            host, (MapNode("ENGINE", "engine"), MapNode("TRANS", "transmission"), MapNode("BCM", "body"))
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
        rows.append((int(n * period * 1e9) + BEGIN_NS + late, message.word, bytes(data)))
    return rows


def _speed(t: Any) -> Any:
    """The donor's engine speed in rpm; the host's old engine turns at 0.9 of it."""
    return np.where(t < 1.5, 0, 800 + 1500 * (1 + np.sin(t * 1.3)) / 2 + 40 * np.sin(t * 9))


def _coolant(t: Any, seconds: float) -> Any:
    return 30 + 75 * t / seconds


def tracks(seconds: float = 8.0) -> dict[str, StimulusTrack]:
    """What a scan tool read beside the recordings, in seconds since their first frame."""
    t = np.arange(int(seconds * 10)) / 10
    coolant = Channel("coolant_temperature", t, _coolant(t, seconds), "degC")
    speed = {"donor": _speed(t), "host": 0.9 * _speed(t)}
    return {
        bus: StimulusTrack(
            {coolant.name: coolant, "engine_speed": Channel("engine_speed", t, rpm, "rpm")}, f"small {bus}"
        )
        for bus, rpm in speed.items()
    }


def captures(seconds: float = 8.0, seed: int = 1) -> dict[str, Capture]:
    """The donor in its own vehicle, and the host with its old engine: made once, so nobody may write into them."""
    return dict(_captures(seconds, seed))


@cache
def _captures(seconds: float, seed: int) -> dict[str, Capture]:
    rng = np.random.default_rng(seed)
    t = np.arange(int(seconds * 100)) / 100
    speed = _speed(t)
    torque = np.where(t < 1.5, 0, 120 + 260 * np.sin(t * 0.9))
    coolant = _coolant(t, seconds)
    lamp = (t < 2).astype(float)
    request = np.where((t % 3) < 0.4, 60 + 100 * (t % 1), 1500)
    key = (t < seconds - 1).astype(float)
    m = maps()
    values = {
        "FAST": {"Speed": speed, "Torque": torque},
        "SLOW": {"Coolant": coolant, "Lamp": lamp},
        "TCU_REQUEST": {"Request": request, "Active": (request < 1000).astype(float)},
        "ENGINE_DATA": {"Speed": speed * 0.9, "Torque": torque * 0.7, "Smooth": speed * 0.9, "Running": speed > 400},
        "TEMPS": {
            "Coolant": coolant * 1.8 + 32,
            "Dial": np.interp(coolant, [40, 80, 105, 120], [0, 50, 50, 100]),
            "Lamp": lamp,
        },
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
        for column in (out[bus].time_ns, out[bus].identifier, out[bus].payload):
            column.flags.writeable = False
    return out
