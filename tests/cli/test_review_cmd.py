"""`swapbridge review`: what it shows, that 'yes' is kept in the file, and that the rest of the file stays as it was."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from swapbridge.cli.main import cli
from swapbridge.compiler.compile import compile_bridge
from swapbridge.swapfolder import reviewing
from tests.demo_folder import lay_out_demo


def review(folder: Path, *words: str, said: str = "") -> Result:
    return CliRunner().invoke(cli, ["review", *words, "--bridge", str(folder / "bridge.toml")], input=said)


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("swap")
    lay_out_demo(folder)
    return folder


@pytest.fixture
def swap(demo: Path) -> Path:
    """The demo's folder with two rules of its bridge file marked as learned."""
    path = demo / "bridge.toml"
    original = demo / "original.toml"
    if not original.exists():
        original.write_text(path.read_text())
    lines = original.read_text().splitlines()
    plan = compile_bridge(original).plan
    message, made = next((s, f) for s in plan.sends for f in s.variants[0].fields if f.role.endswith("Engine.Torque"))
    out, inside = [], False
    for line in lines:
        if line.startswith("send = "):
            inside = message.name in line
            out += [line, *(["unreviewed = true  # drafted"] if inside else [])]
        elif inside and line.startswith(f"{made.name} = {{"):
            out.append(line.replace("{", "{ unreviewed = true,", 1))
        elif inside and line.startswith(f"{made.name} = "):
            out.append(line.replace(" = ", " = { unreviewed = true, value = ", 1) + " }")
        else:
            out.append(line)
    path.write_text("\n".join(out) + "\n")
    assert compile_bridge(path).plan.unreviewed == (message.name, f"{message.name}.{made.name}")
    return demo


def test_it_shows_recorded_beside_made_and_keeps_a_yes(swap: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    name, signal = compile_bridge(swap / "bridge.toml").plan.unreviewed
    before = (swap / "bridge.toml").read_text()
    refused = review(swap, signal, said="n\n")
    assert refused.exit_code == 0, refused.output
    assert (swap / "bridge.toml").read_text() == before
    for words in ("rule ", "made from ", "recorded ", "made ", "in time ", "too little ", "at that moment"):
        assert words in refused.output
    assert "no recording here shows it" not in refused.output
    assert "(values from the stimulus)" in refused.output
    monkeypatch.setattr(reviewing, "review_lines", lambda *_: [])  # seen once; it takes seconds
    agreed = review(swap, signal, said="y\n")
    assert f"Wrote the review of {signal}" in agreed.output
    assert compile_bridge(swap / "bridge.toml").plan.unreviewed == (name,)
    assert f"Reviewed on {__import__('datetime').date.today().isoformat()}" in review(swap, signal).output
    assert "1 learned rules are not reviewed" in review(swap).output
    assert review(swap, name, "--yes").exit_code == 0
    assert compile_bridge(swap / "bridge.toml").plan.unreviewed == ()
    assert "Nothing is left to review" in review(swap).output
    kept = [line for line in (swap / "bridge.toml").read_text().splitlines() if "reviewed" not in line]
    assert kept == [line for line in before.splitlines() if "reviewed" not in line]


def test_a_name_that_is_no_learned_rule(swap: Path) -> None:
    result = review(swap, "host.Nothing")
    assert result.exit_code == 2
    assert "host.Nothing is not a learned rule of" in result.output
    assert "still to be reviewed:" in result.output
