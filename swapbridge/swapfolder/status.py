"""Swap folder room: the swap at a glance: what a swap folder holds, what is missing, and the one next thing to do.

Reads the folder only. Which file is a recording, and of what, `swapbridge.capture.naming` says.
"""

from __future__ import annotations

import shlex
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from swapbridge.bus.running.proof_file import ruling_beside
from swapbridge.capture.naming import WANTED, Recording, recordings, recordings_by_kind
from swapbridge.capture.source import begins_with_a_frame
from swapbridge.compiler.inputs import changed_inputs
from swapbridge.core.engine_health import HealthSheet, load_health
from swapbridge.core.errors import SwapbridgeError
from swapbridge.core.needs import Need, load_needs
from swapbridge.language.bridge_file import BridgeFile
from swapbridge.language.reading import load_bridge
from swapbridge.plan.plan import Plan
from swapbridge.plan.serialise import plan_from_json
from swapbridge.swapfolder.paths import BRIDGE, CAPTURES, HEALTH, MAPS, NEEDS, NEEDS_FOUND, PLAN, PROOF

COMPILE = f"swapbridge compile {BRIDGE} --out {PLAN}"
StepState = Literal["done", "to do", "bad", "look"]


@dataclass(frozen=True, slots=True)
class StatusLine:
    """One line of the screen."""

    topic: str
    state: StepState
    words: str


@dataclass(frozen=True, slots=True)
class SwapStatus:
    """The screen: lines from first to last, what to do next, and the topic of the line that asks for it."""

    lines: tuple[StatusLine, ...]
    next_step: str
    next_topic: str = ""


@dataclass(frozen=True, slots=True)
class _Finding:
    line: StatusLine
    todo: str = ""
    waits: bool = False
    """Work with wrenches that holds no electrical step back: it comes up when nothing else is left."""


def swap_status(folder: Path) -> SwapStatus:
    """Look a swap folder over.

    Parameters
    ----------
    folder : Path
        A folder as `swapbridge new` lays it out; files may be missing or broken, which is reported.
    """
    findings = [*_captures(folder), *_health(folder), _maps(folder)]
    bridge, bridge_finding = _bridge(folder)
    plan, plan_finding = _plan(folder, bridge)
    findings += [_needs(folder, plan), bridge_finding, plan_finding, _proof(folder, plan)]
    lines = tuple(f.line for f in findings)
    first = next((f for f in sorted(findings, key=lambda f: f.waits) if f.todo), None)
    return SwapStatus(lines, _AFTER) if first is None else SwapStatus(lines, first.todo, first.line.topic)


_AFTER = "proved: read `swapbridge guide first-start`, then watch with swapbridge run, which is silent at first"


def _captures(folder: Path) -> list[_Finding]:
    """Recordings that can't be made once the engines are out come first."""
    found = recordings(folder / CAPTURES)
    wanted = (
        ("host with its old engine", "host", True,
         "record the host with its old engine running, before it comes out: swapbridge record --bus host=..."),
        ("donor in its own vehicle", "donor", True,
         "record the donor in its own vehicle, before its engine comes out: swapbridge record --bus donor=..."),
        ("host, engine computer unplugged", "host unplugged", False,
         "key off, bus asleep, unplug the old engine computer, key on, and record the host again"),
    )  # fmt: skip
    out = []
    for title, kind, once, todo in wanted:
        mine = [recording for recording in found if recording.kind == kind]
        problems = [(recording.path.name, words) for recording in mine if (words := _problem(recording))]
        if problems:
            name, words = problems[0]
            out.append(_Finding(StatusLine(title, "bad", words), f"copy {name} from the logger again; or {todo}"))
        elif mine:
            with_stimulus = any(recording.stimulus is not None for recording in mine)
            extra = "" if with_stimulus or not once else ", no stimulus file beside it"
            names = [recording.path.name for recording in mine]
            out.append(_Finding(StatusLine(title, "done", f"{names[0]}{_more(names)}{extra}")))
        else:
            words = "missing; can't be made once the engine is out" if once else "missing"
            out.append(_Finding(StatusLine(title, "to do", words), todo))
    for recording in found:
        if recording.kind == "donor alone" and (words := _problem(recording)):
            todo = f"copy {recording.path.name} from the logger again"
            out.append(_Finding(StatusLine("donor's computer alone", "bad", words), todo))
    return out


def _problem(recording: Recording) -> str:
    """Why a recording can't be read; empty where it can."""
    try:
        if not begins_with_a_frame(recording.path):
            from swapbridge.capture.read import check_readable  # loads numpy, which few recordings need here

            check_readable(recording.path)
    except SwapbridgeError as error:
        return str(error).replace(str(recording.path), recording.path.name)
    return ""


