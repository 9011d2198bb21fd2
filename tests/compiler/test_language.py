"""What functions and choices give, by worked examples: one frame in, the sent signal out."""

from __future__ import annotations

from fractions import Fraction as F

import pytest

from swapbridge.compiler.compile import compile_bridge
from swapbridge.core.layout import Layout
from swapbridge.language.reading import parse_bridge
from swapbridge.plan.python.translator import Translator
from swapbridge.signalmap.signal_map import MapMessage, MapSignal, SignalMap

GEARS = {0: "P", 1: "R", 2: "N", 3: "D", 7: "SNA"}
DONOR = SignalMap(
    (
        MapMessage(
            "A", 0x100, False, 8,
            (
                MapSignal("Tq", Layout(0, 8), F(1), F(-125), unit="%"),
                MapSignal("Ref", Layout(8, 16), unit="Nm", not_available=(65535,)),
                MapSignal("Gear", Layout(24, 3), choices=GEARS),
                MapSignal("Rpm", Layout(32, 16), F("0.25"), unit="rpm", choices={65535: "NotAvailable"}),
                MapSignal("T", Layout(48, 8), F("0.5"), F(-40), unit="degF"),
            ),
            period_ms=F(10),
        ),
        MapMessage("B", 0x101, False, 8, (MapSignal("Rpm", Layout(0, 16), F("0.5"), unit="rpm"),), period_ms=F(10)),
    )
)  # fmt: skip
HOST = SignalMap(
    (
        MapMessage(
            "Out", 0x200, False, 8,
            (
                MapSignal("Nm", Layout(0, 16, signed=True), F("0.1"), unit="Nm", role="requested_torque"),
                MapSignal("Pct", Layout(16, 8), F(1), F(-125), unit="%", role="requested_torque"),
                MapSignal("Lever", Layout(24, 3), choices={0: "D", 1: "N", 2: "R", 3: "P", 7: "Invalid"}),
                MapSignal("Rpm", Layout(32, 16), F("0.125"), unit="rpm", role="engine_speed", not_available=(65535,)),
                MapSignal("T", Layout(48, 8), F(1), F(-40), unit="degC", role="coolant_temperature"),
                MapSignal("Bit", Layout(56, 1)),
                MapSignal("Num", Layout(57, 7), role="value"),
            ),
        ),
    )
)  # fmt: skip


def send(name: str, rule: str, head: str = "", frames: tuple[bytes, ...] = (), wait_us: int = 0) -> int:
    """Raw value of a signal after these frames of A (and B, the second)."""
    text = (
        '[buses.d]\nplacement = "inline"\n[buses.h]\nplacement = "inline"\n' + head
        + '[[messages]]\nsend = "h.Out"\nperiod_ms = 10\nrest = "zero"\n[messages.signals]\n' + f"{name} = {rule}\n"
    )  # fmt: skip
    translator = Translator(compile_bridge(parse_bridge(text), {"d": DONOR, "h": HOST}).plan)
    for number, frame in enumerate(frames):
        translator.on_frame(0, 0x100 + number, frame, 0)
    layout = next(s.layout for s in HOST.messages[0].signals if s.name == name)
    out = None
    for now in range(wait_us, wait_us + 30_000, 500):
        sent = translator.poll(now)
        out = out if sent is None else layout.unpack(sent.data)
    assert out is not None
    return out


def a(tq: int = 0, ref: int = 500, gear: int = 0, rpm: int = 0, t: int = 0) -> bytes:
    return (tq | ref << 8 | gear << 24 | rpm << 32 | t << 48).to_bytes(8, "little")


REFERENCE = '[sources."d.A".signals.Tq]\nreference = "{}"\n'


@pytest.mark.parametrize(
    ("reference", "wanted"),
    [("500 Nm", 500), ("d.A.Ref", 500), ("368.7810 [lbf ft]", 500)],  # 368.781 lbf ft is 499.9999 Nm
)
def test_a_percent_torque_of_a_constant_or_a_signal(reference: str, wanted: int) -> None:
    rule = '{ value = "clamp(d.A.Tq, -3000 Nm, 3000 Nm)", fallback = "0 Nm" }'
    assert send("Nm", rule, REFERENCE.format(reference), (a(tq=135),)) == wanted
    assert send("Nm", rule, REFERENCE.format(reference), (a(tq=100),)) == -25 * 50


def test_a_torque_becomes_percent_of_its_own_reference() -> None:
    rule = '{ value = "clamp(d.A.Tq * 0.5, -625 Nm, 650 Nm)", fallback = "0 %", reference = "250 Nm" }'
    # 20 % of 500 Nm, halved, is 50 Nm: 20 % of 250 Nm
    head = REFERENCE.format("500 Nm").replace("reference", 'range = ["-300 Nm", "320 Nm"]\nreference')
    assert send("Pct", rule.replace("-625 Nm, 650 Nm", "-150 Nm, 160 Nm"), head, (a(tq=145),)) == 125 + 20


