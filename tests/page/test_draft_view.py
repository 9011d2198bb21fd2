"""The draft view: every line, what draft says of it, and answers that are written whole, undone, and never lost."""

from __future__ import annotations

from pathlib import Path

import pytest

from swapbridge.compiler.compile import compile_bridge
from swapbridge.demo.folder import write_demo_papers
from tests.page.conftest import Browser

SPEED = "host.EngineData.EngineSpeed"


def write_drafted(folder: Path) -> None:
    """The demo's papers; one line carries draft's comment and waits for a review."""
    for name in ("signal_maps", "captures"):
        (folder / name).mkdir()
    write_demo_papers(folder)
    path = folder / "bridge.toml"
    out = []
    for line in path.read_text().splitlines():
        if line.startswith("EngineSpeed = "):
            line = line.replace(" }", ', fallback = "0 rpm", unreviewed = true }  # draft: copy, 99% sure: <b>so</b>')
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
    assert line(view)["said"] == "copy, 99% sure: <b>so</b>"
    assert line(view)["waits"]


def test_answers_are_written_and_undone(swap: Path) -> None:
    here, path = Browser(swap), swap / "bridge.toml"
    before = path.read_text()
    view = here.get("/api/draft")
    refused = here.post("/api/draft/say", {"name": SPEED, "say": "refuse", "version": view["version"]})
    assert line(refused)["open"]
    assert line(refused)["value"] == "0 rpm"
    assert refused["undo"] == f"refuse {SPEED}"
    here.post("/api/undo", {"file": "bridge.toml", "version": refused["version"]})
    assert path.read_text() == before
    view = here.get("/api/draft")
    accepted = here.post("/api/draft/say", {"name": SPEED, "say": "accept", "version": view["version"]})
    assert accepted["waiting"] == []
    assert line(accepted)["said"] == ""
    rule = {"value": "clamp(donor.PCM_FAST.RPM, 0 rpm, 7000 rpm)", "fallback": "0 rpm"}
    edited = here.post("/api/draft/say", {"name": SPEED, "say": "edit", "version": accepted["version"], **rule})
    assert line(edited)["value"] == rule["value"]
    compile_bridge(path)


def test_what_is_refused_writes_nothing(swap: Path) -> None:
    here, path = Browser(swap), swap / "bridge.toml"
    before, version = path.read_bytes(), here.get("/api/draft")["version"]
    asked = {"name": SPEED, "say": "edit", "version": version, "value": "donor.NOPE.X", "fallback": "0 rpm"}
    assert "no message 'NOPE'" in here.refusal("/api/draft/say", asked)
    assert "is no line" in here.refusal("/api/draft/say", {**asked, "name": "host.X.Y", "say": "accept"})
    assert "answered by accept, refuse or edit" in here.refusal("/api/draft/say", {**asked, "say": "burn"})
    assert path.read_bytes() == before


def test_a_file_that_changed_meanwhile_is_not_written_over(swap: Path) -> None:
    here, path = Browser(swap), swap / "bridge.toml"
    version = here.get("/api/draft")["version"]
    path.write_text(path.read_text() + "# by an editor\n")
    answer = here.http.post(
        "/api/draft/say", json={"name": SPEED, "say": "refuse", "version": version}, headers=here.headers
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
