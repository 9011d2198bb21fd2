"""`run`: proof, cautions, lock, black box, watchdogs, and an end that sends fallbacks."""

from __future__ import annotations

import contextlib
import gc
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import can
import numpy as np
import pytest
from click.testing import CliRunner
from rich.console import Console

from swapbridge.bus.adapters.spec import parse_bus
from swapbridge.bus.rehearsal.virtual_check import virtual_check
from swapbridge.bus.running.live import LiveOptions
from swapbridge.bus.running.live_status import LiveStatus, LiveValues
from swapbridge.bus.running.run import RunReport, RunRequest, buses_for, run
from swapbridge.capture.capture import SENT, Capture
from swapbridge.capture.read import read_capture
from swapbridge.capture.write import write_capture
from swapbridge.cli.main import cli
from swapbridge.cli.screen.live_screen import run_screen
from swapbridge.core.errors import InputError, RefusedError
from swapbridge.plan.plan import Pass, Plan
from swapbridge.plan.python.translator import SentFrame, Translator
from tests.proofs import PROVED, UNPROVED, write_proof

GAUGE, EVENT, SPEED, FALLBACK = 0x200, 0x210, 0x100, 0xFFFF
Until = Callable[[Callable[[], bool]], None]


def donor_capture(frames: int, value: int = 0x1234) -> Capture:
    payload = np.zeros((frames, 8), dtype=np.uint8)
    payload[:, 0], payload[:, 1] = value & 0xFF, value >> 8
    return Capture(
        np.arange(frames, dtype=np.int64) * 10_000_000,
        np.full(frames, SPEED, dtype=np.uint32),
        np.zeros(frames, dtype=np.uint8),
        np.zeros(frames, dtype=np.uint8),
        np.full(frames, 8, dtype=np.uint8),
        payload,
        ("0",),
        "test",
    )


def request_for(plan: Plan, folder: Path, **more: Any) -> RunRequest:
    values: dict[str, Any] = {
        "plan": plan,
        "buses": (),
        "options": LiveOptions(sending=True, watch_first_s=0.0, lag_limit_s=5.0, black_box_minutes=0.05),
        "proof": PROVED,
        "folder": folder,
        "acknowledged": True,
        "against": donor_capture(100),
        "lock_folder": folder / "locks",
    }
    return RunRequest(**(values | more))


@contextlib.contextmanager
def listening(channel: str) -> Iterator[list[can.Message]]:
    """Frames on a virtual channel, as they come, until the block ends."""
    heard: list[can.Message] = []
    with can.Bus(interface="virtual", channel=channel, ignore_config=True) as ear:
        yield heard
        while (message := ear.recv(0.0)) is not None:
            heard.append(message)


def test_against_a_capture_with_fallbacks_at_the_end(plan: Plan, tmp_path: Path, channel: str) -> None:
    announced: list[str] = []
    shown: list[LiveStatus] = []
    request = request_for(plan, tmp_path, buses=(parse_bus(f"host=virtual:{channel}"),))
    with listening(channel) as heard:
        report = run(request, Translator(plan), announce=announced.append, show=shown.append)
    assert report.ended_by == "the capture has ended"
    assert not report.fault
    values = [int.from_bytes(m.data[:2], "little") for m in heard if m.arbitration_id == GAUGE]
    assert 0x1234 in values
    assert values[-1] == FALLBACK
    assert any("sending safe answers" in words for words in announced)
    assert shown
    box = read_capture(report.black_boxes[-1])
    assert set(box.identifier[(box.flags & SENT) != 0].tolist()) == {GAUGE, EVENT}
    assert "proved (seed 1" in report.black_boxes[-1].with_suffix(".events.txt").read_text()


def test_watching_only_sends_nothing(plan: Plan, tmp_path: Path, channel: str) -> None:
    options = LiveOptions(sending=False, black_box_minutes=0.05)
    request = request_for(
        plan, tmp_path, buses=(parse_bus(f"host=virtual:{channel}"),), options=options, acknowledged=False
    )
    with listening(channel) as heard:
        report = run(request, Translator(plan))
    assert heard == []
    assert report.status.outputs[0].count > 10
    assert report.status.mode == "watching only"


