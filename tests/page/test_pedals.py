"""The phone at the pedals: let in once by a link, presses Next while the vehicle stands, stops, and no more."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from swapbridge.page.guard import FORM_TOKEN_HEADER
from swapbridge.page.views.pedals import code_rows
from tests.page.test_live import wait_for

OpenPage = Callable[[Path], Any]
ADDRESS = "192.0.2.1:8321"


class Phone:
    """A browser on the phone."""

    def __init__(self, app: Any, link: str) -> None:
        self.http = TestClient(app, base_url=f"http://{ADDRESS}", client=("192.0.2.9", 50000), follow_redirects=False)
        self.first = self.http.get(link.removeprefix(f"http://{ADDRESS}"))
        page = self.http.get("/pedals").text
        found = re.search(r'name="form-token" content="([^"]+)"', page)
        self.headers = {"origin": f"http://{ADDRESS}", FORM_TOKEN_HEADER: found.group(1) if found else ""}

    def post(self, path: str, values: dict[str, Any] | None = None) -> Any:
        return self.http.post(path, json=values or {}, headers=self.headers)


@pytest.fixture
def shared(tmp_path: Path, open_page: OpenPage) -> Any:
    """The page on the machine itself, shared on an address."""
    (tmp_path / "captures").mkdir()
    (tmp_path / "bridge.toml").write_text("# mine\n")
    here = open_page(tmp_path)
    here.app.hosts = frozenset({"127.0.0.1:8321", ADDRESS})
    return here


def test_a_phone_is_let_in_once_and_changes_nothing_but_the_step(shared: Any) -> None:
    view = shared.post("/api/live/phone", {})
    phone = Phone(shared.app, view["link"])
    assert phone.first.status_code == 303
    assert phone.first.headers["location"].startswith("/pedals")
    assert Phone(shared.app, view["link"]).first.status_code == 403, "spent"
    before = {path: path.read_bytes() for path in shared.app.app.state.site.folder_files.folder.rglob("*.toml")}
    for route in shared.app.app.routes:
        if "POST" in (getattr(route, "methods", None) or ()) and route.path not in ("/api/live/next", "/api/live/stop"):
            answer = phone.post(route.path.replace("{key}", "x"))
            assert answer.status_code == 403, route.path
    assert all(path.read_bytes() == content for path, content in before.items())
    assert "nothing is being recorded" in phone.post("/api/live/next").json()["error"]
    assert phone.post("/api/live/stop").status_code == 200


def test_next_is_pressed_from_the_phone_only_while_the_vehicle_stands(
    shared: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = shared.app.app.state.site.folder_files.folder
    (folder / "stimulus_script.toml").write_text('[[step]]\nname = "idle"\nsay = "Let it idle"\nseconds = 60\n')
    phone = Phone(shared.app, shared.post("/api/live/phone", {})["link"])
    asked = {"name": "foot", "buses": "donor=virtual:page-foot", "active": True, "script": True}
    shared.post("/api/live/record", asked)
    view = wait_for(shared, lambda v: "record" in v and v["record"]["step"] is not None)
    control = type(shared.app.app.state.site.live_control)
    monkeypatch.setattr(control, "speed_kmh", lambda self: 32.0)
    assert "32 km/h" in phone.post("/api/live/next").json()["error"]
    monkeypatch.setattr(control, "speed_kmh", lambda self: 0.4)
    assert phone.post("/api/live/next").json() == {"pressed": "next"}
    wait_for(shared, lambda v: v["record"]["step"]["phase"] != view["record"]["step"]["phase"])
    assert phone.post("/api/live/press", {"key": "quit"}).status_code == 403
    assert phone.post("/api/live/stop").status_code == 200
    wait_for(shared, lambda v: v["what"] == "nothing")


def test_the_link_is_given_only_where_the_page_is_shared(tmp_path: Path, open_page: OpenPage) -> None:
    assert "--share" in open_page(tmp_path).refusal("/api/live/phone", {})


def test_the_code_says_the_link() -> None:
    rows = code_rows("http://192.0.2.1:8321/pedals?token=abcdef")
    assert len(rows) == len(rows[0]) >= 29
    assert set("".join(rows)) == {"0", "1"}
    assert set(rows[0] + rows[3]) == {"0"}, "the quiet zone"
    assert rows[4][4:11] == "1111111", "a finder in the corner"
