"""Building emitted translators in every way that is promised, and comparing what they do with the slow oracle."""

from __future__ import annotations

import subprocess
from collections.abc import Mapping, Sequence
from pathlib import Path

from swapbridge.bridge.plan import Plan
from swapbridge.emit.toolchain import STRICT_FLAGS, build
from tests.emit.random_plans import Answer, Call, pack_calls, unpack_answers
from tests.emit.slow_translator import SlowTranslator

SANITIZED = ("-O1", "-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all", "-DBRIDGE_EXACT_BUFFERS")
"""Flags under which a read past a frame's end or any undefined step ends the run."""


def build_harness(
    files: Mapping[str, str], folder: Path, compiler: str | None = None, flags: Sequence[str] = ("-O1",)
) -> Path:
    """The host harness, under the strict flags: a warning is a failure. The machine's own compiler by default."""
    sources = {name: files[name] for name in ("bridge.h", "bridge.c", "bridge_harness.c")}
    return build(sources, "harness", folder, (*STRICT_FLAGS, *flags), compiler)


def run_harness(program: Path, calls: Sequence[Call]) -> list[Answer]:
    """What the C says to each call."""
    done = subprocess.run([program], input=pack_calls(calls), capture_output=True, timeout=600, check=False)
    assert done.returncode == 0, done.stderr.decode()[-3000:]
    return unpack_answers(done.stdout)


def slow_answers(plan: Plan, calls: Sequence[Call]) -> list[Answer]:
    """What the contract says to each call."""
    translator = SlowTranslator(plan)
    out = []
    for call in calls:
        sent = None
        if call.word is None:
            sent = translator.poll(call.time_us)
        else:
            translator.on_frame(call.bus, call.word, call.data, call.time_us)
        out.append(Answer(translator.next_poll(call.time_us), sent))
    return out


def assert_same(calls: Sequence[Call], ours: Sequence[Answer], theirs: Sequence[Answer], what: str) -> None:
    """Fail at the first call that the two answer differently."""
    assert len(ours) == len(theirs) == len(calls), what
    for number, (call, a, b) in enumerate(zip(calls, ours, theirs, strict=True)):
        assert a == b, f"{what}: call {number} {call}: {a} and {b}"