def _more(names: Sequence[str]) -> str:
    return f" and {len(names) - 1} more" if len(names) > 1 else ""


def _health(folder: Path) -> list[_Finding]:
    path = folder / HEALTH
    if not path.is_file():
        return [
            _Finding(
                StatusLine("engine health", "to do", "no health.toml"),
                "do a leak-down test of the donor's engine and write it into health.toml",
                waits=True,
            )
        ]
    try:
        sheets = {s.which: s for s in load_health(path)}
    except SwapbridgeError as error:
        return [
            _Finding(
                StatusLine("engine health", "bad", str(error)), "correct the line of health.toml that the message names"
            )
        ]
    return [_engine("donor", sheets.get("donor"), needed=True), _engine("host", sheets.get("host"), needed=False)]


def _engine(which: str, sheet: HealthSheet | None, *, needed: bool) -> _Finding:
    topic = f"engine health, {which}"
    if sheet is None or sheet.grade == "not measured":
        todo = f"do a leak-down test of the {which}'s engine and write it into health.toml" if needed else ""
        state: StepState = "to do" if needed else "look"
        return _Finding(StatusLine(topic, state, "not measured"), todo, waits=True)
    words = "; ".join(sheet.sentences()[:2])
    if sheet.grade == "good":
        return _Finding(StatusLine(topic, "done", words))
    if not needed:
        return _Finding(StatusLine(topic, "look", f"{words} (it comes out anyway)"))
    if sheet.grade == "worn":
        return _Finding(StatusLine(topic, "look", words))
    return _Finding(StatusLine(topic, "bad", words), "the donor's engine leaks: decide whether it is worth swapping in")


def _maps(folder: Path) -> _Finding:
    try:
        names = [p.name for p in sorted((folder / MAPS).glob("*.dbc"))]
    except OSError:
        names = []
    if len(names) >= 2:
        return _Finding(StatusLine("signal maps", "done", ", ".join(names[:4]) + (" ..." if len(names) > 4 else "")))
    there = recordings_by_kind(folder / CAPTURES)
    mine = there.get("host") or there.get("donor")
    guess = "swapbridge guess CAPTURE --stimulus CSV"
    if mine is not None and mine.stimulus is not None:
        guess = f"swapbridge guess {_in(folder, mine.path)} --stimulus {_in(folder, mine.stimulus)}"
    todo = f"find the signals: {guess}, then swapbridge map accept"
    missing = WANTED.keys() - there.keys()
    if missing == {"donor alone"}:
        todo = f"record {WANTED['donor alone']}, then swapbridge draft; or {todo}"
    elif not missing:
        todo = "swapbridge draft"
    return _Finding(StatusLine("signal maps", "to do", ", ".join(names) or "none"), todo)


def _in(folder: Path, path: Path) -> str:
    """A file of the folder as a command takes it."""
    name = path.relative_to(folder).as_posix()
    return subprocess.list2cmdline([name]) if sys.platform == "win32" else shlex.quote(name)


def _bridge(folder: Path) -> tuple[BridgeFile | None, _Finding]:
    path = folder / BRIDGE
    if not path.is_file():
        return None, _Finding(
            StatusLine("bridge file", "to do", "none"), "write bridge.toml (swapbridge new creates one)"
        )
    try:
        bridge = load_bridge(path)
    except SwapbridgeError as error:
        return None, _Finding(StatusLine("bridge file", "bad", str(error)), "correct bridge.toml where it says")
    if not bridge.messages:
        words = "no message in it yet"
        return bridge, _Finding(
            StatusLine("bridge file", "to do", words), "define in bridge.toml how each message is made"
        )
    return bridge, _Finding(StatusLine("bridge file", "done", f"{len(bridge.messages)} messages"))


def _plan(folder: Path, bridge: BridgeFile | None) -> tuple[Plan | None, _Finding]:
    path = folder / PLAN
    if not path.is_file():
        return None, _Finding(StatusLine("plan", "to do", "not compiled"), COMPILE)
    try:
        plan = plan_from_json(path.read_text(encoding="utf-8"))
    except (SwapbridgeError, OSError, UnicodeDecodeError) as error:
        return None, _Finding(StatusLine("plan", "bad", str(error)), COMPILE)
    stale = ""
    if bridge is not None:
        try:
            stale = ", ".join(changed_inputs(plan, bridge))
        except SwapbridgeError as error:
            return plan, _Finding(
                StatusLine("plan", "bad", str(error)), "correct the signal map that the message names"
            )
    if stale:
        return plan, _Finding(StatusLine("plan", "to do", f"older than its {stale}"), COMPILE)
    words = f"{len(plan.sends)} messages sent, {len(plan.receives)} received"
    return plan, _Finding(StatusLine("plan", "done", words))


