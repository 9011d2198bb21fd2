"""Demo room: recording an invented vehicle: its frames in a `Capture`, a scan tool's readings in a `StimulusTrack`."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from random import Random

import numpy as np

from swapbridge.capture.capture import Capture
from swapbridge.capture.stimulus import Channel, StimulusTrack
from swapbridge.demo.drive_legs import DriverSeat, Leg
from swapbridge.demo.encode import FrameMaker
from swapbridge.demo.transmission import LEVERS
from swapbridge.demo.vehicle import DemoVehicle, VehicleState
from swapbridge.signalmap.signal_map import MapMessage, SignalMap

STEP_S = 0.01
"""Time step of the physics."""
FRAME_NS = 240_000
"""About the time a frame of eight bytes holds a 500 kbit/s bus."""
JITTER_NS = 250_000
AFTER_RUN_NS = 1_200_000_000
"""How long the engine and transmission computers go on sending after key off."""
ONCE_FRAMES, ONCE_GAP_NS = 3, 60_000_000

ALWAYS_AWAKE = frozenset({"body", "climate", "cluster"})
"""Kinds of modules that send whenever the bus is awake; the others wait for the key."""

SCANNED = {
    "engine_speed": "rpm",
    "coolant_temp": "degC",
    "pedal": "%",
    "vehicle_speed": "km/h",
    "actual_torque": "Nm",
}
"""What the scan tool reads, as this toolkit's own reading of service 01 names it, and its units."""
WORD_CHANNELS = {"key": ("off", "on", "start"), "lever": LEVERS}
"""Switches whose positions are noted in words, as the stimulus script says them."""

MessageValues = Callable[[VehicleState], dict[str, Callable[[], dict[str, float | int]]]]


@dataclass(frozen=True, slots=True)
class DemoRecording:
    """What one recording session leaves behind."""

    capture: Capture
    stimulus: StimulusTrack


@dataclass(slots=True)
class DemoSender:
    """When one message of a vehicle is due; shared by recordings and by the closed loop."""

    message: MapMessage
    maker: FrameMaker
    when_awake: bool
    period_ns: int
    phase_ns: int
    _due_ns: int | None = None
    _until_ns: int = 0
    _sending: bool = False
    _frames: int = 0

    def due(self, now_ns: int, horizon_ns: int, awake: bool, key: bool) -> Iterator[int]:
        """Times from now to before `horizon_ns` at which a frame is due; the module wakes or falls silent first."""
        if awake if self.when_awake else key:
            if not self._sending:
                self._sending, self._due_ns, self._frames = True, now_ns + self.phase_ns, 0
            self._until_ns = now_ns + (0 if self.when_awake else AFTER_RUN_NS)
        elif self._sending and (now_ns >= self._until_ns or not awake):
            self._sending, self._due_ns = False, None
        while self._due_ns is not None and self._due_ns < horizon_ns:
            yield self._due_ns
            self._frames += 1
            once = self.message.period_ms is None and self._frames >= ONCE_FRAMES
            self._due_ns = None if once else self._due_ns + self.period_ns


def senders(signal_map: SignalMap, random: Random, leave_out: frozenset[str] = frozenset()) -> list[DemoSender]:
    """Senders of a map's messages, without those of the modules in `leave_out`."""
    out = []
    for message in signal_map.messages:
        if leave_out & set(message.senders):
            continue
        kinds = signal_map.sender_kinds(message)
        period = ONCE_GAP_NS if message.period_ms is None else int(message.period_ms * 1_000_000)
        phase = int(random.random() * min(period, 40_000_000)) + 2_000_000
        out.append(DemoSender(message, FrameMaker(message), bool(kinds & ALWAYS_AWAKE), period, phase))
    return out


def record_vehicle(
    vehicle: DemoVehicle,
    signal_map: SignalMap,
    values: MessageValues,
    legs: Sequence[Leg],
    *,
    seed: int,
    start_ns: int,
    bus_name: str,
    source: str,
    without: frozenset[str] = frozenset(),
    relative_stimulus: bool = False,
) -> DemoRecording:
    """Drive a vehicle through a script and record its bus.

    Parameters
    ----------
    without : frozenset of str
        Modules that are unplugged. Without its engine module the vehicle cannot start.
    start_ns : int
        The logger's clock when the recording begins (the bus is still asleep then).
    relative_stimulus : bool
        Give the stimulus times in seconds since the first frame rather than on the logger's clock.
    """
    random = Random(seed)
    table = senders(signal_map, random, without)
    seat = DriverSeat(legs)
    no_engine = any(n.kind == "engine" and n.name in without for n in signal_map.nodes)
    times: list[int] = []
    words: list[int] = []
    payloads: list[bytes] = []
    tool = _SimulatedScanTool(random)
    free_ns = 0
    for step in range(int(seat.seconds / STEP_S)):
        now_ns = step * 10_000_000
        hands = seat.step(vehicle.state, STEP_S)
        if no_engine and hands.key == 2:
            hands.key = 1
        state = vehicle.step(hands, STEP_S)
        signals = values(state)
        for due_ns, identifier, sender in due_frames(table, now_ns, now_ns + 10_000_000, hands.awake, hands.key > 0):
            late = int(random.random() * JITTER_NS)
            sent_ns = max(due_ns + late, free_ns)
            free_ns = sent_ns + FRAME_NS
            times.append(sent_ns)
            words.append(identifier)
            payloads.append(sender.maker.frame(signals[sender.message.name]()))
        tool.look(now_ns, state)
    capture = _capture(times, words, payloads, start_ns, bus_name, source)
    shift_s = -times[0] / 1e9 if relative_stimulus else start_ns / 1e9
    return DemoRecording(capture, tool.track(shift_s))


