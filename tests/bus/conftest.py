"""Shared by the bus room's tests: an adapter on a pseudo-terminal, buses that break on command."""

from __future__ import annotations

import contextlib
import os
import select
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

import can
import pytest

from swapbridge.core.layout import Layout
from swapbridge.plan.plan import (
    Bus,
    CounterOut,
    Extract,
    Feed,
    Field,
    Op,
    Pass,
    Plan,
    Receive,
    Send,
    Slot,
    Task,
    Variant,
)


class SerialAdapter:
    """An adapter that speaks the serial-line CAN protocol on a pseudo-terminal, as real ones do on a USB port.

    Commands kept in `commands` (``S6``, ``L``, ``O``, ``C``); frames the computer sends in `sent`. The protocol is from
    memory, as python-can's `slcan` interface speaks it from the other side.
    """

    def __init__(self) -> None:
        self._ours, self._theirs = os.openpty()
        tty.setraw(self._theirs)
        self.path = os.ttyname(self._theirs)
        self.commands: list[str] = []
        self.sent: list[str] = []
        self.times: list[float] = []
        """When each of `sent` came, on the monotonic clock."""
        self.mode = "C"
        self.answers = ""
        """What it answers: "" nothing, "bell" a bell to frames it does not take, "all" also what it does."""
        self.refused: list[str] = []
        self.bitrate = ""
        self.right_bitrate = ""
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()

    def frame(self, identifier: int, data: bytes, extended: bool = False) -> None:
        """Put a frame on the line, as if it came from the bus."""
        head = f"T{identifier:08X}" if extended else f"t{identifier:03X}"
        self.raw(f"{head}{len(data)}{data.hex().upper()}\r".encode())

    def raw(self, text: bytes) -> None:
        os.write(self._ours, text)

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        for descriptor in (self._ours, self._theirs):
            with contextlib.suppress(OSError):
                os.close(descriptor)

    def _listen(self) -> None:
        waiting = b""
        while not self._stop.is_set():
            if not select.select([self._ours], [], [], 0.05)[0]:
                continue
            try:
                waiting += os.read(self._ours, 4096)
            except OSError:
                return
            *lines, waiting = waiting.split(b"\r")
            for line in lines:
                text = line.decode()
                if text and text[0] in "tTrR":
                    (self.sent if self.mode == "O" else self.refused).append(text)
                    if self.mode == "O":
                        self.times.append(time.monotonic())
                    if self.answers and self.mode != "O":
                        self.raw(b"\a")
                    elif self.answers == "all":
                        self.raw(b"z\r")
                    continue
                self.commands.append(text)
                if text in ("L", "O", "C"):
                    self.mode = text
                elif text.startswith("S"):
                    self.bitrate = text


@pytest.fixture
def serial_adapter() -> Iterator[SerialAdapter]:
    adapter = SerialAdapter()
    yield adapter
    adapter.close()


class BreakableBus(can.BusABC):
    """A bus whose adapter can be pulled out: it hands over what `frames` holds and breaks while `broken` is set."""

    def __init__(self) -> None:
        super().__init__(channel="breakable")
        self.frames: list[can.Message | Exception] = []
        self.taken: list[can.Message] = []
        self.refuse: Exception | None = None
        self.broken = threading.Event()
        self.says = can.BusState.ACTIVE

    @property
    def state(self) -> can.BusState:
        return self.says

    @state.setter
    def state(self, new_state: can.BusState) -> None:
        self.says = new_state

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        if self.broken.is_set():
            raise can.CanOperationError("device not configured")
        if not self.frames:
            time.sleep(min(timeout or 0.0, 0.005))
            return None, False
        entry = self.frames.pop(0)
        if isinstance(entry, Exception):
            raise entry
        return entry, False

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        if self.broken.is_set():
            raise can.CanOperationError("device not configured")
        if self.refuse is not None:
            raise self.refuse
        self.taken.append(msg)


@pytest.fixture
def breakable() -> Callable[[], BreakableBus]:
    return BreakableBus


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Callable[..., subprocess.Popen[str]]]:
    """Start `swapbridge` as a process of its own in the test's folder; none outlives the test."""
    started: list[subprocess.Popen[str]] = []

    def begin(*words: str) -> subprocess.Popen[str]:
        started.append(
            subprocess.Popen(
                [sys.executable, "-m", "swapbridge", *words],
                cwd=tmp_path,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                text=True,
            )
        )
        return started[-1]

    yield begin
    for process in started:
        process.kill()
        process.communicate()


@pytest.fixture
def until() -> Callable[[Callable[[], bool]], None]:
    """Wait until something holds; fails after a minute, which even a busy machine does not need."""

    def wait(holds: Callable[[], bool]) -> None:
        end = time.monotonic() + 60.0
        while not holds():
            assert time.monotonic() < end, "it never came to hold"
            time.sleep(0.005)

    return wait


SPEED, GAUGE, EVENT = 0x100, 0x200, 0x210
"""Identifiers of `make_plan`: heard on the donor's bus, sent cyclically, sent on arrival."""
FALLBACK = 0xFFFF


def make_plan(*, placement: str = "added-node", passes: tuple[Pass, ...] = (), fd: bool = False) -> Plan:
    """A plan by hand: a 16-bit value from the donor goes to the host, every 10 ms and on arrival; 0xFFFF when stale."""
    block = (
        Op("fresh", 0, 1, value=0),
        Op("load", 0, 0xFFFF, value=1),
        Op("const", FALLBACK, FALLBACK, value=FALLBACK),
        Op("select", 0, 0xFFFF, a=0, b=1, c=2),
    )
    field = Field("Speed", Layout(0, 16), 3, unit="rpm", scale="1/4", fallback=FALLBACK)
    every = (1 << 6) - 1
    return Plan(
        "by hand",
        tuple(Bus(name, 500_000, fd, 2_000_000 if fd else 500_000, placement, True, 2_000_000) for name in BUS_NAMES),
        (Slot("state", 4, 0, 5), Slot("speed", 0, 0, 0xFFFF), Slot("speed valid", 0, 0, 1)),
        (),
        (),
        (Feed("donor.Speed", 100_000, 1, 1, (Extract("Speed", Layout(0, 16), 1, 2),), triggers=(1,)),),
        (Receive("donor.Speed", 0, SPEED, 8, (0,), period_us=10_000),),
        (Task("state", 10_000, 0, (Op("const", 4, 4, value=4), Op("store", 4, 4, a=0, value=0))),),
        (
            Send("host.Gauge", 1, GAUGE, False, every, (Variant(bytes(8), block, (field,)),), period_us=10_000,
                 counter=CounterOut(Layout(56, 8), 0, 255, 1)),
            Send("host.Event", 1, EVENT, fd, every, (Variant(bytes(64 if fd else 8), block, (field,)),)),
        ),
        passes,
        initial_state=4,
    )  # fmt: skip


BUS_NAMES = ("donor", "host")


@pytest.fixture
def plan() -> Plan:
    return make_plan()


@pytest.fixture
def planned() -> Callable[..., Plan]:
    return make_plan
