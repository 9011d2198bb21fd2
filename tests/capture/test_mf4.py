"""Capture room: `.mf4`, held against two outside readers: python-can's, and asammdf decoding through a signal map."""

from __future__ import annotations

import gzip
import importlib
import importlib.util
import signal
import subprocess
import sys
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import can
import can.io.mf4
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swapbridge.capture import mf4, mf4_process
from swapbridge.capture.capture import BIT_RATE_SWITCH, ERROR, EXTENDED, FD, REMOTE, SENT, Capture
from swapbridge.capture.columns import COLUMN_NAMES
from swapbridge.capture.convert import convert
from swapbridge.capture.mf4 import write_mf4
from swapbridge.capture.read import read_blocks, read_capture
from swapbridge.capture.write import write_capture
from swapbridge.core.errors import InputError, MissingToolError
from swapbridge.signalmap.dbc_read import load_map
from swapbridge.signalmap.decode import decode_columns

Frame = tuple[int, int, int, str, bytes, int]
FramesOf = Callable[[Capture], list[Frame]]
Make = Callable[..., Capture]
TOP = Path(__file__).parents[2]
START_NS = 1_700_000_000_123_456_789


@pytest.fixture(scope="module", autouse=True)
def python_can_with_asammdf() -> None:
    """Our rooms keep python-can from loading it (`capture.python_can`): here its reader and writer are the oracle.

    Neither is loaded when the module is, since every worker would.
    """
    importlib.reload(can.io.mf4)


def messages(count: int) -> list[can.Message]:
    """Frames of every kind on three channels, a little over a millisecond apart."""
    out = []
    for i in range(count):
        kinds: list[dict[str, Any]] = [
            {"arbitration_id": 0x100 + i % 7, "is_extended_id": False, "data": bytes([i % 256] * (i % 9))},
            {"arbitration_id": 0x18000100 + i, "is_extended_id": True, "data": bytes(8), "is_rx": False},
            {"arbitration_id": 0x7FF, "is_extended_id": False, "is_remote_frame": True, "dlc": i % 9},
            {"is_error_frame": True},
            {"arbitration_id": 0x55, "is_extended_id": False, "is_fd": True, "bitrate_switch": i % 2 == 0,
             "data": bytes(range(64 if i % 2 else 12))},
        ]  # fmt: skip
        out.append(can.Message(timestamp=1.7e9 + i * 0.001234, channel=i % 3, **kinds[i % 5]))
    return out


def seen_by_python_can(path: Path) -> list[tuple[float, Frame]]:
    with can.io.mf4.MF4Reader(str(path)) as reader:
        return [(message.timestamp, frame_of(message)) for message in reader]


def frame_of(message: can.Message) -> Frame:
    flags = message.is_fd * FD | message.is_remote_frame * REMOTE | message.bitrate_switch * BIT_RATE_SWITCH
    flags |= (not message.is_rx) * SENT | message.is_extended_id * EXTENDED
    bus = str(message.channel)
    if message.is_error_frame:
        return 0, 0, ERROR | (flags & SENT), bus, b"", 0
    return 0, message.arbitration_id, flags, bus, bytes(message.data).rstrip(b"\0"), message.dlc


def without_time(frames: list[Frame]) -> list[Frame]:
    return [(0, *frame[1:]) for frame in frames]


def assert_as_python_can_sees_it(capture: Capture, frames: list[Frame], path: Path) -> None:
    theirs = seen_by_python_can(path)
    assert without_time(frames) == [frame for _, frame in theirs]
    for time_ns, (time_s, _) in zip(capture.time_ns.tolist(), theirs, strict=True):
        assert abs(time_ns - time_s * 1e9) < 1000


