"""Prove room's tests: realistic mistakes seeded into a sound swap, one at a time, by class. Run by `test_mistakes`.

Each takes the `World` of the demo's swap and gives one with a single mistake in it: in a map, the bridge file, a
recording, the needs list, or the plan after it was compiled.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from swapbridge.capture.capture import ERROR, Capture, ReadNotes
from swapbridge.capture.stimulus import StimulusTrack
from swapbridge.compiler.compile import compile_bridge
from swapbridge.core.errors import SwapbridgeError
from swapbridge.core.integrity import Counter, Crc, Sum
from swapbridge.core.needs import Need, load_needs
from swapbridge.demo.folder import DONOR_RUNNING, HOST_RUNNING, HOST_UNPLUGGED, demo_recordings
from swapbridge.demo.maps import demo_file, donor_map, host_map
from swapbridge.language.model import BridgeFile
from swapbridge.language.reading import parse_bridge
from swapbridge.plan.model import Plan
from swapbridge.proving.judges.order import JUDGES
from swapbridge.proving.prove import prove, take_up
from swapbridge.proving.verdict import Verdict
from swapbridge.signalmap.model import MapMessage, MapSignal, SignalMap


@dataclass(frozen=True)
class World:
    """All that a proof is made from."""

    bridge: str
    maps: dict[str, SignalMap]
    captures: dict[str, Capture]
    stimuli: dict[str, StimulusTrack]
    needs: str
    unplugged: dict[str, Capture]
    edit: Callable[[Plan], Plan] = field(default=lambda plan: plan)


def sound_world(seed: int = 20) -> World:
    """The demo's swap as it was written by hand."""
    recordings = dict(demo_recordings(seed))
    return World(
        bridge=demo_file("bridge.toml").decode(),
        maps={"host": host_map(), "donor": donor_map()},
        captures={"host": recordings[HOST_RUNNING].capture, "donor": recordings[DONOR_RUNNING].capture},
        stimuli={"host": recordings[HOST_RUNNING].stimulus, "donor": recordings[DONOR_RUNNING].stimulus},
        needs=demo_file("needs.toml").decode(),
        unplugged={"host": recordings[HOST_UNPLUGGED].capture},
    )


def verdict_of(world: World, folder: Path) -> Verdict | str:
    """Compile and prove without faults; the compiler's words where it refuses."""
    try:
        bridge, made, listed = _compiled(world, folder)
        return prove(
            made, world.captures, bridge, world.maps, needs=listed, unplugged=world.unplugged, stimuli=world.stimuli,
            thoroughness="none",
        )  # fmt: skip
    except SwapbridgeError as error:
        return f"refused: {error}"


def refused_by(world: World, folder: Path) -> str:
    """What the first judge that refuses says, or the compiler; "" where all judges pass, as they do in a proof.

    A proof asks all of them; who only wants to know whether there is a PASSED can stop at the first that says no.
    """
    try:
        bridge, made, listed = _compiled(world, folder)
        case = take_up(
            made, world.captures, bridge, world.maps, needs=listed, unplugged=world.unplugged, stimuli=world.stimuli
        )
    except SwapbridgeError as error:
        return f"refused: {error}"
    judges = iter(JUDGES)
    while not (no := [c for c in case.said if c.status in ("fail", "unproved")]):
        following = next(judges, None)
        if following is None:
            return ""
        case.said += following[2](case)
    return "; ".join(f"{c.area}, {c.subject}, {c.name}: {c.measured}" for c in no[:3])


def _compiled(world: World, folder: Path) -> tuple[BridgeFile, Plan, tuple[Need, ...]]:
    needs_file = folder / "needs.toml"
    needs_file.write_text(world.needs)
    bridge = parse_bridge(world.bridge, str(folder / "bridge.toml"))
    return bridge, world.edit(compile_bridge(bridge, world.maps).plan), load_needs(needs_file)


# --- how a world is changed

Change = Callable[[World], World]


def _with_map(world: World, bus: str, change: Callable[[MapMessage], MapMessage]) -> World:
    signal_map = world.maps[bus]
    changed = replace(signal_map, messages=tuple(change(m) for m in signal_map.messages))
    return replace(world, maps={**world.maps, bus: changed})


def message(bus: str, name: str, **changes: Any) -> Change:
    """A message of a map with some attributes changed."""
    return lambda world: _with_map(world, bus, lambda m: replace(m, **changes) if m.name == name else m)


