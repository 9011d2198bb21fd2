"""J1939 messages of more than eight bytes in a bridge, and the addresses it uses: heard, sent, claimed, given up."""

from __future__ import annotations

import random
from itertools import pairwise
from typing import Any

import pytest

from swapbridge.compiler.compile import compile_bridge
from swapbridge.core import j1939
from swapbridge.core.errors import RefusedError, SwapbridgeError
from swapbridge.emit.native import NativeTranslator
from swapbridge.language.addresses import addressed
from swapbridge.language.reading import parse_bridge
from swapbridge.plan.plan import Plan
from swapbridge.plan.python.translator import SentFrame, Translator
from swapbridge.plan.serialise import plan_from_json
from swapbridge.proving.reference.open_choices import steps_of
from swapbridge.proving.reference.reference import Reference
from swapbridge.signalmap.dbc_read import parse_map
from tests.compiler.group_maps import frame_of
from tests.compiler.long_maps import (
    CAB_ID,
    COMPONENT,
    DM1,
    EC1,
    HEARS,
    LONG_MAPS,
    LONG_TEXT,
    SAYS,
    announced,
    configuration,
)
from tests.compiler.twins import polled_alike
from tests.emit.group_plans import Peer

CAB = 49
CONTROL = j1939.Identifier(7, j1939.TRANSPORT, CAB).word
DATA = j1939.Identifier(7, j1939.TRANSPORT_DATA, CAB).word
NAME = bytes.fromhex("cefffffffffffeff")
"""The highest NAME there is (all ones; bit 48 is reserved and 0), less the address."""
Heard = list[tuple[int, int, bytes]]


def plan_of(text: str = HEARS + SAYS) -> Plan:
    return compile_bridge(parse_bridge(text), LONG_MAPS).plan


def play(plan: Plan, frames: Heard, until_us: int, step_us: int = 1000) -> list[tuple[int, SentFrame]]:
    """What a plan sends, and when, while these frames (microseconds, word, data) come in on the donor's bus."""
    translator, out, waiting = Translator(plan), list[tuple[int, SentFrame]](), sorted(frames)
    for now in range(0, until_us, step_us):
        while waiting and waiting[0][0] <= now:
            translator.on_frame(0, *waiting.pop(0)[1:], now)
        while True:
            frame = translator.poll(now)
            if frame is not None:
                out.append((now, frame))
            if translator.next_poll(now) != now:
                break
    return out


def spread(begin_us: int, gap_us: int, frames: list[tuple[int, bytes]]) -> Heard:
    return [(begin_us + k * gap_us, *frame) for k, frame in enumerate(frames)]


def on_donor(sent: list[tuple[int, SentFrame]]) -> list[tuple[int, int, bytes]]:
    return [(at, frame.word, frame.data) for at, frame in sent if frame.bus == 0]


def told(sent: list[tuple[int, SentFrame]]) -> float:
    """What the host is told at the end: a twentieth of the reference torque in km/h, or 600 in doubt."""
    return [int.from_bytes(frame.data[3:5], "little") / 100 for _, frame in sent if frame.word == 0x200][-1]


# --- heard


@pytest.mark.parametrize("gap_us", [50_000, 200_000])
def test_a_message_announced_to_everybody_is_heard(gap_us: int) -> None:
    frames = spread(5000, gap_us, announced(EC1, configuration(1800)))
    assert told(play(plan_of(HEARS), frames, 1_500_000)) == 90


def test_silence_of_750_ms_within_it_ends_it() -> None:
    """T1 of J1939-21 (from memory)."""
    frames = spread(5000, 50_000, announced(EC1, configuration(1800)))
    assert told(play(plan_of(HEARS), [*frames[:3], *((t + 690_000, w, d) for t, w, d in frames[3:])], 2_000_000)) == 90
    late = [*frames[:3], *((t + 760_000, w, d) for t, w, d in frames[3:])]
    assert told(play(plan_of(HEARS), late, 2_000_000)) == 600


