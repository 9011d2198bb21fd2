"""Capture room: what is written is read back as it was, in every form."""

from __future__ import annotations

import gzip
import json
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import can
import numpy as np
import polars as pl
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from swapbridge.capture.capture import BIT_RATE_SWITCH, ERROR, EXTENDED, FD, REMOTE, SENT, Capture, ReadNotes
from swapbridge.capture.convert import convert
from swapbridge.capture.parquet import write_parquet
from swapbridge.capture.read import read_blocks, read_capture
from swapbridge.capture.write import write_capture
from swapbridge.capture.write_others import write_other
from swapbridge.cli.main import cli
from swapbridge.core.errors import InputError

Row = tuple[int, int, int, int, bytes, int]
Make = Callable[..., Capture]
FramesOf = Callable[[Capture], list[tuple[int, int, int, str, bytes, int]]]
BUSES = ("can0", "powertrain", "1")


@st.composite
def rows(draw: st.DrawFn, negative: bool = True) -> Row:
    extended = draw(st.sampled_from([0, EXTENDED]))
    identifier = draw(st.integers(0, 0x1FFFFFFF if extended else 0x7FF))
    kind = draw(st.sampled_from([0, 0, 0, REMOTE, ERROR, FD, FD | BIT_RATE_SWITCH]))
    flags = kind | draw(st.sampled_from([0, SENT]))
    time = draw(st.integers(-(2**62) if negative else 0, 2**62) | st.integers(0, 2**41).map(lambda us: us * 1000))
    bus = draw(st.integers(0, 2))
    if kind == ERROR:
        return time, 0, flags, bus, b"", 0
    length = draw(st.integers(0, 8))
    if kind == REMOTE:
        return time, identifier, flags | extended, bus, b"", length
    payload = draw(st.binary(max_size=64 if kind & FD else 8))
    return time, identifier, flags | extended, bus, payload, len(payload)


@settings(deadline=None)
@given(st.lists(rows(), min_size=1, max_size=20), st.sampled_from(["w.log", "w.log.gz"]))
def test_text_round_trip(
    tmp_path_factory: pytest.TempPathFactory, make_capture: Make, frames_of: FramesOf, frames: list[Row], name: str
) -> None:
    path = tmp_path_factory.getbasetemp() / name
    capture = make_capture(frames, BUSES)
    write_capture(capture, path)
    assert frames_of(read_capture(path)) == frames_of(capture)


@settings(deadline=None)
@given(st.lists(rows(negative=False).filter(lambda row: not row[2] & FD), min_size=1, max_size=12))
def test_python_can_reads_the_text_alike(
    tmp_path_factory: pytest.TempPathFactory, make_capture: Make, frames: list[Row]
) -> None:
    path = tmp_path_factory.getbasetemp() / "can.log"
    write_capture(make_capture(frames, BUSES), path)
    messages = list(can.CanutilsLogReader(str(path)))
    assert len(messages) == len(frames)
    for message, (time, identifier, flags, bus, payload, length) in zip(messages, frames, strict=True):
        assert message.is_error_frame == bool(flags & ERROR)
        assert message.timestamp == pytest.approx(time / 1e9, rel=1e-15, abs=1e-9)
        if flags & ERROR:
            continue
        assert (message.arbitration_id, message.is_extended_id) == (identifier, bool(flags & EXTENDED))
        assert (message.dlc, bytes(message.data)) == (length, b"" if flags & REMOTE else payload)
        assert str(message.channel) == BUSES[bus]
        assert message.is_rx == (not flags & SENT)


def test_the_same_frames_give_the_same_bytes(tmp_path: Path, make_capture: Make) -> None:
    capture = make_capture([(1_500_000_000, 0x123, 0, 0, b"\x01\xab", 2), (2_000_000_500, 0x1, EXTENDED, 0, b"", 0)])
    write_capture(capture, tmp_path / "a.log")
    assert (tmp_path / "a.log").read_bytes() == b"(1.500000000) can0 123#01AB\n(2.000000500) can0 00000001#\n"
    write_capture(capture, tmp_path / "a.log.gz")
    write_capture(capture, tmp_path / "b.log.gz")
    assert (tmp_path / "a.log.gz").read_bytes() == (tmp_path / "b.log.gz").read_bytes()
    assert gzip.decompress((tmp_path / "a.log.gz").read_bytes()) == (tmp_path / "a.log").read_bytes()


