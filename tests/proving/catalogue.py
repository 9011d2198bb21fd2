"""Prove room's tests: realistic mistakes seeded into a sound swap, one at a time, by class. Run by `test_mistakes`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from fractions import Fraction

import numpy as np

from swapbridge.capture.capture import ERROR, ReadNotes
from swapbridge.core.integrity import Counter, Sum
from swapbridge.plan.plan import Send
from tests.proving.mistakes import (
    Change,
    both,
    capture,
    flip_payload,
    half_counters,
    hole,
    lossy,
    message,
    method,
    needs,
    other_fallback,
    plan,
    rest,
    seconds,
    sends_edited,
    signal,
    swapped,
    text,
    without,
    without_message,
)  # fmt: skip
from tests.proving.more_mistakes import FAST, MORE, PEDAL, STATUS, THERMAL, TORQUE

CHOICES = {0: "Stopped", 1: "Running", 2: "Cranking"}
_TORQUE_VALUE = 'ActualTorque = { value = "clamp(donor.PCM_FAST.ActualTorque, -500 Nm, 1546 Nm)"'
_REQUEST = 'value = "clamp(host.TransRequest.TorqueRequest, -48 Nm, 690 Nm)"'


def _other_sum(send: Send) -> Send:
    assert send.checksum is not None
    method = send.checksum.method
    assert isinstance(method, Sum)
    return replace(send, checksum=replace(send.checksum, method=replace(method, constant=5)))


def _shorter_counter(send: Send) -> Send:
    assert send.counter is not None
    return replace(send, counter=replace(send.counter, high=send.counter.high - 1))


def _other_role(send: Send) -> Send:
    variant = send.variants[0]
    fields = tuple(replace(f, role="Vehicle.Speed") for f in variant.fields)
    return replace(send, variants=(replace(variant, fields=fields), *send.variants[1:]))


_GREETING = 'states = ["key_on", "crank", "run"]\n[messages.signals]\nHelloTorque'
_DIAL = "[[40, 0], [70, 45], [80, 50], [105, 50], [115, 80], [125, 100]]"
_OIL_LAMP = 'OilLamp = "donor.PCM_THERMAL.OilLamp"'
_AMBIENT = "host.BodyState.AmbientTemp"

MISTAKES: Mapping[str, Mapping[str, Change]] = {
    "heard layout": {
        "engine speed with half the scale": signal(f"{FAST}.RPM", scale="0.0625"),
        "engine speed with the other byte order": signal(f"{FAST}.RPM", start=7, byte_order="big_endian"),
        "engine speed one bit up": signal(f"{FAST}.RPM", start=1, length=15),
        "engine speed read as signed, one byte short": signal(f"{FAST}.RPM", length=8),
        "torque one bit late": signal(f"{FAST}.ActualTorque", start=17),
        "torque one bit short": signal(f"{FAST}.ActualTorque", length=10),
        "torque with another offset": signal(f"{FAST}.ActualTorque", offset="0"),
        "torque reference 300 for 480 Nm": signal(f"{FAST}.ActualTorque", reference="300 Nm"),
        "all torque references 300 for 480 Nm": both(
            *(signal(f"{FAST}.{n}", reference="300 Nm") for n in ("ActualTorque", "DemandTorque")),
            *(signal(f"{TORQUE}.Torque{n}", reference="300 Nm") for n in ("Before", "Most", "Least", "Loss")),
        ),
        "engine state codes swapped": signal(f"{FAST}.State", choices=CHOICES),
        "coolant with offset -40": signal(f"{THERMAL}.Coolant", offset="-40"),
        "coolant with scale 1": signal(f"{THERMAL}.Coolant", scale="1"),
        "coolant one byte late": signal(f"{THERMAL}.Coolant", start=8),
        "coolant in degF": signal(f"{THERMAL}.Coolant", unit="degF"),
        "fault lamp and charge lamp on each other's bits": swapped("donor", "PCM_THERMAL", "FaultLamp", "ChargeLamp"),
        "oil lamp on a bit that never moves": signal(f"{THERMAL}.OilLamp", start=23),
        "fuel used with its bytes turned": signal(f"{THERMAL}.FuelUsed", start=31, byte_order="big_endian"),
        "pedal with twice the scale": signal(f"{PEDAL}.Pedal", scale="0.2"),
        "pedal one bit late": signal(f"{PEDAL}.Pedal", start=1),
        "pedal and throttle on each other's bits": swapped("donor", "PCM_PEDAL", "Pedal", "Throttle"),
        "kick-down on a bit that never moves": signal(f"{PEDAL}.KickDown", start=23),
        "manifold pressure in psi": signal(f"{PEDAL}.ManifoldPressure", unit="psi"),
        "oil pressure from another page": signal(f"{STATUS}.OilPressure", mux_values=(1,)),
        "oil pressure in bar": signal(f"{STATUS}.OilPressure", unit="bar", minimum=None, maximum=None),
        "vehicle speed in km/h for mph": signal("host.BrakeData.VehicleSpeed", unit="km/h"),
        "vehicle speed with the other byte order": signal(
            "host.BrakeData.VehicleSpeed", start=0, byte_order="little_endian"
        ),
        "brake on the stability bit": signal("host.BrakeData.BrakePressed", start=22),
        "gear off by one bit": signal("host.TransRequest.Gear", start=20),
        "torque request one bit late": signal("host.TransRequest.TorqueRequest", start=6),
        "compressor request on a bit of the blower": signal("host.ClimateRequest.CompressorRequest", start=1),
        "key codes swapped": signal("host.BodyState.KeyState", choices={0: "On", 1: "Off", 2: "Crank"}),
        "lever codes turned round": signal("host.TransState.Lever", choices={3: "P", 2: "R", 1: "N", 0: "D"}),
        "fuel level with half the scale": signal("host.ClusterData.FuelLevel", scale="0.25"),
        "actual and demanded torque on each other's bits": swapped("donor", "PCM_FAST", "ActualTorque", "DemandTorque"),
        "gear and target gear on each other's bits": swapped("host", "TransRequest", "Gear", "TargetGear"),
        "losses signed": signal(f"{TORQUE}.TorqueLoss", signed=True),
        "losses with twice the scale": signal(f"{TORQUE}.TorqueLoss", scale="0.2"),
        "most torque in percent of another engine's": signal(f"{TORQUE}.TorqueMost", reference="280 Nm"),
        "torque before intervention one bit short": signal(f"{TORQUE}.TorqueBefore", length=10),
        "throttle with half the scale": signal(f"{PEDAL}.Throttle", scale="0.05"),
        "oil temperature with offset -40": signal(f"{THERMAL}.OilTemp", offset="-40"),
        "ambient temperature without offset": signal("host.BodyState.AmbientTemp", offset="0"),
        "oil pressure with twice the scale": signal(f"{STATUS}.OilPressure", scale="8"),
        "identifier of the pedal off by one": message("donor", "PCM_PEDAL", identifier=306),
        "identifier of the brakes off by one": message("host", "BrakeData", identifier=501),
        "period of the thermal message 10 for 100 ms": message("donor", "PCM_THERMAL", period_ms=Fraction(10)),
        "ambient temperature with half the scale": signal("host.BodyState.AmbientTemp", scale="0.5"),
        "electrical load with twice the scale": signal("host.BodyState.ElectricalLoad", scale="2"),
        "ambient temperature with half the scale, and a range to match": signal(
            "host.BodyState.AmbientTemp", scale="0.5", maximum=Fraction(87)
        ),
        "pedal one bit short": signal(f"{PEDAL}.Pedal", length=9),
        "idle and reduction flags on each other's bits": swapped("donor", "PCM_FAST", "ReductionAck", "Idle"),
        "kick-down and released pedal on each other's bits": swapped("donor", "PCM_PEDAL", "KickDown", "PedalReleased"),
        "torque before and most torque on each other's bits": swapped(
            "donor", "PCM_TORQUE", "TorqueBefore", "TorqueMost"
        ),
        "lights on the door's bit": signal("host.BodyState.Lights", start=4),
        "compressor permission on the bit beside": signal(f"{THERMAL}.CompressorAllowed", start=20),
        "lever one bit off": signal("host.TransState.Lever", start=22),
        "fuel used a tenth": signal(f"{THERMAL}.FuelUsed", scale="0.01"),
        "oil temperature in degF": signal(f"{THERMAL}.OilTemp", unit="degF"),
        "losses with the other sign": signal(f"{TORQUE}.TorqueLoss", scale="-0.1", offset="60"),
        "a request without its offset": signal("host.TransRequest.TorqueRequest", offset="0"),
        "vehicle speed with a quarter more": signal("host.BrakeData.VehicleSpeed", scale="0.01"),
        "engine speed 100 rpm too high": signal(f"{FAST}.RPM", offset="100"),
        "oil pressure above the air's": signal(f"{STATUS}.OilPressure", offset="-100"),
    },
    "sent layout": {
        "engine speed with twice the scale": signal("host.EngineData.EngineSpeed", scale="0.5"),
        "engine speed with the other byte order": signal(
            "host.EngineData.EngineSpeed", start=0, byte_order="little_endian"
        ),
        "engine speed in another unit": signal("host.EngineData.EngineSpeed", unit="Hz"),
        "torque with another offset": signal("host.EngineData.ActualTorque", offset="0"),
        "torque with scale 1": signal("host.EngineData.ActualTorque", scale="1"),
        "torque and demand on each other's bits": swapped("host", "EngineData", "ActualTorque", "DemandTorque"),
        "engine state on the bits beside it": signal("host.EngineData.EngineState", start=43),
        "engine state codes swapped": signal("host.EngineData.EngineState", choices=CHOICES),
        "idle and reduction flags on each other's bits": swapped("host", "EngineData", "AtIdle", "ReductionAck"),
        "coolant in degC": signal("host.EngineTemps.CoolantTemp", unit="degC"),
        "coolant one bit late": signal("host.EngineTemps.CoolantTemp", start=6),
        "coolant a byte late": signal("host.EngineTemps.CoolantTemp", start=23, length=8),
        "oil pressure in kPa": signal("host.EngineTemps.OilPressure", unit="kPa"),
        "lamps on each other's bits": swapped("host", "EngineTemps", "OilLamp", "FaultLamp"),
        "pedal with half the scale": signal("host.PedalData.Pedal", scale="0.2"),
        "pedal a byte late": swapped("host", "PedalData", "Pedal", "ManifoldPressure"),
        "kick-down on the bit beside": signal("host.PedalData.KickDown", start=21),
        "speed to the donor in mph": signal("donor.ESC_SPEED.VehicleSpeed", unit="mph"),
        "speed to the donor with the other byte order": signal(
            "donor.ESC_SPEED.VehicleSpeed", start=7, byte_order="big_endian"
        ),
        "brake to the donor on the bit beside": signal("donor.ESC_SPEED.BrakePressed", start=17),
        "compressor and lights to the donor on each other's bits": swapped(
            "donor", "BCM_STATE", "CompressorRequest", "Lights"
        ),
        "ambient temperature to the donor in degF": signal("donor.BCM_STATE.AmbientTemp", unit="degF"),
        "identifier of the torque limits off by one": message("host", "TorqueLimits", identifier=211),
        "length of the pedal message 8 for 6": message("host", "PedalData", length=8),
        "torque limits with the reference of another": signal("host.TorqueLimits.TorqueMost", scale="0.25"),
        "electrical load to the donor with twice the scale": signal("donor.BCM_STATE.ElectricalLoad", scale="2"),
        "a greeting's torque halved": signal("host.EngineHello.HelloTorque", scale="2"),
        "a greeting's torque doubled": signal("host.EngineHello.HelloTorque", scale="0.5"),
        "a greeting's torque with its bytes turned": signal(
            "host.EngineHello.HelloTorque", start=0, byte_order="little_endian"
        ),
        "fuel used with its bytes turned": signal("host.EngineTemps.FuelUsed", start=40, byte_order="little_endian"),
        "losses and least torque on each other's bits": swapped("host", "TorqueLimits", "TorqueLoss", "TorqueLeast"),
        "throttle and manifold pressure on each other's bits": swapped(
            "host", "PedalData", "Throttle", "ManifoldPressure"
        ),
        "dial with twice the scale": signal("host.EngineTemps.CoolantDial", scale="1"),
        "cylinders on other bits": signal("host.EngineHello.HelloCylinders", start=37),
        "fuel level to the donor with twice the scale": signal("donor.BCM_STATE.FuelLevel", scale="1"),
        "key codes to the donor swapped": signal("donor.BCM_STATE.KeyState", choices={0: "On", 1: "Off", 2: "Crank"}),
        "lights to the donor on the bit beside": signal("donor.BCM_STATE.Lights", start=4),
        "speed to the donor halved": signal("donor.ESC_SPEED.VehicleSpeed", scale="0.02"),
        "a request in percent of 600 Nm": signal("donor.TCU_REQUEST.TorqueRequest", reference="600 Nm"),
    },
    "meaning": {
        "coolant from oil temperature": text(
            "clamp(donor.PCM_THERMAL.Coolant, -40 degF", "clamp(donor.PCM_THERMAL.OilTemp, -40 degF"
        ),
        "pedal from throttle": text("clamp(donor.PCM_PEDAL.Pedal", "clamp(donor.PCM_PEDAL.Throttle"),
        "throttle from pedal": text("clamp(donor.PCM_PEDAL.Throttle", "clamp(donor.PCM_PEDAL.Pedal"),
        "torque from demand": text("clamp(donor.PCM_FAST.ActualTorque", "clamp(donor.PCM_FAST.DemandTorque"),
        "most torque from least": text("clamp(donor.PCM_TORQUE.TorqueMost", "clamp(donor.PCM_TORQUE.TorqueLeast"),
        "oil lamp from charge lamp": text(
            'OilLamp = "donor.PCM_THERMAL.OilLamp', 'OilLamp = "donor.PCM_THERMAL.ChargeLamp'
        ),
        "lights from the door": text("host.BodyState.Lights", "host.BodyState.DoorOpen"),
        "idle flag from the reduction flag": text("donor.PCM_FAST.Idle", "donor.PCM_FAST.ReductionAck"),
        "gear from the idle request": text('host.TransRequest.Gear"', 'host.TransRequest.IdleRaise"'),
        "gear from target gear": text('host.TransRequest.Gear"', 'host.TransRequest.TargetGear"'),
        "manifold pressure from air pressure": text("donor.PCM_PEDAL.ManifoldPressure", "donor.PCM_STATUS.AirPressure"),
        "ambient temperature from the gearbox's oil": text(_AMBIENT, "host.TransState.TransOilTemp"),
        "ambient temperature from the cabin": text(_AMBIENT, "host.ClimateRequest.CabinTemp"),
        "losses from least torque": text("clamp(donor.PCM_TORQUE.TorqueLoss", "clamp(donor.PCM_TORQUE.TorqueLeast"),
        "torque before from actual torque": text(
            "clamp(donor.PCM_TORQUE.TorqueBefore", "clamp(donor.PCM_FAST.ActualTorque"
        ),
        "demand from torque before": text("clamp(donor.PCM_FAST.DemandTorque", "clamp(donor.PCM_TORQUE.TorqueBefore"),
        "oil temperature from coolant": text("clamp(donor.PCM_THERMAL.OilTemp", "clamp(donor.PCM_THERMAL.Coolant"),
        "oil temperature from the gearbox's": text(
            "clamp(donor.PCM_THERMAL.OilTemp", "clamp(host.TransState.TransOilTemp"
        ),
        "ambient temperature from the intake": text(_AMBIENT, "donor.PCM_STATUS.IntakeTemp"),
        "kick-down from the released pedal": text('"donor.PCM_PEDAL.KickDown"', '"donor.PCM_PEDAL.PedalReleased"'),
        "brake from the stability control": text(
            'BrakePressed = "host.BrakeData.BrakePressed"', 'BrakePressed = "host.BrakeData.StabilityActive"'
        ),
        "compressor permission from the idle flag": text(
            '"donor.PCM_THERMAL.CompressorAllowed"', '"donor.PCM_FAST.Idle"'
        ),
        "compressor request from the blower": text(
            '"host.ClimateRequest.CompressorRequest"', '"host.ClimateRequest.Blower > 0"'
        ),
    },
    "integrity": {
        "a wrong byte in a heard checksum": method("donor.PCM_FAST.FastCheck", before=b"\x5b"),
        "a heard checksum over a byte less": method("donor.PCM_PEDAL.PedalCheck", masks=(0x0101010101,) * 8),
        "a heard counter one short": signal("donor.PCM_PEDAL.PedalCounter", counter=Counter(0, 14)),
        "a heard counter in steps of two": signal("host.BrakeData.BrakeCounter", counter=Counter(0, 15, 2)),
        "a sent checksum that misses every old frame": method("host.EngineData.DataCheck", init=0),
        "a sent sum with another constant": method("host.TorqueLimits.LimitsCheck", constant=0),
        "a sent counter that goes one further": signal("host.TorqueLimits.LimitsCounter", counter=Counter(0, 15)),
        "a sent counter forgotten": without("host.EngineData.DataCounter"),
        "a sent checksum forgotten": without("donor.ESC_SPEED.SpeedCheck"),
        "a sent checksum of another family": signal("donor.TCU_REQUEST.RequestCounter", counter=Counter(0, 7)),
        "a heard checksum of another polynomial": method("donor.PCM_FAST.FastCheck", polynomial=0x1D),
        "a heard checksum reflected": method("donor.PCM_FAST.FastCheck", reflect=True),
        "a heard checksum without its last inversion": method("donor.PCM_FAST.FastCheck", xor_out=0),
        "a heard checksum from another start": method("host.TransRequest.RequestCheck", init=0),
        "a heard sum with another constant": method("donor.PCM_TORQUE.TorqueCheck", constant=34),
        "a heard sum over a byte less": method("donor.PCM_TORQUE.TorqueCheck", coverage=(0, 1, 2, 3, 4, 5)),
        "a heard sum turned round": method("donor.PCM_TORQUE.TorqueCheck", factor=-1),
        "a heard counter one long": signal("donor.PCM_FAST.FastCounter", counter=Counter(0, 15)),
        "a heard counter from 1": signal("donor.PCM_PEDAL.PedalCounter", counter=Counter(1, 15)),
        "a heard counter backwards": signal("donor.PCM_PEDAL.PedalCounter", counter=Counter(0, 15, 15)),
        "a heard counter a bit long": signal("donor.PCM_TORQUE.TorqueCounter", length=4, counter=Counter(0, 15)),
        "a sent counter on other bits": signal("host.EngineData.DataCounter", start=55),
        "a sent counter from 1": signal("host.EngineData.DataCounter", counter=Counter(1, 15)),
        "a sent counter backwards": signal("host.PedalData.PedalCounter", counter=Counter(0, 15, 15)),
        "a sent counter a bit short": signal("host.PedalData.PedalCounter", start=34, length=3, counter=Counter(0, 7)),
        "a sent counter two short": signal("host.TorqueLimits.LimitsCounter", counter=Counter(0, 12)),
        "a sent checksum over a byte less": method("host.EngineData.DataCheck", coverage=(0, 1, 2, 3, 4, 5)),
        "a sent checksum of another polynomial": method("host.EngineData.DataCheck", polynomial=0x2F),
        "a sent checksum after another identifier": method("donor.ESC_SPEED.SpeedCheck", before=b"\x01\x52"),
        "a sent sum not turned round": method("host.TorqueLimits.LimitsCheck", factor=1),
        "a sent parity with another constant": method("donor.TCU_REQUEST.RequestCheck", constant=255),
        "the pedal's sent counter forgotten": without("host.PedalData.PedalCounter"),
        "the limits' sent checksum forgotten": without("host.TorqueLimits.LimitsCheck"),
    },
    "bridge rule": {
        "torque + 100 Nm": text(_TORQUE_VALUE, _TORQUE_VALUE.replace("ActualTorque,", "ActualTorque + 100 Nm,")),
        "torque clipped at 60 Nm": text('-500 Nm, 1546 Nm)", limits', '-500 Nm, 60 Nm)", limits'),
        "a request halved": text(_REQUEST, _REQUEST.replace("TorqueRequest,", "TorqueRequest / 2,")),
        "engine speed doubled": text("clamp(donor.PCM_FAST.RPM,", "clamp(donor.PCM_FAST.RPM * 2,"),
        "pedal of at most 20 %": text("PCM_PEDAL.Pedal, 0 %, 100 %", "PCM_PEDAL.Pedal, 0 %, 20 %"),
        "coolant as a constant": text(
            '"clamp(donor.PCM_THERMAL.Coolant, -40 degF, 470 degF)"',
            '{ value = "190 degF", fallback = "not available" }',
        ),
        "brake turned round": text('BrakePressed = "host', 'BrakePressed = "not host'),
        "park/neutral forgets N": text(" or host.TransState.Lever == 'N'", ""),
        "the dial's table upside down": text("[[40, 0], [70, 45]", "[[40, 100], [70, 45]"),
        "a request's safe answer that asks for no torque": text('fallback = "143.5 %"', 'fallback = "0 %"'),
        "a request flag that is on in doubt": text('RequestActive", fallback = "0"', 'RequestActive", fallback = "1"'),
        "temperatures every 200 ms": text(
            'send = "host.EngineTemps"\nperiod_ms = 100', 'send = "host.EngineTemps"\nperiod_ms = 200'
        ),
        "temperatures all zero": rest("host.EngineTemps"),
        "the pedal message all zero": rest("host.PedalData"),
        "another variant": text("0x2B41", "0x2B42"),
        "idle flag always off": text('AtIdle = { value = "donor.PCM_FAST.Idle"', 'AtIdle = { value = "0"'),
        "running in doubt": text("fallback = \"'Stopped'\"", "fallback = \"'Running'\""),
        "cranking in doubt": text("fallback = \"'On'\"", "fallback = \"'Crank'\""),
        "park in doubt": text('Lever == \'N\'", fallback = "0"', 'Lever == \'N\'", fallback = "1"'),
        "a speed that is made up in doubt": text(
            '"clamp(host.BrakeData.VehicleSpeed, 0 km/h, 300 km/h)"',
            '{ value = "clamp(host.BrakeData.VehicleSpeed, 0 km/h, 300 km/h)", fallback = "0 km/h" }',
        ),
        "engine speed held for half a minute": text('rpm)", hold_ms = 200', 'rpm)", hold_ms = 30000'),
        "oil pressure that counts for a minute": text("max_age_ms = 750", "max_age_ms = 60000"),
        "requests with a gap of 45 ms": text("gap_ms = 3", "gap_ms = 45"),
        "the awake message without the key": text(
            'network_management = true\nstates = ["key_on"', 'states = ["wake", "key_on"'
        ),
        "engine data only while it runs": text(
            'period_ms = 10\nstates = ["key_on", "crank", "run", "after_run"]', 'period_ms = 10\nstates = ["run"]'
        ),
        "engine speed in rising steps of 500 rpm": text(
            "clamp(donor.PCM_FAST.RPM,", "clamp(round_to(donor.PCM_FAST.RPM, 500 rpm),"
        ),
        "the pedal sent once": text('send = "host.PedalData"\nperiod_ms = 20', 'send = "host.PedalData"\nonce = true'),
        "a greeting before the key": text(_GREETING, _GREETING.replace('["key_on"', '["wake", "key_on"')),
        "a greeting every second": text("once = 3\nperiod_ms = 60", "period_ms = 1000"),
        "a greeting once where it came thrice": text("once = 3\nperiod_ms = 60", "once = true"),
        "key on at one of its two positions": text("KeyState != 'Off'", "KeyState == 'On'"),
        "key on with the lights": text("host.BodyState.KeyState != 'Off'", "host.BodyState.Lights == 1"),
        "running above 3,000 rpm only": text('run = "running"', 'run = "donor.PCM_FAST.RPM > 3000 rpm"'),
        "cranking for as long as it turns": text(
            "crank = \"donor.PCM_FAST.State == 'Cranking'\"", 'crank = "donor.PCM_FAST.RPM > 50 rpm"'
        ),
        "ten seconds until it sleeps": text("sleep_after_ms = 3000", "sleep_after_ms = 10000"),
        "the awake message goes on for half a minute": text(
            'network_management = true\nstates = ["key_on", "crank", "run", "after_run"]',
            'network_management = true\nlast_ms = 30000\nstates = ["key_on", "crank", "run", "after_run"]',
        ),
        "the awake message of another node": text(
            'value = "0x10", fallback = "0x10"', 'value = "0x11", fallback = "0x11"'
        ),
        "the pedal once the engine runs": text(
            'send = "host.PedalData"\nperiod_ms = 20\nstates = ["key_on", "crank", "run", "after_run"]',
            'send = "host.PedalData"\nperiod_ms = 20\nstates = ["run"]',
        ),
        "an oil lamp that is dark while the engine turns": text(
            _OIL_LAMP,
            'OilLamp = { value = "donor.PCM_THERMAL.OilLamp and donor.PCM_FAST.RPM < 400 rpm", fallback = "1" }',
        ),
        "an oil lamp of zero times the pressure": text(
            _OIL_LAMP, 'OilLamp = { value = "0 * donor.PCM_STATUS.OilPressure > 1 kPa", fallback = "1" }'
        ),
        "an oil lamp from a table that is flat": text(
            _OIL_LAMP,
            'OilLamp = { value = "table(donor.PCM_STATUS.OilPressure, 0 kPa: 1, 400 kPa: 1) < 0.5", fallback = "1" }',
        ),
        "an oil lamp that a total lights": text(
            _OIL_LAMP,
            'OilLamp = { value = "accumulate(choose(donor.PCM_THERMAL.OilLamp, 0, 1), most=9999) > 99", fallback="1" }',
        ),
        "a needle that stops at 210 degF": text("-40 degF, 470 degF", "-40 degF, 210 degF"),
        "a minute until it sleeps": text("sleep_after_ms = 3000", "sleep_after_ms = 60000"),
        "minutes on the way to a safe answer": text('ramp = "400 %"', 'ramp = "1 %"'),
        "torque limits while it runs only": text(
            'period_ms = 20\nstates = ["key_on", "crank", "run", "after_run"]', 'period_ms = 20\nstates = ["run"]'
        ),
        "engine data by its clock and on arrival of another": text(
            'send = "host.EngineData"\nperiod_ms = 10',
            'send = "host.EngineData"\non_arrival = ["donor.PCM_FAST"]\ngap_ms = 3\nperiod_ms = 10',
        ),
        "engine data every 20 ms": text(
            'send = "host.EngineData"\nperiod_ms = 10', 'send = "host.EngineData"\nperiod_ms = 20'
        ),
        "pedal smoothed over a second": text(
            "clamp(donor.PCM_PEDAL.Pedal, 0 %, 100 %)", "clamp(lowpass(donor.PCM_PEDAL.Pedal, 1 s), 0 %, 100 %)"
        ),
        "torque smoothed over half a second": text(
            "clamp(donor.PCM_FAST.ActualTorque,", "clamp(lowpass(donor.PCM_FAST.ActualTorque, 0.5 s),"
        ),
        "engine speed that rises by 300 rpm a second at most": text(
            "clamp(donor.PCM_FAST.RPM,", "clamp(rate_limit(donor.PCM_FAST.RPM, 300 rpm),"
        ),
        "engine speed smoothed over two seconds": text(
            "clamp(donor.PCM_FAST.RPM,", "clamp(lowpass(donor.PCM_FAST.RPM, 2 s),"
        ),
        "coolant clipped at 150 degF": text("Coolant, -40 degF, 470 degF", "Coolant, -40 degF, 150 degF"),
        "a speed a tenth too fast": text(
            "clamp(host.BrakeData.VehicleSpeed,", "clamp(host.BrakeData.VehicleSpeed * 1.1,"
        ),
        "demand a tenth too low": text(
            "clamp(donor.PCM_FAST.DemandTorque,", "clamp(donor.PCM_FAST.DemandTorque * 0.9,"
        ),
        "most torque a fifth too high": text(
            "clamp(donor.PCM_TORQUE.TorqueMost,", "clamp(donor.PCM_TORQUE.TorqueMost * 1.2,"
        ),
        "losses turned round": text("clamp(donor.PCM_TORQUE.TorqueLoss,", "clamp(0 Nm - donor.PCM_TORQUE.TorqueLoss,"),
        "fuel level turned round": text(
            "clamp(host.ClusterData.FuelLevel,", "clamp(100 % - host.ClusterData.FuelLevel,"
        ),
        "ambient temperature 20 degF too high": text(f"clamp({_AMBIENT},", f"clamp({_AMBIENT} + 20 degF,"),
        "gear one too high": text('value = "host.TransRequest.Gear"', 'value = "min(host.TransRequest.Gear + 1, 15)"'),
        "a request that is always active": text('"host.TransRequest.RequestActive"', '"1"'),
        "park/neutral says park or reverse": text("host.TransState.Lever == 'N'", "host.TransState.Lever == 'R'"),
        "kick-down at a fifth of the pedal": text('"donor.PCM_PEDAL.KickDown"', '"donor.PCM_PEDAL.Pedal > 20 %"'),
        "pedal released below a half": text('"donor.PCM_PEDAL.PedalReleased"', '"donor.PCM_PEDAL.Pedal < 50 %"'),
        "idle below 2,000 rpm": text('"donor.PCM_FAST.Idle"', '"donor.PCM_FAST.RPM < 2000 rpm"'),
        "oil lamp turned round": text('OilLamp = "donor', 'OilLamp = "not donor'),
        "lights turned round": text('"host.BodyState.Lights"', '"not host.BodyState.Lights"'),
        "a key that is always on": text('"host.BodyState.KeyState"', "\"'On'\""),
        "a dial that turns 20 degC early": text(_DIAL, "[[20, 0], [50, 45], [60, 50], [85, 50], [95, 80], [105, 100]]"),
        "a straight dial": text(_DIAL, "[[40, 0], [125, 100]]"),
        "a dial in doubt in its middle": text('fallback = "100 %" }', 'fallback = "50 %" }'),
        "a pedal in doubt at 40 %": text(
            '"clamp(donor.PCM_PEDAL.Pedal, 0 %, 100 %)"',
            '{ value = "clamp(donor.PCM_PEDAL.Pedal, 0 %, 100 %)", fallback = "40 %" }',
        ),
        "another address of network management to the donor": text("0x21", "0x12"),
        "no rule for run": text('run = "running"\n', ""),
        "half the bit rate of the host's bus": lambda w: replace(
            w, bridge=w.bridge.replace("bit_rate = 500000", "bit_rate = 250000", 1)
        ),
        "twice the bit rate of the host's bus": lambda w: replace(
            w, bridge=w.bridge.replace("bit_rate = 500000", "bit_rate = 1000000", 1)
        ),
        "a quarter of both bit rates": text("bit_rate = 500000", "bit_rate = 125000"),
    },
    "wrong or damaged recording": {
        "no host recording": capture("host", lambda c: None),
        "no donor recording": capture("donor", lambda c: None),
        "a donor recording of error frames": capture("donor", lambda c: replace(c, flags=c.flags | np.uint8(ERROR))),
        "the host recording of another vehicle": capture(
            "host", lambda c: replace(c, identifier=c.identifier ^ np.uint32(0x155))
        ),
        "the unplugged one as host": lambda w: replace(w, captures={**w.captures, "host": w.unplugged["host"]}),
        "the donor's recording as host": lambda w: replace(
            w, captures={**w.captures, "host": replace(w.captures["donor"], bus_names=("host",))}
        ),
        "a file cut short": capture(
            "donor", lambda c: replace(seconds(c, 0, 70), notes=ReadNotes(stopped="the file ends in the middle"))
        ),
        "the first quarter only": capture("host", lambda c: seconds(c, 0, 36)),
        "a recording that begins under way": capture("donor", lambda c: seconds(c, 70, 1000)),
        "a logger that lost two thirds": capture("donor", lossy(0.66)),
        "half of a message's counters wrong on a lossy logger": both(
            capture("host", lossy(0.04)), capture("host", half_counters(200, 6))
        ),
        "a byte of the engine data inverted": capture("donor", flip_payload(257, 0, 0xFF)),
        "the clock runs ten times too slow": capture(
            "donor", lambda c: replace(c, time_ns=c.time_ns[0] + (c.time_ns - c.time_ns[0]) // 10)
        ),
        "a hole of twenty seconds": capture("donor", hole(60, 80)),
        "one message silent for twenty seconds": capture("donor", hole(60, 80, of=657)),
        "no frame of who kept the bus awake": capture("host", lambda c: c.select(c.identifier != 0x510)),
        "a recording that ends with the key on": capture("host", lambda c: seconds(c, 0, 130)),
        "one module not on the bus": capture("host", lambda c: c.select(c.identifier != 500)),
    },
    "edited plan": {
        "a period": plan(lambda p: replace(p, sends=(replace(p.sends[0], period_us=20_000), *p.sends[1:]))),
        "a safe answer": plan(lambda p: other_fallback(p)),
        "an age limit": plan(lambda p: replace(p, feeds=(replace(p.feeds[0], max_age_us=900_000), *p.feeds[1:]))),
        "an identifier heard": plan(
            lambda p: replace(p, receives=(replace(p.receives[0], word=p.receives[0].word ^ 1), *p.receives[1:]))
        ),
        "a sent sum's constant": sends_edited("host.TorqueLimits", _other_sum),
        "a sent counter's end": sends_edited("host.EngineData", _shorter_counter),
        "the states it is sent in": sends_edited("host.EngineData", lambda s: replace(s, states=s.states ^ 4)),
        "when it begins": sends_edited("host.EngineTemps", lambda s: replace(s, delay_us=40_000)),
        "what a signal is": sends_edited("host.EngineTemps", _other_role),
        "a message taken out": plan(lambda p: replace(p, sends=p.sends[:-1])),
        "heard checksums taken out": plan(
            lambda p: replace(p, receives=tuple(replace(r, checksum=None) for r in p.receives))
        ),
        "codes that say invalid taken out": plan(
            lambda p: replace(
                p,
                feeds=tuple(replace(f, extracts=tuple(replace(e, invalid=()) for e in f.extracts)) for f in p.feeds),
            )
        ),
        "how many good frames it waits for": plan(
            lambda p: replace(p, feeds=tuple(replace(f, good_first=1, good_again=1) for f in p.feeds))
        ),
        "a bit rate": plan(lambda p: replace(p, buses=tuple(replace(b, bit_rate=250_000) for b in p.buses))),
        "when a bus counts as asleep": plan(
            lambda p: replace(p, buses=tuple(replace(b, silent_us=60_000_000) for b in p.buses))
        ),
        "its name": plan(lambda p: replace(p, name="another")),
        "a period, and no digests of its sources": plan(
            lambda p: replace(p, inputs=(), sends=(replace(p.sends[0], period_us=11_000), *p.sends[1:]))
        ),
    },
    "needs": {
        "a message not sent": lambda w: replace(w, bridge=without_message(w.bridge, "host.PedalData")),
        "a need of another role": needs('role = "friction_torque"', 'role = "oil_pressure"'),
        "a need with another length": needs(
            'id = "12C"\nperiod_ms = 20\nlength = 6', 'id = "12C"\nperiod_ms = 20\nlength = 8'
        ),
        "a need with another period": needs('id = "151"\nperiod_ms = 20', 'id = "151"\nperiod_ms = 10'),
        "a need that comes a tenth more often": needs('id = "0D2"\nperiod_ms = 20', 'id = "0D2"\nperiod_ms = 18.2'),
        "a message of the bus that is called wired": needs(
            'id = "12C"\nperiod_ms = 20\nlength = 6\nhow = "can"', 'id = "12C"\nhow = "wired"'
        ),
        "no needs list": lambda w: replace(w, needs=""),
        "no needs list, and the pedal not sent": lambda w: replace(
            w, needs="", unplugged={}, bridge=without_message(w.bridge, "host.PedalData")
        ),
        "no needs list, and the speed not sent": lambda w: replace(
            w, needs="", bridge=without_message(w.bridge, "donor.ESC_SPEED")
        ),
        "the running vehicle as the unplugged one": lambda w: replace(w, unplugged={"host": w.captures["host"]}),
        "a need of another identifier": needs('id = "12C"', 'id = "12D"'),
        "a need of another bus": needs('bus = "host"\nid = "12C"', 'bus = "donor"\nid = "12C"'),
        "a need of a shorter greeting": needs('id = "6F0"\nlength = 8', 'id = "6F0"\nlength = 5'),
        "a need that nothing supplies": lambda w: replace(
            w, needs=w.needs + '\n[[need]]\nmodule = "steering"\nbus = "host"\nid = "0C9"\nhow = "can"\n'
        ),
    },
}


ALL: dict[str, Change] = {
    f"{kind}: {name}": change
    for part in (MISTAKES, MORE)
    for kind, some in part.items()
    for name, change in some.items()
}
"""Every mistake by class and name."""
