"""Prove room's tests: further seeded mistakes, found by trying to get one past the judges. `catalogue` lists them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np

from swapbridge.capture.capture import Capture
from swapbridge.core.integrity import Counter
from swapbridge.core.layout import Layout
from swapbridge.plan.plan import Send
from swapbridge.proving.bench.frame_rows import unpack_column
from tests.proving.mistakes import (
    Change,
    World,
    both,
    capture,
    flip_payload,
    message,
    plan,
    seconds,
    sends_edited,
    signal,
    swapped,
    text,
)  # fmt: skip

FAST, THERMAL, PEDAL, TORQUE, STATUS = (f"donor.PCM_{n}" for n in ("FAST", "THERMAL", "PEDAL", "TORQUE", "STATUS"))


def _late(name: str, period_ms: int, delay_ms: int) -> Change:
    head = f'send = "{name}"\nperiod_ms = {period_ms}'
    return text(head, f"{head}\ndelay_ms = {delay_ms}")


def _every(name: str, period_ms: int, instead_ms: int) -> Change:
    return text(f'send = "{name}"\nperiod_ms = {period_ms}', f'send = "{name}"\nperiod_ms = {instead_ms}')


def _in_states(name: str, period_ms: int, states: str) -> Change:
    head, after = f'send = "{name}"\nperiod_ms = {period_ms}\nstates = [', '"key_on", "crank", "run", "after_run"]'
    return text(head + after, f"{head}{states}]")


def _safe(name: str, value: str, fallback: str) -> Change:
    return text(f'{name} = "{value}"', f'{name} = {{ value = "{value}", fallback = "{fallback}" }}')


def _held(name: str, value: str, hold_ms: int) -> Change:
    return text(f'{name} = "{value}"', f'{name} = {{ value = "{value}", hold_ms = {hold_ms} }}')


def _source(name: str, option: str) -> Change:
    return text('[sources."donor.PCM_STATUS"]', f'[sources."{name}"]\n{option}\n\n[sources."donor.PCM_STATUS"]')


def _clock(one: Capture, runs: float) -> Capture:
    """The same by a recorder's clock that runs so much faster."""
    first = one.time_ns[0]
    return replace(one, time_ns=first + np.round((one.time_ns - first) * runs).astype(np.int64))


def _rest_bits(byte: int, bits: int) -> Callable[[Send], Send]:
    def change(send: Send) -> Send:
        variant = send.variants[0]
        base = bytearray(variant.base)
        base[byte] ^= bits
        return replace(send, variants=(replace(variant, base=bytes(base)), *send.variants[1:]))

    return change


def _other_fallback(signal_name: str, raw: int) -> Callable[[Send], Send]:
    def change(send: Send) -> Send:
        variant = send.variants[0]
        fields = tuple(replace(f, fallback=raw) if f.name == signal_name else f for f in variant.fields)
        return replace(send, variants=(replace(variant, fields=fields), *send.variants[1:]))

    return change


def _shifted(bus: str, by_s: float) -> Change:
    """The readings beside a recording, noted too late."""

    def change(world: World) -> World:
        track = world.stimuli[bus]
        channels = {n: replace(c, time_s=c.time_s + by_s) for n, c in track.channels.items()}
        return replace(world, stimuli={**world.stimuli, bus: replace(track, channels=channels)})

    return change


def _unmeasured(channel: str) -> Change:
    """Neither recording has that reading beside it."""

    def change(world: World) -> World:
        tracks = {
            bus: replace(track, channels={n: c for n, c in track.channels.items() if n != channel})
            for bus, track in world.stimuli.items()
        }
        return replace(world, stimuli=tracks)

    return change


