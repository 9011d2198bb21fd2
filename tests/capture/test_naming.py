"""Which file is a recording, which is its stimulus, and of what vehicle: told in one place, by worked examples."""

from __future__ import annotations

from pathlib import Path

import can
import pytest

from swapbridge.capture.naming import is_recording, kind_of, recording_stem, recordings, recordings_by_kind
from swapbridge.swapfolder.status import swap_status

FRAMES = "timestamp,arbitration_id,extended,remote,error,dlc,data\n1.0,0x1A0,0,0,0,1,AA==\n"
STIMULUS = "time_s,channel,value,unit\n1.0,engine_speed,800,rpm\n"


def put(folder: Path, **files: str) -> Path:
    for name, text in files.items():
        (folder / name.replace("__", ".")).write_text(text)
    return folder


@pytest.mark.parametrize(
    ("name", "text", "recording"),
    [
        ("a.log", "", True),
        ("a.LOG.GZ", "", True),
        ("a.parquet.gz", "", False),
        ("a.blf", "", True),
        ("a.db", "", True),
        ("a.csv", FRAMES, True),
        ("a.csv", STIMULUS, False),
        ("a.csv", "", False),
        ("a.stimulus.csv", FRAMES, False),
        ("a.scan_tool.csv", FRAMES, False),
        ("a.txt", "", False),
    ],
)
def test_what_is_a_recording(tmp_path: Path, name: str, text: str, recording: bool) -> None:
    (tmp_path / name).write_text(text)
    assert is_recording(tmp_path / name) is recording


def test_a_stimulus_file_is_never_the_donor(tmp_path: Path) -> None:
    """A lone donor.csv of a scan tool's values is no recording of the donor; one that holds frames is."""
    captures = tmp_path / "captures"
    captures.mkdir()
    put(captures, donor__csv=STIMULUS)
    assert recordings(captures) == []
    assert {line.topic: line.state for line in swap_status(tmp_path).lines}["donor in its own vehicle"] == "to do"
    put(captures, donor__csv=FRAMES)
    assert [r.kind for r in recordings(captures)] == ["donor"]


def test_the_recorders_own_names_are_known(tmp_path: Path) -> None:
    captures = tmp_path / "captures"
    captures.mkdir()
    put(
        captures,
        host_old__log="(1.000000) host 0C8#0102\n",
        host_old__stimulus__csv=STIMULUS,
        host_old__scan_tool__csv=STIMULUS,
    )
    (found,) = recordings(captures)
    assert found.stimulus == captures / "host_old.stimulus.csv"
    words = {line.topic: line.words for line in swap_status(tmp_path).lines}["host with its old engine"]
    assert words == "host_old.log"  # with its stimulus file, and nothing counted twice
    put(captures, host_old__csv=STIMULUS)
    assert recordings(captures)[0].stimulus == captures / "host_old.stimulus.csv"


def test_kinds_by_name(tmp_path: Path) -> None:
    names = ("b_host.log", "a_host_unplugged.log.gz", "donor_alone.asc", "Donor drive.blf", "idle.log", "c_host.log")
    put(tmp_path, **{name.replace(".", "__"): "" for name in names})
    by_kind = {kind: r.path.name for kind, r in recordings_by_kind(tmp_path).items()}
    assert by_kind == {
        "host unplugged": "a_host_unplugged.log.gz",
        "host": "b_host.log",
        "donor alone": "donor_alone.asc",
        "donor": "Donor drive.blf",
    }
    assert kind_of("idle.log") == ""
    assert recordings(tmp_path / "nowhere") == []


def test_stems() -> None:
    assert recording_stem("idle.log.gz") == "idle"
    assert recording_stem("run.2.asc") == "run.2"
    assert recording_stem("notes.txt") == "notes.txt"


def test_a_csv_that_python_can_wrote_is_known(tmp_path: Path) -> None:
    with can.CSVWriter(str(tmp_path / "a.csv")) as writer:
        writer.on_message_received(can.Message(timestamp=1.0, arbitration_id=0x1A0, is_extended_id=False, data=b"\x01"))
    assert is_recording(tmp_path / "a.csv")
