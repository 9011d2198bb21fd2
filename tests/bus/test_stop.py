"""Stop: from any terminal, at once, and never in vain; and a computer that sends stays awake."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import threading
import time
import zlib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import can
import pytest
from click.testing import CliRunner

from swapbridge.bus.adapters.link import Link
from swapbridge.bus.running import awake, control
from swapbridge.bus.running.control import Control, LiveRun, live_runs, stop_all, stop_run
from swapbridge.bus.running.run import RunRequest, run
from swapbridge.capture.write import write_capture
from swapbridge.cli.commands import stop_cmd
from swapbridge.cli.main import cli
from swapbridge.cli.screen.terminal import signals
from swapbridge.core.errors import RefusedError
from swapbridge.plan.plan import Plan
from swapbridge.plan.python.translator import Translator
from tests.bus.test_ending import with_request
from tests.bus.test_run import donor_capture, request_for
from tests.proofs import write_proof

pytestmark = pytest.mark.skipif(os.name == "nt", reason="pseudo-terminals and signals")

RUN = "run plan.json --against donor.log --send --cautions-read --quiet --watch-first 0 --lag-limit-ms 5000"
Start = Callable[..., "subprocess.Popen[str]"]
Until = Callable[[Callable[[], bool]], None]
SPEAKING = "t20083412"


@pytest.fixture
def running(plan: Plan, tmp_path: Path, serial_adapter: Any, until: Until, start: Start) -> Callable[..., Any]:
    """A run as a process of its own that is sending to the serial adapter."""

    def begin(change: Callable[[Plan], Plan] = lambda p: p) -> tuple[subprocess.Popen[str], LiveRun]:
        write_proof(tmp_path, change(plan))
        write_capture(donor_capture(20_000), tmp_path / "donor.log")
        process = start(*RUN.split(), "--bus", f"host=slcan:{serial_adapter.path},bitrate=500000,sleep_after_open=0")
        until(lambda: any(line.startswith(SPEAKING) for line in serial_adapter.sent))
        (found,) = [one for one in live_runs() if one.process == process.pid]
        return process, found

    return begin


def stop(process: subprocess.Popen[str], *more: str) -> subprocess.CompletedProcess[str]:
    call = [sys.executable, "-m", "swapbridge", "stop", "--process", str(process.pid), *more]
    return subprocess.run(call, capture_output=True, text=True, check=False, timeout=30)


def test_from_another_terminal(running: Any, serial_adapter: Any, tmp_path: Path) -> None:
    process, found = running()
    assert found.sending
    assert found.plan_file == str(tmp_path / "plan.json")
    status = found.ask("status")
    assert status is not None
    assert status["mode"] == "sending"
    assert status["outputs"][0]["name"] == "host.Gauge"
    result = stop(process)
    assert result.returncode == 0, result.stderr
    assert "safe answers sent" in result.stdout
    assert serial_adapter.sent[-1].startswith("t2008FFFF")
    process.communicate(timeout=60)
    assert process.returncode == 0
    assert found not in live_runs()
    again = stop(process)
    assert (
        "nothing is running" in again.stdout or f"process {process.pid} is not a run; these are running" in again.stderr
    )


@pytest.mark.parametrize("ramp", [False, True])
def test_in_time(running: Any, serial_adapter: Any, ramp: bool) -> None:
    """Loosely, since the machine may be busy; the benchmark measures it."""
    process, found = running(with_request if ramp else lambda p: p)
    pressed = time.monotonic()
    assert stop_run(found).startswith("stopped")
    process.communicate(timeout=60)
    last = serial_adapter.times[-1] - pressed
    assert last < 2.0
    end = [line for line, at in zip(serial_adapter.sent, serial_adapter.times, strict=True) if at > pressed]
    gauges = [int(line[7:9] + line[5:7], 16) for line in end if line.startswith("t2008")]
    assert gauges[-1] == (0 if ramp else 0xFFFF)
    if ramp:
        assert last > 0.4
        assert len({value for value in gauges if 0 < value < 0x1234}) > 5


def test_a_second_press_ends_at_once(running: Any, serial_adapter: Any) -> None:
    process, found = running(with_request)
    pressed = time.monotonic()
    process.send_signal(signal.SIGTERM)
    time.sleep(0.05)
    found.ask("stop", 3.0)
    process.communicate(timeout=60)
    assert serial_adapter.times[-1] - pressed < 0.45, "the ramp was left out"


def test_one_that_hangs_is_ended_by_force(running: Any, serial_adapter: Any) -> None:
    process, found = running()
    process.send_signal(signal.SIGSTOP)  # nothing in it moves any more
    try:
        time.sleep(0.2)
        sent = len(serial_adapter.sent)
        assert "ended by force" in stop_run(found)
    finally:
        process.kill()
    time.sleep(0.2)
    assert len(serial_adapter.sent) == sent
    assert found not in live_runs()


def test_a_killed_run_leaves_nothing_behind(running: Any) -> None:
    process, found = running()
    process.kill()
    process.communicate()
    assert found not in live_runs()
    assert stop_run(found) == "stopped"


def test_a_stop_waits_for_no_black_box(plan: Plan, tmp_path: Path, serial_adapter: Any, until: Until) -> None:
    """The supervisor may be busy writing for seconds when somebody presses."""
    request = request_for(plan, tmp_path, buses=())
    slow = threading.Event()

    def show(status: Any) -> None:
        if status.seconds > 0.5:
            slow.set()
            time.sleep(3.0)

    stop_pressed = threading.Event()
    announced: list[str] = []
    thread = threading.Thread(
        target=run,
        args=(replace(request, seconds=30.0), Translator(plan)),
        kwargs={"show": show, "announce": announced.append, "stop": stop_pressed},
    )
    thread.start()
    until(slow.is_set)
    pressed = time.monotonic()
    stop_pressed.set()
    until(lambda: any("sending safe answers" in words for words in announced))
    assert time.monotonic() - pressed < 2.0
    thread.join()


def test_stop_with_nothing_running(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stop_cmd, "live_runs", list)
    result = CliRunner().invoke(cli, ["stop", "--process", "1"])
    assert result.exit_code == 0
    assert "nothing is running" in result.output


def test_a_wrong_number_is_not_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever reads 'nothing is running' puts the phone away while another run goes on sending."""
    one = LiveRun(77, 1, "my swap", "", True, ("host",), 0.0)
    monkeypatch.setattr(stop_cmd, "live_runs", lambda: [one])
    result = CliRunner().invoke(cli, ["stop", "--process", "78"])
    assert result.exit_code == 2
    assert "these are running: 77 (my swap)" in result.output


