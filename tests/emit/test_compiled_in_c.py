"""Plans that the compiler made, in C: the frames are Python's, which `tests/bridge` compares with exact fractions."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings

from swapbridge.compiler.compile import compile_bridge
from swapbridge.core.layout import Layout
from swapbridge.emit.emit_c import emit_c
from swapbridge.emit.native import NativeTranslator
from swapbridge.language.reading import parse_bridge
from swapbridge.plan.plan import Plan
from swapbridge.plan.python.translator import Translator
from swapbridge.signalmap.signal_map import MapMessage, MapSignal, SignalMap
from tests.compiler.kit import RICH, Traffic, compile_text
from tests.compiler.test_exactness import EXHAUSTIVE, HEAD, cases, compiled_or_too_wide, decimal
from tests.emit.c_runs import SANITIZED, assert_same, build_harness, python_answers, rows, run_harness
from tests.emit.random_plans import Call


def rich_calls(seed: int, count: int) -> tuple[Plan, list[Call]]:
    """A bridge with every feature of the language, and traffic that is mostly right, from just before a wrap."""
    result = compile_text(RICH)
    traffic = Traffic(result, seed)
    rng = traffic.random
    now = 0xFFFF_FFFF - rng.randrange(3_000_000)
    calls: list[Call] = []
    while len(calls) < count:
        now += rng.choice((0, 50, 300, 1000, 2500, 2500, 20_000 if rng.random() < 0.1 else 700))
        if rng.random() < 0.001:
            now += rng.choice((300_000, 4_000_000, 100_000_000))
        at = now & 0xFFFF_FFFF
        if rng.random() < 0.5:
            bus, word, data = traffic.frame()
            calls.append(Call(at, bus, word, data))
        calls += [Call(at)] * rng.choice((0, 1, 1, 2, 8))
    return result.plan, calls


def check_rich(folder: Path, seed: int, count: int, flags: tuple[str, ...]) -> None:
    plan, calls = rich_calls(seed, count)
    harness = build_harness(emit_c(plan), folder, flags=flags)
    answers = run_harness(harness, calls)
    assert {(a.sent[0], a.sent[1]) for a in answers if a.sent} >= {
        (s.bus, s.word) for s in plan.sends if s.period_us and not s.count
    }
    assert_same(calls, answers, python_answers(plan, calls), f"rich, seed {seed}")


def test_every_feature_of_the_language(tmp_path: Path) -> None:
    check_rich(tmp_path, 1, 20_000, SANITIZED)


@pytest.mark.long
@pytest.mark.parametrize("seed", [2, 3])
def test_every_feature_of_the_language_for_long(seed: int, tmp_path: Path) -> None:
    check_rich(tmp_path, seed, 200_000, ("-Os",))


def check_case(donor: SignalMap, host: SignalMap, text: str, frames: list[list[bytes]]) -> None:
    target = host.messages[0].signals[0]
    unit = f" [{target.unit}]" if target.unit else ""
    fallback = decimal(target.offset)
    bridge = parse_bridge(HEAD + f'[messages.signals]\nOut = {{ value = "{text}", fallback = "{fallback}{unit}" }}\n')
    result = compiled_or_too_wide(bridge, {"d": donor, "h": host})
    if result is None:
        return
    ours, theirs, now = NativeTranslator(result.plan), Translator(result.plan), 0
    for payloads in frames:
        for message, payload in zip(donor.messages, payloads, strict=True):
            for translator in (ours, theirs):
                translator.on_frame(0, message.word, payload, now)
        for _ in range(30):
            now += 1000
            assert ours.poll(now) == theirs.poll(now), text
        assert [ours.slot(k) for k in range(len(result.plan.slots))] == [
            theirs.slot(k) for k in range(len(result.plan.slots))
        ]


@settings(max_examples=6, deadline=None, suppress_health_check=list(HealthCheck))
@given(cases())
def test_random_maps_and_expressions(case: Any) -> None:
    donor, host, _, text, frames = case
    check_case(donor, host, text, frames)


@pytest.mark.long
@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(cases())
def test_many_random_maps_and_expressions(case: Any) -> None:
    donor, host, _, text, frames = case
    check_case(donor, host, text, frames)


@pytest.mark.parametrize(("scale", "offset", "unit", "signed", "text"), EXHAUSTIVE)
def test_every_raw_value_of_16_bits(scale: str, offset: str, unit: str, signed: bool, text: str) -> None:
    """All 65536 raw values of a source through C and Python; Python against fractions is `tests/bridge`'s."""
    layout = Layout(3, 16, "big_endian", signed)
    source = MapSignal("S", layout, Fraction(scale), Fraction(offset), unit=unit)
    donor = SignalMap((MapMessage("M", 0x100, False, 8, (source,), period_ms=Fraction(10)),))
    target = MapSignal("Out", Layout(7, 24, "big_endian", True), Fraction("0.0625"), Fraction("-7.3"), unit=unit,
                       role="value")  # fmt: skip
    host = SignalMap((MapMessage("Out", 0x200, False, 8, (target,)),))
    bridge = parse_bridge(
        HEAD.replace("period_ms = 10", 'on_arrival = ["d.M"]\ngap_ms = 0')
        + f'[messages.signals]\nOut = {{ value = "{text}", fallback = "0 {unit}" }}\n'
    )
    plan = compile_bridge(bridge, {"d": donor, "h": host}).plan
    low, high = layout.raw_range
    payload = np.zeros((high - low + 1, 8), dtype=np.uint8)
    for row, raw in zip(payload, range(low, high + 1), strict=True):
        data = bytearray(8)
        layout.pack(data, raw)
        row[:] = np.frombuffer(data, dtype=np.uint8)
    count = len(payload)
    time_us = 20_000 + 7 * np.arange(count, dtype=np.int64)
    columns = (np.zeros(count, np.uint8), np.full(count, 0x100, np.uint32), np.full(count, 8, np.uint8), payload)
    sent = rows(NativeTranslator(plan).run_batch(time_us, *columns))
    translator = Translator(plan)
    expected = []
    for at, data_row in zip(time_us.tolist(), payload, strict=True):
        translator.on_frame(0, 0x100, data_row.tobytes(), at)
        while translator.next_poll(at) == at:
            frame = translator.poll(at)
            if frame is not None:
                expected.append((at, *frame))
    values = {row[3] for row in sent}
    assert len(values) > 100
    assert [(row[1:]) for row in sent] == [(row[1:]) for row in expected]
