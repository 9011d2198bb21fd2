"""No frame of a plan leaves for a bus with wires without a whole proof of that very plan, or `--unproved` said aloud.

Every command and every route of the page is walked with a serial adapter at the end of it. A new command or route that
can open a bus fails here until it is one of those that are tried.
"""

from __future__ import annotations

import ast
import itertools
import os
import re
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import click
import numpy as np
import pytest
from click.testing import CliRunner
from starlette.routing import Route

from swapbridge.bus.adapters.bitrate import find_bitrate
from swapbridge.capture.capture import Capture
from swapbridge.capture.write import write_capture
from swapbridge.cli.commands import record_cmd
from swapbridge.cli.main import cli
from swapbridge.core.identifier_words import split_word
from swapbridge.core.obd import diagnostic_use
from swapbridge.plan.plan import Plan
from tests.bus.conftest import SPEED, SerialAdapter, make_plan
from tests.page.conftest import Browser
from tests.proofs import write_proof

pytestmark = pytest.mark.skipif(os.name == "nt", reason="pseudo-terminals")

PACKAGE = Path(__file__).parent.parent / "swapbridge"
OPENS_A_BUS = {"dtc", "field", "gauge", "needs", "record", "replay", "run"}
"""Commands that take buses, from the command line or `buses.toml`; each is tried below."""
OPENERS = {
    "asking/ask.py", "asking/trials/turns.py", "bus/adapters/bitrate.py", "bus/adapters/opening.py",
    "bus/recording/recorder.py",
    "bus/rehearsal/rehearsal.py", "bus/rehearsal/virtual_check.py", "bus/running/run.py",
    "cli/commands/replay_cmd.py",
}  # fmt: skip
"""Files that open a bus. `rehearsal` and `virtual_check` open virtual ones alone."""

NO_PROOF: dict[str, dict[str, Any] | None] = {
    "none": None,
    "failed": {"outcome": "FAILED"},
    "not proved": {"outcome": "NOT PROVED"},
    "partial": {"left_out": ["every fault but power cut"]},
    "no faults": {"thoroughness": "none"},
    "another plan's": {"plan_sha256": "0" * 64},
    "changed since": {"sources": [{"what": "bridge", "path": "plan.json", "sha256": "0" * 64}]},
    "an old one": {"version": 1},
    "unreviewed": {},
}


@pytest.fixture
def adapter() -> Iterator[SerialAdapter]:
    made = SerialAdapter()
    yield made
    made.close()


@pytest.fixture
def swap(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "captures").mkdir()
    n = 40
    small = np.zeros(n, dtype=np.uint8)
    payload = np.full((n, 8), 0x12, dtype=np.uint8)
    times, words = np.arange(n, dtype=np.int64) * 10_000_000, np.full(n, SPEED, dtype=np.uint32)
    write_capture(Capture(times, words, small, small, small + 8, payload, ("host",)), tmp_path / "captures" / "a.log")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("swapbridge.bus.running.replay.QUIET_US", 50_000)
    return tmp_path


def papers(folder: Path, changes: dict[str, Any] | None, kind: str) -> Plan:
    """The plan with a proof that is none."""
    plan = make_plan()
    if kind == "unreviewed":
        plan = replace(plan, unreviewed=("host.Gauge.Speed",))
    write_proof(folder, plan, **(changes or {}))
    if changes is None:
        (folder / "proof.json").unlink()
    return plan


def bus(adapter: SerialAdapter, name: str = "host") -> str:
    return f"{name}=slcan:{adapter.path},bitrate=500000,sleep_after_open=0"


def commands(group: click.Group, before: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], click.Command]]:
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        assert command is not None
        if isinstance(command, click.Group):
            yield from commands(command, (*before, name))
        else:
            yield (*before, name), command


def test_the_commands_that_take_a_bus_are_those_tried_here() -> None:
    found = {
        names[-1]
        for names, command in commands(cli)
        if any("--config" in option.opts for option in command.params if isinstance(option, click.Option))
    }
    assert found == OPENS_A_BUS


def test_the_files_that_open_a_bus_are_known() -> None:
    found = set()
    for path in PACKAGE.rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        if not re.search(r"open_bus|Bus\b", text):
            continue
        for node in ast.walk(ast.parse(text)):
            if isinstance(node, ast.Name) and node.id in ("open_bus", "open_buses"):
                found.add(path.relative_to(PACKAGE).as_posix())
            if isinstance(node, ast.Attribute) and node.attr in ("Bus", "ThreadSafeBus") and _of_can(node):
                found.add(path.relative_to(PACKAGE).as_posix())
    assert found == OPENERS


def _of_can(node: ast.Attribute) -> bool:
    return isinstance(node.value, ast.Name) and node.value.id == "can"


@pytest.mark.parametrize("kind", NO_PROOF)
def test_run(kind: str, swap: Path, adapter: SerialAdapter) -> None:
    papers(swap, NO_PROOF[kind], kind)
    flags = ("--cautions-read", "--active", "--unproved") if kind == "unreviewed" else ("--cautions-read", "--active")
    for chosen in itertools.chain.from_iterable(itertools.combinations(flags, n) for n in range(len(flags) + 1)):
        for source in (["--bus", "donor=virtual:way-out"], ["--against", "captures/a.log"]):
            call = ["run", "plan.json", "--send", "--seconds", "0.2", "--watch-first", "0", *source, *chosen]
            result = CliRunner().invoke(cli, [*call, "--bus", bus(adapter)])
            assert result.exit_code == 2, result.output
    assert adapter.commands == []
    assert adapter.sent == []


