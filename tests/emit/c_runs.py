"""Building emitted translators in every way that is promised, and comparing what they do with the slow oracle."""

from __future__ import annotations

import subprocess
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt

from swapbridge.core.toolchain import STRICT_FLAGS, build
from swapbridge.emit.native import SentColumns
from swapbridge.plan.plan import Plan
from swapbridge.plan.python.translator import Translator
from tests.emit.random_plans import Answer, Call, pack_calls, unpack_answers
from tests.plan.slow_translator import SlowTranslator

Columns = tuple[
    npt.NDArray[np.int64],
    npt.NDArray[np.uint8],
    npt.NDArray[np.uint32],
    npt.NDArray[np.uint8],
    npt.NDArray[np.uint8],
]
"""What `NativeTranslator.run_batch` takes: time, bus, word, length, payload."""

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


def python_answers(plan: Plan, calls: Sequence[Call]) -> list[Answer]:
    """What the Python translator says to each call."""
    translator = Translator(plan)
    out = []
    for call in calls:
        sent = None
        if call.word is None:
            sent = translator.poll(call.time_us)
        else:
            translator.on_frame(call.bus, call.word, call.data, call.time_us)
        plain = None if sent is None else (sent.bus, sent.word, sent.data)
        out.append(Answer(translator.next_poll(call.time_us), plain))
    return out


def assert_same(calls: Sequence[Call], ours: Sequence[Answer], theirs: Sequence[Answer], what: str) -> None:
    """Fail at the first call that the two answer differently."""
    assert len(ours) == len(theirs) == len(calls), what
    for number, (call, a, b) in enumerate(zip(calls, ours, theirs, strict=True)):
        assert a == b, f"{what}: call {number} {call}: {a} and {b}"


def run_slowly(plan: Plan, columns: Columns, until_us: int) -> list[tuple[int, int, int, bytes]]:
    """What `run_batch` promises, by single calls of the Python translator."""
    translator = Translator(plan)
    out: list[tuple[int, int, int, bytes]] = []
    clock = int(columns[0][0])

    def poll_until(end: int) -> None:
        nonlocal clock
        while True:
            ahead = (translator.next_poll(clock & 0xFFFF_FFFF) - clock) & 0xFFFF_FFFF
            if clock + ahead > end:
                return
            clock += ahead
            sent = translator.poll(clock & 0xFFFF_FFFF)
            if sent is not None:
                out.append((clock, *sent))

    for k, (t, bus, word, length, payload) in enumerate(zip(*columns, strict=True)):
        if k:
            poll_until(int(t))
        clock = int(t)
        translator.on_frame(int(bus), int(word), bytes(payload[:length]), clock & 0xFFFF_FFFF)
    poll_until(until_us)
    return out


def rows(sent: SentColumns) -> list[tuple[int, int, int, bytes]]:
    """Time, bus, word and payload of each sent frame."""
    return [
        (int(t), int(b), int(w), bytes(p[:n]))
        for t, b, w, n, p in zip(sent.time_us, sent.bus, sent.word, sent.length, sent.payload, strict=True)
    ]
