"""`swapbridge emit c`, through click and as a real process."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from swapbridge.cli.main import cli
from swapbridge.emit.emit_c import emit_c
from tests.emit.c_runs import build_harness
from tests.emit.random_plans import random_plan


@pytest.fixture
def plan_file(tmp_path: Path) -> Path:
    path = tmp_path / "plan.json"
    path.write_text(random_plan(7).to_json(), encoding="utf-8")
    return path


def test_writes_every_file_and_names_them(plan_file: Path, tmp_path: Path) -> None:
    out = tmp_path / "new" / "folder"
    done = CliRunner().invoke(cli, ["emit", "c", str(plan_file), "--out", str(out)])
    assert done.exit_code == 0, done.output
    written = {p.name: p.read_text(encoding="utf-8") for p in out.iterdir()}
    assert written == emit_c(random_plan(7))
    assert [Path(line).name for line in done.stdout.splitlines()] == list(written) or set(written) == {
        Path(line).name for line in done.stdout.splitlines()
    }
    assert "bridge_notes.txt before you connect" in done.stderr


def test_as_a_process_with_another_name(plan_file: Path, tmp_path: Path) -> None:
    command = [
        sys.executable,
        "-m",
        "swapbridge",
        "emit",
        "c",
        str(plan_file),
        "--out",
        str(tmp_path),
        "--name",
        "gate",
    ]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr
    files = {p.name.replace("gate", "bridge"): p.read_text().replace("gate", "bridge").replace("GATE", "BRIDGE")
             for p in tmp_path.glob("gate*")}  # fmt: skip
    build_harness(files, tmp_path)


@pytest.mark.parametrize(
    ("text", "message"),
    [("{}", "not a plan"), ("{", "not readable JSON"), ('{"format": "swapbridge-plan"}', "version")],
)
def test_what_is_no_plan_is_told_and_nothing_written(text: str, message: str, tmp_path: Path) -> None:
    path = tmp_path / "x.json"
    path.write_text(text)
    done = CliRunner().invoke(cli, ["emit", "c", str(path), "--out", str(tmp_path / "out")])
    assert done.exit_code == 2
    assert message in done.output
    assert not (tmp_path / "out").exists()


def test_bytes_that_are_no_text(tmp_path: Path) -> None:
    path = tmp_path / "x.json"
    path.write_bytes(b"\xff\xfe\x00")
    done = CliRunner().invoke(cli, ["emit", "c", str(path), "--out", str(tmp_path / "out")])
    assert done.exit_code == 2
    assert "can't be read as a plan" in done.output


def test_a_folder_that_cannot_be_made_is_told(plan_file: Path, tmp_path: Path) -> None:
    done = CliRunner().invoke(cli, ["emit", "c", str(plan_file), "--out", str(plan_file / "under")])
    assert done.exit_code == 2
    assert "can't be created" in done.output or "is a file" in done.output


def test_when_one_file_cannot_be_replaced_old_ones_stay(plan_file: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    (out / "bridge.h").mkdir(parents=True)
    (out / "bridge.c").write_text("old")
    done = CliRunner().invoke(cli, ["emit", "c", str(plan_file), "--out", str(out)])
    assert done.exit_code == 2
    assert "can't write" in done.output
    assert not [p for p in out.iterdir() if p.name.startswith(".")]


def test_help_names_what_is_written() -> None:
    text = CliRunner().invoke(cli, ["emit", "c", "--help"]).output
    for name in ("NAME.h", "NAME_harness.c", "NAME_linux.c", "NAME_board.c", "NAME_notes.txt"):
        assert name in text
