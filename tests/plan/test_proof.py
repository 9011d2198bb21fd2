"""The one rule of what proves a plan, and that a proof which left something out allows nothing."""

from __future__ import annotations

import itertools
import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from swapbridge.bus.running.proof_file import ruling_beside, sources_for
from swapbridge.compiler.compile import compile_bridge
from swapbridge.core.errors import InputError
from swapbridge.plan.plan import Plan
from swapbridge.plan.proof import PROOF_VERSION, WHOLE, left_out, proof_head, ruling_on, why_not
from tests.proofs import proof_text, write_proof
from tests.proving import small_swap


@pytest.fixture(scope="module")
def plan() -> Plan:
    return compile_bridge(small_swap.bridge(), small_swap.maps()).plan


@pytest.mark.parametrize(
    ("changes", "state", "words"),
    [
        ({}, "proved", "proved (quick faults, seed 3)"),
        ({"thoroughness": "full"}, "proved", "proved (full faults"),
        ({"thoroughness": "none"}, "partial", "left out the faults"),
        ({"thoroughness": "quick, only power cut"}, "partial", "left out"),
        ({"left_out": ["every fault but power cut"]}, "partial", "left out every fault but power cut"),
        ({"sources": []}, "partial", "names no bridge file"),
        ({"outcome": "FAILED"}, "failed", "failed its proof"),
        ({"outcome": "NOT PROVED"}, "not proved", "NOT PROVED"),
        ({"plan_sha256": "0" * 64}, "other plan", "another plan"),
    ],
)
def test_rulings(plan: Plan, changes: dict[str, Any], state: str, words: str) -> None:
    ruling = ruling_on(plan, proof_head(proof_text(plan, **changes)), {})
    assert (ruling.state, ruling.proved) == (state, state == "proved")
    assert words in ruling.words
    assert bool(why_not(ruling, unproved=False)) is (state != "proved")
    assert not why_not(ruling, unproved=True)


@pytest.mark.parametrize(
    "changes",
    [
        {"version": 1},
        {"format": "other"},
        {"outcome": "passed"},
        {"outcome": True},
        {"left_out": None},
        {"sources": [{"what": "bridge"}]},
        {"checks": [{"status": "fail", "subject": "a", "name": "b", "measured": "c"}]},
        {"checks": [{"status": "green"}]},
        {"seed": None},
    ],
)
def test_a_proof_that_is_damaged_or_contradicts_itself_is_none(
    plan: Plan, changes: dict[str, Any], tmp_path: Path
) -> None:
    with pytest.raises(InputError, match="is not a proof"):
        proof_head(proof_text(plan, **changes))
    write_proof(tmp_path, plan, **changes)
    ruling = ruling_beside(plan, tmp_path / "plan.json")
    assert (ruling.state, ruling.proved) == ("unreadable", False)


def test_only_one_combination_allows(plan: Plan) -> None:
    """The whole table: of every combination of outcome, campaign, what was left out, plan and sources, two allow."""
    allowed, sound = [], json.loads(proof_text(plan))
    for outcome, tried, without, digest, now in itertools.product(
        ("PASSED", "FAILED", "NOT PROVED"), (*WHOLE, "none", ""), ([], ["x"]), (None, "0" * 64), ({}, "other")
    ):
        changes: dict[str, Any] = {"outcome": outcome, "thoroughness": tried, "left_out": without}
        if digest:
            changes["plan_sha256"] = digest
        today = {"sources/bridge.toml": "1" * 64} if now else {}
        if ruling_on(plan, proof_head(json.dumps(sound | changes)), today).proved:
            allowed.append((outcome, tried, without, digest, now))
    assert allowed == [("PASSED", tried, [], None, {}) for tried in WHOLE]


@pytest.fixture(scope="module")
def failed(plan: Plan) -> dict[str, Any]:
    """What a failed partial proof says."""
    return dict(json.loads(proof_text(plan, outcome="FAILED", left_out=["the faults"])))


@given(st.data())
def test_no_damage_makes_a_proof_of_a_failed_one(plan: Plan, failed: dict[str, Any], data: st.DataObject) -> None:
    """Any single value of a failed partial proof replaced: it still allows nothing."""
    body = dict(failed)
    key = data.draw(st.sampled_from(sorted(body)))
    body[key] = data.draw(st.one_of(st.none(), st.booleans(), st.integers(), st.text(max_size=8), st.just("PASSED")))
    try:
        head = proof_head(json.dumps(body))
    except InputError:
        return
    assert not ruling_on(plan, head, {}).proved


