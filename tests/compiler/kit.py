"""Small hand-made maps of two invented vehicles, bridge files for them, and traffic, for the bridge's tests."""

from __future__ import annotations

import random
from fractions import Fraction as F
from typing import Any

from swapbridge.compiler.compile import CompileResult, compile_bridge
from swapbridge.core.integrity import Affine, Checksum, Counter, Crc, Sum
from swapbridge.core.layout import Layout
from swapbridge.language.reading import parse_bridge
from swapbridge.plan.python.translator import Translator
from swapbridge.signalmap.signal_map import MapMessage, MapNode, MapSignal, SignalMap
from tests.plan.slow_translator import SlowTranslator


def signal(name: str, start: int, length: int, **options: Any) -> MapSignal:
    """A signal; `big`, `signed` for its layout, `scale` and `offset` as text, `range` as a pair."""
    order = "big_endian" if options.pop("big", False) else "little_endian"
    layout = Layout(start, length, order, options.pop("signed", False))  # type: ignore[arg-type]
    scale, offset = F(options.pop("scale", "1")), F(options.pop("offset", "0"))
    low, high = options.pop("range", (None, None))
    ends = (None, None) if low is None else (F(low), F(high))
    return MapSignal(name, layout, scale, offset, *ends, **options)


DONOR = SignalMap(
    (
        MapMessage(
            "PCM_FAST", 0x100, False, 8,
            (
                signal("RPM", 7, 16, big=True, scale="0.25", unit="rpm", role="engine_speed", not_available=(65535,)),
                signal("Pedal", 16, 8, scale="0.4", unit="%", role="pedal_position"),
                signal("Tq", 24, 8, offset="-125", unit="%", role="actual_torque", reference="500 Nm"),
                signal("Run", 32, 1),
                signal("Mode", 33, 3, choices={0: "Off", 1: "Crank", 2: "Idle", 3: "Drive", 7: "SNA"}),
                signal("Lamp", 36, 1, choices={0: "Off", 1: "On"}),
                signal("Cnt", 48, 4, counter=Counter(0, 14)),
                signal(
                    "Crc", 56, 8,
                    checksum=Checksum(Layout(56, 8), Crc(8, 0x1D, 0xFF, False, 0xFF, (0, 1, 2, 3, 4, 5, 6), b"\x12")),
                ),
            ),
            period_ms=F(10), senders=("PCM",),
        ),
        MapMessage(
            "PCM_SLOW", 0x300, False, 8,
            (
                signal("Coolant", 0, 8, offset="-40", unit="degC", role="coolant_temperature", not_available=(255,)),
                signal("Fuel", 8, 12, scale="0.05", unit="L/h"),
                signal("Oil", 20, 12, scale="0.5", unit="kPa", role="oil_pressure"),
                signal("Trim", 32, 10, signed=True, scale="0.03937", unit="%"),
                signal("Ratio", 48, 16, scale="1/256".replace("1/256", "0.00390625"), unit=""),
            ),
            period_ms=F(100), senders=("PCM",),
        ),
        MapMessage(
            "PCM_MUX", 0x18FF0010, True, 8,
            (
                signal("Page", 0, 8, is_multiplexer=True),
                signal("Volts", 8, 16, scale="0.01", unit="V", mux_signal="Page", mux_values=(1,)),
                signal("Amps", 8, 16, signed=True, scale="0.1", unit="A", mux_signal="Page", mux_values=(2,)),
                signal("Float", 32, 32, is_float=True, unit="", mux_signal="Page", mux_values=(2,)),
            ),
            period_ms=F(50), senders=("PCM",),
        ),
        MapMessage(
            "VSC_D", 0x220, False, 8,
            (
                signal(
                    "Speed", 7, 16, big=True, scale="0.01", unit="km/h", role="vehicle_speed", not_available=(65535,)
                ),
                signal("Brake", 16, 1, role="brake_switch"),
                signal("Lever", 20, 4, choices={0: "P", 1: "R", 2: "N", 3: "D", 15: "Invalid"}, role="current_gear"),
                signal("Reduce", 24, 10, scale="0.5", unit="Nm", role="torque_reduction_request"),
                signal("Cnt", 40, 2, counter=Counter(0, 3)),
                signal("Sum", 48, 8, checksum=Checksum(Layout(48, 8), Sum(8, (0, 1, 2, 3, 4, 5), 8, -1, -1))),
            ),
            period_ms=F(20), senders=("VSC",),
        ),
    ),
    (MapNode("PCM", "engine"), MapNode("VSC", "braking")),
)  # fmt: skip

