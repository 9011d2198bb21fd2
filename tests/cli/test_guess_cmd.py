"""`swapbridge guess` as people call it: tables, one identifier's story, files, refusals, and as a real process."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from swapbridge.capture.capture import Capture
from swapbridge.capture.stimulus import Channel, StimulusTrack, write_stimulus
from swapbridge.capture.write import write_capture
from swapbridge.cli.main import cli
from swapbridge.signalmap.dbc_read import load_map


def moving(n: int, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return np.convolve(np.repeat(rng.uniform(0, 1, n // 120 + 1), 120)[:n], np.ones(30) / 30, "same")


def garage(folder: Path, *, obd: bool = False) -> tuple[Path, Path]:
    """A small capture (engine speed, road speed, a counter) and a stimulus file, or answers in the capture instead."""
    n = 2500
    rpm, road = 700 + moving(n, 1) * 3000, moving(n, 2) * 120
    payload = np.zeros((n, 8), np.uint8)
    raw, speed = np.round(rpm * 4).astype(int), np.round(road * 100).astype(int)
    payload[:, 0], payload[:, 1] = raw >> 8, raw & 255
    payload[:, 2], payload[:, 3] = speed & 255, speed >> 8
    payload[:, 7] = np.arange(n) % 16
    time = np.arange(n) * 0.02
    frames = [(time, np.full(n, 0x1A0), payload)]
    at = np.arange(1.0, 49, 0.15)
    k = ((at - 0.12) / 0.02).astype(int)
    if obd:
        answers = np.zeros((len(at), 8), np.uint8)
        told = np.round(rpm[k] * 4).astype(int)
        answers[:, :3] = (4, 0x41, 0x0C)
        answers[:, 3], answers[:, 4] = told >> 8, told & 255
        frames.append((at, np.full(len(at), 0x7E8), answers))
    times = np.concatenate([f[0] for f in frames])
    order = np.argsort(times, kind="stable")
    total = len(times)
    capture = Capture(
        ((times[order] + 500) * 1e9).astype(np.int64),
        np.concatenate([f[1] for f in frames])[order].astype(np.uint32),
        np.zeros(total, np.uint8),
        np.zeros(total, np.uint8),
        np.full(total, 8, np.uint8),
        np.concatenate([f[2] for f in frames])[order],
    )
    track = StimulusTrack(
        {
            "engine_speed": Channel("engine_speed", at + 500, np.round(rpm[k] * 4) / 4, "rpm"),
            "vehicle_speed": Channel("vehicle_speed", at + 500, np.round(road[k]), "km/h"),
        }
    )
    write_capture(capture, folder / "drive.log")
    write_stimulus(track, folder / "drive.csv")
    return folder / "drive.log", folder / "drive.csv"


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    return garage(tmp_path_factory.mktemp("garage"))


def run(*words: object) -> str:
    result = CliRunner().invoke(cli, ["guess", *map(str, words)])
    assert result.exit_code == 0, result.output
    return result.stdout


def test_the_table_reads_well_at_100_columns(files: tuple[Path, Path]) -> None:
    """Totals, best claims first with a word and a number, counters below; no line over 100 columns."""
    text = run(files[0], "--stimulus", files[1])
    lines = text.splitlines()
    assert max(map(len, lines)) <= 100
    assert lines[0].startswith("1 identifier: ")
    claims = [line.split() for line in lines if line.startswith(("engine_speed", "vehicle_speed"))]
    assert {words[0] for words in claims} == {"engine_speed", "vehicle_speed"}
    assert "raw x 0.25" in text
    assert "raw x 0.01" in text
    assert "counts 0 to 15" in text


def test_json_dbc_and_picture_are_written(files: tuple[Path, Path], tmp_path: Path) -> None:
    """The files hold the same claims: JSON of version 1, a DBC that loads, a page."""
    out = {kind: tmp_path / f"out.{kind}" for kind in ("json", "dbc", "html")}
    run(files[0], "--stimulus", files[1], "--json", out["json"], "--dbc", out["dbc"], "--plot", out["html"])
    data = json.loads(out["json"].read_text())
    signals = {s["stimulus"]: s for m in data["messages"] for s in m["signals"] if s["stimulus"]}
    assert data["version"] == 1
    assert (signals["engine_speed"]["scale"], signals["engine_speed"]["offset"]) == (0.25, 0.0)
    assert set(data["channels"]) == {"engine_speed", "vehicle_speed"}
    names = {s.name for m in load_map(out["dbc"]).messages for s in m.signals}
    assert "engine_speed" in names
    assert out["html"].read_text().startswith("<!doctype html>")


def test_one_identifier_tells_its_whole_story(files: tuple[Path, Path]) -> None:
    """A bit map in plain characters and the evidence of each claim."""
    text = run(files[0], "--stimulus", files[1], "--id", "1A0")
    assert "byte   7 6 5 4  3 2 1 0" in text
    assert "follows engine_speed: raw x 0.25 rpm" in text
    assert "held-out stretches" in text
    assert max(map(len, text.splitlines())) <= 100


def test_answers_in_the_capture_are_used_without_being_asked(tmp_path: Path) -> None:
    """A scan tool on the same bus is the stimulus; its own answers are no claim."""
    log, _ = garage(tmp_path, obd=True)
    text = run(log)
    claims = [line for line in text.splitlines() if line.startswith("engine_speed")]
    assert len(claims) == 1
    assert "1A0" in claims[0]


def test_two_captures_are_taken_together(files: tuple[Path, Path]) -> None:
    """The same drive twice is one longer drive."""
    text = run(files[0], files[0], "--stimulus", files[1], "--stimulus", files[1])
    assert "raw x 0.25" in text


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--id", "zz"], "is not hexadecimal"),
        (["--id", "7FF"], "is not in the capture"),
        (["--plot", "out.gif"], "give the file one of these extensions"),
        (["--jobs", "0"], "at least 1 process"),
        (["--stimulus", "CSV", "--stimulus", "CSV"], "one --stimulus for every capture"),
        (["--stimulus", "CSV", "--stimulus-time", "relative"], "do not overlap"),
    ],
)
def test_wrong_calls_are_refused_with_one_sentence(
    files: tuple[Path, Path], tmp_path: Path, words: list[str], message: str
) -> None:
    """Exit code 2, what is wrong and what to do, nothing written."""
    call = [str(files[1]) if w == "CSV" else str(tmp_path / w) if w.startswith("out.") else w for w in words]
    result = CliRunner().invoke(cli, ["guess", str(files[0]), *call, "--json", str(tmp_path / "never.json")])
    assert result.exit_code == 2
    assert message in " ".join(result.stderr.split())
    assert not (tmp_path / "never.json").exists()


def test_as_a_real_process(files: tuple[Path, Path], tmp_path: Path) -> None:
    """Findings on standard output, remarks on standard error, a missing file exits 2."""
    call = [sys.executable, "-m", "swapbridge", "guess"]
    done = subprocess.run(
        [*call, str(files[0]), "--stimulus", str(files[1]), "--json", str(tmp_path / "f.json")],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "engine_speed" in done.stdout
    assert "wrote" in done.stderr
    missing = subprocess.run([*call, str(tmp_path / "no.log")], capture_output=True, text=True, check=False)
    assert missing.returncode == 2
    assert "no.log" in missing.stderr
    assert "Traceback" not in missing.stderr