@settings(deadline=None, max_examples=25)
@given(st.lists(rows(), min_size=1, max_size=20), st.integers(1, 7))
def test_parquet_round_trip_in_blocks(
    tmp_path_factory: pytest.TempPathFactory, make_capture: Make, frames_of: FramesOf, frames: list[Row], size: int
) -> None:
    """Whatever the blocks, and where a wide frame comes late."""
    path = tmp_path_factory.getbasetemp() / "w.parquet"
    capture = replace(make_capture(frames, BUSES), notes=ReadNotes(3, True, 1, 0, ("junk",), "cut short"))
    write_parquet(
        lambda: (
            replace(
                make_capture(frames[at : at + size], BUSES),
                notes=capture.notes if at == 0 else ReadNotes(),
                source="drive.log",
            )
            for at in range(0, len(frames), size)
        ),
        path,
    )
    back = read_capture(path)
    assert frames_of(back) == frames_of(capture)
    assert back.notes == capture.notes
    assert back.bus_names == BUSES


def test_parquet_says_what_it_holds(tmp_path: Path, make_capture: Make) -> None:
    """The documented schema, as another tool sees it."""
    path = tmp_path / "w.parquet"
    write_parquet(lambda: [make_capture([(5, 0x123, 0, 0, b"\x01\x02", 2)])], path)
    frame = pl.read_parquet(path)
    assert dict(frame.schema) == {
        "time_ns": pl.Int64,
        "identifier": pl.UInt32,
        "flags": pl.UInt8,
        "bus": pl.UInt8,
        "length": pl.UInt8,
        "payload_0": pl.UInt64,
    }
    assert frame.row(0) == (5, 0x123, 0, 0, 2, 0x0201)
    facts = json.loads(pl.read_parquet_metadata(path)["swapbridge"])
    assert facts["version"] == 1
    assert facts["bus_names"] == ["can0"]


