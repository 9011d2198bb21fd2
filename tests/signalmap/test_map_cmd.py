"""`swapbridge map`, as a person calls it."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from swapbridge.cli.main import cli
from swapbridge.core.layout import Layout
from swapbridge.demo.vehicle_maps import host_map
from swapbridge.signalmap.dbc_read import load_map
from swapbridge.signalmap.dbc_write import save_map
from swapbridge.signalmap.findings import Findings, FoundField, FoundMessage

SPEED = FoundField("field_7_16", Layout(7, 16, "big_endian"), "analogue", 1.0, 0.99, 0.25, 0.0, "rpm", "engine_speed")


@pytest.fixture
def findings(tmp_path: Path) -> Path:
    found = Findings((FoundMessage(0x0C8, False, "host", 8, 10.0, 900, (SPEED,)),))
    path = tmp_path / "findings.json"
    path.write_text(json.dumps(found.to_dict()), encoding="utf-8")
    return path


def call(*words: str | Path) -> Result:
    return CliRunner().invoke(cli, ["map", *(str(w) for w in words)])


def refused(result: Result, *words: str) -> None:
    """Exit 2, one sentence, no traceback."""
    assert result.exit_code == 2, result.output
    assert result.output.count("\n") <= 4
    for word in words:
        assert word in result.output


def test_accept_then_show(findings: Path, tmp_path: Path) -> None:
    out = tmp_path / "host.dbc"
    names = tmp_path / "names.toml"
    names.write_text('"0C8" = "EngineData"\n"0C8.engine_speed" = "EngineSpeed"\n', encoding="utf-8")
    result = call("accept", findings, "--into", out, "--names", names)
    assert result.exit_code == 0, result.output
    assert "1 signals with meaning" in result.output
    (message,) = load_map(out).messages
    assert (message.name, message.signals[0].name) == ("EngineData", "EngineSpeed")
    shown = call("show", out)
    assert shown.exit_code == 0
    assert "raw x 0.25 rpm" in shown.output
    assert max(len(line) for line in shown.output.splitlines()) <= 100


def test_confidence_asked_for(findings: Path, tmp_path: Path) -> None:
    result = call("accept", findings, "--into", tmp_path / "m.dbc", "--min-confidence", "0.995")
    assert "0 signals with meaning and 1 as raw fields" in result.output


def test_show_of_the_demo_map_fits_a_terminal(tmp_path: Path) -> None:
    save_map(host_map(), tmp_path / "host.dbc")
    shown = call("show", tmp_path / "host.dbc")
    assert max(len(line) for line in shown.output.splitlines()) <= 100
    assert "16 messages" in shown.output
    assert "counter 0 to 14" in shown.output
    one = call("show", tmp_path / "host.dbc", "--id", "0C8")
    assert "EngineData" in one.output
    assert "TransState" not in one.output
    refused(call("show", tmp_path / "host.dbc", "--id", "7FF"), "has no message 7FF")


def test_merge_shows_what_differs(findings: Path, tmp_path: Path) -> None:
    save_map(host_map(), tmp_path / "host.dbc")
    assert call("accept", findings, "--into", tmp_path / "found.dbc").exit_code == 0
    result = call("merge", tmp_path / "host.dbc", tmp_path / "found.dbc", "--out", tmp_path / "both.dbc")
    assert result.exit_code == 0, result.output
    assert "1 signals in both" in result.output
    speed = load_map(tmp_path / "both.dbc").messages[2].signal("EngineSpeed")
    assert speed is not None
    assert speed.evidence["confidence"] == 0.99


def test_export(tmp_path: Path) -> None:
    save_map(host_map(), tmp_path / "host.dbc")
    for name in ("h.csv", "h.json", "h.dbc"):
        assert call("export", tmp_path / "host.dbc", "--out", tmp_path / name).exit_code == 0
    assert load_map(tmp_path / "h.dbc") == host_map()
    with (tmp_path / "h.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    signals = [(m.name, s.name) for m in host_map().messages for s in m.signals]
    assert [(r["message"], r["signal"]) for r in rows] == signals
    data = json.loads((tmp_path / "h.json").read_text(encoding="utf-8"))
    assert [(r["message"], r["signal"]) for r in data] == signals
    assert data[3]["checksum"]["kind"] == "affine" or any(r["checksum"] for r in data)
    refused(call("export", tmp_path / "host.dbc", "--out", tmp_path / "h.xls"), ".dbc, .csv or .json")


def test_bad_input_is_one_sentence(findings: Path, tmp_path: Path) -> None:
    out = tmp_path / "m.dbc"
    (tmp_path / "junk.json").write_bytes(b"\x00\xff{")
    (tmp_path / "list.json").write_text("[]", encoding="utf-8")
    (tmp_path / "deep.json").write_text("[" * 100_000, encoding="utf-8")
    (tmp_path / "no.dbc").write_text("hello", encoding="utf-8")
    refused(call("accept", tmp_path / "none.json", "--into", out), "none.json")
    refused(call("accept", tmp_path / "junk.json", "--into", out), "junk.json")
    refused(call("accept", tmp_path / "deep.json", "--into", out), "deep.json")
    refused(call("accept", tmp_path / "list.json", "--into", out), "not findings")
    refused(call("accept", findings, "--into", tmp_path / "no.dbc"), "no.dbc")
    refused(call("accept", findings, "--into", tmp_path / "none" / "m.dbc"), "folder")
    refused(call("accept", findings, "--into", out, "--bus", "body"), "body")
    refused(call("show", tmp_path / "no.dbc"), "not a DBC")
    refused(call("show", tmp_path / "none.dbc"), "none.dbc")
    (tmp_path / "names.toml").write_text('"0C8" = 5\n', encoding="utf-8")
    refused(call("accept", findings, "--into", out, "--names", tmp_path / "names.toml"), "names.toml")
    assert not out.exists()


def test_as_a_real_process(findings: Path, tmp_path: Path) -> None:
    words = [sys.executable, "-m", "swapbridge", "map", "accept", findings.name, "--into", "m.dbc"]
    done = subprocess.run(words, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "m.dbc").exists()
    gone = subprocess.run(
        [*words[:5], "none.json", *words[6:]], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert gone.returncode == 2
    assert "Traceback" not in gone.stderr
    assert gone.stdout == ""


def test_files_are_found_from_inside_a_swap_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert CliRunner().invoke(cli, ["new", str(tmp_path / "swap")]).exit_code == 0
    save_map(host_map(), tmp_path / "swap" / "signal_maps" / "host.dbc")
    monkeypatch.chdir(tmp_path / "swap" / "captures")
    assert "16 messages" in call("show", "host.dbc").output
    assert "16 messages" in call("show", "signal_maps/host.dbc").output
