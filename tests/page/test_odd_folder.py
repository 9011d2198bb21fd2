"""Odd files in a swap folder: one sentence each, and the rest of the page works."""

from __future__ import annotations

import gzip
import json
import os
import sys
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from swapbridge.capture.convert import convert
from swapbridge.capture.read import read_capture
from swapbridge.capture.write import write_capture
from swapbridge.core.errors import InputError
from swapbridge.core.progress import Progress
from swapbridge.demo.folder import write_demo_papers
from swapbridge.page.once import Once
from swapbridge.page.pictures import breaks, envelope
from swapbridge.page.unpacking import check_unpacked
from tests.page.test_views import ramp_capture

OpenPage = Callable[[Path], Any]
VIEWS = ("/", "/capture", "/guess", "/compare", "/modules", "/bridge", "/prove", "/live")
APIS = (
    "/api/capture?file=ramp.log",
    "/api/identifier?file=ramp.log&id=1A0&bus=donor",
    "/api/claims?file=ramp.log",
    "/api/field?file=ramp.log&id=1A0&bus=donor&start=0&length=16&byte_order=little_endian&channel=speed",
    "/api/compare?a=ramp.log&b=ramp.log",
    "/api/bridge",
    "/api/proof",
    "/api/maps",
    "/api/live",
    "/api/axis?file=ramp.log",
    "/api/lanes?file=ramp.log",
    "/api/strips?file=ramp.log&id=1A0&bus=donor",
    "/api/frame?file=ramp.log&id=1A0&bus=donor&at=1",
)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in ("captures", "signal_maps", "findings", "codes"):
        (tmp_path / name).mkdir()
    write_demo_papers(tmp_path)
    write_capture(ramp_capture(), tmp_path / "captures" / "ramp.log")
    return tmp_path


def all_answers(here: Any) -> dict[str, str]:
    """Every view is a page, every question gets data or one sentence."""
    out = {}
    for view in VIEWS:
        answer = here.http.get(view)
        assert answer.status_code == 200, (view, answer.text)
        out[view] = answer.text
    for path in APIS:
        answer = here.http.get(path)
        assert answer.status_code in (200, 400), (path, answer.text)
        out[path] = answer.text
        if answer.status_code == 400:
            assert len(answer.json()["error"]) < 1000, path
        else:
            json.loads(answer.text, parse_constant=_no_number)
    return out


@pytest.mark.skipif(sys.platform != "linux", reason="only there may a name be any bytes")
def test_names_in_no_encoding_are_said_and_left_out(folder: Path, open_page: OpenPage) -> None:
    for place in ("captures", "signal_maps", "findings", "codes"):
        for end in (b".log", b".dbc", b".json", b".csv"):
            with open(os.fsencode(folder / place) + b"/bad\xff\xfe" + end, "wb") as file:
                file.write(b"x")
    said = all_answers(open_page(folder))
    assert "in no encoding" in said["/capture"]
    assert '"count":1500' in said[APIS[0]], "the capture beside them is shown"


def _no_number(name: str) -> None:
    raise AssertionError(f"{name} is no JSON")


ODD = {
    "deep": "[" * 100_000,
    "deep objects": '{"a":' * 50_000,
    "numbers": '{"version": 1, "messages": [{"id": NaN, "extended": false, "bus": "donor", "signals": [1e999]}]}',
    "surrogate": '{"version": 1, "messages": [], "advice": ["\\ud800"]}',
    "wrong": '{"version": 1, "messages": [{"id": 416, "extended": false, "bus": "donor", "signals": [{}]}]}',
    "bytes": "\udcff\udcfe",
    "empty": "",
}
NAMES = ("needs.toml", "bridge.toml", "plan.json", "proof.json", "health.toml", "stimulus_script.toml",
         "findings/ramp.json", "codes/a.json", "signal_maps/host.dbc", "captures/ramp.csv")  # fmt: skip


@pytest.mark.parametrize("what", ODD)
def test_odd_content_in_any_file_leaves_every_view_alive(what: str, folder: Path, open_page: OpenPage) -> None:
    for name in NAMES:
        (folder / name).write_bytes(ODD[what].encode("utf-8", "surrogateescape"))
    said = all_answers(open_page(folder))
    assert '"count":1500' in said[APIS[0]]