def test_the_functions_for_percent() -> None:
    assert (
        send(
            "Nm",
            '{ value = "clamp(percent_of(d.A.Tq, 200 Nm), -300 Nm, 300 Nm)", fallback = 0 }'.replace(
                "= 0 ", '= "0 Nm" '
            ),
            "",
            (a(tq=175),),
        )
        == 1000
    )
    rule = '{ value = "clamp(as_percent(d.A.Ref, 300 Nm) / 1 %, 0, 100)", fallback = 0 }'
    assert send("Num", rule, "", (a(ref=150),)) == 50


def test_choices_go_by_name_and_reserved_ones_fall_back() -> None:
    rule = '{ value = "d.A.Gear", fallback = "\'Invalid\'" }'
    wanted = {0: 3, 1: 2, 2: 1, 3: 0, 7: 7, 5: 7}
    for raw, target in wanted.items():
        assert send("Lever", rule, "", (a(gear=raw),)) == target
    assert send("Lever", rule, "", () if False else (a(gear=3),), wait_us=400_000) == 7, "stale"


def test_lookups() -> None:
    rule = "{ value = \"lookup(d.A.Gear, 'P': 10, 'D': 40, else 99)\", fallback = 1 }"
    assert [send("Num", rule, "", (a(gear=g),)) for g in (0, 1, 3, 7)] == [10, 99, 40, 1]
    partly = "{ value = \"lookup(d.A.Gear, 'P': 10, 'D': 40)\", fallback = 1 }"
    assert [send("Num", partly, "", (a(gear=g),)) for g in (0, 1, 3)] == [10, 1, 40]
    assert send("Bit", "{ value = \"d.A.Gear == 'D' or d.A.Gear == 'R'\", fallback = false }", "", (a(gear=3),)) == 1


def test_a_named_code_of_a_measured_signal_can_be_asked_for() -> None:
    rule = "{ value = \"d.A.Rpm == 'NotAvailable'\", fallback = false }"
    assert [send("Bit", rule, "", (a(rpm=r),)) for r in (65535, 65534)] == [1, 0]


def test_a_second_source_when_the_first_is_stale_or_invalid() -> None:
    rule = '"min(first_valid(d.A.Rpm, d.B.Rpm), 8000 rpm)"'
    second = (2000).to_bytes(2, "little").ljust(8, b"\0")
    assert send("Rpm", rule, "", (a(rpm=8000), second)) == 16000
    assert send("Rpm", rule, "", (a(rpm=65535), second)) == 8000
    assert send("Rpm", rule, "", (a(rpm=65535),)) == 65535


def test_temperatures_convert_with_their_zeros() -> None:
    assert send("T", '"clamp(d.A.T, -40 degC, 100 degC)"', "", (a(t=160),)) == 44  # 40 degF is 4.4 degC
    assert send("T", '"clamp(d.A.T, 273.15 K, 100 degC)"', "", (a(t=40),)) == 40


def test_age_awake_state_valid_and_invalid() -> None:
    assert send("Bit", '"age(d.A) < 100 ms and awake(d) and not awake(h)"', "", (a(),)) == 1
    assert send("Bit", "\"state == 'run' and valid(d.A.Ref) and not valid(d.B)\"", "", (a(),)) == 1
    assert send("Bit", '"valid(d.A.Ref)"', "", (a(ref=65535),)) == 0
    assert send("Rpm", '"invalid"', "", (a(),)) == 65535
    assert send("Num", '{ value = "choose(d.A.Ref > 100 Nm, invalid, 5)", fallback = 77 }', "", (a(),)) == 77


def test_halves_round_away_from_zero_at_the_last_step() -> None:
    """0.5 becomes 1, 2.5 becomes 3, -0.5 becomes -1 (binary floating point with half to even gives 0, 2 and 0)."""
    for value, wanted in (("0.05 Nm", 1), ("0.25 Nm", 3), ("-0.05 Nm", -1), ("-0.25 Nm", -3), ("0.049 Nm", 0)):
        assert send("Nm", f'"{value}"', "", (a(),)) == wanted


def test_named_values_constants_and_declared_units() -> None:
    head = '[units]\n"Umdr" = "rpm"\n[constants]\nidle = "800 [Umdr]"\n[values]\nfast = "d.A.Rpm > idle * 2"\n'
    assert send("Bit", '{ value = "fast", fallback = false }', head, (a(rpm=6404),)) == 1
    assert send("Bit", '{ value = "fast", fallback = false }', head, (a(rpm=6400),)) == 0
