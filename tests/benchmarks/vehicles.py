"""Invented vehicles of every habit, for benchmarks: one story of driving, laid into payloads as makers do it.

What differs from vehicle to vehicle: byte order, how fields are placed (drawn at random or taken from a folder of open
maps), identifiers of 11 or 29 bits, counters, the formula of the checks and what differs in it between messages, pages,
values that are invalid at start-up, how long and how lossy the recording is, and whether anything moves at all.
Nothing here knows how guessing works.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from math import gcd
from pathlib import Path
from types import MappingProxyType

import cantools.database
import numpy as np
import numpy.typing as npt
from cantools.database.errors import Error

from swapbridge.capture.capture import EXTENDED, Capture
from swapbridge.core.layout import ByteOrder, Layout
from tests.benchmarks.seals import FORMULAS, Seal, make_seal
from tests.guessing.planted import write_field

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Bytes = npt.NDArray[np.uint8]
RATE = 100
NAMED = re.compile(r"check|crc|cksum|chksum|counter|alive|rolling|cntr|_cnt$|_bz$", re.IGNORECASE)
CHECKED = re.compile(r"check|crc|cksum|chksum", re.IGNORECASE)


@dataclass
class Field:
    """What was planted: kind and layout, and the page it stands on."""

    kind: str
    layout: Layout
    page: int | None = None
    what: str = ""


@dataclass
class Vehicle:
    """A recording with the truth: the fields of each identifier; and a few words on its habits."""

    capture: Capture
    truth: dict[int, list[Field]]
    habits: dict[str, object] = field(default_factory=dict)


@dataclass
class _Plan:
    """One message before anything moves in it."""

    length: int
    fields: list[Field] = field(default_factory=list)
    used: npt.NDArray[np.bool_] = field(default_factory=lambda: np.zeros(64, bool))

    def take(self, kind: str, layout: Layout, page: int | None = None, what: str = "") -> bool:
        """Put a field there if the place is free."""
        bits = list(layout.positions)
        if max(bits) >= 8 * self.length or min(bits) < 0 or self.used[bits].any():
            return False
        self.used[bits] = True
        self.fields.append(Field(kind, layout, page, what))
        return True


def story(rng: np.random.Generator, seconds: float, moves: str) -> dict[str, Floats]:
    """Quantities at 100 a second: a drive, revving at a standstill, or an engine that is hardly touched."""
    n = int(seconds * RATE) + 1
    pedal, brake = np.zeros(n), np.zeros(n)
    at = 0
    while at < n and moves != "still":
        for_how_long = int(rng.uniform(0.5, 6) * RATE)
        what = rng.random()
        if what < 0.55:
            pedal[at : at + for_how_long] = rng.uniform(5, 80)
        elif what < 0.75:
            brake[at : at + for_how_long] = rng.uniform(0.2, 1)
        at += for_how_long
    pedal = _smooth(pedal, 0.15)
    speed, rpm = np.zeros(n), np.zeros(n)
    v, w = (float(rng.uniform(0, 80)) if moves == "drive" else 0.0), 800.0
    gear = np.ones(n)
    ratios = np.array([110, 65, 45, 34, 27, 22.0])
    now = 0
    for i in range(n):
        if moves == "drive":
            v = max(0.0, v + (pedal[i] * 0.0012 - 0.05 * brake[i] - 0.00002 * v * v - 0.001))
            target = max(800.0, v * ratios[now])
            now = min(5, now + 1) if target > 3200 else max(0, now - 1) if target < 1200 else now
        else:
            target = 800 + 40 * pedal[i]
        w += (target - w) / RATE / 0.3
        speed[i], rpm[i], gear[i] = v, w, now + 1
    noise = _smooth(rng.normal(0, 1, n), 0.05)
    t = np.arange(n) / RATE
    turn = _smooth(rng.normal(0, 1, n), 1.5) * 400 * (moves != "still")
    return {
        "rpm": rpm + 15 * noise,
        "speed": speed,
        "pedal": pedal,
        "brake": brake,
        "torque": _smooth(pedal * 3, 0.2) - 20 + 2 * _smooth(rng.normal(0, 1, n), 0.03),
        "turn": turn + 0.3 * rng.normal(0, 1, n),
        "yaw": turn * speed / 100 + rng.normal(0, 0.5, n),
        "warm": 60 + 30 * (1 - np.exp(-t / 200)) + 0.3 * _smooth(rng.normal(0, 1, n), 5),
        "gear": gear,
        "pressure": 40 + 60 * (1 - np.exp(-pedal / 20)) + rng.normal(0, 0.4, n),
    }


def _smooth(x: Floats, tau_s: float) -> Floats:
    out = np.empty_like(x)
    value, gain = float(x[0]), 1 - np.exp(-1 / (RATE * tau_s))
    for i, v in enumerate(x.tolist()):
        value += gain * (v - value)
        out[i] = value
    if np.ptp(x) and abs(x.mean()) < 0.5 * x.std():  # noise keeps its size
        out *= x.std() / max(out.std(), 1e-9)
    return out


# ---------------------------------------------------------------- where fields stand


def _random_layouts(rng: np.random.Generator, plan: _Plan, habits: dict[str, object], page: int | None = None) -> None:
    """Fields one after the other, in the vehicle's manner."""
    order: ByteOrder = "little_endian" if habits["order"] == "little_endian" else "big_endian"
    manner = str(habits["manner"])
    lengths = {
        "tidy": [8, 8, 8, 16, 16, 16, 1, 1, 2, 4],
        "dense": [1, 1, 2, 3, 4, 6, 7, 9, 10, 11, 12, 12, 13, 14, 16],
        "switches": [1, 1, 1, 1, 2, 2, 2, 3, 4, 8],
        "statuses": [2, 2, 2, 2, 4, 8, 8, 16, 16, 32],
    }[manner]
    place = 0
    while place < 8 * plan.length:
        length = int(rng.choice(lengths))
        row = 1
        if length >= 8 and rng.random() < 0.15:
            row = 4  # four wheels
        if manner != "dense" and length >= 8:
            place = (place + 7) // 8 * 8
        for _ in range(row):
            walk = np.arange(place, place + length)
            bits = walk if order == "little_endian" else (walk >> 3 << 3) + 7 - (walk & 7)
            if place + length <= 64 and bits.max() < 8 * plan.length and not plan.used[bits].any():
                layout = Layout(int(bits[0]), length, order)
                plan.take("analogue" if length > 4 else "flag" if length == 1 else "enum", layout, page, f"row{row}")
                place += length
            else:
                place += 1
        if rng.random() < 0.25:
            place += int(rng.choice([1, 2, 4, 8]))


