"""The C does what the contract says: random plans, random calls, every build that is promised."""

from __future__ import annotations

import random
import subprocess
from itertools import product
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from swapbridge.core.toolchain import STRICT_FLAGS, build
from swapbridge.emit.emit_c import emit_c
from tests.emit.c_runs import SANITIZED, assert_same, build_harness, run_harness, slow_answers
from tests.emit.random_plans import Call, pack_calls, random_calls, random_plan

MORE = [pytest.param(seed, marks=pytest.mark.long) for seed in (0, 3, 7, 21, 29, 33)]
"""Plans that take seconds to build with sanitizers; the plain suite has two, and `test_the_clock_wraps...` a third."""


@pytest.mark.parametrize("seed", [9, 35, *MORE])
def test_random_plans_under_sanitizers(seed: int, tmp_path: Path) -> None:
    plan = random_plan(seed)
    calls = random_calls(plan, seed, 3000)
    harness = build_harness(emit_c(plan), tmp_path, flags=SANITIZED)
    assert_same(calls, run_harness(harness, calls), slow_answers(plan, calls), f"plan {seed}")


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(seed=st.integers(1000, 1 << 40), traffic=st.integers(0, 1 << 40))
def test_any_plan_any_traffic(seed: int, traffic: int, tmp_path_factory: pytest.TempPathFactory) -> None:
    plan = random_plan(seed)
    calls = random_calls(plan, traffic, 600)
    harness = build_harness(emit_c(plan), tmp_path_factory.mktemp("plan"), flags=("-O0",))
    assert_same(calls, run_harness(harness, calls), slow_answers(plan, calls), f"plan {seed}, traffic {traffic}")


def test_the_clock_wraps_and_polls_come_late(tmp_path: Path) -> None:
    plan = random_plan(4)
    calls, now = [], (1 << 32) - 150_000
    rng = random.Random(5)
    for step in (1, 999, 40_000, 1_000_000, (1 << 31) - 1):
        for k in range(400):
            now = (now + rng.randrange(step + 1)) & 0xFFFF_FFFF
            calls.append(Call(now))
            if plan.receives and k % 3 == 0:
                receive = rng.choice(plan.receives)
                calls.append(Call(now, receive.bus, receive.word, rng.randbytes(receive.minimum_length)))
    assert max(c.time_us for c in calls) > 0xFFFF_0000 > min(c.time_us for c in calls)
    harness = build_harness(emit_c(plan), tmp_path, flags=SANITIZED)
    assert_same(calls, run_harness(harness, calls), slow_answers(plan, calls), "wrap")


@pytest.mark.long
@pytest.mark.parametrize(
    ("compiler", "bits", "optimize"), list(product(("gcc", "clang"), ("-m32", "-m64"), ("-Os", "-O2", "sanitized")))
)
def test_build_matrix(compiler: str, bits: str, optimize: str, tmp_path: Path) -> None:
    """gcc and clang, 32 and 64 bits, sized, fast and sanitized: no warning, same answers."""
    flags = SANITIZED if optimize == "sanitized" else (optimize,)
    for seed in (9, 21, 35):
        plan = random_plan(seed)
        files = emit_c(plan)
        calls = random_calls(plan, seed, 4000)
        harness = build_harness(files, tmp_path, compiler, (*flags, bits))
        assert_same(calls, run_harness(harness, calls), slow_answers(plan, calls), f"{compiler} {bits} {seed}")
        board = {name: files[name] for name in ("bridge.h", "bridge_board.c", "bridge_linux.c")}
        build(board | {"bridge_linux.c": files["bridge_linux.c"]}, "examples.o", tmp_path,
              (*STRICT_FLAGS, bits, "-r", "-nostdlib"), compiler)  # fmt: skip


@pytest.mark.long
def test_a_million_random_frames_and_time_steps(tmp_path: Path) -> None:
    """A million calls over many plans: bursts, late polls, wraps."""
    total = 0
    seed = 500
    while total < 1_000_000:
        plan = random_plan(seed)
        calls = random_calls(plan, seed, 25_000)
        harness = build_harness(emit_c(plan), tmp_path, flags=("-O1",))
        assert_same(calls, run_harness(harness, calls), slow_answers(plan, calls), f"plan {seed}")
        total += len(calls)
        seed += 1


@pytest.mark.long
@pytest.mark.parametrize("compiler", ["gcc", "clang"])
def test_any_bytes_at_the_frame_entry(compiler: str, tmp_path: Path) -> None:
    """Fuzz: any bus, identifier, length up to 64 and time; nothing read past the end, nothing undefined."""
    rng = random.Random(7)
    for seed in (3, 7, 9, 21, 33, 46):
        plan = random_plan(seed)
        harness = build_harness(emit_c(plan), tmp_path, compiler, SANITIZED)
        known = [(r.bus, r.word) for r in plan.receives] or [(0, 0)]
        calls = []
        for _ in range(60_000):
            bus, word = rng.choice(known)
            if rng.random() < 0.3:
                bus, word = rng.randrange(256), rng.getrandbits(32)
            calls.append(Call(rng.getrandbits(32), bus, word, rng.randbytes(rng.randrange(65))))
            if rng.random() < 0.2:
                calls.append(Call(rng.getrandbits(32)))
        run_harness(harness, calls)


def test_the_harness_says_when_its_input_is_cut_short(tmp_path: Path) -> None:
    plan = random_plan(1)
    harness = build_harness(emit_c(plan), tmp_path)
    calls = random_calls(plan, 1, 50)
    raw = pack_calls(calls)
    done = subprocess.run([harness], input=raw[:-1], capture_output=True, timeout=60, check=False)
    whole = subprocess.run([harness], input=raw, capture_output=True, timeout=60, check=False)
    odd = subprocess.run([harness, "--what"], input=b"", capture_output=True, timeout=60, check=False)
    assert (done.returncode, whole.returncode, odd.returncode) == (1, 0, 2)
    timed = subprocess.run([harness, "--time", "3"], input=raw, capture_output=True, text=False, timeout=60, check=True)
    assert timed.stdout.startswith(f"{3 * len(calls)} calls, ".encode())


@pytest.mark.long
def test_cppcheck_has_nothing_to_say(tmp_path: Path) -> None:
    for seed in range(20, 26):
        for name, text in emit_c(random_plan(seed)).items():
            (tmp_path / name).write_text(text)
        done = subprocess.run(
            ["cppcheck", "--std=c99", "--enable=warning,performance,portability", "--error-exitcode=3", "--quiet",
             "--suppress=missingIncludeSystem", "--inline-suppr", "."],
            cwd=tmp_path, capture_output=True, text=True, timeout=300, check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
