"""The draft view: every line, what draft says of it, and answers that are written whole, undone, and never lost."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import cast

import pytest

from swapbridge.compiler.compile import compile_bridge
from swapbridge.demo.folder import write_demo_papers
from swapbridge.drafting.drafted import Drafted, Times
from swapbridge.drafting.swap_sources import Swap
from swapbridge.page.views import draft as view_module
from swapbridge.swapfolder.drafting import DRAWN, OUTLOOK, FolderDraft, HostOutlook, host_outlook
from swapbridge.swapfolder.paths import SwapFolder
from tests.page.conftest import Browser

SPEED = "host.EngineData.EngineSpeed"
FUEL, DIAL = "host.EngineTemps.FuelUsed", "host.EngineTemps.CoolantDial"


def write_drafted(folder: Path) -> None:
    """The demo's papers; of three lines that carry draft's comment, one waits for a review."""
    for name in ("signal_maps", "captures"):
        (folder / name).mkdir()
    write_demo_papers(folder)
    path = folder / "bridge.toml"
    out = []
    for line in path.read_text().splitlines():
        if line.startswith("EngineSpeed = "):
            line = line.replace(" }", ', fallback = "0 rpm", unreviewed = true }  # draft: copy, 99% sure: <b>so</b>')
        for name, sure in (("FuelUsed", 98), ("CoolantDial", 60)):
            if line.startswith(f"{name} = "):
                line += f"  # draft: copy, {sure}% sure: as the donor says"
        out.append(line)
    path.write_text("\n".join(out) + "\n")
    compile_bridge(path)


@pytest.fixture
def swap(tmp_path: Path) -> Path:
    write_drafted(tmp_path)
    return tmp_path


def line(view: dict[str, list[dict[str, object]]], name: str = SPEED) -> dict[str, object]:
    return next(one for one in view["lines"] if one["name"] == name)


def test_it_shows_every_line_and_what_waits(swap: Path) -> None:
    here = Browser(swap)
    assert here.http.get("/draft").status_code == 200
    view = here.get("/api/draft")
    assert len(view["lines"]) > 30
    assert view["waiting"] == [SPEED]
    assert line(view)["sentence"] == "copy, 99% sure: <b>so</b>"
    assert line(view)["waits"]


def test_answers_are_written_and_undone(swap: Path) -> None:
    here, path = Browser(swap), swap / "bridge.toml"
    before = path.read_text()
    view = here.get("/api/draft")
    refused = here.post("/api/draft/decide", {"name": SPEED, "decision": "refuse", "version": view["version"]})
    assert line(refused)["open"]
    assert line(refused)["value"] == "0 rpm"
    assert refused["undo"] == f"refuse {SPEED}"
    here.post("/api/undo", {"file": "bridge.toml", "version": refused["version"]})
    assert path.read_text() == before
    view = here.get("/api/draft")
    accepted = here.post("/api/draft/decide", {"name": SPEED, "decision": "accept", "version": view["version"]})
    assert accepted["waiting"] == []
    assert line(accepted)["sentence"] == ""
    rule = {"value": "clamp(donor.PCM_FAST.RPM, 0 rpm, 7000 rpm)", "fallback": "0 rpm"}
    edited = here.post("/api/draft/decide", {"name": SPEED, "decision": "edit", "version": accepted["version"], **rule})
    assert line(edited)["value"] == rule["value"]
    compile_bridge(path)


def test_what_is_sure_and_waits_for_nothing_is_accepted_together_shown_and_taken_back(swap: Path) -> None:
    here, path = Browser(swap), swap / "bridge.toml"
    before = path.read_text()
    view = here.get("/api/draft")
    assert [(one["name"], one["sure"]) for one in view["lines"] if one["together"]] == [(DIAL, 0.6), (FUEL, 0.98)]
    done = here.post("/api/draft/together", {"confidence": 0.95, "version": view["version"]})
    assert done["accepted"] == [FUEL]
    assert (line(done["view"], FUEL)["sentence"], line(done["view"], FUEL)["unseen"]) == (
        "",
        "copy, 98% sure: as the donor says",
    )
    assert done["view"]["waiting"] == [SPEED]
    assert done["view"]["undo"] == f"accept {FUEL}"
    compile_bridge(path)
    back = here.post("/api/draft/take-back", {"names": [FUEL], "version": done["view"]["version"]})
    assert path.read_text() == before
    assert line(back, FUEL)["together"]
    both = here.post("/api/draft/together", {"confidence": 0.5, "version": back["version"]})
    assert both["accepted"] == [DIAL, FUEL]
    assert both["view"]["undo"] == "accept 2 lines together"
    here.post("/api/undo", {"file": "bridge.toml", "version": both["view"]["version"]})
    assert path.read_text() == before


def test_accepting_together_needs_the_file_that_was_looked_at_and_maps_that_can_be_read(swap: Path) -> None:
    here, path = Browser(swap), swap / "bridge.toml"
    version = here.get("/api/draft")["version"]
    path.write_text(path.read_text() + "# by an editor\n")
    for way, more in (("together", {"confidence": 0.95}), ("take-back", {"names": []})):
        answer = here.http.post(f"/api/draft/{way}", json={"version": version, **more}, headers=here.headers)
        assert answer.status_code == 409
    now = here.get("/api/draft")["version"]
    assert "was not accepted together" in here.refusal("/api/draft/take-back", {"names": [SPEED], "version": now})
    (swap / "signal_maps" / "donor.dbc").unlink()
    assert not any(one["together"] for one in here.get("/api/draft")["lines"])
    assert "donor.dbc" in here.refusal("/api/draft/together", {"confidence": 0.95, "version": now})
    assert path.read_text().endswith("# by an editor\n")


def test_what_is_refused_writes_nothing(swap: Path) -> None:
    here, path = Browser(swap), swap / "bridge.toml"
    before, version = path.read_bytes(), here.get("/api/draft")["version"]
    asked = {"name": SPEED, "decision": "edit", "version": version, "value": "donor.NOPE.X", "fallback": "0 rpm"}
    assert "no message 'NOPE'" in here.refusal("/api/draft/decide", asked)
    assert "is not a line" in here.refusal("/api/draft/decide", {**asked, "name": "host.X.Y", "decision": "accept"})
    assert "Invalid enum value 'burn'" in here.refusal("/api/draft/decide", {**asked, "decision": "burn"})
    for half in ({"value": "1"}, {"fallback": "1"}, {}):
        asked_half = {"name": asked["name"], "version": asked["version"], "decision": "edit", **half}
        assert "a rule and a safe answer" in here.refusal("/api/draft/decide", asked_half)
    assert path.read_bytes() == before


def test_a_file_that_changed_meanwhile_is_not_written_over(swap: Path) -> None:
    here, path = Browser(swap), swap / "bridge.toml"
    version = here.get("/api/draft")["version"]
    path.write_text(path.read_text() + "# by an editor\n")
    answer = here.http.post(
        "/api/draft/decide", json={"name": SPEED, "decision": "refuse", "version": version}, headers=here.headers
    )
    assert answer.status_code == 409
    assert path.read_text().endswith("# by an editor\n")


def test_a_rule_is_shown_beside_what_was_recorded(swap: Path) -> None:
    here = Browser(swap)
    found = here.job("/api/draft/beside", {"name": SPEED})
    assert any("recorded " in words for words in found["lines"])
    other = here.job("/api/draft/beside", {"name": "host.EngineData.DemandTorque"})
    assert "asks for no review" in other["lines"][0]


def test_lines_are_read_where_a_map_is_missing(swap: Path) -> None:
    (swap / "signal_maps" / "donor.dbc").unlink()
    view = Browser(swap).get("/api/draft")
    assert len(view["lines"]) > 30
    assert "donor.dbc" in view["trouble"]


@pytest.fixture
def quick_draft(monkeypatch: pytest.MonkeyPatch) -> None:
    """A draft that is made at once: the drafting room's own tests make real ones."""

    def made(folder: SwapFolder, captures: object, **_: object) -> FolderDraft:
        old = folder.bridge.read_text()
        drawn = {"name": SPEED, "value": "donor.PCM_FAST.RPM", "unit": "rpm", "held_out": True}
        pictures = [{**drawn, "time_s": [0, 1], "recorded": [800, 900], "made": [801, 899.5]}]
        maps = {folder.maps / f"{bus}.dbc": (folder.maps / f"{bus}.dbc").read_bytes() for bus in ("host", "donor")}
        files = {
            folder.bridge: f"{old}# drafted\n".encode(),
            folder.needs: folder.needs.read_bytes() + b"# found\n",
            folder.path / DRAWN: json.dumps({"version": 1, "fields": pictures}).encode(),
            folder.path / OUTLOOK: b'{"outlook": ["5 messages will be missed"]}',
            folder.path / "findings" / "host_old_engine.json": b'{"version": 1, "messages": []}',
            **maps,
        }
        return FolderDraft(cast(Swap, None), Drafted((), Times("", "", "", 0, 0)), ("it changed its mind",), files)

    monkeypatch.setattr(view_module, "make_draft", made)


