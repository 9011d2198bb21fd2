"""Recordings on disk: never written over, whole up to the last line, and intact when the disk is full."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from pathlib import Path

import can
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swapbridge.bus.recording.script import ScriptMark
from swapbridge.bus.recording.segments import (
    AppendFile,
    DiskFullError,
    Segments,
    answer_lines,
    frame_line,
    free_name,
    stimulus_lines,
)
from swapbridge.capture.capture import BIT_RATE_SWITCH, ERROR, EXTENDED, FD, REMOTE, SENT
from swapbridge.capture.read import read_capture
from swapbridge.capture.stimulus import read_stimulus
from swapbridge.core.errors import InputError


def test_lines_are_written_as_they_are_where_the_system_would_change_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Windows makes two characters of a line end unless told that a file is binary; then counted bytes go wrong."""
    asked: list[int] = []
    real = os.open

    def opened(path: Path, flags: int, mode: int = 0o777) -> int:
        asked.append(flags)
        return real(path, flags & ~0x8000, mode)

    monkeypatch.setattr(os, "O_BINARY", 0x8000, raising=False)
    monkeypatch.setattr(os, "open", opened)
    AppendFile(tmp_path / "a.log").close()
    assert asked[0] & 0x8000


@st.composite
def messages(draw: st.DrawFn) -> can.Message:
    extended = draw(st.booleans())
    kind = draw(st.sampled_from(["data", "remote", "fd"]))
    length = draw(st.sampled_from([0, 1, 7, 8, 12, 48, 64] if kind == "fd" else [0, 1, 5, 8]))
    return can.Message(
        arbitration_id=draw(st.integers(0, 0x1FFF_FFFF if extended else 0x7FF)),
        is_extended_id=extended,
        is_remote_frame=kind == "remote",
        is_fd=kind == "fd",
        bitrate_switch=kind == "fd" and draw(st.booleans()),
        dlc=length,
        data=None if kind == "remote" else draw(st.binary(min_size=length, max_size=length)),
    )


@given(st.lists(st.tuples(messages(), st.booleans(), st.integers(0, 2 * 10**15)), min_size=1, max_size=20))
def test_lines_are_read_back_by_us_and_by_python_can(
    tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[can.Message, bool, int]]
) -> None:
    """Outside check: python-can's own reader of this text form finds the same frames."""
    path = tmp_path_factory.mktemp("lines") / "a.log"
    path.write_text("".join(frame_line(us * 1000, "donor", message, sent) for message, sent, us in rows))
    ours, theirs = read_capture(path), list(can.CanutilsLogReader(path))
    assert len(ours) == len(theirs) == len(rows)
    for k, (message, sent, us) in enumerate(rows):
        assert int(ours.time_ns[k]) == us * 1000
        assert int(ours.identifier[k]) == message.arbitration_id == theirs[k].arbitration_id
        flags = (
            EXTENDED * message.is_extended_id | FD * message.is_fd | REMOTE * message.is_remote_frame
            | SENT * sent | BIT_RATE_SWITCH * message.bitrate_switch
        )  # fmt: skip
        assert int(ours.flags[k]) == flags
        assert int(ours.length[k]) == message.dlc or message.is_fd
        data = b"" if message.is_remote_frame else ours.payload[k, : ours.length[k]].tobytes()
        assert data == bytes(message.data) == bytes(theirs[k].data)
        assert theirs[k].is_rx is not sent
        assert theirs[k].is_remote_frame == message.is_remote_frame