def test_parquet_of_other_things_is_refused(tmp_path: Path) -> None:
    pl.DataFrame({"a": [1]}).write_parquet(tmp_path / "other.parquet")
    with pytest.raises(InputError, match="a Parquet file but not a capture"):
        read_capture(tmp_path / "other.parquet")
    whole = (tmp_path / "other.parquet").read_bytes()
    (tmp_path / "cut.parquet").write_bytes(whole[: len(whole) // 2])
    with pytest.raises(InputError, match="damaged Parquet"):
        read_capture(tmp_path / "cut.parquet")
    (tmp_path / "none.parquet").write_bytes(b"hello")
    with pytest.raises(InputError, match=r"not a \.parquet file"):
        read_capture(tmp_path / "none.parquet")


def edited(path: Path, change: Callable[[pl.DataFrame], pl.DataFrame], facts: str | None = None) -> Path:
    """The same capture as somebody leaves it who edits it with other tools."""
    frame, metadata = pl.read_parquet(path), pl.read_parquet_metadata(path)["swapbridge"]
    target = path.with_name("edited.parquet")
    change(frame).write_parquet(target, metadata={"swapbridge": metadata if facts is None else facts})
    return target


@pytest.mark.parametrize(
    ("column", "value", "words"),
    [
        ("identifier", 0x800, "800 [1]"),
        ("identifier", 0x2000_0000, "20000000 [1]"),
        ("length", 9, "100 [9]"),
        ("length", 200, "100 [200]"),
        ("bus", 1, "1 100 [1]"),
        ("flags", 64, "100 [1]"),
        ("time_ns", None, "100 [1]"),
        ("payload_0", None, "100 [1]"),
        ("identifier", -3, "-3 [1]"),
        ("identifier", 2.5, "2.5 [1]"),
    ],
)
def test_rows_of_an_edited_parquet_that_are_no_frames_are_counted(
    tmp_path: Path, make_capture: Make, column: str, value: float | None, words: str
) -> None:
    path = tmp_path / "p.parquet"
    notes = ReadNotes(unreadable_lines=2, examples=("junk",))
    capture = replace(make_capture([(5 + i, 0x100, 0, 0, b"\x01", 1) for i in range(5)]), notes=notes)
    write_parquet(lambda: [capture], path)

    def change(frame: pl.DataFrame) -> pl.DataFrame:
        values: list[float | None] = frame[column].to_list()
        values[2] = value
        return frame.with_columns(pl.Series(column, values, strict=False))

    bad = edited(path, change)
    back = read_capture(bad)
    assert len(back) == 4
    assert back.notes.unreadable_lines == 3, "two when it was first read, one now"
    assert words in back.notes.examples[-1]
    assert [len(block) for block in read_blocks(bad, 3)] == [3, 1]
    assert sum(block.notes.unreadable_lines for block in read_blocks(bad, 3)) == 3


@pytest.mark.parametrize("rows", [2, 4, 8, 100])
def test_notes_of_a_converted_capture_are_told_once(tmp_path: Path, make_capture: Make, rows: int) -> None:
    path = tmp_path / "p.parquet"
    capture = make_capture([(time, 0x100, 0, 0, b"\x01", 1) for time in (1, 2, 1, 3, 4, 3, 5, 6)])
    write_capture(capture, tmp_path / "in.log")
    with open(tmp_path / "in.log", "ab") as file:
        file.write(b"junk\n")
    convert(tmp_path / "in.log", path)
    told = [block.notes for block in read_blocks(path, rows)]
    assert sum(notes.clock_steps_back for notes in told) == read_capture(path).notes.clock_steps_back == 2
    assert sum(notes.unreadable_lines for notes in told) == read_capture(path).notes.unreadable_lines == 1


def test_other_widths_of_number_do_no_harm(tmp_path: Path, make_capture: Make, frames_of: FramesOf) -> None:
    path = tmp_path / "p.parquet"
    capture = make_capture([(5 + i, 0x7FF, 0, 0, b"\xff" * 8, 8) for i in range(3)])
    write_parquet(lambda: [capture], path)
    wide = edited(path, lambda frame: frame.with_columns(pl.col("identifier", "flags", "bus", "length").cast(pl.Int64)))
    assert frames_of(read_capture(wide)) == frames_of(capture)


@pytest.mark.parametrize("facts", ["", "[]", "{}", '{"bus_names": 5}', '{"bus_names": [], "notes": {"x": 1}}', "{"])
def test_an_edited_parquet_that_does_not_say_its_buses(tmp_path: Path, make_capture: Make, facts: str) -> None:
    path = tmp_path / "p.parquet"
    write_parquet(lambda: [make_capture([(5, 0x100, 0, 0, b"\x01", 1)])], path)
    with pytest.raises(InputError, match=r"edited\.parquet is a Parquet file but not a capture .*swapbridge convert"):
        read_capture(edited(path, lambda frame: frame, facts))
    words = edited(path, lambda frame: frame.with_columns(identifier=pl.lit("hello")))
    with pytest.raises(InputError, match=r"not a capture .*identifier.*swapbridge convert"):
        read_capture(words)


@pytest.mark.parametrize("form", ["asc", "blf", "csv"])
def test_convert_through_python_can(tmp_path: Path, make_capture: Make, frames_of: FramesOf, form: str) -> None:
    frames = [
        (1_700_000_000_000_000_000 + i * 1_000_000, 0x100 + i, 0, 0, bytes([i] * (i % 9)), i % 9) for i in range(40)
    ]
    frames[7] = (frames[7][0], 0x1ABCDE, EXTENDED | (SENT if form != "csv" else 0), 0, b"\x01\x02", 2)
    frames[9] = (frames[9][0], 0x123, REMOTE, 0, b"", 4)
    source, target = tmp_path / "in.log", tmp_path / f"out.{form}"
    write_capture(make_capture(frames), source)
    done = convert(source, target)
    assert (done.frames, done.moved) == (40, 0)
    assert done.notes.sentences() == []
    back, whole = read_capture(target), read_capture(source)
    first = int(back.time_ns[0]) - int(whole.time_ns[0])
    assert np.abs(back.time_ns - whole.time_ns - first).max() <= 10_000  # .asc and .blf count in 10 microseconds
    assert [row[1:3] + row[4:] for row in frames_of(back)] == [row[1:3] + row[4:] for row in frames_of(whole)]


@pytest.mark.parametrize(
    ("form", "moved"), [("asc", 2), ("blf", 2), ("csv", 0), ("mf4", 0), ("log", 0), ("parquet", 0)]
)
def test_a_clock_that_stepped_back_before_its_first_frame(
    tmp_path: Path, make_capture: Make, form: str, moved: int
) -> None:
    """`.asc` and `.blf` count from the first frame: what is older gets its time, and that is told."""
    start_ns = 1_700_000_000_000_000_000
    steps_ns = [5 * 10**9, 2 * 10**9, 6 * 10**9, 4 * 10**9, 7 * 10**9]
    source, target = tmp_path / "in.log", tmp_path / f"out.{form}"
    write_capture(make_capture([(start_ns + step, 1 + i, 0, 0, b"", 0) for i, step in enumerate(steps_ns)]), source)
    done = convert(source, target)
    assert (done.frames, done.moved, done.notes.clock_steps_back) == (5, moved, 2)
    back = read_capture(target)
    assert back.identifier.tolist() == [1, 2, 3, 4, 5]
    expected = [max(step, steps_ns[0]) if moved else step for step in steps_ns]
    shown = back.time_ns - int(back.time_ns[0]) + steps_ns[0]
    assert np.abs(shown - np.array(expected)).max() <= 10_000
    result = CliRunner().invoke(cli, ["convert", str(source), str(target)])
    assert result.exit_code == 0, result.output
    assert ("2 frames are older than the first" in result.stderr) == bool(moved), result.stderr


def test_convert_streams_between_our_forms(tmp_path: Path, make_capture: Make, frames_of: FramesOf) -> None:
    frames = [(i * 1000, 0x10, 0, i % 2, bytes([i % 256]), 1) for i in range(500)]
    write_capture(make_capture(frames, ("a", "b")), tmp_path / "in.log")
    with open(tmp_path / "in.log", "ab") as file:
        file.write(b"torn (1.0")
    seen: list[float] = []
    done = convert(tmp_path / "in.log", tmp_path / "out.parquet", progress=lambda share, _: seen.append(share))
    assert (done.frames, done.notes.torn_at_end) == (500, True)
    assert seen[-1] == 1.0
    done = convert(tmp_path / "out.parquet", tmp_path / "back.log")
    assert (done.frames, done.notes.torn_at_end) == (500, True), "the first reading's notes come along"
    assert frames_of(read_capture(tmp_path / "back.log")) == frames_of(read_capture(tmp_path / "in.log"))
    assert sum(len(block) for block in read_blocks(tmp_path / "out.parquet", 64)) == 500


@pytest.mark.parametrize("name", ["w.log", "w.log.gz", "w.parquet", "w.asc", "w.blf", "w.mf4"])
def test_a_full_disk_is_one_clear_error(tmp_path: Path, make_capture: Make, name: str) -> None:
    """A limit on file size stands in for the disk; in a process of its own, since the limit stays."""
    noise = np.random.default_rng(1).integers(0, 256, (20_000, 8)).astype(np.uint8)
    write_capture(make_capture([(i, 1, 0, 0, row.tobytes(), 8) for i, row in enumerate(noise)]), tmp_path / "in.log")
    script = (
        "import resource, signal, sys\n"
        "from swapbridge.capture.convert import convert\n"
        "from swapbridge.core.errors import InputError\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (50_000, 50_000))\n"
        "try:\n    convert(sys.argv[1], sys.argv[2])\nexcept InputError as error:\n    print(error)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(tmp_path / "in.log"), str(tmp_path / name)],
        capture_output=True,
        text=True,
        check=True,
    )
    assert f"can't write {tmp_path / name}: " in done.stdout
    assert "has room" in done.stdout
    assert [path.name for path in tmp_path.iterdir()] == ["in.log"]


def test_nothing_is_left_half_written(tmp_path: Path, make_capture: Make) -> None:
    capture = make_capture([(1, 1, 0, 0, b"", 0)])
    (tmp_path / "kept.log").write_text("old")

    def blocks() -> list[Capture]:
        raise InputError("the capture could not be read")

    for name in ("kept.log", "kept.parquet", "kept.asc"):
        (tmp_path / name).write_text("old")
    with pytest.raises(InputError, match="could not be read"):
        write_parquet(blocks, tmp_path / "kept.parquet")
    with pytest.raises(InputError, match=r"names no|can't write"):
        write_other([capture], tmp_path / "kept.xyz")
    with pytest.raises(InputError, match=r"can't write .*nowhere"):
        write_capture(capture, tmp_path / "nowhere" / "w.log")
    with pytest.raises(InputError, match="the format of"):
        convert(tmp_path / "kept.log", tmp_path / "w.xyz")
    with pytest.raises(InputError, match="is the capture itself"):
        convert(tmp_path / "kept.log", tmp_path / "kept.log")
    with pytest.raises(InputError, match="no readable frames"):
        convert(tmp_path / "kept.log", tmp_path / "kept.asc")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["kept.asc", "kept.log", "kept.parquet"]
    assert all(path.read_text() == "old" for path in tmp_path.iterdir())
