"""What the browser page's views answer: the same as the public functions say, and hostile text comes back as text."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from swapbridge.capture.capture import Capture
from swapbridge.capture.write import write_capture
from swapbridge.demo.folder import write_demo_papers
from swapbridge.guides.guide_pages import TOPICS, page_text
from swapbridge.page.pictures import bit_picture, envelope
from swapbridge.page.site import chief_capture
from swapbridge.page.views.compare import useful_pair
from swapbridge.signalmap.dbc_read import load_map
from swapbridge.surveying.inventory import survey

HOSTILE = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>"
OpenPage = Callable[[Path], Any]


def ramp_capture(frames: int = 1500) -> Capture:
    """One identifier: a 16-bit little-endian ramp up and down in bytes 0-1, a 4-bit counter in byte 2."""
    n = np.arange(frames)
    raw = (8000 + 6000 * np.sin(n / 70.0)).astype(np.uint16)
    payload = np.zeros((frames, 8), np.uint8)
    payload[:, 0], payload[:, 1], payload[:, 2] = raw & 0xFF, raw >> 8, n % 16
    return Capture(
        time_ns=(n * 10_000_000 + 1_700_000_000_000_000_000).astype(np.int64),
        identifier=np.full(frames, 0x1A0, np.uint32),
        flags=np.zeros(frames, np.uint8),
        bus=np.zeros(frames, np.uint8),
        length=np.full(frames, 8, np.uint8),
        payload=payload,
        bus_names=("donor",),
    )


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "captures").mkdir()
    (tmp_path / "signal_maps").mkdir()
    capture = ramp_capture()
    write_capture(capture, tmp_path / "captures" / "ramp.log")
    rows = ["time_s,channel,value,unit"]
    start = 1_700_000_000.0
    for k in range(0, 1500, 10):
        value = int(8000 + 6000 * np.sin(k / 70.0)) * 0.25
        rows.append(f"{start + k * 0.01 + 0.1:.3f},engine_speed,{value},rpm")
        rows.append(f'{start + k * 0.01 + 0.1:.3f},"{HOSTILE.replace(chr(34), chr(34) * 2)}",{k % 7},')
    (tmp_path / "captures" / "ramp.stimulus.csv").write_text("\n".join(rows) + "\n")
    return tmp_path


def test_the_overview_says_what_the_survey_says(folder: Path, open_page: OpenPage) -> None:
    view = open_page(folder).get("/api/capture", file="ramp.log")
    seen = survey(ramp_capture()).identifiers[0]
    assert view["identifiers"] == [
        {"text": "1A0", "bus": "donor", "count": 1500, "period_ms": 10.0, "live_bits": seen.live_bits, "named": ""}
    ]
    axis = open_page(folder).get("/api/axis", file="ramp.log")
    assert {line["name"] for line in axis["channels"]} == {"engine_speed", HOSTILE}


def test_one_identifier_names_its_counter_and_its_checksum(folder: Path, open_page: OpenPage) -> None:
    """By the thorough search, in the words of the command `survey`."""
    capture = ramp_capture()
    capture.payload[:, 7] = capture.payload[:, :7].sum(axis=1, dtype=np.uint8) ^ 0xFF
    write_capture(capture, folder / "captures" / "ramp.log")
    here, asked = open_page(folder), {"file": "ramp.log", "id": "1A0", "bus": "donor"}
    assert here.get("/api/identifier", **asked)["words"] == "8 bytes, every 10 ms, worst gap 10.0 ms"
    assert here.get("/api/checks", **asked)["checks"] == [
        "counter in byte 2 bits 3-0 (0 to 15)",
        "checksum in byte 7 (complement of the sum of bytes, +255)",
    ]


@pytest.mark.parametrize(
    ("names", "pair"),
    [
        (["donor_own.log", "host_old.log", "host_unplugged.log"], ("host_old.log", "host_unplugged.log")),
        (["Donor.log", "Donor unplugged.log", "x.log"], ("Donor.log", "Donor unplugged.log")),
        (["host_unplugged.log", "donor.log"], ("host_unplugged.log", "donor.log")),
        (["one.log"], ("one.log", "one.log")),
        ([], ("", "")),
    ],
)
def test_the_pair_most_worth_comparing_is_offered_first(names: list[str], pair: tuple[str, str]) -> None:
    assert useful_pair(names) == pair


def test_guess_show_edit_accept_and_undo(folder: Path, open_page: OpenPage) -> None:
    here = open_page(folder)
    assert here.get("/api/claims", file="ramp.log")["guessed"] is False
    here.job("/api/guess", {"file": "ramp.log"})
    claims = here.get("/api/claims", file="ramp.log")["claims"]
    speed = claims[0]
    assert (speed["stimulus"], speed["start"], speed["scale"]) == ("engine_speed", 0, 0.25)
    asked = {key: speed[key] for key in ("start", "length", "byte_order", "scale", "offset")}
    view = here.get(
        "/api/field", file="ramp.log", id="1A0", bus="donor", signed="false", channel="engine_speed", lag=0.1, **asked
    )
    assert view["stimulus"]["median_error"] < 20
    assert max(view["values"]) == pytest.approx(ramp_capture().payload[:, :2].copy().view("<u2").max() * 0.25)

    target = folder / "signal_maps" / "donor.dbc"
    edit = {**asked, "signed": False, "unit": "rpm", "scale": "0.5"}
    said = {
        "file": "ramp.log",
        "id": "1A0",
        "bus": "donor",
        "field": speed["name"],
        "name": "EngineSpeed",
        "map": target.name,
        "version": "",
    }
    done = here.post("/api/accept", {**said, "edit": edit})
    signal = load_map(target).messages[0].signal("EngineSpeed")
    assert signal is not None
    assert float(signal.scale) == 0.5
    undo = {"file": "donor.dbc", "version": done["version"]}
    assert here.post("/api/undo", undo) == {"undone": "accept EngineSpeed into donor.dbc", "version": ""}
    assert not target.exists()


def test_a_map_that_contradicts_is_kept_and_said(folder: Path, open_page: OpenPage) -> None:
    here = open_page(folder)
    here.job("/api/guess", {"file": "ramp.log"})
    speed = here.get("/api/claims", file="ramp.log")["claims"][0]
    said = {
        "file": "ramp.log",
        "id": "1A0",
        "bus": "donor",
        "field": speed["name"],
        "name": "EngineSpeed",
        "map": "donor.dbc",
        "version": "",
    }
    said["version"] = here.post("/api/accept", said)["version"]
    before = (folder / "signal_maps" / "donor.dbc").read_bytes()
    edit = {
        "start": 4,
        "length": 12,
        "byte_order": "little_endian",
        "signed": False,
        "scale": 1,
        "offset": 0,
        "unit": "",
    }
    assert "overlaps" in here.refusal("/api/accept", {**said, "name": "Other", "edit": edit})
    assert (folder / "signal_maps" / "donor.dbc").read_bytes() == before


@pytest.mark.parametrize("name", ["../donor.dbc", "a/b.dbc", "donor.txt", ".dbc", "..\\x.dbc"])
def test_a_map_is_written_into_its_own_folder_only(folder: Path, open_page: OpenPage, name: str) -> None:
    here = open_page(folder)
    here.job("/api/guess", {"file": "ramp.log"})
    speed = here.get("/api/claims", file="ramp.log")["claims"][0]
    said = {
        "file": "ramp.log",
        "id": "1A0",
        "bus": "donor",
        "field": speed["name"],
        "name": "EngineSpeed",
        "map": name,
        "version": "",
    }
    assert here.refusal("/api/accept", said)
    assert sorted(p.name for p in (folder / "signal_maps").iterdir()) == []


def test_hostile_names_come_back_escaped_or_as_data(folder: Path, open_page: OpenPage) -> None:
    """A log's file name, a CSV channel: never as markup in a page."""
    odd = folder / "captures" / "<script>alert(3)<_script>.log"
    odd.write_bytes((folder / "captures" / "ramp.log").read_bytes())
    (folder / "captures" / ("n" * 240 + ".log")).write_bytes(odd.read_bytes())
    here = open_page(folder)
    for path in ("/", "/capture", "/guess", "/compare", "/modules", "/bridge", "/prove", "/live"):
        page = here.http.get(path).text
        assert "<script>alert" not in page, path
    assert "&lt;script&gt;alert(3)" in here.http.get("/capture").text
    answer = here.http.get("/api/axis", params={"file": "ramp.log"})
    assert answer.headers["content-type"].startswith("application/json")
    assert any(s["name"].startswith("<script>") for s in answer.json()["channels"])


