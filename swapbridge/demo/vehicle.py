"""Demo room: one whole invented vehicle: driver, engine, transmission, and what its modules put on the bus."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from swapbridge.demo.engine import DemoEngine, EngineFigures, EngineInputs, EngineOutputs, look_up
from swapbridge.demo.transmission import (
    LEVERS,
    DemoTransmission,
    TransmissionInputs,
    TransmissionOutputs,
    VehicleFigures,
)
from swapbridge.demo.vehicle_maps import DIAL_CURVE, REFERENCE_NM

HOST_ENGINE = EngineFigures(
    most_torque=((0.0, 0.0), (800.0, 170.0), (1500.0, 235.0), (3200.0, 275.0), (4500.0, 262.0), (6200.0, 190.0)),
    reference_nm=280.0,
    idle_rpm=720.0,
    inertia_kgm2=0.17,
)
DONOR_ENGINE = EngineFigures(
    most_torque=((0.0, 0.0), (800.0, 230.0), (1600.0, 380.0), (3000.0, 455.0), (4800.0, 430.0), (6400.0, 300.0)),
    reference_nm=float(REFERENCE_NM),
    idle_rpm=680.0,
    inertia_kgm2=0.24,
    friction_nm=21.0,
    friction_nm_per_krpm=6.5,
    thermostat_c=89.0,
)
HOST_VEHICLE = VehicleFigures()
DONOR_VEHICLE = VehicleFigures(
    mass_kg=1880.0,
    final_drive=3.1,
    ratios=(3.1, 1.75, 1.05, 0.75),
    converter_nm_per_rpm2=8.0e-5,
    upshift_kmh=(18.0, 37.0, 58.0),
)


@dataclass(slots=True)
class Driver:
    """What the person (and the weather) does at one moment."""

    awake: bool = False
    key: int = 0
    lever: str = "P"
    pedal_percent: float = 0.0
    brake_percent: float = 0.0
    compressor: bool = False
    blower: int = 2
    lights: bool = False
    door: bool = False
    steering_deg: float = 0.0
    ambient_c: float = 18.0


@dataclass(slots=True)
class VehicleState:
    """Everything that any module may put on a bus, in plain units."""

    driver: Driver
    engine: EngineOutputs
    trans: TransmissionOutputs
    trans_oil_c: float = 30.0
    electrical_a: float = 20.0
    odometer_km: float = 123_456.0
    fuel_percent: float = 63.0


@dataclass(slots=True)
class DemoVehicle:
    """A vehicle with its own engine, stepped 10 ms at a time."""

    engine: DemoEngine
    transmission: DemoTransmission
    state: VehicleState = field(init=False)

    def __post_init__(self) -> None:
        self.state = VehicleState(Driver(), self.engine.out, self.transmission.out)

    def step(self, driver: Driver, dt_s: float) -> VehicleState:
        """One time step under a driver's hands."""
        state, engine, trans = self.state, self.engine.out, self.transmission.out
        state.driver = driver
        state.electrical_a = (
            (18.0 if driver.key else 1.0) + 22.0 * driver.lights + 3.0 * driver.blower * bool(driver.key)
        )
        inputs = TransmissionInputs(
            engine.speed_rpm, engine.actual_nm, driver.pedal_percent, driver.lever, driver.brake_percent, driver.key
        )
        self.transmission.step(inputs, engine.speed_rpm, dt_s)
        self.engine.step(
            EngineInputs(
                key=driver.key,
                pedal_percent=driver.pedal_percent,
                load_nm=trans.load_nm,
                torque_request_nm=trans.torque_request_nm,
                compressor_on=driver.compressor and engine.compressor_allowed,
                electrical_load_a=state.electrical_a,
                ambient_c=driver.ambient_c,
            ),
            dt_s,
        )
        surroundings(state, dt_s)
        return state


def surroundings(state: VehicleState, dt_s: float) -> None:
    """What changes slowly around engine and transmission: oil, distance, fuel."""
    heat = abs(state.engine.speed_rpm - state.trans.turbine_rpm) * 0.0006 if state.engine.running else 0.0
    state.trans_oil_c += (heat - 0.004 * (state.trans_oil_c - state.driver.ambient_c)) * dt_s
    state.odometer_km += state.trans.speed_kmh * dt_s / 3600.0
    state.fuel_percent -= state.trans.speed_kmh * dt_s / 36_000.0


