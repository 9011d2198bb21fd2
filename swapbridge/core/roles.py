"""Core room: what a signal is for, and the safe answer when its source is stale (common practice, no source).

Role names are those of the COVESA Vehicle Signal Specification where it has one (from memory of its open text), and
plain names of our own where it has not.
"""

from __future__ import annotations

from dataclasses import dataclass
from difflib import get_close_matches

from swapbridge.core.errors import InputError

_ENGINE = "Vehicle.Powertrain.CombustionEngine"


@dataclass(frozen=True, slots=True)
class Role:
    """A role.

    Parameters
    ----------
    name, alias : str
        Its full name, and the short one people type.
    fallback : str
        What to send in doubt: "invalid or high", "invalid or low", "invalid", "on", "off", "hold then zero", "ramp to
        none", "choice", "last" or "stated" (the bridge file must say).
    hazard : str
        "torque request", "actual torque", "driver demand", "crash", "odometer", "steering", "braking", "restraint",
        "immobiliser" or "" for none.
    quantity : str
        Kind of unit it is measured in, or "" for choices and flags.
    """

    name: str
    alias: str
    fallback: str
    hazard: str = ""
    quantity: str = ""


ROLES: tuple[Role, ...] = (
    Role(f"{_ENGINE}.Speed", "engine_speed", "hold then zero", "", "rotational speed"),
    Role(f"{_ENGINE}.Torque", "actual_torque", "invalid or high", "actual torque", "torque"),
    Role(f"{_ENGINE}.RequestedTorque", "requested_torque", "invalid or high", "", "torque"),
    Role(
        f"{_ENGINE}.TorqueWithoutIntervention",
        "torque_without_intervention",
        "invalid or high",
        "actual torque",
        "torque",
    ),
    Role(f"{_ENGINE}.MinimumTorque", "minimum_torque", "invalid or high", "actual torque", "torque"),
    Role(f"{_ENGINE}.MaximumTorque", "maximum_torque", "invalid or high", "actual torque", "torque"),
    Role(f"{_ENGINE}.FrictionTorque", "friction_torque", "invalid or low", "", "torque"),
    Role(f"{_ENGINE}.ReferenceTorque", "reference_torque", "last", "", "torque"),
    Role(f"{_ENGINE}.EngineCoolant.Temperature", "coolant_temperature", "invalid or high", "", "temperature"),
    Role(f"{_ENGINE}.EOT", "oil_temperature", "invalid or high", "", "temperature"),
    Role(f"{_ENGINE}.EOP", "oil_pressure", "invalid or low", "", "pressure"),
    Role(f"{_ENGINE}.OilPressureWarning", "oil_pressure_lamp", "on"),
    Role(f"{_ENGINE}.OverheatWarning", "overheat_lamp", "on"),
    Role(f"{_ENGINE}.ChargeWarning", "charge_lamp", "on"),
    Role("Vehicle.OBD.Status.IsMILOn", "malfunction_lamp", "on"),
    Role(f"{_ENGINE}.IsRunning", "engine_running", "hold then zero"),
    Role(f"{_ENGINE}.TPS", "throttle_position", "invalid or high", "", "ratio"),
    Role(f"{_ENGINE}.MAP", "manifold_pressure", "invalid", "", "pressure"),
    Role(f"{_ENGINE}.MAF", "air_flow", "invalid", "", "mass flow"),
    Role(f"{_ENGINE}.Load", "engine_load", "invalid or high", "", "ratio"),
    Role(f"{_ENGINE}.FuelUsed", "fuel_used", "last"),
    Role("Vehicle.OBD.IntakeTemp", "intake_temperature", "invalid", "", "temperature"),
    Role("Vehicle.OBD.ControlModuleVoltage", "module_voltage", "invalid", "", "voltage"),
    Role("Vehicle.Chassis.Accelerator.PedalPosition", "pedal_position", "invalid or low", "", "ratio"),
    Role("Vehicle.Chassis.Accelerator.Kickdown", "kick_down", "off"),
    Role("Vehicle.Chassis.Brake.IsBrakePedalPressed", "brake_switch", "on"),
    Role("Vehicle.Speed", "vehicle_speed", "invalid", "", "speed"),
    Role("Vehicle.WheelSpeed", "wheel_speed", "invalid", "", "speed"),
    Role("Vehicle.TraveledDistance", "distance", "last", "odometer", "distance"),
    Role("Vehicle.Powertrain.Transmission.CurrentGear", "current_gear", "choice"),
    Role("Vehicle.Powertrain.Transmission.TargetGear", "target_gear", "choice"),
    Role("Vehicle.Powertrain.Transmission.ParkNeutral", "park_neutral", "in gear"),
    Role("Vehicle.Powertrain.Transmission.TurbineSpeed", "turbine_speed", "invalid", "", "rotational speed"),
    Role(
        "Vehicle.Powertrain.Transmission.TorqueReductionRequest",
        "torque_reduction_request",
        "ramp to none",
        "torque request",
    ),
    Role("Vehicle.Powertrain.Transmission.TorqueIncreaseRequest", "torque_increase_request", "off", "torque request"),
    Role("Vehicle.Powertrain.Transmission.IdleRaiseRequest", "idle_raise_request", "off"),
    Role("Vehicle.ADAS.CruiseControl.Switch", "cruise_switch", "off"),
    Role("Vehicle.ADAS.CruiseControl.TorqueRequest", "cruise_torque_request", "off", "torque request"),
    Role("Vehicle.Cabin.HVAC.CompressorRequest", "compressor_request", "off"),
    Role("Vehicle.Cabin.HVAC.CompressorPermission", "compressor_permission", "off"),
    Role("Vehicle.Cabin.HVAC.CompressorLoad", "compressor_load", "last"),
    Role("Vehicle.Exterior.AirTemperature", "ambient_temperature", "invalid", "", "temperature"),
    Role("Vehicle.Powertrain.FuelSystem.Level", "fuel_level", "last", "", "ratio"),
    Role("Vehicle.Electrical.AlternatorLoad", "alternator_load", "last", "", "ratio"),
    Role("Vehicle.Electrical.Load", "electrical_load", "last"),
    Role("Vehicle.LowVoltageSystemState", "key_state", "choice"),
    Role("Vehicle.Powertrain.DriverDemand", "driver_demand", "invalid", "driver demand"),
    Role("Vehicle.Powertrain.ThrottleRequest", "throttle_request", "off", "torque request"),
    Role("Vehicle.Chassis.SteeringCommand", "steering_command", "stated", "steering"),
    Role("Vehicle.Chassis.Brake.Command", "brake_command", "stated", "braking"),
    Role("Vehicle.Cabin.Restraint.Command", "restraint_command", "stated", "restraint"),
    Role("Vehicle.Cabin.Restraint.Crash", "crash", "stated", "crash"),
    Role("Vehicle.Immobiliser", "immobiliser", "stated", "immobiliser"),
    Role("Status", "status", "stated"),
    Role("Value", "value", "stated"),
)
"""`status` (choices, flags) and `value` (numbers) are for what has no name here; their fallback must be stated."""

