"""Recording from live buses: nothing lost, one clock, and every trouble counted and told."""

from __future__ import annotations

import errno
import os
import signal
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import can
import numpy as np
import pytest
from can.interfaces.virtual import channels as virtual_channels

from swapbridge.bus.adapters.opening import open_bus
from swapbridge.bus.adapters.spec import BusSpec, parse_bus
from swapbridge.bus.recording import recorder as recorder_module
from swapbridge.bus.recording.record import Press, RecordStatus, record
from swapbridge.bus.recording.recorder import Recorder
from swapbridge.bus.recording.script import View, parse_script
from swapbridge.bus.rehearsal.rehearsal import rehearse_recording
from swapbridge.capture.capture import ERROR, EXTENDED, FD, REMOTE, SENT, Capture
from swapbridge.capture.read import read_capture
from swapbridge.capture.stimulus import read_stimulus
from swapbridge.core.errors import InputError, RefusedError

Until = Callable[[Callable[[], bool]], None]


def send(channel: str, count: int, base: int = 0x100, gap_s: float = 0.0) -> None:
    bus = can.Bus(interface="virtual", channel=channel, ignore_config=True)
    for k in range(count):
        bus.send(can.Message(arbitration_id=base + k % 5, is_extended_id=False, data=k.to_bytes(8, "big")))
        if gap_s:
            time.sleep(gap_s)
    bus.shutdown()


def specs_for(channel: str) -> tuple[BusSpec, ...]:
    return parse_bus(f"donor=virtual:{channel}-d,bitrate=500000"), parse_bus(f"host=virtual:{channel}-h")


def frames_of(recorder: Recorder) -> int:
    return sum(report.frames for report in recorder.reports().values())


def test_two_buses_in_the_order_of_time(channel: str, tmp_path: Path, until: Until) -> None:
    recorder = Recorder(specs_for(channel), tmp_path / "a.log")
    began = time.time_ns()
    threads = [threading.Thread(target=send, args=(f"{channel}-{end}", 1500, 0x100, 0.0002)) for end in "dh"]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    until(lambda: frames_of(recorder) == 3000)
    report = recorder.stop()
    capture = read_capture(report.files[0])
    assert len(capture) == 3000
    assert report.lost == 0
    assert capture.notes.sentences() == []
    assert set(capture.bus_names) == {"donor", "host"}
    assert bool((np.diff(capture.time_ns) >= 0).all())
    assert abs(int(capture.time_ns[0]) - began) < 10 * 10**9
    for number in range(2):
        payload = capture.payload[capture.bus == number]
        assert payload.copy().view(">u8").ravel().tolist() == list(range(1500))


def test_a_sent_frame_that_the_adapter_gives_back_is_recorded_once(channel: str, tmp_path: Path, until: Until) -> None:
    spec = parse_bus(f"donor=virtual:{channel},bitrate=500000,receive_own_messages=true")
    recorder = Recorder((spec,), tmp_path / "a.log", active=True, sending=True)
    assert recorder.link("donor").send(can.Message(arbitration_id=0x7DF, is_extended_id=False, data=b"\2\1\0"))
    until(lambda: frames_of(recorder) == 1)
    send(channel, 1)
    until(lambda: frames_of(recorder) == 2)
    capture = read_capture(recorder.stop().files[0])
    assert sorted(capture.identifier.tolist()) == [0x100, 0x7DF]
    assert [bool(flags & SENT) for flags in capture.flags[np.argsort(capture.identifier)]] == [False, True]


def test_frames_are_on_disk_within_half_a_second_and_the_next_run_goes_on_beside(channel: str, tmp_path: Path) -> None:
    specs = specs_for(channel)[:1]
    first = Recorder(specs, tmp_path / "a.log")
    send(f"{channel}-d", 100)
    time.sleep(0.5)
    assert len(read_capture(tmp_path / "a.log")) == 100
    first.stop()
    second = Recorder(specs, tmp_path / "a.log")
    send(f"{channel}-d", 10)
    assert second.stop().files == (tmp_path / "a-2.log",)
    assert len(read_capture(tmp_path / "a-2.log")) == 10
    assert len(read_capture(tmp_path / "a.log")) == 100


def test_a_slow_disk_loses_nothing(channel: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, until: Until) -> None:
    monkeypatch.setattr(os, "fsync", lambda descriptor: time.sleep(0.4))
    recorder = Recorder(specs_for(channel)[:1], tmp_path / "a.log")
    send(f"{channel}-d", 3000, gap_s=0.0002)
    until(lambda: frames_of(recorder) == 3000)
    report = recorder.stop()
    assert report.lost == 0
    assert len(read_capture(report.files[0])) == 3000


