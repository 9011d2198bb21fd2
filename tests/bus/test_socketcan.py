"""On a kernel with SocketCAN: `pytest -m socketcan -n 0` where vcan0 and vcan1 are up, and can0 and can1 share one bus.

Listen-only and bit rate are set with iproute2, so that part needs the administrator's rights.
"""

from __future__ import annotations

import os
import re
import signal
import subprocess
import threading
import time
from collections.abc import Callable
from functools import partial
from importlib.resources import files
from pathlib import Path
from typing import Any

import can
import numpy as np
import pytest

from swapbridge.bus.adapters.bitrate import find_bitrate
from swapbridge.bus.adapters.listen import link_of, listen_only
from swapbridge.bus.adapters.opening import link_drops, open_bus, open_buses, socket_drops
from swapbridge.bus.adapters.spec import BusSpec, parse_bus
from swapbridge.bus.recording.record import record
from swapbridge.bus.recording.recorder import Recorder
from swapbridge.bus.running.live import Live, LiveOptions
from swapbridge.bus.running.replay import replay
from swapbridge.bus.running.run import RunRequest, run
from swapbridge.capture.capture import Capture
from swapbridge.capture.read import read_capture
from swapbridge.capture.write import write_capture
from swapbridge.core.errors import InputError, RefusedError
from swapbridge.plan.plan import Pass, Plan
from swapbridge.plan.python.translator import Translator
from tests.proofs import PROVED

pytestmark = pytest.mark.socketcan
VCAN0, VCAN1 = parse_bus("donor=socketcan:vcan0,bitrate=500000"), parse_bus("host=socketcan:vcan1,bitrate=500000")
CAN0, CAN1 = parse_bus("donor=socketcan:can0,bitrate=500000"), parse_bus("host=socketcan:can1,bitrate=500000")
Until = Callable[[Callable[[], bool]], None]


def set_link(channel: str, *words: str) -> None:
    subprocess.run(["ip", "link", "set", channel, "down"], check=True)
    subprocess.run(["ip", "link", "set", channel, "up", "type", "can", *words], check=True)


def frames(n: int, rate: float) -> Capture:
    return Capture(
        (np.arange(n) * (1e9 / rate)).astype(np.int64),
        (0x100 + np.arange(n) % 7).astype(np.uint32),
        np.zeros(n, dtype=np.uint8),
        np.zeros(n, dtype=np.uint8),
        np.full(n, 8, dtype=np.uint8),
        np.arange(n, dtype=">u8").view(np.uint8).reshape(n, 8).copy(),
        ("0",),
        "test",
    )


def test_record_what_replay_plays(tmp_path: Path, until: Until) -> None:
    recorder = Recorder((VCAN0, VCAN1), tmp_path / "a.log")
    with open_buses([VCAN0], active=True) as buses:
        report = replay(frames(1000, 500.0), {0: buses["donor"]})
    assert report.sent == 1000
    until(lambda: recorder.reports()["donor"].frames == 1000)
    done = recorder.stop()
    capture = read_capture(done.files[0])
    assert capture.payload.copy().view(">u8").ravel().tolist() == list(range(1000))
    assert done.lost == 0
    assert capture.duration_s > 999 / 500 - 0.1


def test_the_kernels_drops_are_counted() -> None:
    """A socket that nobody reads overflows; its own counter says how many frames were thrown away."""
    ear, mouth = open_bus(VCAN0, active=False), open_bus(VCAN0, active=True)
    assert socket_drops(ear) == 0
    for _ in range(3000):
        mouth.send(can.Message(arbitration_id=1, is_extended_id=False, data=bytes(8)), timeout=1.0)
    kept = 0
    while ear.recv(0.0) is not None:
        kept += 1
    drops = socket_drops(ear)
    assert drops is not None
    assert kept + drops == 3000
    assert link_drops(VCAN0) is not None
    ear.shutdown()
    mouth.shutdown()