@pytest.mark.parametrize("kind", NO_PROOF)
def test_replay(kind: str, swap: Path, adapter: SerialAdapter) -> None:
    papers(swap, NO_PROOF[kind], kind)
    flags = ("--cautions-read", "--unproved") if kind == "unreviewed" else ("--cautions-read",)
    for more in ([], ["--id", "200"], ["--rate", "0.5"], ["--loop", "2"]):
        call = ["replay", "captures/a.log", "--plan", "plan.json", "--from-bus", "donor", *flags, *more]
        result = CliRunner().invoke(cli, [*call, "--bus", bus(adapter)])
        assert result.exit_code == 2, result.output
    result = CliRunner().invoke(cli, ["replay", "captures/a.log", *flags, "--bus", bus(adapter)])
    assert result.exit_code == 2, "plain frames need --id or a map"
    assert adapter.sent == []


def test_record_and_dtc_ask_diagnostics_and_nothing_else(
    swap: Path, adapter: SerialAdapter, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(record_cmd, "find_bitrate", partial(find_bitrate, seconds=0.1))
    papers(swap, None, "none")
    for more in ([], ["--active", "--cautions-read"], ["--find-bitrate"], ["--script"]):
        call = ["record", "captures/b.log", "--bus", bus(adapter), "--seconds", "0.2", *more]
        CliRunner().invoke(cli, call)
    assert adapter.sent == []
    call = ["record", "captures/b.log", "--bus", bus(adapter), "--seconds", "0.5", "--active", "--scan-tool", "host"]
    assert CliRunner().invoke(cli, call).exit_code == 2, "the cautions come first"
    assert adapter.sent == []
    assert CliRunner().invoke(cli, [*call, "--cautions-read"]).exit_code == 0
    assert adapter.sent
    CliRunner().invoke(cli, ["dtc", "host", "--bus", bus(adapter)])
    count = len(adapter.sent)
    assert all(diagnostic_use(*split_word(word_of(line))) for line in adapter.sent[:count])


def test_a_trial_sends_nothing_where_nobody_types_its_conditions(swap: Path, adapter: SerialAdapter) -> None:
    papers(swap, None, "none")
    common = ["--map", "signal_maps/host.dbc", "--recording", "captures/a.log", "--bus", bus(adapter)]
    calls = (
        ["gauge", "EngineTemps.CoolantTemp", "--marks", "50,90,130"],
        ["gauge", "EngineTemps.CoolantTemp", "--marks", "50,90,130", "--table"],
        ["needs", "ECM", "--message", "200", "--by-lamp"],
        ["needs", "ECM", "--message", "200", "--ask", "7A0:7A8"],
        ["field", "ECM", "lamp", "--message", "200"],
    )
    for call in calls:
        for typed in ("", "\n" * 20, "yes\n" * 20):
            words = ["trial", *call, *common, "--log", "captures/trial.log"]
            for more in ([], ["--cautions-read"]):
                result = CliRunner().invoke(cli, [*words, *more], input=typed)
                assert result.exit_code != 0, result.output
    assert adapter.sent == []


def word_of(line: str) -> int:
    return int(line[1:9], 16) | 1 << 31 if line[0] in "TR" else int(line[1:4], 16)


def test_every_route_of_the_page(swap: Path, adapter: SerialAdapter) -> None:
    """Each route that changes something gets all the words that could make one send."""
    papers(swap, NO_PROOF["partial"], "partial")
    here = Browser(swap)
    page: Any = here.app.app
    routes = [r for r in page.routes if isinstance(r, Route) and "POST" in (r.methods or ())]
    assert {r.path for r in routes} >= {"/api/live/run", "/api/live/record", "/api/live/stop"}
    asked = {
        "buses": f"donor=virtual:way-out\n{bus(adapter)}", "sending": True, "send": True, "acknowledged": True,
        "name": "r", "key": "next", "file": "a.log", "against": "", "active": True, "script": False, "text": "",
        "captures": {}, "thoroughness": "none", "model": "", "plan": "plan.json",
    }  # fmt: skip
    for route in sorted(routes, key=lambda r: r.path):
        if route.path == "/api/live/stop":
            continue
        here.http.post(route.path.replace("{key}", "x"), json=asked, headers=here.headers)
        wait(lambda: here.get("/api/live")["what"] != "running")
        here.post("/api/live/stop", {})
        wait(lambda: here.get("/api/live")["what"] == "nothing")
    assert adapter.sent == []


@pytest.mark.parametrize("how", ["proved", "unproved"])
def test_with_a_whole_proof_or_the_word_said_aloud_frames_do_leave(
    how: str, swap: Path, adapter: SerialAdapter
) -> None:
    """Else the tests above would hold for a program that sends nothing at all."""
    papers(swap, {} if how == "proved" else NO_PROOF["partial"], how)
    said = [] if how == "proved" else ["--unproved"]
    call = ["run", "plan.json", "--send", "--cautions-read", "--seconds", "1.5", "--watch-first", "0", *said]
    result = CliRunner().invoke(cli, [*call, "--bus", "donor=virtual:way-out", "--bus", bus(adapter)])
    assert result.exit_code == 0, result.output
    time.sleep(0.3)
    count = len(adapter.sent)
    assert count
    call = ["replay", "captures/a.log", "--plan", "plan.json", "--from-bus", "donor", "--cautions-read", *said]
    result = CliRunner().invoke(cli, [*call, "--bus", bus(adapter)])
    assert result.exit_code == 0, result.output
    wait(lambda: len(adapter.sent) > count)


def wait(holds: Callable[[], bool]) -> None:
    end = time.monotonic() + 60.0
    while not holds():
        assert time.monotonic() < end
        time.sleep(0.02)
