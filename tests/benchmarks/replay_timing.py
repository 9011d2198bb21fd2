"""How well a replay keeps its times: 2,000 frames a second on a virtual bus, beside python-can's own player.

    python tests/benchmarks/replay_timing.py [seconds] [frames a second]

Lateness is measured where frames arrive: a receiving thread stamps each. The named peer is python-can's `MessageSync`,
which its `can_player` uses.
"""

from __future__ import annotations

import os
import platform
import sys
import threading
import time

import can
import numpy as np
import numpy.typing as npt

from swapbridge.bus.running.replay import replay
from swapbridge.capture.capture import Capture


def frames(seconds: float, rate: int) -> Capture:
    n = round(seconds * rate)
    return Capture(
        (np.arange(n) * (1e9 / rate)).astype(np.int64),
        np.full(n, 0x100, dtype=np.uint32),
        np.zeros(n, dtype=np.uint8),
        np.zeros(n, dtype=np.uint8),
        np.full(n, 8, dtype=np.uint8),
        np.zeros((n, 8), dtype=np.uint8),
    )


def arrivals(channel: str, n: int, out: list[int]) -> threading.Thread:
    bus = can.Bus(interface="virtual", channel=channel, ignore_config=True)

    def listen() -> None:
        while len(out) < n and bus.recv(5.0) is not None:
            out.append(time.perf_counter_ns())
        bus.shutdown()

    thread = threading.Thread(target=listen)
    thread.start()
    return thread


def errors_ms(capture: Capture, out: list[int]) -> npt.NDArray[np.float64]:
    """Each arrival against its due time, counted from the earliest possible start."""
    late = np.array(out) - capture.time_ns[: len(out)]
    result: npt.NDArray[np.float64] = (late - late.min()) / 1e6
    return result


def ours(capture: Capture) -> npt.NDArray[np.float64]:
    out: list[int] = []
    thread = arrivals("timing-ours", len(capture), out)
    with can.Bus(interface="virtual", channel="timing-ours", ignore_config=True) as bus:
        replay(capture, {0: bus})
    thread.join()
    return errors_ms(capture, out)


def peer(capture: Capture) -> npt.NDArray[np.float64]:
    out: list[int] = []
    thread = arrivals("timing-peer", len(capture), out)
    messages = [can.Message(timestamp=at / 1e9, arbitration_id=0x100, data=bytes(8)) for at in capture.time_ns.tolist()]
    with can.Bus(interface="virtual", channel="timing-peer", ignore_config=True) as bus:
        for message in can.MessageSync(messages, gap=0.0):
            bus.send(message)
    thread.join()
    return errors_ms(capture, out)


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 10.0
    rate = int(sys.argv[2]) if len(sys.argv) > 2 else 2000
    capture = frames(seconds, rate)
    print(f"machine: {platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}")
    print(f"load average {os.getloadavg()[0]:.1f} (an idle core is meant)")
    results = {"ours": ours(capture), "peer (python-can MessageSync)": peer(capture)}
    for name, late in results.items():
        p50, p99, p999 = np.percentile(late, [50, 99, 99.9])
        print(
            f"{name}: {len(late):,} frames, error p50 {p50:.3f} p99 {p99:.3f} p99.9 {p999:.3f} max {late.max():.3f} ms"
        )
    a, b = (float(np.percentile(late, 99)) for late in results.values())
    print(f"ratio of p99, ours to peer: {a / b:.2f}")


if __name__ == "__main__":
    main()