def test_what_python_can_writes_is_read_as_it_reads_it(tmp_path: Path, frames_of: FramesOf) -> None:
    path = tmp_path / "theirs.mf4"
    given_messages = messages(100)
    with can.io.mf4.MF4Writer(str(path)) as writer:
        for message in given_messages:
            writer.on_message_received(message)
    capture = read_capture(path)
    assert without_time(frames_of(capture)) == [frame_of(message) for message in given_messages]
    assert_as_python_can_sees_it(capture, frames_of(capture), path)
    assert not capture.notes.sentences()
    packed = tmp_path / "packed.mf4.gz"
    packed.write_bytes(gzip.compress(path.read_bytes()))
    assert frames_of(read_capture(packed)) == frames_of(capture)
    assert [len(block) for block in read_blocks(path, 60)] == [60, 40]


@st.composite
def rows(draw: st.DrawFn) -> tuple[int, int, int, int, bytes, int]:
    extended = draw(st.sampled_from([0, EXTENDED]))
    kind = draw(st.sampled_from([0, 0, REMOTE, ERROR, FD, FD | BIT_RATE_SWITCH]))
    flags, bus = kind | draw(st.sampled_from([0, SENT])), draw(st.integers(0, 2))
    if kind == ERROR:
        return 0, 0, flags, bus, b"", 0
    identifier = draw(st.integers(0, 0x1FFF_FFFF if extended else 0x7FF))
    if kind == REMOTE:
        return 0, identifier, flags | extended, bus, b"", draw(st.integers(0, 8))
    length = draw(st.sampled_from([*range(9), 12, 16, 20, 24, 32, 48, 64] if kind & FD else range(9)))
    return 0, identifier, flags | extended, bus, draw(st.binary(min_size=length, max_size=length)), length


def read_here(path: Path) -> Capture:
    """What the reading process hands over, put together in this one."""
    parts = [columns for columns, notes in mf4_process.parts(path) if not notes.any]
    names = tuple(str(number) for number in range(256))
    whole: dict[str, Any] = {
        name: np.concatenate([getattr(part, name) for part in parts]) for name in COLUMN_NAMES[:-1]
    }
    payload = np.zeros((len(whole["bus"]), 64), dtype=np.uint8)
    at = 0
    for part in parts:
        payload[at : at + len(part), : part.payload.shape[1]] = part.payload
        at += len(part)
    return Capture(**whole, payload=payload, bus_names=names)


@settings(deadline=None, max_examples=20)
@given(st.lists(rows(), min_size=1, max_size=25), st.integers(0, 2**61), st.data())
def test_what_is_written_is_read_back_and_python_can_agrees(
    tmp_path_factory: pytest.TempPathFactory,
    make_capture: Make,
    frames_of: FramesOf,
    frames: list[tuple[int, int, int, int, bytes, int]],
    start_ns: int,
    data: st.DataObject,
) -> None:
    """To the nanosecond, as long as times rise within two weeks of the start (a double can't do more)."""
    path = tmp_path_factory.getbasetemp() / "round.mf4"
    steps = st.integers(1, 10**13)
    time_ns = start_ns + np.cumsum(data.draw(st.lists(steps, min_size=len(frames), max_size=len(frames))))
    capture = make_capture(
        [(int(time), *frame[1:]) for time, frame in zip(time_ns, frames, strict=True)], ("0", "1", "2")
    )
    assert write_mf4([capture.select(slice(0, 9)), capture.select(slice(9, None))], path) == len(frames)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(mf4_process, "_EVENTS", data.draw(st.sampled_from([1, 3, 1 << 16])))
        back = read_here(path)
    assert frames_of(back) == frames_of(capture)
    if start_ns < 2**60:  # beyond, a double in seconds is no good for the comparison
        assert_as_python_can_sees_it(back, frames_of(back), path)


