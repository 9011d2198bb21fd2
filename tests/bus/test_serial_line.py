"""A serial-line adapter: junk costs a line and no more, one program at a time, and what it refuses was never sent."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import can
import pytest
from can.interfaces.slcan import slcanBus
from click.testing import CliRunner

from swapbridge.bus.adapters.clock import AdapterClock
from swapbridge.bus.adapters.link import Link
from swapbridge.bus.adapters.lock import locked
from swapbridge.bus.adapters.opening import close_bus, open_bus
from swapbridge.bus.adapters.spec import BusSpec, check_distinct, parse_bus
from swapbridge.bus.recording.record import record
from swapbridge.cli.main import cli
from swapbridge.core.errors import InputError, RefusedError

Until = Callable[[Callable[[], bool]], None]
MESSAGE = can.Message(arbitration_id=0x123, data=b"\x01\x02", is_extended_id=False)


def spec_of(path: str, name: str = "a") -> BusSpec:
    return parse_bus(f"{name}=slcan:{path},bitrate=500000,sleep_after_open=0")


@pytest.fixture
def link(serial_adapter: Any) -> Any:
    """An open link to the adapter, what it heard, and what it told."""
    heard: list[can.Message] = []
    announced: list[str] = []
    made = Link(
        "a",
        lambda: open_bus(spec_of(serial_adapter.path), active=True),
        lambda message, _: heard.append(message),
        announced.append,
        sending=True,
    )
    made.start()
    yield made, heard, announced
    made.stop()


def test_binary_junk_costs_its_line_and_never_the_adapter(serial_adapter: Any, link: Any, until: Until) -> None:
    """One byte above 7F stopped python-can's reader for good; then the adapter was taken for lost and opened again."""
    made, heard, announced = link
    for n in range(40):
        serial_adapter.raw(bytes(range(128, 256)) + b"\r")
        serial_adapter.raw(b"t12g\xff\r" + b"t1238AA\r" * 0)
        serial_adapter.frame(0x123, bytes([n]))
    serial_adapter.raw(b"\xfe" * 5000)
    serial_adapter.raw(b"\r")
    serial_adapter.frame(0x124, b"\x77")
    until(lambda: len(heard) == 41)
    assert [message.data[0] for message in heard] == [*range(40), 0x77]
    assert made.counts.malformed >= 81
    assert made.counts.reopened == 0
    assert serial_adapter.commands.count("O") <= 2
    assert not any("lost" in words for words in announced)


def test_its_frames_have_the_time_of_their_arrival(serial_adapter: Any, link: Any, until: Until) -> None:
    """The adapter gives no stamps, and the wall clock stands still for 15.6 ms on Windows and may be set meanwhile."""
    _, heard, _ = link
    serial_adapter.frame(0x123, b"\1")
    until(lambda: len(heard) == 1)
    assert heard[0].timestamp == 0.0
    assert AdapterClock().stamp(round(heard[0].timestamp * 1e9), 12_345_678) == 12_345_678


@pytest.mark.parametrize("answers", ["bell", "all"])
def test_what_a_closed_adapter_refuses_is_not_sent_and_it_is_opened_afresh(
    serial_adapter: Any, link: Any, until: Until, answers: str
) -> None:
    """Somebody else's program closed it under us: thousands of frames were counted as sent."""
    made, _, announced = link
    serial_adapter.answers = answers
    for _ in range(5):
        assert made.send(MESSAGE)
    until(lambda: len(serial_adapter.sent) == 5)
    serial_adapter.mode = "C"
    before = len(serial_adapter.commands)
    end = time.monotonic() + 30
    while serial_adapter.mode == "C" and time.monotonic() < end:
        made.send(MESSAGE)
        time.sleep(0.005)
    until(lambda: made.counts.refused >= len(serial_adapter.refused))
    assert serial_adapter.mode == "O", "opened again"
    assert "O" in serial_adapter.commands[before:]
    assert any("accepts no frames" in words for words in announced)
    until(lambda: made.drain(0.1) and made.counts.sent <= len(serial_adapter.sent))
    assert made.counts.refused >= 20


def test_an_adapter_that_answered_and_falls_silent_did_not_take_what_it_left_unanswered(
    serial_adapter: Any, link: Any, until: Until
) -> None:
    made, _, _ = link
    serial_adapter.answers = "all"
    made.send(MESSAGE)
    until(lambda: len(serial_adapter.sent) == 1)
    time.sleep(1.5)  # its answer has come, on a busy machine too
    serial_adapter.mode, serial_adapter.answers = "C", ""
    for _ in range(7):
        made.send(MESSAGE)
    until(lambda: made.counts.refused == 7)
    assert made.counts.sent == 1