@pytest.mark.parametrize("damage", ["lost", "swapped", "cut by another", "wrong count"])
def test_what_is_not_whole_is_never_used(damage: str) -> None:
    frames = announced(EC1, configuration(1800))
    if damage == "lost":
        del frames[3]
    elif damage == "swapped":
        frames[3], frames[4] = frames[4], frames[3]
    elif damage == "cut by another":
        frames[3:3] = announced(0xFEEC, bytes(20))[:1]
    else:
        frames[0] = frames[0][0], frames[0][1][:3] + b"\x05" + frames[0][1][4:]
    assert told(play(plan_of(HEARS), spread(5000, 50_000, frames), 1_500_000)) == 600


def test_a_frame_that_can_gives_twice_does_no_harm() -> None:
    frames = announced(EC1, configuration(1800))
    frames.insert(4, frames[4])
    assert told(play(plan_of(HEARS), spread(5000, 50_000, frames), 1_500_000)) == 90


def test_a_group_that_grows_is_heard_both_ways() -> None:
    """DM1 with one code is a single frame, with two a long message (J1939-73, from memory)."""
    single = [(5000, j1939.Identifier(6, DM1, 0).word, bytes.fromhex("10ff6e00000100ff"))]
    long = spread(5000, 50_000, announced(DM1, bytes.fromhex("10ff6e000001be000001")))
    for frames in (single, long):
        sent = play(plan_of(HEARS), frames, 1_000_000)
        assert 1 in {frame.data[5] & 3 for _, frame in sent if frame.word == 0x200}


def test_a_message_for_our_address_is_permitted_and_acknowledged() -> None:
    """The exchange of J1939-21, from memory; `can-j1939` is asked in tests/bus/test_j1939_peers.py."""
    ask, *packets = announced(EC1, configuration(1800), to=CAB)
    sent = play(plan_of(), [(5000, *ask), *spread(20_000, 5000, packets)], 1_000_000)
    back = j1939.Identifier(7, j1939.TRANSPORT, CAB, 0).word
    said = [data.hex() for _, word, data in on_donor(sent) if word == back]
    assert said == ["110601ffffe3fe00", "13270006ffe3fe00"]
    assert told(sent) == 90


def test_packets_are_permitted_as_few_at_a_time_as_the_sender_wants() -> None:
    ask, *packets = announced(EC1, configuration(1800), to=CAB)
    ask = ask[0], ask[1][:4] + b"\x04" + ask[1][5:]
    sent = play(plan_of(), [(5000, *ask), *spread(20_000, 20_000, packets)], 1_000_000)
    back = j1939.Identifier(7, j1939.TRANSPORT, CAB, 0).word
    said = [data.hex() for _, word, data in on_donor(sent) if word == back]
    assert said == ["110401ffffe3fe00", "110205ffffe3fe00", "13270006ffe3fe00"]


@pytest.mark.parametrize(
    ("frames", "reason"),
    [
        (announced(0xFEEC, bytes(20), to=CAB)[:1], 2),
        ([*announced(EC1, bytes(39), to=CAB)[:1], *announced(DM1, bytes(20), to=CAB)[:1]], 1),
        ([*announced(EC1, bytes(39), to=CAB)[:1], *announced(EC1, bytes(39), 1, CAB)[:1]], 1),
        (announced(EC1, bytes(39), to=CAB)[:2], 3),
        ([*announced(EC1, bytes(39), to=CAB)[:2], announced(EC1, bytes(39), to=CAB)[4]], 7),
    ],
)
def test_what_can_not_be_taken_is_aborted_with_its_reason(frames: list[tuple[int, bytes]], reason: int) -> None:
    """Reasons of J1939-21, from memory: 1 busy with another, 2 no resources, 3 too late, 7 bad sequence."""
    sent = play(plan_of(), spread(5000, 5000, frames), 2_000_000)
    aborts = [data[1] for _, word, data in on_donor(sent) if word >> 16 & 255 == 0xEC and data[0] == 255]
    assert aborts[:1] == [reason]


