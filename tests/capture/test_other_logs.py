"""Capture room: the logs that python-can's readers read, and what is done about what they can't."""

from __future__ import annotations

import contextlib
import gzip
import re
import sqlite3
import struct
from collections.abc import Callable
from pathlib import Path

import can
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swapbridge.capture.capture import BIT_RATE_SWITCH, ERROR, EXTENDED, FD, REMOTE, SENT, Capture
from swapbridge.capture.parquet import write_parquet
from swapbridge.capture.read import read_blocks, read_capture
from swapbridge.core.errors import InputError, SwapbridgeError

FramesOf = Callable[[Capture], list[tuple[int, int, int, str, bytes, int]]]
WRITERS = {
    "asc": can.ASCWriter,
    "blf": can.BLFWriter,
    "csv": can.CSVWriter,
    "trc": can.TRCWriter,
    "db": can.SqliteWriter,
    "log": can.CanutilsLogWriter,
}


@st.composite
def messages(draw: st.DrawFn) -> can.Message:
    extended, remote = draw(st.booleans()), draw(st.integers(0, 9)) == 0
    length = draw(st.integers(0, 8))
    return can.Message(
        timestamp=1_600_000_000 + draw(st.integers(0, 10**9)) / 1e6,
        arbitration_id=draw(st.integers(0, 0x1FFFFFFF if extended else 0x7FF)),
        is_extended_id=extended,
        is_remote_frame=remote,
        is_rx=draw(st.booleans()),
        channel=draw(st.integers(0, 3)),
        dlc=length,
        data=None if remote else draw(st.binary(min_size=length, max_size=length)),
    )


def write(path: Path, given_messages: list[can.Message]) -> None:
    with WRITERS[path.name.split(".")[1]](str(path)) as writer:
        for message in given_messages:
            writer.on_message_received(message)


def outcome(path: Path) -> Capture | str:
    """The capture, or the one error's words."""
    try:
        return read_capture(path)
    except SwapbridgeError as error:
        return str(error)


def assert_captured_or_refused(path: Path) -> None:
    result = outcome(path)
    if isinstance(result, str):
        assert "\n" not in result
        return
    assert len(result)
    blocks = list(read_blocks(path, 7))
    assert sum(map(len, blocks)) == len(result)
    assert sum(block.notes.unreadable_lines for block in blocks) == result.notes.unreadable_lines


def expected(message: can.Message) -> tuple[int, int, str, bytes, int]:
    flags = message.is_extended_id * EXTENDED | message.is_fd * FD | message.is_remote_frame * REMOTE
    flags |= (not message.is_rx) * SENT | message.is_error_frame * ERROR | message.bitrate_switch * BIT_RATE_SWITCH
    bus = "0" if message.channel is None else str(message.channel)
    return message.arbitration_id, flags, bus, bytes(message.data).rstrip(b"\0"), message.dlc


@pytest.mark.parametrize("form", ["asc", "blf", "csv", "trc", "db"])
@settings(deadline=None, max_examples=12)
@given(sent=st.lists(messages(), min_size=1, max_size=12))
def test_columns_equal_the_reader(
    tmp_path_factory: pytest.TempPathFactory, frames_of: FramesOf, form: str, sent: list[can.Message]
) -> None:
    path = tmp_path_factory.mktemp("forms") / f"drive.{form}"
    sent.sort(key=lambda message: message.timestamp)
    if form == "trc":  # its writer has no remote frames
        sent = [message for message in sent if not message.is_remote_frame] or plain(1)
    write(path, sent)
    with can.LogReader(str(path)) as reader:
        read = list(reader)
    assert len(read) == len(sent)
    capture = read_capture(path)
    assert [row[1:] for row in frames_of(capture)] == [expected(message) for message in read]
    for time_ns, message in zip(capture.time_ns.tolist(), read, strict=True):
        assert abs(time_ns - message.timestamp * 1e9) <= 600
    assert capture.notes.unreadable_lines == 0
    if form != "db":
        packed = path.with_name(path.name + ".gz")
        packed.write_bytes(gzip.compress(path.read_bytes()))
        assert frames_of(read_capture(packed)) == frames_of(capture)


def fd_messages() -> list[can.Message]:
    return [
        can.Message(timestamp=i / 100, arbitration_id=i, is_extended_id=False, is_fd=True, bitrate_switch=i % 2 == 0,
                    channel=0, dlc=n, data=bytes(range(n)))
        for i, n in enumerate((1, 8, 12, 64, 5), 1)
    ]  # fmt: skip


