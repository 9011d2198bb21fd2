"""The scan tool: what it asks, in which order, and how it bears slow, busy, refusing and silent engine computers.

Outside checks: the answering side is `can-isotp`'s own stack on a virtual bus, and the values are compared with those
that the library `obd` decodes from the same bytes (SAE J1979 service 01).
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import can
import isotp
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swapbridge.bus.adapters.spec import parse_bus
from swapbridge.bus.recording.record import record
from swapbridge.bus.recording.scantool import BUSY_WAIT_NS, Ask, PolledValue, PollStage, ScanTool
from swapbridge.capture.stimulus import read_stimulus
from swapbridge.core import obd as ours

MS = 1_000_000
ENGINE = 0x7E8
VALUES = {0x04: b"\x80", 0x05: b"\x5a", 0x0C: b"\x1a\xf8", 0x0D: b"\x28", 0x11: b"\x33", 0x2F: b"\x7f", 0x5C: b"\x60"}


def bitmap(first: int, pids: set[int]) -> bytes:
    value = sum(1 << (31 - k) for k in range(32) if first + 1 + k in pids)
    return value.to_bytes(4, "big")


ALL = {*VALUES, 0x20, 0x40}


def answer_of(pid: int) -> bytes:
    if pid % 0x20 == 0:
        return bytes([0x41, pid]) + bitmap(pid, ALL)
    return bytes([0x41, pid]) + VALUES[pid]


def drive(tool: ScanTool, seconds: float, reply: Callable[[Ask], bytes | None]) -> tuple[list[Ask], list[PolledValue]]:
    """Run the pure machine in simulated time: an ECU that answers 20 ms later what `reply` says."""
    asks: list[Ask] = []
    samples: list[PolledValue] = []
    pending: tuple[int, bytes] | None = None
    for now in range(0, round(seconds * 1000) * MS, 5 * MS):
        if pending is not None and now >= pending[0]:
            samples += tool.on_answer(ENGINE, pending[1], now)
            pending = None
        ask = tool.poll(now)
        if ask is not None:
            asks.append(ask)
            message = reply(ask)
            pending = None if message is None else (now + 20 * MS, message)
    return asks, samples


def test_supported_pids_are_asked_first_and_only_they_are_polled() -> None:
    tool = ScanTool(per_second=20)
    asks, samples = drive(tool, 10, lambda ask: answer_of(ask.pid))
    assert [ask.pid for ask in asks[:3]] == [0x00, 0x20, 0x40]
    assert asks[0].module is None
    assert all(ask.module == ENGINE for ask in asks[1:])
    assert tool.stage is PollStage.POLLING
    assert set(tool.pids) == set(VALUES)
    assert {ask.pid for ask in asks[3:]} == set(VALUES)
    assert {sample.channel for sample in samples} == {ours.PIDS[pid].channel for pid in VALUES}
    assert len(asks) <= 10 * 20 + 1
    assert all(sample.answered_ns - sample.asked_ns == 20 * MS for sample in samples)
    fast = sum(ask.pid == 0x0C for ask in asks)
    slow = sum(ask.pid == 0x05 for ask in asks)
    assert fast > 2 * slow > 0
    assert "7 values" in tool.line()


@pytest.mark.parametrize("pid", sorted(VALUES))
def test_values_are_those_of_the_library_obd(pid: int) -> None:
    """Reference: the decoders of the library `obd` (its command table for mode 01)."""
    import obd  # a second and a half, which each worker would take while it collects

    tool = ScanTool(per_second=50)
    _, samples = drive(tool, 5, lambda ask: answer_of(ask.pid))
    mine = next(sample for sample in samples if sample.channel == ours.PIDS[pid].channel)
    command = obd.commands[1][pid]
    theirs = command.decode([SimpleNamespace(data=bytearray(answer_of(pid)))])
    assert mine.value == pytest.approx(float(theirs.magnitude), rel=1e-6)


def test_the_request_rate_is_kept() -> None:
    asks: list[int] = []
    tool = ScanTool(per_second=5)
    for now in range(0, 20_000 * MS, 5 * MS):
        ask = tool.poll(now)
        if ask is not None:
            asks.append(now)
            tool.on_answer(ENGINE, answer_of(ask.pid), now + MS)
    gaps = [b - a for a, b in pairwise(asks[2:])]
    assert min(gaps) >= 200 * MS


def test_a_refused_pid_is_dropped_and_said() -> None:
    tool = ScanTool(per_second=50)
    asks, samples = drive(tool, 5, lambda ask: b"\x7f\x01\x12" if ask.pid == 0x11 else answer_of(ask.pid))
    assert sum(ask.pid == 0x11 for ask in asks) == 2
    assert "throttle" not in {sample.channel for sample in samples}
    assert any("throttle" in words for words in tool.announced)
    assert tool.refused == 2


def test_pending_waits_and_busy_asks_again() -> None:
    tool = ScanTool(per_second=50)
    for now in range(0, 3000 * MS, 5 * MS):  # find and list
        ask = tool.poll(now)
        if ask is not None:
            tool.on_answer(ENGINE, answer_of(ask.pid), now)
        if tool.stage is PollStage.POLLING:
            break
    now += 100 * MS
    ask = tool.poll(now)
    assert ask is not None
    tool.on_answer(ENGINE, b"\x7f\x01\x78", now)
    for wait in range(100, 4000, 100):
        assert tool.poll(now + wait * MS) is None
    samples = tool.on_answer(ENGINE, answer_of(ask.pid), now + 4000 * MS)
    assert [sample.asked_ns for sample in samples] == [now]
    now += 5000 * MS
    busy = tool.poll(now)
    assert busy is not None
    tool.on_answer(ENGINE, b"\x7f\x01\x21", now)
    assert tool.poll(now + BUSY_WAIT_NS - MS) is None
    assert tool.poll(now + BUSY_WAIT_NS) == busy


def test_a_slow_engine_computer_is_given_more_time() -> None:
    """It takes 500 ms for every answer, longer than the first patience: values come all the same."""
    tool, due, samples = ScanTool(per_second=50), list[tuple[int, bytes]](), list[PolledValue]()
    for now in range(0, 30_000 * MS, 5 * MS):
        while due and due[0][0] <= now:
            samples += tool.on_answer(ENGINE, due.pop(0)[1], now)
        ask = tool.poll(now)
        if ask is not None:
            due.append((now + (20 if ask.module is None else 500) * MS, answer_of(ask.pid)))
    assert tool.stage is PollStage.POLLING
    assert len(samples) > 10


def test_an_engine_computer_that_falls_silent_is_looked_for_again() -> None:
    tool = ScanTool(per_second=50)
    alive = True
    asks, _ = drive(tool, 3, lambda ask: answer_of(ask.pid) if alive else None)
    for now in range(3000 * MS, 60_000 * MS, 5 * MS):
        ask = tool.poll(now)
        if ask is not None:
            asks.append(ask)
    assert any("stopped answering" in words for words in tool.announced)
    assert tool.stage is PollStage.FINDING
    late = [ask for ask in asks if ask.module is None][1:]
    assert {ask.extended for ask in late} == {False, True}


def test_one_that_answers_only_when_all_are_asked() -> None:
    tool = ScanTool(per_second=50)
    asks, samples = drive(tool, 20, lambda ask: answer_of(ask.pid) if ask.module is None else None)
    assert samples
    assert asks[-1].module is None


@pytest.mark.parametrize("message", [b"", b"\x7f", b"\x7f\x01", b"\x41", b"\x62\x00\x01", b"\x41\x0c", b"\xff" * 8])
def test_odd_messages_are_passed_over(message: bytes) -> None:
    tool = ScanTool()
    assert tool.on_answer(ENGINE, message, 0) == []
    drive(tool, 3, lambda ask: answer_of(ask.pid))
    assert tool.on_answer(ENGINE, message, 3000 * MS) == []
    assert tool.on_answer(0x7E9, answer_of(0x0C), 3000 * MS) == []


ANSWERS = st.one_of(
    st.none(),
    st.just("right"),
    st.sampled_from([0x11, 0x12, 0x21, 0x31, 0x78]),
    st.binary(max_size=12),
)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 800), ANSWERS), max_size=120))
def test_whatever_is_answered_it_asks_slowly_and_only_for_values(
    story: list[tuple[int, str | int | bytes | None]],
) -> None:
    """Right answers, refusals, silence and noise in any order: only known requests, never above the rate, no crash."""
    tool, now, last, asks = ScanTool(per_second=20), 0, -(10**18), list[int]()
    for wait_ms, answer in story:
        now += wait_ms * MS
        ask = tool.poll(now)
        if ask is not None:
            assert ask.pid in ours.PIDS or ask.pid % 0x20 == 0
            assert now - last >= 50 * MS
            last = now
            asks.append(ask.pid)
        pid = asks[-1] if asks else 0
        if answer == "right":
            tool.on_answer(ENGINE, answer_of(pid) if pid in VALUES or pid % 0x20 == 0 else b"", now)
        elif isinstance(answer, int):
            tool.on_answer(ENGINE, bytes([0x7F, 0x01, answer]), now)
        elif isinstance(answer, bytes):
            tool.on_answer(ENGINE, answer, now)
        assert tool.line()
        assert tool.answered + tool.refused + tool.unanswered <= tool.asked


class EngineComputer:
    """An engine computer on a virtual bus: `can-isotp`'s own stack answers; slow, busy and refusing when told."""

    def __init__(self, channel: str, extended: bool) -> None:
        self.bus = can.Bus(interface="virtual", channel=channel, ignore_config=True)
        mode = isotp.AddressingMode.Normal_29bits if extended else isotp.AddressingMode.Normal_11bits
        tx, rx = (0x18DAF110, 0x18DA10F1) if extended else (0x7E8, 0x7E0)
        self.functional = 0x18DB33F1 if extended else 0x7DF
        self.stack = isotp.TransportLayerLogic(
            rxfn=self._read, txfn=self._write, address=isotp.Address(mode, txid=tx, rxid=rx)
        )
        self.frames: list[can.Message] = []
        self.asked: list[int] = []
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _read(self, timeout: float) -> isotp.CanMessage | None:
        if not self.frames:
            return None
        message = self.frames.pop(0)
        return isotp.CanMessage(message.arbitration_id, data=bytes(message.data), extended_id=message.is_extended_id)

    def _write(self, frame: isotp.CanMessage) -> None:
        self.bus.send(
            can.Message(arbitration_id=frame.arbitration_id, is_extended_id=frame.is_extended_id, data=frame.data)
        )

    def _run(self) -> None:
        while not self._stop.is_set():
            message = self.bus.recv(0.01)
            if message is not None and message.arbitration_id == self.functional:
                self._answer(bytes(message.data[1 : 1 + message.data[0]]))
            elif message is not None:
                self.frames.append(message)
            self.stack.process()
            while self.stack.available():
                request = self.stack.recv()
                if request is not None:
                    self._answer(bytes(request))

    def _answer(self, request: bytes) -> None:
        self.asked.append(request[1])
        if request[1] == 0x2F:
            self.stack.send(b"\x7f\x01\x78")
        if request[1] == 0x11:
            self.stack.send(b"\x7f\x01\x12")
            return
        # A long answer (it goes on with the neighbour's value) needs flow control from the scan tool.
        extra = bytes([0x0D]) + VALUES[0x0D] + bytes([0x05]) + VALUES[0x05] if request[1] == 0x0C else b""
        self.stack.send(answer_of(request[1]) + extra)

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        self.bus.shutdown()


