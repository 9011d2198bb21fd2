"""Prove room: answers to a scan tool are judged by their content: exact values, lists, who asks and how often."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache, partial
from typing import Any

import isotp
import pytest

from swapbridge.compiler.compile import compile_bridge
from swapbridge.core.obd import PIDS
from swapbridge.plan.joined_answer import Joined
from swapbridge.plan.plan import Plan
from swapbridge.plan.python.translator import Translator
from swapbridge.proving.bench.bench import set_up
from swapbridge.proving.bench.nodes import Polled, ReceivedFrame
from swapbridge.proving.judges.frames.content import content_checks
from swapbridge.proving.judges.frames.scan_tool import ask_answers
from swapbridge.proving.prove import prove
from swapbridge.proving.reference.joined_answer import answer_frames
from swapbridge.proving.reference.open_choices import steps_of
from swapbridge.proving.reference.reference import Reference
from swapbridge.proving.reference.scan_tool_answers import answers_of
from swapbridge.proving.trace import JOINED, judge_trace
from swapbridge.proving.verdict import Check
from tests.proving import mutations, small_swap

ANSWERS = """
[diagnostics]
mode = "answer"
tester = "host"
answers = { "0C" = "donor.FAST.Speed", "05" = "clamp(donor.SLOW.Coolant, -40 degC, 215 degC)", "63" = "480 Nm" }
"""


@lru_cache(maxsize=2)
def _swap(extended: bool) -> tuple[Plan, Any, Any]:
    text = ANSWERS.replace('tester = "host"', f'tester = "host"\nextended = {str(extended).lower()}')
    bridge, maps = small_swap.bridge(small_swap.BRIDGE + text), small_swap.maps()
    return compile_bridge(bridge, maps).plan, bridge, maps


@pytest.fixture(scope="module")
def swap() -> tuple[Plan, Any, Any]:
    return _swap(False)


def _checks(swap: Any, plan: Plan, seconds: float = 9.0) -> dict[str, Check]:
    """What is said of each answer after a run in which all are asked for."""
    _, bridge, maps = swap
    reference = Reference(bridge, maps, steps_of(plan))
    run = ask_answers(
        set_up(plan, small_swap.captures(seconds), reference.words_read()), bridge, partial(Translator, plan), 1
    )
    assert run is not None
    contents = judge_trace(plan, reference, run.device.trace or [])
    checks = content_checks(plan, contents, reference)
    return {c.name.partition(":")[0]: c for c in checks if c.name.startswith("answer")}


def test_prove_asks(swap: Any) -> None:
    """The proof as a whole asks for every answer, and fails on a wrong one."""
    plan, bridge, maps = swap
    for one, passed in ((plan, True), (DEFECTS["a list leaves one out"](plan), False)):
        verdict = prove(one, small_swap.captures(5.0), bridge, maps, thoroughness="none")
        assert (verdict.outcome != "FAILED") == passed
        assert sum(c.name.startswith("answer") for c in verdict.of("content")) == 8


@pytest.mark.parametrize("extended", [False, True])
def test_every_answer_is_asked_for_and_equal(extended: bool) -> None:
    swap = _swap(extended)
    checks = _checks(swap, swap[0], 16.0)
    answers = [f"answer {n}" for n in ("00", "05", "0C", "20", "40", "60", "63")]
    assert sorted(checks) == [*answers, "answers to several at once"]
    assert {c.status for c in checks.values()} == {"pass"}
    assert all(int(c.measured.partition(" ")[0]) > 20 for c in checks.values())


def test_values_worked_out_by_hand() -> None:
    """1726 rpm is 1A F8, 83 degC is 7B, 480 Nm is 01 E0; lists by hand (scales of SAE J1979, from memory)."""
    bridge, maps = small_swap.bridge(small_swap.BRIDGE + ANSWERS), small_swap.maps()
    reference = Reference(bridge, maps)
    host, donor = (next(n for n, b in enumerate(bridge.buses) if b.name == name) for name in ("host", "donor"))
    fast, slow = (maps["donor"].message(name) for name in ("FAST", "SLOW"))
    assert fast is not None
    assert slow is not None
    data = bytearray(8)
    fast.signals[0].layout.pack(data, 1726 * 8)
    assert fast.signals[-1].checksum is not None
    fast.signals[-1].checksum.insert(data)
    reference.heard(donor, fast.word, bytes(data), 1000)
    data = bytearray(8)
    slow.signals[0].layout.pack(data, 175)  # 83.25 degC
    reference.heard(donor, slow.word, bytes(data), 2000)
    wanted = {
        0x0C: "04410C1AF8555555", 0x05: "0341057B55555555", 0x63: "04416301E0555555",
        0x00: "0641000810000155", 0x20: "0641200000000155", 0x40: "0641400000000155", 0x60: "0641602000000055",
    }  # fmt: skip
    for at, (number, expected) in enumerate(wanted.items()):
        now = 10_000 * (at + 1)
        reference.heard(host, 0x7DF, bytes([2, 1, number, 0x55, 0x55, 0x55, 0x55, 0x55]), now)
        decision = reference.decide(host, 0x7E8, now)
        assert decision is not None
        assert decision.due
        assert decision.payload is not None
        assert decision.payload.hex().upper() == expected


DEFECTS: dict[str, Callable[[Plan], Plan]] = {
    "value wrong by 1 %": lambda p: mutations.scaled(p, "host.Service01_0C", "engine_speed", 1),
    "answers another number": lambda p: mutations.send_changed(
        p,
        "host.Service01_05",
        lambda s: replace(s, variants=(replace(s.variants[0], base=b"\x03\x41\x06" + s.variants[0].base[3:]),)),
    ),
    "a list leaves one out": lambda p: mutations.send_changed(
        p,
        "host.Service01_00",
        lambda s: replace(s, variants=(replace(s.variants[0], base=b"\x06\x41\x00\x08\x00\x00\x01\x55"),)),
    ),
    "deaf to the engine computer's own identifier": lambda p: mutations.send_changed(
        p,
        "host.Service01_0C",
        lambda s: replace(s, request=replace(s.request, words=s.request.words[:1]) if s.request else None),
    ),
    "answers readiness": lambda p: mutations.send_changed(
        p,
        "host.Service01_63",
        lambda s: replace(s, request=replace(s.request, prefix=b"\x02\x01\x01") if s.request else None),
    ),
}


@pytest.mark.parametrize("name", DEFECTS)
def test_each_class_of_defect_is_caught(swap: Any, name: str) -> None:
    checks = _checks(swap, DEFECTS[name](swap[0]))
    failed = [c for c in checks.values() if c.status == "fail"]
    assert failed
    assert all(c.remedy for c in failed)


def test_an_answer_whose_source_is_silent_is_not_given(swap: Any) -> None:
    """Nothing is made up: without the donor's frames only what is constant is answered, and the reference agrees."""
    plan, bridge, maps = swap
    bench = set_up(plan, {"host": small_swap.captures(9.0)["host"]})
    run = ask_answers(bench, bridge, partial(Translator, plan), 1)
    assert run is not None
    contents = judge_trace(plan, Reference(bridge, maps, steps_of(plan)), run.device.trace or [])
    assert contents.wrong == 0, contents.first_problem()
    assert set(contents.answers) == {JOINED, 0x00, 0x20, 0x40, 0x60, 0x63}


