"""Shared by the bus room's tests: an adapter on a pseudo-terminal, buses that break on command."""

from __future__ import annotations

import contextlib
import os
import select
import threading
import time
import tty
import uuid
from collections.abc import Callable, Iterator

import can
import pytest


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
        self.mode = "C"
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
                    self.sent.append(text)
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


@pytest.fixture
def channel() -> str:
    """Name of a virtual channel that no other test uses."""
    return f"test-{uuid.uuid4().hex[:12]}"


class BreakableBus(can.BusABC):
    """A bus whose adapter can be pulled out: it hands over what `frames` holds and breaks while `broken` is set."""

    def __init__(self) -> None:
        super().__init__(channel="breakable")
        self.frames: list[can.Message | Exception] = []
        self.taken: list[can.Message] = []
        self.refuse: Exception | None = None
        self.broken = threading.Event()

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
def until() -> Callable[[Callable[[], bool]], None]:
    """Wait until something holds; fails after ten seconds, which no working machine needs."""

    def wait(holds: Callable[[], bool]) -> None:
        end = time.monotonic() + 10.0
        while not holds():
            assert time.monotonic() < end, "it never came to hold"
            time.sleep(0.005)

    return wait