def test_uploads_are_whole_readable_and_inside(folder: Path, open_page: OpenPage) -> None:
    here = open_page(folder)

    def upload(name: str, content: bytes) -> Any:
        return here.http.post("/api/upload", params={"name": name}, content=content, headers=here.headers)

    content = (folder / "captures" / "ramp.log").read_bytes()
    assert upload("second.log", content).json() == {"name": "second.log", "capture": True}
    assert upload("second.log", content).status_code == 400
    assert upload("../third.log", content).status_code == 400
    assert upload("page.html", content).status_code == 400
    assert upload("empty.log", b"").status_code == 400
    assert upload("bad.csv", b"\xff\xfe\x00").status_code == 400
    assert upload("bad.dbc", b"this is no map").status_code == 400
    assert (
        upload("good.dbc", b'VERSION ""\nBU_: A\nBO_ 1 M: 8 A\n SG_ S : 0|8@1+ (1,0) [0|0] "" A\n').status_code == 200
    )
    assert [p.name for p in (folder / "signal_maps").iterdir()] == ["good.dbc"]
    assert sorted(p.name for p in (folder / "captures").iterdir()) == ["ramp.log", "ramp.stimulus.csv", "second.log"]


def test_headings_of_refusals_are_not_counted_as_refusals(folder: Path, open_page: OpenPage) -> None:
    write_demo_papers(folder)
    text = (folder / "bridge.toml").read_text()
    for name in ("PCM_TORQUE.TorqueBefore", "PCM_PEDAL.Throttle"):
        text = text.replace(f"clamp(donor.{name}", f"clamp(2000 + donor.{name}")
    faults = open_page(folder).post("/api/bridge/check", {"text": text})["faults"]
    assert len(faults) == 2
    assert all(fault["line"] for fault in faults)