@pytest.mark.usefixtures("quick_draft")
def test_the_page_drafts_and_the_step_can_be_undone(swap: Path) -> None:
    here, path = Browser(swap), swap / "bridge.toml"
    before, version = path.read_bytes(), here.get("/api/draft")["version"]
    told = here.job("/api/draft/make", {"version": version})
    assert told["changes"] == ["it changed its mind"]
    assert here.get("/api/draft")["outlook"] == ["5 messages will be missed"]
    assert path.read_bytes() == before + b"# drafted\n"
    assert (swap / "findings" / "host_old_engine.json").is_file()
    view = here.get("/api/draft")
    assert view["undo"] == "draft from the recordings"
    here.post("/api/undo", {"file": "bridge.toml", "version": view["version"]})
    assert path.read_bytes() == before
    drawn = here.get("/api/draft/drawn", name=SPEED)
    assert (drawn["times"], drawn["recorded"], drawn["made"]) == ([0, 1], [800, 900], [801, 899.5])
    assert here.get("/api/draft/drawn", name="host.Nobody.Knows")["times"] == []


@pytest.mark.usefixtures("quick_draft")
def test_a_draft_over_a_file_that_changed_meanwhile_writes_nothing(swap: Path) -> None:
    here, path = Browser(swap), swap / "bridge.toml"
    version = here.get("/api/draft")["version"]
    path.write_text(path.read_text() + "# by an editor\n")
    key = here.post("/api/draft/make", {"version": version})["job"]
    deadline = time.monotonic() + 60
    while (state := here.get(f"/api/jobs/{key}"))["state"] == "running" and time.monotonic() < deadline:
        time.sleep(0.01)
    assert "was changed since this view was loaded" in state["error"]
    assert path.read_text().endswith("# by an editor\n")
    assert not (swap / "findings").exists()