def test_asammdf_decodes_what_is_written_to_the_values_that_we_decode(tmp_path: Path) -> None:
    """Frames of the demo through the demo's map: asammdf's own bus decoding (with canmatrix) against ours."""
    from asammdf import MDF

    path, map_path = tmp_path / "demo.mf4", TOP / "signal_maps" / "brindle_host.dbc"
    capture = read_capture(TOP / "captures" / "host_old_engine.log.gz").select(slice(20_000, 24_000))
    write_mf4([capture], path)
    ours = decode_columns(capture, load_map(map_path))
    compared = 0
    with MDF(path) as whole, whole.extract_bus_logging(database_files={"CAN": [(str(map_path), 0)]}) as decoded:
        for (message, name), column in ours.items():
            places = decoded.channels_db[name]
            found = [decoded.get(name, group=group, index=index) for group, index in places]
            theirs = next(one for one in found if len(one.samples) == len(column.values))
            if theirs.samples.dtype.kind == "S":
                continue  # shown as the word of its choice
            np.testing.assert_allclose(theirs.samples.astype(float), column.values, atol=1e-9, err_msg=message)
            at = theirs.timestamps + whole.header.start_time.timestamp()
            np.testing.assert_allclose(at, column.time_s, rtol=0, atol=1e-6)
            compared += 1
    assert compared >= 60


def event(kind: str, count: int, fields: dict[str, Any]) -> Any:
    """An array of bus events as another logger may write them, without what its fields leave out."""
    columns = {name: np.asarray(value) for name, value in fields.items()}
    out = np.zeros(count, dtype=[(f"{kind}.{name}", c.dtype, c.shape[1:]) for name, c in columns.items()])
    for name, column in columns.items():
        out[f"{kind}.{name}"] = column
    return out