def test_a_plan_between_two_links(plan: Plan, tmp_path: Path, until: Until) -> None:
    options = LiveOptions(sending=True, watch_first_s=0.0, lag_limit_s=5.0, black_box_minutes=0.05)
    request = RunRequest(plan, (VCAN0, VCAN1), options, PROVED, tmp_path, acknowledged=True, lock_folder=tmp_path)
    stop = threading.Event()
    ear, mouth = open_bus(VCAN1, active=False), open_bus(VCAN0, active=True)
    thread = threading.Thread(target=run, args=(request, Translator(plan)), kwargs={"stop": stop})
    thread.start()
    values: list[int] = []

    def heard() -> bool:
        mouth.send(can.Message(arbitration_id=0x100, is_extended_id=False, data=b"\x34\x12" + bytes(6)))
        message = ear.recv(0.05)
        if message is not None and message.arbitration_id == 0x200:
            values.append(int.from_bytes(message.data[:2], "little"))
        return 0x1234 in values

    until(heard)
    stop.set()
    thread.join()
    last = 0
    while (message := ear.recv(0.0)) is not None:
        last = int.from_bytes(message.data[:2], "little") if message.arbitration_id == 0x200 else last
    assert last == 0xFFFF
    ear.shutdown()
    mouth.shutdown()


def test_a_plan_in_line_passes_each_frame_once(planned: Callable[..., Plan], until: Until) -> None:
    """Frames of other programs are marked as sent by this computer and pass all the same; our own never come back."""
    plan = planned(placement="inline", passes=(Pass(0, 0x300, 0x3FF, 1), Pass(1, 0x300, 0x3FF, 0)))
    openers = {spec.name: partial(open_bus, spec, active=True) for spec in (VCAN0, VCAN1)}
    donor, host = open_bus(VCAN0, active=True), open_bus(VCAN1, active=True)
    live = Live(plan, Translator(plan), openers, LiveOptions(lag_limit_s=5.0, black_box_minutes=0.05))
    live.start()
    for value in range(20):
        donor.send(can.Message(arbitration_id=0x321, is_extended_id=False, data=bytes([value])), timeout=1.0)
        host.send(can.Message(arbitration_id=0x322, is_extended_id=False, data=bytes([value])), timeout=1.0)
        time.sleep(0.02)
    until(lambda: live.status().passed == 40)
    time.sleep(0.5)
    assert live.status().passed == 40
    live.stop()
    for bus, word in ((host, 0x321), (donor, 0x322)):
        heard = []
        while (message := bus.recv(0.0)) is not None:
            heard.append((message.arbitration_id, message.data[0]))
        assert heard == [(word, value) for value in range(20)]
        bus.shutdown()


def test_own_frames_given_back_are_refused(plan: Plan, tmp_path: Path) -> None:
    buses = (parse_bus("donor=socketcan:vcan0,receive_own_messages=yes"), VCAN1)
    request = RunRequest(plan, buses, LiveOptions(), PROVED, tmp_path, lock_folder=tmp_path)
    with pytest.raises(InputError, match="receive_own_messages"):
        run(request, Translator(plan))
    with pytest.raises(InputError, match="receive_own_messages"):
        record(buses, tmp_path / "a.log", seconds=0.1)


def test_a_link_that_goes_down_and_up(tmp_path: Path, until: Until) -> None:
    recorder = Recorder((VCAN1,), tmp_path / "a.log")
    subprocess.run(["ip", "link", "set", "vcan1", "down"], check=True)
    until(lambda: bool(recorder.announced))
    subprocess.run(["ip", "link", "set", "vcan1", "up"], check=True)
    until(lambda: recorder.reports()["host"].reopened == 1)
    with open_buses([VCAN1], active=True) as buses:
        buses["host"].send(can.Message(arbitration_id=5, is_extended_id=False, data=b"\1"))
        until(lambda: recorder.reports()["host"].frames == 1)
    recorder.stop()
    assert [words.split(" ", 2)[2].split(" (")[0] for words in recorder.announced] == ["was lost", "is back"]