HOST = SignalMap(
    (
        MapMessage(
            "EngineStatus", 0x200, False, 8,
            (
                signal("Speed", 0, 16, scale="0.125", unit="rpm", role="engine_speed", not_available=(65535,)),
                signal("Temp", 16, 8, unit="", role="value", range=("0", "250")),
                signal("Lamp", 24, 1, role="malfunction_lamp"),
                signal("Running", 25, 1, role="engine_running"),
                signal("State", 26, 3, choices={0: "Stopped", 1: "Cranking", 2: "Idling", 3: "Driving", 7: "Invalid"}),
                signal("Cnt", 48, 4, counter=Counter(1, 15)),
                signal(
                    "Chk", 56, 8,
                    checksum=Checksum(
                        Layout(56, 8), Crc(8, 0x2F, 0xFF, False, 0xFF, (0, 1, 2, 3, 4, 5, 6)),
                        Layout(48, 4), tuple(range(3, 19)),
                    ),
                ),
            ),
            period_ms=F(20), senders=("ECM",),
        ),
        MapMessage(
            "EngineTorque", 0x110, False, 8,
            (
                signal(
                    "Actual", 7, 12, big=True, scale="0.5", offset="-500", unit="Nm", role="actual_torque",
                    not_available=(4095,),
                ),
                signal("Pedal", 16, 8, scale="0.5", unit="%", role="pedal_position", range=("0", "100")),
                signal("Cnt", 40, 4, counter=Counter(0, 15)),
                signal(
                    "Xor", 48, 8,
                    checksum=Checksum(Layout(48, 8), Affine(8, tuple(0x0101_0101_0101 << k for k in range(8)), 0x5A)),
                ),
            ),
            period_ms=F(10), senders=("ECM",),
        ),
        MapMessage(
            "EngineMux", 0x400, False, 8,
            (
                signal("Page", 0, 4, is_multiplexer=True),
                signal("Fuel", 8, 16, scale="0.01", unit="L", role="fuel_used", mux_signal="Page", mux_values=(1,)),
                signal("Oil", 8, 8, scale="4", unit="kPa", role="oil_pressure", mux_signal="Page", mux_values=(2,)),
                signal(
                    "Volts", 16, 8, scale="0.1", unit="V", role="module_voltage", mux_signal="Page", mux_values=(2,)
                ),
            ),
            period_ms=F(100), senders=("ECM",),
        ),
        MapMessage(
            "EngineInfo", 0x500, False, 4,
            (signal("Code", 0, 16, unit="", role="value"), signal("Ref", 16, 12, unit="Nm", role="reference_torque")),
            senders=("ECM",),
        ),
        MapMessage(
            "Ack", 0x120, False, 2,
            (
                signal("State", 0, 4, choices={0: "Stopped", 1: "Cranking", 2: "Idling", 3: "Driving"}),
                signal("Brake", 8, 1, role="brake_switch"),
            ),
            senders=("ECM",),
        ),
        MapMessage(
            "Wheels", 0x210, False, 8,
            (
                signal("Speed", 0, 16, scale="0.01", unit="km/h", role="vehicle_speed", not_available=(65535,)),
                signal("Brake", 16, 1),
                signal("Gear", 20, 3, choices={0: "P", 1: "R", 2: "N", 3: "D"}),
                signal("Reduce", 24, 8, scale="2", unit="Nm"),
            ),
            period_ms=F(20), senders=("ABS",),
        ),
        MapMessage(
            "Key", 0x600, False, 2,
            (
                signal("Pos", 0, 2, choices={0: "Off", 1: "On", 2: "Start"}),
                signal("Ambient", 8, 8, scale="0.5", offset="-40", unit="degC"),
            ),
            period_ms=F(100), senders=("BCM",),
        ),
    ),
    (MapNode("ECM", "engine"), MapNode("ABS", "braking"), MapNode("BCM", "body"), MapNode("TCM", "transmission")),
)  # fmt: skip

