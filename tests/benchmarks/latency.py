"""What the live translator adds: donor frame received to host frame on the bus, first loss, CPU share.

    python tests/benchmarks/latency.py [latency|loss|load|soak] [seconds]
    python tests/benchmarks/latency.py latency 10 vcan0 vcan1 [frames a second]        (the same on SocketCAN)

Software only: no controller, no arbitration. The named peer is a bare forwarder in Python (one thread a direction,
`recv` then `send`, python-can alone), the least that any translator in Python must cost. Traffic is made in a process
of its own where the bus allows it; python-can's virtual bus is one process, so there the sender's cost is included.
"""

from __future__ import annotations

import os
import platform
import resource
import sys
import threading
import time
from collections.abc import Callable

import can
import numpy as np
import numpy.typing as npt

from swapbridge.bus.running.live import Live, LiveOptions
from swapbridge.core.layout import Layout
from swapbridge.plan.plan import Bus, Extract, Feed, Field, Op, Plan, Receive, Send, Slot, Task, Variant
from swapbridge.plan.python.translator import Translator

HEARD, SENT = 0x100, 0x200
Floats = npt.NDArray[np.float64]


def plan_of(messages: int, period_us: int) -> Plan:
    """Each heard message is translated (a 16-bit value times 3/4) and sent on arrival."""
    slots, feeds, receives, sends = [Slot("state", 4, 0, 5)], [], [], []
    for k in range(messages):
        slots += [Slot(f"v{k}", 0, 0, 0xFFFF), Slot(f"ok{k}", 0, 0, 1)]
        feeds.append(
            Feed(f"f{k}", 500_000, 1, 1, (Extract(f"v{k}", Layout(0, 16), 2 * k + 1, 2 * k + 2),), triggers=(k,))
        )
        receives.append(Receive(f"m{k}", 0, HEARD + k, 8, (k,), period_us=period_us))
        block = (
            Op("fresh", 0, 1, value=k),
            Op("load", 0, 0xFFFF, value=2 * k + 1),
            Op("const", 3, 3, value=3),
            Op("mul", 0, 3 * 0xFFFF, a=1, b=2),
            Op("const", 4, 4, value=4),
            Op("div", 0, 49151, a=3, b=4),
            Op("const", 0xFFFF, 0xFFFF, value=0xFFFF),
            Op("select", 0, 0xFFFF, a=0, b=5, c=6),
        )
        # the rest of the payload carries the sender's number, so that each frame can be told
        fields = (Field("V", Layout(0, 16), 7), Field("Raw", Layout(16, 16), 1))
        sends.append(Send(f"s{k}", 1, SENT + k, False, 63, (Variant(bytes(8), block, fields),)))
    buses = tuple(Bus(name, 500_000, False, 500_000, "added-node", True, 5_000_000) for name in ("donor", "host"))
    task = Task("state", 10_000, 0, (Op("const", 4, 4, value=4), Op("store", 4, 4, a=0, value=0)))
    return Plan(
        "bench", buses, tuple(slots), (), (), tuple(feeds), tuple(receives), (task,), tuple(sends), (), initial_state=4
    )


def opener(channel: str) -> Callable[[], can.BusABC]:
    kind = "socketcan" if channel.startswith(("vcan", "can")) else "virtual"
    return lambda: can.Bus(interface=kind, channel=channel, ignore_config=True)


class Traffic:
    """Sends numbered frames at a rate and notes when each comes out on the other side."""

    def __init__(self, donor: str, host: str, messages: int) -> None:
        self.mouth, self.ear = opener(donor)(), opener(host)()
        self.messages = messages
        self.sent_at = np.zeros(0x10000, dtype=np.int64)
        self.delays: list[int] = []
        self.got = 0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()

    def _listen(self) -> None:
        while not self._stop.is_set():
            message = self.ear.recv(0.1)
            if message is not None and SENT <= message.arbitration_id < SENT + self.messages:
                number = message.data[2] | message.data[3] << 8
                self.delays.append(time.perf_counter_ns() - int(self.sent_at[number]))
                self.got += 1

    def run(self, seconds: float, rate: float, burst: int = 1) -> int:
        """Frames at a rate, in bursts of so many; how many were sent."""
        count, began = 0, time.perf_counter()
        while (at := time.perf_counter() - began) < seconds:
            if count < at * rate:
                for _ in range(burst):
                    number = count & 0xFFFF
                    data = number.to_bytes(2, "little") * 2 + bytes(4)
                    message = can.Message(
                        arbitration_id=HEARD + count % self.messages, is_extended_id=False, data=data, check=False
                    )
                    self.sent_at[number] = time.perf_counter_ns()
                    self.mouth.send(message)
                    count += 1
            else:
                time.sleep(0.0002)
        time.sleep(0.5)
        return count

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        self.mouth.shutdown()
        self.ear.shutdown()


class Forwarder:
    """The peer: `recv` then `send`, nothing else (it sends under the identifiers that the traffic listens for)."""

    def __init__(self, donor: str, host: str) -> None:
        self.a, self.b = opener(donor)(), opener(host)()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while not self._stop.is_set():
            message = self.a.recv(0.1)
            if message is not None:
                message.arbitration_id += SENT - HEARD
                self.b.send(message)

    def stop(self) -> None:
        self._stop.set()
        self._thread.join()
        self.a.shutdown()
        self.b.shutdown()


