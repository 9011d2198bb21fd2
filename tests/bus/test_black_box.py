"""The black box: the last minutes, readable as a capture, memory bounded, written while frames keep coming."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from swapbridge.bus.running.black_box import MOST_FRAMES_PER_S, BlackBox
from swapbridge.capture.capture import EXTENDED, FD, SENT
from swapbridge.capture.read import read_capture
from swapbridge.core.errors import InputError


def test_frames_and_events_are_written(tmp_path: Path) -> None:
    box = BlackBox(("donor", "host"), 1.0, long_frames=False)
    box.frame(1_000_000_000, 0, 0x123, 0, b"\1\2")
    box.frame(1_500_000_000, 1, 0x18DAF110, EXTENDED | SENT, bytes(8))
    box.frame(1_400_000_000, 0, 0x124, 0, b"")  # came late: its time is lifted
    box.event(1_600_000_000, "sending stopped: test")
    path = box.write(tmp_path, "fault")
    capture = read_capture(path)
    assert capture.time_ns.tolist() == [1_000_000_000, 1_500_000_000, 1_500_000_000]
    assert capture.identifier.tolist() == [0x123, 0x18DAF110, 0x124]
    assert capture.flags.tolist() == [0, EXTENDED | SENT, 0]
    assert [capture.bus_names[number] for number in capture.bus] == ["donor", "host", "donor"]
    assert capture.length.tolist() == [2, 8, 0]
    events = path.with_suffix(".events.txt").read_text()
    assert events == "# written because: fault\n1.600000 sending stopped: test\n"
    assert box.write(tmp_path, "again").name == "black-box-2.log"


def test_long_frames_fit_when_asked_for(tmp_path: Path) -> None:
    box = BlackBox(("a",), 0.1, long_frames=True)
    box.frame(0, 0, 1, FD, bytes(range(64)))
    assert read_capture(box.write(tmp_path, "x")).payload[0].tolist() == list(range(64))


@pytest.mark.parametrize("over", [0, 1, 777, 100_000])
def test_the_ring_keeps_the_newest(over: int, tmp_path: Path) -> None:
    box = BlackBox(("a",), 0.125 / 60, long_frames=False)
    room = round(0.125 * MOST_FRAMES_PER_S)
    for k in range(room + over):
        box.frame(k * 1000, 0, 0x100, 0, k.to_bytes(8, "little"))
    capture = read_capture(box.write(tmp_path, "x"))
    kept = capture.payload.copy().view("<u8").ravel().tolist()
    newest = room + over
    assert kept == list(range(newest - len(kept), newest))
    assert len(kept) >= room * 0.97


def test_written_while_frames_come(tmp_path: Path) -> None:
    box, stop = BlackBox(("a",), 0.25 / 60, long_frames=False), threading.Event()

    def frames() -> None:
        k = 0
        while not stop.is_set():
            box.frame(k * 1000, 0, 0x100, 0, k.to_bytes(8, "little"))
            k += 1

    thread = threading.Thread(target=frames)
    thread.start()
    for _ in range(5):
        capture = read_capture(box.write(tmp_path, "x"))
        assert set(capture.identifier.tolist()) <= {0x100}
    stop.set()
    thread.join()


def test_an_unwritable_folder_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(InputError):
        BlackBox(("a",), 0.01, long_frames=False).write(tmp_path / "file", "x")


@pytest.mark.parametrize(("frames", "oldest"), [(2_000, 0), (2_001, 41), (3_000, 1_040)])
def test_it_reaches_back_as_far_as_it_says(frames: int, oldest: int) -> None:
    """A quarter of a second at 8,000 frames a second; of a full ring the oldest fiftieth is left out."""
    box = BlackBox(("host",), 0.25 / 60, long_frames=False)
    for number in range(frames):
        box.frame(number, 0, number, 0, b"")
    assert [int(i) for block in box.blocks() for i in block.identifier] == list(range(oldest, frames))
