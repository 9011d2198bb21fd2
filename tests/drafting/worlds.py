"""Invented swaps for drafting: two vehicles of random layouts, four recordings, and a drive that no recording shows.

A vehicle's engine computer and its other modules each send a few messages of a common stock of fields; layouts, scales,
thresholds, codes, polarities and checksums are drawn anew. The truth of the unseen drive is what the absent modules
would have said in it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from swapbridge.capture.capture import Capture
from swapbridge.capture.stimulus import Channel, StimulusTrack
from tests.drafting.drives import LEVERS, Columns, Floats, drive, engine_of, other_legs, recorded_legs, vehicle_of

Rng = np.random.Generator
Make = Callable[[Columns], Floats]
BEGIN_S = 1_600_000_000.0


@dataclass(frozen=True, slots=True)
class Awkward:
    """What makes recordings hard: each off by default."""

    lost: float = 0.0
    pages: bool = False
    ring: bool = False
    stimulus_late_s: float = 0.0
    gaps: bool = False
    imperial: bool = False
    bus_never_sleeps: bool = False
    torque_told: bool = True
    varied: bool = False
    """Lengths, places of counter and checksum, signs, fields told twice and what the scan tool tells: drawn too."""


@dataclass(frozen=True, slots=True)
class Field:
    """A field of a message: `made` gives its raw values, `lit` is a lit lamp's, `rule` how a person makes it."""

    name: str
    cls: str
    kind: str
    length: int
    made: Make
    positions: tuple[int, ...] = ()
    delay_s: float = 0.0
    page: int | None = None
    signed: bool = False
    lit: int = 1
    scale: float = 1.0
    offset: float = 0.0
    codes: tuple[int, ...] = ()
    rule: str = ""


@dataclass(frozen=True, slots=True)
class Message:
    """A message of a module; `lives` is "bus" or "key"; `once` is how often after waking (0: as long as it lasts)."""

    identifier: int
    module: str
    period_s: float
    lives: str
    fields: tuple[Field, ...]
    base: bytes
    counter: tuple[int, ...] = ()
    checksum: str = ""
    once: int = 0
    decoy: bool = False
    mux: tuple[int, ...] = ()
    length: int = 8
    high: int = 15
    """The counter's highest value."""
    check: tuple[int, ...] = tuple(range(56, 64))
    """Where the checksum is."""


@dataclass(frozen=True, slots=True)
class Truth:
    """What an absent message would have said in the unseen drive."""

    message: Message
    time_s: Floats
    payload: npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class World:
    """Four recordings, two tracks; the unseen drive's two buses, the truth of what is absent, and all messages.

    `alarm` is a drive with faults that no recording holds: an engine that overheats, lamps lit at speed.
    """

    captures: dict[str, Capture]
    tracks: dict[str, StimulusTrack]
    unseen: dict[str, Capture]
    truth: dict[str, list[Truth]] = field(default_factory=dict)
    alarm: dict[str, Capture] = field(default_factory=dict)
    alarm_truth: list[Truth] = field(default_factory=list)
    networks: dict[str, list[Message]] = field(default_factory=dict)


# --- what computers say


def _scaled(rng: Rng, name: str, cls: str, get: Make, options: Sequence[tuple[float, float, int]]) -> Field:
    scale, offset, length = options[int(rng.integers(len(options)))]
    signed = scale < 0  # so that the tables above need no fourth column
    low, high = (-(2 ** (length - 1)), 2 ** (length - 1) - 1) if signed else (0, 2**length - 1)

    def made(c: Columns) -> Floats:
        raw: Floats = np.clip(np.round((get(c) - offset) / abs(scale)), low, high)
        return raw

    return Field(name, cls, "analogue", length, made, signed=signed, scale=abs(scale), offset=offset)


def _flag(rng: Rng, name: str, cls: str, get: Make, delay_s: float = 0.0) -> Field:
    inverted = bool(rng.random() < 0.35)
    return Field(
        name, cls, "step", 1, lambda c: get(c) if not inverted else 1 - get(c), delay_s=delay_s, lit=int(not inverted)
    )


