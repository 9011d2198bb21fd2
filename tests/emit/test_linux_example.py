"""The Linux example on a real SocketCAN kernel with ``vcan0`` and ``vcan1`` up: ``pytest -m socketcan``."""

from __future__ import annotations

import signal
import subprocess
import time
from pathlib import Path

import can
import pytest

from swapbridge.core.identifier_words import split_word
from swapbridge.core.toolchain import STRICT_FLAGS, build
from swapbridge.emit.emit_c import emit_c
from tests.emit.demo_swap import demo_frames, demo_plan

CHANNELS = ("vcan0", "vcan1")


@pytest.mark.socketcan
def test_it_sends_what_the_plan_says_only_when_told_to(tmp_path: Path) -> None:
    plan = demo_plan()
    files = emit_c(plan)
    sources = {name: files[name] for name in ("bridge.h", "bridge.c", "bridge_linux.c")}
    program = build(sources, "linux", tmp_path, (*STRICT_FLAGS, "-O2"))
    planned = {(s.bus, s.word & 0x1FFF_FFFF) for s in plan.sends}
    running = [r for r in demo_frames(plan).rows() if 30_000_000 <= r[0] < 32_000_000]
    for options, expected in ((["--send"], planned), ([], set())):
        buses = [can.Bus(interface="socketcan", channel=c) for c in CHANNELS]
        try:
            with subprocess.Popen([program, *options, *CHANNELS], stdout=subprocess.DEVNULL) as example:
                time.sleep(0.2)
                begin = time.monotonic()
                heard = set()
                for time_us, bus, word, data in running:
                    while (ahead := (time_us - running[0][0]) / 1e6 - (time.monotonic() - begin)) > 0:
                        heard |= drain(buses, min(ahead, 0.002))
                    identifier, extended = split_word(word)
                    buses[bus].send(can.Message(arbitration_id=identifier, is_extended_id=extended, data=data))
                heard |= drain(buses, 0.3)
                example.send_signal(signal.SIGTERM)
                assert example.wait(10) == 0
        finally:
            for bus_ in buses:
                bus_.shutdown()
        assert heard == expected


def drain(buses: list[can.BusABC], seconds: float) -> set[tuple[int, int]]:
    """Bus and identifier of what comes in within that time."""
    heard = set()
    end = time.monotonic() + seconds
    while True:
        for number, bus in enumerate(buses):
            while (message := bus.recv(0)) is not None:
                heard.add((number, message.arbitration_id))
        if time.monotonic() >= end:
            return heard
        time.sleep(0.0005)