def test_a_view_begins_with_the_donor_in_its_own_vehicle() -> None:
    names = ["donor_alone.log", "donor_own_vehicle.log", "host_old_engine.log"]
    assert chief_capture(names) == "donor_own_vehicle.log"
    assert chief_capture([names[0], names[2]]) == "host_old_engine.log"
    assert (chief_capture(["a.log", "b.log"]), chief_capture([])) == ("a.log", "")


def test_compare_names_what_vanished(folder: Path, open_page: OpenPage) -> None:
    capture = ramp_capture()
    other = capture.select(slice(0, 1500))
    other.identifier[:] = 0x2B0
    write_capture(other, folder / "captures" / "unplugged.log")
    view = open_page(folder).get("/api/compare", a="ramp.log", b="unplugged.log")
    assert [m["id"] for m in view["vanished"]] == ["1A0"]
    assert [m["id"] for m in view["appeared"]] == ["2B0"]


def test_compare_shows_the_bits_of_both(folder: Path, open_page: OpenPage) -> None:
    capture, other = ramp_capture(), ramp_capture().select(slice(0, 700))
    other.payload[:, 5], other.payload[:, 2] = 0x81, 0
    write_capture(other, folder / "captures" / "unplugged.log")
    here = open_page(folder)
    asked = {"a": "ramp.log", "b": "unplugged.log", "bus": "donor"}
    view = here.get("/api/compare/bits", id="1A0", **asked)
    assert view["seconds"] == pytest.approx(14.99)
    for side, what in (("before", capture), ("after", other)):
        bits = np.unpackbits(what.payload, axis=1, bitorder="little")
        states = "".join("~" if len(set(column)) > 1 else str(column[0]) for column in bits.T)
        assert view[side]["states"] == states
        assert view[side]["frames"] == len(what)
    part = here.get("/api/compare/bits", id="1A0", **asked, **{"from": 8, "to": 9})
    assert set(part["after"]["picture"]["moves"]) == {"-"}  # it ended before
    assert here.get("/api/compare/bits", id="2B0", **asked)["after"] is None