def signal(place: str, **changes: Any) -> Change:
    """A signal with attributes changed; start, length, byte_order and signed are its layout's."""
    bus, name, signal_name = place.split(".")

    def of_signal(one: MapSignal) -> MapSignal:
        layout = {k: changes[k] for k in ("start", "length", "byte_order", "signed") if k in changes}
        rest: dict[str, Any] = {
            k: Fraction(v) if k in ("scale", "offset") else v for k, v in changes.items() if k not in layout
        }
        moved = replace(one.layout, **layout)
        if one.checksum is not None and "checksum" not in rest and layout:
            rest["checksum"] = replace(one.checksum, layout=moved)
        return replace(one, layout=moved, **rest)

    def of_message(one: MapMessage) -> MapMessage:
        if one.name != name:
            return one
        assert one.signal(signal_name) is not None, place
        return replace(one, signals=tuple(of_signal(s) if s.name == signal_name else s for s in one.signals))

    return lambda world: _with_map(world, bus, of_message)


def swapped(bus: str, name: str, a: str, b: str) -> Change:
    """Two signals of a message that take each other's bits."""

    def of_message(one: MapMessage) -> MapMessage:
        if one.name != name:
            return one
        first, second = one.signal(a), one.signal(b)
        assert first is not None
        assert second is not None
        places = {a: second.layout, b: first.layout}
        return replace(
            one, signals=tuple(replace(s, layout=places[s.name]) if s.name in places else s for s in one.signals)
        )

    return lambda world: _with_map(world, bus, of_message)


def without(place: str) -> Change:
    """A signal taken out of its map."""
    bus, name, gone = place.split(".")
    return lambda world: _with_map(
        world, bus, lambda m: replace(m, signals=tuple(s for s in m.signals if m.name != name or s.name != gone))
    )


def method(place: str, **changes: Any) -> Change:
    """A checksum's method with parameters changed."""
    bus, name, signal_name = place.split(".")

    def change(world: World) -> World:
        found = world.maps[bus].message(name)
        one = found.signal(signal_name) if found is not None else None
        assert one is not None
        assert one.checksum is not None
        checksum = replace(one.checksum, method=replace(one.checksum.method, **changes))
        return signal(place, checksum=checksum)(world)

    return change


def text(old: str, new: str) -> Change:
    """The bridge file with a piece of text replaced."""

    def change(world: World) -> World:
        assert old in world.bridge, old
        return replace(world, bridge=world.bridge.replace(old, new))

    return change


def needs(old: str, new: str) -> Change:
    """The needs list with a piece of text replaced."""

    def change(world: World) -> World:
        assert old in world.needs, old
        return replace(world, needs=world.needs.replace(old, new))

    return change


def both(*changes: Change) -> Change:
    """One mistake in two places."""

    def change(world: World) -> World:
        for one in changes:
            world = one(world)
        return world

    return change


def capture(bus: str, of: Callable[[Capture], Capture | None]) -> Change:
    """A recording changed, or taken away."""

    def change(world: World) -> World:
        new = of(world.captures[bus])
        kept = {b: c for b, c in world.captures.items() if b != bus}
        return replace(world, captures=kept if new is None else {**kept, bus: new})

    return change


def plan(change: Callable[[Plan], Plan]) -> Change:
    """The plan edited after it was compiled."""
    return lambda world: replace(world, edit=change)


def _rest(name: str) -> Change:
    """A whole message as rest = "zero"."""

    def change(world: World) -> World:
        head, _, tail = world.bridge.partition(f'send = "{name}"')
        block, mark, after = tail.partition("[messages.signals]")
        _, cut, others = after.partition("\n[[messages]]")
        return replace(world, bridge=f'{head}send = "{name}"{block}rest = "zero"\n{cut}{others}' if mark else head)

    return change


def _flip_payload(ident: int, byte: int, bits: int) -> Callable[[Capture], Capture]:
    def change(one: Capture) -> Capture:
        payload = one.payload.copy()
        payload[one.identifier == ident, byte] ^= bits
        return replace(one, payload=payload)

    return change


def _seconds(one: Capture, start: float, end: float) -> Capture:
    first = int(one.time_ns[0])
    return one.select((one.time_ns >= first + int(start * 1e9)) & (one.time_ns < first + int(end * 1e9)))


def _half_counters(ident: int, byte: int) -> Callable[[Capture], Capture]:
    def change(one: Capture) -> Capture:
        payload = one.payload.copy()
        rows = np.flatnonzero(one.identifier == ident)[::2]
        payload[rows, byte] ^= 0x05
        return replace(one, payload=payload)

    return change