@lru_cache(maxsize=4)
def _maps(folder: Path) -> list[list[tuple[int, list[tuple[str, Layout]]]]]:
    """Messages of every open map that can be read: payload length, and name and layout of each plain signal."""
    out = []
    for path in sorted(folder.rglob("*.dbc")):
        try:
            messages = cantools.database.load_file(path, strict=False).messages  # type: ignore[union-attr]
        except (Error, UnicodeDecodeError):
            continue
        found = []
        for m in messages:
            signals = [
                (s.name, Layout(s.start, s.length, s.byte_order))
                for s in m.signals
                if s.multiplexer_ids is None and not s.is_multiplexer and s.length <= 32
            ]
            if 2 <= m.length <= 8 and signals:
                found.append((m.length, signals))
        if len(found) >= 8:
            out.append(found)
    return out


def _mapped_plan(rng: np.random.Generator, messages: Sequence[tuple[int, list[tuple[str, Layout]]]]) -> _Plan:
    length, signals = messages[int(rng.integers(len(messages)))]
    plan = _Plan(length)
    for name, layout in signals:
        if NAMED.search(name):
            kind = "checksum" if CHECKED.search(name) else "counter"
            if kind == "checksum" and layout.length not in (4, 8, 16):
                continue
            if kind == "counter" and not 2 <= layout.length <= 8:
                continue
            if any(f.kind == kind for f in plan.fields):
                continue
        else:
            kind = "flag" if layout.length == 1 else "enum" if layout.length <= 4 else "analogue"
        plan.take(kind, layout)
    return plan


# ---------------------------------------------------------------- what moves in them


