"""Output that must survive a machine's old code page: what Windows writes into files and pipes."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from swapbridge.cli.screen.plain_text import NAME, plainer, survive_any_encoding

CAPTURES = Path(__file__).parents[2] / "captures"
UNPLUGGED = CAPTURES / "host_unplugged.log.gz"


def run(encoding: str, *arguments: str) -> tuple[str, str]:
    """What a command writes into pipes of this encoding."""
    done = subprocess.run(
        [sys.executable, "-m", "swapbridge", *arguments],
        capture_output=True,
        env={**os.environ, "PYTHONIOENCODING": encoding, "PYTHONUTF8": "0", "COLUMNS": "100"},
        timeout=200,
        check=False,
    )
    assert done.returncode == 0, done.stderr.decode(encoding)
    return done.stdout.decode(encoding), done.stderr.decode(encoding)


@pytest.fixture(scope="module")
def bare() -> str:
    """The survey where everything can be shown."""
    return run("utf-8", "survey", str(UNPLUGGED))[0]


@pytest.mark.parametrize("encoding", ["cp1252", "ascii"])
def test_a_survey_is_whole_where_bars_cannot_be_shown(encoding: str, bare: str) -> None:
    out, err = run(encoding, "survey", str(UNPLUGGED))
    assert err == ""
    assert any(line.startswith("|__") for line in out.splitlines())
    assert len(out.splitlines()) == len(bare.splitlines())


def test_a_file_whose_name_cannot_be_shown(tmp_path: Path) -> None:
    log = tmp_path / "двигатель.log"
    log.write_text("(1.000000) can0 123#11\n", encoding="utf-8")
    out, _ = run("cp1252", "survey", str(log))
    assert "?????????.log" in out.replace("\n", "").replace("\r", "")


@given(st.text(), st.sampled_from(["cp1252", "cp437", "ascii", "cp932"]))
def test_any_text_can_be_written(text: str, encoding: str) -> None:
    survive_any_encoding()
    written = text.encode(encoding, NAME).decode(encoding)
    assert plainer(text).isascii()
    if text.isascii():
        assert written == text


def test_a_likeness_where_there_is_one() -> None:
    survive_any_encoding()
    assert "120 Ω → 60 Ω │▁█│ é".encode("ascii", NAME) == b"120 ohm > 60 ohm |_#| ?"
    with pytest.raises(UnicodeDecodeError):
        b"\xff".decode("ascii", NAME)