def test_a_foreign_voice_at_the_port_is_not_heard(running: Any) -> None:
    """A web page may send a request there; it is no line of ours and stops nothing."""
    import socket

    process, found = running()
    with socket.create_connection(("127.0.0.1", found.port), timeout=2) as line:
        line.sendall(b"POST /stop HTTP/1.1\r\n\r\n" + b'{"ask": "stop"}\n')
        assert line.recv(100) == b""
    assert found.ask("status") is not None
    stop_run(found)
    process.communicate(timeout=60)


def test_a_computer_that_may_sleep_is_kept_awake_or_nothing_is_sent(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    states = tmp_path / "state"
    states.write_text("freeze mem\n")
    monkeypatch.setattr(awake, "_STATES", states)
    monkeypatch.setattr(awake, "_SYSTEMD", tmp_path)
    monkeypatch.setattr(awake, "_masked", lambda: False)
    monkeypatch.setattr(awake, "SETTLES_S", 0.2)
    monkeypatch.setattr(sys, "platform", "linux")
    tools = tmp_path / "bin"
    tools.mkdir()
    monkeypatch.setenv("PATH", f"{tools}:/usr/bin:/bin")
    monkeypatch.setattr(shutil, "which", lambda name: None)
    with pytest.raises(RefusedError, match="mask"), awake.kept_awake():
        pass
    monkeypatch.setattr(shutil, "which", lambda name: str(tools / name))
    inhibit = tools / "systemd-inhibit"
    inhibit.write_text("#!/bin/sh\necho Access denied >&2\nexit 1\n")
    inhibit.chmod(0o755)
    with pytest.raises(RefusedError, match="Access denied"), awake.kept_awake():
        pass
    inhibit.write_text(f'#!/bin/sh\necho "$@" > {tmp_path}/held\nexec cat\n')
    with awake.kept_awake():
        assert "--mode=block" in (tmp_path / "held").read_text()
    states.write_text("\n")
    (tmp_path / "held").unlink()
    with awake.kept_awake():
        assert not (tmp_path / "held").exists(), "a board that can't sleep needs nothing"


def test_sending_onto_wires_asks_for_it(
    plan: Plan, tmp_path: Path, serial_adapter: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    from swapbridge.bus.adapters.spec import parse_bus

    monkeypatch.setattr(awake, "_inhibitor", lambda: ["/bin/false"])
    host = parse_bus(f"host=slcan:{serial_adapter.path},sleep_after_open=0")
    request: RunRequest = request_for(plan, tmp_path, buses=(host,))
    with pytest.raises(RefusedError, match="sleep"):
        run(request, Translator(plan))
    assert serial_adapter.commands == []


def test_a_signal_is_heard_while_the_main_thread_is_busy() -> None:
    """Python's own handlers run when the main thread comes round; it may be writing to a disk that hangs."""
    event, inside, heard = threading.Event(), threading.Event(), []
    data = os.urandom(20_000_000)

    def press() -> None:
        inside.wait()
        time.sleep(0.05)
        os.kill(os.getpid(), signal.SIGUSR2)
        event.wait(60.0)
        heard.append(inside.is_set())

    presser = threading.Thread(target=press)
    presser.start()
    with signals(SIGUSR2=event):
        inside.set()
        zlib.compress(data, 9)  # one call into C, seconds long, which no signal ends
        inside.clear()
        presser.join()
    assert heard == [True]


@pytest.mark.parametrize("name", ["SIGTERM", "SIGQUIT", "SIGTSTP", "SIGHUP"])
def test_every_way_to_end_a_program_says_the_safe_answers(running: Any, serial_adapter: Any, name: str) -> None:
    process, _ = running()
    process.send_signal(getattr(signal, name))
    process.communicate(timeout=60)
    assert process.returncode == 0
    assert serial_adapter.sent[-1].startswith("t2008FFFF")


def test_a_run_is_found_though_somebody_cleans_the_folder(tmp_path: Path, until: Until, monkeypatch: Any) -> None:
    monkeypatch.setattr(control, "LOOK_AFTER_S", 0.02)
    me = LiveRun(os.getpid(), 0, "plan", "", True, (), 1.0)
    stop, now, ended = threading.Event(), threading.Event(), threading.Event()
    ended.set()
    with Control(me, stop, now, ended, dict, tmp_path / "live").open():
        (found,) = live_runs(tmp_path / "live")
        shutil.rmtree(tmp_path / "live")
        until(lambda: live_runs(tmp_path / "live") == [found])
        assert "safe answers sent" in stop_run(found, folder=tmp_path / "live")
        assert stop.is_set()
    assert live_runs(tmp_path / "live") == []


def test_a_run_that_begins_is_never_taken_for_a_dead_one(tmp_path: Path) -> None:
    """Pages look for runs all the time; one that looks while a file is made but not locked yet would remove it."""
    over = threading.Event()

    def look() -> None:
        while not over.is_set():
            live_runs(tmp_path / "live")

    lookers = [threading.Thread(target=look) for _ in range(2)]
    for looker in lookers:
        looker.start()
    try:
        for number in range(60):
            me = LiveRun(os.getpid(), 0, f"plan {number}", "", True, (), 1.0)
            with Control(me, threading.Event(), threading.Event(), threading.Event(), dict, tmp_path / "live").open():
                assert [run.plan for run in live_runs(tmp_path / "live")] == [me.plan]
    finally:
        over.set()
        for looker in lookers:
            looker.join()


def test_several_runs_are_stopped_at_the_same_time(monkeypatch: pytest.MonkeyPatch) -> None:
    together = threading.Barrier(3, timeout=60.0)
    monkeypatch.setattr(control, "stop_run", lambda run, **_: f"stopped {run.process} {together.wait() >= 0}")
    runs = [LiveRun(number, 0, "plan", "", True, (), 1.0) for number in (1, 2, 3)]
    assert [words for _, words in stop_all(runs)] == [f"stopped {number} True" for number in (1, 2, 3)]


class _SlowBus(can.BusABC):
    """An adapter that takes a frame when it likes."""

    def __init__(self) -> None:
        super().__init__(channel="slow")
        self.taken: list[int] = []
        self.free = threading.Semaphore(0)

    def send(self, message: can.Message, timeout: float | None = None) -> None:
        self.free.acquire()
        self.taken.append(message.arbitration_id)

    def _recv_internal(self, timeout: float | None) -> tuple[None, bool]:
        time.sleep(0.01)
        return None, False


def test_the_last_words_wait_for_no_queue_and_are_not_dropped_as_stale(until: Until) -> None:
    bus = _SlowBus()
    link = Link("host", lambda: bus, lambda message, at: None, lambda words: None, sending=True)
    link.start()
    for number in range(100):
        link.send(can.Message(arbitration_id=number))
    link.forget()
    link.send(can.Message(arbitration_id=0x7FF), 60_000_000_000)
    time.sleep(0.1)  # longer than other frames may wait
    bus.free.release(1000)
    until(lambda: 0x7FF in bus.taken)
    assert len(bus.taken) <= 2, "one may have been on its way already"
    link.stop()


def test_what_keeps_a_computer_awake_is_taken_again_when_somebody_ends_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, until: Until
) -> None:
    """Told in each case; a run never goes on without a word on a computer that may fall asleep."""
    holder = tmp_path / "hold"
    holder.write_text(
        f"#!/bin/sh\necho $$ >> {tmp_path}/held\n[ -e {tmp_path}/denied ] && echo Denied >&2 && exit 1\nexec cat\n"
    )
    holder.chmod(0o755)
    monkeypatch.setattr(awake, "_inhibitor", lambda: [str(holder)])
    monkeypatch.setattr(awake, "SETTLES_S", 0.3)

    def pids() -> list[int]:
        return [int(line) for line in (tmp_path / "held").read_text().split()]

    def announced(at_s: float, word: str) -> None:
        until(lambda: word in (kept.look(at_s) or ""))

    with awake.kept_awake() as kept:
        assert kept.look(time.monotonic()) is None
        os.kill(pids()[-1], signal.SIGKILL)
        announced(time.monotonic(), "being started again")
        until(lambda: len(pids()) == 2)
        announced(time.monotonic() + 1.0, "kept awake again")
        assert kept.look(time.monotonic() + 2.0) is None
        (tmp_path / "denied").touch()
        os.kill(pids()[-1], signal.SIGKILL)
        announced(time.monotonic(), "being started again")
        until(lambda: len(pids()) == 3)
        announced(time.monotonic() + 60.0, "may go to sleep while it sends, and can't be kept awake (Denied)")
    until(lambda: not any(Path(f"/proc/{pid}").exists() for pid in pids()))