@pytest.fixture
def controllers() -> Any:
    """can0 listens only, can1 may send, both at 500 kbit/s on one bus."""
    set_link("can0", "bitrate", "500000", "listen-only", "on")
    set_link("can1", "bitrate", "500000", "listen-only", "off")
    yield
    set_link("can0", "bitrate", "500000", "listen-only", "off")


def test_listen_only_is_the_kernels_word(controllers: None, tmp_path: Path) -> None:
    assert listen_only(CAN0).certain
    assert not listen_only(CAN1).certain
    with pytest.raises(RefusedError, match="listen-only on"):
        record((CAN1,), tmp_path / "a.log", seconds=0.1)
    assert list(tmp_path.iterdir()) == []


def test_an_emulated_controller(controllers: None, tmp_path: Path, until: Until) -> None:
    recorder = Recorder((CAN0,), tmp_path / "a.log")
    with open_buses([CAN1], active=True) as buses:
        replay(frames(100, 25.0), {0: buses["host"]})
    time.sleep(1.0)
    done = recorder.stop()
    capture = read_capture(done.files[0])
    heard = capture.select(capture.is_data).payload.copy().view(">u8").ravel().tolist()
    missing = sorted(set(range(100)) - set(heard))
    assert heard == [number for number in range(100) if number not in missing]
    if missing:  # its queue holds 64 bytes: what a slow machine loses is counted and told
        assert done.buses["donor"].lost > 0


def test_the_bit_rate_search_sets_the_link(controllers: None) -> None:
    """The emulation hears at any rate (it does not model bit timing): what is tried is that the link is set."""
    stop = threading.Event()

    def traffic() -> None:
        with open_buses([CAN1], active=True) as buses:
            while not stop.is_set():
                buses["host"].send(can.Message(arbitration_id=1, is_extended_id=False, data=b"\1"), timeout=1.0)
                time.sleep(0.01)

    thread = threading.Thread(target=traffic)
    thread.start()
    tries = find_bitrate(BusSpec("donor", "socketcan", "can0"), rates=(250_000, 500_000), seconds=1.0)
    stop.set()
    thread.join()
    assert tries[-1].believable
    link = link_of("can0")
    assert link is not None
    assert link.listen_only
    assert link.bitrate == tries[-1].bitrate


def test_the_link_commands_of_the_guides() -> None:
    """Every `ip link` line of the guides is taken by the kernel (restart-ms needs a controller that can do it)."""
    lines = []
    for page in files("swapbridge.guides").joinpath("pages").iterdir():
        lines += re.findall(r"^    sudo (ip link set can\d .*)$", page.read_text(encoding="utf-8"), re.MULTILINE)
    assert len(lines) >= 4
    assert os.geteuid() == 0
    for line in lines:
        words = line.split()
        subprocess.run(["ip", "link", "set", words[3], "down"], check=True)
        subprocess.run(words, check=True)
    for channel in ("can0", "can1"):
        set_link(channel, "bitrate", "500000", "listen-only", "off")


GROUP = "239.74.163.9"


def test_multicast_between_two_processes(tmp_path: Path, until: Until, start: Callable[..., Any]) -> None:
    """One process records what another replays; the route keeps the traffic on this machine, else nothing is sent."""
    subprocess.run(["ip", "route", "replace", f"{GROUP}/32", "dev", "lo"], check=True)
    route = subprocess.run(["ip", "route", "get", GROUP], capture_output=True, text=True, check=True).stdout
    assert " dev lo " in route
    bus = f"bench=udp_multicast:{GROUP},port=43117,hop_limit=0"
    write_capture(frames(50, 25.0), tmp_path / "a.log")
    recording = start("record", "b.log", "--bus", bus)
    until(lambda: (tmp_path / "b.log").exists())
    time.sleep(2.0)
    playing = start("replay", "a.log", "--bus", bus)
    assert playing.wait(timeout=120) == 0
    time.sleep(2.0)
    recording.send_signal(signal.SIGTERM)
    assert recording.wait(timeout=60) == 0
    assert read_capture(tmp_path / "b.log").payload.copy().view(">u8").ravel().tolist() == list(range(50))
