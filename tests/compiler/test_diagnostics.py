"""Diagnostics: nothing clears codes, nothing speaks for the engine computer but service 01 data that was asked for."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest

from swapbridge.core.errors import InputError
from swapbridge.core.identifier_words import identifier_word, split_word
from swapbridge.core.obd import PIDS, diagnostic_use
from swapbridge.language.bridge_file import BridgeRefused
from swapbridge.plan.check import check_plan
from swapbridge.plan.plan import Request
from swapbridge.plan.python.translator import Translator
from swapbridge.signalmap.signal_map import MapMessage, SignalMap
from tests.compiler.kit import DONOR, HEAD, compile_text, signal


def with_scan(signal_map: SignalMap, identifier: int, extended: bool) -> SignalMap:
    """The map with a message of that identifier whose bytes can be said one by one."""
    message = MapMessage("Scan", identifier, extended, 8, (signal("Length", 0, 8), signal("Service", 8, 8)))
    return dataclasses.replace(signal_map, messages=(*signal_map.messages, message))


CLEAR = """
[[messages]]
send = "donor.Scan"
period_ms = 100
sender_gone = true
rest = "zero"
[messages.signals]
Length = { value = "1", fallback = "1", role = "value" }
Service = { value = "4", fallback = "4", role = "value" }
"""


@pytest.mark.parametrize(
    ("identifier", "extended", "pattern"),
    [
        # ISO 15765-4, from memory; the library can-isotp and obd use these identifiers
        (0x7DF, False, r"Scan: 7DF is for a scan tool's requests and their answers, and a translator never generates"),
        (0x7E0, False, "7E0 is for a scan tool's requests"),
        (0x7E7, False, "7E7 is for a scan tool's requests"),
        (0x7E8, False, "7E8 is for a scan tool's requests"),
        (0x7EF, False, "7EF is for a scan tool's requests"),
        (0x18DB33F1, True, "18DB33F1x is for a scan tool's requests"),
        (0x18DA10F1, True, "18DA10F1x is for a scan tool's requests"),
        (0x1CDA10F1, True, "1CDA10F1x is for a scan tool's requests"),
        # SAE J1939-73 and -21, from memory: DM3, DM11, request
        (0x18FECC00, True, "DM3, which clears fault codes"),
        (0x18FED300, True, "DM11, which clears fault codes"),
        (0x18EAFFF9, True, "requests, which can ask a module to clear its fault codes"),
    ],
)
def test_no_frame_of_diagnostics_is_made_up(identifier: int, extended: bool, pattern: str) -> None:
    with pytest.raises(BridgeRefused, match=pattern):
        compile_text(HEAD + CLEAR, with_scan(DONOR, identifier, extended))


def test_an_ordinary_message_of_the_same_form_is_sent() -> None:
    for identifier, extended in ((0x7DE, False), (0x7F0, False), (0x18FECA00, True), (0x18EEFF00, True)):
        assert diagnostic_use(identifier, extended) == ""
        plan = compile_text(HEAD + CLEAR, with_scan(DONOR, identifier, extended)).plan
        assert [split_word(s.word) for s in plan.sends] == [(identifier, extended)]


@pytest.mark.parametrize("target", ["7E0", "7DF", "18DB33F1x", "18FED300x"])
def test_no_other_frame_is_renamed_into_one_of_diagnostics(target: str) -> None:
    rule = f'[[pass]]\nfrom = "host"\nto = "donor"\nids = ["600"]\nas = "{target}"\n'
    with pytest.raises(BridgeRefused, match="no other frame may become one"):
        compile_text(HEAD + rule)
    real = rule.replace("600", "7E1")
    assert compile_text(HEAD + real).plan.passes, "a scan tool's own request may go on under another number"


@pytest.mark.parametrize("number", ["01", "41", "00", "02"])
def test_readiness_lists_and_codes_are_never_answered(number: str) -> None:
    text = f'[diagnostics]\nmode = "answer"\ntester = "host"\nanswers = {{ "{number}" = "0" }}\n'
    with pytest.raises(BridgeRefused, match=r"readiness|is not a numeric parameter of service 01"):
        compile_text(HEAD + text)


def test_whatever_is_answered_the_plan_asks_and_answers_service_01_alone() -> None:
    wanted = {n: p for n, p in PIDS.items() if p.unit == "rpm" or p.unit == "degC"}
    assert len(wanted) > 3
    source = {"rpm": "min(donor.PCM_FAST.RPM, 16000 rpm)", "degC": "donor.PCM_SLOW.Coolant"}
    answers = ", ".join(f'"{n:02X}" = "{source[p.unit]}"' for n, p in wanted.items())
    for extended in (False, True):
        more = f'[diagnostics]\nmode = "answer"\ntester = "host"\nextended = {str(extended).lower()}\n'
        plan = compile_text(HEAD + more + f"answers = {{ {answers} }}\n").plan
        asked = [s for s in plan.sends if s.request is not None]
        assert asked == list(plan.sends)
        assert len(asked) >= len(wanted) + 1
        answer = identifier_word(*((0x18DAF110, True) if extended else (0x7E8, False)))
        for send in asked:
            assert send.request is not None
            assert (send.word, send.period_us, send.count) == (answer, 0, 0), "only ever on request"
            assert {v.base[1] for v in send.variants} == {0x41}
            assert send.request.prefix[1] == 0x01
            assert send.request.prefix[2] not in (0x01, 0x41)


def test_no_other_service_gets_an_answer_whatever_it_asks() -> None:
    text = (
        '[diagnostics]\nmode = "answer"\ntester = "host"\nanswers = { "0C" = "min(donor.PCM_FAST.RPM, 16000 rpm)" }\n'
    )
    fast = DONOR.messages[0]
    translator = Translator(compile_text(HEAD + text).plan)
    now, counter, answered = 0, 0, set()
    for service in range(256):  # 03, 07 and 0A read codes, 04 clears them, 09 tells what vehicle it is (SAE J1979)
        for length, number in ((1, 0), (2, 0x00), (2, 0x01), (2, 0x0C), (2, 0x41), (6, 0x0C)):
            data = bytearray(8)
            fast.signals[-2].layout.pack(data, counter)
            counter = (counter + 1) % 15
            checksum = fast.signals[-1].checksum
            assert checksum is not None
            checksum.insert(data)
            now += 6000
            translator.on_frame(0, 0x100, bytes(data), now)
            for word in (0x7DF, 0x7E0):
                translator.on_frame(1, word, bytes([length, service, number]).ljust(8, b"\x55"), now)
            at = now
            while at <= now + 5500:  # what answers several identifiers comes after its gap
                sent = translator.poll(at)
                if sent is not None:
                    assert (sent.bus, sent.word, sent.data[1]) == (1, 0x7E8, 0x41)
                    answered.add((service, number, sent.data[2]))
                at = translator.next_poll(at)
    assert answered == {(1, 0x00, 0x00), (1, 0x0C, 0x0C)}


SIMPLE = '[diagnostics]\nmode = "answer"\ntester = "host"\nanswers = { "05" = "20 degC" }\n'
EDITS: list[tuple[str, dict[str, Any], str]] = [
    ("a period", {"period_us": 100_000}, "answers a scan tool that did not ask"),
    ("once after waking", {"count": 1}, "answers a scan tool that did not ask"),
    ("no request", {"request": None}, "makes a frame that is for a scan tool's requests and their answers"),
    ("another module", {"word": 0x7E9}, "answers a scan tool as another module than the engine computer"),
    ("a request itself", {"word": 0x7DF}, "answers a scan tool as another module than the engine computer"),
    ("an ordinary frame", {"word": 0x123}, "answers a scan tool under another identifier than its own"),
    ("clears codes", {"word": identifier_word(0x18FECC00, True)}, "as another module than the engine computer"),
    ("another's request", {"request": Request(1, (0x7E1,), b"\x02\x01\x05")}, "requests that are not for the engine"),
]


@pytest.mark.parametrize(("change", "pattern"), [(c, p) for _, c, p in EDITS], ids=[name for name, _, _ in EDITS])
def test_an_edited_answer_is_refused_before_it_runs(change: dict[str, Any], pattern: str) -> None:
    """A plan is a file that anybody can edit: what the compiler never writes, no translator runs."""
    plan = dataclasses.replace(compile_text(HEAD + SIMPLE).plan, joined=None)
    check_plan(plan)
    sends = (dataclasses.replace(plan.sends[0], **change), *plan.sends[1:])
    with pytest.raises(InputError, match=pattern):
        check_plan(dataclasses.replace(plan, sends=sends))


def test_an_edited_rule_makes_no_frame_of_diagnostics() -> None:
    plan = compile_text(HEAD + '[[pass]]\nfrom = "host"\nto = "donor"\nids = ["600"]\nas = "601"\n').plan
    for first, last in ((0x600, 0x600), (0x7DF, 0x7E1)):
        rule = dataclasses.replace(plan.passes[-1], first=first, last=last, new_word=0x7E0)
        with pytest.raises(InputError, match="makes a frame that is for a scan tool"):
            check_plan(dataclasses.replace(plan, passes=(rule,)))


def test_29_bit_diagnostics_pass_both_requests_and_the_answer() -> None:
    text = '[diagnostics]\nmode = "pass"\ntester = "host"\nengine = "donor"\nextended = true\n'
    result = compile_text(HEAD + text)
    translator = Translator(result.plan)
    flow_control = bytes([0x30, 0, 0]).ljust(8, b"\0")  # ISO 15765-2: goes to the physical address
    for bus, identifier, data in ((1, 0x18DB33F1, bytes([2, 1, 0xC])), (1, 0x18DA10F1, flow_control)):
        translator.on_frame(bus, identifier_word(identifier, True), data, 0)
        assert translator.poll(0) == (0, identifier_word(identifier, True), data)
    translator.on_frame(0, identifier_word(0x18DAF110, True), b"answered", 0)
    assert translator.poll(0) == (1, identifier_word(0x18DAF110, True), b"answered")
    assert "18DAF110x from donor to host" in result.explain


def test_the_words_for_a_mechanic_number_the_answers_and_name_whole_ranges() -> None:
    rules = (
        '[[block]]\nfrom = "donor"\nto = "host"\nids = ["7E8"]\n[[pass]]\nfrom = "donor"\nto = "host"\nids = ["all"]\n'
    )
    text = rules + '[diagnostics]\nmode = "answer"\ntester = "host"\nanswers = { "05" = "donor.PCM_SLOW.Coolant" }\n'
    compiled = compile_text(HEAD + text).explain
    assert "  05 coolant_temp = donor.PCM_SLOW.Coolant\n" in compiled
    assert "without its source: no answer" in compiled
    assert "every 11-bit identifier from donor to host" in compiled
    assert "every 29-bit identifier from donor to host" in compiled
    assert "7E8 from donor is not passed to host" in compiled
    assert max(len(line) for line in compiled.splitlines()) <= 100