def test_readiness_is_asked_for_and_stays_unanswered(swap: Any) -> None:
    plan, bridge, _ = swap
    run = ask_answers(set_up(plan, small_swap.captures(9.0)), bridge, partial(Translator, plan), 1)
    assert run is not None
    trace = run.device.trace or []
    asked = {e.data[: e.data[0] + 1] for e in trace if isinstance(e, ReceivedFrame) and e.data[1:2] == b"\x01"}
    assert {b"\x02\x01\x01", b"\x02\x01\x41", b"\x03\x01\x0c\x60"} <= asked
    words = {s.word for s in plan.sends if s.request is not None}
    given = [e.frame.data for e in trace if isinstance(e, Polled) and e.frame is not None and e.frame.word in words]
    single = {data[2] for data in given if data[1] == 0x41 and data[0] in (3, 4, 6)}
    assert single == {a.number for a in answers_of(bridge)}
    assert set(PIDS) & single == {0x05, 0x0C, 0x63}
    assert {data[0] >> 4 for data in given} == {0, 1, 2}, "single, first and consecutive frames (ISO 15765-2)"


def test_several_at_once_by_hand_and_by_the_library() -> None:
    """`can-isotp` takes the frames of the reference and gives the message that was worked out by hand."""
    message = bytes.fromhex("41" + "0C1AF8" + "057B" + "6301E0" + "0008100001")
    frames = answer_frames(message)
    assert [f.hex().upper() for f in frames] == ["100E410C1AF8057B", "216301E000081000", "2201555555555555"]
    queue = [isotp.CanMessage(arbitration_id=0x7E8, data=f) for f in frames]
    address = isotp.Address(isotp.AddressingMode.Normal_11bits, rxid=0x7E8, txid=0x7E0)
    layer = isotp.TransportLayerLogic(lambda timeout: queue.pop(0) if queue else None, lambda m: None, address)
    for _ in range(10):
        layer.process()
    assert bytes(layer.recv() or b"") == message
    assert answer_frames(message[:7]) == [b"\x07" + message[:7]]


SEVERAL: dict[str, Callable[[Joined], Joined]] = {
    "leaves one out": lambda j: replace(j, parts=j.parts[:1]),
    "hurries": lambda j: replace(j, gap_us=1_000),
    "deaf to flow control": lambda j: replace(j, flow_word=j.words[0]),
}


@pytest.mark.parametrize("name", SEVERAL)
def test_each_class_of_defect_of_several_at_once_is_caught(swap: Any, name: str) -> None:
    plan, _, _ = swap
    assert plan.joined is not None
    checks = _checks(swap, replace(plan, joined=SEVERAL[name](plan.joined)))
    assert checks["answers to several at once"].status == "fail"


def test_without_an_answer_to_several_the_proof_fails(swap: Any) -> None:
    checks = _checks(swap, replace(swap[0], joined=None))
    assert checks["answers to several at once"].status == "fail"