@pytest.mark.parametrize("form", ["asc", "blf", "log"])
def test_can_fd_frames(tmp_path: Path, frames_of: FramesOf, form: str) -> None:
    write(tmp_path / f"fd.{form}", fd_messages())
    capture = read_capture(tmp_path / f"fd.{form}")
    assert capture.payload.shape == (5, 64)
    assert capture.length.tolist() == [1, 8, 12, 64, 5]
    assert [bool(flags & BIT_RATE_SWITCH) for flags in capture.flags] == [False, True, False, True, False]
    assert all(flags & FD for flags in capture.flags)
    assert capture.payload[3].tolist() == list(range(64))


def error_and_data() -> list[can.Message]:
    return [
        can.Message(timestamp=1.0, arbitration_id=0x123, is_extended_id=False, channel=0, data=b"\x01", dlc=1),
        can.Message(timestamp=2.0, is_error_frame=True, channel=0),
    ]


@pytest.mark.parametrize("form", ["asc", "blf", "csv", "log"])
def test_error_frames_only_say_that_they_came(tmp_path: Path, form: str) -> None:
    write(tmp_path / f"e.{form}", error_and_data())
    capture = read_capture(tmp_path / f"e.{form}")
    assert [int(flags) & ~SENT for flags in capture.flags] == [0, ERROR]
    assert (int(capture.identifier[1]), int(capture.length[1])) == (0, 0)


def plain(count: int) -> list[can.Message]:
    return [
        can.Message(timestamp=i / 100, arbitration_id=0x100 + i, is_extended_id=False, channel=0, data=bytes([i]))
        for i in range(count)
    ]


@pytest.mark.parametrize(("form", "bad"), [
    ("asc", "   0.012345 1  12G             Rx   d 1 01\n"),
    ("trc", "      3        30.000 DT  1     01zz Rx -  1    00\n"),
    ("csv", "0.05,0x123,0,0,0,1\n"),
])  # fmt: skip
def test_reading_goes_on_behind_a_bad_line(tmp_path: Path, form: str, bad: str) -> None:
    """python-can stops with an exception at each of these."""
    path = tmp_path / f"bad.{form}"
    write(path, plain(20))
    with path.open(newline="") as file:
        lines = list(file)
    middle = len(lines) - 8
    path.write_text("".join([*lines[:middle], bad, *lines[middle:]]), newline="")
    with can.LogReader(str(path)) as reader, pytest.raises((ValueError, IndexError)):
        list(reader)
    capture = read_capture(path)
    assert len(capture) == 20
    assert capture.notes.unreadable_lines == 1
    assert capture.notes.examples[0] == bad.strip()
    assert sum(len(block) for block in read_blocks(path, 6)) == 20


@pytest.mark.parametrize("form", sorted(WRITERS))
def test_an_11_bit_identifier_above_7ff_is_no_frame(tmp_path: Path, form: str) -> None:
    """No bus can carry it; some loggers write 29-bit identifiers so, but which can't be told (`.mf4`, `.parquet`: see
    their own tests)."""
    path = tmp_path / f"odd.{form}"
    odd = can.Message(timestamp=0.115, arbitration_id=0x900, is_extended_id=False, channel=0, data=b"\x07", dlc=1)
    write(path, [*plain(12), odd, *(m for m in plain(20) if m.timestamp > 0.115)])
    capture = read_capture(path)
    assert int(capture.identifier.max()) <= 0x7FF
    assert len(capture) == 20
    assert capture.notes.unreadable_lines == 1
    assert "900" in capture.notes.examples[0]
    assert sum(block.notes.unreadable_lines for block in read_blocks(path, 7)) == 1


def test_what_a_reader_skips_in_silence_is_counted(tmp_path: Path) -> None:
    path = tmp_path / "s.trc"
    write(path, plain(5))
    with path.open("a", newline="") as file:
        file.write("      6        60.000 XX  1     0123 Rx -  1    00\r\n")
    capture = read_capture(path)
    assert len(capture) == 5
    assert capture.notes.unreadable_lines == 1


def test_a_torn_last_line(tmp_path: Path) -> None:
    path = tmp_path / "torn.csv"
    write(path, plain(5))
    path.write_bytes(path.read_bytes().rstrip()[:-9])
    capture = read_capture(path)
    assert len(capture) == 4
    assert capture.notes.torn_at_end
    assert capture.notes.unreadable_lines == 0