def _coded(rng: Rng, name: str, cls: str, get: Make, many: int, delay_s: float = 0.0) -> Field:
    length = max(1, int(np.ceil(np.log2(many))))
    codes = rng.permutation(2**length)[:many].astype(float)
    raw = tuple(codes.astype(int).tolist())
    return Field(name, cls, "step", length, lambda c: codes[np.asarray(get(c), dtype=int)], delay_s=delay_s, codes=raw)


def held(x: Floats, on: float, off: float) -> Floats:
    """1 from `on` up, 0 from `off` down, as it was in between."""
    mark = np.where(x >= on, 1.0, np.where(x <= off, 0.0, np.nan))
    rows = np.where(np.isnan(mark), -1, np.arange(len(x)))
    last = np.maximum.accumulate(rows)
    return np.where(last >= 0, mark[np.maximum(last, 0)], 0.0)


def since_key(c: Columns) -> Floats:
    """Seconds since the key was last turned on; a large number while it is off."""
    on = c["key"] > 0
    begins = np.maximum.accumulate(np.where(on & ~np.r_[False, on[:-1]], np.arange(len(on)), -1))
    return np.where(on, (np.arange(len(on)) - begins) * 0.01, 1e6)


def _state(c: Columns) -> Floats:
    return np.where(c["running"] > 0, np.where((c["pedal"] < 1) & (c["rpm"] > 1300), 4, 3), np.minimum(c["key"], 2))