def test_a_message_for_another_address_is_not_ours() -> None:
    sent = play(plan_of(), spread(5000, 5000, announced(EC1, configuration(1800), to=48)), 900_000)
    assert told(sent) == 600
    assert not [word for _, word, _ in on_donor(sent) if word >> 8 & 255 == 0 and word >> 16 & 255 == 0xEC]


# --- sent


def report(late: int) -> bytes:
    return b"\xff" * 18 + late.to_bytes(2, "little")


def test_a_long_message_goes_out_to_everybody_in_packets() -> None:
    sent = [
        (at, w, d) for at, w, d in on_donor(play(plan_of(), [(1000, 0x123, b"")], 1_900_000)) if w in (CONTROL, DATA)
    ]
    assert [d for _, w, d in sent if w == CONTROL] == [bytes.fromhex("20140003ffebfe00")] * 2
    packets = [d for _, w, d in sent if w == DATA]
    assert b"".join(d[1:] for d in packets[:3])[:20] == report(0)
    assert [d[0] for d in packets] == [1, 2, 3] * 2
    gaps = [b - a for (a, _, _), (b, w, _) in pairwise(sent) if w == DATA]
    assert all(50_000 <= gap <= 200_000 for gap in gaps)  # J1939-21, from memory


@pytest.mark.parametrize("second", [CAB - 1, CAB + 1])
def test_two_addresses_send_their_long_messages_side_by_side(second: int) -> None:
    """Only messages of one address to one receiver wait for each other (J1939-21, from memory)."""
    other = j1939.Identifier(6, 0xFEEC, second).word
    more = f'BO_ {other} Other: 20 CAB\n SG_ Spare : 0|16@1+ (0.1,0) [0|6425.5] "Nm" ENGINE\nBO_ 291 PLAIN'
    maps = {**LONG_MAPS, "donor": parse_map(LONG_TEXT.replace("BO_ 291 PLAIN", more), "donor.dbc")}
    rule = f'[[messages]]\nsend = "donor.Other"\nfrom = {second}\nperiod_ms = 1000\nrest = "not available"\n'
    plan = compile_bridge(parse_bridge(HEARS + SAYS + rule), maps).plan
    sent = [(at, w & 255) for at, w, d in on_donor(play(plan, [(1000, 0x123, b"")], 900_000)) if w >> 16 & 255 == 0xEC]
    began = {source: at for at, source in reversed(sent)}
    assert set(began) == {CAB, second}
    assert abs(began[CAB] - began[second]) <= 2000