def _analogue(rng: np.random.Generator, told: dict[str, Floats], t: Floats, length: int, what: str) -> Ints:
    """A quantity in a field of so many bits: part of its range, sometimes on a coarse grid."""
    span = 2**length
    n = len(t)
    kind = what or str(
        rng.choice(
            ["story", "jitter", "slow", "ramp", "clock", "still", "walk", "noise"],
            p=[0.42, 0.14, 0.1, 0.06, 0.03, 0.1, 0.13, 0.02],
        )
    )
    if kind == "noise" and length < 16:
        kind = "walk"
    if kind == "story":
        x = told[str(rng.choice(["rpm", "speed", "pedal", "brake", "torque", "turn", "yaw", "warm", "pressure"]))]
        x = np.interp(t, np.arange(len(x)) / RATE, x)
        reach = float(np.ptp(x)) or 1.0
        used = span * float(rng.choice([0.02, 0.08, 0.3, 0.6, 0.9]))
        if used < 3 or reach < 1e-6:
            used = 3.0
        value = (x - x.min()) / reach * used
        room = span - used - 1
        base = float(rng.choice([0.0, rng.uniform(0, max(room, 0)), span / 2 - used / 2]))
        raw = np.rint(value + min(max(base, 0.0), max(room, 0.0)))
        if length >= 10 and rng.random() < 0.1:
            raw = np.floor(raw / 4) * 4
        return np.asarray(raw.astype(np.int64) % span, np.int64)
    if kind == "jitter":
        level, sd = rng.uniform(0.1, 0.9) * span, rng.choice([0.4, 0.8, 2, 5, 0.02 * span])
        return np.asarray(np.clip(np.rint(level + rng.normal(0, sd, n)), 0, span - 1).astype(np.int64), np.int64)
    if kind == "slow":
        x = np.interp(t, np.arange(len(told["warm"])) / RATE, told["warm"])
        return np.clip(np.rint(x * rng.uniform(0.3, 2) + rng.uniform(0, 20)), 0, span - 1).astype(np.int64)
    if kind == "ramp":
        fuel = np.cumsum(told["rpm"] if rng.random() < 0.5 else told["speed"] + 2 * rng.random()) / RATE
        total = np.interp(t, np.arange(len(fuel)) / RATE, fuel)
        return np.asarray(
            np.floor(total * rng.choice([0.002, 0.01, 0.05, 0.3]) + rng.integers(span)).astype(np.int64) % span,
            np.int64,
        )
    if kind == "clock":
        tick = float(rng.choice([0.013, 0.13, 1.0]))  # never once a frame: that would be a counter
        return np.asarray(np.floor(t / tick + rng.integers(span)).astype(np.int64) % span, np.int64)
    if kind == "walk":
        step = max(0.3, span * 10.0 ** rng.uniform(-3.5, -1.5))
        rests = np.repeat(rng.random(n // 50 + 1) < 0.8, 50)[:n]
        x = np.cumsum(rng.normal(0, step, n) * rests)
        x = x - np.round(x.mean()) + span / 2 if np.ptp(x) < span * 0.9 else (x - x.min()) / np.ptp(x) * span * 0.85
        return np.asarray(np.clip(np.rint(x), 0, span - 1).astype(np.int64), np.int64)
    if kind == "noise":
        return rng.integers(0, span, n)
    return np.full(n, int(rng.integers(span)))


def _states(rng: np.random.Generator, told: dict[str, Floats], t: Floats, length: int, start_s: float) -> Ints:
    """A switch or a few states, seldom changed; a two-bit one often says 'not available' at start-up."""
    n = len(t)
    value = np.zeros(n, np.int64)
    what = rng.random()
    if what < 0.35:
        return np.full(n, int(rng.integers(2**length)))
    if length == 1 and what < 0.5:
        brake = np.interp(t, np.arange(len(told["brake"])) / RATE, told["brake"])
        return (brake > rng.uniform(0.05, 0.4)).astype(np.int64)
    if length >= 3 and what < 0.5:
        gear = np.interp(t, np.arange(len(told["gear"])) / RATE, told["gear"])
        return np.asarray(np.floor(gear).astype(np.int64) % 2**length, np.int64)
    changes = int(rng.integers(1, 40))
    times = np.sort(rng.uniform(0, t[-1], changes))
    few = 2 if length == 1 else int(rng.integers(2, 2 ** min(length, 3) + 1))
    states = rng.choice(2**length, min(few, 2**length), replace=False)
    order = [int(states[0])]
    for _ in times:
        order.append(int(rng.choice([s for s in states if s != order[-1]])))
    value = np.array(order)[np.searchsorted(times, t)]
    if length == 2 and rng.random() < 0.4:
        value = np.where(t < start_s, 3, value & 1)
    return value


# ---------------------------------------------------------------- counters and checks


def _seal(payload: Bytes, plan: _Plan, at: Layout, seal: Seal, identifier: int, number: int) -> None:
    """Write the check. Bytes that are nothing but check are left out of a CRC and of sums; a nibble's byte is not."""
    length = plan.length
    bits = np.unpackbits(payload, axis=1, bitorder="little")
    bits[:, list(at.positions)] = 0
    cleared = np.packbits(bits, axis=1, bitorder="little")[:, :length]
    whole = {p >> 3 for p in at.positions if {8 * (p >> 3) + k for k in range(8)} <= set(at.positions)}
    kept = cleared[:, [b for b in range(length) if b not in whole]]
    counter = next((f.layout for f in plan.fields if f.kind == "counter"), None)
    if seal.picked and counter is not None:
        count = sum(bits[:, p].astype(np.int64) << k for k, p in enumerate(counter.positions))
        picked = np.array(seal.picked, np.uint8)[np.asarray(count) % len(seal.picked)]
        kept = np.concatenate([kept, picked[:, None]], axis=1)
    write_field(bits, at, seal.value(kept, identifier, number) % (1 << at.length))
    payload[:] = np.packbits(bits, axis=1, bitorder="little")


def _count(rng: np.random.Generator, n: int, length: int, habits: dict[str, object]) -> Ints:
    top = 1 << length
    low = 1 if habits["skips zero"] and length > 2 else 0
    high = top - 2 if habits["one short"] and length > 2 else top - 1
    step = int(str(habits["step"]))
    step = step if gcd(step, high - low + 1) == 1 else 1
    return low + (int(rng.integers(top)) + step * (np.arange(n) // int(str(habits["every"])))) % (high - low + 1)


def _checked_places(plan: _Plan, seal: Seal | None, habits: dict[str, object]) -> None:
    """Counter and check at the vehicle's usual places."""
    last, count = plan.length - 1, int(str(habits["counter bits"]))
    first = habits["check at"] == "first"
    if seal is not None:
        if seal.width == 4:
            plan.take("checksum", Layout(8 * last, 4))
            plan.take("counter", Layout(8 * last + 4, min(count, 4)))
            return
        if seal.width == 16:
            plan.take("checksum", Layout(0, 16) if first else Layout(8 * last - 8, 16))
            plan.take("counter", Layout(16 if first else 8 * last - 16, min(count, 8)))
            return
        if seal.width == 12:
            plan.take("checksum", Layout(8 * last - 4, 12))
            plan.take("counter", Layout(8 * last - 8, min(count, 4)))
            return
        plan.take("checksum", Layout(0, 8) if first else Layout(8 * last, 8))
    if plan.length < 3:
        return
    near = 8 if first else 8 * last - 8
    plan.take("counter", Layout(near if count == 8 or habits["counter low"] else near + 8 - count, count))


# ---------------------------------------------------------------- the whole


def invent(
    seed: int, maps: Path | None = None, messages: int = 14, fixed: Mapping[str, object] = MappingProxyType({})
) -> Vehicle:
    """One vehicle's recording, everything about it drawn from the seed.

    Parameters
    ----------
    seed : int
    maps : Path, optional
        A folder of open maps to take layouts from; drawn at random without.
    messages : int
        Identifiers.
    fixed : mapping, optional
        Habits that are not to be drawn.
    """
    rng = np.random.default_rng([seed, 77])
    habits: dict[str, object] = {
        "order": str(rng.choice(["little_endian", "big_endian"])),
        "manner": str(rng.choice(["tidy", "dense", "switches", "statuses"], p=[0.35, 0.35, 0.15, 0.15])),
        "seconds": float(rng.choice([9, 12, 20, 33, 52])),
        "moves": str(rng.choice(["drive", "rev", "still"], p=[0.55, 0.25, 0.2])),
        "lost": float(rng.choice([0, 0.01, 0.05, 0.2, 0.5, 0.8], p=[0.5, 0.15, 0.1, 0.1, 0.08, 0.07])),
        "tick": float(rng.choice([1e-6, 1e-4, 1e-3], p=[0.7, 0.2, 0.1])),
        "formula": str(rng.choice(list(FORMULAS), p=list(FORMULAS.values()))),
        "counter bits": int(rng.choice([2, 3, 4, 4, 4, 6, 8])),
        "counter low": bool(rng.random() < 0.6),
        "one short": bool(rng.random() < 0.2),
        "skips zero": bool(rng.random() < 0.1),
        "step": int(rng.choice([1, 2, 3], p=[0.92, 0.02, 0.06])),
        "check at": str(rng.choice(["last", "first"], p=[0.7, 0.3])),
        "checked": float(rng.choice([0.3, 0.6, 0.9])),
        "counted": float(rng.choice([0.5, 0.9, 1.0])),
        "29 bits": bool(rng.random() < 0.15),
    }
    # a draw of its own, so that a seed gives the vehicle that it gave before there were such loggers
    habits["trains"] = habits["lost"] in (0.5, 0.8) and bool(np.random.default_rng([seed, 78]).random() < 0.4)
    habits["every"] = 1
    habits |= fixed
    seal = None if habits["formula"] == "none" else make_seal(rng, str(habits["formula"]))
    seconds = float(str(habits["seconds"]))
    told = story(rng, seconds, str(habits["moves"]))
    chosen = None
    if maps is not None:
        all_maps = _maps(maps)
        chosen = all_maps[int(rng.integers(len(all_maps)))]
    truth: dict[int, list[Field]] = {}
    rows: list[tuple[Ints, int, Bytes, int]] = []
    space = np.arange(0x0CF00000, 0x0CFFFF00, 0x107) if habits["29 bits"] else np.arange(0x60, 0x700)
    for number, identifier in enumerate(rng.choice(space, messages, replace=False).tolist()):
        period = float(rng.choice([0.01, 0.02, 0.02, 0.05, 0.1, 0.1, 0.2, 0.5]))
        t = np.arange(rng.uniform(0, period), seconds, period)
        if len(t) < 20:
            continue
        if chosen is not None:
            plan = _mapped_plan(rng, chosen)
            if not any(f.kind in ("counter", "checksum") for f in plan.fields) and rng.random() < 0.15:
                _checked_places(plan, seal, habits)
        else:
            plan = _Plan(int(rng.choice([8, 8, 8, 8, 7, 6, 5, 4])))
            if rng.random() < float(str(habits["checked"])):
                _checked_places(plan, seal, habits)
            elif rng.random() < 0.2:
                _checked_places(plan, None, habits)
        payload, fields = _message(rng, plan, told, t, seal, identifier, number, habits, chosen is None)
        truth[identifier] = fields
        lost = float(str(habits["lost"]))
        kept = _trains(rng, len(t), lost) if habits["trains"] else _kept(rng, len(t), lost)
        at = t + rng.normal(0, 0.02 * period, len(t))
        tick = float(str(habits["tick"]))
        ns = (np.round(at / tick) * tick * 1e9).astype(np.int64)
        if habits["trains"]:
            ns = _polled(ns)
        rows.append((ns[kept], identifier, payload[kept], plan.length))
    return Vehicle(_capture(rows, bool(habits["29 bits"])), truth, habits | {"seal": seal.name if seal else "none"})


def _message(
    rng: np.random.Generator,
    plan: _Plan,
    told: dict[str, Floats],
    t: Floats,
    seal: Seal | None,
    identifier: int,
    number: int,
    habits: dict[str, object],
    random: bool,
) -> tuple[Bytes, list[Field]]:
    n = len(t)
    bits = np.zeros((n, 64), np.uint8)
    start_s = float(rng.uniform(0.2, 2.0)) if rng.random() < 0.4 else 0.0
    pages, select = 0, np.zeros(n, np.int64)
    if random and rng.random() < 0.08 and n > 200:
        pages = int(rng.choice([2, 3, 4, 4, 6, 8, 12]))
        width = int(rng.choice([w for w in (2, 3, 4, 8) if 2**w >= pages]))
        if plan.take("mux", Layout(0, width)):
            select = np.arange(n) % pages if rng.random() < 0.7 else rng.permutation(pages)[np.arange(n) % pages]
            write_field(bits, Layout(0, width), select)
            common = plan.used.copy()
            common[:8] = True
            for page in range(pages):
                plan.used = common.copy()
                _random_layouts(rng, plan, habits, page)
            plan.used[:] = True
    elif random:
        _random_layouts(rng, plan, habits)
    still = rng.random() < 0.2
    row_told = ""
    for f in plan.fields:
        if f.kind in ("mux", "checksum"):
            continue
        if f.kind == "counter":
            if rng.random() < float(str(habits["counted"])) or seal is None:
                write_field(bits, f.layout, _count(rng, n, f.layout.length, habits))
            continue
        mask = np.ones(n, bool) if f.page is None else select == f.page
        times = t[mask] if f.page is not None else t
        if not len(times):
            continue
        if f.kind == "analogue":
            row_told = "story" if f.what == "row4" else ""
            raw = _analogue(rng, told, times, f.layout.length, "still" if still else row_told)
            if start_s and rng.random() < 0.5:
                raw = np.where(times < start_s, 2**f.layout.length - 1, raw)
        else:
            raw = np.zeros(len(times), np.int64) if still else _states(rng, told, times, f.layout.length, start_s)
        part = bits[mask]
        write_field(part, f.layout, raw)
        bits[mask] = part
    payload = np.packbits(bits, axis=1, bitorder="little")
    for f in plan.fields:
        if f.kind == "checksum":
            if seal is None or seal.width != f.layout.length:
                own = make_seal(
                    np.random.default_rng(f.layout.length), {4: "nibbles", 8: "sum", 16: "crc16"}[f.layout.length]
                )
                _seal(payload, plan, f.layout, own, identifier, number)
            else:
                _seal(payload, plan, f.layout, seal, identifier, number)
    return payload, plan.fields


def _kept(rng: np.random.Generator, n: int, lost: float) -> npt.NDArray[np.bool_]:
    """Which frames the logger kept: each by lot, or with holes of several frames."""
    kept = rng.random(n) >= lost
    if lost and rng.random() < 0.3:
        for at in rng.integers(0, n, 3):
            kept[at : at + int(rng.integers(5, 40))] = False
    return kept


def _trains(rng: np.random.Generator, n: int, lost: float) -> npt.NDArray[np.bool_]:
    """Which frames a logger kept that listens now and then: a few after one another, then long nothing."""
    kept, at = np.zeros(n, bool), 0
    while at < n:
        several = int(rng.integers(2, 9))
        kept[at : at + several] = True
        at += several + int(rng.exponential(several * lost / (1 - lost)))
    return kept


def _polled(ns: Ints) -> Ints:
    """Times of a logger that looks every 20 ms and writes what came meanwhile at once, microseconds apart."""
    tick = 20_500_000
    out = (np.sort(ns) // tick + 1) * tick
    again = np.concatenate(([0], np.cumsum(np.diff(out) == 0)))
    first = np.maximum.accumulate(np.where(np.diff(out, prepend=-1) != 0, again, 0))
    return np.asarray(out + 3_000 * (again - first), np.int64)


def _capture(rows: Sequence[tuple[Ints, int, Bytes, int]], extended: bool) -> Capture:
    ns = np.concatenate([r[0] for r in rows])
    by_time = np.argsort(ns, kind="stable")
    flag = np.uint8(EXTENDED if extended else 0)

    length = np.concatenate([np.full(len(r[0]), r[3], np.uint8) for r in rows])
    identifier = np.concatenate([np.full(len(r[0]), r[1], np.uint32) for r in rows])
    payload = np.concatenate([r[2] for r in rows])
    return Capture(
        ns[by_time] + 10**9,
        identifier[by_time],
        np.full(len(ns), flag, np.uint8),
        np.zeros(len(ns), np.uint8),
        length[by_time],
        payload[by_time],
    )