def engine_fields(rng: Rng, everything: bool, varied: bool = False) -> dict[str, list[Field]]:
    """What an engine computer says, by the message that it is in; `varied` says some of it twice, and more."""
    a, b, heavy = rng.uniform(10, 25), rng.uniform(3, 8), rng.uniform(0.05, 0.2)
    on, near = rng.uniform(95, 101), rng.uniform(4, 8)
    warm, slow = rng.uniform(55, 75), rng.uniform(0.8, 2.0)
    lamp_s, half = rng.uniform(1.5, 4), rng.uniform(70, 82)
    push, drag = rng.uniform(2, 3.5), rng.uniform(4, 10)
    rate, trim = rng.uniform(0.4, 0.8), rng.uniform(12, 30)
    dial = (np.array([20, 50, half, 104, 115.0, 130]), np.array([0, 20, 50, 50, 80, 100.0]))
    needle = ", ".join(f"{x:.2f} degC: {y:g}" for x, y in zip(*dial, strict=True))
    krpm = "({rpm} / 1000 rpm) * 1 Nm"
    rules = {
        "demand": f"({{pedal}} / 1 %) * ({push:.4f} - {{rpm}} / 4000 rpm) * 1 Nm - {drag:.4f} * {krpm}",
        "loss": f"{a:.3f} Nm + {b:.4f} * {krpm} + {heavy:.4f} * max(0, 60 - {{coolant}} / 1 degC) * 1 Nm",
        "fuel": f"accumulate(({{rpm}} / 1 rpm) * ({{map}} / 1 kPa) * {rate / 1000:.7f}, wrap=256)",
        "warm": f"hysteresis({{coolant}}, {warm:.2f} degC, {warm - 2:.2f} degC)",
        "fan": f"hysteresis({{coolant}}, {on:.2f} degC, {on - near:.2f} degC)",
        "spark": f"{trim:.3f} + {{rpm}} / 300 rpm - 0.12 * ({{map}} / 1 kPa)",
        "air": "({rpm} / 4000 rpm) * ({map} / 1 kPa)",
        "load": "({map} / 1.05 kPa) * 1 %", "dial": f"table({{coolant}}, {needle})",
        "lamp_test": f"{{key}} != 'off' and time_since({{key}} == 'off', most=60 s) < {lamp_s:.3f} s",
    }  # fmt: skip
    per = [(0.25, -200, 12), (0.5, -250, 11), (1.0, -500, 11), (0.5, -500, 12)]
    warmth = [(1.0, -40, 8), (0.75, -48, 8), (0.1, -40, 11), (0.5, -40, 9)]

    def demand(c: Columns) -> Floats:
        return c["pedal"] * (push - c["rpm"] / 4000) - drag * c["rpm"] / 1000

    def loss(c: Columns) -> Floats:
        return a + b * c["rpm"] / 1000 + np.maximum(0, 60 - c["coolant"]) * heavy

    def fuel(c: Columns) -> Floats:
        return np.floor(np.cumsum(c["rpm"] * c["map"]) * 1e-5 * rate) % 256

    wide = [(0.4, 0, 8), (0.5, 0, 8), (0.1, 0, 10)]
    idle = [_flag(rng, "idle", "threshold", lambda c: (c["running"] > 0) * (c["pedal"] < slow).astype(float))]
    out = {
        "fast": [
            _coded(rng, "state", "state", _state, 5),
            _scaled(rng, "torque", "direct", lambda c: c["torque"], per),
            _scaled(rng, "rpm", "direct", lambda c: c["rpm"], [(0.25, 0, 14), (0.5, 0, 14), (0.125, 0, 16)]),
            _scaled(rng, "demand", "derived", demand, per),
            *idle,
        ],
        "pedal": [
            _scaled(rng, "throttle", "direct", lambda c: c["throttle"], wide),
            _scaled(rng, "pedal", "direct", lambda c: c["pedal"], wide),
            _scaled(rng, "map", "direct", lambda c: c["map"], [(0.5, 0, 8), (0.1, 0, 10), (1.0, 0, 8), (0.05, 0, 12)]),
            _flag(rng, "brake", "echo", lambda c: (c["brake"] > 1).astype(float), rng.uniform(0, 0.03)),
            _flag(rng, "overrun", "threshold", lambda c: (_state(c) == 4).astype(float)),
            _scaled(rng, "spark", "derived", lambda c: trim + c["rpm"] / 300 - 0.12 * c["map"], [(0.5, -20, 8)]),
        ],
        "air": [
            _flag(rng, "pn", "echo", lambda c: np.isin(c["lever"], (0, 2)).astype(float), rng.uniform(0, 0.04)),
            _scaled(rng, "air", "derived", lambda c: c["rpm"] * c["map"] / 4000, [(0.1, 0, 12), (0.5, 0, 10)]),
            _scaled(rng, "loss", "derived", loss, [(0.25, 0, 8), (0.5, 0, 8)]),
            _coded(rng, "gear_seen", "echo", lambda c: c["gear"] + 1, 6, rng.uniform(0, 0.05)),
        ],
        "slow": [
            _flag(rng, "charge_lamp", "threshold", lambda c: c["charge_lamp"]),
            _flag(rng, "oil_lamp", "threshold", lambda c: c["oil_lamp"]),
            _scaled(rng, "coolant", "direct", lambda c: c["coolant"], warmth),
            _flag(rng, "lamp_test", "timed", lambda c: (since_key(c) < lamp_s).astype(float)),
            _scaled(rng, "dial", "table", lambda c: np.interp(c["coolant"], *dial), [(0.5, 0, 8), (1, 0, 7)]),
            _flag(rng, "warm", "threshold", lambda c: held(c["coolant"], warm, warm - 2)),
        ],
        "misc": [
            _flag(rng, "ac_on", "echo", lambda c: c["compressor"], rng.uniform(0, 0.05)),
            _scaled(rng, "volts", "direct", lambda c: c["volts"], [(0.1, 0, 8), (0.05, 5, 8), (0.02, 0, 10)]),
            _flag(rng, "fan", "threshold", lambda c: held(c["coolant"], on, on - near)),
            Field("fuel", "accumulated", "wrap", 8, fuel),
        ],
    }  # fmt: skip
    if varied:
        per[:] = [*per, (-0.5, 0, 12), (-0.5, 0, 11)]
        more = {
            "fast": [_flag(rng, "cut_ack", "echo", lambda c: c["shift"], rng.uniform(0, 0.03))],
            "pedal": [_scaled(rng, "load", "derived", lambda c: c["map"] / 1.05, [(0.4, 0, 8), (0.5, 0, 8)])],
            "air": [_scaled(rng, "demand", "derived", demand, per)],
            "slow": [
                _scaled(rng, "oil_temp", "unlinked", lambda c: c["oil"], warmth),
                _scaled(rng, "intake", "unlinked", lambda c: c["intake"], warmth),
            ],
            "misc": [
                _flag(rng, "idle", "threshold", lambda c: (c["running"] > 0) * (c["pedal"] < slow).astype(float)),
                _flag(rng, "warm", "threshold", lambda c: held(c["coolant"], warm, warm - 2)),
            ],
        }
        for name, extra in more.items():
            out[name] += [f for f in extra if rng.random() < 0.5]
    if not everything:  # a donor says a part of it
        out = {
            k: [f for f in v if f.cls in ("direct", "threshold", "state") or rng.random() < 0.6] for k, v in out.items()
        }
    return {k: [replace(v[i], rule=rules.get(v[i].name, "")) for i in rng.permutation(len(v))] for k, v in out.items()}


