"""The Python translator beside the loop a person would write: ``python -m tests.benchmarks.translate``.

Two pieces of work, each done by both in the same run:

- one for one: a donor message in, a host message out at once: decode, scale, clamp, encode, counter, checksum, send;
- the demo: both directions of the demo's two captures, every message sent when it is due.

The peer is python-can messages, cantools decode, float arithmetic, cantools encode, a python-can Message for each
frame sent. It has no age limits, verification, states or exactness, so it does less. Then the time of single
`on_frame` calls.
"""

from __future__ import annotations

import gc
import os
import platform
import time
from collections.abc import Callable
from fractions import Fraction as F
from typing import Any

import can
import cantools

from swapbridge.compiler.compile import compile_bridge
from swapbridge.core.integrity import Checksum, Counter, Crc
from swapbridge.core.layout import Layout
from swapbridge.language.reading import parse_bridge
from swapbridge.plan.python.translator import Translator
from swapbridge.signalmap.dbc_write import format_map
from swapbridge.signalmap.signal_map import MapMessage, MapNode, MapSignal, SignalMap

TARGET, TARGET_US = 4.0, 100.0
COUNT = 60_000
CRC = Crc(8, 0x1D, 0xFF, False, 0xFF, (0, 1, 2, 3, 4, 5, 6))

DONOR = SignalMap(
    (
        MapMessage(
            "PCM_FAST", 0x100, False, 8,
            (
                MapSignal("RPM", Layout(7, 16, "big_endian"), F(1, 4), unit="rpm"),
                MapSignal("Pedal", Layout(16, 8), F(2, 5), unit="%"),
                MapSignal("Coolant", Layout(24, 8), F(1), F(-40), unit="degC"),
            ),
            period_ms=F(10), senders=("PCM",),
        ),
    ),
    (MapNode("PCM", "engine"),),
)  # fmt: skip
HOST = SignalMap(
    (
        MapMessage(
            "EngineStatus", 0x200, False, 8,
            (
                MapSignal("Speed", Layout(0, 16), F(1, 8), unit="rpm", role="engine_speed"),
                MapSignal("Pedal", Layout(16, 8), F(1, 2), unit="%", role="pedal_position"),
                MapSignal("Temp", Layout(24, 8), F(1), F(-48), unit="degC", role="coolant_temperature"),
                MapSignal("Cnt", Layout(48, 4), counter=Counter(0, 15)),
                MapSignal("Chk", Layout(56, 8), checksum=Checksum(Layout(56, 8), CRC)),
            ),
            period_ms=F(10), senders=("ECM",),
        ),
    ),
    (MapNode("ECM", "engine"), MapNode("TCM", "transmission")),
)  # fmt: skip
BRIDGE = """
[buses.donor]
placement = "added-node"
[buses.host]
placement = "added-node"
absent = ["ECM"]
[[messages]]
send = "host.EngineStatus"
on_arrival = ["donor.PCM_FAST"]
gap_ms = 0
[messages.signals]
Speed = "min(donor.PCM_FAST.RPM, 8000 rpm)"
Pedal = "min(donor.PCM_FAST.Pedal, 100 %)"
Temp = "min(donor.PCM_FAST.Coolant, 200 degC)"
"""


def frames_in() -> list[bytes]:
    """Payloads of an engine that revs up and down."""
    out = []
    for n in range(COUNT):
        rpm = 800 + (n * 7) % 6000
        out.append(bytes([*(rpm * 4).to_bytes(2, "big"), n % 250, 130, 0, 0, 0, 0]))
    return out


def peer_one(payloads: list[bytes]) -> Callable[[], list[Any]]:
    """The loop a person would write, one for one."""
    databases: list[Any] = [cantools.database.load_string(format_map(m), "dbc") for m in (DONOR, HOST)]
    donor, host = databases[0].get_message_by_name("PCM_FAST"), databases[1].get_message_by_name("EngineStatus")
    table = [Crc(8, 0x1D, 0, False, 0, (0,)).value(bytes([b])) for b in range(256)]
    messages = [can.Message(arbitration_id=0x100, is_extended_id=False, data=p) for p in payloads]

    def loop() -> list[Any]:
        sent, counter = [], 0
        for message in messages:
            values = donor.decode(message.data, decode_choices=False)
            new = {
                "Speed": min(values["RPM"], 8000),
                "Pedal": min(values["Pedal"], 100),
                "Temp": min(values["Coolant"], 200),
                "Cnt": counter,
                "Chk": 0,
            }
            data = bytearray(host.encode(new, strict=False))
            crc = 0xFF
            for byte in data[:7]:
                crc = table[crc ^ byte]
            data[7] = crc ^ 0xFF
            counter = (counter + 1) & 15
            sent.append(can.Message(arbitration_id=0x200, is_extended_id=False, data=data))
        return sent

    return loop