def test_a_blf_cut_anywhere_keeps_what_was_before_the_cut(tmp_path: Path) -> None:
    path = tmp_path / "cut.blf"
    write(path, [m for _ in range(30) for m in plain(200)])
    whole = path.read_bytes()
    kept = []
    for cut in range(10, len(whole), len(whole) // 23):
        path.write_bytes(whole[:cut])
        capture = outcome(path)
        if isinstance(capture, str):
            assert cut < len(whole) // 2
            continue
        kept.append(len(capture))
        assert capture.notes.stopped or len(capture) == 6000
    assert kept == sorted(kept)
    assert max(kept) > 1000


@pytest.mark.parametrize("name", ["g.log.gz", "g.asc.gz", "g.blf.gz"])
def test_a_gzip_file_cut_anywhere_keeps_what_was_before_the_cut(tmp_path: Path, name: str) -> None:
    plain_path = tmp_path / name.removesuffix(".gz")
    write(plain_path, [m for _ in range(20) for m in plain(200)])
    whole = gzip.compress(plain_path.read_bytes())
    path = tmp_path / name
    kept = []
    for cut in range(12, len(whole), len(whole) // 17):
        path.write_bytes(whole[:cut])
        capture = outcome(path)
        if isinstance(capture, str):
            assert cut < len(whole) // 2, capture
            continue
        kept.append(len(capture))
        assert "cut short" in capture.notes.stopped or "damaged" in capture.notes.stopped
    assert kept == sorted(kept)
    assert kept
    damaged = bytearray(whole)
    damaged[len(whole) // 2] ^= 0xFF
    path.write_bytes(bytes(damaged))
    rest = outcome(path)
    if isinstance(rest, str):
        assert name == "g.blf.gz"
    else:
        assert rest.notes.stopped


@pytest.mark.parametrize(("column", "value", "words"), [
    ("arbitration_id", None, "None [1]"), ("arbitration_id", "x", "x [1]"), ("arbitration_id", 2.5, "2.5 [1]"),
    ("dlc", "x", "102 [x]"), ("ts", "soon", "soon"), ("ts", None, "102 [1]"), ("arbitration_id", 2**62, "[1]"),
])  # fmt: skip
def test_rows_of_an_edited_database_that_are_no_frames_are_counted(
    tmp_path: Path, column: str, value: object, words: str
) -> None:
    """SQLite keeps what it is given, whatever the column is called."""
    path = tmp_path / "a.db"
    write(path, plain(5))
    with contextlib.closing(sqlite3.connect(path)) as database:
        database.execute(f"UPDATE messages SET {column} = ? WHERE arbitration_id = 258", (value,))
        database.commit()
    capture = read_capture(path)
    assert capture.identifier.tolist() == [0x100, 0x101, 0x103, 0x104]
    assert capture.notes.unreadable_lines == 1
    assert words in capture.notes.examples[0]


def test_gzip_members_in_a_row_are_one_file(tmp_path: Path) -> None:
    """As loggers that append leave them."""
    parts = [gzip.compress(f"({i}.000000) can0 123#0{i}\n".encode()) for i in range(3)]
    (tmp_path / "m.log.gz").write_bytes(b"".join(parts) + bytes(512))
    capture = read_capture(tmp_path / "m.log.gz")
    assert len(capture) == 3
    assert not capture.notes.stopped


def test_a_csv_of_something_else_says_so(tmp_path: Path) -> None:
    (tmp_path / "s.csv").write_text("time_s,channel,value\n1,rpm,800\n")
    with pytest.raises(InputError, match=r"not one of frames.*--stimulus"):
        read_capture(tmp_path / "s.csv")


CORPUS = {
    "asc": b"date Mon Jan 1 10:00:00 2024\nbase hex  timestamps absolute\ninternal events logged\n"
    b"   0.010000 1  123             Rx   d 2 01 02\n"
    b"   0.020000 CANFD   1 Rx        123                                   1 0 8  8 01 02 03 04 05 06 07 08 0 0 0\n"
    b"   0.030000 1  ErrorFrame\n",
    "trc": b";$FILEVERSION=2.1\n;$STARTTIME=45000.5\n;$COLUMNS=N,O,T,B,I,d,R,L,D\n"
    b"      1        10.000 DT  1     0123 Rx -  2    01 02\n      2        20.000 RR  1     0123 Rx -  2\n",
    "csv": b"timestamp,arbitration_id,extended,remote,error,dlc,data\n1.5,0x123,0,0,0,2,AQI=\n2.5,0x123,1,0,0,1,AQ==\n",
}


@pytest.mark.parametrize("form", sorted(CORPUS))
@settings(deadline=None)
@given(data=st.data())
def test_damage_gives_a_capture_or_one_clear_error(
    tmp_path_factory: pytest.TempPathFactory, form: str, data: st.DataObject
) -> None:
    seed = bytearray(CORPUS[form])
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(seed)))
        seed[at : at + data.draw(st.integers(0, 6))] = data.draw(
            st.binary(max_size=6) | st.sampled_from([b"\n", b" ", b",", b"9" * 20, b"-", b";", b"\r"])
        )
    path = tmp_path_factory.getbasetemp() / f"fuzz.{form}"
    path.write_bytes(bytes(seed) or b" ")
    assert_captured_or_refused(path)


@pytest.fixture(scope="module")
def tables(tmp_path_factory: pytest.TempPathFactory, make_capture: Callable[..., Capture]) -> dict[str, bytes]:
    """A whole file of each form that is made of tables."""
    folder = tmp_path_factory.mktemp("tables")
    write(folder / "whole.db", plain(20))
    capture = make_capture([(i, i, 0, 0, bytes([i] * 8), 8) for i in range(50)])
    write_parquet(lambda: [capture], folder / "whole.parquet")
    return {form: (folder / f"whole.{form}").read_bytes() for form in ("db", "parquet")}


@pytest.mark.parametrize("form", ["db", "parquet"])
@settings(deadline=None)
@given(data=st.data())
def test_a_damaged_file_of_tables_gives_a_capture_or_one_clear_error(
    tmp_path_factory: pytest.TempPathFactory, tables: dict[str, bytes], form: str, data: st.DataObject
) -> None:
    path = tmp_path_factory.getbasetemp() / f"fuzz.{form}"
    seed = bytearray(tables[form])
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(4, len(seed) - 1) | st.integers(max(4, len(seed) - 1500), len(seed) - 1))
        junk = data.draw(st.binary(min_size=1, max_size=4))
        seed[at : at + len(junk)] = junk
    path.write_bytes(bytes(seed))
    assert_captured_or_refused(path)