def _without_rpm(low: float, high: float) -> Change:
    """Both recordings without the time in which the engine turned so fast."""

    def change(world: World) -> World:
        captures = {}
        for bus, one in world.captures.items():
            speed = world.stimuli[bus].on_clock_of(one).channels["engine_speed"]
            first = float(one.time_ns[0]) / 1e9 if speed.time_s[0] < 1e6 else 0.0
            rows = np.searchsorted(speed.time_s, one.time_ns / 1e9 - first, "right") - 1
            rpm = speed.value[np.maximum(rows, 0)]
            captures[bus] = one.select(np.flatnonzero((rpm <= low) | (rpm >= high)))
        return replace(world, captures=captures)

    return change


def _frozen(ident: int, from_s: float) -> Callable[[Capture], Capture]:
    """One identifier says the same from then on."""

    def change(one: Capture) -> Capture:
        payload = one.payload.copy()
        late = np.flatnonzero((one.identifier == ident) & (one.time_ns > one.time_ns[0] + int(from_s * 1e9)))
        payload[late] = payload[late[0]]
        return replace(one, payload=payload)

    return change


def _without_starts(world: World) -> World:
    """Both recordings without the time from standing still until the engine runs, by its own frames."""
    captures = {}
    for bus, word, layout, scale in (
        ("host", 0x0C8, Layout(7, 16, "big_endian"), 0.25),
        ("donor", 0x101, Layout(0, 16), 0.125),
    ):
        one = world.captures[bus]
        rows = np.flatnonzero(one.identifier == word)
        rpm = scale * unpack_column(layout, one.payload[rows])
        kept = np.ones(len(one), bool)
        for began in np.flatnonzero((rpm[1:] > 400) & (rpm[:-1] <= 400)) + 1:
            stood = np.flatnonzero(rpm[:began] < 40)[-1]
            kept[rows[stood] + 1 : rows[began]] = False
        captures[bus] = one.select(np.flatnonzero(kept))
    return replace(world, captures=captures)


def _doubled(one: Capture) -> Capture:
    """Every frame twice, as where two loggers were merged."""
    twice = one.select(np.repeat(np.arange(len(one)), 2))
    time_ns = twice.time_ns.copy()
    time_ns[1::2] += 200_000
    return replace(twice, time_ns=time_ns).select(np.argsort(time_ns, kind="stable"))


_DEMAND, _REQUEST = "donor.PCM_FAST.DemandTorque", "host.TransRequest.TorqueRequest"
_COOLANT, _OIL_TEMP = (
    f"clamp(donor.PCM_THERMAL.{n}, -40 degF, {top} degF)" for n, top in (("Coolant", 470), ("OilTemp", 466))
)
_NEUTRAL = "host.TransState.Lever == 'P' or host.TransState.Lever == 'N'"
_AMBIENT = '"clamp(host.BodyState.AmbientTemp, -40 degC, 87 degC)"'