def test_a_plan_without_a_proof_is_refused_unless_told(plan: Plan, tmp_path: Path) -> None:
    with pytest.raises(RefusedError, match="--unproved"):
        run(request_for(plan, tmp_path, proof=UNPROVED), Translator(plan))
    announced: list[str] = []
    run(
        request_for(plan, tmp_path, proof=UNPROVED, unproved=True, seconds=0.2),
        Translator(plan),
        announce=announced.append,
    )
    assert any("UNPROVED" in words for words in announced)


def test_sending_and_sitting_in_line_need_the_cautions(
    plan: Plan, planned: Callable[..., Plan], tmp_path: Path
) -> None:
    with pytest.raises(RefusedError, match="sends"):
        run(request_for(plan, tmp_path, acknowledged=False), Translator(plan))
    inline = planned(placement="inline", passes=(Pass(0, 0, 0x7FF, 1),))
    request = request_for(inline, tmp_path, acknowledged=False, options=LiveOptions())
    with pytest.raises(RefusedError, match="sits in line"):
        run(request, Translator(inline))


def test_buses_are_the_plans(plan: Plan, tmp_path: Path) -> None:
    bench = parse_bus("body=virtual:x"), parse_bus("host=virtual:y")
    with pytest.raises(InputError, match="no bus 'body'"):
        buses_for(request_for(plan, tmp_path, buses=bench))
    with pytest.raises(InputError, match="needs the bus donor"):
        buses_for(request_for(plan, tmp_path, buses=bench[1:], against=None))
    with pytest.raises(InputError, match="needs the bus donor"):
        buses_for(request_for(plan, tmp_path, against=None))
    specs = buses_for(request_for(plan, tmp_path, buses=bench[1:]))
    assert [spec.name for spec in specs] == ["donor", "host"]
    assert specs[0].interface == "virtual"


def test_watching_needs_adapters_that_only_listen(plan: Plan, tmp_path: Path) -> None:
    buses = parse_bus("donor=serial:/dev/null"), parse_bus("host=virtual:y")
    request = request_for(plan, tmp_path, buses=buses, against=None, options=LiveOptions())
    with pytest.raises(RefusedError, match="--active"):
        run(request, Translator(plan))


def test_two_at_once_are_refused(plan: Plan, tmp_path: Path, serial_adapter: Any, until: Until) -> None:
    serial = parse_bus(f"host=slcan:{serial_adapter.path},sleep_after_open=0")
    request = request_for(plan, tmp_path, buses=(serial,), against=donor_capture(1000))
    stop = threading.Event()
    first = threading.Thread(target=run, args=(request, Translator(plan)), kwargs={"stop": stop})
    first.start()
    until(lambda: len(serial_adapter.sent) > 5)
    with pytest.raises(RefusedError, match="already in use"):
        run(request, Translator(plan))
    stop.set()
    first.join()
    assert serial_adapter.mode in ("O", "C")


def test_garbage_collection_and_thread_changes_are_put_back(plan: Plan, tmp_path: Path) -> None:
    before = gc.isenabled(), sys.getswitchinterval()
    seen: list[tuple[bool, float]] = []
    request = request_for(plan, tmp_path, seconds=0.5)
    run(request, Translator(plan), show=lambda status: seen.append((gc.isenabled(), sys.getswitchinterval())))
    assert {on for on, _ in seen} == {False}
    assert all(interval < before[1] for _, interval in seen)
    assert (gc.isenabled(), sys.getswitchinterval()) == before
    assert gc.get_freeze_count() == 0


def test_the_black_box_on_demand_and_at_a_fault(plan: Plan, tmp_path: Path) -> None:
    stop, dump = threading.Event(), threading.Event()
    dump.set()
    wild = [SentFrame(1, GAUGE, bytes(8))] * 100

    class Wild(Translator):
        pass

    translator = Wild(plan)
    poll = translator.poll
    translator.poll = lambda now: wild.pop() if wild else poll(now)
    report = run(request_for(plan, tmp_path, seconds=0.8), translator, stop=stop, dump=dump)
    reasons = [path.with_suffix(".events.txt").read_text().splitlines()[0] for path in report.black_boxes]
    assert sorted(reasons) == [f"# written because: {why}" for why in ("asked for", "fault", "time over")]
    assert "kept coming" in report.status.shut