def ours(donor: str, host: str, messages: int, period_us: int) -> Live:
    plan = plan_of(messages, period_us)
    live = Live(
        plan,
        Translator(plan),
        {"donor": opener(donor), "host": opener(host)},
        LiveOptions(sending=True, watch_first_s=0, lag_limit_s=10.0, black_box_minutes=1.0),
    )
    live.start()
    return live


def percentiles(name: str, delays: Floats) -> float:
    p50, p99, p999 = np.percentile(delays, [50, 99, 99.9])
    print(f"{name}: {len(delays):,} frames, p50 {p50:.3f}  p99 {p99:.3f}  p99.9 {p999:.3f}  max {delays.max():.2f} ms")
    return float(p999)


def latency(seconds: float, donor: str, host: str, rate: float) -> None:
    """Ten messages, by default every 10 ms: a thousand frames a second."""
    results = {}
    for name in ("bare forwarder", "translator"):
        traffic = Traffic(donor, host, 10)
        subject = Forwarder(donor, host) if name == "bare forwarder" else ours(donor, host, 10, round(10e6 / rate))
        sent = traffic.run(seconds, rate)
        subject.stop()
        traffic.close()
        results[name] = percentiles(name, np.array(traffic.delays) / 1e6)
        print(f"  sent {sent:,}, came out {traffic.got:,}")
    print(f"ratio of p99.9, ours to peer: {results['translator'] / results['bare forwarder']:.2f}")


def loss(donor: str, host: str) -> None:
    """Rates rise until the first frame is missing (three seconds each, bursts of ten)."""
    for name in ("bare forwarder", "translator"):
        best = 0
        for rate in (1000, 2000, 3000, 4000, 5000, 6000, 8000, 10_000, 12_000, 16_000):
            traffic = Traffic(donor, host, 10)
            subject = (
                Forwarder(donor, host) if name == "bare forwarder" else ours(donor, host, 10, 10 * 1_000_000 // rate)
            )
            sent = traffic.run(3.0, rate, burst=10)
            subject.stop()
            traffic.close()
            if traffic.got < sent or sent < 0.9 * 3 * rate:
                print(f"  {rate:,}/s: sent {sent:,}, came out {traffic.got:,}")
                break
            best = rate
        print(f"{name}: no frame lost up to {best:,} frames/s")


def load(seconds: float, donor: str, host: str) -> None:
    """Two 500 kbit/s buses at 60 % load: about 2,400 frames a second each (125 bits a frame on average)."""
    rate = 0.6 * 500_000 / 125
    for name in ("traffic alone", "with translator"):
        live = ours(donor, host, 20, 8_000) if name == "with translator" else None
        traffic = Traffic(donor, host, 20)
        other = opener(host)()
        stop = threading.Event()

        def second(other: can.BusABC = other, stop: threading.Event = stop) -> None:
            message = can.Message(arbitration_id=0x700, is_extended_id=False, data=bytes(8), check=False)
            began, count = time.perf_counter(), 0
            while not stop.is_set():
                while count < (time.perf_counter() - began) * rate:
                    other.send(message)
                    count += 1
                time.sleep(0.002)

        thread = threading.Thread(target=second)
        thread.start()
        before = resource.getrusage(resource.RUSAGE_SELF)
        sent = traffic.run(seconds, rate, burst=2)
        after = resource.getrusage(resource.RUSAGE_SELF)
        stop.set()
        thread.join()
        used = (after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime) / (seconds + 0.5)
        if live is not None:
            live.stop()
            print(f"  sent {sent:,}, came out {traffic.got:,}, worst lag {live.status().worst_lag_ms:.1f} ms")
        traffic.close()
        other.shutdown()
        print(f"{name}: {100 * used:.0f} % of a core")


def soak(seconds: float, donor: str, host: str) -> None:
    """At 1,000 frames a second for long: lost, late, and memory's slope."""
    live = ours(donor, host, 10, 10_000)
    traffic = Traffic(donor, host, 10)
    sent, late, memory = 0, 0, []
    for _ in range(max(4, round(seconds / 10))):
        sent += traffic.run(10.0, 1000.0)
        with open("/proc/self/status") as file:
            memory.append(next(int(line.split()[1]) / 1024 for line in file if line.startswith("VmRSS")))
        late += sum(delay > 5_000_000 for delay in traffic.delays)
        traffic.delays.clear()  # else the measurement itself would be the memory that grows
        print(f"  {sent:,} sent, lost {sent - traffic.got:,}, over 5 ms {late}, {memory[-1]:.1f} MB", flush=True)
    settled = memory[len(memory) // 4 :]
    slope = np.polyfit(np.arange(len(settled)) * 10.5, settled, 1)[0] * 3600
    live.stop()
    traffic.close()
    print(f"soak of {seconds:.0f} s: lost {sent - traffic.got}, memory slope {slope:+.1f} MB an hour")


def main() -> None:
    what = sys.argv[1] if len(sys.argv) > 1 else "latency"
    seconds = float(sys.argv[2]) if len(sys.argv) > 2 else 10.0
    donor, host = sys.argv[3:5] if len(sys.argv) > 4 else ("bench-donor", "bench-host")
    rate = float(sys.argv[5]) if len(sys.argv) > 5 else 1000.0
    sys.setswitchinterval(0.0005)
    print(f"machine: {platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, {donor}, {host}")
    print(f"load average {os.getloadavg()[0]:.1f}")
    {
        "latency": lambda: latency(seconds, donor, host, rate),
        "loss": lambda: loss(donor, host),
        "load": lambda: load(seconds, donor, host),
        "soak": lambda: soak(seconds, donor, host),
    }[what]()


if __name__ == "__main__":
    main()
