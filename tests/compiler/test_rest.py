"""What a message says in bits that nobody names: as recorded, alarmed, or refused; and warnings that never would."""

from __future__ import annotations

import dataclasses
from fractions import Fraction as F
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swapbridge.core.layout import Layout
from swapbridge.core.roles import WARNED_BY
from swapbridge.language.bridge_file import BridgeRefused
from swapbridge.plan.python.translator import Translator
from swapbridge.signalmap.dbc_read import parse_map
from swapbridge.signalmap.dbc_write import format_map
from swapbridge.signalmap.signal_map import BasePayload, MapMessage, MapNode, MapSignal, SignalMap
from tests.compiler.kit import DONOR, HEAD, HOST, compile_text, signal
from tests.compiler.test_refusals import with_signal
from tests.compiler.twins import same_payloads

RULE = HEAD + '[[messages]]\nsend = "host.Old"\nperiod_ms = 10\nrest = "as recorded"\n'


def old(
    payload: str, fixed: str, *signals: MapSignal, senders: tuple[str, ...] = ("ECM",), kind: str = "engine"
) -> SignalMap:
    base = BasePayload(bytes.fromhex(payload), bytes.fromhex(fixed), 1000)
    message = MapMessage("Old", 0x321, False, len(base.payload), signals, period_ms=F(10), senders=senders, base=base)
    nodes = (MapNode("ECM", kind),)  # type: ignore[arg-type]
    return parse_map(format_map(SignalMap((message, *HOST.messages[5:]), (*nodes, *HOST.nodes[1:]))))


def sent(text: str, host: SignalMap) -> bytes:
    translator = Translator(compile_text(text, host=host).plan)
    translator.on_frame(1, 0x600, bytes([1, 0]), 0)
    for _ in range(20):
        frame = translator.poll(20_000)
        if frame is not None and frame.word == 0x321:
            return frame.data
    raise AssertionError("nothing was sent")


def test_bits_that_never_moved_are_sent_as_they_were_recorded() -> None:
    host = old("a5 00 3c ff", "ff 00 ff f0", signal("A", 0, 8), signal("Moved", 8, 8), signal("C", 28, 4))
    text = RULE + '[messages.signals]\nMoved = { value = "7", role = "value", fallback = "0" }\n'
    assert sent(text, host) == bytes.fromhex("a5 07 3c f0")
    notes = compile_text(text, host=host).warnings
    assert any("4 bits of no signal moved or were never recorded (from byte 3, bit 0)" in note for note in notes)


@given(st.binary(min_size=8, max_size=8), st.binary(min_size=8, max_size=8), st.integers(0, 48), st.integers(1, 16))
def test_no_bit_that_moved_is_ever_taken_from_a_recording(payload: bytes, fixed: bytes, start: int, size: int) -> None:
    """Outside the named signal every bit is the recorded one where it is fixed, and 0 elsewhere; or it is refused."""
    other = Layout(0, 5) if start >= 5 else Layout(59, 5)
    named = signal("Named", start, size)
    host = old(payload.hex(), fixed.hex(), named, MapSignal("Rest", other))
    text = RULE + '[messages.signals]\nNamed = { value = "0", role = "value", fallback = "0" }\n'
    recorded = BasePayload(payload, fixed)
    if not recorded.covers(other):
        with pytest.raises(BridgeRefused, match="Rest: it moved in the recordings, and 'as recorded' is for bits"):
            compile_text(text, host=host)
        return
    data = sent(text, host)
    own = set(named.layout.positions)
    for position in range(64):
        byte, bit = divmod(position, 8)
        expected = payload[byte] & fixed[byte] & 1 << bit if position not in own else 0
        assert data[byte] & 1 << bit == expected


def test_the_exact_reference_knows_it_too() -> None:
    page = signal("Page", 0, 4, is_multiplexer=True)
    one = dataclasses.replace(signal("One", 8, 8, mux_signal="Page", mux_values=(1,)), constant=0x42)
    two = signal("Two", 8, 8, mux_signal="Page", mux_values=(2,), role="value")
    host = old("00 00 5a 5a", "00 00 ff 0f", page, one, two, signal("Fixed", 16, 8))
    text = RULE.replace('rest = "as', 'mux = [1, 2, 1]\nrest = "as')
    text += '[messages.signals]\nTwo = { value = "clamp(donor.PCM_SLOW.Oil / 1 kPa, 0, 255)", fallback = "255" }\n'
    assert same_payloads(text, 1, 1500, host=host) > 100
    (send,) = compile_text(text, host=host).plan.sends
    assert [send.variants[turn].base.hex(" ") for turn in send.turns] == ["01 42 5a 0a", "02 00 5a 0a", "01 42 5a 0a"]