def host_vehicle() -> DemoVehicle:
    """The Brindle with its own old engine."""
    return DemoVehicle(DemoEngine(HOST_ENGINE), DemoTransmission(HOST_VEHICLE))


def donor_vehicle() -> DemoVehicle:
    """The Tarnwick, whole, before its engine is taken out."""
    return DemoVehicle(DemoEngine(DONOR_ENGINE), DemoTransmission(DONOR_VEHICLE))


def to_fahrenheit(celsius: float) -> float:
    """Degrees Fahrenheit of degrees Celsius."""
    return celsius * 1.8 + 32.0


KMH_TO_MPH = 0.621371192237334
KPA_TO_PSI = 0.145037737730209


def host_values(state: VehicleState) -> dict[str, Callable[[], dict[str, float | int]]]:
    """What each message of the Brindle's bus carries now, by message name."""
    e, t, d = state.engine, state.trans, state.driver
    mph = t.speed_kmh * KMH_TO_MPH
    return {
        "RestraintStatus": lambda: {"CrashOutput": 0, "DriverBelt": int(d.key > 0)},
        "TransRequest": lambda: {
            "TorqueRequest": 1546.5 if t.torque_request_nm is None else t.torque_request_nm,
            "RequestActive": int(t.torque_request_nm is not None),
            "TargetGear": t.target_gear % 16,
            "Gear": t.gear % 16,
            "IdleRaise": int(t.gear != 0 and e.running and e.speed_rpm < 650.0),
        },
        "EngineData": lambda: {
            "EngineSpeed": e.speed_rpm,
            "ActualTorque": e.actual_nm,
            "DemandTorque": e.demand_nm,
            "EngineState": 2 if e.running else int(d.key == 2),
            "ReductionAck": int(e.reduction_active),
            "AtIdle": int(e.running and d.pedal_percent < 2.0 and e.speed_rpm < 1000.0),
        },
        "TorqueLimits": lambda: {
            "TorqueBefore": e.before_intervention_nm,
            "TorqueMost": e.most_nm,
            "TorqueLeast": e.least_nm,
            "TorqueLoss": e.loss_nm,
        },
        "SteeringAngle": lambda: {"Angle": d.steering_deg},
        "PedalData": lambda: {
            "Pedal": d.pedal_percent,
            "Throttle": e.throttle_percent,
            "KickDown": int(e.kick_down),
            "PedalReleased": int(d.pedal_percent < 2.0),
            "ManifoldPressure": e.manifold_kpa * KPA_TO_PSI,
        },
        "TransState": lambda: {
            "TurbineSpeed": t.turbine_rpm,
            "Lever": LEVERS.index(d.lever),
            "LockUp": int(t.lock_up),
            "InGear": int(d.lever in "RD"),
            "TransOilTemp": to_fahrenheit(state.trans_oil_c),
        },
        "WheelSpeeds": lambda: {
            "WheelFrontLeft": mph * (1.0 + d.steering_deg * 2.0e-4),
            "WheelFrontRight": mph * (1.0 - d.steering_deg * 2.0e-4),
            "WheelRearLeft": mph * (1.0 + d.steering_deg * 1.0e-4),
            "WheelRearRight": mph * (1.0 - d.steering_deg * 1.0e-4),
        },
        "BrakeData": lambda: {
            "VehicleSpeed": mph,
            "BrakePressed": int(d.brake_percent > 1.0),
            "StabilityActive": 0,
            "BrakePressure": d.brake_percent * 0.9,
        },
        "EngineTemps": lambda: {
            "CoolantTemp": to_fahrenheit(e.coolant_c),
            "CoolantDial": look_up(DIAL_CURVE, e.coolant_c),
            "OilTemp": to_fahrenheit(e.oil_c),
            "OilPressure": e.oil_kpa * KPA_TO_PSI,
            "FuelUsed": e.fuel_ml,
            "FaultLamp": int(e.fault_lamp),
            "ChargeLamp": int(e.charge_lamp),
            "OilLamp": int(e.oil_lamp),
            "CompressorAllowed": int(e.compressor_allowed),
        },
        "BodyState": lambda: {
            "KeyState": d.key,
            "Lights": int(d.lights),
            "DoorOpen": int(d.door),
            "AmbientTemp": to_fahrenheit(d.ambient_c),
            "ElectricalLoad": state.electrical_a,
        },
        "ClimateRequest": lambda: {
            "CompressorRequest": int(d.compressor),
            "Blower": d.blower if d.key else 0,
            "CabinTemp": to_fahrenheit(21.0),
        },
        "ClusterData": lambda: {"Odometer": state.odometer_km * KMH_TO_MPH, "FuelLevel": state.fuel_percent},
        "EngineAwake": lambda: {"EngineAwakeNode": 0x10},
        "BodyAwake": lambda: {"BodyAwakeNode": 0x20},
        "EngineHello": lambda: {"HelloTorque": 280, "HelloVariant": 0x2B41, "HelloCylinders": 6},
    }


