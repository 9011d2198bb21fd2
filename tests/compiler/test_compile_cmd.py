"""`swapbridge compile` from the outside."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import cantools
import pytest
from click.testing import CliRunner

from swapbridge.cli.main import cli
from swapbridge.plan.serialise import plan_from_json
from swapbridge.signalmap.dbc_read import load_map
from swapbridge.signalmap.dbc_write import save_map
from tests.compiler.kit import DONOR, HOST, RICH


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    save_map(DONOR, tmp_path / "donor.dbc")
    save_map(HOST, tmp_path / "host.dbc")
    text = RICH.replace("[buses.host]", '[buses.host]\nmap = "host.dbc"')
    (tmp_path / "bridge.toml").write_text(text.replace("[buses.donor]", '[buses.donor]\nmap = "donor.dbc"'))
    return tmp_path


def test_explains_and_writes_the_plan_and_a_dbc_of_what_is_sent(folder: Path) -> None:
    out, dbc = folder / "plan.json", folder / "sent.dbc"
    arguments = ["compile", str(folder / "bridge.toml"), "--explain", "--out", str(out), "--sent-dbc", str(dbc)]
    result = CliRunner().invoke(cli, [*arguments, "--bus", "host"])
    assert result.exit_code == 0, result.output
    assert max(len(line) for line in result.stdout.splitlines()) <= 100
    assert "110 EngineTorque, 8 bytes: every 25 ms and at once when donor.PCM_FAST arrives" in result.stdout
    assert "500 EngineInfo, 4 bytes: once after each wake, 40 ms after it." in result.stdout
    assert "note: donor.VSC_D" in result.stderr
    plan = plan_from_json(out.read_text())
    assert [s.name for s in plan.sends][:2] == ["host.EngineTorque", "host.Ack"]
    names = {m.name for m in load_map(dbc).messages}
    assert names == {"EngineStatus", "EngineTorque", "EngineMux", "EngineInfo", "Ack"}
    reader = cantools.database.load_file(dbc)
    assert {s.name for s in reader.get_message_by_name("EngineInfo").signals} == {"Code", "Ref"}  # type: ignore[union-attr]


def test_another_map_can_be_given(folder: Path) -> None:
    (folder / "donor.dbc").rename(folder / "other.dbc")
    bridge = str(folder / "bridge.toml")
    missing = CliRunner().invoke(cli, ["compile", bridge])
    assert missing.exit_code == 2
    assert "donor.dbc" in missing.output
    assert CliRunner().invoke(cli, ["compile", bridge, "--map", f"donor={folder / 'other.dbc'}"]).exit_code == 0
    for wrong in ("donor", "=x", "engine=x.dbc"):
        result = CliRunner().invoke(cli, ["compile", bridge, "--map", wrong])
        assert result.exit_code == 2
        assert "Traceback" not in result.output


def test_a_refusal_is_one_sentence_exit_2_and_nothing_written(folder: Path) -> None:
    bridge = folder / "bridge.toml"
    bridge.write_text(bridge.read_text().replace("clamp(donor.PCM_FAST.RPM, 0 rpm, top)", "donor.PCM_FAST.RPMM"))
    done = subprocess.run(
        [sys.executable, "-m", "swapbridge", "compile", str(bridge), "--out", str(folder / "plan.json")],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert done.stdout == ""
    assert "bridge.toml:" in done.stderr
    assert "has no signal 'RPMM'; did you mean RPM" in done.stderr
    assert not (folder / "plan.json").exists()