def test_a_disk_too_slow_loses_frames_and_counts_them(
    channel: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, until: Until
) -> None:
    monkeypatch.setattr(recorder_module, "MOST_WAITING", 200)
    monkeypatch.setattr(recorder_module, "WRITE_EVERY_S", 0.3)
    recorder = Recorder(specs_for(channel)[:1], tmp_path / "a.log")
    send(f"{channel}-d", 2000)
    until(lambda: frames_of(recorder) == 2000)
    report = recorder.stop()
    assert report.lost > 0
    assert len(read_capture(report.files[0])) + report.lost == 2000


@pytest.mark.parametrize(("number", "says"), [(errno.ENOSPC, "disk is full"), (errno.EIO, "disk failed")])
def test_a_full_or_broken_disk_ends_the_recording(
    number: int, says: str, channel: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    written, real = 0, os.write

    def write(descriptor: int, data: bytes) -> int:
        nonlocal written
        if written > 20_000:
            raise OSError(number, "out of luck")
        done = real(descriptor, data)
        written += done
        return done

    monkeypatch.setattr(recorder_module, "WRITE_EVERY_S", 0.02)
    monkeypatch.setattr(os, "write", write)
    announced: list[str] = []
    thread = threading.Thread(target=send, args=(f"{channel}-d", 3000, 0x100, 0.0005))
    thread.start()
    report = record(specs_for(channel)[:1], tmp_path / "a.log", announce=announced.append, seconds=30)
    thread.join()
    assert report.ended_by == "disk full"
    assert any(says in words for words in announced)
    capture = read_capture(report.files[0])
    assert 0 < len(capture) < 3000
    assert capture.notes.sentences() == []


def test_an_adapter_that_goes_and_comes_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, breakable: Callable[[], Any], until: Until
) -> None:
    buses: list[Any] = []

    def opener(spec: BusSpec, *, active: bool) -> Any:
        buses.append(breakable())
        return buses[-1]

    monkeypatch.setattr(recorder_module, "open_bus", opener)
    recorder = Recorder((parse_bus("a=whatever:0"),), tmp_path / "a.log")
    message = can.Message(arbitration_id=1, data=b"\1", is_extended_id=False)
    buses[0].frames += [message, ValueError("not a frame"), message]
    until(lambda: frames_of(recorder) == 2)
    buses[0].broken.set()
    until(lambda: len(buses) == 2)
    buses[1].frames.append(message)
    until(lambda: frames_of(recorder) == 3)
    report = recorder.stop()
    assert len(read_capture(report.files[0])) == 3
    assert report.buses["a"].reopened == 1
    assert report.buses["a"].malformed == 1
    assert "was lost" in report.announced[0]
    assert "is back" in report.announced[1]


def test_an_adapter_that_talks_nonsense_is_told_and_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, breakable: Callable[[], Any], until: Until
) -> None:
    """It is there: to close and open it again would only lose the frames that come through."""
    buses: list[Any] = []

    def opener(spec: BusSpec, *, active: bool) -> Any:
        buses.append(breakable())
        return buses[-1]

    monkeypatch.setattr(recorder_module, "open_bus", opener)
    recorder = Recorder((parse_bus("a=whatever:0"),), tmp_path / "a.log")
    buses[0].frames += [ValueError("noise")] * 300 + [can.Message(arbitration_id=1, is_extended_id=False)]
    until(lambda: recorder.reports()["a"].frames == 1)
    report = recorder.stop()
    assert len(buses) == 1
    assert report.buses["a"].malformed == 300
    assert sum("nothing readable" in words for words in report.announced) == 1


def test_a_bus_that_cant_be_opened_leaves_no_file(channel: str, tmp_path: Path) -> None:
    with pytest.raises(RefusedError):
        Recorder((*specs_for(channel), parse_bus("x=serial:/dev/null")), tmp_path / "a.log")
    assert list(tmp_path.iterdir()) == []
    assert f"{channel}-d" not in virtual_channels


def test_what_cant_be_done_is_refused_before_anything_is_opened(channel: str, tmp_path: Path) -> None:
    with pytest.raises(RefusedError, match="sends requests"):
        record(specs_for(channel), tmp_path / "a.log", scan_tool="donor")
    with pytest.raises(RefusedError, match="not recorded"):
        record(specs_for(channel), tmp_path / "a.log", scan_tool="body", active=True)
    with pytest.raises(InputError, match="the extension"):
        record(specs_for(channel), tmp_path / "a.txt")
    assert list(tmp_path.iterdir()) == []


SCRIPT = """
[[step]]
name = "brake"
say = "Press."
seconds = 0.3
set = [{ channel = "brake", value = 1 }, { at_s = 0.15, channel = "brake", value = 0 }]
"""