def test_a_translator_that_breaks_ends_the_run_as_a_fault(
    plan: Plan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys.modules["swapbridge.bus.running.run"], "DEAD_AFTER_S", 0.2)
    translator = Translator(plan)
    dog = tmp_path / "watchdog"
    dog.touch()

    def broken(bus: int, word: int, data: bytes, now: int) -> None:
        raise ZeroDivisionError("broken")

    translator.on_frame = broken
    report = run(request_for(plan, tmp_path, watchdog=dog), translator)
    assert report.fault
    assert "broke" in report.ended_by
    assert b"V" not in dog.read_bytes()  # a hardware watchdog must not be disarmed by a fault


@pytest.mark.skipif(not hasattr(socket, "AF_UNIX"), reason="needs Unix sockets")
def test_systemd_hears_of_the_whole_life(plan: Plan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    dog = tmp_path / "watchdog"
    dog.touch()
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as systemd:
        systemd.bind(str(tmp_path / "s"))
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "s"))
        monkeypatch.setenv("WATCHDOG_USEC", "600000")
        run(request_for(plan, tmp_path, seconds=1.0, watchdog=dog), Translator(plan))
        systemd.setblocking(False)
        said = []
        with contextlib.suppress(BlockingIOError):
            while True:
                said.append(systemd.recv(200).decode())
    assert said[0] == "READY=1"
    assert said[-1] == "STOPPING=1"
    assert sum(words.startswith("WATCHDOG=1\nSTATUS=sending") for words in said) >= 2
    assert dog.read_bytes().endswith(b"V")
    assert dog.read_bytes().startswith(b"\n")


def test_virtual_check_gives_what_was_sent(plan: Plan) -> None:
    """The same frames as in simulated time, by content: every event frame carries the value just heard."""
    shares: list[float] = []
    done = virtual_check(plan, donor_capture(100), 0.8, progress=lambda share, words: shares.append(share))
    sent = done.frames
    assert all(key in {(1, GAUGE), (1, EVENT)} and count > 0 for key, count in done.lost.items())
    assert {word for _, _, word, _ in sent} == {GAUGE, EVENT}
    assert {bus for bus, _, _, _ in sent} == {1}
    times = [time_s for _, time_s, _, _ in sent]
    assert times == sorted(times)
    assert all(0 <= time_s < 5 for time_s in times)
    events = [data[:2] for _, _, word, data in sent if word == EVENT]
    assert 60 <= len(events) <= 81
    assert set(events) == {b"\x34\x12"}
    assert shares


def proved_folder(folder: Path, plan: Plan) -> Path:
    """A folder with a plan, its proof and a donor's capture."""
    write_proof(folder, plan)
    write_capture(donor_capture(60), folder / "donor.log")
    return folder / "plan.json"


def invoke(*arguments: str) -> Any:
    return CliRunner().invoke(cli, ["run", *arguments])


@pytest.mark.parametrize("engine", ["python", "c"])
def test_the_command(engine: str, plan: Plan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, channel: str) -> None:
    monkeypatch.chdir(tmp_path)
    proved_folder(tmp_path, plan)
    with listening(channel) as heard:
        words = "plan.json --against donor=donor.log --send --cautions-read --watch-first 0 --lag-limit-ms 5000"
        result = invoke(*words.split(), "--bus", f"host=virtual:{channel}", "--engine", engine)
    assert result.exit_code == 0, result.output
    assert "ended by: the capture has ended" in result.output
    assert "black box captures/black-box.log" in result.output
    assert {m.arbitration_id for m in heard} == {GAUGE, EVENT}