HEAD = """
[bridge]
name = "test swap"
[buses.donor]
placement = "inline"
absent = ["VSC"]
[buses.host]
placement = "inline"
absent = ["ECM"]
"""

RICH = (
    HEAD
    + '''
[units]
"pct" = "%"
[constants]
top = "7000 rpm"
[tables.gauge]
x = "degC"
y = ""
points = [[-40, 0], [60, 100], [100, 110], [120, 250]]
[values]
running = "donor.PCM_FAST.Run and donor.PCM_FAST.RPM > 400 rpm"
mode = """lookup(donor.PCM_FAST.Mode, 'Off': 'Stopped', 'Crank': 'Cranking', 'Idle': 'Idling',
    'Drive': 'Driving')"""
lamp = "donor.PCM_FAST.Lamp == 'On'"
[sources."donor.PCM_FAST"]
recover = 4
lost_ok = 2
[sources."donor.PCM_SLOW"]
max_age_ms = 350
[sources."donor.PCM_SLOW".signals.Coolant]
range = ["-30 degC", "150 degC"]

[states]
key_on = "host.Key.Pos != 'Off'"
crank = "host.Key.Pos == 'Start'"
run = "running"
after_run_ms = 300
sleep_after_ms = 800

[[messages]]
send = "host.EngineStatus"
rest = "zero"
[messages.signals]
Speed = "lowpass(clamp(donor.PCM_FAST.RPM, 0 rpm, top), 0.05 s)"
Temp = { value = "table(donor.PCM_SLOW.Coolant, gauge)", fallback = 250 }
Lamp = "debounce(donor.PCM_FAST.Lamp == 'On', 0.03 s, 0.1 s)"
Running = { value = "running", hold_ms = 200, seen_states = ["crank", "run", "after_run"] }
State = { value = "mode", fallback = "'Invalid'" }

[[messages]]
send = "host.EngineTorque"
on_arrival = ["donor.PCM_FAST"]
period_ms = 25
[messages.signals]
Actual = "max(donor.PCM_FAST.Tq + 0.5 * rate_limit(donor.PCM_FAST.Tq, 900 Nm, 400 Nm), -500 Nm)"
Pedal = "min(delay(donor.PCM_FAST.Pedal, 0.04 s), 100 %)"

[[messages]]
send = "host.EngineMux"
mux = [1, 2, 2]
period_ms = 30
delay_ms = 15
[messages.signals]
Fuel = "accumulate(donor.PCM_SLOW.Fuel, wrap = 655.36 L)"
Oil = "clamp(first_valid(donor.PCM_SLOW.Oil, 3 bar), 0 kPa, 1000 kPa)"
[messages.signals.Volts]
value = "clamp(donor.PCM_MUX.Volts * (1 + donor.PCM_SLOW.Trim / 1 % / 1000), 0 V, 25 V)"
fallback = "0 V"
hold_ms = 120

[[messages]]
send = "host.EngineInfo"
once = true
delay_ms = 40
[messages.signals]
Code = "0x1234"
Ref = "500 Nm"

[[messages]]
send = "host.Ack"
on_change = true
gap_ms = 35
delay_ms = 5
[messages.signals]
State = { value = "choose(time_since(lamp) < 0.2 s, 'Cranking', 'Driving')", fallback = "'Stopped'" }
Brake = "toggle(lamp) and not rising(donor.PCM_FAST.Run) and age(donor.PCM_FAST) < 45 ms"

[[messages]]
send = "donor.VSC_D"
when_stale = "stop"
states = ["key_on", "run", "after_run"]
[messages.signals]
Speed = "min(host.Wheels.Speed, 600 km/h)"
Brake = "hold(host.Wheels.Brake, 0.05 s)"
Lever = "host.Wheels.Gear"
[messages.signals.Reduce]
value = "choose(hysteresis(host.Wheels.Reduce, 30 Nm, 20 Nm), host.Wheels.Reduce, 0 Nm)"
limits = ["0 Nm", "400 Nm"]
fallback = "0 Nm"

[[pass]]
from = "host"
to = "donor"
ids = ["600", "123"]
[[pass]]
from = "donor"
to = "host"
ids = ["all"]
[[block]]
from = "donor"
to = "host"
ids = ["300-310"]

[diagnostics]
mode = "answer"
tester = "host"
answers = { "0C" = "min(donor.PCM_FAST.RPM, 16000 rpm)", "05" = "donor.PCM_SLOW.Coolant" }
'''
)


