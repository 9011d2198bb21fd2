"""What the page writes: only over what the person saw, only what reads back, each step kept on the disk."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from swapbridge.capture.write import write_capture
from swapbridge.demo.folder import write_demo_papers
from swapbridge.page.keeping import NOT_THERE, STORE, ChangedError, Keeper
from swapbridge.signalmap.dbc_read import load_map
from tests.page.test_views import ramp_capture

OpenPage = Callable[[Path], Any]


@pytest.fixture
def papers(tmp_path: Path) -> Path:
    (tmp_path / "signal_maps").mkdir()
    write_demo_papers(tmp_path)
    return tmp_path


@pytest.fixture
def found(tmp_path: Path, open_page: OpenPage) -> tuple[Path, Any, dict[str, Any]]:
    """A folder whose capture was guessed, its page, and what accepting the speed field asks."""
    for name in ("captures", "signal_maps"):
        (tmp_path / name).mkdir()
    write_capture(ramp_capture(), tmp_path / "captures" / "ramp.log")
    rows = ["time_s,channel,value,unit"]
    for k in range(0, 1500, 10):
        raw = int.from_bytes(ramp_capture().payload[k, :2].tobytes(), "little")
        rows.append(f"{1_700_000_000 + k * 0.01 + 0.1:.3f},engine_speed,{raw * 0.25},rpm")
    (tmp_path / "captures" / "ramp.csv").write_text("\n".join(rows) + "\n")
    here = open_page(tmp_path)
    here.job("/api/guess", {"file": "ramp.log"})
    speed = next(c for c in here.get("/api/claims", file="ramp.log")["claims"] if c["stimulus"] == "engine_speed")
    said = {"file": "ramp.log", "id": "1A0", "bus": "donor", "field": speed["name"], "name": "EngineSpeed"}
    keys = ("start", "length", "byte_order", "signed", "scale", "offset", "unit")
    return tmp_path, here, {**said, "map": "donor.dbc", "version": "", "claim": {k: speed[k] for k in keys}}


def test_what_cannot_be_read_again_is_never_written(found: tuple[Path, Any, dict[str, Any]]) -> None:
    """A field beyond the payload, a scale of 1e300: both were written, and no map could be loaded any more."""
    folder, here, said = found
    claim = said.pop("claim")
    first = here.post("/api/accept", said)
    before = (folder / "signal_maps" / "donor.dbc").read_bytes()
    said["version"] = first["version"]
    for wrong, words in (
        ({"start": 200}, "8 bytes"),
        ({"scale": "1e300"}, "EngineSpeed"),
        ({"scale": "nan"}, "scale"),
        ({"offset": "inf"}, "offset"),
        ({"scale": "0"}, "scale"),
    ):
        refused = here.refusal("/api/accept", {**said, "name": "Other", "edit": {**claim, **wrong}})
        assert words in refused, (wrong, refused)
        assert (folder / "signal_maps" / "donor.dbc").read_bytes() == before
    assert load_map(folder / "signal_maps" / "donor.dbc").messages


def test_an_edited_field_is_by_hand_and_keeps_no_evidence_of_another(found: tuple[Path, Any, dict[str, Any]]) -> None:
    folder, here, said = found
    claim = said.pop("claim")
    here.post("/api/accept", {**said, "edit": {**claim, "length": 14, "scale": "0.5"}})
    signal = load_map(folder / "signal_maps" / "donor.dbc").messages[0].signal("EngineSpeed")
    assert signal is not None
    assert (signal.layout.length, str(signal.scale)) == (14, "1/2")
    assert dict(signal.evidence) == {"by_hand": True}
    assert "by hand" in signal.comment
    assert "confidence" not in signal.comment


def test_editing_what_the_map_has_already_changes_it_and_says_by_hand(found: tuple[Path, Any, dict[str, Any]]) -> None:
    """The map's own scale stayed, and the page said that the edited one was in it."""
    folder, here, said = found
    claim = said.pop("claim")
    version = here.post("/api/accept", said)["version"]
    here.post("/api/accept", {**said, "version": version, "edit": {**claim, "scale": "0.125"}})
    (signal,) = (s for s in load_map(folder / "signal_maps" / "donor.dbc").messages[0].signals if s.unit == "rpm")
    assert str(signal.scale) == "1/8"
    assert dict(signal.evidence) == {"by_hand": True}


def test_the_second_tab_is_told_and_nothing_of_the_first_is_lost(papers: Path, open_page: OpenPage) -> None:
    here = open_page(papers)
    first = second = here.get("/api/bridge")
    mine = first["text"] + "\n# from the first tab\n"
    here.post("/api/bridge/save", {"text": mine, "version": first["version"]})
    answer = here.http.post(
        "/api/bridge/save", json={"text": "# second", "version": second["version"]}, headers=here.headers
    )
    assert answer.status_code == 409
    assert answer.json()["changed"] is True
    assert (papers / "bridge.toml").read_text() == mine
    undo = here.http.post("/api/undo", json={"file": "bridge.toml", "version": second["version"]}, headers=here.headers)
    assert undo.status_code == 409, "the second tab has not seen what it would undo"
    compiled = here.http.post("/api/bridge/compile", json={"version": second["version"]}, headers=here.headers).json()
    while (state := here.get(f"/api/jobs/{compiled['job']}"))["state"] == "running":
        pass
    assert "changed since" in state["error"]
    assert "version" in here.refusal("/api/bridge/save", {"text": "# no version"})


