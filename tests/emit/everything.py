"""The demo's swap with everything that the language has beside it: what a board must bear at once."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from swapbridge.compiler.compile import compile_bridge
from swapbridge.core.layout import Layout
from swapbridge.demo.vehicle_maps import demo_file, donor_map, host_map
from swapbridge.language.reading import parse_bridge
from swapbridge.plan.plan import Plan
from swapbridge.signalmap.signal_map import BasePayload, MapMessage, MapSignal

PAGES = MapMessage(
    "EnginePages", 0x3F1, False, 8,
    (
        MapSignal("Page", Layout(0, 4), is_multiplexer=True),
        MapSignal("Used", Layout(8, 16), role="fuel_used", mux_signal="Page", mux_values=(1,)),
        MapSignal(
            "Oil", Layout(8, 8), scale=Fraction(4), unit="kPa", role="oil_pressure", mux_signal="Page", mux_values=(2,)
        ),
        MapSignal("Shared", Layout(32, 8), unit="%", scale=Fraction(1, 2), role="engine_load"),
        MapSignal("Mode", Layout(40, 3), role="status", mux_signal="Page", mux_values=(3,)),
    ),
    period_ms=Fraction(20), senders=("EngineModule",), page_order=(1, 2, 1, 3),
    base=BasePayload(bytes(8), bytes([0] * 6 + [255, 255]), 1000),
)  # fmt: skip
SPEED = 'EngineSpeed = { value = "clamp(donor.PCM_FAST.RPM, 0 rpm, 16000 rpm)"'
COOLANT = 'CoolantTemp = "clamp(donor.PCM_THERMAL.Coolant, -40 degF, 470 degF)"'
CHANGES = (
    (SPEED, SPEED.replace("donor.PCM_FAST.RPM", "lowpass(donor.PCM_FAST.RPM, 0.1 s)")
     + ', seen = ["0 rpm", "7000 rpm"], seen_states = ["key_on", "crank", "run"]'),
    ('AtIdle = { value = "donor.PCM_FAST.Idle"', 'AtIdle = { value = "delay(donor.PCM_FAST.Idle, 2 s)"'),
    ("clamp(donor.PCM_PEDAL.Throttle,", "clamp(rate_limit(donor.PCM_PEDAL.Throttle, 400 %),"),
    (COOLANT, 'CoolantTemp = { value = "clamp(delay(donor.PCM_THERMAL.Coolant, 2 s), -40 degF, 470 degF)", '
     'seen = ["-10 degC", "104 degC"] }'),
    ('OilLamp = "donor.PCM_THERMAL.OilLamp"', 'OilLamp = "debounce(donor.PCM_THERMAL.OilLamp, 0.3 s) or '
     'hysteresis(donor.PCM_STATUS.OilPressure, 50 kPa, 80 kPa)"'),
    ('send = "host.EngineAwake"\nperiod_ms = 500', 'send = "host.EngineAwake"\nperiod_ms = 500\nlast_ms = 400'),
    ('send = "donor.BCM_STATE"\nperiod_ms = 100\n',
     'send = "donor.BCM_STATE"\nperiod_ms = 100\non_change = true\ngap_ms = 20\n'),
)  # fmt: skip
"""Functions that remember, learned ranges, and lives, in place of what the demo has."""
PAGED = """
[[messages]]
send = "host.EnginePages"
with_bus = true
delay_ms = 30
states = ["key_on", "crank", "run"]
last_ms = 500
rest = "as recorded"
[messages.signals]
Used = "accumulate(donor.PCM_FAST.RPM / 1000 rpm, wrap = 65536)"
Oil = "clamp(donor.PCM_STATUS.OilPressure, 0 kPa, 1000 kPa)"
Shared = "clamp(donor.PCM_PEDAL.Throttle / 1 % * (donor.PCM_FAST.RPM / 8000 rpm) * 1 %, 0 %, 100 %)"
[messages.pages.3]
rest = "zero"
[messages.pages.3.signals]
Mode = { value = "choose(time_since(rising(donor.PCM_FAST.Idle)) < 3 s, 1, 2)", fallback = "0" }
"""


def everything_plan() -> Plan:
    """The plan of all that."""
    text = demo_file("bridge.toml").decode()
    for old, new in CHANGES:
        assert old in text, old
        text = text.replace(old, new)
    host = host_map()
    maps = {"host": replace(host, messages=(*host.messages, PAGES)), "donor": donor_map()}
    return compile_bridge(parse_bridge(text + PAGED, "everything.toml"), maps).plan
