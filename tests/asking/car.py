"""An invented host to be asked: engine computer, transmission and cluster on a simulated bus."""

from __future__ import annotations

from swapbridge.asking.ask import Asking, Questions
from swapbridge.asking.module_answers import Answers
from swapbridge.bus.adapters.spec import BusSpec
from tests.asking.bench import Bench
from tests.asking.modules import MS, Cyclic, Memory, Module, Monitor, S, Vehicle

ENGINE_DATA, ENGINE_TORQUE = 0x0C8, 0x0D0
LOST_FROM_TRANSMISSION, INVALID_FROM_TRANSMISSION, LOST_FROM_CLUSTER = 0xC10087, 0xC40183, 0xC10000


def even(data: bytes) -> bool:
    """The transmission's checksum of ENGINE_TORQUE: an XOR of all bytes that comes to nothing."""
    out = 0
    for byte in data:
        out ^= byte
    return out == 0


class Car:
    """A host: engine computer (may be absent), transmission at 7E1, a cluster at 7E6 that speaks ISO 14229 only."""

    def __init__(self, *, engine: bool = True, good_checksum: bool = True, supply_v: float = 13.8) -> None:
        self.vehicle = Vehicle(supply_v=supply_v)
        monitors = [
            Monitor(LOST_FROM_TRANSMISSION, ENGINE_DATA, 500 * MS),
            Monitor(INVALID_FROM_TRANSMISSION, ENGINE_TORQUE, good=even),
        ]
        self.transmission = Module(
            0x7E1,
            0x7E9,
            Memory(self.vehicle, monitors),
            (0x7DF,),
            obd=True,
            identification={0xF190: b"NOT A REAL VIN 01"},
        )
        names = {0xF197: b"CLUSTER\0\0", 0xF18C: b"\x00\x01\x02"}
        watch = Monitor(LOST_FROM_CLUSTER, ENGINE_DATA, 2 * S)
        self.cluster = Module(0x7E6, 0x7EE, Memory(self.vehicle, [watch]), identification=names)
        self.cluster.padding = 0x00
        nodes = [self.transmission, self.cluster, Cyclic(0x300, 50 * MS, lambda t: b"\x01" * 8)]
        if engine:
            self.engine = Module(
                0x7E0, 0x7E8, Memory(self.vehicle, fixed={0x012800: 0x2C}), (0x7DF,), obd=True, vin="V" * 17
            )
            torque = b"\x12\x34\x26\x00" if good_checksum else b"\x12\x34\x27\x00"
            nodes += [
                self.engine,
                Cyclic(ENGINE_DATA, 10 * MS, lambda t: bytes(8)),
                Cyclic(ENGINE_TORQUE, 10 * MS, lambda t: torque),
            ]
        self.bench = Bench(*nodes)

    def asked(self, questions: Questions | None = None) -> Answers:
        asking = Asking(questions or Questions())
        self.bench.run(asking.session)
        return asking.answers("host", "2026-01-01T00:00:00+00:00")


def ask_simulated(car: Car):  # type: ignore[no-untyped-def]
    """What stands where `ask` does: the car's answers, in simulated time."""

    def ask(spec: BusSpec, questions: Questions, **rest: object) -> Answers:
        asking = Asking(questions)
        car.bench.run(asking.session)
        return asking.answers(spec.name, "2026-01-01T10:00:00+00:00")

    return ask