MORE: Mapping[str, Mapping[str, Change]] = {
    "heard layout": {
        "fuel level from 10 %": signal("host.ClusterData.FuelLevel", offset="10"),
        "vehicle speed without its low byte": signal("host.BrakeData.VehicleSpeed", length=8, scale="2"),
        "vehicle speed without a top bit that never moved": signal("host.BrakeData.VehicleSpeed", start=6, length=15),
        "vehicle speed without its lowest bit": signal("host.BrakeData.VehicleSpeed", length=15, scale="0.015625"),
        "throttle without its lowest bit": signal(f"{PEDAL}.Throttle", start=11, length=9, scale="0.2"),
        "three of a request counter's four bits": signal(
            "host.TransRequest.RequestCounter", start=34, length=3, counter=Counter(0, 7)
        ),
        "temperatures one byte short": message("donor", "PCM_THERMAL", length=7),
        "fuel level a byte late": signal("host.ClusterData.FuelLevel", start=39),
        "demand with another offset": signal(f"{FAST}.DemandTorque", offset="-50"),
        "losses without their offset": signal(f"{TORQUE}.TorqueLoss", offset="0"),
        "least torque one bit late": signal(f"{TORQUE}.TorqueLeast", start=23),
        "oil temperature with the coolant's scale": signal(f"{THERMAL}.OilTemp", scale="0.75"),
        "coolant a fifteenth too low": signal(f"{THERMAL}.Coolant", scale="0.7"),
        "manifold pressure a fifth too low": signal(f"{PEDAL}.ManifoldPressure", scale="0.4"),
        "vehicle speed a tenth too low": signal("host.BrakeData.VehicleSpeed", scale="0.007"),
        "key one bit late": signal("host.BodyState.KeyState", start=6),
        "electrical load a byte late": signal("host.BodyState.ElectricalLoad", start=31),
        "oil pressure from 50 kPa": signal(f"{STATUS}.OilPressure", offset="50"),
        "reduction flag on a bit that never moves": signal(f"{FAST}.ReductionAck", start=42),
        "active request on the bit beside": signal("host.TransRequest.RequestActive", start=10),
        "reverse and neutral exchanged": signal("host.TransState.Lever", choices={0: "P", 2: "R", 1: "N", 3: "D"}),
        "a request with half the scale": signal("host.TransRequest.TorqueRequest", scale="0.25"),
        "throttle from 5 %": signal(f"{PEDAL}.Throttle", offset="5"),
        "pedal from 3 %": signal(f"{PEDAL}.Pedal", offset="3"),
        "engine speed a twentieth too low": signal(f"{FAST}.RPM", scale="0.11875"),
        "manifold pressure a twelfth too high": signal(f"{PEDAL}.ManifoldPressure", scale="0.54"),
        "fuel used a byte late": signal(f"{THERMAL}.FuelUsed", start=32),
        "an oil pressure of none called invalid": signal(f"{STATUS}.OilPressure", not_available=(0,)),
        "a coolant temperature that occurs called invalid": signal(f"{THERMAL}.Coolant", not_available=(180,)),
        "a speed of none called invalid": signal("host.BrakeData.VehicleSpeed", not_available=(0,)),
        "fuel used in litres": signal(f"{THERMAL}.FuelUsed", unit="l"),
        "compressor permission and fault lamp on each other's bits": swapped(
            "donor", "PCM_THERMAL", "CompressorAllowed", "FaultLamp"
        ),
    },
    "sent layout": {
        "fuel level from 10 %": signal("donor.BCM_STATE.FuelLevel", offset="10"),
        "cylinders one bit off": signal("host.EngineHello.HelloCylinders", start=38),
        "all torques a third less, which nothing measured": both(
            _unmeasured("actual_torque"),
            *(
                signal(f"host.{n}", scale="0.35", offset="-350", minimum=-350, maximum=1083)
                for n in (
                    *(f"EngineData.{n}Torque" for n in ("Actual", "Demand")),
                    *(f"TorqueLimits.Torque{n}" for n in ("Before", "Most", "Least", "Loss")),
                )
            ),
            text("-500 Nm", "-350 Nm"),
            text("1546 Nm", "1083 Nm"),
        ),
        "oil temperature with offset -50": signal("host.EngineTemps.OilTemp", offset="-50"),
        "oil temperature with scale 1": signal("host.EngineTemps.OilTemp", scale="1"),
        "charge and fault lamp on each other's bits": swapped("host", "EngineTemps", "ChargeLamp", "FaultLamp"),
        "compressor permission on the bit beside": signal("host.EngineTemps.CompressorAllowed", start=59),
        "manifold pressure a tenth too high": signal("host.PedalData.ManifoldPressure", scale="0.11"),
        "manifold pressure in kPa": signal("host.PedalData.ManifoldPressure", unit="kPa"),
        "kick-down and released pedal on each other's bits": swapped("host", "PedalData", "KickDown", "PedalReleased"),
        "most torque and torque before on each other's bits": swapped(
            "host", "TorqueLimits", "TorqueMost", "TorqueBefore"
        ),
        "losses without their offset": signal("host.TorqueLimits.TorqueLoss", offset="0"),
        "demand signed": signal("host.EngineData.DemandTorque", signed=True),
        "a greeting's torque in pound-feet": signal("host.EngineHello.HelloTorque", unit="lbf ft"),
        "fuel used with scale 1": signal("host.EngineTemps.FuelUsed", scale="1"),
        "ambient temperature without offset": signal("donor.BCM_STATE.AmbientTemp", offset="0"),
        "ambient temperature with scale 1": signal("donor.BCM_STATE.AmbientTemp", scale="1"),
        "electrical load a byte late": signal("donor.BCM_STATE.ElectricalLoad", start=32),
        "gear one bit late": signal("donor.TCU_REQUEST.Gear", start=13, length=3),
        "park/neutral on the bit beside": signal("donor.TCU_REQUEST.ParkNeutral", start=17),
        "speed in 1/128": signal("donor.ESC_SPEED.VehicleSpeed", scale="0.0078125"),
        "a variant with its bytes turned": signal(
            "host.EngineHello.HelloVariant", start=16, byte_order="little_endian"
        ),
        "the awake message's node a byte late": signal("host.EngineAwake.EngineAwakeNode", start=15),
        "fuel level a byte late": signal("donor.BCM_STATE.FuelLevel", start=32),
        "key one bit late": signal("donor.BCM_STATE.KeyState", start=1),
        "reduction flag on the bit beside": signal("host.EngineData.ReductionAck", start=43),
    },
    "meaning": {
        "dial from oil temperature": text(
            "table(donor.PCM_THERMAL.Coolant, dial)", "table(donor.PCM_THERMAL.OilTemp, dial)"
        ),
        "most torque as a constant": text(
            '"clamp(donor.PCM_TORQUE.TorqueMost, -500 Nm, 1546 Nm)"', '{ value = "480 Nm", fallback = "480 Nm" }'
        ),
        "park/neutral from standing": text(_NEUTRAL, "host.BrakeData.VehicleSpeed < 1 km/h"),
        "torque before from demand": text("clamp(donor.PCM_TORQUE.TorqueBefore,", f"clamp({_DEMAND},"),
        "ambient temperature from coolant": text("host.BodyState.AmbientTemp", "donor.PCM_THERMAL.Coolant"),
        "charge lamp from the oil lamp": text(
            'ChargeLamp = "donor.PCM_THERMAL.ChargeLamp"', 'ChargeLamp = "donor.PCM_THERMAL.OilLamp"'
        ),
        "fault lamp from the charge lamp": text(
            'FaultLamp = "donor.PCM_THERMAL.FaultLamp"', 'FaultLamp = "donor.PCM_THERMAL.ChargeLamp"'
        ),
        "compressor always allowed": text('"donor.PCM_THERMAL.CompressorAllowed"', '{ value = "1", fallback = "0" }'),
        "compressor never asked for": text(
            '"host.ClimateRequest.CompressorRequest"', '{ value = "0", fallback = "0" }'
        ),
        "idle from the released pedal": text('"donor.PCM_FAST.Idle"', '"donor.PCM_PEDAL.PedalReleased"'),
        "released pedal from idle": text('"donor.PCM_PEDAL.PedalReleased"', '"donor.PCM_FAST.Idle"'),
        "running as soon as it turns": text(
            'EngineState = { value = "donor.PCM_FAST.State"',
            "EngineState = { value = \"choose(donor.PCM_FAST.RPM > 0 rpm, 'Running', 'Stopped')\"",
        ),
        "lights never on": text('"host.BodyState.Lights"', '"0"'),
        "electrical load as a constant": text(
            '{ value = "clamp(host.BodyState.ElectricalLoad, 0 A, 254 A)", hold_ms = 2000 }',
            '{ value = "20 A", fallback = "20 A" }',
        ),
        "an active request from the idle request": text(
            "host.TransRequest.RequestActive", "host.TransRequest.IdleRaise"
        ),
        "electrical load from the blower": text(
            "clamp(host.BodyState.ElectricalLoad,", "clamp(host.ClimateRequest.Blower * 3 A,"
        ),
        "fuel level as a constant": text(
            '"clamp(host.ClusterData.FuelLevel, 0 %, 100 %)"', '{ value = "50 %", fallback = "0 %" }'
        ),
        "ambient temperature as a constant": text(_AMBIENT, '{ value = "20 degC", fallback = "not available" }'),
        "ambient temperature as it was": text(_AMBIENT, '{ value = "18 degC", fallback = "not available" }'),
        "the old engine's cylinders": text('"8", fallback = "8"', '"6", fallback = "6"'),
        "the old engine's torque in a greeting": text('"480 Nm", fallback = "480 Nm"', '"280 Nm", fallback = "280 Nm"'),
        "the donor's variant": text("0x2B41", "0x0713"),
        "an acknowledgement that echoes its request": text(
            '"donor.PCM_FAST.ReductionAck"', '"host.TransRequest.RequestActive"'
        ),
        "dial from the intake": text(
            "table(donor.PCM_THERMAL.Coolant, dial)", "table(donor.PCM_STATUS.IntakeTemp, dial)"
        ),
        "kick-down above 80 % of the pedal": text('"donor.PCM_PEDAL.KickDown"', '"donor.PCM_PEDAL.Pedal > 80 %"'),
        "kick-down above 60 % of the pedal": text('"donor.PCM_PEDAL.KickDown"', '"donor.PCM_PEDAL.Pedal > 60 %"'),
    },
    "bridge rule": {
        "engine data half a second late": _late("host.EngineData", 10, 500),
        "temperatures two periods late": _late("host.EngineTemps", 100, 200),
        "temperatures 60 ms late": _late("host.EngineTemps", 100, 60),
        "the pedal late": _late("host.PedalData", 20, 150),
        "a greeting late": text("once = 3\nperiod_ms = 60", "once = 3\ndelay_ms = 800\nperiod_ms = 60"),
        "a greeting drawn out": text("once = 3\nperiod_ms = 60", "once = 3\nperiod_ms = 600"),
        "requests without a gap": text("gap_ms = 3", "gap_ms = 0"),
        "temperatures every 105 ms": _every("host.EngineTemps", 100, 105),
        "engine data every 9 ms": _every("host.EngineData", 10, 9),
        "torque limits every 25 ms": _every("host.TorqueLimits", 20, 25),
        "the awake message every second": _every("host.EngineAwake", 500, 1000),
        "requests by the clock only": text('on_arrival = ["host.TransRequest"]', ""),
        "demand 20 Nm too low": text(f"clamp({_DEMAND},", f"clamp({_DEMAND} - 20 Nm,"),
        "torque 10 Nm too low": text(
            "clamp(donor.PCM_FAST.ActualTorque,", "clamp(donor.PCM_FAST.ActualTorque - 10 Nm,"
        ),
        "losses times zero": text("clamp(donor.PCM_TORQUE.TorqueLoss,", "clamp(donor.PCM_TORQUE.TorqueLoss * 0,"),
        "torque that is never below zero": text("ActualTorque, -500 Nm,", "ActualTorque, 0 Nm,"),
        "a request that is never below zero": text(f"{_REQUEST}, -48 Nm,", f"{_REQUEST}, 0 Nm,"),
        "coolant in doubt at 190 degF": _safe("CoolantTemp", _COOLANT, "190 degF"),
        "oil temperature in doubt at 190 degF": _safe("OilTemp", _OIL_TEMP, "190 degF"),
        "oil pressure in doubt at 300 kPa": _safe(
            "OilPressure", "clamp(donor.PCM_STATUS.OilPressure, 0 kPa, 868 kPa)", "300 kPa"
        ),
        "an oil lamp that is dark in doubt": _safe("OilLamp", "donor.PCM_THERMAL.OilLamp", "0"),
        "a charge lamp that is dark in doubt": _safe("ChargeLamp", "donor.PCM_THERMAL.ChargeLamp", "0"),
        "torque zero in doubt": text('1546 Nm)", limits', '1546 Nm)", fallback = "0 Nm", limits'),
        "torque held for two seconds": text('"1546 Nm"] }\nDemand', '"1546 Nm"], hold_ms = 2000 }\nDemand'),
        "a request's safe answer that asks for a little": text('fallback = "143.5 %"', 'fallback = "100 %"'),
        "oil pressure that is never fresh for long": text("max_age_ms = 750", "max_age_ms = 60"),
        "a minute of after-run": text("after_run_ms = 1200", "after_run_ms = 60000"),
        "sleep at the default": text("sleep_after_ms = 3000\n", ""),
        "asleep after 150 ms": text("sleep_after_ms = 3000", "sleep_after_ms = 150"),
        "ambient temperature clamped at 10 degC": text(
            "AmbientTemp, -40 degC, 87 degC", "AmbientTemp, -40 degC, 10 degC"
        ),
        "vehicle speed smoothed over a second": text(
            "clamp(host.BrakeData.VehicleSpeed,", "clamp(lowpass(host.BrakeData.VehicleSpeed, 1 s),"
        ),
        "oil pressure smoothed over ten seconds": text(
            "clamp(donor.PCM_STATUS.OilPressure,", "clamp(lowpass(donor.PCM_STATUS.OilPressure, 10 s),"
        ),
        "coolant smoothed over a minute": text(
            "clamp(donor.PCM_THERMAL.Coolant,", "clamp(lowpass(donor.PCM_THERMAL.Coolant, 60 s),"
        ),
        "a dial in degF": text('x = "degC"\ny', 'x = "degF"\ny'),
        "kick-down never": text('"donor.PCM_PEDAL.KickDown"', '"0"'),
        "a pedal that is not released in doubt": text(
            'PedalReleased", fallback = "1"', 'PedalReleased", fallback = "0"'
        ),
        "idle in doubt": text('Idle", fallback = "0"', 'Idle", fallback = "1"'),
        "a pedal that is always released": text('"donor.PCM_PEDAL.PedalReleased"', '"1"'),
        "idle flag turned round": text('"donor.PCM_FAST.Idle"', '"not donor.PCM_FAST.Idle"'),
        "compressor permission turned round": text('CompressorAllowed = "donor', 'CompressorAllowed = "not donor'),
        "reduction flag turned round": text('"donor.PCM_FAST.ReductionAck"', '"not donor.PCM_FAST.ReductionAck"'),
        "reduction never acknowledged": text('"donor.PCM_FAST.ReductionAck"', '"0"'),
        "charge lamp turned round": text('ChargeLamp = "donor', 'ChargeLamp = "not donor'),
        "park/neutral turned round": text(_NEUTRAL, f"not ({_NEUTRAL})"),
        "a gear of at most three": text('"host.TransRequest.Gear"', '"min(host.TransRequest.Gear, 3)"'),
        "fuel used twice": text(
            '"donor.PCM_THERMAL.FuelUsed"', '"clamp(donor.PCM_THERMAL.FuelUsed * 2, 0 ml, 6553 ml)"'
        ),
        "pedal 5 % too low": text("clamp(donor.PCM_PEDAL.Pedal,", "clamp(donor.PCM_PEDAL.Pedal - 5 %,"),
        "throttle 10 % too low": text("clamp(donor.PCM_PEDAL.Throttle,", "clamp(donor.PCM_PEDAL.Throttle - 10 %,"),
        "manifold pressure 10 kPa too low": text(
            '"donor.PCM_PEDAL.ManifoldPressure"', '"max(donor.PCM_PEDAL.ManifoldPressure - 10 kPa, 0 kPa)"'
        ),
        "oil temperature 11 degC too high": text(
            "clamp(donor.PCM_THERMAL.OilTemp,", "clamp(donor.PCM_THERMAL.OilTemp + 11 degC,"
        ),
        "temperatures from the first turn on": _in_states("host.EngineTemps", 100, '"crank", "run", "after_run"'),
        "a request a tenth too high": text(f"clamp({_REQUEST},", f"clamp({_REQUEST} * 1.1,"),
        "a key held for a minute": text("'On'\", hold_ms = 1000", "'On'\", hold_ms = 60000"),
        "a brake that comes a second late": text(
            'BrakePressed = "host.BrakeData.BrakePressed"',
            'BrakePressed = "debounce(host.BrakeData.BrakePressed, 1 s)"',
        ),
        "a brake that comes 0.3 s late": text(
            'BrakePressed = "host.BrakeData.BrakePressed"',
            'BrakePressed = "debounce(host.BrakeData.BrakePressed, 0.3 s)"',
        ),
        "a request that is active 50 ms late": text(
            '"host.TransRequest.RequestActive"', '"delay(host.TransRequest.RequestActive, 50 ms)"'
        ),
        "coolant held for 20 s": _held("CoolantTemp", _COOLANT, 20_000),
        "oil pressure held for 20 s": _held(
            "OilPressure", "clamp(donor.PCM_STATUS.OilPressure, 0 kPa, 868 kPa)", 20_000
        ),
        "an oil lamp held for ten seconds": _held("OilLamp", "donor.PCM_THERMAL.OilLamp", 10_000),
        "fifth gear in doubt": text('TransRequest.Gear", fallback = "1"', 'TransRequest.Gear", fallback = "5"'),
        "20 degC outside in doubt": text(_AMBIENT, f'{{ value = {_AMBIENT}, fallback = "20 degC" }}'),
        "a full tank in doubt": _safe("FuelLevel", "clamp(host.ClusterData.FuelLevel, 0 %, 100 %)", "100 %"),
        "temperatures that count again after a hundred good frames": _source("donor.PCM_THERMAL", "recover = 100"),
        "a counter of which any step is right": _source("donor.PCM_FAST", "lost_ok = 100"),
        "engine data not while cranking": _in_states("host.EngineData", 10, '"key_on", "run", "after_run"'),
    },
    "wrong or damaged recording": {
        "no cranking": _without_starts,
        "no running": _without_rpm(450, 1e9),
        "each other's readings": lambda w: replace(w, stimuli={"host": w.stimuli["donor"], "donor": w.stimuli["host"]}),
        "the host's readings 5 s late": _shifted("host", 5),
        "the donor's readings 2 s late": _shifted("donor", 2),
        "a recorder's clock half a per cent fast": capture("donor", lambda c: _clock(c, 1.005)),
        "every frame of the host twice": capture("host", _doubled),
        "only the key off": capture("host", lambda c: seconds(c, 0, 6)),
        "the donor as the unplugged host": lambda w: replace(
            w, unplugged={"host": replace(w.captures["donor"], bus_names=("host",))}
        ),
        "temperatures that stand still from the middle on": capture("donor", _frozen(0x291, 60)),
        "an old filler of ones": both(capture("host", flip_payload(640, 1, 0x3F))),
    },
    "edited plan": {
        "other filler": sends_edited("host.EngineTemps", _rest_bits(1, 0x3F)),
        "other filler of a greeting": sends_edited("host.EngineHello", _rest_bits(7, 0xFF)),
        "no gap": sends_edited("donor.TCU_REQUEST", lambda s: replace(s, gap_us=0)),
        "a greeting once": sends_edited("host.EngineHello", lambda s: replace(s, count=1)),
        "going on for five seconds": sends_edited("host.EngineAwake", lambda s: replace(s, linger_us=5_000_000)),
        "heard counters taken out": plan(
            lambda p: replace(p, receives=tuple(replace(r, counter=None) for r in p.receives))
        ),
        "nothing sent on arrival": plan(lambda p: replace(p, feeds=tuple(replace(f, triggers=()) for f in p.feeds))),
        "a speed that begins late": sends_edited("donor.ESC_SPEED", lambda s: replace(s, delay_us=150_000)),
        "an oil lamp that is dark in doubt": sends_edited("host.EngineTemps", _other_fallback("OilLamp", 0)),
        "which bus wakes it": plan(lambda p: replace(p, buses=tuple(replace(b, wakes=not b.wakes) for b in p.buses))),
    },
}
"""By class, as in the catalogue."""