def test_a_job_can_be_cancelled(folder: Path, open_page: OpenPage) -> None:
    here = open_page(folder)
    jobs = here.app.app.state.site.jobs

    def endless(progress: Callable[[float, str], None]) -> None:
        while True:
            progress(0.5, "waiting for ever")

    job = jobs.start("Waiting", endless)
    while here.get(f"/api/jobs/{job.key}")["doing"] != "waiting for ever":
        pass
    assert here.post(f"/api/jobs/{job.key}/cancel", {}) == {"cancelled": True}
    while here.get(f"/api/jobs/{job.key}")["state"] == "running":
        pass
    assert here.get(f"/api/jobs/{job.key}")["state"] == "cancelled"


def test_broken_findings_are_said_not_shown(folder: Path, open_page: OpenPage) -> None:
    (folder / "findings").mkdir()
    (folder / "findings" / "ramp.json").write_text(json.dumps({"version": 99}))
    answer = open_page(folder).http.get("/api/claims", params={"file": "ramp.log"})
    assert answer.status_code == 400
    assert "guess this capture again" in answer.json()["error"]


def test_findings_with_an_infinity_are_shown(folder: Path, open_page: OpenPage) -> None:
    """Python writes Infinity where JSON has no such number; a file like that must not break the page."""
    here = open_page(folder)
    here.job("/api/guess", {"file": "ramp.log"})
    path = folder / "findings" / "ramp.json"
    found = json.loads(path.read_text())
    found["messages"][0]["signals"][0]["evidence"]["margin_bits"] = float("inf")
    path.write_text(json.dumps(found))
    claims = here.get("/api/claims", file="ramp.log")["claims"]
    assert any("margin_bits" in c["evidence"] and c["evidence"]["margin_bits"] is None for c in claims)


def test_an_envelope_keeps_every_extreme() -> None:
    value = np.zeros(100_000)
    value[54_321], value[12_345] = 7.0, -3.0
    times, values = envelope(np.arange(100_000) / 100, value, 400)
    assert len(times) <= 400
    drawn = [v for v in values if v is not None]
    assert (max(drawn), min(drawn)) == (7.0, -3.0)


def test_the_bit_picture_counts_as_a_loop_does() -> None:
    rng = np.random.default_rng(5)
    payload = rng.integers(0, 256, (300, 2), dtype=np.uint8)
    time_s = np.sort(rng.uniform(0, 30, 300))
    picture = bit_picture(time_s, payload, (0.0, 30.0))
    columns, bits = picture["columns"], picture["bits"]
    place = np.minimum((time_s / 30.0 * columns).astype(int), columns - 1)
    for column in range(0, columns, 17):
        rows = np.flatnonzero(place == column)
        for bit in range(bits):
            cell = picture["moves"][column * bits + bit]
            at = [(int(payload[r, bit >> 3]) >> (bit & 7)) & 1 for r in range(300)]
            moved = sum(at[r] != at[r - 1] for r in rows if r > 0)
            want = (
                "-" if not len(rows) else str(0 if not moved else min(9, max(1, int(np.ceil(moved / len(rows) * 9)))))
            )
            assert cell == want


def test_guides_are_the_pages_of_the_terminal(folder: Path, open_page: OpenPage) -> None:
    """Every page, its cautions and tables; what looks like HTML in one comes as text."""
    browser = open_page(folder)
    overview = browser.http.get("/guide").text
    for name in TOPICS:
        assert f'href="/guide/{name}"' in overview
        page = browser.http.get(f"/guide/{name}")
        assert page.status_code == 200
        assert page_text(name).splitlines()[0].lstrip("# ").split(",")[0] in page.text.replace("&#39;", "'")
    assert "<blockquote>" in browser.http.get("/guide/first-start").text
    assert "<td><code>choose(condition, a, b)</code></td>" in browser.http.get("/guide/expressions").text
    assert "<script>" not in browser.http.get("/guide/expressions").text
    assert browser.http.get("/guide/nonsense").status_code == 400