@pytest.fixture(params=[False, True], ids=["11 bits", "29 bits"])
def engine_computer(request: pytest.FixtureRequest, channel: str) -> Iterator[EngineComputer]:
    computer = EngineComputer(channel, request.param)
    yield computer
    computer.close()


def test_while_recording(engine_computer: Any, channel: str, tmp_path: Path) -> None:
    stop = threading.Event()
    seen: list[str] = []

    def show(status: Any) -> None:
        seen.append(status.scan_tool)
        if len(set(engine_computer.asked)) >= 10 and len(engine_computer.asked) >= 40:
            stop.set()

    began = time.time()
    report = record(
        [parse_bus(f"a=virtual:{channel}")],
        tmp_path / "a.log",
        active=True,
        scan_tool="a",
        per_second=100,
        seconds=60,
        stop=stop,
        show=show,
    )
    assert report.ended_by == "stopped"
    assert report.stimulus_file is not None
    track = read_stimulus(report.stimulus_file)
    assert set(track.channels) == {ours.PIDS[pid].channel for pid in VALUES if pid != 0x11}
    speed = track.channels["engine_speed"]
    assert set(speed.value.tolist()) == {0x1AF8 / 4}
    assert speed.unit == "rpm"
    assert began - 1 < speed.time_s[0] < time.time() + 1
    rows = (tmp_path / "a.scan_tool.csv").read_text().splitlines()
    assert rows[0] == "asked_s,answered_s,channel,value,unit"
    for row in rows[1:]:
        asked, answered = map(float, row.split(",")[:2])
        assert 0 <= answered - asked < 2
    assert "looking for an engine computer" in seen[0]
    assert any("an engine computer answers" in words for words in report.announced)
    text = report.files[0].read_text()
    assert " T\n" in text