def due_frames(
    table: Sequence[DemoSender], now_ns: int, horizon_ns: int, awake: bool, key: bool
) -> list[tuple[int, int, DemoSender]]:
    """Time, identifier and sender of the frames due before `horizon_ns`, in the order the bus carries them."""
    rows = [(due, s.message.identifier, s) for s in table for due in s.due(now_ns, horizon_ns, awake, key)]
    return sorted(rows, key=lambda row: row[:2])


def _capture(
    times: list[int], words: list[int], payloads: list[bytes], start_ns: int, bus_name: str, source: str
) -> Capture:
    count = len(times)
    wide = b"".join(p.ljust(8, b"\0") for p in payloads)
    return Capture(
        time_ns=(np.array(times, dtype=np.int64) + start_ns) // 1000 * 1000,
        identifier=np.array(words, dtype=np.uint32),
        flags=np.zeros(count, dtype=np.uint8),
        bus=np.zeros(count, dtype=np.uint8),
        length=np.array([len(p) for p in payloads], dtype=np.uint8),
        payload=np.frombuffer(wide, dtype=np.uint8).reshape(-1, 8).copy(),
        bus_names=(bus_name,),
        source=source,
    )


@dataclass(slots=True)
class _SimulatedScanTool:
    """A scan tool in turn asks for five values, each about four times a second, and answers late; switches by hand.

    Values are rounded as a scan tool shows them; times carry its lag.
    """

    random: Random
    _next_ns: int = 0
    _turn: int = 0
    _waiting: list[tuple[int, str, float]] = field(default_factory=list)
    _rows: dict[str, list[tuple[float, float]]] = field(default_factory=dict)
    _held: dict[str, float] = field(default_factory=dict)

    def look(self, now_ns: int, state: VehicleState) -> None:
        """Read what is due now, and note every switch that moved."""
        hands, e = state.driver, state.engine
        while self._waiting and self._waiting[0][0] <= now_ns:
            when, name, value = self._waiting.pop(0)
            self._rows.setdefault(name, []).append((when / 1e9, value))
        if hands.key > 0 and now_ns >= self._next_ns:
            name = tuple(SCANNED)[self._turn % len(SCANNED)]
            self._turn += 1
            value = {
                "engine_speed": float(int(e.speed_rpm * 4 + 0.5)) / 4,
                "coolant_temp": float(int(e.coolant_c + 0.5)),
                "pedal": float(int(hands.pedal_percent * 2.55 + 0.5)) * 100 / 255,
                "vehicle_speed": float(int(state.trans.speed_kmh + 0.5)),
                "actual_torque": float(int(e.actual_nm + 1000.5) - 1000),
            }[name]
            lag_ns = int(60_000_000 + 70_000_000 * self.random.random())
            self._waiting.append((now_ns + lag_ns, name, value))
            self._next_ns = now_ns + int(44_000_000 + 16_000_000 * self.random.random())
        switches = {
            "key": float(hands.key),
            "engine_running": float(e.running),
            "brake": float(hands.brake_percent > 1.0),
            "compressor": float(hands.compressor),
            "headlamps": float(hands.lights),
            "lever": float(LEVERS.index(hands.lever)),
        }
        for name, value in switches.items():
            if self._held.get(name) != value:
                self._held[name] = value
                self._rows.setdefault(name, []).append((now_ns / 1e9 + 0.05 + 0.1 * self.random.random(), value))

    def track(self, shift_s: float) -> StimulusTrack:
        """All channels, shifted onto the clock wanted."""
        channels = {}
        for name, rows in self._rows.items():
            texts = WORD_CHANNELS.get(name, ())
            order: dict[str, int] = {}
            values = [v for _, v in rows]
            if texts:
                values = [float(order.setdefault(texts[int(v)], len(order))) for v in values]
            time_s = np.array([round(t + shift_s, 3) for t, _ in rows])
            keep = np.concatenate(([True], np.diff(time_s) > 0))
            channels[name] = Channel(name, time_s[keep], np.array(values)[keep], SCANNED.get(name, ""), tuple(order))
        return StimulusTrack(channels)