def test_to_an_address_it_waits_for_permission() -> None:
    text = HEARS + SAYS.replace("from = 49", "from = 49\nto = 0")
    to_us = j1939.Identifier(7, j1939.TRANSPORT, 0, CAB).word
    frames = [(1000, 0x123, b"\0"), (100_000, to_us, bytes.fromhex("110201ffffebfe00"))]
    frames += [(200_000, to_us, bytes.fromhex("110103ffffebfe00")), (300_000, to_us, bytes.fromhex("13140003ffebfe00"))]
    sent = on_donor(play(plan_of(text), frames, 900_000))
    said = [(at // 100_000, d[:3].hex()) for at, w, d in sent if w >> 8 & 255 == 0]
    assert said == [(0, "101400"), (1, "01ffff"), (1, "02ffff"), (2, "03ffff")]


@pytest.mark.parametrize(
    ("permissions", "reason"),
    [([], 3), (["11ff01"] * 2, 4), (["110101"] * 5, 5), (["110001"], 3)],
)
def test_a_receiver_that_goes_wrong_is_aborted(permissions: list[str], reason: int) -> None:
    """3 too late, 4 permission while sending, 5 asked for again too often (J1939-21, from memory)."""
    text = HEARS + SAYS.replace("from = 49", "from = 49\nto = 0\nperiod_ms = 10000")
    to_us = j1939.Identifier(7, j1939.TRANSPORT, 0, CAB).word
    gap_us = 2000 if reason == 4 else 50_000
    frames = [(1000, 0x123, b"\0")]
    frames += [(50_000 + k * gap_us, to_us, bytes.fromhex(p + "ffffebfe00")) for k, p in enumerate(permissions)]
    sent = on_donor(play(plan_of(text), frames, 3_000_000))
    assert [d[1] for _, w, d in sent if w >> 16 & 255 == 0xEC and d[0] == 255] == [reason]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (SAYS + "period_ms = 150\n", r"takes 200 ms.*period_ms of at least 200"),
        (SAYS.replace("rest =", "on_change = true\ngap_ms = 20\nrest ="), "gap_ms of at least 200"),
        (SAYS.replace("from = 49", "from = 49\nto = 49"), "to itself"),
        (SAYS.replace("from = 49", "from = 49\nto = 300"), "not an SAE J1939 address"),
    ],
)
def test_what_can_not_go_out_so_is_refused(text: str, said: str) -> None:
    if "period_ms = 150" in text:
        text = SAYS.replace("rest =", "period_ms = 150\nrest =")
    with pytest.raises(SwapbridgeError, match=said):
        plan_of(HEARS + text)


@pytest.mark.parametrize("number", [0xEC00, 0xEB00, 0xEE00, 0xEA00, 0xFECC, 0xFED3])
@pytest.mark.parametrize("size", [8, 20])
def test_nothing_goes_round_the_layer_or_clears_codes(number: int, size: int) -> None:
    """Packets written by hand could be a message that clears codes (DM3, DM11) or commands a module."""
    word = j1939.Identifier(6, number, CAB).word
    text = LONG_TEXT.replace(f"{CAB_ID} CabReport: 20", f"{word} CabReport: {size}").replace(f" {CAB_ID} ", f" {word} ")
    text = text.replace("144|16@1+ (0.1,0)", "16|16@1+ (0.1,0)")
    with pytest.raises(RefusedError, match=r"never written by hand|clear"):
        compile_bridge(parse_bridge(HEARS + SAYS), {**LONG_MAPS, "donor": parse_map(text)})


@pytest.mark.parametrize("role", ["torque_reduction_request", "torque_increase_request"])
def test_what_must_end_safely_is_not_sent_in_packets(role: str) -> None:
    limited = SAYS.replace('role = "status"', f'role = "{role}", limits = ["0 Nm", "6425.5 Nm"], ramp = "9000 Nm"')
    with pytest.raises(RefusedError, match="end safely"):
        plan_of(HEARS + limited)


def test_only_a_long_message_asks_who_it_goes_to() -> None:
    with pytest.raises(RefusedError, match="more than 8 bytes"):
        plan_of(HEARS.replace('send = "host.EngineStatus"', 'send = "host.EngineStatus"\nto = 3'))


def test_a_plan_with_long_messages_goes_into_a_file_and_back() -> None:
    plan = plan_of(HEARS + SAYS.replace("from = 49", "from = 49\nto = 0"))
    assert plan_from_json(plan.to_json()) == plan
    assert [r.long for r in plan.receives if r.name.endswith(("EC1", "DM1", "CCVS"))] == [False, False, True, True][1:]
    assert [s.to for s in plan.sends if s.is_long] == [0]


# --- addresses


def claims(sent: list[tuple[int, SentFrame]]) -> list[tuple[int, int]]:
    """When something was claimed, and as whom."""
    found = [(at, word, data) for at, word, data in on_donor(sent) if word >> 16 & 255 == 0xEE]
    assert all(data == NAME and word >> 8 & 255 == 255 for _, word, data in found)
    return [(at, word & 255) for at, word, _ in found]