def percent_torque(nm: float) -> float:
    """Torque as the donor's engine computer says it."""
    return nm * 100.0 / REFERENCE_NM


def donor_values(state: VehicleState) -> dict[str, Callable[[], dict[str, float | int]]]:
    """What each message of the Tarnwick's bus carries now, by message name."""
    e, t, d = state.engine, state.trans, state.driver
    return {
        "TCU_REQUEST": lambda: {
            "TorqueRequest": 144.5 if t.torque_request_nm is None else percent_torque(t.torque_request_nm),
            "RequestActive": int(t.torque_request_nm is not None),
            "Gear": t.gear % 16,
            "ParkNeutral": int(d.lever in "PN"),
        },
        "PCM_FAST": lambda: {
            "RPM": e.speed_rpm,
            "ActualTorque": percent_torque(e.actual_nm),
            "DemandTorque": percent_torque(e.demand_nm),
            "State": 2 if e.running else int(d.key == 2),
            "ReductionAck": int(e.reduction_active),
            "Idle": int(e.running and d.pedal_percent < 2.0 and e.speed_rpm < 1000.0),
        },
        "PCM_TORQUE": lambda: {
            "TorqueBefore": percent_torque(e.before_intervention_nm),
            "TorqueMost": percent_torque(e.most_nm),
            "TorqueLeast": percent_torque(e.least_nm),
            "TorqueLoss": percent_torque(e.loss_nm),
        },
        "PCM_PEDAL": lambda: {
            "Pedal": d.pedal_percent,
            "Throttle": e.throttle_percent,
            "KickDown": int(e.kick_down),
            "PedalReleased": int(d.pedal_percent < 2.0),
            "ManifoldPressure": e.manifold_kpa,
        },
        "ESC_SPEED": lambda: {"VehicleSpeed": t.speed_kmh, "BrakePressed": int(d.brake_percent > 1.0)},
        "TCU_STATE": lambda: {
            "TurbineSpeed": t.turbine_rpm,
            "Lever": LEVERS.index(d.lever),
            "LockUp": int(t.lock_up),
        },
        "PCM_THERMAL": lambda: {
            "Coolant": e.coolant_c,
            "OilTemp": e.oil_c,
            "FaultLamp": int(e.fault_lamp),
            "ChargeLamp": int(e.charge_lamp),
            "OilLamp": int(e.oil_lamp),
            "CompressorAllowed": int(e.compressor_allowed),
            "FuelUsed": e.fuel_ml,
        },
        "BCM_STATE": lambda: {
            "KeyState": d.key,
            "CompressorRequest": int(d.compressor),
            "Lights": int(d.lights),
            "FuelLevel": state.fuel_percent,
            "AmbientTemp": d.ambient_c,
            "ElectricalLoad": state.electrical_a,
        },
        "PCM_STATUS": lambda: {
            "OilPressure": e.oil_kpa,
            "BatteryVoltage": e.battery_v,
            "IntakeTemp": e.intake_c,
            "AirPressure": 99.5,
            "RunTime": e.run_s,
        },
        "PCM_AWAKE": lambda: {"PcmAwakeNode": 0x11},
        "BCM_AWAKE": lambda: {"BcmAwakeNode": 0x21},
        "PCM_IDENT": lambda: {"ReferenceTorque": REFERENCE_NM, "Variant": 0x0713, "Cylinders": 8},
    }
