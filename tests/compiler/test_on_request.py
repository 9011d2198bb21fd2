"""J1939 groups that are sent to whoever asks for them, and the answer to a request that can't be met; three ways.

What is expected is from memory of SAE J1939-21: a request (group EA00) to one address is always answered, with the
group or with an acknowledgement (E800) that begins with 1; one to everybody only by who has the group.
"""

from __future__ import annotations

import random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swapbridge.compiler.compile import compile_bridge
from swapbridge.core import j1939
from swapbridge.core.errors import SwapbridgeError
from swapbridge.emit.native import NativeTranslator
from swapbridge.language.addresses import addressed
from swapbridge.language.reading import parse_bridge
from swapbridge.plan.plan import Plan
from swapbridge.plan.python.translator import SentFrame, Translator
from swapbridge.plan.serialise import plan_from_json
from swapbridge.proving.reference.open_choices import steps_of
from swapbridge.proving.reference.reference import Reference
from swapbridge.signalmap.dbc_read import parse_map
from tests.compiler.group_maps import BRIDGE, DONOR_TEXT, HOST
from tests.compiler.twins import polled_alike

CAB, TOOL = 49, 249
HOURS, DISTANCE = 0xFEE5, 0xFEC1
_IDS = {number: j1939.Identifier(6, number, CAB).word for number in (HOURS, DISTANCE)}
DONOR = parse_map(
    DONOR_TEXT.replace(
        "BO_ 291 PLAIN",
        f"""BO_ {_IDS[HOURS]} Hours: 8 CAB
 SG_ Total : 0|16@1+ (0.1,0) [0|6425.5] "Nm" ENGINE
BO_ {_IDS[DISTANCE]} Distance: 12 CAB
 SG_ Trip : 80|16@1+ (0.1,0) [0|6425.5] "Nm" ENGINE
BO_ 291 PLAIN""",
    ),
    "donor.dbc",
)
MAPS = {"donor": DONOR, "host": HOST}
ASKED = """
[[messages]]
send = "donor.Hours"
from = 49
on_request = true
{more}
[messages.signals]
Total = {{ value = "clamp(host.GearboxRequest.Reduce, 0 Nm, 6425.5 Nm)", fallback = "0 Nm", role = "status" }}
"""
LONG = """
[[messages]]
send = "donor.Distance"
from = 49
on_request = true
gap_ms = 250
[messages.signals]
Trip = { value = "clamp(host.GearboxRequest.Reduce, 0 Nm, 6425.5 Nm)", fallback = "0 Nm", role = "status" }
"""
Step = tuple[int, int, int, bytes]


def text_of(more: str = "", long: str = "") -> str:
    return BRIDGE + ASKED.format(more=more) + long


def plan_of(text: str) -> Plan:
    return compile_bridge(parse_bridge(text), MAPS).plan


def ask(at_us: int, group: int, to: int = CAB, asker: int = TOOL) -> Step:
    return at_us, 0, j1939.Identifier(6, j1939.REQUEST, asker, to).word, group.to_bytes(3, "little")


def answers(text: str, steps: list[Step], until_us: int, make: Any = Translator) -> list[tuple[int, SentFrame]]:
    """What goes out on the donor's bus besides claims, while the gearbox wants 123.4 Nm."""
    translator, out, now = make(plan_of(text)), list[tuple[int, SentFrame]](), 0
    waiting = sorted(steps)
    while now < until_us:
        if now % 20_000 == 0:
            translator.on_frame(1, 0x300, bytes([0xD2, 4, 0, 0, 0, 0, 0, 0]), now)
        while waiting and waiting[0][0] <= now:
            _, bus, word, data = waiting.pop(0)
            translator.on_frame(bus, word, data, now)
        frame = translator.poll(now)
        if frame is not None and frame.bus == 0 and not j1939.is_claim(frame.word):
            out.append((now, frame))
        if translator.next_poll(now) != now:
            now += 1000
    return out


@pytest.mark.parametrize("make", [Translator, NativeTranslator])
@pytest.mark.parametrize("to", [CAB, j1939.EVERYBODY])
def test_who_asks_for_a_group_gets_it_and_nobody_else(make: Any, to: int) -> None:
    assert answers(text_of(), [], 900_000, make) == []
    told = answers(text_of(), [ask(100_000, HOURS, to), ask(500_000, HOURS, to)], 900_000, make)
    assert [at for at, _ in told] == [100_000, 500_000]
    assert {tuple(f) for _, f in told} == {(0, _IDS[HOURS], bytes([0xD2, 4, *b"\xff" * 6]))}


def test_it_is_not_said_more_often_than_its_gap() -> None:
    """A node that asks without end gets an answer every 100 ms, or as often as the bridge file says."""
    asks = [ask(at, HOURS) for at in range(100_000, 600_000, 1000)]
    assert [at for at, _ in answers(text_of(), asks, 550_000)] == [100_000, 200_000, 300_000, 400_000, 500_000]
    assert len(answers(text_of("gap_ms = 250"), asks, 550_000)) == 2


