"""A counter or checksum that stands still is never sent in silence, however the rest is filled."""

from __future__ import annotations

import dataclasses

import pytest

from swapbridge.core.integrity import Checksum, Counter, Crc
from swapbridge.core.layout import Layout
from swapbridge.language.model import BridgeRefused
from swapbridge.signalmap.model import MapSignal
from tests.compiler.kit import HEAD, HOST, compile_text, signal
from tests.compiler.test_refusals import with_signal
from tests.compiler.test_rest import old

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


def test_a_second_counter_never_stands_still_in_silence() -> None:
    two = (signal("A", 0, 4, counter=Counter(0, 15)), signal("B", 4, 4, counter=Counter(0, 14)))
    assert "more than one counter (A, B)" in refusal(*two)


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