def ours_one(payloads: list[bytes]) -> Callable[[], list[Any]]:
    """The same by the translator: every frame in, then poll until there is nothing more."""
    plan = compile_bridge(parse_bridge(BRIDGE), {"donor": DONOR, "host": HOST}).plan
    messages: list[Any] = [can.Message(arbitration_id=0x100, is_extended_id=False, data=p) for p in payloads]

    def loop() -> list[Any]:
        translator = Translator(plan)
        on_frame, poll = translator.on_frame, translator.poll
        on_frame(0, 0x100, payloads[0], 0)
        for time_us in range(0, 50_000, 1000):
            poll(time_us)
        sent, now = [], 50_000
        for message in messages:
            now = (now + 250) & 0xFFFF_FFFF
            on_frame(0, message.arbitration_id, message.data, now)
            frame = poll(now)
            while frame is not None:
                sent.append(can.Message(arbitration_id=frame.word, is_extended_id=False, data=frame.data))
                frame = poll(now)
        return sent

    return loop


def best(work: Callable[[], Any], rounds: int = 7) -> float:
    """Least processor seconds of several rounds (other work on the machine does not count)."""
    times = []
    for _ in range(rounds):
        gc.collect()
        begin = time.process_time()
        work()
        times.append(time.process_time() - begin)
    return min(times)


def ours_demo() -> tuple[int, Any, Callable[[Translator], int], Any, Any]:
    """The demo's frames: count, the peer's loop, ours, plan and frames."""
    from tests.benchmarks.native import Peer
    from tests.emit.demo_swap import demo_frames, demo_plan

    plan = demo_plan()
    frames = demo_frames(plan).first(60.0)
    peer = Peer(plan, frames)
    rows = list(frames.rows())

    def loop(translator: Translator) -> int:
        on_frame, poll, next_poll = translator.on_frame, translator.poll, translator.next_poll
        sent, wake = [], rows[0][0]
        for time_us, bus, word, data in rows:
            while wake <= time_us:
                now = wake & 0xFFFF_FFFF
                frame = poll(now)
                while frame is not None:
                    sent.append(can.Message(arbitration_id=frame.word, is_extended_id=False, data=frame.data))
                    frame = poll(now)
                wake += max(1, (next_poll(now) - now) & 0xFFFF_FFFF)
            now = time_us & 0xFFFF_FFFF
            on_frame(bus, word, data, now)
            frame = poll(now)
            while frame is not None:
                sent.append(can.Message(arbitration_id=frame.word, is_extended_id=False, data=frame.data))
                frame = poll(now)
        return len(sent)

    return len(rows), peer, loop, plan, rows


def single_calls(plan: Any, rows: Any) -> list[int]:
    """Nanoseconds of each `on_frame` call, sorted."""
    translator = Translator(plan)
    clock, times = time.perf_counter_ns, []
    gc.collect()
    gc.disable()
    for time_us, bus, word, data in rows:
        now = time_us & 0xFFFF_FFFF
        begin = clock()
        translator.on_frame(bus, word, data, now)
        times.append(clock() - begin)
        for _ in range(3):
            translator.poll(now)
    gc.enable()
    return sorted(times)


def compared(peer_rate: float, our_rate: float) -> None:
    """Two lines: the peer and the translator."""
    print(f"  peer loop   {peer_rate / 1e6:7.3f} million frames/s")
    times = our_rate / peer_rate
    print(f"  translator  {our_rate / 1e6:7.3f} million frames/s, {times:.1f} times the peer (target {TARGET:.0f})")


def messages_alone(frames: list[Any]) -> Callable[[], list[Any]]:
    """Only what python-can takes for the frames sent: no translator is quicker than that in this loop."""
    payloads = [bytes(frame.data) for frame in frames]
    return lambda: [can.Message(arbitration_id=0x200, is_extended_id=False, data=data) for data in payloads]


def main() -> None:
    payloads = frames_in()
    peer, ours = peer_one(payloads), ours_one(payloads)
    made, wanted = ours(), peer()
    same = sum(a.data[:6] == b.data[:6] for a, b in zip(made[-1000:], wanted[-1000:], strict=True))
    machine = f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}"
    print(f"{machine}, cantools {cantools.__version__}")
    print(f"one for one, {COUNT:,} frames in, {len(made):,} out (the last 1000: {same} with the same signals)")
    peer_s, ours_s = best(peer), best(ours)
    compared(COUNT / peer_s, COUNT / ours_s)
    alone_s = best(messages_alone(made))
    most = peer_s / alone_s
    print(f"  python-can's messages alone take {alone_s / ours_s:.0%} of that: at most {most:.1f} times the peer")
    count, demo_peer, our_demo, plan, rows = ours_demo()
    peer_rate = count / best(demo_peer.run, 3)
    # a plan is loaded once and then runs for years, so loading is not part of the loop
    translators = [Translator(plan) for _ in range(6)]
    our_rate = count / best(lambda: our_demo(translators.pop()), 5)
    print(f"demo, {count:,} frames in, {our_demo(translators.pop()):,} out (the peer {demo_peer.sent:,})")
    compared(peer_rate, our_rate)
    times = single_calls(plan, rows)
    at = {p: times[int(len(times) * p)] / 1000 for p in (0.5, 0.99, 0.999)}
    print(
        f"on_frame of the demo, microseconds: median {at[0.5]:.2f}, p99 {at[0.99]:.2f}, p99.9 {at[0.999]:.2f}", end=""
    )
    print(f" (target {TARGET_US:.0f})")


if __name__ == "__main__":
    main()