def test_the_same_plan_in_other_spaces_is_proved_and_an_edited_one_is_not(plan: Plan, tmp_path: Path) -> None:
    assert ruling_beside(plan, tmp_path / "plan.json").state == "missing"
    write_proof(tmp_path, plan)
    assert ruling_beside(plan, tmp_path / "plan.json").proved
    edited = compile_bridge(
        small_swap.bridge(small_swap.BRIDGE.replace("period_ms = 100", "period_ms = 50")), small_swap.maps()
    ).plan
    assert ruling_beside(edited, tmp_path / "plan.json").state == "other plan"
    (tmp_path / "proof.json").write_bytes(b"\xff\xfe")
    assert ruling_beside(plan, tmp_path / "plan.json").state == "unreadable"
    (tmp_path / "proof.json").unlink()
    (tmp_path / "proof.json").mkdir()
    assert ruling_beside(plan, tmp_path / "plan.json").state == "unreadable"


def test_sources_that_changed_since_refuse_and_a_plan_carried_alone_runs(plan: Plan, tmp_path: Path) -> None:
    """Inside the folder paths are relative, so that a whole folder may move; outside they are absolute."""
    folder, outside = tmp_path / "swap", tmp_path / "shared.dbc"
    (folder / "maps").mkdir(parents=True)
    (folder / "bridge.toml").write_text("bridge")
    (folder / "maps" / "host.dbc").write_text("host")
    outside.write_text("donor")
    sources = sources_for(
        folder / "plan.json", folder / "bridge.toml", {"host": folder / "maps" / "host.dbc", "donor": outside}
    )
    assert [s.path for s in sources] == ["bridge.toml", "maps/host.dbc", outside.as_posix()]
    listed = [{"what": s.what, "path": s.path, "sha256": s.sha256} for s in sources]
    write_proof(folder, plan, sources=listed)
    assert ruling_beside(plan, folder / "plan.json").proved
    alone = tmp_path / "other computer"
    alone.mkdir()
    for name in ("plan.json", "proof.json"):
        shutil.copy(folder / name, alone)
    assert ruling_beside(plan, alone / "plan.json").proved
    for file, what in (
        (folder / "bridge.toml", "bridge (bridge.toml)"),
        (folder / "maps" / "host.dbc", "map host (maps/host.dbc)"),
        (outside, "map donor"),
    ):
        before = file.read_bytes()
        file.write_bytes(before + b" ")
        ruling = ruling_beside(plan, folder / "plan.json")
        assert ruling.state == "changed"
        assert what in ruling.words
        file.unlink()
        file.mkdir()  # it is there and can't be read: changed too
        assert ruling_beside(plan, folder / "plan.json").state == "changed"
        file.rmdir()
        assert ruling_beside(plan, folder / "plan.json").proved, "a source that is not there decides nothing"
        file.write_bytes(before)
    with pytest.raises(InputError, match="check its name"):
        sources_for(folder / "plan.json", folder / "missing.toml", {})


@pytest.mark.parametrize("digest", ["0" * 64, "f" * 64])
def test_a_source_that_is_not_there_hides_no_change_of_the_next(plan: Plan, tmp_path: Path, digest: str) -> None:
    (tmp_path / "host.dbc").write_text("host")
    missing = {"what": "bridge", "path": "bridge.toml", "sha256": "0" * 64}
    write_proof(tmp_path, plan, sources=[missing, {"what": "map host", "path": "host.dbc", "sha256": digest}])
    assert ruling_beside(plan, tmp_path / "plan.json").state == "changed"


@pytest.mark.parametrize("version", [PROOF_VERSION - 1, PROOF_VERSION + 1])
def test_a_proof_of_another_version_is_none(plan: Plan, version: int) -> None:
    with pytest.raises(InputError, match="is not a proof"):
        proof_head(proof_text(plan, version=version))


def test_what_lacks_is_said_where_it_is_known(plan: Plan) -> None:
    check = {"area": "evidence", "status": "unproved", "subject": "host", "name": "engine", "measured": "never ran"}
    said = ruling_on(plan, proof_head(proof_text(plan, outcome="NOT PROVED", checks=[check])), {}).words
    assert "is NOT PROVED (" in said
    assert "never ran" in said


def test_no_real_time_part_is_no_whole_proof() -> None:
    assert left_out("quick") == ()
    assert left_out("full", real_time=False) == ("the real-time part",)
    assert left_out("none", real_time=False) == ("the faults", "the real-time part")
    assert left_out("quick", ["power cut"], real_time=False) == ("every fault but power cut", "the real-time part")
