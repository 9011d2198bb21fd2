"""Prove room: what comes out of a proof: one screen, a page that needs nothing, JUnit, JSON; the commands."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from swapbridge.capture.stimulus import write_stimulus
from swapbridge.capture.write import write_capture
from swapbridge.cli.main import cli
from swapbridge.compiler.compile import compile_bridge
from swapbridge.core.errors import InputError
from swapbridge.plan.proof import proof_head
from swapbridge.proving.curves import thin
from swapbridge.proving.prove import prove
from swapbridge.proving.report.html import html_report
from swapbridge.proving.report.verdict_text import area_rows, finding_lines, headline, junit_xml
from swapbridge.proving.verdict import Check, Verdict
from swapbridge.signalmap.dbc_write import save_map
from tests.proving import small_swap

SECONDS = 32.0
"""Recordings so long can carry a verdict."""


def _verdict(seconds: float = SECONDS) -> Verdict:
    bridge, maps = small_swap.bridge(), small_swap.maps()
    return prove(
        compile_bridge(bridge, maps).plan, small_swap.captures(seconds), bridge, maps, thoroughness="none",
        stimuli=small_swap.tracks(seconds), inputs=(("plan: p", "00ff"),),
    )  # fmt: skip


@pytest.fixture(scope="module")
def verdict() -> Verdict:
    return _verdict()


@pytest.fixture(scope="module")
def swap_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("swap")
    (folder / "captures").mkdir()
    for name, signal_map in small_swap.maps().items():
        save_map(signal_map, folder / f"{name}.dbc")
    (folder / "bridge.toml").write_text(small_swap.BRIDGE)
    for name, capture in small_swap.captures(SECONDS).items():
        write_capture(capture, folder / "captures" / f"{name}.log")
    for name, track in small_swap.tracks(SECONDS).items():
        write_stimulus(track, folder / "captures" / f"{name}.csv")
    plan = compile_bridge(folder / "bridge.toml").plan
    (folder / "plan.json").write_text(plan.to_json())
    return folder


class _Page(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.links: list[str] = []
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: Any) -> None:
        self.tags.append(tag)
        self.links += [v for k, v in attrs if k in ("href", "src", "srcset") and v]
        if tag not in ("meta", "br", "wbr", "input"):
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: Any) -> None:
        self.tags.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_the_page_needs_nothing_else_and_says_the_verdict_first(verdict: Verdict) -> None:
    text = html_report(verdict)
    page = _Page()
    page.feed(text)
    assert page.open == [], "every tag is closed"
    assert "script" not in page.tags
    assert all(link.startswith("#") for link in page.links)
    assert not re.search(r"url\(|@import|https?://", text)
    assert text.index("PASSED") < text.index("Coverage") < text.index("Source and translated")
    assert "svg" in page.tags
    assert "prefers-color-scheme: dark" in text
    assert "@media print" in text
    assert verdict.plan_sha256 in text
    assert "00ff" in text
    assert f"seed <b>{verdict.seed}</b>" in text


def test_what_users_wrote_is_shown_as_it_is(verdict: Verdict) -> None:
    evil = Check("form", "<script>alert(1)</script>", "a & b", "fail", "<b>", '"', "<i>")
    text = html_report(replace(verdict, checks=(evil,), plan_name="<x>"))
    assert "<script" not in text
    assert "&lt;script&gt;" in text
    assert text.index("FAILED") < 3000 + text.index("</style>")


def test_the_page_is_read_on_a_phone_and_says_no_more_than_there_is(verdict: Verdict) -> None:
    """Cells of wide tables carry their column's name, names break at dots only, and nothing failed where all passed."""
    text = html_report(verdict)
    assert verdict.passed
    assert "<h2>What to look at</h2>" in text
    assert "What failed" not in text
    assert "What this did not prove" in text
    for label in ("what", "measured", "required", "what to change"):
        assert f'data-label="{label}"' in text
    assert "host.<wbr>ENGINE_<wbr>DATA" in text
    assert "<wbr>" not in re.sub(r"[._(]<wbr>", "", text)
    assert {r.name for r in verdict.responses if not r.planned} == {
        "donor.FAST",
        "donor.SLOW",
        "host.REQUEST",
        "host.BODY",
    }
    failed = Check("form", "host.X", "period", "fail", "12 ms", "10 ms", "set it")
    assert "<h2>What failed</h2>" in html_report(replace(verdict, checks=(failed,)))


def test_a_pass_at_the_top_does_not_hide_what_its_area_leaves_open(verdict: Verdict) -> None:
    def chips(*checks: Check) -> str:
        text = html_report(replace(verdict, checks=checks))
        found = re.search(r'<a href="#life">life</a> (.*?)</li>', text)
        assert found
        return re.sub(r"<[^>]*>", "", found.group(1))

    passed = Check("life", "host.A.x", "moves", "pass", "moves", "moves")
    left_open = replace(passed, status="open")
    assert chips(passed, left_open, left_open) == "pass 2 open"
    assert chips(passed) == "pass"
    assert chips(left_open) == "open"
    assert chips(replace(passed, status="fail"), left_open) == "FAILED 1 open"


