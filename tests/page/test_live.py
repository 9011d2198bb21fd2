"""The live control behind the page: recording, watching, and what is refused to whom."""

from __future__ import annotations

import asyncio
import re
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from swapbridge.capture.read import read_capture
from swapbridge.compiler.compile import compile_bridge
from swapbridge.demo.folder import DONOR_RUNNING
from swapbridge.page.app import make_app
from swapbridge.page.guard import FORM_TOKEN_HEADER
from swapbridge.page.live_control import LOOK_EVERY_S
from tests.demo_folder import lay_out_demo

OpenPage = Callable[[Path], Any]


@pytest.fixture(scope="module")
def swap(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("live")
    lay_out_demo(folder)
    (folder / "plan.json").write_text(compile_bridge(folder / "bridge.toml").plan.to_json())
    return folder


def wait_for(here: Any, ready: Callable[[dict[str, Any]], bool], most_s: float = 20.0) -> dict[str, Any]:
    end = time.monotonic() + most_s
    while time.monotonic() < end:
        view: dict[str, Any] = here.get("/api/live")
        if ready(view):
            return view
        time.sleep(0.02)
    raise AssertionError(view)


def test_a_recording_walks_through_its_script_and_ends_whole(swap: Path, open_page: OpenPage) -> None:
    here = open_page(swap)
    (swap / "stimulus_script.toml").write_text(
        '[[step]]\nname = "idle"\nsay = "Let it idle"\nseconds = 60\n'
        '[[step]]\nname = "brake"\nsay = "Brake"\nseconds = 5\n'
    )
    asked = {"name": "first", "buses": "donor=virtual:page-live", "active": True, "script": True}
    assert here.post("/api/live/record", asked) == {"started": "first.log"}
    view = wait_for(here, lambda v: "record" in v and v["record"]["step"] is not None)
    assert view["record"]["step"]["headline"]
    here.post("/api/live/press", {"key": "next"})
    view = wait_for(here, lambda v: v["record"]["step"]["phase"] == "doing")
    assert view["record"]["step"]["left_s"] > 50
    here.post("/api/live/press", {"key": "note", "text": "smells of fuel"})
    assert "already" in here.refusal("/api/live/record", {**asked, "name": "second"})
    here.post("/api/live/stop", {})
    view = wait_for(here, lambda v: v["what"] == "nothing")
    assert not view["error"]
    stimulus = (swap / "captures" / "first.stimulus.csv").read_text()
    assert "idle" in stimulus
    assert "smells of fuel" in stimulus


def test_listening_only_is_the_default_and_said_where_it_cannot_be(swap: Path, open_page: OpenPage) -> None:
    here = open_page(swap)
    here.post("/api/live/record", {"name": "quiet", "buses": "donor=serial:/dev/null"})
    view = wait_for(here, lambda v: v["what"] == "nothing")
    assert "listen" in view["error"]


WATCH = {
    "buses": "host=virtual:page-host",
    "against": f"{DONOR_RUNNING}.log.gz",
    "against_bus": "donor",
    "unproved": True,
}


@pytest.mark.long
def test_a_run_outlives_the_page_which_finds_it_again_and_stops_it(swap: Path, open_page: OpenPage) -> None:
    """A process of its own: it sends on when the page ends, and every page of its folder says so first."""
    here = open_page(swap)
    here.post("/api/live/run", {**WATCH, "sending": True, "acknowledged": True})
    view = wait_for(here, lambda v: "run" in v and v["run"]["sending"] and v["run"]["outputs"][0]["count"] > 0)
    assert view["what"] == "running"
    assert view["sending"] is True
    assert "already" in here.refusal("/api/live/run", WATCH)
    here.app.app.state.site.live_control.close()
    again = open_page(swap)  # another page, as after a restart
    page = again.http.get("/").text
    assert re.search(r'id="sending"[^>]*role="alert">', page), "shown, before any script has run"
    view = again.get("/api/live")
    assert (view["what"], view["run"]["sending"]) == ("running", True)
    said = {"text": (swap / "bridge.toml").read_text(), "version": again.get("/api/bridge")["version"]}
    again.post("/api/bridge/save", said)
    for path, asked in (
        ("/api/guess", {"file": f"{DONOR_RUNNING}.log.gz"}),
        ("/api/bridge/check", {"text": (swap / "bridge.toml").read_text()}),
    ):
        assert "sending" in again.refusal(path, asked)
    stranger = TestClient(again.app, base_url="http://127.0.0.1:8321", client=("127.0.0.1", 50000))
    assert stranger.post("/api/live/stop", headers={"origin": "http://127.0.0.1:8321"}).status_code == 200
    view = wait_for(here, lambda v: v["what"] == "nothing")
    assert "ended by: stopped" in view["ended_by"]
    time.sleep(LOOK_EVERY_S)
    assert again.get("/api/live")["sending"] is False
    assert 'id="sending" class="strip sending" role="alert" hidden' in again.http.get("/").text


def test_watching_a_capture_sends_nothing(swap: Path, open_page: OpenPage) -> None:
    here = open_page(swap)
    here.post("/api/live/run", {**WATCH, "acknowledged": True})
    view = wait_for(here, lambda v: "run" in v and any(o["count"] for o in v["run"]["outputs"]))
    assert view["run"]["sending"] is False
    assert view["sending"] is False
    assert all(bus["sent"] == 0 for bus in view["run"]["buses"] if bus["name"] == "host")
    here.post("/api/live/stop", {})
    wait_for(here, lambda v: v["what"] == "nothing")


def test_a_stop_before_it_has_begun_ends_it_too(swap: Path, open_page: OpenPage) -> None:
    here = open_page(swap)
    here.post("/api/live/run", {**WATCH, "sending": True, "acknowledged": True})
    here.post("/api/live/stop", {})
    view = wait_for(here, lambda v: v["what"] == "nothing")
    assert view["sending"] is False


def test_sending_needs_the_cautions_read_here_and_a_proof(swap: Path, open_page: OpenPage) -> None:
    here = open_page(swap)
    asked = {"buses": "donor=virtual:page-donor\nhost=virtual:page-host", "sending": True, "unproved": True}
    assert "cautions" in here.refusal("/api/live/run", asked)
    here.post("/api/live/run", {**asked, "acknowledged": True, "unproved": False})
    view = wait_for(here, lambda v: v["what"] == "nothing" and bool(v["error"]))
    assert "never proved" in view["error"]


async def ask(app: Any, method: str, path: str, content: bytes = b"", **headers: str) -> tuple[int, bytes]:
    """One request straight to the application, in the caller's own event loop."""
    said: list[Any] = []
    sent = iter([{"type": "http.request", "body": content, "more_body": False}])
    raw = [(name.replace("_", "-").encode(), value.encode()) for name, value in headers.items()]
    scope = {"type": "http", "method": method, "path": path, "raw_path": path.encode(), "query_string": b"",
             "headers": [(b"host", b"127.0.0.1:8321"), *raw], "client": ("127.0.0.1", 5), "server": ("127.0.0.1", 8321),
             "scheme": "http", "http_version": "1.1", "root_path": ""}  # fmt: skip

    async def receive() -> Any:
        return next(sent, {"type": "http.disconnect"})

    async def send(message: Any) -> None:
        said.append(message)

    await app(scope, receive, send)
    return said[0]["status"], b"".join(m.get("body", b"") for m in said[1:])


def test_nothing_waits_for_heavy_work(swap: Path, open_page: OpenPage, monkeypatch: pytest.MonkeyPatch) -> None:
    """A static file waited 5.1 s for a bridge file that was being checked in the loop that serves everybody."""
    here = open_page(swap)
    began, go_on = threading.Event(), threading.Event()

    def slow(*_: Any) -> dict[str, Any]:
        began.set()
        assert go_on.wait(20), "the loop stood still"
        return {}

    monkeypatch.setattr("swapbridge.page.views.bridge.checked", slow)
    cookie = "; ".join(f"{name}={value}" for name, value in here.http.cookies.items())
    known = {"cookie": cookie, **{name.replace("-", "_"): value for name, value in here.headers.items()}}

    async def both() -> tuple[int, int]:
        check = asyncio.create_task(ask(here.app, "POST", "/api/bridge/check", b'{"text": "x"}', **known))
        while not began.is_set():
            await asyncio.sleep(0.01)
        status, _ = await ask(here.app, "GET", "/static/core.js")
        go_on.set()
        return status, (await check)[0]

    assert asyncio.run(both()) == (200, 200)


def test_a_far_browser_never_runs_nor_opens_an_adapter_that_may_send(swap: Path) -> None:
    """Not even one that may write: sending is acknowledged on the machine itself."""
    app = make_app(swap, hosts=["127.0.0.1:8321"], share_token="once", remote_may_write=True)
    far = TestClient(app, base_url="http://127.0.0.1:8321", client=("192.0.2.7", 50000), follow_redirects=False)
    far.get("/?token=once")
    page = far.get("/live").text
    assert 'id="run"' not in page
    token = page.split('name="form-token" content="')[1].split('"')[0]
    headers = {"origin": "http://127.0.0.1:8321", FORM_TOKEN_HEADER: token}
    run = {"buses": "host=virtual:x", "sending": True, "acknowledged": True, "unproved": True}
    answer = far.post("/api/live/run", json=run, headers=headers)
    assert answer.status_code == 400
    assert "machine itself" in answer.json()["error"]
    record = {"name": "far", "buses": "donor=virtual:x", "active": True}
    answer = far.post("/api/live/record", json=record, headers=headers)
    assert answer.status_code == 400
    assert "machine itself" in answer.json()["error"]


def test_a_recording_made_by_the_page_reads_as_a_capture(swap: Path, open_page: OpenPage) -> None:
    import can

    here = open_page(swap)
    here.post("/api/live/record", {"name": "heard", "buses": "donor=virtual:page-live3", "active": True})
    wait_for(here, lambda v: "record" in v)
    with can.Bus("page-live3", interface="virtual") as bus:
        for n in range(50):
            bus.send(can.Message(arbitration_id=0x123, data=[n], is_extended_id=False))
    wait_for(here, lambda v: v["record"]["buses"][0]["frames"] >= 50)
    here.post("/api/live/stop", {})
    wait_for(here, lambda v: v["what"] == "nothing")
    capture = read_capture(swap / "captures" / "heard.log")
    assert capture.payload[:, 0].tolist() == list(range(50))
