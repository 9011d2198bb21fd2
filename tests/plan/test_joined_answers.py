"""Requests for several identifiers of service 01 at once: one answer of ISO 15765-2, in one frame or several.

Outside check: `can-isotp`'s own receiving side takes the frames, sends the flow control and gives the message.
"""

from __future__ import annotations

import dataclasses
from itertools import pairwise
from typing import Any

import isotp
import pytest

from swapbridge.core.errors import InputError
from swapbridge.core.identifier_words import identifier_word, split_word
from swapbridge.core.obd import split_answer
from swapbridge.plan.check import check_plan
from swapbridge.plan.plan import Plan
from swapbridge.plan.python.joined import pause_us
from swapbridge.plan.python.translator import Translator
from tests.compiler.kit import HEAD, compile_text

ANSWERS = """
[diagnostics]
mode = "answer"
tester = "host"
answers = { "0C" = "1726 rpm", "05" = "83 degC", "0F" = "20 degC", "46" = "15 degC", "42" = "13.8 V", "63" = "480 Nm" }
"""
# by hand, scales of SAE J1979 (from memory): 1726 x 4, 83 + 40, 20 + 40, 15 + 40, 13.8 x 1000, 480
VALUES = {0x0C: "1AF8", 0x05: "7B", 0x0F: "3C", 0x46: "37", 0x42: "35E8", 0x63: "01E0"}
ASK, ENGINE, ANSWER = 0x7DF, 0x7E0, 0x7E8
WORDS_29 = (0x18DB33F1, 0x18DA10F1, 0x18DAF110)


def plan_of(text: str = ANSWERS) -> Plan:
    return compile_text(HEAD + text).plan


def request(*numbers: int) -> bytes:
    return bytes([1 + len(numbers), 1, *numbers]).ljust(8, b"\x55")


def frames(translator: Translator, begin: int, end: int) -> list[tuple[int, str]]:
    """(time, payload) of what is sent, polled whenever something may be due."""
    out, now = [], begin
    while now < end:
        sent = translator.poll(now)
        if sent is not None:
            out.append((now, sent.data.hex().upper()))
        now = translator.next_poll(now)
    return out


def test_three_short_values_fit_one_frame() -> None:
    translator = Translator(plan_of())
    translator.on_frame(1, ASK, request(0x05, 0x46, 0x0F), 1000)
    assert frames(translator, 1000, 50_000) == [(6000, "07" + "41" + "057B" + "4637" + "0F3C")]


def test_what_is_not_answered_is_left_out_and_readiness_never_said() -> None:
    translator = Translator(plan_of())
    translator.on_frame(1, ENGINE, request(0x01, 0x05, 0x5C, 0x41), 0)
    assert frames(translator, 0, 50_000) == [(5000, "0341057B55555555")]
    for unknown in (request(0x01, 0x41), request(0x5C, 0x11, 0x01), bytes([3, 9, 5, 0x0F]), bytes([3, 1, 5])):
        translator.on_frame(1, ASK, unknown, 60_000)
    assert frames(translator, 60_000, 200_000) == []


def test_a_longer_answer_waits_for_flow_control_and_keeps_its_pause() -> None:
    translator = Translator(plan_of())
    translator.on_frame(1, ENGINE, request(0x0C, 0x42, 0x63, 0x05, 0x0F, 0x46), 0)
    first = frames(translator, 0, 40_000)
    assert first == [(5000, "1010" + "41" + "0C1AF8" + "4235")]
    translator.on_frame(1, ENGINE, bytes([0x31, 0, 0]), 40_000)  # wait
    assert frames(translator, 40_000, 900_000) == []
    translator.on_frame(1, ASK, bytes([0x30, 0, 0]), 900_000)  # not to the physical address: no flow control
    assert frames(translator, 900_000, 1_000_000) == []
    translator.on_frame(1, ENGINE, bytes([0x30, 0, 20]), 1_000_000)
    assert frames(translator, 1_000_000, 1_200_000) == [
        (1_020_000, "21" + "E8" + "6301E0" + "057B" + "0F"),
        (1_040_000, "22" + "3C" + "4637" + "55555555"),
    ]


def test_without_flow_control_or_after_overflow_it_ends() -> None:
    translator = Translator(plan_of())
    for ending in (b"", bytes([0x32, 0, 0])):
        now = 0 if not ending else 10_000_000
        translator.on_frame(1, ENGINE, request(0x0C, 0x42, 0x63), now)
        assert len(frames(translator, now, now + 20_000)) == 1
        if ending:
            translator.on_frame(1, ENGINE, ending, now + 20_000)
        late = now + (1_100_000 if not ending else 30_000)
        assert frames(translator, now + 20_000, late) == []
        translator.on_frame(1, ENGINE, bytes([0x30, 0, 0]), late)
        assert frames(translator, late, late + 100_000) == []