def compile_text(text: str, donor: SignalMap = DONOR, host: SignalMap = HOST) -> CompileResult:
    return compile_bridge(parse_bridge(text), {"donor": donor, "host": host})


class Traffic:
    """Random frames of a plan's sources: mostly right, sometimes lost, late, short or wrong."""

    def __init__(self, result: CompileResult, seed: int) -> None:
        self.random = random.Random(seed)
        self.plan = result.plan
        self.counters = [0] * len(self.plan.receives)

    def frame(self) -> tuple[int, int, bytes]:
        r, plan = self.random, self.plan
        choice = r.random()
        if choice < 0.05:
            return r.randrange(len(plan.buses)), r.randrange(0x800), r.randbytes(r.randrange(9))
        if choice < 0.1:
            return 1, r.choice([0x7DF, 0x7E0]), bytes([2, 1, r.choice([0, 5, 0xC, 0x20])]) + bytes(5)
        number = r.randrange(len(plan.receives))
        receive = plan.receives[number]
        data = bytearray(r.randbytes(max(receive.minimum_length, 8)))
        if receive.mux is not None and r.random() < 0.9:
            receive.mux.pack(data, r.choice([v for n in receive.feeds for v in plan.feeds[n].mux_values] or [0]))
        if receive.counter is not None and r.random() < 0.97:
            check = receive.counter
            cycle = check.high - check.low + 1
            step = r.choice([1, 1, 1, 1, 1, 2, 3, 5, 0]) * check.step
            self.counters[number] = check.low + (self.counters[number] - check.low + step) % cycle
            check.layout.pack(data, self.counters[number])
        if receive.checksum is not None and r.random() < 0.97:
            receive.checksum.insert(data)
        if r.random() < 0.02:
            data = data[: r.randrange(len(data))]
        return receive.bus, receive.word, bytes(data)


def drive(result: CompileResult, seed: int, steps: int, start: int = 0) -> int:
    """Feed the translator and the oracle the same random traffic and times; every call must agree. Frames sent."""
    traffic = Traffic(result, seed)
    r = traffic.random
    fast, slow = Translator(result.plan), SlowTranslator(result.plan)
    now, sent = start & 0xFFFF_FFFF, 0
    quiet = 0
    for _ in range(steps):
        pace = r.random()
        now += r.randrange(200) if pace < 0.4 else r.randrange(4000) if pace < 0.98 else r.randrange(60_000)
        if r.random() < 0.001:
            now += r.choice([200_000, 900_000, 3_000_000])
        now &= 0xFFFF_FFFF
        if r.random() < 0.002:
            quiet = r.randrange(300)
        quiet = max(0, quiet - 1)
        if r.random() < 0.6 and not quiet:
            bus, word, data = traffic.frame()
            fast.on_frame(bus, word, data, now)
            slow.on_frame(bus, word, data, now)
        if r.random() < 0.3:
            assert fast.next_poll(now) == slow.next_poll(now)
        for _ in range(r.choice([0, 1, 1, 2, 6])):
            a, b = fast.poll(now), slow.poll(now)
            assert (None if a is None else tuple(a)) == b
            sent += a is not None
    reports = fast._reports()
    assert list(reports["slots"]) == slow.slots
    return sent