def module_fields(rng: Rng) -> dict[str, tuple[str, float, str, list[Field]]]:
    """What the other modules say: message, (module, period, lives, fields)."""
    wheel = [(0.05625, 0, 13), (0.03125, 0, 13), (0.1, 0, 12)]
    half = [(0.5, 0, 14), (0.25, 0, 14), (1, 0, 13)]
    speed = [(0.01, 0, 16), (0.0625, 0, 13), (1 / 128, 0, 15)]
    return {
        "gearbox": ("transmission", 0.02, "key", [
            _coded(rng, "gear", "direct", lambda c: c["gear"] + 1, 6),
            _coded(rng, "lever", "direct", lambda c: c["lever"], 4),
            _scaled(rng, "turbine", "unlinked", lambda c: c["turbine"], half),
            _flag(rng, "park", "direct", lambda c: np.isin(c["lever"], (0, 2)).astype(float)),
        ]),
        "request": ("transmission", 0.01, "key", [
            _scaled(rng, "cut", "request", lambda c: c["cut"], [(0.5, -250, 11), (1, -100, 10)]),
            _flag(rng, "shift", "request", lambda c: c["shift"]),
        ]),
        "brakes": ("brakes", 0.02, "key", [
            _scaled(rng, "speed", "direct", lambda c: c["speed"], speed),
            _flag(rng, "brake", "direct", lambda c: (c["brake"] > 1).astype(float)),
            _scaled(rng, "pressure", "unlinked", lambda c: c["brake"], [(0.5, 0, 8)]),
        ]),
        "wheels": ("brakes", 0.02, "key", [
            _scaled(rng, "fl", "direct", lambda c: c["speed"] * 1.002, wheel),
            _scaled(rng, "fr", "direct", lambda c: c["speed"], wheel),
        ]),
        "body": ("body", 0.1, "bus", [
            _coded(rng, "key", "direct", lambda c: c["key"], 3),
            _flag(rng, "lights", "direct", lambda c: c["lights"]),
            _flag(rng, "air", "direct", lambda c: c["compressor"]),
            _scaled(rng, "ambient", "unlinked", lambda c: c["ambient"], [(0.5, -40, 8)]),
            _scaled(rng, "fuel", "unlinked", lambda c: c["fuel_level"], [(0.5, 0, 8)]),
        ]),
        "steering": ("steering", 0.02, "key", [
            _scaled(rng, "angle", "unlinked", lambda c: c["steering"], [(0.1, -200, 12)]),
        ]),
    }  # fmt: skip


# --- layouts


def _bit_order(order: str) -> list[int]:
    return list(range(64)) if order == "little" else [8 * byte + 7 - bit for byte in range(8) for bit in range(8)]