def test_a_parquet_file_that_polars_panics_at_is_damaged(
    tmp_path: Path, make_capture: Callable[..., Capture], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Seen about once in 500 files with a few wrong bytes; the panic is no Exception."""
    path = tmp_path / "p.parquet"
    write_parquet(lambda: [make_capture([(1, 1, 0, 0, b"", 0)])], path)

    def panics(*_: object, **__: object) -> pl.DataFrame:
        raise pl.exceptions.PanicException("called `Result::unwrap()` on an `Err` value\nmore")

    monkeypatch.setattr(pl.LazyFrame, "collect", panics)
    with pytest.raises(InputError, match=r"is a damaged Parquet file .*convert the log again"):
        read_capture(path)


def unzipped_blf(path: Path, count: int) -> bytes:
    """A file whose objects stand in it as they are."""
    with can.BLFWriter(str(path), compression_level=0) as writer:
        for message in plain(count):
            writer.on_message_received(message)
    return path.read_bytes()


@pytest.mark.parametrize("kind", [1, 200], ids=["frames for ever", "nothing for ever"])
def test_a_blf_object_without_a_size_ends_the_reading(tmp_path: Path, kind: int) -> None:
    """python-can's reader would come back to it for ever."""
    path = tmp_path / "endless.blf"
    whole = bytearray(unzipped_blf(path, 20))
    objects = [found.start() for found in re.finditer(b"LOBJ", whole)]
    assert len(objects) == 21, "a container and what is in it"
    struct.pack_into("<II", whole, objects[6] + 8, 0, kind)
    path.write_bytes(whole)
    capture = read_capture(path)
    assert len(capture) <= 5
    assert "an object has no size" in capture.notes.stopped


def test_what_only_looks_like_an_object_without_a_size_is_read(tmp_path: Path) -> None:
    path = tmp_path / "looks.blf"
    data = b"LOBJ" + bytes(60)
    sent = [can.Message(timestamp=i / 100, arbitration_id=i, is_extended_id=False, is_fd=True, channel=0, data=data)
            for i in range(9)]  # fmt: skip
    write(path, sent)
    capture = read_capture(path)
    assert len(capture) == 9
    assert not capture.notes.stopped
    assert capture.payload[3].tobytes() == data


@settings(deadline=None)
@given(st.integers(0, 1100), st.binary(max_size=8))
def test_a_damaged_blf_gives_a_capture_or_one_clear_error(
    tmp_path_factory: pytest.TempPathFactory, at: int, junk: bytes
) -> None:
    path = tmp_path_factory.getbasetemp() / "fuzz.blf"
    seed = bytearray(unzipped_blf(path, 20))
    seed[at : at + len(junk)] = junk
    path.write_bytes(bytes(seed))
    assert_captured_or_refused(path)
