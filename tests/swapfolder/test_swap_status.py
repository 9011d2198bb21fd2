"""Prove room: the swap at a glance: what is missing, and the one next thing in the right order."""

from __future__ import annotations

import gzip
import sys
from pathlib import Path

import pytest

from swapbridge.compiler.compile import compile_bridge
from swapbridge.signalmap.dbc_write import save_map
from swapbridge.swapfolder.status import _in, swap_status
from tests.proofs import write_proof
from tests.proving import small_swap

HEALTH = """
[[engine]]
which = "donor"
cylinder = [{ number = 1, supply = 80, cylinder = 76 }, { number = 2, supply = 80, cylinder = 75 }]
"""
NEEDS = """
[[need]]
module = "cluster"
bus = "host"
id = "280"
[[need]]
module = "starter"
how = "wired"
note = "interlock"
"""
FRAME = "(1.000000) host 0C8#0102\n"
STIMULUS = "time_s,channel,value,unit\n1.0,engine_speed,800,rpm\n"


def _state(folder: Path, topic: str) -> str:
    return next(line.state for line in swap_status(folder).lines if line.topic == topic)


def test_from_an_empty_folder_to_a_proved_swap(tmp_path: Path) -> None:
    """Each thing done moves the next step on; what can't be made once the engine is out comes first."""

    def next_step() -> str:
        return swap_status(tmp_path).next_step

    captures = tmp_path / "captures"
    captures.mkdir()
    assert "host with its old engine running" in next_step()
    (captures / "host_old.log").write_text(FRAME)
    assert "donor in its own vehicle" in next_step()
    (captures / "donor_own.log.gz").write_bytes(gzip.compress(FRAME.encode()))
    assert "unplug" in next_step()
    (captures / "host_unplugged.log").write_text(FRAME)
    assert "swapbridge guess CAPTURE" in next_step(), "no leak-down sheet holds an electrical step back"
    assert "donor_alone" in next_step()
    (captures / "host_old.csv").write_text(STIMULUS)
    assert "swapbridge guess captures/host_old.log --stimulus captures/host_old.csv" in next_step()
    (captures / "donor_alone.log").write_text(FRAME)
    assert next_step() == "swapbridge draft", "all four recordings are there"
    (tmp_path / "signal_maps").mkdir()
    for name, signal_map in small_swap.maps().items():
        save_map(signal_map, tmp_path / "signal_maps" / f"{name}.dbc")
    compared = "swapbridge compare captures/host_old.log captures/host_unplugged.log --needs needs.toml"
    assert compared in next_step()
    (tmp_path / "needs.toml").write_text(NEEDS)
    assert "bridge.toml" in next_step()
    text = small_swap.BRIDGE.replace('"donor.dbc"', '"signal_maps/donor.dbc"').replace(
        '"host.dbc"', '"signal_maps/host.dbc"'
    )
    (tmp_path / "bridge.toml").write_text(text)
    assert next_step() == "swapbridge compile bridge.toml --out plan.json"
    plan = compile_bridge(tmp_path / "bridge.toml").plan
    (tmp_path / "plan.json").write_text(plan.to_json())
    assert "swapbridge prove --donor captures/donor_own.log.gz --host captures/host_old.log" in next_step()
    assert _state(tmp_path, "needs") == "done"
    write_proof(tmp_path, plan)
    assert "full" in next_step()
    write_proof(tmp_path, plan, thoroughness="full")
    assert "leak-down" in next_step()
    (tmp_path / "health.toml").write_text(HEALTH)
    assert next_step().startswith("proved")
    write_proof(tmp_path, plan, thoroughness="full", left_out=["every fault but power cut"])
    assert _state(tmp_path, "proof") == "to do"
    write_proof(tmp_path, plan, outcome="FAILED")
    assert _state(tmp_path, "proof") == "bad"
    (tmp_path / "bridge.toml").write_text(text.replace("period_ms = 100", "period_ms = 50"))
    assert next_step().startswith("swapbridge compile bridge.toml"), "the plan is older than its bridge file"