def test_checks_with_one_remedy_share_a_row_that_names_their_subjects(verdict: Verdict) -> None:
    alike = [
        Check("needs", "cluster on host", "280 Temperature", "fail", "missing", "supplied", "see the other lines"),
        Check("needs", "body on host", "510", "fail", "missing", "supplied", "see the other lines"),
        Check("form", "host.A", "value ranges", "habit", "Torque 9 (was 5)", "as before", "make sure"),
        Check("form", "host.B", "value ranges", "habit", "Fuel 7 (was 3)", "as before", "make sure"),
        Check("form", "host.C", "value ranges", "fail", "Fuel 7 (was 3)", "as before", "make sure"),
    ]
    text = html_report(replace(verdict, checks=tuple(alike), coverage=(), beyond=()))
    rows = re.findall(r"<tr><td><span class=.chip (?:fail|habit).*?</tr>", text[: text.index("Source and translated")])
    assert len(rows) == 3
    assert re.search("cluster on host</b><br>280 Temperature<br><b>body on host</b><br>510", rows[1])
    assert rows[1].count("missing") == 1
    assert "<b>host.<wbr>A</b>: Torque 9 (was 5)<br><b>host.<wbr>B</b>: Fuel 7 (was 3)" in rows[2].replace(
        "(<wbr>", "("
    )
    assert rows[2].count("host.<wbr>A") == 1, "a subject stands once in a row: with what was measured of it"
    assert '<td data-label="what">value ranges</td>' in rows[2]
    lines = finding_lines(replace(verdict, checks=tuple(alike)), 100)
    assert sum("see the other lines" in line for line in lines) == 1
    assert {"cluster on host, 280 Temperature: missing", "body on host, 510: missing"} <= {x[12:] for x in lines}


def test_equal_inputs_and_seed_give_an_equal_verdict() -> None:
    first = _verdict(8.0).to_json()
    assert _verdict(8.0).to_json() == first


def test_junit_counts_and_is_xml(verdict: Verdict) -> None:
    root = ElementTree.fromstring(junit_xml(verdict))
    cases = root.findall(".//testcase")
    assert len(cases) == len(verdict.checks) == int(root.attrib["tests"])
    assert int(root.attrib["failures"]) == len(root.findall(".//failure")) == 0
    bad = replace(verdict, checks=(Check("form", "a<b", 'q"', "fail", "1 & 2", "3", "mend"),))
    root = ElementTree.fromstring(junit_xml(bad))
    failure = root.find(".//failure")
    assert failure is not None
    assert failure.attrib["message"] == "1 & 2"


def test_proof_head_reads_what_was_written_and_refuses_the_rest(verdict: Verdict) -> None:
    head = proof_head(verdict.to_json())
    assert (head.outcome, head.plan_sha256, head.counts) == ("PASSED", verdict.plan_sha256, verdict.counts())
    for text in ("", "[]", "{}", '{"format": "other", "version": 1}', verdict.to_json()[:100]):
        with pytest.raises(InputError, match="is not a proof"):
            proof_head(text)


def test_thinning_keeps_every_spike() -> None:
    time = np.arange(100_000) / 100
    value = np.sin(time)
    value[54_321] = 40.0
    value[77_777] = -40.0
    points = thin(time, value)
    assert len(points) < 4_000
    assert max(v for _, v in points) == 40.0
    assert min(v for _, v in points) == -40.0
    assert [t for t, _ in points] == sorted(t for t, _ in points)


def test_screen_rows(verdict: Verdict) -> None:
    assert headline(verdict).startswith("PASSED  small: 0 failed")
    assert {r[0] for r in area_rows(verdict)} >= {"content", "form", "time", "faults"}


def _prove(folder: Path, *more: str) -> Any:
    captures = folder / "captures"
    call = [
        "prove",
        str(folder / "plan.json"),
        "--donor",
        str(captures / "donor.log"),
        "--host",
        str(captures / "host.log"),
    ]
    return CliRunner().invoke(cli, [*call, "--faults", "none", "--real-time", "0", *more])


@pytest.fixture(scope="module")
def without_faults(swap_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Any, Path]:
    """What `prove` said without faults, and the folder of what it wrote."""
    folder = tmp_path_factory.mktemp("written")
    files = ("--report", "p.html"), ("--junit", "p.xml"), ("--json", "p.json")
    return _prove(swap_folder, *(word for option, name in files for word in (option, str(folder / name)))), folder