def test_a_map_that_learned_nothing_says_what_to_do() -> None:
    host = dataclasses.replace(HOST, messages=(dataclasses.replace(HOST.messages[4], name="Old"), *HOST.messages[5:]))
    with pytest.raises(BridgeRefused, match=r"host\.Old\.State: the map does not know.*swapbridge map accept"):
        compile_text(RULE, host=host)


def test_nothing_is_sent_as_recorded_for_a_module_that_nobody_named() -> None:
    for senders in ((), ("XXX",)):
        with pytest.raises(BridgeRefused, match="the map does not name its sender"):
            compile_text(RULE, host=old("a5", "ff", signal("A", 0, 8), senders=senders))


def test_nothing_of_a_brake_module_is_sent_as_recorded() -> None:
    with pytest.raises(BridgeRefused, match="nothing that a braking module sent is repeated as recorded"):
        compile_text(RULE, host=old("a5", "ff", signal("A", 0, 8), kind="braking"))


@pytest.mark.parametrize(
    "role",
    ["actual_torque", "torque_reduction_request", "driver_demand", "crash", "distance", "immobiliser", "park_neutral",
     "brake_switch", "steering_command", "torque_increase_request", "idle_raise_request", "cruise_switch"],
)  # fmt: skip
def test_what_is_dangerous_is_never_sent_as_it_happened_to_be_recorded(role: str) -> None:
    with pytest.raises(BridgeRefused, match=f"it is {role}, which is never sent as recorded"):
        compile_text(RULE, host=old("01", "ff", signal("A", 0, 8, role=role)))


def test_a_request_that_was_off_all_along_stays_off() -> None:
    host = old("40", "ff", signal("Raise", 0, 1, role="idle_raise_request"), signal("B", 1, 7))
    assert sent(RULE, host) == b"\x40"


# --- warnings


@pytest.mark.parametrize("rest", ["zero", "not available", "as recorded"])
def test_a_warning_without_a_source_is_sent_alarmed_whatever_the_rest_says(rest: str) -> None:
    lamps = (
        signal("Oil", 0, 1, role="oil_pressure_lamp"),
        signal("Charge", 1, 2, role="charge_lamp", choices={1: "Off", 2: "On", 3: "SNA"}),
        signal("Hot", 8, 8, role="coolant_temperature", offset="-40", unit="degC", range=("-40", "140")),
        signal("Known", 16, 8, role="coolant_temperature", offset="-40", unit="degC", not_available=(255,)),
    )
    host = old("02 50 50", "ff ff ff", *lamps)
    text = RULE.replace("as recorded", rest)
    assert sent(text, host) == bytes([0b101, 180, 255])
    heard = text.replace(HEAD, HEAD + "[states]\nkey_on = \"host.Key.Pos != 'Off'\"\n")
    assert same_payloads(heard, 1, 200, host=host) > 5
    notes = compile_text(text, host=host).warnings
    assert sum("is a warning" in note and "sent alarmed" in note for note in notes) == 4


def lamp(value: str, role: str, **maps: Any) -> str:
    """The refusal of a lamp of that role made so, or "" where it compiles."""
    text = RULE + f'[messages.signals]\nLamp = {{ value = "{value}", role = "{role}" }}\n'
    host = old("00", "ff", signal("Lamp", 0, 1))
    try:
        compile_text(text, maps.get("donor", DONOR), host)
    except BridgeRefused as error:
        return str(error)
    return ""


PROXIES = [
    "donor.PCM_FAST.RPM < 400 rpm",
    "not donor.PCM_FAST.Run",
    "state != 'run'",
    "time_since(awake(donor)) < 2 s",
    "hold(state == 'wake', 3 s)",
    "donor.PCM_FAST.RPM < 400 rpm and donor.PCM_FAST.Pedal < 5 %",
    "age(donor.PCM_FAST) > 45 ms",
    "false",
    "not valid(donor.PCM_SLOW.Oil)",
    "choose(valid(donor.PCM_SLOW.Coolant), donor.PCM_FAST.RPM < 400 rpm, true)",
]


@pytest.mark.parametrize("role", [r for r in WARNED_BY if r != "coolant_temperature"])
@pytest.mark.parametrize("value", PROXIES)
def test_a_lamp_that_would_never_warn_is_refused(value: str, role: str) -> None:
    assert f"it is a warning ({role})" in lamp(value, role)
    assert "make it from a source whose role is" in lamp(value, role)


ANY_PROXY = st.recursive(
    st.sampled_from([proxy for proxy in PROXIES if proxy != "false"]),
    lambda inner: st.one_of(
        st.builds("({} and {})".format, inner, inner),
        st.builds("({} or {})".format, inner, inner),
        inner.map("(not ({}))".format),
        inner.map("hold({}, 1 s)".format),
    ),
    max_leaves=5,
)


