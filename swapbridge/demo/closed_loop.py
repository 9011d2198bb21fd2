"""Demo room: the invented swap itself, as a closed loop: the Brindle's modules on one bus, the Tarnwick's engine
computer on the other, and nothing between them but what a translator carries.

::

    host bus                                                      donor bus
    transmission ── TransRequest ──▶ ┌────────────┐ ── TCU_REQUEST ──▶ engine computer
                 ◀── EngineData ──── │ translator │ ◀──── PCM_FAST ──        │
         │                           └────────────┘                          │
         └──────────────── crankshaft: converter load, torque ───────────────┘

The pedal, the ignition feed and the starter are wired, as in a real swap. Whoever simulates or runs the buses calls
`advance` for the frames that the vehicle sends and `receive` for the frames that the translator sends.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from random import Random

from swapbridge.demo.drive_legs import DriverSeat, Leg
from swapbridge.demo.engine import DemoEngine, EngineInputs
from swapbridge.demo.recording import DemoSender, due_frames, senders
from swapbridge.demo.transmission import DemoTransmission, TransmissionInputs
from swapbridge.demo.vehicle import (
    DONOR_ENGINE,
    HOST_VEHICLE,
    Driver,
    VehicleState,
    donor_values,
    host_values,
    surroundings,
)
from swapbridge.demo.vehicle_maps import REFERENCE_NM, donor_map, host_map
from swapbridge.signalmap.signal_map import MapMessage

STEP_NS = 2_000_000
"""Time step of the physics in the loop: short beside the spark's lag."""
STALE_NS = 100_000_000
"""A module that has heard nothing for this long stops believing what it heard."""
HOST, DONOR = "host", "donor"


@dataclass(frozen=True, slots=True)
class DemoFrame:
    """A frame that a module of the vehicle puts in its controller."""

    time_ns: int
    bus: str
    word: int
    data: bytes


@dataclass(frozen=True, slots=True)
class LoopSample:
    """The truth at one moment, for whoever judges the loop; torques at the clutch in Nm.

    `requested_nm` is what the transmission asks for (None: nothing), `heard_nm` what the engine computer believes it
    asks for; `reported_nm` is the actual torque last reported to the transmission, None before there was any.
    """

    time_ns: int
    requested_nm: float | None
    heard_nm: float | None
    actual_nm: float
    most_nm: float
    least_nm: float
    reported_nm: float | None
    acknowledged: bool
    engine_rpm: float
    speed_kmh: float
    gear: int
    running: bool


def loop_script() -> list[Leg]:
    """Wake, start, pull away through the gears, full throttle, overrun, brake, and key off: about 45 s."""
    return [
        Leg(0.5, key=0, awake=False, blower=0),
        Leg(0.5, key=0, blower=0),
        Leg(1.0),
        Leg(0.9, key=2),
        Leg(2.5),
        Leg(1.0, lever="D", brake=40.0),
        Leg(5.0, kmh=22.0, lever="D"),
        Leg(6.0, kmh=44.0, lever="D"),
        Leg(6.0, (100.0, 100.0), lever="D"),
        Leg(4.0, lever="D"),
        Leg(4.0, kmh=60.0, lever="D", compressor=True, blower=5),
        Leg(6.0, lever="D", brake=40.0),
        Leg(1.5, lever="N", brake=40.0),
        Leg(1.0),
        Leg(2.5, key=0, blower=0),
        Leg(1.0, key=0, awake=False, blower=0),
    ]


@dataclass(slots=True)
class _LastReceived:
    """What one module last heard of one message."""

    message: MapMessage
    time_ns: int | None = None
    data: bytes = b""

    def fresh(self, now_ns: int) -> bool:
        return self.time_ns is not None and now_ns - self.time_ns <= STALE_NS

    def value(self, name: str) -> float:
        """Physical value of a signal in the last frame."""
        signal = self.message.signal(name)
        assert signal is not None
        return signal.layout.unpack(self.data) * float(signal.scale) + float(signal.offset)

    def valid(self, name: str) -> bool:
        """Whether the last frame held a measurement there."""
        signal = self.message.signal(name)
        assert signal is not None
        return signal.layout.unpack(self.data) not in signal.not_available