def _placed(rng: Rng, fields: Sequence[Field], room: list[int], order: str) -> tuple[Field, ...]:
    """The fields one after the other in these bits, with gaps of no more bits than can be spared."""
    at, spare, placed = 0, len(room) - sum(f.length for f in fields), []
    for k, one in enumerate(fields):
        gap = min(spare, int(rng.integers(0, max(1, spare // (len(fields) - k)) + 1)))
        at, spare = at + gap, spare - gap
        chosen = room[at : at + one.length]
        placed.append(replace(one, positions=tuple(chosen if order == "little" else chosen[::-1])))
        at += one.length
    return tuple(placed)


def laid_out(rng: Rng, identifier: int, module: str, period_s: float, lives: str, fields: list[Field]) -> Message:
    """A message with its fields at random places, perhaps with a counter and a checksum in the last two bytes."""
    order = "little" if rng.random() < 0.5 else "big"
    way = _bit_order(order)
    need = sum(f.length for f in fields)
    counted, checked = (rng.random() < 0.6 and need <= 50), (rng.random() < 0.5 and need <= 48)
    room = (48 if counted else 56) if counted or checked else 64
    way = [p for p in way if p < room]
    placed = _placed(rng, fields, way, order)
    kinds = ("xor", "sum", "crc") if checked else ("",)
    base = rng.integers(0, 256, 8).astype(np.uint8).tobytes()
    return Message(
        identifier, module, period_s, lives, placed, base,
        (48, 49, 50, 51) if counted else (), str(kinds[int(rng.integers(len(kinds)))]),
    )  # fmt: skip


def _otherwise(rng: Rng, message: Message) -> Message:
    """The message laid out anew: another length, counter and checksum at either end, every kind of checksum."""
    need = sum(f.length for f in message.fields)
    if not message.fields:
        length = int(rng.integers(7, 9))
        return replace(message, length=length, base=message.base[:length])
    kind = str(rng.choice(["xor", "sum", "crc", "crc_id", "nibble", "", ""])) if need <= 48 else ""
    counted = need <= 48 and (bool(kind) or rng.random() < 0.3)
    length = max(-(-need // 8) + 2 * counted, int(rng.integers(6, 9)))
    first = counted and rng.random() < 0.3  # at the front, else at the end
    edge = 0 if first else 8 * (length - 2)
    counter = tuple(range(edge + 8, edge + 12)) if first else tuple(range(edge, edge + 4))
    check = tuple(range(edge, edge + 8)) if first else tuple(range(edge + 8, edge + 16))
    if kind == "nibble":
        check = tuple(p + 4 for p in counter)
    order = "little" if rng.random() < 0.5 else "big"
    room = [p for p in _bit_order(order) if p < 8 * length and not (counted and edge <= p < edge + 16)]
    placed = _placed(rng, message.fields, room, order)
    return replace(
        message, fields=placed, base=message.base[:length], length=length, counter=counter if counted else (),
        checksum=kind, check=check, high=int(rng.choice([14, 15, 15])),
    )  # fmt: skip


def _identifiers(rng: Rng) -> list[int]:
    return sorted(rng.choice(np.arange(0x60, 0x6F0), 24, replace=False).tolist(), key=lambda _: rng.random())


def network(rng: Rng, awkward: Awkward, donor: bool) -> list[Message]:
    """All messages of a vehicle, the engine computer's first."""
    names, out = _identifiers(rng), []
    periods = {"fast": 0.01, "pedal": 0.02, "air": 0.02, "slow": 0.1, "misc": 0.1}
    for name, fields in engine_fields(rng, not donor, awkward.varied).items():
        if fields:
            out.append(laid_out(rng, names.pop(), "engine", periods[name], "key", fields))
    if awkward.pages:
        out.append(_paged(rng, names.pop()))
    out.append(replace(laid_out(rng, names.pop(), "engine", 0.5, "key", []), counter=(), checksum=""))
    out.append(replace(laid_out(rng, names.pop(), "engine", 0.05, "key", []), once=3, counter=(), checksum=""))
    out.append(replace(out[-1], identifier=names.pop(), decoy=True))
    for module, period, lives, fields in module_fields(rng).values():
        out.append(laid_out(rng, names.pop(), module, period, lives, fields))
    cluster = [
        _scaled(rng, "coolant_copy", "unlinked", lambda c: c["coolant"], [(1, -40, 8)]),
        _scaled(rng, "rpm_copy", "unlinked", lambda c: c["rpm"], [(0.5, 0, 14)]),
    ]
    out.append(laid_out(rng, names.pop(), "cluster", 0.1, "bus", cluster))
    if awkward.varied:
        out = [m if m.decoy or m.mux else _otherwise(rng, m) for m in out]
    if awkward.ring:
        token = [Field("token", "free", "step", 8, lambda c: np.floor(np.arange(len(c["rpm"])) / 20) % 5 + 16)]
        out.append(replace(laid_out(rng, 0x500, "engine", 0.2, "bus", token), counter=(), checksum=""))
    return out


def _paged(rng: Rng, identifier: int) -> Message:
    """A message that says four things in turn, by the number in its first byte."""
    get: list[tuple[str, Make, tuple[float, float, int]]] = [
        ("oil_page", lambda c: c["coolant"] * 0.9 + 4, (0.5, -40, 8)),
        ("volts_page", lambda c: c["volts"], (0.1, 0, 8)),
        ("rpm_page", lambda c: c["rpm"], (1, 0, 13)), ("pedal_page", lambda c: c["pedal"], (0.5, 0, 8)),
    ]  # fmt: skip
    fields = []
    for page, (name, make, scaling) in enumerate(get):
        one = _scaled(rng, name, "paged", make, [scaling])
        fields.append(replace(one, positions=tuple(range(16, 16 + one.length)), page=page))
    base = bytes([0, 0x5A, 0, 0, 0x11, 0, 0, 0x80])
    return Message(identifier, "engine", 0.05, "key", tuple(fields), base, mux=tuple(range(2)))


# --- frames


def _lives(message: Message, c: Columns) -> npt.NDArray[np.bool_]:
    awake = c["awake"] > 0
    if message.lives == "bus":
        return awake
    key = c["key"] > 0
    after = np.maximum.accumulate(np.where(key, np.arange(len(key)), -(10**9)))
    return awake & (key | (np.arange(len(key)) - after < 100))


def frames(message: Message, c: Columns, rng: Rng, without: bool = False) -> tuple[Floats, npt.NDArray[np.uint8]]:
    """Times and payloads of a message in a drive; `without` says all ones where it repeats an engine that is gone."""
    alive = _lives(message, c)
    begins = np.flatnonzero(alive & ~np.r_[False, alive[:-1]])
    ends = np.r_[np.flatnonzero(~alive[1:] & alive[:-1]) + 1, len(alive)]
    parts = []
    for begin in begins:
        end = ends[np.searchsorted(ends, begin, "right")]
        first = begin * 0.01 + rng.uniform(0.001, min(message.period_s, 0.05))
        part = np.arange(first, end * 0.01, message.period_s)
        parts.append(part[: message.once] if message.once else part)
    times = np.concatenate(parts) if parts else np.zeros(0)
    times = times + rng.uniform(0, 0.0004, len(times))
    payload = np.tile(np.frombuffer(message.base, np.uint8), (len(times), 1))  # of the message's own length
    bits = np.unpackbits(payload, axis=1, bitorder="little")
    pages = np.arange(len(times)) % 4
    for weight, position in enumerate(message.mux):
        bits[:, position] = (pages >> weight) & 1
    for one in message.fields:
        rows = np.clip(((times - one.delay_s) * 100).astype(int), 0, len(alive) - 1)
        raw = np.asarray(one.made(c))[rows].astype(np.int64)
        if without and message.module == "cluster":
            raw = np.full(len(raw), (1 << one.length) - 1)
        mine = np.ones(len(times), bool) if one.page is None else pages == one.page
        for weight, position in enumerate(one.positions):
            bits[mine, position] = (raw[mine] >> weight) & 1
    if message.decoy:
        wake = np.searchsorted(begins * 0.01, times, "right")
        bits[:] = np.random.default_rng(message.identifier).integers(0, 2, (len(begins) + 1, 64))[wake]
    count = np.arange(len(times)) % (message.high + 1)
    for weight, position in enumerate(message.counter):
        bits[:, position] = (count >> weight) & 1
    payload = np.packbits(bits, axis=1, bitorder="little")
    if message.checksum == "nibble":
        payload = _with_nibble_sum(message, payload)
    elif message.checksum:
        byte = message.check[0] // 8
        rest = np.delete(payload, byte, axis=1)
        if message.checksum == "crc_id":  # the identifier's low byte comes last
            rest = np.c_[rest, np.full(len(rest), message.identifier & 255, np.uint8)]
        payload[:, byte] = checksum(message.checksum.removesuffix("_id"), rest)
    return times, payload


def _with_nibble_sum(message: Message, payload: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    """The sum of all nibbles and the identifier's, complemented about 8, in the upper nibble of a byte."""
    byte = message.check[0] // 8
    payload[:, byte] &= 15
    own = sum(int(d, 16) for d in f"{message.identifier:x}")
    total = (payload >> 4).sum(1, dtype=np.int64) + (payload & 15).sum(1, dtype=np.int64) + own
    payload[:, byte] |= (((8 - total) % 16) << 4).astype(np.uint8)
    return payload


def checksum(kind: str, rest: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    """XOR, sum, or CRC-8 of polynomial 0x1D (SAE J1850: start and final XOR 0xFF)."""
    table = np.arange(256)
    for _ in range(8):
        table = np.where(table & 128, (table << 1 ^ 0x1D) & 255, table << 1 & 255)
    value = np.full(len(rest), 255 if kind == "crc" else 0, np.int64)
    for k in range(rest.shape[1]):
        byte = rest[:, k].astype(np.int64)
        value = table[value ^ byte] if kind == "crc" else value ^ byte if kind == "xor" else value + byte
    return np.asarray(value ^ 255 if kind == "crc" else value, dtype=np.int64).astype(np.uint8)


def captured(
    messages: list[Message], c: Columns, bus: str, rng: Rng, lost: float = 0.0, without: bool = False
) -> Capture:
    """What a logger has of these messages."""
    times, words, rows, sizes = [], [], [], []
    for message in messages:
        t, p = frames(message, c, rng, without)
        times.append(t)
        words.append(np.full(len(t), message.identifier, np.uint32))
        sizes.append(np.full(len(t), p.shape[1], np.uint8))
        rows.append(np.pad(p, ((0, 0), (0, 8 - p.shape[1]))))
    t, w, p, size = np.concatenate(times), np.concatenate(words), np.concatenate(rows), np.concatenate(sizes)
    keep = rng.random(len(t)) >= lost
    t, w, p, size = t[keep], w[keep], p[keep], size[keep]
    order = np.argsort(t, kind="stable")
    n = len(t)
    return Capture(
        ((t[order] + BEGIN_S) * 1e6).astype(np.int64) * 1000, w[order], np.zeros(n, np.uint8), np.zeros(n, np.uint8),
        size[order], p[order], (bus,), f"{bus}.log",
    )  # fmt: skip


SCANNED = (
    ("engine_speed", "rpm", "rpm", 0.25), ("pedal", "pedal", "%", 100 / 255), ("coolant_temp", "coolant", "degC", 1.0),
    ("throttle", "throttle", "%", 100 / 255), ("manifold_pressure", "map", "kPa", 1.0),
    ("vehicle_speed", "speed", "km/h", 1.0), ("intake_temp", "intake", "degC", 1.0),
    ("module_voltage", "volts", "V", 0.1), ("actual_torque", "torque", "Nm", 1.0),
    ("fuel_level", "fuel_level", "%", 100 / 255),
)  # fmt: skip
SOMETIMES = (("gear", "gear", "", 1.0), ("oil_temp", "oil", "degC", 1.0), ("ambient_temp", "ambient", "degC", 1.0))


Scanned = tuple[str, str, str, float]


def _scan(rng: Rng, awkward: Awkward) -> tuple[Scanned, ...]:
    """What this world's scan tools can tell."""
    if not awkward.varied:
        return tuple(s for s in SCANNED if awkward.torque_told or s[0] != "actual_torque")
    always = tuple(s for s in SCANNED if s[0] != "actual_torque" or rng.random() < 0.6)
    return always + tuple(s for s in SOMETIMES if rng.random() < 0.6)


def told(c: Columns, rng: Rng, awkward: Awkward, channels: Sequence[Scanned]) -> StimulusTrack:
    """What a scan tool and a person said."""
    out: dict[str, Channel] = {}
    shift = BEGIN_S + awkward.stimulus_late_s
    asked = np.arange(0.0, len(c["rpm"]) * 0.01, 0.08)
    asked = asked + rng.uniform(0, 0.03, len(asked))
    rows = np.clip((asked * 100).astype(int), 0, len(c["rpm"]) - 1)
    asked, rows = asked[c["key"][rows] > 0], rows[c["key"][rows] > 0]
    if awkward.gaps:
        keep = ((asked / 9).astype(int) % 3) > 0
        asked, rows = asked[keep], rows[keep]
    for k, (name, column, unit, step) in enumerate(channels):
        mine = slice(k, None, len(channels))
        value = c[column][rows[mine]]
        if awkward.imperial and unit == "degC":
            value, unit = value * 1.8 + 32, "degF"
        if awkward.imperial and unit == "km/h":
            value, unit = value / 1.609344, "mph"
        late = rng.uniform(0.06, 0.15, len(value))
        out[name] = Channel(name, np.round(asked[mine] + late + shift, 3), np.round(value / step) * step, unit)
    switches: tuple[tuple[str, Floats, tuple[str, ...]], ...] = (
        ("key", c["key"], ("off", "on", "start")), ("lever", c["lever"], LEVERS),
        ("brake", (c["brake"] > 1).astype(np.float64), ()), ("compressor", c["compressor"], ()),
        ("headlamps", c["lights"], ()),
    )  # fmt: skip
    for name, values, words in switches:
        at = np.r_[0, np.flatnonzero(np.diff(values) != 0) + 1]
        when = at * 0.01 + rng.uniform(-0.05, 0.25, len(at))
        keep = np.r_[True, np.diff(when) > 0]
        out[name] = Channel(name, np.round(when[keep] + shift, 3), values[at][keep], "", words)
    return StimulusTrack(out, "told")


def _truth(message: Message, c: Columns, rng: Rng) -> Truth:
    times, payload = frames(message, c, rng)
    return Truth(message, times + BEGIN_S, payload)


def world(seed: int, awkward: Awkward | None = None) -> World:
    """A swap of that seed."""
    awkward = awkward or Awkward()
    rng = np.random.default_rng(seed)
    networks = {"host": network(rng, awkward, donor=False), "donor": network(rng, awkward, donor=True)}
    channels = _scan(rng, awkward)
    captures, tracks = {}, {}
    for bus, messages in networks.items():
        legs = recorded_legs(rng)
        if awkward.bus_never_sleeps:
            legs = [replace(leg, awake=True) for leg in legs]
        c = drive(engine_of(bus, rng), vehicle_of(bus), legs, rng.uniform(12, 24), rng.uniform(16, 30))
        captures[bus] = captured(messages, c, bus, rng, awkward.lost)
        tracks[bus] = told(c, rng, awkward, channels)
    legs = recorded_legs(rng)[:20]
    for kind, bus, engine in (("host unplugged", "host", False), ("donor alone", "donor", True)):
        c = drive(engine_of(bus, rng), vehicle_of(bus), legs, 18.0, 20.0, without_engine=True)
        mine = [m for m in networks[bus] if (m.module == "engine") == engine]
        captures[kind] = captured(mine, c, bus, rng, awkward.lost, without=not engine)
    c = drive(engine_of("donor", rng), vehicle_of("host"), other_legs(rng), rng.uniform(12, 24), rng.uniform(16, 40))
    alive = {"host": [m for m in networks["host"] if m.module != "engine"]}
    alive["donor"] = [m for m in networks["donor"] if m.module == "engine"]
    truth = {
        bus: [_truth(m, c, rng) for m in networks[bus] if (m.module == "engine") == (bus == "host")] for bus in networks
    }
    unseen = {bus: captured(ms, c, bus, rng) for bus, ms in alive.items()}
    hot = _with_faults(c)
    alarm = {bus: captured(ms, hot, bus, rng) for bus, ms in alive.items()}
    gone = [m for m in networks["host"] if m.module == "engine"]
    return World(captures, tracks, unseen, truth, alarm, [_truth(m, hot, rng) for m in gone], networks)


def _with_faults(c: Columns) -> Columns:
    """A drive in which the engine overheats, loses its oil pressure at speed, and the alternator dies."""
    n = len(c["rpm"])
    at = np.arange(n) / n
    runs = c["running"] > 0
    out = dict(c)
    hot = np.maximum(c["coolant"], np.interp(at, [0.3, 0.5], [90.0, 121.0]))
    out["coolant"] = np.where(at > 0.3, hot, c["coolant"])
    out["oil_lamp"] = np.where(runs & (at > 0.55) & (at < 0.7), 1.0, c["oil_lamp"])
    out["charge_lamp"] = np.where(runs & (at > 0.75) & (at < 0.9), 1.0, c["charge_lamp"])
    out["volts"] = np.where(out["charge_lamp"] > 0, np.minimum(c["volts"], 12.0), c["volts"])
    return out