BY_NAME: dict[str, Role] = {name: role for role in ROLES for name in (role.name, role.alias)}


WARNED_BY: dict[str, frozenset[str]] = {
    "oil_pressure_lamp": frozenset({"oil_pressure_lamp", "oil_pressure"}),
    "overheat_lamp": frozenset({"overheat_lamp", "coolant_temperature"}),
    "charge_lamp": frozenset({"charge_lamp", "module_voltage", "alternator_load"}),
    "malfunction_lamp": frozenset({"malfunction_lamp"}),
    "coolant_temperature": frozenset({"coolant_temperature"}),
}
"""Warnings, and what each may be made from: the engine's own warning, or the quantity that it warns of.

Recordings come from healthy engines, so that 'lamp = slow engine' fits them perfectly and never warns.
"""


def find_role(name: str) -> Role:
    """The role of that full or short name.

    Raises
    ------
    InputError
        No such role; close ones are named.
    """
    if name in BY_NAME:
        return BY_NAME[name]
    near = get_close_matches(name, list(BY_NAME), n=3)
    hint = f" (near: {', '.join(near)})" if near else ""
    raise InputError(
        f"role {name!r} is not known{hint}: use one of `swapbridge guide roles`, or `status` (choices and flags) or "
        "`value` (numbers) with a stated fallback"
    )