@dataclass(slots=True)
class DemoSwap:
    """The swapped vehicle, stepped in time. Buses are called "host" and "donor".

    Parameters
    ----------
    legs : sequence of Leg or None
        What the driver does; `loop_script` by default.
    seed : int
        Phases of the senders.
    """

    legs: Sequence[Leg] | None = None
    seed: int = 1
    trace: list[LoopSample] = field(default_factory=list)
    _now_ns: int = 0
    _seat: DriverSeat = field(init=False)
    _engine: DemoEngine = field(init=False)
    _transmission: DemoTransmission = field(init=False)
    _state: VehicleState = field(init=False)
    _tables: dict[str, list[DemoSender]] = field(init=False)
    _heard: dict[tuple[str, int], _LastReceived] = field(init=False)

    def __post_init__(self) -> None:
        random = Random(self.seed)
        self._seat = DriverSeat(self.legs if self.legs is not None else loop_script())
        self._engine = DemoEngine(DONOR_ENGINE)
        self._transmission = DemoTransmission(HOST_VEHICLE)
        self._state = VehicleState(Driver(), self._engine.out, self._transmission.out)
        self._tables = {
            HOST: senders(host_map(), random, frozenset({"EngineModule"})),
            DONOR: senders(donor_map(), random, frozenset({"TCU", "ESC", "BCM"})),
        }
        listened = ((HOST, host_map(), ("EngineData", "PedalData")), (DONOR, donor_map(), ("TCU_REQUEST", "BCM_STATE")))
        self._heard = {}
        for bus, signal_map, names in listened:
            for name in names:
                message = signal_map.message(name)
                assert message is not None
                self._heard[bus, message.word] = _LastReceived(message)

    @property
    def seconds(self) -> float:
        """Length of the whole script."""
        return self._seat.seconds

    def receive(self, bus: str, word: int, data: bytes, now_ns: int) -> None:
        """A frame of the translator has arrived on a bus."""
        heard = self._heard.get((bus, word))
        if heard is not None and len(data) >= heard.message.length:
            heard.time_ns, heard.data = now_ns, bytes(data)

    def advance(self, now_ns: int) -> list[DemoFrame]:
        """Move on to a time and return the frames that came due, in order of time."""
        out: list[DemoFrame] = []
        while self._now_ns < now_ns:
            self._step(out)
        return sorted(out, key=lambda f: (f.time_ns, f.bus, f.word))

    def _step(self, out: list[DemoFrame]) -> None:
        now, state, dt_s = self._now_ns, self._state, STEP_NS / 1e9
        hands = self._seat.step(state, dt_s)
        state.driver = hands
        trans, engine = self._transmission.out, self._engine.out
        engine_data = self._by_message(HOST, "EngineData")
        pedal = self._by_message(HOST, "PedalData")
        torque_is_fresh = engine_data.fresh(now) and engine_data.valid("ActualTorque")
        self._transmission.step(
            TransmissionInputs(
                engine_rpm=engine_data.value("EngineSpeed") if engine_data.fresh(now) else 0.0,
                actual_nm=engine_data.value("ActualTorque") if torque_is_fresh else 0.0,
                pedal_percent=pedal.value("Pedal") if pedal.fresh(now) and pedal.valid("Pedal") else 0.0,
                lever=hands.lever,
                brake_percent=hands.brake_percent,
                key=hands.key,
            ),
            engine.speed_rpm,
            dt_s,
        )
        asked = self._by_message(DONOR, "TCU_REQUEST")
        active = asked.fresh(now) and asked.value("RequestActive") == 1.0 and asked.valid("TorqueRequest")
        heard_nm = asked.value("TorqueRequest") * REFERENCE_NM / 100.0 if active else None
        body = self._by_message(DONOR, "BCM_STATE")
        self._engine.step(
            EngineInputs(
                key=hands.key,
                pedal_percent=hands.pedal_percent,
                load_nm=trans.load_nm,
                torque_request_nm=heard_nm,
                compressor_on=body.fresh(now) and body.value("CompressorRequest") == 1.0,
                ambient_c=hands.ambient_c,
            ),
            dt_s,
        )
        surroundings(state, dt_s)
        self._now_ns = now + STEP_NS
        for bus, signals in ((HOST, host_values(state)), (DONOR, donor_values(state))):
            due = due_frames(self._tables[bus], now, self._now_ns, hands.awake, hands.key > 0)
            out += [DemoFrame(t, bus, s.message.word, s.maker.frame(signals[s.message.name]())) for t, _, s in due]
        self.trace.append(
            LoopSample(
                self._now_ns,
                trans.torque_request_nm,
                heard_nm,
                engine.actual_nm,
                engine.most_nm,
                engine.least_nm,
                engine_data.value("ActualTorque") if torque_is_fresh else None,
                bool(engine_data.fresh(now) and engine_data.value("ReductionAck")),
                engine.speed_rpm,
                trans.speed_kmh,
                trans.gear,
                engine.running,
            )
        )

    def _by_message(self, bus: str, name: str) -> _LastReceived:
        return next(h for (b, _), h in self._heard.items() if b == bus and h.message.name == name)