def test_an_answer_counts_that_comes_before_its_sender_has_another_turn(
    serial_adapter: Any, link: Any, until: Until, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On a busy machine it came before the frame was counted, and the adapter passed for one that never answers."""
    made, _, _ = link
    serial_adapter.answers = "all"
    written = slcanBus.send

    def interrupted(bus: slcanBus, message: can.Message, timeout: float | None = None) -> None:
        written(bus, message, timeout)
        time.sleep(0.3)

    monkeypatch.setattr(slcanBus, "send", interrupted)
    made.send(MESSAGE)
    until(lambda: len(serial_adapter.sent) == 1)
    time.sleep(1.0)
    serial_adapter.mode, serial_adapter.answers = "C", ""
    made.send(MESSAGE)
    until(lambda: made.counts.refused == 1)
    assert made.counts.sent == 1


def test_one_that_never_answers_is_believed(serial_adapter: Any, link: Any, until: Until) -> None:
    made, _, _ = link
    for _ in range(9):
        made.send(MESSAGE)
    until(lambda: len(serial_adapter.sent) == 9)
    time.sleep(0.7)
    assert (made.counts.sent, made.counts.refused) == (9, 0)


def test_a_port_is_one_port_by_every_name(serial_adapter: Any, tmp_path: Path) -> None:
    by_link = tmp_path / "by-id" / "adapter"
    by_link.parent.mkdir()
    by_link.symlink_to(serial_adapter.path)
    names = [serial_adapter.path, str(by_link), f"{by_link}@115200"]
    for name in names:
        for other in names:
            refused = pytest.raises(RefusedError, match="already in use by a running")
            with locked([spec_of(name)], tmp_path), refused, locked([spec_of(other, "b")], tmp_path):
                pass
    with pytest.raises(InputError, match="same channel"):
        check_distinct([spec_of(names[0]), spec_of(names[1], "b")])
    assert parse_bus("a=slcan:/dev/null").wires != spec_of(names[0]).wires


def test_the_device_itself_is_held_too(serial_adapter: Any) -> None:
    """Where a service has another folder for temporary files, lock files do not meet; nothing reaches the adapter."""
    bus = open_bus(spec_of(serial_adapter.path), active=True)
    try:
        time.sleep(0.2)
        commands = list(serial_adapter.commands)
        code = (
            "import sys; from swapbridge.bus.adapters.opening import open_bus; "
            "from swapbridge.bus.adapters.spec import parse_bus; "
            f"open_bus(parse_bus('x=slcan:{serial_adapter.path},bitrate=500000,sleep_after_open=0'), active=False)"
        )
        other = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
        assert "already in use by another program" in other.stderr
        with pytest.raises(RefusedError, match="another program"):
            open_bus(spec_of(serial_adapter.path), active=True)
        time.sleep(0.1)
        assert serial_adapter.commands == commands, "not even a close came through"
    finally:
        close_bus(bus)
    close_bus(open_bus(spec_of(serial_adapter.path), active=True))


def test_a_recorder_and_a_replay_are_kept_off_a_held_port(serial_adapter: Any, tmp_path: Path) -> None:
    """A recorder opened on the port that a translator sent on closed the adapter under it."""
    spec = spec_of(serial_adapter.path)
    (tmp_path / "a.log").write_text("(1.000000) a 100#00\n")
    with locked([spec]):
        with pytest.raises(RefusedError, match="running translator"):
            record([spec], tmp_path / "b.log", seconds=0.1)
        call = ["replay", str(tmp_path / "a.log"), "--bus", str(spec), "--id", "100", "--cautions-read"]
        result = CliRunner().invoke(cli, call)
        assert result.exit_code == 2
        assert "already in use" in result.output
        call = ["record", str(tmp_path / "c.log"), "--bus", str(spec), "--find-bitrate"]
        assert CliRunner().invoke(cli, call).exit_code == 2
    assert serial_adapter.commands == []
    stop = threading.Event()
    done = threading.Thread(target=record, args=([spec], tmp_path / "b.log"), kwargs={"stop": stop})
    done.start()
    try:
        end = time.monotonic() + 20
        while not serial_adapter.commands and time.monotonic() < end:
            time.sleep(0.01)
        with pytest.raises(RefusedError, match="recorder"), locked([spec]):
            pass
    finally:
        stop.set()
        done.join()


def test_another_users_lock_file_is_no_stumbling_block(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file in a common folder belongs to whoever came first; it can be locked though not written."""
    spec = parse_bus("a=socketcan:can0")
    with locked([spec], tmp_path):
        pass
    (file,) = tmp_path.glob("*.lock")
    file.write_text("old words")
    real = os.open

    def refusing(path: Any, flags: int, *more: Any) -> int:
        if path == file and flags & os.O_RDWR:
            raise PermissionError(13, "Permission denied")
        return real(path, flags, *more)

    monkeypatch.setattr(os, "open", refusing)
    with locked([spec], tmp_path), pytest.raises(RefusedError), locked([spec], tmp_path):
        pass
    assert file.read_text() == "old words"