def test_a_captures_name_may_hold_an_equals_sign(plan: Plan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    proved_folder(tmp_path, plan)
    Path("donor.log").rename("gear=2.log")
    for against in ("gear=2.log", "donor=gear=2.log"):
        result = invoke("plan.json", "--against", against)
        assert result.exit_code == 0, result.output
        assert "ended by: the capture has ended" in result.output


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["none.json"], "none.json"),
        (["donor.log"], "plan"),
        (["plan.json"], "no bus is given"),
        (["plan.json", "--bus", "x=virtual:1"], "no bus 'x'"),
        (["plan.json", "--against", "none.log"], "none.log"),
        (["plan.json", "--against", "body=donor.log"], "no bus 'body'"),
        (["plan.json", "--against", "donor.log", "--send"], "--cautions-read"),
        (["unproved.json", "--against", "donor.log"], "--unproved"),
        (["plan.json", "--against", "donor.log", "--watchdog", "no/dog"], "watchdog"),
    ],
)
def test_bad_calls_say_one_thing(
    arguments: list[str], says: str, plan: Plan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    proved_folder(tmp_path, plan)
    Path("unproved.json").write_text(plan.to_json().replace("by hand", "changed"))
    result = invoke(*arguments)
    assert result.exit_code == 2, result.output
    assert says in result.output
    assert "Traceback" not in result.output
    assert not Path("captures").exists()


RUN = "run plan.json --against donor.log --send --cautions-read --quiet --watch-first 0 --lag-limit-ms 5000"
Start = Callable[..., "subprocess.Popen[str]"]


@pytest.mark.skipif(os.name == "nt", reason="pseudo-terminals and signals")
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_real_process_ends_with_fallbacks_and_closed_buses(
    number: signal.Signals, plan: Plan, tmp_path: Path, serial_adapter: Any, until: Until, start: Start
) -> None:
    proved_folder(tmp_path, plan)
    write_capture(donor_capture(20_000), tmp_path / "donor.log")
    process = start(*RUN.split(), "--bus", f"host=slcan:{serial_adapter.path},sleep_after_open=0")
    until(lambda: any(line.startswith("t20083412") for line in serial_adapter.sent))
    process.send_signal(signal.SIGUSR1)
    until(lambda: (tmp_path / "captures" / "black-box.log").exists())
    process.send_signal(number)
    stdout, stderr = process.communicate(timeout=60)
    assert process.returncode == 0, stderr
    assert "ended by: stopped" in stdout
    assert "black-box-2.log" in stdout
    gauges = [line for line in serial_adapter.sent if line.startswith("t2008")]
    assert gauges[-1].startswith("t2008FFFF")
    until(lambda: serial_adapter.mode == "C")


@pytest.mark.skipif(os.name == "nt", reason="pseudo-terminals and signals")
def test_a_killed_process_sends_nothing_more(
    plan: Plan, tmp_path: Path, serial_adapter: Any, until: Until, start: Start
) -> None:
    """After a kill no torque is repeated by anybody: neither adapter nor kernel was given anything to repeat."""
    proved_folder(tmp_path, plan)
    write_capture(donor_capture(20_000), tmp_path / "donor.log")
    process = start(*RUN.split(), "--bus", f"host=slcan:{serial_adapter.path},sleep_after_open=0")
    until(lambda: len(serial_adapter.sent) > 20)
    process.kill()
    process.communicate()
    time.sleep(0.2)
    sent = len(serial_adapter.sent)
    time.sleep(0.3)
    assert len(serial_adapter.sent) == sent


def board(report: RunReport, plan: Plan, width: int) -> list[str]:
    console = Console(width=width, force_terminal=False, color_system=None)
    with console.capture() as caught:
        console.print(run_screen(report.status, LiveValues(plan)))
    return caught.get().splitlines()


def test_the_board(plan: Plan, tmp_path: Path) -> None:
    report = run(request_for(plan, tmp_path, seconds=0.6), Translator(plan))
    for width in (60, 100):
        lines = board(report, plan, width)
        text = "\n".join(lines)
        assert max(map(len, lines)) <= width
        assert "SENDING" in text
        assert "100" in text
        assert "donor.Speed" in text
        assert "Speed 1165 rpm" in text or "Speed 16383.8 rpm" in text
        assert "worst lag" in text
