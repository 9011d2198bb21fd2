"""The demo's plan in C: same frames as Python over its captures and random traffic, and small enough for a board."""

from __future__ import annotations

import random
import subprocess
from pathlib import Path

import pytest

from swapbridge.emit.emit_c import emit_c
from swapbridge.emit.native import NativeTranslator
from swapbridge.plan.plan import Plan
from tests.benchmarks import cortex_m
from tests.emit.c_runs import assert_same, build_harness, python_answers, rows, run_harness, run_slowly
from tests.emit.demo_swap import Frames, demo_frames, demo_plan
from tests.emit.everything import everything_plan
from tests.emit.random_plans import Call


@pytest.fixture(scope="module")
def plan() -> Plan:
    return demo_plan()


@pytest.fixture(scope="module")
def frames(plan: Plan) -> Frames:
    return demo_frames(plan)


def demo_calls(frames: Frames, count: int, seed: int) -> list[Call]:
    """Frames of the demo, lost, doubled, damaged and mixed with foreign ones, polled on time, late and in bursts."""
    rng = random.Random(seed)
    recorded = list(frames.rows())
    calls: list[Call] = []
    shift = (1 << 32) - 30_000_000  # the clock wraps half a minute in
    turn = 0
    while len(calls) < count:
        begin = rng.randrange(len(recorded) - 2000)
        shift += 1_000_000 * turn
        stretch = recorded[begin : begin + rng.randrange(200, 2000)]
        origin, lost, polls, burst = stretch[0][0], rng.choice((0.0, 0.02, 0.5)), rng.choice((0.2, 1.0, 3.0)), 0
        now = shift
        for time_us, bus, word, data in stretch:
            if burst == 0:
                now = shift + time_us - origin
                burst = rng.randrange(40) if rng.random() < 0.02 else 0
            else:
                burst -= 1
            at = now & 0xFFFF_FFFF
            if rng.random() >= lost:
                if rng.random() < 0.03:
                    data = rng.choice((rng.randbytes(len(data)), data[: rng.randrange(9)], bytes(8), b"\xff" * 8))
                calls += [Call(at, bus, word, data)] * (2 if rng.random() < 0.01 else 1)
            if rng.random() < 0.01:
                calls.append(Call(at, rng.randrange(2), rng.getrandbits(11), rng.randbytes(rng.randrange(9))))
            calls += [Call(at)] * int(polls + rng.random())
        shift = now
        turn = rng.choice((0, 0, 1, 5, 200))
    return calls[:count]


def test_the_first_seconds_of_the_captures(plan: Plan, frames: Frames) -> None:
    part = frames.first(25.0)
    end = int(part.time_us[-1]) + 5_000_000
    sent = NativeTranslator(plan).run_batch(*part, until_us=end)
    assert len(sent) > 1000
    assert rows(sent) == run_slowly(plan, part, end)


@pytest.mark.long
def test_the_whole_captures(plan: Plan, frames: Frames) -> None:
    end = int(frames.time_us[-1]) + 10_000_000
    sent = NativeTranslator(plan).run_batch(*frames, until_us=end)
    assert {(int(b), int(w)) for b, w in zip(sent.bus, sent.word, strict=True)} == {(s.bus, s.word) for s in plan.sends}
    assert rows(sent) == run_slowly(plan, frames, end)


def test_disturbed_captures(plan: Plan, frames: Frames, tmp_path: Path) -> None:
    calls = demo_calls(frames, 30_000, 1)
    harness = build_harness(emit_c(plan), tmp_path)
    answers = run_harness(harness, calls)
    assert sum(a.sent is not None for a in answers) > 1000
    assert_same(calls, answers, python_answers(plan, calls), "demo")


@pytest.mark.long(120)
def test_a_million_disturbed_frames_and_time_steps(plan: Plan, frames: Frames, tmp_path: Path) -> None:
    harness = build_harness(emit_c(plan), tmp_path)
    for seed in range(10):
        calls = demo_calls(frames, 100_000, seed)
        assert_same(calls, run_harness(harness, calls), python_answers(plan, calls), f"demo, traffic {seed}")


@pytest.mark.long
def test_cppcheck_has_nothing_to_say_even_of_style(plan: Plan, tmp_path: Path) -> None:
    for name, text in emit_c(plan).items():
        (tmp_path / name).write_text(text)
    command = ["cppcheck", "--std=c99", "--enable=style,warning,performance,portability", "--error-exitcode=3", "."]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode == 0, done.stderr


@pytest.mark.long
def test_flash_ram_and_cycles_on_a_cortex_m4(plan: Plan, frames: Frames) -> None:
    """Targets of the project, counted instruction by instruction, so the same on every machine."""
    report = cortex_m.measure(plan, cortex_m.demo_records(plan, frames, 6000))
    assert report.flash_bytes <= cortex_m.FLASH_TARGET
    assert report.state_bytes + report.stack_bytes <= cortex_m.RAM_TARGET
    assert set(report.cycles) == set(cortex_m.KINDS)
    assert max(report.cycles.values()) <= cortex_m.CYCLES_TARGET


@pytest.mark.long
def test_everything_at_once_is_the_same_in_c() -> None:
    plan = everything_plan()
    part = demo_frames(plan).first(40.0)
    end = int(part.time_us[-1]) + 5_000_000
    sent = NativeTranslator(plan).run_batch(*part, until_us=end)
    assert {(int(b), int(w)) for b, w in zip(sent.bus, sent.word, strict=True)} == {(s.bus, s.word) for s in plan.sends}
    assert rows(sent) == run_slowly(plan, part, end)


@pytest.mark.long
def test_everything_at_once_stays_within_the_limits_of_a_board() -> None:
    """Delays of 2 s, filters, learned ranges, pages, lives with their bus, a total, a debounced lamp."""
    plan = everything_plan()
    report = cortex_m.measure(plan, cortex_m.demo_records(plan, demo_frames(plan), 6000))
    assert report.flash_bytes <= cortex_m.FLASH_TARGET
    assert report.state_bytes + report.stack_bytes <= cortex_m.RAM_TARGET
    assert max(report.cycles.values()) <= cortex_m.CYCLES_TARGET