def test_a_map_that_says_the_same_in_other_words_makes_no_plan_older(tmp_path: Path) -> None:
    """What its file says counts; that it need not be parsed where nobody touched it is only quicker."""
    for name, signal_map in small_swap.maps().items():
        save_map(signal_map, tmp_path / f"{name}.dbc")
    (tmp_path / "bridge.toml").write_text(small_swap.BRIDGE)
    (tmp_path / "plan.json").write_text(compile_bridge(tmp_path / "bridge.toml").plan.to_json())
    assert _state(tmp_path, "plan") == "done"
    written = (tmp_path / "host.dbc").read_text(encoding="cp1252")
    (tmp_path / "host.dbc").write_text("\n" + written.replace("BS_:\n", "BS_:\n\n"), encoding="utf-8-sig")
    assert _state(tmp_path, "plan") == "done"
    (tmp_path / "host.dbc").write_text(written.replace("(0.25,0)", "(0.5,0)", 1), encoding="cp1252")
    (line,) = (x for x in swap_status(tmp_path).lines if x.topic == "plan")
    assert (line.state, line.words) == ("to do", "older than its map host")
    (tmp_path / "host.dbc").unlink()
    assert _state(tmp_path, "plan") == "bad"


def test_broken_files_are_told_not_raised(tmp_path: Path) -> None:
    (tmp_path / "captures").mkdir()
    for name in ("health.toml", "needs.toml", "bridge.toml", "plan.json", "proof.json"):
        (tmp_path / name).write_text("[[[ nonsense")
    status = swap_status(tmp_path)
    bad = {line.topic for line in status.lines if line.state == "bad"}
    assert bad == {"engine health", "needs", "bridge file", "plan", "proof"}


def test_a_recording_that_cannot_be_read_is_not_done(tmp_path: Path) -> None:
    """An empty file, junk or a log of no frames is no recording."""
    captures = tmp_path / "captures"
    captures.mkdir()
    (captures / "donor_own.log").write_text(FRAME)
    for junk in ("", "junk\n", "\x1f\x8b"):
        (captures / "host_old.log").write_text(junk)
        assert _state(tmp_path, "host with its old engine") == "bad", junk
        assert swap_status(tmp_path).next_step.startswith("copy host_old.log from the logger again; or record")
    (captures / "host_old.log").write_text(FRAME)
    assert _state(tmp_path, "host with its old engine") == "done"
    (captures / "donor_alone.log").write_text("junk")
    assert _state(tmp_path, "donor's computer alone") == "bad"


def test_a_leaking_donor_comes_before_the_work(tmp_path: Path) -> None:
    captures = tmp_path / "captures"
    captures.mkdir()
    for name in ("host_old.log", "donor.log", "host_unplugged.log"):
        (captures / name).write_text(FRAME)
    (tmp_path / "health.toml").write_text(HEALTH.replace("cylinder = 75", "cylinder = 40"))
    assert "leaks" in swap_status(tmp_path).next_step


def test_what_a_comparison_found_counts_until_a_person_says_more(tmp_path: Path) -> None:
    (tmp_path / "survey").mkdir()
    (tmp_path / "survey" / "needs_found.toml").write_text(NEEDS)
    for template in (None, "# nothing yet\n"):
        if template is not None:
            (tmp_path / "needs.toml").write_text(template)
        (line,) = (x for x in swap_status(tmp_path).lines if x.topic == "needs")
        assert line.words == "1 over CAN, 1 not over CAN, as survey/needs_found.toml has them"
    (tmp_path / "needs.toml").write_text(NEEDS)
    (line,) = (x for x in swap_status(tmp_path).lines if x.topic == "needs")
    assert "needs_found" not in line.words


def test_files_are_named_as_the_shell_takes_them(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Windows' own command line knows no single quotes; there a backslash alone would have brought them."""
    path = tmp_path / "captures" / "host old.log"
    assert _in(tmp_path, path) == "'captures/host old.log'"
    monkeypatch.setattr(sys, "platform", "win32")
    assert _in(tmp_path, path) == '"captures/host old.log"'
    assert _in(tmp_path, tmp_path / "captures" / "host.log") == "captures/host.log"