def test_a_scripted_recording_with_keys_and_a_screen(channel: str, tmp_path: Path) -> None:
    shown: list[RecordStatus] = []
    asked = 0

    def keys(view: View | None) -> list[Press]:
        nonlocal asked
        asked += 1
        script = {1: [Press("next")], 3: [Press("mark"), Press("note", "loud valve train")], 20: [Press("quit")]}
        return script.get(asked, [])

    report = record(
        specs_for(channel), tmp_path / "a.log", script=parse_script(SCRIPT, "t"), keys=keys, show=shown.append
    )
    assert report.ended_by == "stopped"
    assert report.stimulus_file is not None
    track = read_stimulus(report.stimulus_file)
    assert track.channels["step"].texts == ("brake", "between")
    assert track.channels["brake"].value.tolist() == [1.0, 0.0]
    gap = float(np.diff(track.channels["brake"].time_s)[0])
    assert gap == pytest.approx(0.15, abs=1e-5)
    assert track.channels["mark"].value.tolist() == [1.0, 0.0]
    assert "loud valve train" in report.stimulus_file.read_text()
    assert shown[0].view is not None
    assert "no traffic" in shown[0].health["donor"].warning


def test_keys_without_a_script(channel: str, tmp_path: Path) -> None:
    presses = [[Press("mark")], [Press("note", "x")], [Press("next")]]
    report = record(
        specs_for(channel)[:1],
        tmp_path / "a.log",
        seconds=0.5,
        keys=lambda view: presses.pop(0) if presses else [],
    )
    assert report.ended_by == "time over"
    assert report.stimulus_file is not None
    assert set(read_stimulus(report.stimulus_file).channels) == {"mark"}


def test_a_wall_clock_that_is_set_moves_nothing(
    channel: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, until: Until
) -> None:
    """The computer's clock jumps an hour back in the middle: the virtual bus stamps by it, the recording goes on."""
    recorder = Recorder(specs_for(channel)[:1], tmp_path / "a.log")
    send(f"{channel}-d", 50, gap_s=0.001)
    until(lambda: frames_of(recorder) == 50)
    real = time.time
    monkeypatch.setattr(time, "time", lambda: real() - 3600.0)
    send(f"{channel}-d", 50, gap_s=0.001)
    until(lambda: frames_of(recorder) == 100)
    monkeypatch.undo()
    report = recorder.stop()
    capture = read_capture(report.files[0])
    assert capture.payload.copy().view(">u8").ravel().tolist() == list(range(50)) * 2
    assert bool((np.diff(capture.time_ns) >= 0).all())
    assert capture.duration_s < 60
    assert report.buses["donor"].clock_steps == 1


def test_odd_frames_are_recorded_as_what_they_are(channel: str, tmp_path: Path, until: Until) -> None:
    spec = specs_for(channel)[0]
    recorder = Recorder((spec,), tmp_path / "a.log")
    odd = [
        can.Message(arbitration_id=1, is_extended_id=False, data=b""),
        can.Message(arbitration_id=1, is_extended_id=True, is_remote_frame=True, dlc=3),
        can.Message(arbitration_id=2, is_extended_id=False, is_fd=True, data=bytes(48)),
        can.Message(is_error_frame=True),
    ]
    with can.Bus(interface="virtual", channel=spec.channel, ignore_config=True) as mouth:
        for message in odd:
            mouth.send(message)
    until(lambda: frames_of(recorder) == 3)
    report = recorder.stop()
    assert report.buses["donor"].errors == 1
    assert read_capture(report.files[0]).flags.tolist() == [0, EXTENDED | REMOTE, FD, ERROR]


def test_a_rehearsal_without_a_vehicle(tmp_path: Path) -> None:
    """A capture plays, a patient hand follows the script: the tour's recording."""
    n = 40
    payload = np.arange(n, dtype=">u8").view(np.uint8).reshape(n, 8).copy()
    small = np.zeros(n, dtype=np.uint8)
    capture = Capture(np.arange(n) * 10_000_000, np.full(n, 5, dtype=np.uint32), small, small, small + 8, payload)
    shown: list[RecordStatus] = []
    report = rehearse_recording(
        capture, tmp_path / "a.log", parse_script(SCRIPT, "t"), seconds=30, name="host", show=shown.append
    )
    assert report.ended_by == "stopped"  # the script was done, so the hand ended it
    assert report.stimulus_file is not None
    assert read_stimulus(report.stimulus_file).channels["brake"].value.tolist() == [1.0, 0.0]
    recorded = read_capture(report.files[0])
    assert recorded.bus_names == ("host",)
    heard = recorded.payload.copy().view(">u8").ravel().tolist()
    assert heard == list(range(len(heard)))
    assert heard
    assert shown


