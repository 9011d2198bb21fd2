"""A counter or checksum that stands still is never sent in silence, however the rest is filled."""

from __future__ import annotations

import dataclasses

import pytest

from swapbridge.core.integrity import Checksum, Counter, Crc
from swapbridge.core.layout import Layout
from swapbridge.emit.native import NativeTranslator
from swapbridge.language.bridge_file import BridgeRefused
from swapbridge.plan.python.translator import Translator
from swapbridge.signalmap.signal_map import MapSignal
from tests.compiler.kit import HEAD, HOST, Traffic, compile_text, signal
from tests.compiler.test_refusals import with_signal
from tests.compiler.test_rest import old
from tests.compiler.twins import same_payloads

RULE = HEAD + '[[messages]]\nsend = "host.Old"\nperiod_ms = 10\nrest = "{rest}"\n{more}'


def refusal(*signals: MapSignal, rest: str = "zero", more: str = "") -> str:
    host = old("00" * 8, "ff" * 8, *signals)
    try:
        compile_text(RULE.format(rest=rest, more=more), host=host)
    except BridgeRefused as error:
        return str(error)
    return ""


@pytest.mark.parametrize("rest", ["zero", "as recorded", "not available"])
@pytest.mark.parametrize("name", ["MsgCnt", "AliveCounter", "ROLLING_COUNT"])
def test_a_counter_without_a_method(name: str, rest: str) -> None:
    words = refusal(signal(name, 0, 4), rest=rest)
    assert "it looks like a counter, and the map does not say how it counts" in words
    assert f"`swapbridge map set Old.{name} --counter 0-15`" in words


@pytest.mark.parametrize("rest", ["zero", "as recorded"])
def test_a_checksum_without_a_method(rest: str) -> None:
    words = refusal(signal("EngineCRC", 56, 8), rest=rest)
    assert "it looks like a checksum" in words
    assert "`swapbridge map set Old.EngineCRC --checksum METHOD`" in words


def test_the_maps_evidence_says_it_too() -> None:
    field = dataclasses.replace(signal("field_56", 56, 8), evidence={"kind": "checksum"})
    assert "it looks like a checksum" in refusal(field)
    field = dataclasses.replace(signal("field_0", 0, 4), evidence={"kind": "counter"})
    assert "it looks like a counter" in refusal(field)


def test_a_constant_of_one_is_no_way_round() -> None:
    value = '[messages.signals]\n{} = {{ value = "3", role = "value", fallback = "3" }}\n'
    assert "it looks like a counter" in refusal(signal("Cnt", 0, 4), more=value.format("Cnt"))
    known = signal("Step", 0, 4, counter=Counter(0, 14))
    assert "a constant stands still" in refusal(known, more=value.format("Step"))


def test_what_is_measured_or_open_is_none() -> None:
    assert refusal(signal("CountRate", 0, 8, unit="Hz")) == ""
    assert refusal(signal("Counter", 0, 4), more='open = ["Counter"]\n') == ""
    assert refusal(signal("Counter", 0, 1)) == ""
    total = '[messages.signals]\nTripCount = { value = "accumulate(1, wrap = 256)", role = "value", fallback = "0" }\n'
    assert refusal(signal("TripCount", 0, 8), more=total) == ""


def test_a_message_with_several_counters_is_made_whole() -> None:
    signals = (
        signal("A", 0, 4, counter=Counter(0, 14)),
        signal("B", 4, 4, counter=Counter(1, 15, 2)),
        signal("C", 13, 6, big=True, counter=Counter(0, 40, 3)),
        signal("Speed", 16, 16, unit="rpm", scale="0.25", role="engine_speed"),
        signal("Crc", 56, 8, checksum=Checksum(Layout(56, 8), Crc(8, 0x2F, 0xFF, False, 0xFF, tuple(range(7))))),
    )
    host = old("00" * 8, "ff" * 8, *signals)
    for when in ("period_ms = 10", "on_change = true\ngap_ms = 15\nperiod_ms = 60"):
        text = RULE.format(rest="zero", more='[messages.signals]\nSpeed = "donor.PCM_FAST.RPM"\n')
        text = text.replace("period_ms = 10", when)
        result = compile_text(text, host=host)
        assert [c.low for c in result.plan.sends[0].counters] == [0, 1, 0]
        assert same_payloads(text, 1, 800, host=host) > 50
        traffic = Traffic(result, 4)
        python, native = Translator(result.plan), NativeTranslator(result.plan)
        seen = set()
        for now in range(0, 2_000_000, 2_000):
            bus, word, data = traffic.frame()
            for translator in (python, native):
                translator.on_frame(bus, word, data, now)
            for _ in range(3):
                frame = python.poll(now)
                assert frame == native.poll(now)
                if frame is not None and frame.word == 0x321:
                    seen.add((frame.data[0] & 15, frame.data[0] >> 4, frame.data[1] >> 0 & 63))
        assert len(seen) > 60


def test_bits_that_no_capture_verified_name_the_clamp_that_would_be_taken() -> None:
    verified = 0xFFF | 0xFF << 48 | 0b11111 << 24
    checksum = Checksum(Layout(56, 8), Crc(8, 0x1D, 0xFF, False, 0xFF, tuple(range(7))), verified_bits=verified)
    host = with_signal(HOST, "EngineStatus", "Chk", checksum=checksum)
    text = HEAD + '[[messages]]\nsend = "host.EngineStatus"\nrest = "zero"\n[messages.signals]\nSpeed = "{}"\n'
    with pytest.raises(BridgeRefused, match=r"accepted is Speed = clamp\(\.\.\., 0 rpm, 511\.875 rpm\)"):
        compile_text(text.format("clamp(donor.PCM_FAST.RPM, 0 rpm, 8000 rpm)"), host=host)
    silent = text.format("clamp(donor.PCM_FAST.RPM, 0 rpm, 511.875 rpm)").replace('511.875 rpm)"', '511.875 rpm)"')
    with pytest.raises(BridgeRefused, match="did not move"):  # its 'not available' is all ones
        compile_text(silent, host=host)
    stated = silent.replace('Speed = "', 'Speed = { value = "').rstrip() + ', fallback = "0 rpm" }\n'
    assert compile_text(stated, host=host)
