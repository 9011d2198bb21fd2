"""`NativeTranslator`: the same interface, the same frames, one frame a call or whole columns."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from swapbridge.core.errors import InputError, MissingToolError
from swapbridge.core.layout import Layout
from swapbridge.core.toolchain import STRICT_FLAGS, build
from swapbridge.emit.emit_c import native_sources
from swapbridge.emit.native import NativeTranslator
from swapbridge.plan.check import check_plan
from swapbridge.plan.plan import (
    Bus,
    Extract,
    Feed,
    Field,
    Op,
    Pass,
    Plan,
    Receive,
    Send,
    Slot,
    Task,
    Variant,
    div_round,
)
from swapbridge.plan.python.translator import Translator
from tests.emit.c_runs import Columns, rows, run_slowly
from tests.emit.random_plans import random_calls, random_plan


@pytest.mark.parametrize(("seed", "optimised"), [(3, True), (9, True), (29, True), (33, True), (9, False)])
def test_call_by_call_like_the_python_translator(seed: int, *, optimised: bool) -> None:
    plan = random_plan(seed)
    ours, theirs = NativeTranslator(plan, optimised=optimised), Translator(plan)
    sent = 0
    for call in random_calls(plan, seed, 3000):
        if call.word is None:
            a, b = ours.poll(call.time_us), theirs.poll(call.time_us)
            assert a == b
            sent += a is not None
        else:
            ours.on_frame(call.bus, call.word, call.data, call.time_us)
            theirs.on_frame(call.bus, call.word, call.data, call.time_us)
        assert ours.next_poll(call.time_us) == theirs.next_poll(call.time_us)
    assert sent > 50
    assert (ours.state, ours.bad_frames, ours.dropped_frames) == (
        theirs.state,
        theirs.bad_frames,
        theirs.dropped_frames,
    )
    assert [ours.slot(k) for k in range(len(plan.slots))] == [theirs.slot(k) for k in range(len(plan.slots))]
    now = call.time_us
    while ours.next_poll(now) == now:
        assert ours.poll(now) == theirs.poll(now)
    assert [ours.feed_fresh(k) for k in range(len(plan.feeds))] == [
        theirs.feed_fresh(k) for k in range(len(plan.feeds))
    ]


def columns_of(plan: Plan, seed: int, count: int) -> Columns:
    """Random frames on one rising 64-bit clock that begins before a wrap of its lower 32 bits."""
    width = 64 if any(b.fd for b in plan.buses) else 8
    calls = [c for c in random_calls(plan, seed, 3 * count) if c.word is not None][:count]
    rng = np.random.default_rng(seed)
    time_us = (1 << 32) - 400_000 + np.cumsum(rng.integers(0, 4000, len(calls)))
    payload = np.zeros((len(calls), width), dtype=np.uint8)
    for row, call in zip(payload, calls, strict=True):
        row[: len(call.data)] = np.frombuffer(call.data, dtype=np.uint8)
    return (
        time_us.astype(np.int64),
        np.array([c.bus for c in calls], dtype=np.uint8),
        np.array([c.word or 0 for c in calls], dtype=np.uint32),
        np.array([len(c.data) for c in calls], dtype=np.uint8),
        payload,
    )


@pytest.mark.parametrize("seed", [4, 9, 15, 21])
def test_a_batch_equals_single_calls(seed: int) -> None:
    plan = random_plan(seed)
    columns = columns_of(plan, seed, 1500)
    end = int(columns[0][-1]) + 700_000
    sent = NativeTranslator(plan).run_batch(*columns, until_us=end)
    assert rows(sent) == run_slowly(plan, columns, end)
    beyond = np.arange(sent.payload.shape[1]) >= sent.length[:, None]
    assert not sent.payload[beyond].any()


def test_a_batch_may_come_in_pieces() -> None:
    plan = random_plan(9)
    columns = columns_of(plan, 9, 900)
    whole = NativeTranslator(plan).run_batch(*columns)
    translator = NativeTranslator(plan)
    parts = []
    for a, b in ((0, 1), (1, 1), (1, 400), (400, 900)):
        t, bus, word, length, payload = (c[a:b] for c in columns)
        parts += rows(translator.run_batch(t, bus, word, length, payload))  # type: ignore[arg-type]
    assert parts == rows(whole)


def test_an_empty_batch_sends_nothing_before_the_clock_starts() -> None:
    plan = random_plan(9)
    columns = columns_of(plan, 9, 3)
    t, bus, word, length, payload = (c[:0] for c in columns)
    assert len(NativeTranslator(plan).run_batch(t, bus, word, length, payload, until_us=10**9)) == 0  # type: ignore[arg-type]


def test_a_batch_does_not_go_back_in_time() -> None:
    plan = random_plan(9)
    t, bus, word, length, payload = columns_of(plan, 9, 20)
    translator = NativeTranslator(plan)
    translator.run_batch(t, bus, word, length, payload)
    with pytest.raises(InputError, match="order of time"):
        translator.run_batch(t, bus, word, length, payload)


def test_refusals() -> None:
    plan = random_plan(14, fd=False)
    translator = NativeTranslator(plan)
    t, bus, word, length, payload = columns_of(plan, 14, 20)
    with pytest.raises(InputError, match="times of a batch decrease"):
        translator.run_batch(t[::-1], bus, word, length, payload)
    with pytest.raises(InputError, match="the same number of rows"):
        translator.run_batch(t[:-1], bus, word, length, payload)
    with pytest.raises(InputError, match="buses"):
        translator.run_batch(t, bus + np.uint8(9), word, length, payload)
    with pytest.raises(InputError, match="leave such frames out"):
        translator.run_batch(t, bus, word, length + np.uint8(9), payload)
    with pytest.raises(InputError, match="can't be translated"):
        translator.on_frame(256, 1, b"", 0)
    with pytest.raises(InputError, match="can't be translated"):
        translator.on_frame(0, 1, bytes(65), 0)


def test_the_shared_object_builds_under_the_strict_flags(tmp_path: Path) -> None:
    for seed in (9, 11, 21):
        sources = native_sources(random_plan(seed), "bridge")
        build(sources, "bridge.so", tmp_path, (*STRICT_FLAGS, "-O1", "-shared", "-fPIC"))


def test_no_compiler_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "/nowhere")
    monkeypatch.delenv("CC", raising=False)
    with pytest.raises(MissingToolError, match="no C compiler"):
        NativeTranslator(random_plan(11))


@pytest.mark.parametrize(
    ("layout", "numerator", "denominator", "offset"),
    [
        (Layout(7, 16, "big_endian"), 3937, 100_000, 0),
        (Layout(0, 16, "little_endian", signed=True), -1, 256, -40),
        (Layout(3, 12, "little_endian"), 1000, 1, 7),
        (Layout(6, 7, "big_endian", signed=True), 9, 5, 32),
    ],
)
def test_every_raw_value_up_to_16_bits(layout: Layout, numerator: int, denominator: int, offset: int) -> None:
    """round(raw * n / d + offset), halves away from zero, against whole fractions, for every raw value."""
    low, high = layout.raw_range
    ends = sorted((low * numerator, high * numerator))
    quotients = [div_round(e, denominator) for e in ends]
    block = (
        Op("load", low, high, value=1),
        Op("const", numerator, numerator, value=numerator),
        Op("mul", ends[0], ends[1], 0, 1),
        Op("const", denominator, denominator, value=denominator),
        Op("div", quotients[0], quotients[1], 2, 3),
        Op("const", offset, offset, value=offset),
        Op("add", quotients[0] + offset, quotients[1] + offset, 4, 5),
    )
    send = Send("out", 1, 0x200, False, 63, (Variant(bytes(8), block, (Field("v", Layout(0, 40, signed=True), 6),)),))
    plan = Plan(
        "all values",
        tuple(Bus(n, 500_000, False, 0, "added-node", True, 1_000_000) for n in ("in", "out")),
        (Slot("state", 0, 0, 5), Slot("raw", 0, low, high)),
        (), (), (Feed("f", 1_000_000, 1, 1, (Extract("s", layout, 1, -1),), triggers=(0,)),),
        (Receive("r", 0, 0x100, 2, (0,)),), (Task("t", 1_000_000, 0, ()),), (send,), (),
    )  # fmt: skip
    check_plan(plan)
    raws = range(low, high + 1)
    payload = np.zeros((len(raws), 8), dtype=np.uint8)
    for row, raw in zip(payload, raws, strict=True):
        data = bytearray(2)
        layout.pack(data, raw)
        row[:2] = tuple(data)
    n = len(raws)
    time_us = np.arange(n, dtype=np.int64) * 10
    sent = NativeTranslator(plan).run_batch(
        time_us, np.zeros(n, np.uint8), np.full(n, 0x100, np.uint32), np.full(n, 2, np.uint8), payload, int(time_us[-1])
    )
    assert len(sent) == n
    got = sent.payload[:, :5].astype(np.int64) @ (np.int64(1) << np.arange(0, 40, 8))
    got -= (got >> 39) << 40
    expected = []
    for raw in raws:
        exact = Fraction(raw * numerator, denominator)
        away = abs(exact) + Fraction(1, 2)
        expected.append((away.numerator // away.denominator) * (-1 if exact < 0 else 1) + offset)
    assert got.tolist() == expected


def test_a_long_frame_on_a_classic_plan_is_heard_but_not_passed_on() -> None:
    buses = tuple(Bus(n, 500_000, False, 0, "inline", False, 1_000_000) for n in ("a", "b"))
    feed = Feed("f", 1_000_000, 1, 1, (Extract("s", Layout(0, 8), 1, -1),))
    plan = Plan(
        "classic", buses, (Slot("state", 0, 0, 5), Slot("raw", 0, 0, 255)), (), (), (feed,),
        (Receive("r", 0, 0x100, 1, (0,)),), (Task("t", 1_000_000, 500_000, ()),), (), (Pass(0, 0, 0x7FF, 1),),
    )  # fmt: skip
    translator = NativeTranslator(plan)
    translator.on_frame(0, 0x100, b"\x07" + bytes(11), 0)
    assert (translator.slot(1), translator.dropped_frames, translator.poll(0)) == (7, 1, None)
    translator.on_frame(0, 0x100, b"\x08" + bytes(7), 0)
    assert translator.poll(0) == (1, 0x100, b"\x08" + bytes(7))