def asked(to: int) -> tuple[int, bytes]:
    """A request for 'address claimed' (J1939-81: group 59904 with EE00 in it)."""
    return j1939.Identifier(6, j1939.REQUEST, 33, to).word, bytes([0, 0xEE, 0])


def test_the_address_is_claimed_after_each_wake_before_anything_is_sent_as_it() -> None:
    sent = play(plan_of(), [(1000, 0x123, b""), (9_000_000, 0x123, b"")], 9_500_000, 10_000)
    assert [(at // 1_000_000, source) for at, source in claims(sent)] == [(0, CAB), (9, CAB)]
    assert on_donor(sent)[0][1] >> 16 & 255 == 0xEE


@pytest.mark.parametrize(("to", "answered"), [(CAB, True), (255, True), (48, False)])
def test_whoever_asks_is_told(to: int, answered: bool) -> None:
    said = claims(play(plan_of(), [(1000, 0x123, b""), (500_000, *asked(to))], 900_000))
    assert [source for _, source in said] == [CAB] * (1 + answered)


def test_a_lost_address_is_said_to_be_lost_and_nothing_else() -> None:
    """'Cannot claim' comes from 254, up to 153 ms later, once, and again to whoever asks everybody (J1939-81)."""
    claim = j1939.Identifier(6, j1939.ADDRESS_CLAIMED, CAB).word, bytes(8)
    frames = [(1000, 0x123, b""), (620_000, *claim), (700_000, *announced(EC1, bytes(39), to=CAB)[0])]
    frames += [(1_000_000, *asked(CAB)), (1_300_000, *asked(255))]
    sent = play(plan_of(), frames, 2_500_000)
    first, lost, again = claims(sent)
    assert (first[1], lost[1], again[1]) == (CAB, 254, 254)
    assert 620_000 <= lost[0] <= 773_000
    assert 1_300_000 <= again[0] <= 1_453_000
    assert all(at < 620_000 for at, word, _ in on_donor(sent) if word & 255 == CAB)


def test_the_name_loses_against_every_other() -> None:
    theirs = j1939.J1939Name((1 << 21) - 1, 2047, 7, 31, 255, 127, 15, 7, free=True)
    assert int.from_bytes(NAME, "little") == theirs.value - CAB
    assert all(j1939.last_name(address).value > theirs.value - 254 for address in range(254))


# --- three ways


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("to", ["", "\nto = 0"])
@pytest.mark.parametrize("make", [Translator, NativeTranslator])
def test_translators_and_reference_agree_on_long_messages(seed: int, to: str, make: Any) -> None:
    bridge = parse_bridge(HEARS + SAYS.replace("from = 49", f"from = 49{to}"))
    plan = compile_bridge(bridge, LONG_MAPS).plan
    translator, twin = make(plan), Reference(bridge, addressed(bridge, LONG_MAPS), steps_of(plan))
    rng, now = random.Random(seed), 0
    peer, seen = Peer(plan, random.Random(seed)), set[int]()
    for _ in range(2500):
        now += (
            rng.choice((300, 1000, 2500, 7000)) if rng.random() > 0.01 else rng.choice((300_000, 1_500_000, 9_000_000))
        )
        roll = rng.random()
        if roll < 0.7:
            bus, word, data = peer.call()
        elif roll < 0.9:
            bus, (word, data) = 0, frame_of(rng.choice((0xF004, DM1, COMPONENT)), rng)
        else:
            bus, word, data = 1, 0x300, rng.randbytes(8)
        if now > 10_000_000 and rng.random() < 0.001:
            bus, word, data = 0, j1939.Identifier(6, j1939.ADDRESS_CLAIMED, CAB).word, bytes(8)
        translator.on_frame(bus, word, data, now)
        twin.heard(bus, word, data, now)
        seen |= {mine.word >> 16 & 255 for mine in polled_alike(translator, twin, now) if mine.word >> 31}
    assert seen - {0xE8} == {0xEB, 0xEC, 0xEE}  # and refusals, where an address of ours was asked for a group
