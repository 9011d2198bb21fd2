"""Findings into maps, maps into maps: evidence and methods carried, what a person wrote left alone."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from typing import Any

import pytest

from swapbridge.core.errors import InputError
from swapbridge.core.integrity import Affine, Checksum, Counter, Crc
from swapbridge.core.layout import Layout
from swapbridge.demo.vehicle_maps import host_map
from swapbridge.signalmap.accept import accept_findings
from swapbridge.signalmap.dbc_read import parse_map
from swapbridge.signalmap.dbc_write import format_map
from swapbridge.signalmap.edit import MapChange, set_in_map
from swapbridge.signalmap.findings import ConstantBits, Findings, FoundField, FoundMessage, findings_from_dict
from swapbridge.signalmap.merge import merge_maps, same_checksum, same_scaling
from swapbridge.signalmap.signal_map import BasePayload, MapMessage, MapNode, MapSignal, SignalMap

CRC = Crc(8, 0x1D, 0xFF, False, 0xFF, tuple(range(7)), name="CRC-8/SAE-J1850")


def found(**changes: Any) -> Findings:
    """Findings with one message: speed, a weak claim, counter, checksum, multiplexer with two pages."""
    big = Layout(7, 16, "big_endian")
    fields = (
        FoundField("field_0_16", big, "analogue", 0.999, 0.998, 0.25, -40.0, "rpm", "engine_speed", 0.12),
        FoundField("field_16_8", Layout(16, 8), "analogue", 0.97, 0.4, 0.4, 0.0, "%", "pedal_position", 0.1),
        FoundField("field_24_4", Layout(24, 4), "mux", 0.99, 0.99),
        FoundField("field_32_8_0", Layout(32, 8), "analogue", 0.95, 0.95, mux=("field_24_4", 0)),
        FoundField("field_32_4_1", Layout(32, 4), "flag", 0.5, 0.5, mux=("field_24_4", 1)),
        FoundField("field_36_4_1", Layout(36, 4), "enum", 0.96, 0.96, mux=("field_24_4", 1)),
        FoundField("counter_48", Layout(48, 4), "counter", 1.0, 1.0, method=Counter(0, 14).to_dict()),
        FoundField(
            "checksum_56", Layout(56, 8), "checksum", 1.0, 1.0,
            method=Checksum(Layout(56, 8), CRC, verified_bits=0xFFFF).to_dict(),
        ),
        FoundField("zero", Layout(52, 4), "constant", 1.0, 1.0),
    )  # fmt: skip
    message = FoundMessage(0x1A0, False, "0", 8, 10.02, 9000, fields)
    return Findings((replace(message, **changes),))


def test_findings_become_a_map() -> None:
    result = accept_findings(found())
    (message,) = result.signal_map.messages
    assert (message.name, message.length, message.period_ms) == ("MSG_1A0", 8, Fraction(10))
    speed = message.signal("engine_speed")
    assert speed is not None
    assert (speed.scale, speed.offset, speed.unit) == (Fraction("0.25"), Fraction(-40), "rpm")
    assert speed.role == "Vehicle.Powertrain.CombustionEngine.Speed"
    assert speed.evidence["confidence"] == 0.998
    assert "follows engine_speed, 120 ms behind it, confidence 0.998" in speed.comment
    assert (result.named, result.bare, result.left_out) == (1, 6, 2)


BASE = (bytes.fromhex("00000000a00000ff"), bytes.fromhex("00000000f00000ff"))


def bits(payload: bytes, mask: bytes, **more: Any) -> ConstantBits:
    return ConstantBits(payload, mask, 9000, **more)


def test_constants_of_pages_are_kept() -> None:
    """Only where the map has the multiplexer that they were found by."""
    page = bits(b"\0" * 4 + b"\x77" + b"\0" * 3, b"\0" * 4 + b"\xff" + b"\0" * 3)
    found_pages = bits(*BASE, selector=Layout(24, 4), pages=((1, page),))
    once = accept_findings(found(constant=found_pages)).signal_map
    (message,) = once.messages
    assert message.base is not None
    assert message.recorded(1).payload == b"\0" * 4 + b"\x77" + b"\0" * 3
    assert message.recorded(0).payload == BASE[0]
    assert parse_map(format_map(once)) == once
    assert accept_findings(found(constant=found_pages), once).signal_map == once
    other = replace(found_pages, selector=Layout(0, 4))
    assert accept_findings(found(constant=other)).signal_map.messages[0].base == BasePayload(*BASE, 9000)


def test_what_never_moved_becomes_the_base_payload() -> None:
    """A bridge can send it as recorded; another recording takes away what moved there."""
    once = accept_findings(found(constant=bits(*BASE))).signal_map
    (message,) = once.messages
    assert message.base == BasePayload(*BASE, 9000)
    assert parse_map(format_map(once)) == once
    assert accept_findings(found(constant=bits(*BASE)), once).signal_map == once
    other = (bytes.fromhex("00000000200000f0"), bytes.fromhex("00000000f00000f0"))
    both = accept_findings(found(constant=bits(*other), frames=20), once).signal_map.messages[0].base
    assert both == BasePayload(bytes.fromhex("00000000200000f0"), bytes.fromhex("00000000700000f0"), 9000)


def test_a_message_of_which_nothing_moved_is_kept() -> None:
    (message,) = accept_findings(found(fields=(), constant=bits(b"\x12" * 8, b"\xff" * 8))).signal_map.messages
    assert message.signals == ()
    assert message.recorded() == BasePayload(b"\x12" * 8, b"\xff" * 8, 9000)


def test_constants_are_kept_until_they_move() -> None:
    def field(kind: Any, *value: int) -> tuple[FoundField, ...]:
        evidence = {"value": value[0]} if value else {}
        return (FoundField("field_32_8_0", Layout(32, 8), kind, 0.99, 0.99, evidence=evidence),)

    result = accept_findings(found(fields=field("constant", 7)))
    assert (result.constants, result.bare, result.left_out) == (1, 0, 0)
    signal = result.signal_map.messages[0].signal("field_32_8_0")
    assert signal is not None
    assert signal.constant == 7
    assert result.signal_map.messages[0].recorded() == BasePayload(b"\0\0\0\0\x07\0\0\0", b"\0\0\0\0\xff\0\0\0")
    moved = accept_findings(found(fields=field("analogue")), result.signal_map).signal_map
    assert moved.messages[0].signals[0].constant is None
    said = set_in_map(moved, "1A0.field_32_8_0", MapChange(constant="7")).signal_map
    said = replace(
        said, messages=(replace(said.messages[0], signals=(replace(said.messages[0].signals[0], comment=""),)),)
    )
    kept = accept_findings(found(fields=field("analogue")), said)
    assert kept.signal_map.messages[0].signals[0].constant == 7
    assert "moved, but the map says it is constant" in kept.conflicts[0]


def test_constants_of_other_pages_are_left_out() -> None:
    page = MapSignal("Page", Layout(0, 8), is_multiplexer=True)
    on_3 = MapSignal("A", Layout(8, 8), mux_signal="Page", mux_values=(3,), constant=0x11)
    on_4 = MapSignal("B", Layout(8, 4), mux_signal="Page", mux_values=(4,), constant=0x2)
    message = MapMessage("M", 1, False, 2, (page, on_3, on_4))
    assert message.recorded(3) == BasePayload(b"\0\x11", b"\0\xff")
    assert message.recorded(4) == BasePayload(b"\0\x02", b"\0\x0f")
    assert message.recorded() == BasePayload(b"\0\0", b"\0\0")


def test_a_later_lower_confidence_reaches_what_was_taken_raw() -> None:
    """Today's doubt is tomorrow's name; what a person said of the field since then stays."""
    first = accept_findings(found()).signal_map
    again = accept_findings(found(), first, min_confidence=0.3)
    signal = again.signal_map.messages[0].signal("pedal_position")
    assert signal is not None
    assert (signal.scale, signal.unit, signal.role) == (
        Fraction("0.4"), "%", "Vehicle.Chassis.Accelerator.PedalPosition",
    )  # fmt: skip
    assert again.signal_map.messages[0].signal("field_16_8") is None
    assert again.named == 1
    assert again.conflicts == ()
    named = set_in_map(first, "1A0.field_16_8", MapChange(unit="V")).signal_map
    kept = accept_findings(found(), named, min_confidence=0.3).signal_map.messages[0].signal("field_16_8")
    assert kept is not None
    assert (kept.scale, kept.unit) == (Fraction(1), "V")


def test_merged_base_payloads_keep_what_both_say() -> None:
    one, two = (
        SignalMap((MapMessage("M", 1, False, 2, base=BasePayload(b"\x12\x34", mask)),))
        for mask in (b"\xff\x0f", b"\xf0\xff")
    )
    assert merge_maps(one, two).signal_map.messages[0].base == BasePayload(b"\x10\x04", b"\xf0\x0f")
    assert merge_maps(one, SignalMap()).signal_map == one


def test_a_weak_claim_gives_a_field_without_meaning() -> None:
    """Its layout is sure, so its bits are in the map; what it means is only in the comment."""
    signal = accept_findings(found()).signal_map.messages[0].signal("field_16_8")
    assert signal is not None
    assert [signal.physical(0), signal.physical(1)] == [0, 1]
    assert (signal.unit, signal.role) == ("", "")
    assert "perhaps pedal_position" in signal.comment


def test_methods_and_pages_are_carried_through_dbc() -> None:
    written = format_map(accept_findings(found()).signal_map)
    (message,) = parse_map(written).messages
    counter, checksum = message.signal("counter_48"), message.signal("checksum_56")
    assert counter is not None
    assert counter.counter == Counter(0, 14)
    assert checksum is not None
    assert checksum.checksum == Checksum(Layout(56, 8), CRC, verified_bits=0xFFFF)
    paged = message.signal("field_36_4_1")
    assert paged is not None
    assert (paged.mux_signal, paged.mux_values) == ("field_24_4", (1,))


def test_accepting_twice_changes_nothing() -> None:
    once = accept_findings(found()).signal_map
    again = accept_findings(found(), once)
    assert again.signal_map == once
    assert (again.named, again.bare, again.conflicts) == (0, 0, ())
    assert again.confirmed == 7


def test_what_a_person_wrote_stays() -> None:
    mine = MapSignal("MySpeed", Layout(7, 16, "big_endian"), Fraction("0.5"), unit="rpm", comment="measured myself")
    other = MapSignal("MyByte", Layout(50, 8), comment="mine")
    old = SignalMap(
        (MapMessage("Mine", 0x1A0, False, 8, (mine, other), senders=("ECM",)),), (MapNode("ECM", "engine"),)
    )
    result = accept_findings(found(), old)
    (message,) = result.signal_map.messages
    kept = message.signal("MySpeed")
    assert kept is not None
    assert (kept.scale, kept.comment) == (Fraction("0.5"), "measured myself")
    assert kept.evidence["confidence"] == 0.998
    assert message.senders == ("ECM",)
    assert any("checksum_56 overlaps MyByte" in c for c in result.conflicts)


def test_narrower_finding_confirms_the_whole_signal() -> None:
    """Upper bits that never moved in the recording are not seen; the signal is the same."""
    wide = MapSignal("Wide", Layout(7, 16, "big_endian"), Fraction("0.25"), unit="rpm")
    old = SignalMap((MapMessage("Mine", 0x1A0, False, 8, (wide,)),))
    narrow = FoundField("n", Layout(4, 13, "big_endian"), "analogue", 1.0, 1.0, 0.25, 0.0, "rpm", "engine_speed")
    result = accept_findings(found(fields=(narrow,)), old)
    assert result.confirmed == 1
    assert result.signal_map.messages[0].signals[0].layout == wide.layout


def test_names_are_given_and_checked() -> None:
    names = {"1A0": "EngineData", "1A0.engine_speed": "Speed", "1A0.field_16_8": "Pedal"}
    (message,) = accept_findings(found(), names=names).signal_map.messages
    assert message.name == "EngineData"
    assert message.signal("Speed") is not None
    assert message.signal("Pedal") is not None
    with pytest.raises(InputError, match="no finding is called '1A1'"):
        accept_findings(found(), names={"1A1": "X"})
    with pytest.raises(InputError, match="not allowed in a DBC"):
        accept_findings(found(), names={"1A0": "two words"})


def test_buses_are_not_mixed() -> None:
    data = found()
    data = replace(data, messages=(*data.messages, replace(data.messages[0], bus="1")))
    with pytest.raises(InputError, match="on several buses"):
        accept_findings(data)
    assert len(accept_findings(data, bus="1").signal_map.messages) == 1
    with pytest.raises(InputError, match="contain nothing from bus '2'"):
        accept_findings(data, bus="2")


@pytest.mark.parametrize(
    "data",
    [
        {},
        [],
        {"version": 2, "messages": []},
        {"version": 1, "messages": [{"id": 1}]},
        {"version": 1, "messages": [{"id": 1, "extended": False, "length": 8, "signals": [{"name": "x"}]}]},
        {"version": 1, "messages": [{"id": "one", "extended": False, "length": 8, "signals": []}]},
        {"version": 1, "messages": {}},
    ],
)
def test_what_are_no_findings_is_refused(data: Any) -> None:
    with pytest.raises(InputError, match=r"findings.*write them with `swapbridge guess CAPTURE --json FILE`"):
        findings_from_dict(data)


def test_merging_a_map_with_itself_is_that_map() -> None:
    merged = merge_maps(host_map(), host_map())
    assert merged.signal_map == host_map()
    assert (merged.only_first, merged.only_second, merged.differences) == (0, 0, ())
    assert merge_maps(host_map(), SignalMap()).signal_map == host_map()
    assert merge_maps(SignalMap(), host_map()).signal_map == host_map()


def test_merge_follows_the_first_and_fills_from_the_second() -> None:
    first = SignalMap(
        (MapMessage("E", 1, False, 8, (MapSignal("S", Layout(0, 16), unit="rpm", scale=Fraction(1, 4)),)),)
    )
    second = SignalMap(
        (
            MapMessage(
                "Other", 1, False, 8,
                (
                    MapSignal("speed", Layout(0, 16), unit="rpm", scale=Fraction(1, 2), evidence={"confidence": 0.9}),
                    MapSignal("bad", Layout(8, 16)),
                    MapSignal("S", Layout(32, 8)),
                ),
                period_ms=Fraction(10),
            ),
            MapMessage("E", 2, False, 4, (MapSignal("x", Layout(0, 1)),)),
        )
    )  # fmt: skip
    merged = merge_maps(first, second)
    one, two = merged.signal_map.messages
    assert [s.name for s in one.signals] == ["S", "S_2"]
    assert one.signals[0].scale == Fraction(1, 4)
    assert one.signals[0].evidence == {"confidence": 0.9}
    assert one.period_ms == 10
    assert two.name == "E_2"
    assert merged.same == (("E", "S", "speed"),)
    assert len(merged.differences) == 2
    assert "raw x 0.25 + 0 rpm in the first map, raw x 0.5 + 0 rpm in the second" in merged.differences[0]
    assert "bad of the second map overlaps S of the first" in merged.differences[1]
    parse_map(format_map(merged.signal_map))


def test_scalings_are_compared_across_units() -> None:
    """1 mile = 1.609344 km (NIST SP 811), 1 degF = 5/9 degC."""
    mph = MapSignal("a", Layout(0, 16), Fraction("0.01"), unit="mph")
    kmh = MapSignal("b", Layout(0, 16), Fraction("0.01609344"), unit="km/h")
    assert same_scaling(mph, kmh)
    assert not same_scaling(mph, replace(kmh, scale=Fraction("0.0163")))
    fahrenheit = MapSignal("a", Layout(0, 10), Fraction("0.5"), Fraction(-40), unit="degF")
    celsius = MapSignal("b", Layout(0, 10), Fraction("0.277777778"), Fraction(-40), unit="degC")
    assert same_scaling(fahrenheit, celsius)
    assert not same_scaling(fahrenheit, replace(celsius, unit="kPa"))
    assert not same_scaling(fahrenheit, replace(celsius, unit="florin"))


def test_percent_of_a_stated_reference_may_be_said_in_its_unit() -> None:
    percent = MapSignal("a", Layout(0, 11), Fraction("0.1"), Fraction(-60), unit="%", reference="480 Nm")
    torque = MapSignal("b", Layout(0, 11), Fraction("0.48"), Fraction(-288), unit="Nm")
    assert same_scaling(percent, torque)
    assert not same_scaling(percent, replace(torque, scale=Fraction("0.5")))
    assert not same_scaling(replace(percent, reference="PCM_IDENT.ReferenceTorque"), torque)


def test_a_finding_never_turns_a_checksum_into_a_counter() -> None:
    """A nibble that counts inside a checksum's byte contradicts the map; it does not complete it."""
    check = MapSignal("Check", Layout(63, 8, "big_endian"), checksum=Checksum(Layout(63, 8, "big_endian"), CRC))
    count = MapSignal("Count", Layout(51, 4, "big_endian"), counter=Counter(0, 15))
    mine = SignalMap((MapMessage("M", 1, False, 8, (check, count)),))
    found = SignalMap(
        (
            MapMessage(
                "F", 1, False, 8,
                (
                    MapSignal("counter_56", Layout(56, 4), counter=Counter(0, 15), evidence={"confidence": 1.0}),
                    MapSignal("counter_48", Layout(48, 4), counter=Counter(0, 15), evidence={"confidence": 1.0}),
                ),
            ),
        )
    )  # fmt: skip
    merged = merge_maps(mine, found)
    assert merged.same == (("M", "Count", "counter_48"),)
    assert merged.differences == ("M (001): counter_56 of the second map overlaps Check of the first: left out",)
    (message,) = merged.signal_map.messages
    assert message.signals[0] == check
    assert message.signals[1] == replace(count, evidence={"confidence": 1.0})


def test_checksums_are_compared_by_what_they_compute() -> None:
    """The affine form of a CRC is that CRC; another polynomial is not; unverified bits are not compared."""
    masks = []
    for k in range(8):
        mask = 0
        for bit in range(56):
            payload = bytearray(8)
            payload[bit >> 3] = 1 << (bit & 7)
            mask |= ((CRC.value(bytes(payload)) ^ CRC.value(bytes(8))) >> k & 1) << bit
        masks.append(mask)
    named = Checksum(Layout(56, 8), CRC)
    affine = Checksum(Layout(56, 8), Affine(8, tuple(masks), 99), verified_bits=(1 << 56) - 1)
    assert same_checksum(named, affine)
    assert not same_checksum(named, Checksum(Layout(56, 8), replace(CRC, polynomial=0x2F)))
    partial = Affine(8, tuple(m & 0xFFFF for m in masks), 5)
    assert same_checksum(named, Checksum(Layout(56, 8), partial, verified_bits=0xFFFF))
    assert not same_checksum(named, Checksum(Layout(56, 8), partial))