def test_a_stimulus_that_does_not_overlap_is_one_sentence(folder: Path, open_page: OpenPage) -> None:
    (folder / "captures" / "ramp.csv").write_text("time_s,channel,value\n5,speed,1\n6,speed,2\n9,speed,inf\n")
    track = (folder / "captures" / "ramp.csv").read_text().replace("\n5,", "\n99995,").replace("\n6,", "\n99996,")
    (folder / "captures" / "ramp.csv").write_text(track.replace("\n9,", "\n99999,"))
    said = all_answers(open_page(folder))
    assert "The stimulus file is not shown" in said["/api/axis?file=ramp.log"]
    assert '"count":1500' in said[APIS[0]]
    assert "The stimulus file is not shown" in said[APIS[3]]


@pytest.mark.parametrize("scale", ["nan", "inf", "1e999", "-inf", "x"])
def test_numbers_that_are_none_are_refused_in_words(scale: str, folder: Path, open_page: OpenPage) -> None:
    (folder / "captures" / "ramp.csv").write_text("time_s,channel,value\n5,speed,1\n6,speed,2\n9,speed,7\n")
    here = open_page(folder)
    for key in ("scale", "lag"):
        answer = here.http.get(f"{APIS[3]}&{key}={scale}")
        assert answer.status_code == 400
        assert "number" in answer.json()["error"]


@pytest.mark.parametrize(
    "content",
    [b'{"text": "\\ud800", "version": ""}', b'{"text": 1e999}', b'{"text": NaN}', b"[" * 100_000, b'{"a": ' * 9_000],
)
@pytest.mark.parametrize("path", ["/api/bridge/save", "/api/accept", "/api/undo", "/api/bridge/curve"])
def test_a_request_that_no_file_could_hold_is_refused(
    path: str, content: bytes, folder: Path, open_page: OpenPage
) -> None:
    here = open_page(folder)
    before = (folder / "bridge.toml").read_bytes()
    answer = here.http.post(path, content=content, headers=here.headers)
    assert answer.status_code == 400, answer.text
    assert (folder / "bridge.toml").read_bytes() == before


LINKED = ("captures/out.log", "captures/ramp.csv", "signal_maps/out.dbc", "findings/ramp.json", "codes/a.json",
          "needs.toml", "bridge.toml", "plan.json", "proof.json", "health.toml", "stimulus_script.toml")  # fmt: skip


@pytest.mark.parametrize("name", LINKED)
def test_a_link_out_of_the_folder_is_refused_for_every_kind_of_file(
    name: str, folder: Path, open_page: OpenPage, tmp_path_factory: pytest.TempPathFactory
) -> None:
    outside = tmp_path_factory.mktemp("outside") / "secret"
    outside.write_text("time_s,channel,value\n1700000005,SECRET,1\n1700000006,SECRET,2\n")
    (folder / name).unlink(missing_ok=True)
    (folder / name).symlink_to(outside)
    said = all_answers(open_page(folder))
    assert "leads out of the swap folder" in said["/"]
    assert not [path for path, text in said.items() if "SECRET" in text]
    assert outside.read_text().startswith("time_s")


@pytest.mark.parametrize("name", ["captures", "signal_maps", "findings", "codes", ".page"])
def test_a_whole_folder_that_leads_out_is_said_too(
    name: str, folder: Path, open_page: OpenPage, tmp_path_factory: pytest.TempPathFactory
) -> None:
    outside = tmp_path_factory.mktemp("outside")
    write_capture(ramp_capture(), outside / "stranger.log")
    if (folder / name).exists():
        (folder / name).rename(tmp_path_factory.mktemp("moved") / name)
    (folder / name).symlink_to(outside)
    here = open_page(folder)
    said = all_answers(here)
    assert "stranger" not in "".join(said.values())
    if name == ".page":
        refused = here.refusal("/api/bridge/save", {"text": "x", "version": here.get("/api/bridge")["version"]})
        assert "link" in refused
    else:
        assert f"{name} is left out" in said["/capture"]
    assert [path.name for path in outside.iterdir()] == ["stranger.log"]