def test_error_frames_are_error_frames(tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    path.write_text(frame_line(10**9, "a", can.Message(is_error_frame=True, arbitration_id=0x40, data=bytes(8)), False))
    assert int(read_capture(path).flags[0]) & ERROR
    assert [message.is_error_frame for message in can.CanutilsLogReader(path)] == [True]


def test_names_are_never_used_again(tmp_path: Path) -> None:
    out = tmp_path / "drive.log"
    assert free_name(out) == out
    out.touch()
    (tmp_path / "drive-2.stimulus.csv").touch()
    assert free_name(out) == tmp_path / "drive-3.log"
    with pytest.raises(InputError, match="can't be written"):
        AppendFile(out)


def test_a_segment_follows_when_one_is_full(tmp_path: Path) -> None:
    segments = Segments(tmp_path / "new" / "a.log", 100)
    line = frame_line(10**9, "a", can.Message(arbitration_id=1, data=bytes(8)), False)
    for _ in range(6):
        segments.write([line])
    segments.write([])
    segments.write_marks([])
    assert segments.stimulus_path is None
    segments.write_marks([ScriptMark(10**9, "brake", 1.0)])
    segments.close()
    assert [path.name for path in segments.paths] == ["a.log", "a-2.log"]
    assert sum(len(read_capture(path)) for path in segments.paths) == 6
    assert segments.stimulus_path == tmp_path / "new" / "a.stimulus.csv"


def test_the_place_must_be_writable(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"the extension \.log"):
        Segments(tmp_path / "a.asc", 100)
    (tmp_path / "file").touch()
    with pytest.raises(InputError, match="can't be created"):
        Segments(tmp_path / "file" / "a.log", 100)


def test_stimulus_rows_are_read_back(tmp_path: Path) -> None:
    marks = [
        ScriptMark(1_500_000_000, "engine_speed", 812.25, "rpm", 1_400_000_000),
        ScriptMark(2_000_000_000, "lever", "P"),
        ScriptMark(2_500_000_000, "note", 'odd, "noise"'),
        ScriptMark(3_000_000_000, "lever", "R"),
    ]
    path = tmp_path / "a.stimulus.csv"
    path.write_text("time_s,channel,value,unit\n" + stimulus_lines(marks))
    track = read_stimulus(path)
    assert set(track.channels) == {"engine_speed", "lever"}
    assert track.channels["engine_speed"].value.tolist() == [812.25]
    assert track.channels["engine_speed"].unit == "rpm"
    assert track.channels["lever"].texts == ("P", "R")
    assert '# 2.500000 odd, "noise"\n' in path.read_text()
    assert answer_lines(marks[:1]) == "1.400000,1.500000,engine_speed,812.25,rpm\n"


@given(room=st.integers(0, 200))
def test_a_full_disk_leaves_whole_lines(room: int, tmp_path_factory: pytest.TempPathFactory) -> None:
    """The disk takes `room` more bytes, then no more: what stays is the longest run of whole lines that fits."""
    file = AppendFile(tmp_path_factory.mktemp("full") / "a.log")
    file.append("first line\n")
    left, real = room, os.write

    def write(descriptor: int, data: bytes) -> int:
        nonlocal left
        if left == 0:
            raise OSError(errno.ENOSPC, "No space left on device")
        done = real(descriptor, data[:left])
        left -= done
        return done

    lines = [f"line {k}\n" for k in range(30)]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "write", write)
        try:
            file.append("".join(lines))
        except DiskFullError:
            assert room < len("".join(lines))
    file.close()
    kept = file.path.read_text()
    expected = "first line\n"
    for line in lines:
        if len(expected) + len(line) > len("first line\n") + room:
            break
        expected += line
    assert kept == expected
    assert file.size == len(kept)


def test_a_real_limit_of_the_system(tmp_path: Path) -> None:
    """The system's own limit on a file's size stands in for a full disk: it ends a write in its middle, too."""
    script = (
        "import resource, sys\n"
        "from pathlib import Path\n"
        "from swapbridge.bus.recording.segments import AppendFile, DiskFullError\n"
        "file = AppendFile(Path(sys.argv[1]))\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))\n"
        "try:\n"
        "    for k in range(100):\n"
        "        file.append(f'this is line {k}\\n' * 7)\n"
        "except DiskFullError:\n"
        "    file.close()\n"
        "    print('full')\n"
    )
    path = tmp_path / "a.log"
    done = subprocess.run([sys.executable, "-c", script, path], capture_output=True, text=True, check=True)
    assert done.stdout == "full\n"
    text = path.read_text()
    assert 900 < len(text) <= 1000
    assert text.endswith("\n")
    assert all(line.startswith("this is line ") for line in text.splitlines())


def test_other_troubles_are_not_taken_for_a_full_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = AppendFile(tmp_path / "a.log")

    def broken(descriptor: int) -> None:
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(os, "fsync", broken)
    with pytest.raises(OSError, match="Input/output"):
        file.append("x\n")
    file.close()
