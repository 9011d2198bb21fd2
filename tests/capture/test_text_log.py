"""Capture room: the columns read from a text log are the frames python-can's reader gives, whatever the dirt."""

from __future__ import annotations

import io
import re
import subprocess
import sys
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path

import can
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from swapbridge.capture import line_blocks
from swapbridge.capture import read as read_module
from swapbridge.capture.capture import BIT_RATE_SWITCH, ERROR, EXTENDED, FD, REMOTE, SENT, Capture
from swapbridge.capture.read import read_blocks, read_capture
from swapbridge.core.errors import InputError

Frame = tuple[int, int, int, str, bytes, int]
FramesOf = Callable[[Capture], list[Frame]]

hexadecimal = "0123456789abcdefABCDEF"
names = st.sampled_from(["can0", "vcan1", "0", "1", "powertrain", "the_second_body_bus", "büs", "x" * 40])
data_bytes = st.integers(0, 8).flatmap(lambda n: st.text(hexadecimal, min_size=2 * n, max_size=2 * n))
long_data = st.integers(0, 64).flatmap(lambda n: st.text(hexadecimal, min_size=2 * n, max_size=2 * n))
times = st.one_of(
    st.tuples(st.integers(0, 2_000_000_000), st.text("0123456789", min_size=6, max_size=6)),
    st.tuples(st.integers(0, 9_223_372_035), st.text("0123456789", min_size=1, max_size=9)),
).map(lambda pair: f"{pair[0]}.{pair[1]}")
identifiers = st.one_of(
    st.integers(0, 0x7FF).map(lambda i: f"{i:03X}"),
    st.integers(0, 0x1FFFFFFF).map(lambda i: f"{i:08x}"),
    st.text(hexadecimal, min_size=1, max_size=9),
    st.just("20000080"),
)
bodies = st.one_of(
    data_bytes.map(lambda d: f"#{d}"),
    st.tuples(st.sampled_from("01235F"), long_data).map(lambda pair: f"##{pair[0]}{pair[1]}"),
    st.sampled_from(["#R", "#r4", "#R8", "#R9", "#", "##", "##1R", "#R 8", "#G0", "#123"]),
    st.text(hexadecimal + "#R ", max_size=24).map(lambda d: f"#{d}"),
)
spaces = st.sampled_from([" ", " ", " ", " ", "  ", "\t"])
tails = st.sampled_from(["", "", "", " R", " T", " r", " t", " X", "  R", " "])
good_lines = st.builds(
    lambda t, a, b, c, i, d, e: f"({t}){a}{b}{c}{i}{d}{e}", times, spaces, names, spaces, identifiers, bodies, tails
)
dirt = st.one_of(
    st.just(""),
    st.text(st.characters(codec="utf-8", exclude_characters="\r\n"), max_size=30),
    st.sampled_from(["(1.5) can0", "(nan) can0 123#00", "(1e3) can0 123#00", "(-3.25) can0 123#00", "()", "( ) a 1#",
                     "(5) can0 123#0102", "(5.) can0 123#0102", "(1.0000000004) can0 1#", "(1.0000000015) can0 1#"]),
)  # fmt: skip
logs = st.lists(st.tuples(st.one_of(good_lines, good_lines, dirt), st.sampled_from(["\n", "\n", "\r\n", "\r"])))

GRAMMAR = re.compile(
    r"\s*\((-?\d+(?:\.\d*)?)\)\s+(\S+)\s+([0-9A-Fa-f]{1,8})#(?:([0-9A-Fa-f]*)|[Rr]([0-8]?)|#[0-9A-Fa-f]([0-9A-Fa-f]*))"
    r"(?:\s+[RrTt])?\s*",
    re.ASCII,
)


def oracle(line: str) -> Frame | None:
    """What python-can's reader makes of one line, or None for a line that is no frame.

    A line must be in candump's grammar: python-can also takes `1e3` for a time, any brackets, odd numbers of digits,
    and 11-bit identifiers above 7FF, which are torn or foreign lines and would be wrong frames.
    """
    match = GRAMMAR.fullmatch(line)
    if match is None:
        return None
    time, bus, identifier, data, _, fd_data = match.groups()
    time_ns = int((Decimal(time) * 1_000_000_000).quantize(Decimal(1), rounding="ROUND_HALF_UP"))
    payload = fd_data if fd_data is not None else data
    if payload is not None and (len(payload) % 2 or len(payload) > (128 if fd_data is not None else 16)):
        return None
    if (len(identifier) <= 3 and int(identifier, 16) > 0x7FF) or abs(time_ns) >= 2**63:
        return None
    if fd_data is not None:
        line = re.sub(r"##(.)", lambda m: f"##{int(m[1], 16) % 4}", line)  # python-can reads one decimal digit of flags
    message = next(iter(can.CanutilsLogReader(io.StringIO(line))))
    assert abs(message.timestamp - time_ns / 1e9) <= abs(message.timestamp) * 2**-50 + 1e-9
    bus = str(int(bus)) if bus.isdecimal() else bus
    sent = SENT if not message.is_rx else 0
    if int(identifier, 16) & 0x20000000 and len(identifier) > 3:
        # python-can calls an error frame so only where it is of the bus error class; here all classes are
        assert message.is_error_frame or not int(identifier, 16) & 0x80
        sent = SENT if re.search(r"\s[Tt]\s*$", line) else 0
        return time_ns, 0, ERROR | sent, bus, b"", 0
    flags = message.is_extended_id * EXTENDED | message.is_fd * FD | message.is_remote_frame * REMOTE | sent
    flags |= message.bitrate_switch * BIT_RATE_SWITCH
    return time_ns, message.arbitration_id, flags, bus, bytes(message.data).rstrip(b"\0"), message.dlc