def _needs(folder: Path, plan: Plan | None) -> _Finding:
    path, found = folder / NEEDS, folder / NEEDS_FOUND
    if not path.is_file() and not found.is_file():
        there = recordings_by_kind(folder / CAPTURES)
        both = [_in(folder, there[k].path) for k in ("host", "host unplugged") if k in there]
        files = " ".join(both) if len(both) == 2 else "HOST HOST_UNPLUGGED"
        todo = f"make a needs list of what vanished: swapbridge compare {files} --needs {NEEDS} --needs-bus host"
        return _Finding(StatusLine("needs", "to do", "no needs.toml"), todo)
    try:
        needs = load_needs(path) if path.is_file() else ()
        if not needs and found.is_file():  # what a comparison found, until a person's list says more
            path, needs = found, load_needs(found)
    except SwapbridgeError as error:
        name = path.relative_to(folder).as_posix()
        return _Finding(StatusLine("needs", "bad", str(error)), f"correct {name} where it says")
    over_can = [n for n in needs if n.how == "can"]
    other = len(needs) - len(over_can)
    beside = f", {other} not over CAN" if other else ""
    beside += f", as {NEEDS_FOUND} has them" if path == found else ""
    if plan is None or not over_can:
        return _Finding(StatusLine("needs", "look", f"{len(over_can)} over CAN{beside}"))
    open_ones = [n for n in over_can if not covered(n, plan)]
    if open_ones:
        words = f"{len(over_can) - len(open_ones)} of {len(over_can)} covered{beside}; open: {open_ones[0].label}"
        return _Finding(
            StatusLine("needs", "to do", words + _more([n.label for n in open_ones])),
            f"add a message for {open_ones[0].label} ({open_ones[0].module}) to bridge.toml",
        )
    return _Finding(StatusLine("needs", "done", f"all {len(over_can)} covered{beside}"))


def covered(need: Need, plan: Plan) -> bool:
    """Whether a plan sends or passes what a need asks for."""
    numbers = {b.name: n for n, b in enumerate(plan.buses)}
    bus = numbers.get(need.bus, -1)
    if need.word is not None and any(
        not p.block
        and p.to_bus == bus
        and (p.new_word == need.word if p.new_word >= 0 else p.first <= need.word <= p.last)
        for p in plan.passes
    ):
        return True
    name = need.signal.rsplit(".", 1)[-1]
    for send in plan.sends:
        if send.bus == bus and need.word in (None, send.word):
            fields = [f for v in send.variants for f in v.fields]
            if need.word is not None or any(f.name == name or (need.role and f.role == need.role) for f in fields):
                return True
    return False


def _proof(folder: Path, plan: Plan | None) -> _Finding:
    there = recordings_by_kind(folder / CAPTURES)
    named = {k: _in(folder, there[k].path) if k in there else "..." for k in ("donor", "host")}
    recorded = f"--donor {named['donor']} --host {named['host']}"
    if "host unplugged" in there:
        recorded += f" --unplugged {_in(folder, there['host unplugged'].path)}"
    todo = f"swapbridge prove {recorded} --report proof.html"
    path = folder / PROOF
    if plan is None:
        if not path.is_file():
            return _Finding(StatusLine("proof", "to do", "not proved"), todo)
        return _Finding(StatusLine("proof", "bad", "there is no plan that it could belong to"), todo)
    ruling = ruling_beside(plan, folder / PLAN)
    head = ruling.head
    if ruling.state == "missing":
        return _Finding(StatusLine("proof", "to do", "not proved"), todo)
    if head is None or ruling.state == "unreadable":
        return _Finding(StatusLine("proof", "bad", ruling.words), todo)
    if ruling.state == "failed":
        failures = f"{head.counts['fail']} failed, first: {head.first_failure}"
        return _Finding(StatusLine("proof", "bad", failures), "correct what the proof names, compile and prove again")
    if not ruling.proved:
        return _Finding(StatusLine("proof", "to do", ruling.words), todo)
    if head.thoroughness != "full":
        words = f"passed, {head.thoroughness} fault campaign, {head.counts['warn']} to look at"
        return _Finding(
            StatusLine("proof", "look", words), f"run the full campaign once: swapbridge prove {recorded} --faults full"
        )
    return _Finding(StatusLine("proof", "done", f"passed, full fault campaign, {head.counts['warn']} to look at"))
