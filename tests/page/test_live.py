"""The live desk behind the page: recording, watching, and what is refused to whom."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from swapbridge.capture.read import read_capture
from swapbridge.compiler.compile import compile_bridge
from swapbridge.demo.folder import DONOR_RUNNING, write_demo
from swapbridge.page.app import make_app
from swapbridge.page.guard import FORM_TOKEN_HEADER

OpenPage = Callable[[Path], Any]


@pytest.fixture(scope="module")
def swap(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("live")
    write_demo(folder)
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


def test_watching_a_capture_sends_nothing(swap: Path, open_page: OpenPage) -> None:
    here = open_page(swap)
    asked = {
        "buses": "host=virtual:page-host",
        "against": f"{DONOR_RUNNING}.log.gz",
        "against_bus": "donor",
        "unproved": True,
    }
    here.post("/api/live/run", {**asked, "acknowledged": True})
    view = wait_for(here, lambda v: "run" in v and any(o["count"] for o in v["run"]["outputs"]))
    assert view["run"]["sending"] is False
    assert all(bus["sent"] == 0 for bus in view["run"]["buses"] if bus["name"] == "host")
    here.post("/api/live/stop", {})
    wait_for(here, lambda v: v["what"] == "nothing")


def test_sending_needs_the_cautions_read_here(swap: Path, open_page: OpenPage) -> None:
    here = open_page(swap)
    asked = {"buses": "host=virtual:page-host", "sending": True, "unproved": True}
    assert "cautions" in here.refusal("/api/live/run", asked)
    here.post("/api/live/run", {**asked, "sending": False, "unproved": False})
    view = wait_for(here, lambda v: v["what"] == "nothing")
    assert view["error"]


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