@settings(deadline=None, max_examples=120)
@given(logs, st.sampled_from([160, 700, 1 << 20]))
@example([("(1.000000) can0 123#0102", "\n"), ("(1.0) can0 20000080#0000000000000000", "\n")], 1 << 20)
@example([("(1.000000) can0 123#R", "\r"), ("(2.000000) can0 123#", "\r\n"), ("\r(3.0) c 1#00", "\n")], 160)
def test_columns_equal_python_can(
    tmp_path_factory: pytest.TempPathFactory, frames_of: FramesOf, log: list[tuple[str, str]], block: int
) -> None:
    path = tmp_path_factory.getbasetemp() / "oracle.log"
    text = "".join(line + end for line, end in log)
    if not text:
        return
    if not text.endswith("\n"):
        text += "\n"
    path.write_bytes(text.encode())
    lines = re.split(r"\r\n|\n|\r", text)
    too_long = [line for line in re.split("\n", text) if len(line.encode()) >= block]
    if too_long:
        return  # a block holds any line of interest; the limit itself has a test of its own
    read = [oracle(line) for line in lines]
    expected = [frame for frame in read if frame is not None]
    pairs = zip(lines, read, strict=True)
    unreadable = sum(frame is None and bool(line.strip(" \t\n\r\x0b\x0c")) for line, frame in pairs)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(line_blocks, "BLOCK_BYTES", block)
        if not expected:
            with pytest.raises(
                InputError, match=r"oracle\.log (contains no readable frames|is empty|has no known format)"
            ):
                read_capture(path)
            return
        capture = read_capture(path)
        assert frames_of(capture) == expected
        assert capture.notes.unreadable_lines == unreadable
        blocks = list(read_blocks(path, 3))
    assert [frame for part in blocks for frame in frames_of(part)] == expected
    assert all(len(part) == 3 for part in blocks[:-1])
    assert sum(part.notes.unreadable_lines for part in blocks) == unreadable
    assert sum(part.notes.clock_steps_back for part in blocks) == capture.notes.clock_steps_back
    assert sum(part.notes.duplicates for part in blocks) == capture.notes.duplicates


def read_text(tmp_path: Path, text: str | bytes, name: str = "drive.log") -> Capture:
    path = tmp_path / name
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return read_capture(path)


def test_times_are_exact_to_the_nanosecond(tmp_path: Path) -> None:
    """A double can't hold these; integers do."""
    capture = read_text(tmp_path, "(1700000000.123456789) can0 1#\n(9223372035.999999999) can0 1#\n(0.1) can0 1#\n")
    assert capture.time_ns.tolist() == [1_700_000_000_123_456_789, 9_223_372_035_999_999_999, 100_000_000]


