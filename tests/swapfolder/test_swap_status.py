"""Prove room: the swap at a glance: what is missing, and the one next thing in the right order."""

from __future__ import annotations

from pathlib import Path

from swapbridge.compiler.compile import compile_bridge
from swapbridge.signalmap.dbc_write import save_map
from swapbridge.swapfolder.status import swap_status
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


def _state(folder: Path, topic: str) -> str:
    return next(line.state for line in swap_status(folder).lines if line.topic == topic)


def test_from_an_empty_folder_to_a_proved_swap(tmp_path: Path) -> None:
    """Each thing done moves the next step on; what can't be made once the engine is out comes first."""

    def next_step() -> str:
        return swap_status(tmp_path).next_step

    captures = tmp_path / "captures"
    captures.mkdir()
    assert "host with its old engine running" in next_step()
    (captures / "host_old.log").write_text("")
    assert "donor in its own vehicle" in next_step()
    (captures / "donor_own.log.gz").write_text("")
    assert "unplug" in next_step()
    (captures / "host_unplugged.log").write_text("")
    assert "leak-down" in next_step()
    (tmp_path / "health.toml").write_text(HEALTH)
    assert "swapbridge guess" in next_step()
    (captures / "donor_alone.log").write_text("")
    assert next_step() == "swapbridge draft", "all four recordings are there"
    (tmp_path / "signal_maps").mkdir()
    for name, signal_map in small_swap.maps().items():
        save_map(signal_map, tmp_path / "signal_maps" / f"{name}.dbc")
    assert "needs list" in next_step()
    (tmp_path / "needs.toml").write_text(NEEDS)
    assert "bridge.toml" in next_step()
    text = small_swap.BRIDGE.replace('"donor.dbc"', '"signal_maps/donor.dbc"').replace(
        '"host.dbc"', '"signal_maps/host.dbc"'
    )
    (tmp_path / "bridge.toml").write_text(text)
    assert next_step() == "swapbridge compile bridge.toml"
    plan = compile_bridge(tmp_path / "bridge.toml").plan
    (tmp_path / "plan.json").write_text(plan.to_json())
    assert "swapbridge prove" in next_step()
    assert _state(tmp_path, "needs") == "done"
    write_proof(tmp_path, plan)
    assert "full" in next_step()
    write_proof(tmp_path, plan, thoroughness="full")
    assert next_step().startswith("proved")
    write_proof(tmp_path, plan, thoroughness="full", left_out=["every fault but power cut"])
    assert _state(tmp_path, "proof") == "to do"
    write_proof(tmp_path, plan, outcome="FAILED")
    assert _state(tmp_path, "proof") == "bad"
    (tmp_path / "bridge.toml").write_text(text.replace("period_ms = 100", "period_ms = 50"))
    assert next_step() == "swapbridge compile bridge.toml", "the plan is older than its bridge file"


def test_broken_files_are_told_not_raised(tmp_path: Path) -> None:
    (tmp_path / "captures").mkdir()
    for name in ("health.toml", "needs.toml", "bridge.toml", "plan.json", "proof.json"):
        (tmp_path / name).write_text("[[[ nonsense")
    status = swap_status(tmp_path)
    bad = {line.topic for line in status.lines if line.state == "bad"}
    assert bad == {"engine health", "needs", "bridge file", "plan", "proof"}


def test_a_leaking_donor_comes_before_the_work(tmp_path: Path) -> None:
    captures = tmp_path / "captures"
    captures.mkdir()
    for name in ("host_old.log", "donor.log", "host_unplugged.log"):
        (captures / name).write_text("")
    (tmp_path / "health.toml").write_text(HEALTH.replace("cylinder = 75", "cylinder = 40"))
    assert "leaks" in swap_status(tmp_path).next_step
