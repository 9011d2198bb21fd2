"""`swapbridge tour` writes into a folder of its own and nowhere else. `tests/test_readme.py` runs the tour itself."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from swapbridge.cli.commands.tour_cmd import FIRST_LINE, SUMMARY, THE_SAME, check_folder
from swapbridge.cli.main import cli


def test_a_folder_with_other_things_is_refused(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine", encoding="utf-8")
    result = CliRunner().invoke(cli, ["tour", "--folder", str(tmp_path)])
    assert result.exit_code == 2
    assert "contains something other than a tour" in result.output
    assert [p.name for p in tmp_path.iterdir()] == ["mine.txt"]


def test_a_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine", encoding="utf-8")
    for name in ("file", "file/below"):
        result = CliRunner().invoke(cli, ["tour", "--folder", str(tmp_path / name)])
        assert result.exit_code == 2
        assert "Traceback" not in result.output


def test_an_earlier_tour_is_written_anew(tmp_path: Path) -> None:
    (tmp_path / SUMMARY).write_text(f"{FIRST_LINE}\n", encoding="utf-8")
    (tmp_path / "plan.json").write_text("old", encoding="utf-8")
    check_folder(tmp_path)
    check_folder(tmp_path / "new" / "deep")
    assert (tmp_path / "new" / "deep").is_dir()


@pytest.mark.parametrize("line", THE_SAME.replace("\\\n", " ").splitlines())
def test_commands_by_hand_fit_and_exist(line: str) -> None:
    """They are README's own, which tests/test_readme.py runs; here only that each is a command with those options."""
    words = line.split()
    assert words[0] == "swapbridge"
    called = [w for w in words[1:3] if w in ("c", "accept", "merge") or w == words[1]]
    result = CliRunner().invoke(cli, [*called, "--help"])
    assert result.exit_code == 0
    for option in (w for w in words if w.startswith("--")):
        assert option in result.output, option


def test_commands_by_hand_fit_a_screen_of_100_columns() -> None:
    """They are printed two columns in."""
    assert [line for line in THE_SAME.splitlines() if len(line) > 98] == []