def test_with_a_period_it_comes_by_itself_too() -> None:
    told = answers(text_of("period_ms = 300"), [ask(400_000, HOURS)], 800_000)
    assert [at for at, _ in told] == [0, 300_000, 400_000, 700_000]


@pytest.mark.parametrize("make", [Translator, NativeTranslator])
def test_what_can_not_be_had_is_refused_to_who_asks_us_alone(make: Any) -> None:
    refused = answers(text_of(), [ask(100_000, 0xFECC)], 300_000, make)
    assert [tuple(f) for _, f in refused] == [
        (0, j1939.Identifier(6, 0xE800, CAB).word, bytes([1, 255, 255, 255, TOOL, 0xCC, 0xFE, 0]))
    ]
    for other in (ask(100_000, 0xFECC, 255), ask(100_000, 0xFECC, 17), ask(100_000, 0xFECC, asker=254)):
        assert answers(text_of(), [other], 300_000, make) == []


@pytest.mark.parametrize("make", [Translator, NativeTranslator])
def test_a_group_that_is_not_sent_now_is_refused_and_one_that_comes_by_itself_is_not(make: Any) -> None:
    off = text_of('states = ["key_on"]') + '[states]\nkey_on = "host.GearboxRequest.Reduce > 500 Nm"\n'
    assert [f.data[0] for _, f in answers(off, [ask(100_000, HOURS)], 300_000, make)] == [1]
    cyclic = BRIDGE + ASKED.format(more="period_ms = 100").replace("on_request = true\n", "")
    told = answers(cyclic, [ask(150_000, HOURS)], 400_000, make)
    assert {f.word for _, f in told} == {_IDS[HOURS]}


@pytest.mark.parametrize("make", [Translator, NativeTranslator])
def test_more_than_eight_bytes_go_to_everybody_in_packets(make: Any) -> None:
    told = answers(text_of(long=LONG), [ask(100_000, DISTANCE)], 900_000, make)
    assert [f.data[0] for _, f in told] == [32, 1, 2]
    assert told[2][1].data[1:6] == b"\xff\xff\xff\xd2\x04"


def test_after_the_address_is_lost_nobody_is_answered() -> None:
    lost = 200_000, 0, j1939.Identifier(6, j1939.ADDRESS_CLAIMED, CAB).word, bytes(8)
    assert answers(text_of(), [lost, ask(300_000, HOURS), ask(310_000, 0xFECC)], 600_000) == []


def test_a_plan_file_keeps_it_and_the_plan_in_words_says_it() -> None:
    made = compile_bridge(parse_bridge(text_of()), MAPS)
    assert plan_from_json(made.plan.to_json()) == made.plan
    assert "when a node asks for its group" in " ".join(made.explain.split())


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        (text_of("once = true"), "can't have other triggers"),
        (
            BRIDGE.replace('send = "host.EngineStatus"', 'send = "host.EngineStatus"\non_request = true'),
            "is not a J1939",
        ),
    ],
)
def test_what_can_not_be_asked_for_is_refused(text: str, reason: str) -> None:
    with pytest.raises(SwapbridgeError, match=reason):
        plan_of(text)


# --- three ways


def agree(text: str, make: Any, rng: random.Random, count: int) -> int:
    """How many frames of a translator are those of the exact reference, all of them, while nodes ask and claim."""
    bridge = parse_bridge(text)
    plan = compile_bridge(bridge, MAPS).plan
    translator, twin = make(plan), Reference(bridge, addressed(bridge, MAPS), steps_of(plan))
    now = compared = 0
    for _ in range(count):
        now += rng.choice((300, 2500, 7000, 40_000)) if rng.random() > 0.004 else rng.choice((300_000, 7_000_000))
        roll = rng.random()
        group = rng.choice((HOURS, HOURS, DISTANCE, 0xEE00, 0xFECC, 0xF004))
        frame = ask(now, group, rng.choice((CAB, CAB, 255, 17)), rng.choice((TOOL, 3, 254)))[1:]
        if roll < 0.5:
            frame = 1, 0x300, rng.randbytes(8)
        elif roll < 0.502:
            frame = 0, j1939.Identifier(6, j1939.ADDRESS_CLAIMED, CAB).word, rng.randbytes(8)
        translator.on_frame(*frame, now)
        twin.heard(*frame, now)
        compared += len(polled_alike(translator, twin, now))
    return compared


MORES = ["", "period_ms = 300", "gap_ms = 30", "on_change = true\ngap_ms = 50", "with_bus = true", "delay_ms = 400"]


@pytest.mark.parametrize("make", [Translator, NativeTranslator])
@pytest.mark.parametrize("more", MORES)
def test_translators_and_reference_agree_on_requests(more: str, make: Any) -> None:
    assert agree(text_of(more, LONG), make, random.Random(len(more)), 2500) > 300


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 1 << 32), st.sampled_from(MORES))
def test_translator_and_reference_agree_whoever_asks(seed: int, more: str) -> None:
    agree(text_of(more, LONG), Translator, random.Random(seed), 300)
