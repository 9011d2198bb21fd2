"""Hostile text in a map, a stimulus file and a bridge file: data to the page, never markup, and never a crash."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from swapbridge.demo.folder import write_demo_papers
from swapbridge.demo.vehicle_maps import host_map
from swapbridge.signalmap.dbc_write import format_map

OpenPage = Callable[[Path], Any]
SCRIPT = "<script>alert(1)</script>"
LONG = "n" * 10_000
VIEWS = ("/", "/capture", "/guess", "/compare", "/modules", "/bridge", "/prove", "/live")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in ("captures", "signal_maps"):
        (tmp_path / name).mkdir()
    write_demo_papers(tmp_path)
    return tmp_path


def test_a_map_with_markup_in_comments_and_names_of_ten_thousand_letters(folder: Path, open_page: OpenPage) -> None:
    good = host_map()
    first = good.messages[0]
    signals = tuple(replace(s, comment=SCRIPT) for s in first.signals)
    messages = (replace(first, signals=signals, comment=SCRIPT), *good.messages[1:])
    name = f"{SCRIPT.replace('/', '_')}.dbc"
    written = format_map(replace(good, messages=messages)).replace(first.signals[0].name, LONG)
    (folder / "signal_maps" / name).write_text(written)
    text = (folder / "bridge.toml").read_text().replace("signal_maps/host.dbc", f"signal_maps/{name}")
    here = open_page(folder)
    answer = here.http.post("/api/bridge/check", json={"text": text}, headers=here.headers)
    assert answer.status_code == 200
    assert answer.headers["content-type"].startswith("application/json")
    for view in VIEWS:
        page = here.http.get(view)
        assert page.status_code == 200, view
        assert "<script>alert" not in page.text, view


def test_a_channel_of_ten_thousand_letters_and_one_of_markup(folder: Path, open_page: OpenPage) -> None:
    log = "".join(f"({1700000000 + n / 100:.6f}) can0 123#{n % 256:02X}00\n" for n in range(400))
    (folder / "captures" / "odd.log").write_text(log)
    rows = [f"{1700000000 + n / 10:.3f},{name},{n}" for n in range(40) for name in (LONG, SCRIPT)]
    (folder / "captures" / "odd.csv").write_text("time_s,channel,value\n" + "\n".join(rows) + "\n")
    view = open_page(folder).get("/api/axis", file="odd.log")
    assert all(len(line["name"]) <= 80 for line in view["channels"])
    assert any(line["name"].startswith(SCRIPT) for line in view["channels"])


@pytest.mark.parametrize(
    "text",
    [
        "\x00",
        "[" * 5000,
        f"[buses.{SCRIPT}]",
        f'[bridge]\nname = "{LONG}"',
        "x = 1e400",
        "[[messages]]\nsend = 3",
        "é" * 1000,
    ],
)
def test_any_bridge_text_gets_an_answer(folder: Path, open_page: OpenPage, text: str) -> None:
    view = open_page(folder).post("/api/bridge/check", {"text": text})
    assert view["faults"]
    assert all(isinstance(fault["words"], str) for fault in view["faults"])


@pytest.mark.parametrize("path", ["/api/bridge/check", "/api/accept", "/api/guess", "/api/prove", "/api/live/record"])
@pytest.mark.parametrize("content", [b"", b"[]", b"{", b"null", b'{"text": 5, "file": []}', b"\xff" * 10])
def test_a_broken_request_is_refused_in_words(folder: Path, open_page: OpenPage, path: str, content: bytes) -> None:
    here = open_page(folder)
    answer = here.http.post(path, content=content, headers=here.headers)
    assert answer.status_code == 400
    assert answer.json()["error"]


def test_a_request_beyond_its_size_is_refused(folder: Path, open_page: OpenPage) -> None:
    here = open_page(folder)
    answer = here.http.post("/api/bridge/check", json={"text": "x" * 5_000_000}, headers=here.headers)
    assert answer.status_code == 400