def _lossy(share: float) -> Callable[[Capture], Capture]:
    return lambda one: one.select(np.random.default_rng(1).random(len(one)) > share)


def _hole(start: float, end: float) -> Callable[[Capture], Capture]:
    """The recorder stopped meanwhile."""

    def change(one: Capture) -> Capture:
        seconds = (one.time_ns - one.time_ns[0]) / 1e9
        return one.select((seconds < start) | (seconds > end))

    return change


_XOR_RANGE = Crc(8, 0x1D, 0xFF, False, 0xFF, tuple(range(7)))
CHOICES = {0: "Stopped", 1: "Running", 2: "Cranking"}
FAST, THERMAL, PEDAL, TORQUE, STATUS = (f"donor.PCM_{n}" for n in ("FAST", "THERMAL", "PEDAL", "TORQUE", "STATUS"))
_TORQUE_VALUE = 'ActualTorque = { value = "clamp(donor.PCM_FAST.ActualTorque, -500 Nm, 1546 Nm)"'
_REQUEST = 'value = "clamp(host.TransRequest.TorqueRequest, -48 Nm, 690 Nm)"'

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
        "gear from target gear": text('host.TransRequest.Gear"', 'host.TransRequest.IdleRaise"'),
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
        "temperatures all zero": _rest("host.EngineTemps"),
        "the pedal message all zero": _rest("host.PedalData"),
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
            "donor", lambda c: replace(_seconds(c, 0, 70), notes=ReadNotes(stopped="the file ends in the middle"))
        ),
        "the first quarter only": capture("host", lambda c: _seconds(c, 0, 36)),
        "a recording that begins under way": capture("donor", lambda c: _seconds(c, 70, 1000)),
        "a logger that lost two thirds": capture("donor", _lossy(0.66)),
        "half of a message's counters wrong on a lossy logger": both(
            capture("host", _lossy(0.04)), capture("host", _half_counters(200, 6))
        ),
        "a byte of the engine data inverted": capture("donor", _flip_payload(257, 0, 0xFF)),
        "the clock runs ten times too slow": capture(
            "donor", lambda c: replace(c, time_ns=c.time_ns[0] + (c.time_ns - c.time_ns[0]) // 10)
        ),
        "a hole of twenty seconds": capture("donor", _hole(60, 80)),
        "one module not on the bus": capture("host", lambda c: c.select(c.identifier != 500)),
    },
    "edited plan": {
        "a period": plan(lambda p: replace(p, sends=(replace(p.sends[0], period_us=20_000), *p.sends[1:]))),
        "a safe answer": plan(lambda p: _other_fallback(p)),
        "an age limit": plan(lambda p: replace(p, feeds=(replace(p.feeds[0], max_age_us=900_000), *p.feeds[1:]))),
        "an identifier heard": plan(
            lambda p: replace(p, receives=(replace(p.receives[0], word=p.receives[0].word ^ 1), *p.receives[1:]))
        ),
    },
    "needs": {
        "a message not sent": lambda w: replace(w, bridge=_without_message(w.bridge, "host.PedalData")),
        "a need of another role": needs('role = "friction_torque"', 'role = "oil_pressure"'),
        "a need with another length": needs(
            'id = "12C"\nperiod_ms = 20\nlength = 6', 'id = "12C"\nperiod_ms = 20\nlength = 8'
        ),
        "a need with another period": needs('id = "151"\nperiod_ms = 20', 'id = "151"\nperiod_ms = 10'),
        "a need that nothing supplies": lambda w: replace(
            w, needs=w.needs + '\n[[need]]\nmodule = "steering"\nbus = "host"\nid = "0C9"\nhow = "can"\n'
        ),
    },
}


def _other_fallback(one: Plan) -> Plan:
    send = one.sends[0]
    variant = send.variants[0]
    fields = tuple(replace(f, layout=f.layout, fallback=0) if i == 1 else f for i, f in enumerate(variant.fields))
    changed = replace(send, variants=(replace(variant, fields=fields), *send.variants[1:]))
    return replace(one, sends=(changed, *one.sends[1:]))


def _without_message(bridge: str, name: str) -> str:
    head, _, tail = bridge.partition(f'[[messages]]\nsend = "{name}"')
    return head + "[[messages]]" + tail.partition("\n[[messages]]")[2]


ALL: dict[str, Change] = {f"{kind}: {name}": change for kind, some in MISTAKES.items() for name, change in some.items()}
"""Every mistake by class and name."""
_ = (_XOR_RANGE, Sum)
