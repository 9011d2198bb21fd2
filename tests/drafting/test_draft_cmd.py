"""`swapbridge draft` in a swap folder: new, copy the recordings, draft, compile, with nothing between."""

from __future__ import annotations

import json
from html import unescape
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from swapbridge.capture.stimulus import write_stimulus
from swapbridge.capture.write import write_capture
from swapbridge.cli.main import cli
from tests.drafting.rig import recordings

NAMES = {
    "host": "host_old_engine",
    "host unplugged": "host_unplugged",
    "donor": "donor_own_vehicle",
    "donor alone": "donor_alone",
}


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    assert CliRunner().invoke(cli, ["new", str(tmp_path / "swap")]).exit_code == 0
    captures, tracks = recordings()
    for kind, capture in captures.items():
        write_capture(capture, tmp_path / "swap" / "captures" / f"{NAMES[kind]}.log.gz")
    for kind, track in tracks.items():
        write_stimulus(track, tmp_path / "swap" / "captures" / f"{NAMES[kind]}.csv")
    monkeypatch.chdir(tmp_path / "swap")
    return tmp_path / "swap"


def call(*words: str) -> Result:
    return CliRunner().invoke(cli, list(words), catch_exceptions=False)


def test_new_copy_draft_compile(folder: Path) -> None:
    drafted = call("draft", "--jobs", "1")
    assert drafted.exit_code == 0, drafted.output
    assert "5 messages will be missed" in drafted.output
    assert "3F8 can't be made" in drafted.output
    compiled = call("compile", "bridge.toml", "--out", "plan.json")
    assert compiled.exit_code == 0, compiled.output
    claims = json.loads((folder / "draft.json").read_text())["signals"]
    assert {c["how"] for c in claims} >= {"copy", "table"}
    assert all(0 <= c["confidence"] <= 1 for c in claims)
    assert (folder / "findings" / "host_old_engine.json").is_file()
    data = json.loads((folder / "survey" / "draft_outlook.json").read_text())["outlook"]
    assert data[0].startswith("5 messages will be missed")

    text = (folder / "bridge.toml").read_text()
    line = next(one for one in text.splitlines() if one.startswith("engine_speed"))
    mine = 'engine_speed = { value = "donor.M_0A0.f_7_16", fallback = "0 rpm", role = "engine_speed" }  # mine'
    (folder / "bridge.toml").write_text(text.replace(line, mine))
    again = call("draft", "--jobs", "1")
    assert again.exit_code == 0, again.output
    assert "changed:" not in again.output
    assert mine in (folder / "bridge.toml").read_text()


@pytest.mark.long
def test_the_host_alone_gets_its_outlook_as_a_report_too(folder: Path) -> None:
    for name in ("donor_alone.log.gz", "donor_own_vehicle.log.gz", "donor_own_vehicle.csv"):
        (folder / "captures" / name).unlink()
    bridge = (folder / "bridge.toml").read_bytes()
    told = call("draft", "--jobs", "1")
    assert told.exit_code == 0, told.output
    assert "A donor's computer must send" in told.output
    lines = json.loads((folder / "survey" / "draft_outlook.json").read_text())["outlook"]
    report = unescape((folder / "draft.html").read_text())
    at = [report.index(line) for line in lines]
    assert at == sorted(at)
    assert "What a donor's computer must send" in report
    assert (folder / "bridge.toml").read_bytes() == bridge
    assert not (folder / "draft.json").exists()


def test_a_missing_recording_is_named(folder: Path) -> None:
    (folder / "captures" / "donor_alone.log.gz").unlink()
    before = (folder / "bridge.toml").read_text()
    refused = CliRunner().invoke(cli, ["draft"])
    assert refused.exit_code == 2
    assert "the donor's computer alone on a table (donor_alone)" in refused.output
    assert (folder / "bridge.toml").read_text() == before
    assert not (folder / "draft.json").exists()