def test_a_flood_of_requests_gets_an_answer_every_gap_at_most() -> None:
    translator, times = Translator(plan_of()), []
    for now in range(0, 100_000, 500):
        translator.on_frame(1, ASK, request(0x05, 0x0F), now)
        times += [now for _ in frames(translator, now, now + 1)]
    assert len(times) > 10
    assert min(b - a for a, b in pairwise(times)) >= 5000


def test_a_value_without_its_source_is_left_out() -> None:
    text = ANSWERS.replace('"0F" = "20 degC"', '"0F" = "donor.PCM_SLOW.Coolant"')
    translator = Translator(plan_of(text))
    translator.on_frame(1, ASK, request(0x0F, 0x05), 0)
    assert frames(translator, 0, 50_000) == [(5000, "0341057B55555555")]


@pytest.mark.parametrize("extended", [False, True])
@pytest.mark.parametrize("block_size", [0, 1, 2])
def test_can_isotp_reads_the_answer(extended: bool, block_size: int) -> None:
    words = tuple(identifier_word(w, True) for w in WORDS_29) if extended else (ASK, ENGINE, ANSWER)
    text = ANSWERS.replace("answers", f"extended = {str(extended).lower()}\nanswers")
    translator = Translator(plan_of(text))
    to_tool: list[Any] = []
    from_tool: list[Any] = []
    mode = isotp.AddressingMode.Normal_29bits if extended else isotp.AddressingMode.Normal_11bits
    address = isotp.Address(mode, txid=split_word(words[1])[0], rxid=split_word(words[2])[0])
    stack = isotp.TransportLayerLogic(
        rxfn=lambda timeout: to_tool.pop(0) if to_tool else None,
        txfn=from_tool.append,
        address=address,
        params={"stmin": 7, "blocksize": block_size},
    )
    wanted = list(VALUES)
    translator.on_frame(1, words[0], request(*wanted), 0)
    for now in range(0, 400_000, 1000):
        for sent in iter(lambda: translator.poll(now), None):  # noqa: B023
            assert (sent.bus, sent.word) == (1, words[2])
            to_tool.append(isotp.CanMessage(split_word(sent.word)[0], data=sent.data, extended_id=extended))
        stack.process(0.0)
        while from_tool:
            message = from_tool.pop(0)
            translator.on_frame(1, identifier_word(message.arbitration_id, extended), bytes(message.data), now)
    answer = stack.recv()
    assert answer is not None
    assert split_answer(bytes(answer)) == [(n, bytes.fromhex(VALUES[n])) for n in wanted]


def test_pauses_as_the_standard_codes_them() -> None:
    """STmin of ISO 15765-2, from memory: 0 to 7F milliseconds, F1 to F9 100 to 900 us, the rest is reserved: 127 ms."""
    assert [pause_us(c) for c in (0, 1, 0x7F, 0x80, 0xF0, 0xF1, 0xF9, 0xFA, 0xFF)] == [
        0, 1000, 127_000, 127_000, 127_000, 100, 900, 127_000, 127_000,
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("change", "pattern"),
    [
        ({"parts": ()}, "bad number of parts"),
        ({"parts": ((5, 0), (5, 1))}, "rising identifiers"),
        ({"parts": ((5, 99),)}, "identifier 05 names a send that is not there"),
        ({"words": ()}, "asked for by no frame"),
        ({"service": 64}, "bad service"),
        ({"service": 9}, "is not the engine computer's to a scan tool's request for service 01"),
        ({"words": (0x7E1,)}, "is not the engine computer's to a scan tool's request for service 01"),
        ({"flow_word": 0x123}, "is not the engine computer's to a scan tool's request for service 01"),
        ({"gap_us": -1}, "bad gap"),
        ({"word": 0x7E9}, "names a send of another identifier"),
        ({"bus": 7}, "on a bus that is not there"),
    ],
)
def test_an_edited_joined_answer_is_refused(change: dict[str, Any], pattern: str) -> None:
    plan = plan_of()
    assert plan.joined is not None
    check_plan(plan)
    with pytest.raises(InputError, match=pattern):
        check_plan(dataclasses.replace(plan, joined=dataclasses.replace(plan.joined, **change)))