def test_a_last_line_cut_off_is_left_out_and_told(tmp_path: Path) -> None:
    whole = "(1.000000) can0 123#0102030405060708\n(2.000000) can0 123#1112131415161718\n"
    for kept in range(len(whole) // 2 + 1, len(whole) - 1):
        capture = read_text(tmp_path, whole[:kept])
        assert len(capture) == 1
        assert capture.notes.torn_at_end
        assert capture.notes.unreadable_lines == 0
        assert [len(part) for part in read_blocks(tmp_path / "drive.log")] == [1]
    assert len(read_text(tmp_path, whole[:-1])) == 2, "only the line end is missing: the frame is whole"
    assert not read_text(tmp_path, whole[:-1]).notes.torn_at_end


@pytest.mark.parametrize("window", [1, 40, 1 << 18])
@pytest.mark.parametrize("rows", [1, 7, 30, 100])
def test_blocks_know_a_torn_last_frame_as_the_whole_does(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, rows: int, window: int
) -> None:
    """By the length that its identifier has among the frames before it, handed out already or not."""
    monkeypatch.setattr(line_blocks, "BLOCK_BYTES", 400)
    monkeypatch.setattr(read_module, "TORN_WINDOW", window)
    seen = set()
    for seldom in (3, 35, 60):
        lines = [f"({i}.000000) can0 {0x700 if i == 61 - seldom else 0x100:03X}#0102\n" for i in range(61)]
        whole = read_text(tmp_path, "".join(lines) + "(99.000000) can0 700#01")
        blocks = list(read_blocks(tmp_path / "drive.log", rows))
        assert sum(map(len, blocks)) == len(whole)
        assert any(block.notes.torn_at_end for block in blocks) == whole.notes.torn_at_end
        seen.add(whole.notes.torn_at_end)
    assert (seen == {True}) == (window == 1 << 18)


def test_dirt_is_counted_and_told(tmp_path: Path) -> None:
    capture = read_text(
        tmp_path,
        "(1.000000) can0 123#01\n\n(3.000000) can1 123#02\nhello\n(2.000000) can0 123#03\n(2.000000) can0 123#03\n",
    )
    assert capture.bus_names == ("can0", "can1")
    assert capture.bus.tolist() == [0, 1, 0, 0]
    notes = capture.notes
    assert (notes.unreadable_lines, notes.clock_steps_back, notes.duplicates) == (1, 1, 1)
    assert notes.examples == ("hello",)
    sentences = " ".join(notes.sentences())
    assert "hello" in sentences
    assert "stepped back once" in sentences


def test_a_line_of_a_megabyte_is_one_unreadable_line(tmp_path: Path) -> None:
    capture = read_text(tmp_path, b"(1.000000) can0 123#01\n" + b"x" * 3_000_000 + b"\n(2.000000) can0 123#02\n")
    assert capture.time_ns.tolist() == [1_000_000_000, 2_000_000_000]
    assert capture.notes.unreadable_lines == 1
    assert len(capture.notes.examples[0]) <= 81


MEASURE = """
import resource, sys
from swapbridge.capture.read import read_capture
from swapbridge.capture.stimulus import read_stimulus
read = read_stimulus if sys.argv[1].endswith("stimulus.csv") else read_capture
read(sys.argv[1])
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(len(read(sys.argv[2]).notes.sentences()), (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) // 1024)
"""


@pytest.mark.parametrize(("name", "good"), [
    ("a.log", "(1.000000) can0 123#01\n"), ("a.asc", "   1.000000 1  123             Rx   d 1 01\n"),
    ("a.stimulus.csv", "1.5,engine_speed,800,rpm\n"),
])  # fmt: skip
def test_a_line_of_64_megabytes_is_never_held(tmp_path: Path, name: str, good: str) -> None:
    """In a process of its own, whose most memory is asked of the kernel."""
    short, long = tmp_path / name, tmp_path / f"long.{name}"
    short.write_text(good * 9000)
    with long.open("w") as file:
        file.write(good * 9000)
        for _ in range(64):
            file.write("0" * (1 << 20))
        file.write("\n" + good)
    words = [sys.executable, "-c", MEASURE, str(short), str(long)]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    told, megabytes = map(int, done.stdout.split())
    assert told >= 1
    assert megabytes < 24


def test_more_than_256_buses_are_refused_line_by_line(tmp_path: Path) -> None:
    capture = read_text(tmp_path, "".join(f"({i}.000000) bus{i} 123#00\n" for i in range(300)))
    assert len(capture) == len(capture.bus_names) == 256
    assert capture.notes.unreadable_lines == 44


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "is empty"),
        (b"\n\n\r\n", "contains no readable frames"),
        (bytes(range(256)) * 40, "contains no readable frames"),
        (b"a,b,c\n1,2,3\n", "contains no readable frames.*begins 'a,b,c'"),
    ],
)
def test_a_file_without_frames_is_one_clear_error(tmp_path: Path, content: bytes, words: str) -> None:
    with pytest.raises(InputError, match=words):
        read_text(tmp_path, content)
    with pytest.raises(InputError, match=words):
        list(read_blocks(tmp_path / "drive.log"))


def test_files_that_are_not_there(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"can't read .*No such file"):
        read_capture(tmp_path / "none.log")
    with pytest.raises(InputError, match=r"can't read .*directory"):
        read_capture(tmp_path)
    (tmp_path / "notes.doc").write_text("hello\n")
    with pytest.raises(InputError, match="has no known format"):
        read_capture(tmp_path / "notes.doc")


def test_content_decides_before_the_suffix(tmp_path: Path) -> None:
    assert len(read_text(tmp_path, "\ufeff\n(1.000000) can0 123#01\n", "drive.txt")) == 1
    assert len(read_text(tmp_path, "(1.000000) can0 123#01\n", "drive.asc")) == 1
    assert len(read_text(tmp_path, "(1.000000) can0 123#01\n", "drive")) == 1


@settings(deadline=None)
@given(st.binary(min_size=1, max_size=400), st.integers(0, 3))
def test_any_bytes_give_a_capture_or_one_error(
    tmp_path_factory: pytest.TempPathFactory, junk: bytes, whole_lines: int
) -> None:
    path = tmp_path_factory.getbasetemp() / "junk.log"
    path.write_bytes(b"(1.000000) can0 123#01\n" * whole_lines + junk)
    try:
        frames = len(read_capture(path))
    except InputError:
        frames = 0
        with pytest.raises(InputError):
            list(read_blocks(path, 2))
    else:
        assert sum(map(len, read_blocks(path, 2))) == frames
    assert frames >= whole_lines