def test_one_capture_is_parsed_once_however_many_ask(
    folder: Path, open_page: OpenPage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Twelve views asked at once and it was parsed twelve times, in 3.1 GB."""
    reads: list[Path] = []
    together = threading.Barrier(12)

    def counted(path: Path, progress: Progress) -> Any:
        reads.append(path)
        progress(0.25, "reading")
        shares.append(folder_files.share_read("ramp.log"))
        return read_capture(path)

    monkeypatch.setattr("swapbridge.page.folder_files.read_capture", counted)
    folder_files = open_page(folder).app.app.state.site.folder_files
    shares: list[float | None] = []

    def ask(_: int) -> int:
        together.wait(30)
        return len(folder_files.capture("ramp.log"))

    with ThreadPoolExecutor(12) as pool:
        assert set(pool.map(ask, range(12))) == {1500}
    assert len(reads) == 1
    assert (shares, folder_files.share_read("ramp.log")) == ([0.25], None), "how far it is, is told meanwhile"


def test_a_thing_made_once_is_made_again_after_a_failure_or_a_change() -> None:
    once, made = Once(2), []  # type: tuple[Once, list[tuple[str, int]]]

    def make(key: str, stamp: int) -> int:
        made.append((key, stamp))
        return stamp

    def fail() -> int:
        raise InputError("no")

    with pytest.raises(InputError):
        once.value("a", 1, fail)
    for key, stamp in (("a", 1), ("a", 1), ("a", 2), ("b", 1), ("c", 1), ("a", 2)):
        assert once.value(key, stamp, partial(make, key, stamp)) == stamp
    assert made == [("a", 1), ("a", 2), ("b", 1), ("c", 1), ("a", 2)], "the one longest unused was dropped"


def test_an_upload_that_unpacks_beyond_memory_is_refused(
    folder: Path, open_page: OpenPage, monkeypatch: pytest.MonkeyPatch
) -> None:
    here = open_page(folder)
    line = b"(1700000000.000000) can0 123#0011223344556677\n"
    bomb = gzip.compress(line * 40_000, 9)
    assert len(bomb) < 20_000
    monkeypatch.setattr("swapbridge.page.unpacking.most_unpacked", lambda: 1_000_000)
    for name in ("bomb.log.gz", "bomb.asc.gz"):
        answer = here.http.post("/api/upload", params={"name": name}, content=bomb, headers=here.headers)
        assert answer.status_code == 400
        assert "unpacks to more than 1 MB" in answer.json()["error"]
    monkeypatch.undo()
    answer = here.http.post("/api/upload", params={"name": "whole.log.gz"}, content=bomb, headers=here.headers)
    assert answer.json() == {"name": "whole.log.gz", "capture": True}
    assert not [p for p in (folder / "captures").iterdir() if "bomb" in p.name or p.name.startswith(".")]
    assert list((folder / ".page" / "new").iterdir()) == []


@pytest.mark.parametrize("form", ["parquet", "blf", "log"])
def test_packed_forms_say_how_large_they_become(form: str, tmp_path: Path) -> None:
    write_capture(ramp_capture(), tmp_path / "whole.log")
    path = tmp_path / f"x.{form}"
    convert(tmp_path / "whole.log", path)
    check_unpacked(path, path.name, 1_000_000)
    with pytest.raises(InputError, match="unpacks to more than"):
        check_unpacked(path, path.name, 10_000)


def test_nothing_is_drawn_across_a_silence_of_the_logger() -> None:
    """Ten seconds without a frame were a sloping line."""
    time_s = np.concatenate((np.arange(0, 5, 0.01), np.arange(15, 20, 0.01)))
    assert breaks(time_s).tolist() == [499]
    for most in (5000, 100):
        times, values = envelope(time_s, np.sin(time_s), most)
        gap = [t for t, v in zip(times, values, strict=True) if v is None]
        assert len(gap) == 1
        assert 4.9 < gap[0] < 15
        at = values.index(None)
        assert times[at - 1] < 5
        assert times[at + 1] >= 15
        assert times == sorted(times)
    assert len(breaks(np.arange(0, 100, 5.0))) == 0, "a slow message is no gap"
    assert envelope(np.zeros(0), np.zeros(0)) == ([], [])
    assert envelope(np.arange(3.0), np.array([1.0, np.nan, 2.0]))[1] == [1.0, None, 2.0]
