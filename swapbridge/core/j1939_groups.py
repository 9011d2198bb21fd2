"""Core room: the public groups of SAE J1939 that an engine swap meets: where each parameter stands, scale and unit.

From memory of SAE J1939-71; how well that memory fits open recordings stands in the surveying room's README. A
parameter is as long as its values may be; which of them are no measurement `j1939.reserved_range` says.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from swapbridge.core import j1939
from swapbridge.core.layout import Layout


@dataclass(frozen=True, slots=True)
class Parameter:
    """A parameter of a public group.

    Attributes
    ----------
    spn : int
        Suspect parameter number.
    name, words : str
        For maps, and for people.
    layout : Layout
        Little endian, as all of J1939.
    scale, offset : Fraction
        Value = raw * scale + offset.
    unit : str
        "" for states.
    quantity : str
        Channel that it is (`guess`'s word), or "" where no channel of that name is in use.
    role : str
        Short name of its role (`core.roles`), or "".
    """

    spn: int
    name: str
    words: str
    layout: Layout
    scale: Fraction = Fraction(1)
    offset: Fraction = Fraction(0)
    unit: str = ""
    quantity: str = ""
    role: str = ""


@dataclass(frozen=True, slots=True)
class PublicGroup:
    """A parameter group: number, short name, words, usual period (None: on request), parameters."""

    number: int
    name: str
    words: str
    period_ms: int | None
    parameters: tuple[Parameter, ...]


_TEMPERATURE = ("1", "-40", "degC")
_FINE_TEMPERATURE = ("1/32", "-273", "degC")
_PERCENT = ("2/5", "0", "%")
_TORQUE = ("1", "-125", "%")
_SPEED = ("1/8", "0", "rpm")
_ROAD = ("1/256", "0", "km/h")
_STATE = ("1", "0", "")

_Row = tuple[int, str, str, int, int, tuple[str, str, str], str, str]
"""SPN, name, words, first bit, bits, (scale, offset, unit), channel, role."""

_GROUPS: tuple[tuple[int, str, str, int | None, tuple[_Row, ...]], ...] = (
    (0xF004, "EEC1", "electronic engine controller 1", 20, (
        (899, "EngineTorqueMode", "engine torque mode", 0, 4, _STATE, "", ""),
        (512, "DriverDemandTorque", "driver's demand engine torque", 8, 8, _TORQUE, "demanded_torque", ""),
        (513, "ActualEngineTorque", "actual engine torque", 16, 8, _TORQUE, "actual_torque", "actual_torque"),
        (190, "EngineSpeed", "engine speed", 24, 16, _SPEED, "engine_speed", "engine_speed"),
        (1675, "StarterMode", "engine starter mode", 48, 4, _STATE, "", ""),
        (2432, "EngineDemandTorque", "engine demand torque", 56, 8, _TORQUE, "", ""),
    )),
    (0xF003, "EEC2", "electronic engine controller 2", 50, (
        (558, "PedalLowIdleSwitch", "accelerator pedal low idle switch", 0, 2, _STATE, "", ""),
        (559, "PedalKickdownSwitch", "accelerator pedal kick-down switch", 2, 2, _STATE, "", "kick_down"),
        (91, "AcceleratorPedal", "accelerator pedal position 1", 8, 8, _PERCENT, "pedal", "pedal_position"),
        (92, "EngineLoad", "engine load at current speed", 16, 8, ("1", "0", "%"), "engine_load", "engine_load"),
    )),
    (0xFEDF, "EEC3", "electronic engine controller 3", 250, (
        (514, "FrictionTorque", "nominal friction torque", 0, 8, _TORQUE, "", "friction_torque"),
        (515, "DesiredSpeed", "engine's desired operating speed", 8, 16, _SPEED, "", ""),
    )),
    (0xFEE3, "EC1", "engine configuration 1", 5000, (
        (188, "IdleSpeed", "engine speed at idle, point 1", 0, 16, _SPEED, "", ""),
        (544, "ReferenceTorque", "engine reference torque", 152, 16, ("1", "0", "Nm"), "", "reference_torque"),
    )),
    (0xFEEE, "ET1", "engine temperatures 1", 1000, (
        (110, "CoolantTemperature", "engine coolant temperature", 0, 8, _TEMPERATURE, "coolant_temp",
         "coolant_temperature"),
        (174, "FuelTemperature", "fuel temperature 1", 8, 8, _TEMPERATURE, "", ""),
        (175, "OilTemperature", "engine oil temperature 1", 16, 16, _FINE_TEMPERATURE, "oil_temp", "oil_temperature"),
        (176, "TurboOilTemperature", "turbocharger oil temperature", 32, 16, _FINE_TEMPERATURE, "", ""),
        (52, "IntercoolerTemperature", "engine intercooler temperature", 48, 8, _TEMPERATURE, "", ""),
    )),
    (0xFEEF, "EFLP1", "engine fluid level and pressure 1", 500, (
        (94, "FuelDeliveryPressure", "engine fuel delivery pressure", 0, 8, ("4", "0", "kPa"), "", ""),
        (98, "OilLevel", "engine oil level", 16, 8, _PERCENT, "", ""),
        (100, "OilPressure", "engine oil pressure", 24, 8, ("4", "0", "kPa"), "oil_pressure", "oil_pressure"),
        (101, "CrankcasePressure", "engine crankcase pressure", 32, 16, ("1/128", "-250", "kPa"), "", ""),
        (109, "CoolantPressure", "engine coolant pressure", 48, 8, ("2", "0", "kPa"), "", ""),
        (111, "CoolantLevel", "engine coolant level", 56, 8, _PERCENT, "", ""),
    )),
    (0xFEF1, "CCVS", "cruise control and vehicle speed", 100, (
        (70, "ParkingBrakeSwitch", "parking brake switch", 2, 2, _STATE, "", ""),
        (84, "VehicleSpeed", "wheel-based vehicle speed", 8, 16, _ROAD, "vehicle_speed", "vehicle_speed"),
        (595, "CruiseActive", "cruise control active", 24, 2, _STATE, "", ""),
        (597, "BrakeSwitch", "brake switch", 28, 2, _STATE, "brake_switch", "brake_switch"),
        (598, "ClutchSwitch", "clutch switch", 30, 2, _STATE, "", ""),
        (86, "CruiseSetSpeed", "cruise control set speed", 40, 8, ("1", "0", "km/h"), "", ""),
    )),
    (0xFEF2, "LFE", "fuel economy", 100, (
        (183, "FuelRate", "engine fuel rate", 0, 16, ("1/20", "0", "L/h"), "fuel_rate", ""),
        (51, "ThrottlePosition", "engine throttle position", 48, 8, _PERCENT, "throttle", "throttle_position"),
    )),
    (0xFEF5, "AMB", "ambient conditions", 1000, (
        (108, "BarometricPressure", "barometric pressure", 0, 8, ("1/2", "0", "kPa"), "barometric_pressure", ""),
        (171, "AmbientTemperature", "ambient air temperature", 24, 16, _FINE_TEMPERATURE, "ambient_temp",
         "ambient_temperature"),
        (172, "InletAirTemperature", "engine air inlet temperature", 40, 8, _TEMPERATURE, "intake_temp",
         "intake_temperature"),
    )),
    (0xFEF6, "IC1", "inlet and exhaust conditions 1", 500, (
        (102, "BoostPressure", "intake manifold pressure, gauge", 8, 8, ("2", "0", "kPa"), "", ""),
        (105, "ManifoldTemperature", "intake manifold temperature", 16, 8, _TEMPERATURE, "", ""),
        (106, "InletAirPressure", "air inlet pressure", 24, 8, ("2", "0", "kPa"), "", ""),
        (173, "ExhaustTemperature", "exhaust gas temperature", 40, 16, _FINE_TEMPERATURE, "", ""),
    )),
    (0xFEF7, "VEP1", "vehicle electrical power 1", 1000, (
        (167, "ChargingVoltage", "charging system voltage", 16, 16, ("1/20", "0", "V"), "", ""),
        (168, "BatteryVoltage", "battery voltage", 32, 16, ("1/20", "0", "V"), "module_voltage", "module_voltage"),
        (158, "KeyswitchVoltage", "keyswitch battery voltage", 48, 16, ("1/20", "0", "V"), "", ""),
    )),
    (0xFEE5, "HOURS", "engine hours, revolutions", None, (
        (247, "EngineHours", "engine total hours of operation", 0, 32, ("1/20", "0", "h"), "", ""),
    )),
    (0xFEE9, "LFC", "fuel consumption", None, (
        (182, "TripFuel", "trip fuel", 0, 32, ("1/2", "0", "L"), "", ""),
        (250, "TotalFuel", "total fuel used", 32, 32, ("1/2", "0", "L"), "", "fuel_used"),
    )),
    (0xFEE0, "VD", "vehicle distance", 100, (
        (244, "TripDistance", "trip distance", 0, 32, ("1/8", "0", "km"), "", ""),
        (245, "TotalDistance", "total vehicle distance", 32, 32, ("1/8", "0", "km"), "", "distance"),
    )),
    (0xFEC1, "VDHR", "high resolution vehicle distance", 1000, (
        (917, "TotalDistance", "high resolution total vehicle distance", 0, 32, ("1/200", "0", "km"), "", "distance"),
        (918, "TripDistance", "high resolution trip distance", 32, 32, ("1/200", "0", "km"), "", ""),
    )),
    (0xFEFC, "DD", "dash display", 1000, (
        (96, "FuelLevel", "fuel level 1", 8, 8, _PERCENT, "fuel_level", "fuel_level"),
    )),
    (0xF002, "ETC1", "electronic transmission controller 1", 10, (
        (560, "DrivelineEngaged", "driveline engaged", 0, 2, _STATE, "", ""),
        (573, "LockupEngaged", "torque converter lock-up engaged", 2, 2, _STATE, "", ""),
        (574, "ShiftInProcess", "shift in process", 4, 2, _STATE, "", ""),
        (191, "OutputShaftSpeed", "output shaft speed", 8, 16, _SPEED, "", ""),
        (522, "ClutchSlip", "clutch slip", 24, 8, _PERCENT, "", ""),
        (161, "InputShaftSpeed", "input shaft speed", 40, 16, _SPEED, "turbine_speed", "turbine_speed"),
    )),
    (0xF005, "ETC2", "electronic transmission controller 2", 100, (
        (524, "SelectedGear", "selected gear", 0, 8, ("1", "-125", ""), "", "target_gear"),
        (526, "GearRatio", "actual gear ratio", 8, 16, ("1/1000", "0", "ratio"), "", ""),
        (523, "CurrentGear", "current gear", 24, 8, ("1", "-125", ""), "gear", "current_gear"),
    )),
    (0xFEF8, "TRF1", "transmission fluids 1", 1000, (
        (177, "TransmissionOilTemperature", "transmission oil temperature", 32, 16, _FINE_TEMPERATURE, "", ""),
    )),
)  # fmt: skip

PUBLIC_GROUPS: dict[int, PublicGroup] = {
    number: PublicGroup(
        number,
        name,
        words,
        period_ms,
        tuple(
            Parameter(spn, title, meaning, Layout(start, bits), Fraction(scale), Fraction(offset), unit, quantity, role)
            for spn, title, meaning, start, bits, (scale, offset, unit), quantity, role in rows
        ),
    )
    for number, name, words, period_ms, rows in _GROUPS
}
"""By parameter group number."""

OTHER_GROUPS = {
    **j1939.COMMANDS,
    0xE800: "acknowledgement",
    0xEA00: "request",
    0xEB00: "long message, its data",
    0xEC00: "long message, its control",
    0xEE00: "address claim",
    0xEF00: "proprietary, to one address",
    0xF000: "retarder controller 1",
    0xF001: "brake controller 1",
    0xFECA: "DM1, active fault codes",
    0xFECB: "DM2, previously active fault codes",
    0xFECC: "DM3, which clears fault codes",
    0xFED3: "DM11, which clears fault codes",
    0xFEDA: "software identification",
    0xFEEB: "component identification",
    0xFEEC: "vehicle identification",
}
"""Groups that are known by name only, from memory of J1939-21, -71, -73 and -81."""


def group_words(number: int) -> str:
    """What a group is, for people; "" for one that this house does not know."""
    public = PUBLIC_GROUPS.get(number)
    if public is not None:
        return f"{public.name}, {public.words}"
    if number & 0xFFFF >= 0xFF00:
        return "proprietary"
    return OTHER_GROUPS.get(number, "")
