"""Two small invented vehicles for drafting: a drive, an engine computer each, a body computer each, four recordings."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields
from functools import cache

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import Capture
from swapbridge.capture.stimulus import Channel, StimulusTrack
from swapbridge.core.layout import Layout

Floats = npt.NDArray[np.float64]
Signals = Mapping[Layout, Floats]


@dataclass(frozen=True, slots=True)
class Drive:
    """What a vehicle does, every 10 ms; `awake` is when its bus is, `engine` when its engine computer speaks."""

    time_s: Floats
    rpm: Floats
    pedal: Floats
    coolant: Floats
    key: Floats
    compressor: Floats
    awake: npt.NDArray[np.bool_]
    engine: npt.NDArray[np.bool_]

    def at(self, values: Floats, times: Floats) -> Floats:
        out: Floats = values[np.clip((times * 100).astype(int), 0, len(values) - 1)]
        return out


@cache
def drive(seed: int, seconds: float = 90.0) -> Drive:
    """Two short wakes and a drive of blips and cruising, with the compressor now and then: made once, so read only."""
    rng = np.random.default_rng(seed)
    t = np.arange(0, seconds, 0.01)
    on = ((t > 0.5) & (t < 4)) | ((t > 9.5) & (t < 13)) | ((t > 18.5) & (t < seconds - 4))
    awake = ((t >= 0) & (t < 5.5)) | ((t >= 9) & (t < 14.5)) | ((t >= 18) & (t < seconds - 2))
    engine = np.zeros(len(t), bool)
    for a, b in ((0.5, 5.0), (9.5, 14.0), (18.5, seconds - 3)):
        engine |= (t >= a) & (t < b)
    running = (t > 21) & (t < seconds - 4)
    target = np.repeat(rng.choice([0, 0, 15, 30, 60, 85], len(t) // 250 + 1), 250)[: len(t)].astype(float) * running
    pedal, rpm = np.zeros(len(t)), np.zeros(len(t))
    for k in range(1, len(t)):
        pedal[k] = pedal[k - 1] + np.clip(target[k] - pedal[k - 1], -1.2, 0.8)
        goal = (800 + 45 * pedal[k]) if running[k] else 0
        rpm[k] = rpm[k - 1] + (goal - rpm[k - 1]) * 0.012
    coolant = 25 + 66 * (1 - np.exp(-np.maximum(t - 21, 0) / 25)) + 3 * (seed % 3)
    start = np.isin(np.floor(t), (1, 2, 10, 11, 20, 40, 60))
    key = np.where(on, np.where(start, 2, 1), 0).astype(float)
    compressor = np.repeat(rng.integers(0, 2, len(t) // 700 + 1), 700)[: len(t)].astype(float) * on
    made = Drive(t, np.maximum(rpm, 0), pedal, coolant, key, compressor, awake, engine)
    for series in fields(made):
        getattr(made, series.name).flags.writeable = False
    return made


Maker = Callable[[Drive, Floats], dict[Layout, Floats]]


@dataclass(frozen=True, slots=True)
class Sender:
    """A message of the rig: identifier, period, whether its sender is the engine computer, and its fields."""

    identifier: int
    period_s: float
    engine: bool
    fields: Maker
    start_up: int = 0
    base: bytes = bytes(8)


def record(
    senders: list[Sender], d: Drive, bus: str, seed: int, *, only: Callable[[Sender], bool] = lambda s: True
) -> Capture:
    """A recording of what these senders say during a drive."""
    rng = np.random.default_rng(seed)
    times, identifiers, rows = [], [], []
    for s in senders:
        if not only(s):
            continue
        speaks = d.engine if s.engine else d.awake
        begins = np.flatnonzero(np.diff(np.r_[False, speaks].astype(int)) == 1)
        if s.start_up:
            t = np.concatenate([d.time_s[b] + 0.02 + 0.05 * np.arange(s.start_up) for b in begins])
        else:
            t = np.arange(rng.uniform(0, s.period_s), d.time_s[-1], s.period_s) + rng.uniform(0, 0.0005)
            t = t[d.at(speaks.astype(float), t) > 0.5]
        payload = np.tile(np.frombuffer(s.base, np.uint8), (len(t), 1))
        bits = np.unpackbits(payload, axis=1, bitorder="little")
        for layout, value in s.fields(d, t).items():
            raw = np.round(value).astype(np.int64)
            for weight, position in enumerate(layout.positions):
                bits[:, position] = (raw >> weight) & 1
        times.append(t)
        identifiers.append(np.full(len(t), s.identifier, np.uint32))
        rows.append(np.packbits(bits, axis=1, bitorder="little"))
    t, i, p = np.concatenate(times), np.concatenate(identifiers), np.concatenate(rows)
    order = np.argsort(t, kind="stable")
    n = len(t)
    return Capture(
        (t[order] * 1e9).astype(np.int64) + 1_600_000_000_000_000_000, i[order], np.zeros(n, np.uint8),
        np.zeros(n, np.uint8), np.full(n, 8, np.uint8), p[order], (bus,), f"{bus}.log",
    )  # fmt: skip


def track(d: Drive, seed: int) -> StimulusTrack:
    """What a scan tool and a person said of a drive, on the recordings' clock."""
    rng = np.random.default_rng(seed)
    begin = 1_600_000_000.0
    out: dict[str, Channel] = {}
    asked = np.sort(rng.uniform(19, d.time_s[-1] - 4, 500))
    for name, values, unit, step in (
        ("engine_speed", d.rpm, "rpm", 0.25), ("pedal", d.pedal, "%", 0.4), ("coolant_temp", d.coolant, "degC", 1.0),
    ):  # fmt: skip
        out[name] = Channel(name, begin + asked + 0.1, np.round(d.at(values, asked) / step) * step, unit)
    for name, values, words in (("key", d.key, ("off", "on", "start")), ("compressor", d.compressor, ())):
        rows = np.r_[0, np.flatnonzero(np.diff(values) != 0) + 1]
        texts: tuple[str, ...] = tuple(words)
        out[name] = Channel(name, begin + d.time_s[rows] + 0.05, values[rows], "", texts)
    return StimulusTrack(out, "rig")