def test_pictures_that_cannot_be_read_are_one_sentence(swap: Path) -> None:
    (swap / DRAWN).parent.mkdir()
    (swap / DRAWN).write_text('{"fields": [{"name": 1}]}')
    answer = Browser(swap).http.get("/api/draft/drawn", params={"name": SPEED})
    assert answer.status_code == 400
    assert "draft again" in answer.json()["error"]


def test_the_host_alone_is_offered_its_outlook_which_stays_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing but the report and the outlook is written; the drafting room's own tests make real ones."""
    (tmp_path / "captures").mkdir()
    for name in ("host_old_engine.log", "host_unplugged.log"):
        (tmp_path / "captures" / name).write_text("(1.000000) can0 123#00\n(2.000000) can0 123#01\n")
    here = Browser(tmp_path)
    assert "data-writes>What must a donor send?" in here.http.get("/draft").text
    assert here.get("/api/draft")["trouble"] == ""
    before = {path for path in tmp_path.rglob("*") if path.is_file()}

    def made(folder: SwapFolder, captures: dict[str, object], **_: object) -> HostOutlook:
        assert set(captures) == {"host", "host unplugged"}
        return host_outlook(["A donor must send: engine speed."], folder)

    monkeypatch.setattr(view_module, "outlook_without_donor", made)
    here.job("/api/draft/make", {"version": here.get("/api/draft")["version"]})
    assert Browser(tmp_path).get("/api/draft")["outlook"] == ["A donor must send: engine speed."]
    after = {path for path in tmp_path.rglob("*") if path.is_file()}
    assert {str(p.relative_to(tmp_path)) for p in after - before} >= {"draft.html", str(OUTLOOK)}
    assert not (tmp_path / "bridge.toml").exists()


def test_an_outlook_that_cannot_be_read_is_one_sentence(swap: Path) -> None:
    (swap / OUTLOOK).parent.mkdir()
    (swap / OUTLOOK).write_text('{"outlook": 7}')
    answer = Browser(swap).http.get("/api/draft")
    assert answer.status_code == 400
    assert "draft again" in answer.json()["error"]


def test_what_a_draft_still_lacks_is_named(swap: Path) -> None:
    text = Browser(swap).http.get("/draft").text
    assert "the donor&#39;s computer alone on a table (donor_alone)" in text
    assert 'id="draft" class="go" type="button" data-writes disabled' in text
