"""The C engine beside the loop a person would write: ``python -m tests.benchmarks.native``.

The work is the demo's: its two captures go in, every message the plan listens to is decoded, every message the plan
sends is made whenever it is due. Three ways, in the same run:

- peer: python-can messages, cantools decode, arithmetic, cantools encode, a python-can Message for each frame sent;
  without age limits, checks, states or exactness, so it does less than the translator;
- batch: `NativeTranslator.run_batch` over columns;
- alone: the C in its host harness, with the very calls that an ideal caller makes.
"""

from __future__ import annotations

import os
import platform
import re
import subprocess
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import can
import cantools

from swapbridge.core.identifier_words import split_word
from swapbridge.core.toolchain import build, find_compiler
from swapbridge.demo.vehicle_maps import demo_file
from swapbridge.emit.emit_c import emit_c
from swapbridge.emit.native import NativeTranslator
from swapbridge.plan.plan import Plan
from tests.emit.demo_swap import Frames, demo_frames, demo_plan
from tests.emit.random_plans import Call, pack_calls

BATCH_TARGET, ALONE_TARGET = 10.0, 5e6
ROUNDS = 5
MAPS = {"host": "brindle.dbc", "donor": "tarnwick.dbc"}


def best(work: Callable[[], object], rounds: int = ROUNDS) -> float:
    """Least processor seconds of several rounds: other work on the machine does not count."""
    times = []
    for _ in range(rounds):
        begin = time.process_time()
        work()
        times.append(time.process_time() - begin)
    return min(times)


class Peer:
    """What a person would write."""

    def __init__(self, plan: Plan, frames: Frames) -> None:
        databases: list[Any] = [
            cantools.database.load_string(demo_file(MAPS[b.name]).decode(), "dbc") for b in plan.buses
        ]
        self.decoders: dict[tuple[int, int], Any] = {}
        for receive in plan.receives:
            identifier, _ = split_word(receive.word)
            self.decoders[receive.bus, identifier] = databases[receive.bus].get_message_by_frame_id(identifier)
        self.sends = []
        for send in plan.sends:
            identifier, extended = split_word(send.word)
            message = databases[send.bus].get_message_by_frame_id(identifier)
            sources = []
            for field in send.variants[0].fields:
                found = re.search(r"\b(?:host|donor)\.\w+\.(\w+)", field.expression)
                signal = message.get_signal_by_name(field.name)
                low, high = signal.minimum or 0, signal.maximum if signal.maximum is not None else 0
                sources.append((field.name, found[1] if found else "", low, high))
            rest = {s.name: 0 for s in message.signals}
            self.sends.append((send.bus, identifier, extended, message, sources, rest, send.period_us))
        self.messages = [
            (
                t,
                b,
                can.Message(
                    timestamp=t / 1e6, arbitration_id=split_word(w)[0], is_extended_id=split_word(w)[1], data=d
                ),
            )
            for t, b, w, d in frames.rows()
        ]
        self.sent = 0

    def run(self) -> None:
        """The loop."""
        latest: dict[str, float] = {}
        due = [0 if period else None for *_, period in self.sends]
        sent = []
        for time_us, bus, message in self.messages:
            decoder = self.decoders.get((bus, message.arbitration_id))
            if decoder is not None:
                latest.update(decoder.decode(message.data, decode_choices=False))
            for k, (_, identifier, extended, encoder, sources, rest, period) in enumerate(self.sends):
                at = due[k]
                if at is None or at > time_us:
                    continue
                due[k] = at + period
                values = dict(rest)
                for name, source, low, high in sources:
                    values[name] = min(max(latest.get(source, 0.0) * 1.0 + 0.0, low), high)
                data = encoder.encode(values, strict=False)
                sent.append(can.Message(arbitration_id=identifier, is_extended_id=extended, data=data))
        self.sent = len(sent)


def ideal_calls(plan: Plan, frames: Frames) -> list[Call]:
    """The calls of a caller that polls exactly when something is due."""
    translator = NativeTranslator(plan)
    calls: list[Call] = []
    clock = 0
    for number, (time_us, bus, word, data) in enumerate(frames.rows()):
        while number:
            ahead = (translator.next_poll(clock) - clock) & 0xFFFF_FFFF
            if clock + ahead > time_us:
                break
            clock += ahead
            translator.poll(clock)
            calls.append(Call(clock & 0xFFFF_FFFF))
        clock = time_us
        translator.on_frame(bus, word, data, clock)
        calls.append(Call(clock & 0xFFFF_FFFF, bus, word, data))
    return calls


def alone(plan: Plan, calls: list[Call]) -> tuple[float, float]:
    """Frames and calls a second of the C in its harness."""
    with tempfile.TemporaryDirectory() as name:
        files = emit_c(plan)
        sources = {n: files[n] for n in ("bridge.h", "bridge.c", "bridge_harness.c")}
        program = build(sources, "harness", Path(name), ("-std=c99", "-O2"))
        done = subprocess.run([program, "--time", "40"], input=pack_calls(calls), capture_output=True, check=True)
    made, frames, _, microseconds = map(int, re.findall(rb"(\d+) (?:calls|frames in|frames out|us)", done.stdout))
    return frames / microseconds * 1e6, made / microseconds * 1e6


def main() -> None:
    plan = demo_plan()
    frames = demo_frames(plan)
    count = len(frames.time_us)
    peer = Peer(plan, frames)
    peer_rate = count / best(peer.run, 3)
    begin = time.perf_counter()
    sent = NativeTranslator(plan).run_batch(*frames)
    first = time.perf_counter() - begin
    batch_rate = count / best(lambda: NativeTranslator(plan).run_batch(*frames))
    alone_rate, call_rate = alone(plan, ideal_calls(plan, frames))
    compiler = subprocess.run([find_compiler(), "--version"], capture_output=True, text=True, check=True).stdout
    print(
        f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, {compiler.splitlines()[0]}"
    )
    print(f"{count:,} frames in ({len(sent):,} out; the peer made {peer.sent:,})")
    print(f"peer loop (python-can and cantools)   {peer_rate / 1e6:8.3f} million frames/s")
    print(
        f"C engine, batch over columns          {batch_rate / 1e6:8.3f} million frames/s,"
        f" {batch_rate / peer_rate:.0f} times the peer (target {BATCH_TARGET:.0f}); first call {first:.2f} s"
    )
    print(
        f"C alone in its harness                {alone_rate / 1e6:8.3f} million frames/s,"
        f" {call_rate / 1e6:.1f} million calls/s (target {ALONE_TARGET / 1e6:.0f} million frames/s)"
    )


if __name__ == "__main__":
    main()