def little(start: int, length: int) -> Layout:
    return Layout(start, length)


def host_senders(extra: Mapping[Layout, Callable[[Drive, Floats], Floats]] | None = None) -> list[Sender]:
    """The host: an engine computer with two messages and two start-up frames, a body computer, a repeating cluster."""

    def fast(d: Drive, t: Floats) -> dict[Layout, Floats]:
        out = {little(0, 16): d.at(d.rpm, t) * 4, little(16, 8): d.at(d.pedal, t) * 2}
        for layout, make in (extra or {}).items():
            out[layout] = make(d, t)
        return out

    def slow(d: Drive, t: Floats) -> dict[Layout, Floats]:
        return {
            little(0, 8): d.at(d.coolant, t) + 40,
            little(8, 1): (d.at(d.rpm, t) > 450) * d.at(d.compressor, t),
            little(16, 8): np.clip((d.at(d.coolant, t) - 30) * 2, 0, 100),
        }

    def body(d: Drive, t: Floats) -> dict[Layout, Floats]:
        return {little(0, 2): d.at(d.key, t), little(5, 1): d.at(d.compressor, t)}

    def wake(d: Drive, t: Floats) -> dict[Layout, Floats]:
        return {little(0, 24): np.floor(t / 5) * 77773 % (1 << 24)}

    return [
        Sender(0x110, 0.01, True, fast, base=bytes([0, 0, 0, 0, 0, 0, 0, 0x5A])),
        Sender(0x320, 0.1, True, slow, base=bytes([0, 0, 0, 0x81, 0, 0, 7, 0])),
        Sender(0x3F0, 0.0, True, lambda d, t: {}, start_up=3, base=b"\x01\x02\x03\x04\x05\x06\x07\x08"),
        Sender(0x3F8, 0.0, True, wake, start_up=3),
        Sender(0x210, 0.05, False, body, base=bytes([0, 9, 0, 0, 0, 0, 0, 0])),
    ]


def donor_senders() -> list[Sender]:
    """The donor: an engine computer in another layout, and a body computer that stays behind."""

    def fast(d: Drive, t: Floats) -> dict[Layout, Floats]:
        return {Layout(7, 16, "big_endian"): d.at(d.rpm, t) * 8, little(24, 8): d.at(d.pedal, t) * 2.5}

    def slow(d: Drive, t: Floats) -> dict[Layout, Floats]:
        return {little(8, 8): d.at(d.coolant, t) + 50}

    def body(d: Drive, t: Floats) -> dict[Layout, Floats]:
        return {
            little(3, 2): np.array([2.0, 0.0, 1.0])[d.at(d.key, t).astype(int)],
            little(9, 1): d.at(d.compressor, t),
        }

    return [
        Sender(0x0A0, 0.01, True, fast),
        Sender(0x2A0, 0.1, True, slow),
        Sender(0x400, 0.1, False, body, base=bytes([0, 0, 0x33, 0, 0, 0, 0, 0])),
    ]


def recordings(
    extra: Mapping[Layout, Callable[[Drive, Floats], Floats]] | None = None,
    more_host: Sequence[Sender] = (),
    more_donor: Sequence[Sender] = (),
) -> tuple[dict[str, Capture], dict[str, StimulusTrack]]:
    """The four recordings and two tracks of a draft, by kind; with more fields of the host, more senders of either."""
    host, donor = [*host_senders(extra), *more_host], [*donor_senders(), *more_donor]
    mine, theirs = drive(1), drive(2)
    captures = {
        "host": record(host, mine, "host", 1),
        "host unplugged": record(host, mine, "host", 2, only=lambda s: not s.engine),
        "donor": record(donor, theirs, "donor", 3),
        "donor alone": record(donor, theirs, "donor", 4, only=lambda s: s.engine),
    }
    return captures, {"host": track(mine, 5), "donor": track(theirs, 6)}
