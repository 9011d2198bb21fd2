"""Many claims and signals at once: all that is sure enough into a map, and the bridge as a table."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from swapbridge.core.errors import InputError
from swapbridge.demo.folder import write_demo_papers
from swapbridge.page.rows import with_source
from swapbridge.signalmap.dbc_read import load_map
from tests.page.two_tabs import MESSAGE, SIGNAL

OpenPage = Callable[[Path], Any]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in ("captures", "signal_maps", "findings"):
        (tmp_path / name).mkdir()
    (tmp_path / "captures" / "a.log").write_text("(1.0) can0 1A0#0011223344556677\n")
    sure = ((0.999, 0.99), (0.96, 0.99), (0.7, 0.7))
    signals = [
        {
            **SIGNAL,
            "name": f"f{n}",
            "start": 16 * n,
            "stimulus": f"channel_{n}",
            "confidence": a,
            "layout_confidence": b,
        }
        for n, (a, b) in enumerate(sure)
    ]
    found = {"version": 1, "messages": [{**MESSAGE, "signals": signals}]}
    (tmp_path / "findings" / "a.json").write_text(json.dumps(found))
    return tmp_path


def test_all_that_is_sure_enough_is_accepted_as_one_step(folder: Path, open_page: OpenPage) -> None:
    here = open_page(folder)
    asked = {"file": "a.log", "map": "donor.dbc", "confidence": 0.95, "version": ""}
    done = here.post("/api/accept-all", asked)
    assert (done["named"], done["bare"], done["left_out"]) == (2, 0, 1)
    target = folder / "signal_maps" / "donor.dbc"
    assert {s.name for s in load_map(target).messages[0].signals} == {"channel_0", "channel_1"}
    claims = {c["name"]: c["in_maps"] for c in here.get("/api/claims", file="a.log")["claims"]}
    assert claims == {"f0": ["channel_0 in donor.dbc"], "f1": ["channel_1 in donor.dbc"], "f2": []}
    answer = here.http.post("/api/accept-all", json=asked, headers=here.headers)
    assert answer.status_code == 409, "the map is another by now"
    assert here.post("/api/undo", {"file": "donor.dbc", "version": done["version"]})["undone"].startswith("accept all")
    assert not target.exists()
    for wrong in (0.2, 1.5, "nan", None):
        assert here.refusal("/api/accept-all", {**asked, "confidence": wrong})


def test_the_bridge_as_a_table_says_how_sure_and_what_in_doubt(tmp_path: Path, open_page: OpenPage) -> None:
    (tmp_path / "signal_maps").mkdir()
    write_demo_papers(tmp_path)
    here = open_page(tmp_path)
    view = here.get("/api/bridge")
    rows = {(r["message"], r["signal"]): r for r in view["rows"]}
    assert len(rows) > 10
    assert all(r["doubt"] for r in rows.values())
    assert any(r["doubt"] == "not available" for r in rows.values())
    assert {s["sure"] for r in rows.values() for s in r["sources"]} == {"as the map says"}
    names = {n["name"]: n for n in view["names"]}
    plain = next(r for r in rows.values() if len(r["sources"]) == 1 and r["made_from"] == r["sources"][0]["name"])
    assert plain["made_from"] in names
    assert any(f["usage"].startswith("clamp(") for f in view["functions"])
    other = next(n for n in names if n != plain["made_from"])
    asked = {"text": view["text"], "message": plain["message"], "signal": plain["signal"], "source": other}
    changed = here.post("/api/bridge/pick", asked)["text"]
    assert changed != view["text"]
    back = here.post("/api/bridge/pick", {**asked, "text": changed, "source": plain["made_from"]})["text"]
    assert back == view["text"], "comments and spaces are as they were"


@pytest.mark.parametrize(
    ("text", "message", "signal"),
    [
        ("[", "a.B", "C"),
        ("x = 1", "a.B", "C"),
        ("[[messages]]\nsend='a.B'\n", "a.B", "C"),
        ("messages = 3", "a.B", "C"),
    ],
)
def test_a_pick_that_has_no_line_is_refused(text: str, message: str, signal: str) -> None:
    with pytest.raises(InputError):
        with_source(text, message, signal, "donor.X.Y")
