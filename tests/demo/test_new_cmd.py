"""`swapbridge new`: the folder, its files, and that each of them is what its reader reads."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner

from swapbridge.bus.recording.script import load_script
from swapbridge.cli.commands.find_files import find_file, need_swap_folder
from swapbridge.cli.main import cli
from swapbridge.core.engine_health import load_health
from swapbridge.core.errors import InputError
from swapbridge.core.needs import load_needs
from swapbridge.demo.folder import write_demo_papers
from swapbridge.language.reading import parse_bridge
from swapbridge.swapfolder.paths import find_swap_folder


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    result = CliRunner().invoke(cli, ["new", str(tmp_path / "swap")])
    assert result.exit_code == 0, result.output
    assert "BEFORE anything is unplugged" in result.output
    return tmp_path / "swap"


def test_every_file_is_what_its_reader_reads(folder: Path) -> None:
    names = sorted(p.name for p in folder.iterdir())
    assert names == [
        "bridge.toml",
        "captures",
        "findings",
        "health.toml",
        "needs.toml",
        "signal_maps",
        "stimulus_script.toml",
        "survey",
    ]
    bridge = parse_bridge((folder / "bridge.toml").read_text(encoding="utf-8"))
    assert [b.name for b in bridge.buses] == ["host", "donor"]
    assert {n.how for n in load_needs(folder / "needs.toml")} == {"wired", "licensed programming"}
    assert load_health(folder / "health.toml")[0].which == "donor"
    assert len(load_script(folder / "stimulus_script.toml")) > 5


def test_comments_taken_away_it_is_a_bridge_file(folder: Path) -> None:
    """What stands behind a # to be used is right as it stands."""
    text = (folder / "bridge.toml").read_text(encoding="utf-8")
    live = re.sub(r"^# (?=[\[\w]+(?:\]| = |\.))", "", text, flags=re.MULTILINE)
    bridge = parse_bridge(live.replace('needs = "needs.toml"', ""))
    assert {m.message.text for m in bridge.messages} == {"host.EngineData", "donor.TCU_REQUEST"}
    assert "dial" in bridge.curves
    needs = (folder / "needs.toml").read_text(encoding="utf-8")
    assert len(tomllib.loads(re.sub(r"^# (?=[\[\w]+(?:\]| = ))", "", needs, flags=re.MULTILINE))["need"]) == 5


def test_nothing_is_ever_overwritten(folder: Path) -> None:
    result = CliRunner().invoke(cli, ["new", str(folder)])
    assert result.exit_code == 2
    assert "not empty" in result.output
    (folder.parent / "file").write_text("mine", encoding="utf-8")
    assert CliRunner().invoke(cli, ["new", str(folder.parent / "file")]).exit_code == 2
    assert CliRunner().invoke(cli, ["new", str(folder.parent / "file" / "below")]).exit_code == 2
    assert (folder.parent / "file").read_text(encoding="utf-8") == "mine"


def test_an_empty_folder_is_filled(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    assert CliRunner().invoke(cli, ["new", str(tmp_path / "empty")]).exit_code == 0


def test_files_are_found_upwards(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (folder / "captures" / "a.log").write_text("", encoding="utf-8")
    inside = folder / "signal_maps"
    assert find_swap_folder(inside) is not None
    assert find_swap_folder(folder.parent) is None
    monkeypatch.chdir(inside)
    assert need_swap_folder("plan").plan == folder / "plan.json"
    assert find_file(Path("a.log"), "captures") == folder / "captures" / "a.log"
    assert find_file(Path("b.log"), "captures") == Path("b.log")
    monkeypatch.chdir(folder.parent)
    with pytest.raises(InputError, match="no plan was named"):
        need_swap_folder("plan")


def test_demo_papers_are_what_their_readers_read(tmp_path: Path) -> None:
    (tmp_path / "signal_maps").mkdir()
    write_demo_papers(tmp_path)
    needs = load_needs(tmp_path / "needs.toml")
    assert sum(n.how == "can" for n in needs) == 10
    donor, host = load_health(tmp_path / "health.toml")
    assert (donor.grade, host.grade) == ("good", "bad")  # the reason for the swap
