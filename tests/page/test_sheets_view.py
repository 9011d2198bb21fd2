"""The sheets view: what is typed is written whole, judged, undone, and never over what somebody else wrote."""

from __future__ import annotations

from pathlib import Path

import pytest

from swapbridge.core.engine_health import load_health
from swapbridge.core.needs import load_needs
from swapbridge.demo.folder import write_demo_papers
from swapbridge.swapfolder.paths import HEALTH, NEEDS, NEEDS_FOUND
from tests.page.conftest import Browser


@pytest.fixture
def swap(tmp_path: Path) -> Path:
    (tmp_path / "signal_maps").mkdir()
    write_demo_papers(tmp_path)
    return tmp_path


def test_a_need_is_written_and_undone(swap: Path) -> None:
    here, path = Browser(swap), swap / NEEDS
    before = path.read_text()
    view = here.get("/api/needs")
    assert len(view["needs"]) == len(load_needs(path))
    rows = [{**view["needs"][0], "note": "every 10 ms, as it was"}, *view["needs"][2:]]
    saved = here.post("/api/needs/save", {"needs": rows, "version": view["version"]})
    assert load_needs(path)[0].note == "every 10 ms, as it was"
    assert [row["was"] for row in saved["needs"]] == list(range(len(rows)))
    assert saved["undo"] == "edit the needs list"
    here.post("/api/undo", {"file": NEEDS, "version": saved["version"]})
    assert path.read_text() == before


def test_readings_are_judged_before_they_are_saved(swap: Path) -> None:
    here, path = Browser(swap), swap / HEALTH
    sheet = here.get("/api/health")["sheet"]
    said = here.post("/api/health/check", {"sheet": sheet})
    assert said["fault"] == ""
    assert [e["which"] for e in said["engines"]] == ["donor", "host"]
    assert said["engines"][1]["leaks"]["2"] == "leaks 35 %, bad"
    assert "past an exhaust valve" in " ".join(said["engines"][1]["words"])
    sheet["engines"][0]["cylinders"][0]["cylinder"] = "90"
    assert "not between 0 and the supply" in here.post("/api/health/check", {"sheet": sheet})["fault"]
    before = path.read_bytes()
    version = here.get("/api/health")["version"]
    assert "not between" in here.refusal("/api/health/save", {"sheet": sheet, "version": version})
    assert path.read_bytes() == before
    sheet["engines"][0]["cylinders"][0]["cylinder"] = "60"
    here.post("/api/health/save", {"sheet": sheet, "version": version})
    assert {s.which: s.grade for s in load_health(path)} == {"donor": "bad", "host": "bad"}


@pytest.mark.parametrize(("name", "path"), [(NEEDS, "needs"), (HEALTH, "health")])
def test_a_sheet_that_somebody_else_wrote_meanwhile_is_not_written_over(swap: Path, name: str, path: str) -> None:
    here = Browser(swap)
    view = here.get(f"/api/{path}")
    (swap / name).write_text((swap / name).read_text() + "# by an editor\n")
    asked = {"needs": view["needs"]} if path == "needs" else {"sheet": view["sheet"]}
    answer = here.http.post(f"/api/{path}/save", json={**asked, "version": view["version"]}, headers=here.headers)
    assert (answer.status_code, answer.json()["changed"]) == (409, True)
    (swap / name).unlink()  # a form of a file that is gone is not made anew either
    answer = here.http.post(f"/api/{path}/save", json={**asked, "version": view["version"]}, headers=here.headers)
    assert (answer.status_code, answer.json()["changed"]) == (409, True)
    assert not (swap / name).exists()


def test_sheets_begin_where_there_are_none(tmp_path: Path) -> None:
    here = Browser(tmp_path)
    assert here.http.get("/sheets").status_code == 200
    view = here.get("/api/needs")
    assert (view["version"], view["needs"], view["found"]) == ("", [], [])
    (tmp_path / NEEDS_FOUND).parent.mkdir()
    (tmp_path / NEEDS_FOUND).write_text('[[need]]\nmodule = "cluster"\nbus = "host"\nid = "280"\n')
    found = here.get("/api/needs")["found"]
    assert [(row["was"], row["module"]) for row in found] == [(None, "cluster")]
    here.post("/api/needs/save", {"needs": found, "version": ""})
    assert [n.module for n in load_needs(tmp_path / NEEDS)] == ["cluster"]
    health = here.get("/api/health")
    health["sheet"]["engines"][0]["redline"] = "6500"
    here.post("/api/health/save", {"sheet": health["sheet"], "version": ""})
    (sheet,) = load_health(tmp_path / HEALTH)
    assert sheet.which == "donor"
    assert sheet.redline_rpm == 6500


def test_a_sheet_that_cannot_be_read_is_one_sentence_and_the_other_works(swap: Path) -> None:
    here = Browser(swap)
    (swap / NEEDS).write_text("[[need]]\n")
    view = here.get("/api/needs")
    assert "does not name the module" in view["trouble"]
    assert "does not name the module" in here.refusal("/api/needs/save", {"needs": [], "version": view["version"]})
    (swap / NEEDS).write_bytes(b"\xff")
    assert "write it as UTF-8 text" in here.get("/api/needs")["trouble"]
    assert here.get("/api/health")["trouble"] == ""
    assert (swap / NEEDS).read_bytes() == b"\xff"
