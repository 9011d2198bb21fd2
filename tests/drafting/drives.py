"""Drives of invented vehicles for drafting: the demo's physics, other figures, other legs, columns every 10 ms."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from swapbridge.demo.drive_legs import DriverSeat, Leg
from swapbridge.demo.engine import DemoEngine, EngineFigures
from swapbridge.demo.transmission import DemoTransmission, VehicleFigures
from swapbridge.demo.vehicle import DONOR_ENGINE, DONOR_VEHICLE, HOST_ENGINE, HOST_VEHICLE, DemoVehicle

Floats = npt.NDArray[np.float64]
Columns = Mapping[str, Floats]
STEP_S = 0.01
COLUMNS = (
    "rpm", "torque", "demand", "pedal", "throttle", "map", "coolant", "oil", "intake", "volts", "fuel", "oil_kpa",
    "running", "charge_lamp", "oil_lamp", "ack", "gear", "turbine", "speed", "shift", "cut", "key", "awake", "lever",
    "brake", "compressor", "lights", "steering", "fuel_level", "ambient",
)  # fmt: skip
LEVERS = ("P", "R", "N", "D")


def engine_of(bus: str, rng: np.random.Generator) -> EngineFigures:
    """The host's or the donor's engine, a little different each time."""
    base = HOST_ENGINE if bus == "host" else DONOR_ENGINE
    return replace(
        base, idle_rpm=float(rng.integers(640, 860)), thermostat_c=float(rng.integers(80, 92)),
        inertia_kgm2=base.inertia_kgm2 * rng.uniform(0.85, 1.2),
    )  # fmt: skip


def vehicle_of(bus: str) -> VehicleFigures:
    """The host's or the donor's transmission and body."""
    return HOST_VEHICLE if bus == "host" else DONOR_VEHICLE


def recorded_legs(rng: np.random.Generator) -> list[Leg]:
    """What a builder does: two short key cycles with sleep between, then the usual stimuli and a drive."""
    legs = []
    for _ in range(2):
        legs += [
            Leg(rng.uniform(0.6, 1.5), key=0),
            Leg(rng.uniform(3.5, 5)),
            Leg(2.5, key=0),
            Leg(4, key=0, awake=False),
        ]
    legs += [Leg(1.0, key=0), Leg(2.5), Leg(2.5, (0.0, 95.0)), Leg(2.5, (95.0, 0.0)), Leg(1.0), Leg(0.9, key=2), Leg(5)]
    for rpm in (1500.0, 2500.0, 3500.0):
        legs += [Leg(rng.uniform(3, 4.5), rpm=rpm), Leg(rng.uniform(1.5, 3))]
    for _ in range(3):
        legs += [Leg(0.5, (30.0, 45.0)), Leg(rng.uniform(1, 2))]
    for _ in range(3):
        legs += [Leg(rng.uniform(2, 3), compressor=True), Leg(rng.uniform(1.5, 2.5))]
        legs += [Leg(rng.uniform(1, 2), lights=True), Leg(1)]
    for _ in range(4):
        legs += [Leg(rng.uniform(0.7, 1.4), brake=rng.uniform(25, 60)), Leg(rng.uniform(0.7, 1.2))]
    legs += [Leg(rng.uniform(1.2, 2), lever=x, brake=45.0) for x in ("R", "N", "D", "N", "R", "P", "R", "N", "D")]
    return [*legs, *_driven(rng, 10), *_parked()]


def other_legs(rng: np.random.Generator) -> list[Leg]:
    """A drive that no recording shows: started at once, driven otherwise, stalled and started again."""
    legs = [Leg(0.8, key=0), Leg(rng.uniform(1, 3)), Leg(0.9, key=2), Leg(rng.uniform(3, 6))]
    legs += [Leg(1.5, lever=x, brake=40.0) for x in ("R", "N", "D")]
    legs += _driven(rng, 12)
    legs += [Leg(1.5, lever="N", brake=30.0), Leg(2, lever="P"), Leg(3, key=0), Leg(4, key=0, awake=False)]
    return [*legs, Leg(0.8, key=0), Leg(2), Leg(0.9, key=2), Leg(4), *_driven(rng, 3), *_parked()]


def _driven(rng: np.random.Generator, many: int) -> list[Leg]:
    out = []
    for _ in range(many):
        kind = rng.integers(0, 5)
        air, lights = bool(rng.random() < 0.4), bool(rng.random() < 0.3)
        steer = float(rng.uniform(-60, 60))
        if kind <= 2:
            out.append(
                Leg(
                    rng.uniform(4, 9), kmh=rng.uniform(15, 75), lever="D", compressor=air, lights=lights, steering=steer
                )
            )
        elif kind == 3:
            top = rng.uniform(40, 100)
            out.append(Leg(rng.uniform(2, 4), (top, top), lever="D", compressor=air))
            out.append(Leg(rng.uniform(2, 4), lever="D"))
        else:
            out.append(Leg(rng.uniform(3, 5), lever="D", brake=rng.uniform(20, 50), lights=lights, steering=steer))
    return [*out, Leg(6, lever="D", brake=40.0)]


def _parked() -> list[Leg]:
    return [Leg(1.5, lever="N", brake=40.0), Leg(2), Leg(3, key=0), Leg(2, key=0, awake=False)]


def drive(
    engine: EngineFigures,
    vehicle: VehicleFigures,
    legs: Sequence[Leg],
    ambient_c: float,
    coolant_c: float,
    without_engine: bool = False,
) -> Columns:
    """What happens, every 10 ms."""
    car = DemoVehicle(DemoEngine(engine), DemoTransmission(vehicle))
    car.engine.out.coolant_c = car.engine.out.oil_c = coolant_c
    seat = DriverSeat(legs, ambient_c)
    rows = []
    for _ in range(int(seat.seconds / STEP_S)):
        hands = seat.step(car.state, STEP_S)
        if without_engine and hands.key == 2:
            hands.key = 1
        e, t, d = (s := car.step(hands, STEP_S)).engine, car.transmission.out, hands
        rows.append((
            e.speed_rpm, e.actual_nm, e.demand_nm, d.pedal_percent, e.throttle_percent, e.manifold_kpa, e.coolant_c,
            e.oil_c, e.intake_c, e.battery_v, e.fuel_ml, e.oil_kpa, e.running, e.charge_lamp, e.oil_lamp,
            e.reduction_active, t.gear, t.turbine_rpm, t.speed_kmh, t.torque_request_nm is not None,
            600.0 if t.torque_request_nm is None else t.torque_request_nm, d.key, d.awake, LEVERS.index(d.lever),
            d.brake_percent, d.compressor, d.lights, d.steering_deg, s.fuel_percent, d.ambient_c,
        ))  # fmt: skip
    table = np.array(rows, dtype=np.float64)
    return dict(zip(COLUMNS, table.T, strict=True))