def test_groups_of_another_logger_are_put_in_the_order_of_time(
    tmp_path: Path, frames_of: FramesOf, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One group a bus, fields left out, local time, a clock that steps back; python-can's order is the oracle."""
    from asammdf import MDF, Signal, Source
    from asammdf.blocks.v4_blocks import SourceInformation

    path = tmp_path / "theirs.mf4"
    bus = SourceInformation(source_type=Source.SOURCE_BUS, bus_type=Source.BUS_TYPE_CAN)
    rng = np.random.default_rng(3)
    with MDF(version="4.10") as mdf:
        mdf.header.start_time = datetime(2024, 5, 6, 7, 8, 9)  # local time: without a zone
        for channel in range(3):
            count = 50 + channel
            times = np.cumsum(rng.choice([0.001, 0.01, 0.02], count))
            times[20:] -= 0.03
            events = event("CAN_DataFrame", count, {
                "BusChannel": np.full(count, channel, "<u1"), "ID": rng.integers(0, 0x7FF, count).astype("<u4"),
                "IDE": np.zeros(count, "<u1"), "DataLength": np.full(count, 8, "<u1"),
                "DataBytes": rng.integers(0, 256, (count, 8)).astype("<u1"),
            })  # fmt: skip
            mdf.append(Signal(events, times, name="CAN_DataFrame", source=bus), comment="one a bus")
        other = Signal(np.arange(9.0), np.arange(9.0), name="engine_speed")
        mdf.append(other, comment="what is measured beside the bus")
        mdf.save(path)
    monkeypatch.setattr(mf4_process, "_EVENTS", 7)
    back = read_here(path)
    assert len(back) == 153
    assert int((np.diff(back.time_ns) < 0).sum()) >= 1
    assert_as_python_can_sees_it(back, frames_of(back), path)


def test_events_that_are_no_frames_are_counted(tmp_path: Path) -> None:
    """An 11-bit identifier above 7FF, 9 bytes in a classic frame, no time; without IDE the top bit says 29-bit."""
    from asammdf import MDF, Signal, Source
    from asammdf.blocks.v4_blocks import SourceInformation

    path = tmp_path / "odd.mf4"
    bus = SourceInformation(source_type=Source.SOURCE_BUS, bus_type=Source.BUS_TYPE_CAN)
    with MDF(version="4.10") as mdf:
        events = event("CAN_DataFrame", 5, {
            "ID": np.array([0x123, 0x800, 0x123, 0x123, 0x8000_0800], "<u4"),
            "DataLength": np.array([2, 2, 9, 2, 2], "<u1"), "DataBytes": np.ones((5, 12), "<u1"),
        })  # fmt: skip
        times = np.array([1.0, 2.0, 3.0, np.nan, 5.0])
        mdf.append(Signal(events, times, name="CAN_DataFrame", source=bus), comment="odd")
        mdf.save(path)
    capture = read_capture(path)
    assert capture.identifier.tolist() == [0x123, 0x800]
    assert capture.flags.tolist() == [0, EXTENDED]
    assert capture.payload.tolist() == [[1, 1, 0, 0, 0, 0, 0, 0]] * 2
    assert capture.notes.unreadable_lines == 3
    assert "800 [2]" in capture.notes.examples[0]


def some_file(path: Path, make_capture: Make) -> bytes:
    noise = np.random.default_rng(2).integers(0, 256, (3000, 8)).astype(np.uint8)
    write_mf4(
        [make_capture([(START_NS + i * 10**6, i % 50, 0, 0, row.tobytes(), 8) for i, row in enumerate(noise)])], path
    )
    return path.read_bytes()


@pytest.mark.parametrize(
    "share", [0.3, 0.999, *(pytest.param(share, marks=pytest.mark.long) for share in (0.001, 0.9))]
)
def test_a_file_that_was_not_written_to_its_end(tmp_path: Path, make_capture: Make, share: float) -> None:
    path = tmp_path / "torn.mf4"
    whole = some_file(path, make_capture)
    path.write_bytes(whole[: max(20, int(len(whole) * share))])
    with pytest.raises(InputError, match=r"torn\.mf4 can't be read as \.mf4 .*damaged.*name another capture"):
        read_capture(path)


def test_a_damaged_file_at_the_command_line(tmp_path: Path, make_capture: Make) -> None:
    path = tmp_path / "torn.mf4"
    path.write_bytes(some_file(path, make_capture)[:5000])
    done = subprocess.run(
        [sys.executable, "-m", "swapbridge", "survey", str(path)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert "asammdf" not in done.stderr, "what its logging says is no answer for a person"


@pytest.mark.parametrize("content", [b"MDF     4.10    ", b"MDF     3.30    " + bytes(400), b"MDF     9.99    " * 90])
def test_only_the_first_bytes_are_right(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "junk.mf4"
    path.write_bytes(content)
    with pytest.raises(InputError, match="can't be read as"):
        read_capture(path)


def test_only_the_first_bytes_are_right_of_a_packed_file(tmp_path: Path) -> None:
    path = tmp_path / "junk.mf4"
    path.write_bytes(gzip.compress(b"MDF     9.99    " * 90))
    with pytest.raises(InputError, match="can't be read as"):
        read_capture(path)


def test_a_file_of_measurements_without_a_bus(tmp_path: Path) -> None:
    from asammdf import MDF, Signal

    with MDF(version="4.10") as mdf:
        mdf.append(Signal(np.arange(9.0), np.arange(9.0), name="engine_speed"), comment="no bus")
        mdf.save(tmp_path / "speed.mf4")
    with pytest.raises(InputError, match=r"no bus events.*CAN_DataFrame"):
        read_capture(tmp_path / "speed.mf4")
    write_mf4([], tmp_path / "none.mf4")
    with pytest.raises(InputError, match="contains no readable frames"):
        read_capture(tmp_path / "none.mf4")


@pytest.mark.parametrize("frames", [0, 3])
def test_a_reader_that_crashes_takes_nothing_with_it(
    tmp_path: Path, make_capture: Make, monkeypatch: pytest.MonkeyPatch, frames: int
) -> None:
    """asammdf has been seen to end with a segmentation fault on damaged files."""
    path = tmp_path / "drive.mf4"
    some_file(path, make_capture)
    (tmp_path / "crashing_reader.py").write_text(
        "import os, pickle, sys\nfrom pathlib import Path\nfrom swapbridge.capture.mf4_process import parts\n"
        "columns, notes = next(iter(parts(Path(sys.argv[1]))))\n"
        f"if {frames}:\n    pickle.dump((columns.rows(slice(0, {frames})), notes), sys.stdout.buffer)\n"
        f"    sys.stdout.buffer.flush()\nos.kill(os.getpid(), {int(signal.SIGSEGV)})\n"
    )
    monkeypatch.syspath_prepend(str(tmp_path))
    monkeypatch.setattr(mf4, "READER", "crashing_reader")
    if not frames:
        with pytest.raises(InputError, match="its reader failed"):
            read_capture(path)
        return
    capture = read_capture(path)
    assert len(capture) == frames
    assert "damaged after frame 3 (its reader failed)" in capture.notes.stopped


@pytest.mark.long
@settings(deadline=None, max_examples=25)
@given(st.lists(st.tuples(st.integers(64, 6000), st.binary(min_size=1, max_size=8)), min_size=1, max_size=4))
def test_damage_gives_a_capture_or_one_clear_error(
    tmp_path_factory: pytest.TempPathFactory, make_capture: Make, damage: list[tuple[int, bytes]]
) -> None:
    path = tmp_path_factory.getbasetemp() / "fuzz.mf4"
    content = bytearray(some_file(path, make_capture))
    for back, junk in damage:  # what describes the data stands at the end
        at = len(content) - back
        content[at : at + len(junk)] = junk
    path.write_bytes(content)
    try:
        sentences = "".join(read_capture(path).notes.sentences())
    except InputError as error:
        sentences = str(error)
    assert "\n" not in sentences
    assert "Traceback" not in sentences


def test_the_package_is_asked_for_where_it_is_missing(
    tmp_path: Path, make_capture: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    capture = make_capture([(1, 1, 0, 0, b"", 0)])
    some_file(tmp_path / "in.mf4", make_capture)
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    with pytest.raises(MissingToolError, match=r"in\.mf4 .*asammdf.*swapbridge\[mf4\]"):
        read_capture(tmp_path / "in.mf4")
    with pytest.raises(MissingToolError, match=r"out\.mf4 .*asammdf.*swapbridge\[mf4\]"):
        write_mf4([capture], tmp_path / "out.mf4")
    assert [path.name for path in tmp_path.iterdir()] == ["in.mf4"]


def test_the_command_there_and_back(tmp_path: Path, make_capture: Make, frames_of: FramesOf) -> None:
    """Text to .mf4 and back as real processes; the same bytes come out."""
    frames = [(START_NS + i * 1001, 0x100 + i, 0, i % 2, bytes([i]), 1) for i in range(50)]
    write_capture(make_capture(frames, ("0", "1")), tmp_path / "in.log")
    for source, target in (("in.log", "out.MF4"), ("out.MF4", "back.log")):
        words = [sys.executable, "-m", "swapbridge", "convert", source, target]
        done = subprocess.run(words, cwd=tmp_path, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr
        assert f"50 frames written to {target}" in done.stdout + done.stderr
    assert (tmp_path / "back.log").read_bytes() == (tmp_path / "in.log").read_bytes()
    with pytest.raises(InputError, match="can't write"):
        convert(tmp_path / "in.log", tmp_path / "nowhere" / "out.mf4")


def test_only_what_needs_asammdf_loads_it(tmp_path: Path, make_capture: Make) -> None:
    """It takes a second and much memory; python-can would load it with itself, cantools and isotp python-can."""
    some_file(tmp_path / "in.mf4", make_capture)
    script = (
        "import sys\nimport swapbridge.bus.recording.scantool\n"
        "import swapbridge.signalmap.dbc_read, swapbridge.bus.running.run\n"
        "from swapbridge.capture.read import read_capture\n"
        "frames = len(read_capture(sys.argv[1]))\nloaded = 'asammdf' in sys.modules\nimport asammdf\n"
        "print(frames, loaded, hasattr(asammdf, 'MDF'))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(tmp_path / "in.mf4")], capture_output=True, text=True, check=True
    )
    assert done.stdout.split() == ["3000", "False", "True"]