def test_undo_is_for_one_file_outlives_the_page_and_leaves_what_others_wrote(papers: Path, open_page: OpenPage) -> None:
    here = open_page(papers)
    old = here.get("/api/bridge")
    saved = here.post("/api/bridge/save", {"text": "# one\n", "version": old["version"]})
    again = open_page(papers)
    assert again.get("/api/bridge")["undo"] == "edit the bridge file"
    assert "nothing to undo" in again.refusal("/api/undo", {"file": "host.dbc", "version": _version(papers, "host")})
    (papers / "bridge.toml").write_text("# an editor was here\n")
    now = again.get("/api/bridge")
    assert now["undo"] == ""
    assert "nothing to undo" in again.refusal("/api/undo", {"file": "bridge.toml", "version": now["version"]})
    assert (papers / "bridge.toml").read_text() == "# an editor was here\n"
    (papers / "bridge.toml").write_text("# one\n")
    again.post("/api/undo", {"file": "bridge.toml", "version": saved["version"]})
    assert again.get("/api/bridge")["text"] == old["text"]


def _version(folder: Path, name: str) -> str:
    return Keeper(folder).version(folder / "signal_maps" / f"{name}.dbc")


def test_a_step_that_a_kill_cut_short_never_happened(tmp_path: Path) -> None:
    keeper, path = Keeper(tmp_path), tmp_path / "bridge.toml"
    one = keeper.write(path, b"one", what="first", seen=NOT_THERE)
    keeper.write(path, b"two", what="second", seen=one)
    path.write_bytes(b"one")  # the log has the second step, the file has not
    assert keeper.last_step(path) == "first"
    assert keeper.take_back(path, one) == ("first", NOT_THERE)
    assert not path.exists()


def test_a_file_that_does_not_read_back_replaces_nothing(tmp_path: Path) -> None:
    keeper, path = Keeper(tmp_path), tmp_path / "plan.json"
    keeper.derive(path, b"{}", lambda new: json.loads(new.read_text()))
    with pytest.raises(ValueError):
        keeper.derive(path, b"{", lambda new: json.loads(new.read_text()))
    with pytest.raises(ChangedError):
        keeper.write(path, b"x", what="x", seen="another")
    assert path.read_bytes() == b"{}"
    assert list((tmp_path / STORE / "new").iterdir()) == []


def test_the_log_keeps_so_many_steps_and_a_torn_one_is_passed_over(tmp_path: Path) -> None:
    keeper, path, seen = Keeper(tmp_path), tmp_path / "x.dbc", NOT_THERE
    for n in range(60):
        seen = keeper.write(path, f"{n}".encode(), what=f"step {n}", seen=seen)
    (folder,) = (tmp_path / STORE / "undo").iterdir()
    steps = sorted(folder.iterdir())
    assert len(steps) == 50
    steps[-1].write_text('{"what"')
    assert keeper.last_step(path) == "", "what came before the torn step led to something else"


def test_a_proof_of_what_lay_here_before_is_not_green(papers: Path, open_page: OpenPage) -> None:
    """Its plan compiled from an older map, or its bridge file edited since: the page showed a huge green yes."""
    from swapbridge.bus.running.proof_file import sources_for
    from swapbridge.compiler.compile import compile_bridge
    from swapbridge.plan.proof import PROOF_FORMAT, PROOF_VERSION, plan_digest

    plan = compile_bridge(papers / "bridge.toml").plan
    (papers / "plan.json").write_text(plan.to_json())
    maps = {bus: papers / "signal_maps" / f"{bus}.dbc" for bus in ("donor", "host")}

    def prove() -> None:
        sources = sources_for(papers / "plan.json", papers / "bridge.toml", maps)
        proof = {"format": PROOF_FORMAT, "version": PROOF_VERSION, "plan_sha256": plan_digest(plan),
                 "outcome": "PASSED", "left_out": [], "thoroughness": "full", "seed": 1, "checks": [],
                 "sources": [{"what": s.what, "path": s.path, "sha256": s.sha256} for s in sources]}  # fmt: skip
        (papers / "proof.json").write_text(json.dumps(proof))

    here = open_page(papers)
    prove()
    assert here.get("/api/proof")["proof"]["proved"] is True
    text = (papers / "signal_maps" / "donor.dbc").read_text()
    (papers / "signal_maps" / "donor.dbc").write_text(text.replace("(0.1,", "(0.2,", 1))
    assert text != (papers / "signal_maps" / "donor.dbc").read_text()
    assert here.get("/api/proof")["proof"]["proved"] is False
    prove()  # a proof that names the map as it is now; the plan was made from the old one all the same
    view = here.get("/api/proof")["proof"]
    assert view["proved"] is False
    assert "older than its" in view["words"]
    legend = here.http.get("/").text.split('class="legend"')[1].split("</ul>")[0]
    assert "<b>0</b> proved" in legend
    (papers / "plan.json").unlink()
    assert here.get("/api/proof")["proof"]["proved"] is False
