"""Recording two full buses: frames lost, memory's slope, and what it costs beside python-can's own logger.

    python tests/benchmarks/record_soak.py [seconds] [frames a second and bus]

The named peer is python-can's `Logger` (a text log through a `Notifier`) fed the same frames by the same sender.
Everything is in one process, sender too, so the figures are what is left of one interpreter.
"""

from __future__ import annotations

import os
import platform
import resource
import sys
import tempfile
import threading
import time
from pathlib import Path

import can
import numpy as np

from swapbridge.bus.adapters.spec import parse_bus
from swapbridge.bus.recording.recorder import Recorder
from swapbridge.capture.read import read_capture

CHANNELS = ("soak-a", "soak-b")


def rss_mb() -> float:
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmRSS"):
            return int(line.split()[1]) / 1024
    return 0.0


def send(seconds: float, rate: int, sent: list[int], stop: threading.Event) -> None:
    """Both buses from one thread, in bursts of a few milliseconds, as an adapter hands frames over."""
    buses = [can.Bus(interface="virtual", channel=channel, ignore_config=True) for channel in CHANNELS]
    messages = [
        can.Message(arbitration_id=0x100 + k, is_extended_id=False, data=bytes([k] * 8), check=False) for k in range(40)
    ]
    began, count = time.perf_counter(), 0
    while (at := time.perf_counter() - began) < seconds and not stop.is_set():
        while count < at * rate:
            message = messages[count % 40]
            for bus in buses:
                bus.send(message)
            count += 1
        time.sleep(0.002)
    sent.append(2 * count)
    for bus in buses:
        bus.shutdown()


def ours(folder: Path, seconds: float, rate: int) -> tuple[int, int, float, float, float]:
    recorder = Recorder(tuple(parse_bus(f"{c}=virtual:{c},bitrate=1000000") for c in CHANNELS), folder / "a.log")
    sent: list[int] = []
    thread = threading.Thread(target=send, args=(seconds, rate, sent, threading.Event()))
    cpu = resource.getrusage(resource.RUSAGE_SELF)
    thread.start()
    marks: list[tuple[float, float]] = []
    began = time.perf_counter()
    while thread.is_alive():
        thread.join(1.0)
        marks.append((time.perf_counter() - began, rss_mb()))
    report = recorder.stop()
    spent = resource.getrusage(resource.RUSAGE_SELF)
    kept = sum(len(read_capture(path)) for path in report.files)
    settled = np.array(marks[len(marks) // 4 :])
    slope = float(np.polyfit(settled[:, 0], settled[:, 1], 1)[0]) * 3600 if len(settled) > 2 else 0.0
    used = spent.ru_utime + spent.ru_stime - cpu.ru_utime - cpu.ru_stime
    return sent[0], kept, used / (time.perf_counter() - began), slope, marks[-1][1]


def peer(folder: Path, seconds: float, rate: int) -> tuple[int, int, float]:
    buses = [can.Bus(interface="virtual", channel=channel, ignore_config=True) for channel in CHANNELS]
    logger = can.Logger(folder / "peer.log")
    notifier = can.Notifier(buses, [logger])
    sent: list[int] = []
    cpu = resource.getrusage(resource.RUSAGE_SELF)
    began = time.perf_counter()
    send(seconds, rate, sent, threading.Event())
    spent = resource.getrusage(resource.RUSAGE_SELF)
    took = time.perf_counter() - began
    time.sleep(1.0)
    notifier.stop()
    logger.stop()
    for bus in buses:
        bus.shutdown()
    used = spent.ru_utime + spent.ru_stime - cpu.ru_utime - cpu.ru_stime
    return sent[0], sum(1 for _ in open(folder / "peer.log")), used / took


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    rate = int(sys.argv[2]) if len(sys.argv) > 2 else 8000
    print(f"machine: {platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}")
    with tempfile.TemporaryDirectory() as name:
        sent, kept, cpu, slope, memory = ours(Path(name), seconds, rate)
    print(f"ours: 2 x {rate:,} frames/s for {seconds:.0f} s: sent {sent:,}, on disk {kept:,}, lost {sent - kept:,}")
    print(f"ours: memory {memory:.0f} MB, slope {slope:+.1f} MB an hour; {100 * cpu:.0f} % of a core, sender included")
    with tempfile.TemporaryDirectory() as name:
        peer_sent, peer_kept, peer_cpu = peer(Path(name), min(seconds, 20.0), rate)
    print(
        f"peer (python-can Logger): sent {peer_sent:,}, on disk {peer_kept:,}, lost {peer_sent - peer_kept:,}; "
        f"{100 * peer_cpu:.0f} % of a core, sender included"
    )
    print(f"ratio of cost, ours to peer: {cpu / peer_cpu:.2f}")


if __name__ == "__main__":
    main()