def test_own_frames_are_marked_as_sent(channel: str, tmp_path: Path, until: Until) -> None:
    spec = parse_bus(f"a=virtual:{channel}")
    ear = open_bus(parse_bus(f"b=virtual:{channel}"), active=True)
    recorder = Recorder((spec,), tmp_path / "a.log", active=True, sending=True)
    assert recorder.link("a").send(can.Message(arbitration_id=0x7DF, is_extended_id=False, data=bytes(8)))
    heard = ear.recv(5)
    assert heard is not None
    until(lambda: recorder.link("a").counts.sent == 1)
    path = recorder.stop().files[0]
    ear.shutdown()
    assert path.read_text().strip().endswith("7DF#0000000000000000 T")


@pytest.mark.skipif(os.name == "nt", reason="pseudo-terminals")
def test_a_killed_process_loses_at_most_the_last_half_second(
    serial_adapter: Any, tmp_path: Path, until: Until, start: Callable[..., Any]
) -> None:
    """A real process records from a serial adapter and is killed outright in the middle of it."""
    out = tmp_path / "a.log"
    words = ["record", "a.log", "--bus", f"donor=slcan:{serial_adapter.path},sleep_after_open=0,bitrate=500000"]
    process = start(*words)
    until(lambda: serial_adapter.mode == "L")
    sent: list[float] = []
    until(lambda: out.exists())
    for k in range(400):
        serial_adapter.frame(0x123, k.to_bytes(8, "big"))
        sent.append(time.time())
        time.sleep(0.004)
    killed = time.time()
    process.send_signal(signal.SIGKILL)
    process.communicate()
    capture = read_capture(out)
    kept = capture.payload.copy().view(">u8").ravel().tolist()
    assert kept == list(range(len(kept)))
    assert len(kept) == 400 or killed - sent[len(kept)] < 0.5
    assert serial_adapter.sent == []
    again = start(*words)
    until(lambda: (tmp_path / "a-2.log").exists())
    serial_adapter.frame(0x124, b"\1")
    until(lambda: (tmp_path / "a-2.log").stat().st_size > 0)
    again.send_signal(signal.SIGTERM)
    stdout, _ = again.communicate(timeout=60)
    assert again.returncode == 0
    assert "a-2.log" in stdout
    assert len(read_capture(out)) == len(kept)


def test_a_stall_is_marked_where_its_frames_are_and_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, breakable: Callable[[], Any], until: Until
) -> None:
    """A program that could not run stamps what waited for it late, and nobody could tell from the file."""
    bus = breakable()
    monkeypatch.setattr(recorder_module, "open_bus", lambda spec, *, active: bus)
    recorder = Recorder((parse_bus("a=whatever:0"),), tmp_path / "a.log")
    recorder._stalls.append((time.monotonic_ns(), 320_000_000))
    recorder._stood.append(320_000_000)
    bus.frames += [can.Message(arbitration_id=1, is_extended_id=False)] * 3
    until(lambda: recorder.reports()["a"].frames == 3)
    report = recorder.stop()
    assert "stalled" in report.announced[-1]
    capture = read_capture(report.files[0])
    assert len(capture) == 3
    assert any("stalled for 320 ms" in words for words in capture.notes.sentences())


def test_a_heart_that_was_held_up_notices(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, until: Until) -> None:
    monkeypatch.setattr(recorder_module, "STALL_NS", 1)
    recorder = Recorder((parse_bus("a=virtual:heart"),), tmp_path / "a.log")
    until(lambda: bool(recorder._stood))
    recorder.stop()


def test_a_full_disk_counts_what_it_really_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, breakable: Callable[[], Any], until: Until
) -> None:
    """The batch that did not fit was forgotten: it was neither in the file nor among the lost."""
    bus = breakable()
    monkeypatch.setattr(recorder_module, "open_bus", lambda spec, *, active: bus)
    recorder = Recorder((parse_bus("a=whatever:0"),), tmp_path / "a.log")
    real, room = os.write, [400]

    def write(descriptor: int, data: bytes) -> int:
        if room[0] <= 0:
            raise OSError(errno.ENOSPC, "No space left on device")
        done = real(descriptor, data[: room[0]])
        room[0] -= done
        return done

    monkeypatch.setattr("swapbridge.bus.recording.segments.os.write", write)
    bus.frames += [can.Message(arbitration_id=0x123, is_extended_id=False, data=bytes(8))] * 200
    until(lambda: recorder.disk_full and recorder.reports()["a"].frames == 200)
    report = recorder.stop()
    assert report.ended_by == "disk full"
    kept = len(read_capture(report.files[0]))
    assert 0 < kept < 200
    assert kept + report.lost == 200