@settings(max_examples=20, deadline=None)
@given(ANY_PROXY, st.sampled_from([r for r in WARNED_BY if r != "coolant_temperature"]))
def test_nothing_made_of_speed_time_and_state_alone_is_a_warning(value: str, role: str) -> None:
    assert f"it is a warning ({role})" in lamp(value, role)


def test_a_lamp_from_what_it_warns_of_or_alarmed_is_taken() -> None:
    assert lamp("hysteresis(donor.PCM_SLOW.Oil, 50 kPa, 80 kPa)", "oil_pressure_lamp") == ""
    assert lamp("donor.PCM_SLOW.Oil < 50 kPa and donor.PCM_FAST.RPM > 500 rpm", "oil_pressure_lamp") == ""
    assert lamp("donor.PCM_SLOW.Coolant > 115 degC", "overheat_lamp") == ""
    assert "never warns" in lamp("donor.PCM_SLOW.Coolant > 115 degC", "oil_pressure_lamp")
    assert lamp("true", "charge_lamp") == ""
    assert lamp("invalid", "charge_lamp") == ""


def test_what_a_cluster_repeats_of_the_bridge_is_no_source_of_a_warning() -> None:
    """The bridge sends the oil pressure; a cluster says it again, so that a lamp made from that follows itself."""
    host = old("00 00", "ff ff", signal("Lamp", 0, 1), signal("Pressure", 8, 8, unit="kPa", role="oil_pressure"))
    cluster = MapMessage(
        "Shown", 0x6A0, False, 1, (signal("Gauge", 0, 8, unit="kPa", role="oil_pressure"),),
        period_ms=F(100), senders=("IC",),
    )  # fmt: skip
    text = RULE + '[messages.signals]\nPressure = "clamp(donor.PCM_SLOW.Oil, 0 kPa, 255 kPa)"\n'
    text += 'Lamp = { value = "host.Shown.Gauge < 50 kPa", role = "oil_pressure_lamp" }\n'
    for kind, refused in (("cluster", True), ("engine", False)):
        nodes = (*host.nodes, MapNode("IC", kind))  # type: ignore[arg-type]
        shown = dataclasses.replace(host, messages=(*host.messages, cluster), nodes=nodes)
        if refused:
            with pytest.raises(BridgeRefused, match="only repeats from what this bridge sends"):
                compile_text(text, host=shown)
        else:
            assert compile_text(text, host=shown)


def test_a_rule_takes_no_warning_its_name_away() -> None:
    host = old("00", "ff", signal("Lamp", 0, 1, role="oil_pressure_lamp"))
    rule = 'Lamp = { value = "donor.PCM_FAST.RPM < 400 rpm", role = "status", fallback = "false" }\n'
    with pytest.raises(BridgeRefused, match=r"it is a warning \(oil_pressure_lamp\) made from"):
        compile_text(RULE + "[messages.signals]\n" + rule, host=host)


def test_a_source_without_a_role_is_taken_with_a_note_unless_it_is_a_state() -> None:
    text = RULE + '[messages.signals]\nLamp = { value = "donor.PCM_FAST.Lamp == \'On\'", role = "charge_lamp" }\n'
    notes = compile_text(text, host=old("00", "ff", signal("Lamp", 0, 1))).warnings
    assert any("made from donor.PCM_FAST.Lamp, whose role the map does not state" in note for note in notes)
    state = HEAD + "[states]\nrun = \"donor.PCM_FAST.Lamp == 'On'\"\n"
    with pytest.raises(BridgeRefused, match="never warns"):
        compile_text(text.replace(HEAD, state), host=old("00", "ff", signal("Lamp", 0, 1)))
    told = with_signal(DONOR, "PCM_FAST", "Lamp", role="charge_lamp")
    assert not any(
        "does not say" in n for n in compile_text(text, told, old("00", "ff", signal("Lamp", 0, 1))).warnings
    )


def test_a_needle_needs_its_own_temperature() -> None:
    host = old("00", "ff", signal("Needle", 0, 8, offset="-40", unit="degC", role="coolant_temperature"))
    for value in ("90 degC", "choose(donor.PCM_FAST.RPM > 400 rpm, 90 degC, 20 degC)"):
        with pytest.raises(BridgeRefused, match="never warns"):
            compile_text(RULE + f'[messages.signals]\nNeedle = "{value}"\n', host=host)
    assert compile_text(RULE + '[messages.signals]\nNeedle = "donor.PCM_SLOW.Coolant"\n', host=host)
    assert compile_text(RULE + '[messages.signals]\nNeedle = "215 degC"\n', host=host)


def test_a_placeholder_is_no_module_that_could_be_absent() -> None:
    with pytest.raises(BridgeRefused, match=r"'XXX' stands for an unknown sender.*sender_gone"):
        compile_text(HEAD.replace('["ECM"]', '["ECM", "XXX"]'))