def test_command_passes_and_writes_everything(swap_folder: Path, without_faults: tuple[Any, Path]) -> None:
    result, folder = without_faults
    page, junit, data = folder / "p.html", folder / "p.xml", folder / "p.json"
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    assert lines[0].startswith("PASSED")
    assert max(map(len, lines)) <= 100
    assert page.read_text().startswith("<!doctype html>")
    ElementTree.parse(junit)
    assert not (swap_folder / "proof.json").exists(), "no faults, no proof"
    assert "not written" in result.stderr
    proof = json.loads(data.read_text())
    assert proof["outcome"] == "PASSED"
    assert proof["left_out"] == ["the faults", "the real-time part"]
    paths = {source["what"]: source["path"] for source in proof["sources"]}
    assert paths == {"bridge": "bridge.toml", "map donor": "donor.dbc", "map host": "host.dbc"}
    assert {name.split(":")[0] for name, _ in proof["inputs"]} >= {"plan", "bridge", "capture donor", "map host"}
    import hashlib

    assert proof["plan_sha256"] == hashlib.sha256((swap_folder / "plan.json").read_bytes()).hexdigest()


def _in_folder(folder: Path) -> list[str]:
    return ["prove", str(folder / "plan.json"), "--faults", "none", "--real-time", "0"]


def test_command_fails_with_exit_1_and_says_what_to_change(swap_folder: Path, tmp_path: Path) -> None:
    folder = tmp_path / "swap"
    shutil.copytree(swap_folder, folder)
    data = json.loads((folder / "plan.json").read_text())
    next(s for s in data["sends"] if s["name"] == "host.TEMPS")["period_us"] = 120_000
    (folder / "plan.json").write_text(json.dumps(data))
    result = CliRunner().invoke(cli, _in_folder(folder))
    assert "captures/donor.log" in result.stderr.replace("\n", ""), "inside a swap folder the captures are found"
    assert result.exit_code == 1
    assert result.stdout.startswith("FAILED")
    assert "host.TEMPS, period: 120.00 ms" in result.stdout
    assert "change: set period_ms = 100" in result.stdout
    assert proof_head((folder / "proof.json").read_text()).outcome == "FAILED"


@pytest.mark.parametrize("only", [[], ["--only", "power cut"]])
def test_a_partial_proof_opens_nothing_wherever_it_was_written(
    only: list[str], swap_folder: Path, without_faults: tuple[Any, Path], tmp_path: Path
) -> None:
    """`prove --json proof.json` of a run that left faults out stood in for a whole proof; `run --send` took it."""
    folder = tmp_path / "swap"
    shutil.copytree(swap_folder, folder)
    if only:
        result = _prove(folder, *only, "--workers", "1", "--json", str(folder / "proof.json"))
        assert result.exit_code == 0, result.output
    else:
        shutil.copy(without_faults[1] / "p.json", folder / "proof.json")
    call = ["run", str(folder / "plan.json"), "--bus", "donor=virtual:a", "--bus", "host=virtual:b", "--send"]
    result = CliRunner().invoke(cli, [*call, "--cautions-read", "--seconds", "0.1", "--black-box", str(tmp_path)])
    assert result.exit_code == 2
    assert "left out" in " ".join(result.output.split())


@pytest.mark.long
def test_a_whole_proof_is_kept_for_run(swap_folder: Path, tmp_path: Path) -> None:
    folder = tmp_path / "swap"
    shutil.copytree(swap_folder, folder)
    result = CliRunner().invoke(cli, ["prove", str(folder / "plan.json"), "--real-time", "1"])
    assert result.exit_code == 0, result.output
    head = proof_head((folder / "proof.json").read_text())
    assert (head.outcome, head.thoroughness, head.left_out) == ("PASSED", "quick", ())


def test_without_captures_there_is_nothing_to_prove_with(swap_folder: Path, tmp_path: Path) -> None:
    folder = tmp_path / "swap"
    shutil.copytree(swap_folder, folder)
    for file in (folder / "captures").iterdir():
        file.unlink()
    result = CliRunner().invoke(cli, _in_folder(folder))
    assert result.exit_code == 2
    assert "nothing to prove with" in " ".join(result.stderr.split())


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (["prove", "nowhere.json"], "can't be read"),
        (["prove", "{plan}", "--capture", "body"], "is not BUS=FILE"),
        (["prove", "{plan}", "--capture", "body={donor}"], "no bus 'body'"),
        (["prove", "{plan}", "--donor", "nowhere.log"], "nowhere.log"),
        (["prove", "{donor}"], "not readable JSON"),
        (["status", "nowhere"], "is not a folder"),
        (["status", "{captures}"], "is not a swap folder"),
    ],
)
def test_wrong_calls_are_one_sentence_and_exit_2(swap_folder: Path, call: list[str], words: str) -> None:
    captures = swap_folder / "captures"
    names = {"plan": swap_folder / "plan.json", "donor": captures / "donor.log", "captures": captures}
    result = CliRunner().invoke(cli, [part.format(**names) for part in call])
    assert result.exit_code == 2, result.output
    assert words in " ".join(result.stderr.split())
    assert "Traceback" not in result.output


def test_status_in_a_real_process(swap_folder: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "swapbridge", "status", str(swap_folder)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert "host with its old engine" in done.stdout
    assert re.search(r"donor in its own vehicle +done", done.stdout)
    assert re.search(r"host, engine computer unplugged +TO DO", done.stdout)
    assert "Next:" in done.stdout
    assert len(done.stdout.splitlines()) <= 24
