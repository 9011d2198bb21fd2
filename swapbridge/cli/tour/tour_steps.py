"""Command line: the steps of the tour. Each calls the same public function as the command of its name and writes the
same files; nothing here knows anything of the demo's physics but the files that a builder would have."""

from __future__ import annotations

import shutil
import textwrap
import time
from collections import Counter
from collections.abc import Iterator, Mapping
from concurrent.futures import Executor
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from swapbridge.bus.adapters.spec import parse_bus
from swapbridge.bus.running.live import LiveOptions
from swapbridge.bus.running.proof_file import ruling_beside
from swapbridge.bus.running.run import RunRequest, check_allowed
from swapbridge.capture.capture import Capture
from swapbridge.capture.naming import recording_stem
from swapbridge.capture.read import read_capture
from swapbridge.cli.screen.common import WIDTH, progress_bar
from swapbridge.compiler.compile import CompileResult, compile_bridge
from swapbridge.compiler.load_maps import load_maps
from swapbridge.compiler.review import marks
from swapbridge.core.errors import SwapbridgeError
from swapbridge.core.files import written_whole
from swapbridge.core.progress import Announce, Progress
from swapbridge.demo.folder import (
    DONOR_RUNNING,
    HOST_RUNNING,
    HOST_UNPLUGGED,
    RECORDINGS,
    write_demo_papers,
    write_recordings,
)
from swapbridge.drafting.outlook import outlook
from swapbridge.drafting.picture import message_picture
from swapbridge.emit.emit_c import emit_c
from swapbridge.emit.write_files import write_files
from swapbridge.language.reading import load_bridge
from swapbridge.plan.proof import Outcome
from swapbridge.proving.report.html import html_report
from swapbridge.proving.report.verdict_text import MARKS, count_words
from swapbridge.proving.verdict import AREAS
from swapbridge.signalmap.signal_map import SignalMap
from swapbridge.surveying.compare import compare
from swapbridge.surveying.inventory import survey
from swapbridge.surveying.survey_report import comparison_line, survey_headline
from swapbridge.swapfolder.agreement import SignalAgreement, agreement
from swapbridge.swapfolder.draft_lines import BridgeLine, bridge_lines, refuse_lines
from swapbridge.swapfolder.drafting import draft_folder, draft_recordings
from swapbridge.swapfolder.empty import write_empty
from swapbridge.swapfolder.paths import HEALTH, SwapFolder
from swapbridge.swapfolder.proving import ProofFiles, ProofOptions, prove_files
from swapbridge.swapfolder.reviewing import review_lines, write_reviews

REAL_TIME_S = 2.0
"""Seconds on python-can's virtual bus."""
SIDES = {"host": HOST_RUNNING, "donor": DONOR_RUNNING}
BY_HAND = "by_hand"
"""Where the maps and the bridge file go that were written by hand: the truth that the draft is counted against."""
REVIEWED_ON = "2026-01-01"
"""The tour's reviews bear this day, so that two tours of one seed write the same bridge file."""


@dataclass(slots=True)
class Tour:
    """The folder, and what the steps found."""

    folder: SwapFolder
    seed: int
    announce: Announce
    seconds: dict[str, float] = field(default_factory=dict)
    captures: dict[str, Capture] = field(default_factory=dict)
    alike: list[SignalAgreement] = field(default_factory=list)
    outcome: Outcome = "NOT PROVED"

    @contextmanager
    def step(self, name: str, doing: str) -> Iterator[tuple[list[str], Progress]]:
        """One step: its progress bar, its lines, its time."""
        begin = time.monotonic()
        lines: list[str] = []
        with progress_bar(doing) as report:
            yield lines, report
        self.seconds[name] = time.monotonic() - begin
        self.announce(f"{name} ({self.seconds[name]:.1f} s)")
        for line in lines:
            if len(line) <= WIDTH - 2:  # as it stands: it may be a picture
                self.announce(f"  {line}")
                continue
            indent = "  " + " " * (len(line) - len(line.lstrip()))
            for part in textwrap.wrap(line.strip(), WIDTH, initial_indent=indent, subsequent_indent=indent + "    "):
                self.announce(part)

    def text(self, place: str, text: str) -> None:
        """Write one result file, whole."""
        path = self.folder.path / place
        path.parent.mkdir(parents=True, exist_ok=True)
        with written_whole(path) as temporary:
            temporary.write_text(text, encoding="utf-8")

    def capture_path(self, name: str) -> Path:
        return self.folder.captures / f"{name}.log.gz"

    def sides(self) -> dict[str, Capture]:
        """The two recordings that everything is judged by, by bus."""
        return {side: self.captures[name] for side, name in SIDES.items()}


def record_step(tour: Tour, executor: Executor | None) -> None:
    """The recordings to make before an engine comes out; here of two invented vehicles."""
    with tour.step("Record", "driving two invented vehicles") as (lines, report):
        shutil.rmtree(tour.folder.maps, ignore_errors=True)  # an earlier tour's: a draft would build on them
        write_empty(tour.folder.path)
        write_recordings(tour.folder.captures, tour.seed, report, executor)
        (tour.folder.path / BY_HAND / "signal_maps").mkdir(parents=True, exist_ok=True)
        write_demo_papers(tour.folder.path / BY_HAND)
        shutil.copyfile(tour.folder.path / BY_HAND / HEALTH, tour.folder.health)
        for name in RECORDINGS:
            tour.captures[name] = capture = read_capture(tour.capture_path(name))
            lines.append(f"{name}: {len(capture):,} frames in {capture.duration_s:.0f} s")


def look(tour: Tour) -> None:
    """Who speaks on each bus, and what vanishes with the old engine computer."""
    with tour.step("Look", "surveying") as (lines, _):
        for name in RECORDINGS:
            found = survey(tour.captures[name])
            lines.append(f"{survey_headline(found).split(': ')[-1]}, load {found.buses[0].mean_load:.0%}: {name}")
        changes = compare(tour.captures[HOST_RUNNING], tour.captures[HOST_UNPLUGGED])
        lines.append(f"engine computer unplugged: {comparison_line(changes)}")


def draft_step(tour: Tour, executor: Executor | None) -> None:
    """Maps, needs list and bridge file of both vehicles, from the recordings and their stimulus files alone."""
    with tour.step("Draft", "drafting") as (lines, report):
        found = draft_recordings(tour.folder)
        captures = {kind: tour.captures[recording_stem(r.path.name)] for kind, r in found.items()}
        done = draft_folder(tour.folder, captures, progress=report, executor=executor)
        lines += outlook(done.drafted)
        shown = max(done.drafted.messages, key=lambda m: (m.bus == "host", -m.life.period_ms if m.fields else -1e9))
        lines.append(
            "bridge.toml states for every line how it was found, how sure it is and what came second; one message:"
        )
        lines += [f"  {line}" for line in message_picture(shown)]


def translate_step(tour: Tour) -> None:
    """The drafted bridge file checked at the first try, and counted against the one written by hand."""
    with tour.step("Compile", "compiling") as (lines, report):
        result = _compiled(tour)
        sends = [sum(s.bus == n for s in result.plan.sends) for n in range(len(result.plan.buses))]
        parts = ", ".join(f"{n} messages to the {b.name}" for n, b in zip(sends, result.plan.buses, strict=True))
        lines.append(f"accepted: {parts}; {len(result.warnings)} notes; plan.txt explains it in words")
        report(0.3, "the bridge file written by hand, for comparison")
        by_hand = tour.folder.path / BY_HAND / "bridge.toml"
        truth, maps = compile_bridge(by_hand).plan, load_maps(load_bridge(by_hand))
        tour.alike = agreement(truth, result.plan, maps, tour.sides())
        lines += count_lines(tour.alike)


def count_lines(alike: list[SignalAgreement]) -> list[str]:
    """How much of a bridge that was written by hand the draft says as well, signal by signal and message by message."""
    if not alike:
        return ["not compared with the bridge file written by hand: that needs a C compiler"]
    moving = [a for a in alike if a.moves]
    messages = {(a.bus, a.message) for a in alike}
    whole = messages - {(a.bus, a.message) for a in alike if not a.alike}
    out = [
        f"compared with {BY_HAND}/bridge.toml, which draft never saw, on the same recordings: "
        f"{sum(a.alike for a in moving)} of {len(moving)} changing signals agree, and "
        f"{sum(a.alike for a in alike if not a.moves)} of {len(alike) - len(moving)} constant ones; "
        f"{len(whole)} of {len(messages)} messages agree completely"
    ]
    other = [f"{a.message}.{a.signal}" for a in alike if not a.alike]
    return [*out, f"different: {', '.join(other)}"] if other else out


def ask_to_send(tour: Tour) -> None:
    """`run --send` before anybody looked: the plan itself forbids it, whatever else is said."""
    with tour.step("Run", "asking to send") as (lines, _):
        plan = _compiled(tour).plan
        request = RunRequest(
            plan=plan,
            buses=tuple(parse_bus(f"{b.name}=socketcan:can{n}") for n, b in enumerate(plan.buses)),
            options=LiveOptions(sending=True),
            proof=ruling_beside(plan, tour.folder.plan),
            folder=tour.folder.path,
            unproved=True,
            acknowledged=True,
        )
        try:
            check_allowed(request)
            lines.append("nothing was refused")
        except SwapbridgeError as error:
            lines.append("swapbridge run plan.json --send --unproved --cautions-read")
            lines.append(f"refused: {error}")


def review(tour: Tour) -> None:
    """A person looks at what was learned: what is wrong is refused and becomes open; what is right is accepted."""
    with tour.step("Review", "reviewing") as (lines, report):
        path = tour.folder.bridge
        maps = load_maps(load_bridge(path))
        wrong = [line for line in bridge_lines(path) if not line.is_open and not _right(tour.alike, maps, line)]
        refuse_lines(path, [line.name for line in wrong], REVIEWED_ON)
        report(0.5, "what was learned, beside what was recorded")
        result, bridge = _compiled(tour), load_bridge(path)
        waiting = [m for m in marks(bridge, maps) if not m.is_reviewed]
        shown = next((m for m in waiting if m.signal is not None and m.signal.name == "actual_torque"), None)
        if shown is not None:
            lines.append("swapbridge review shows a rule, what was recorded, and what it generates:")
            lines += [f"  {line}" for line in review_lines(shown, bridge, result, maps, tour.sides()) if line]
        write_reviews(path, waiting, REVIEWED_ON)
        names = ", ".join(line.name for line in wrong) or "none"
        lines.append(
            f"refused, since the bridge written by hand differs: {len(wrong)} lines; each is now open and gives "
            f"its safe answer: {names}"
        )
        lines.append(f"accepted: {len(waiting)} learned rules and safe answers; each stores the date and a digest")


def _right(alike: list[SignalAgreement], maps: Mapping[str, SignalMap], line: BridgeLine) -> bool:
    """Whether every signal of the bridge written by hand says the same that has bits in a drafted line."""
    bus, _, name = line.message.partition(".")
    message = maps[bus].message(name)
    signal = message.signal(line.signal) if message is not None else None
    if message is None or signal is None:
        return False
    own = set(signal.layout.positions)
    return all(a.alike for a in alike if (a.bus, a.word) == (bus, message.word) and own & set(a.layout.positions))


def compile_again(tour: Tour) -> None:
    """The reviewed bridge file, and its translator as C."""
    with tour.step("Compile again", "compiling") as (lines, _):
        result = _compiled(tour)
        write_files(emit_c(result.plan), tour.folder.path / "translator_c")
        lines.append("nothing is left to review; translator_c/ has the same translator for a board")


def prove_it(tour: Tour) -> None:
    """The plan on the simulated bench, quick campaign of faults included."""
    folder = tour.folder
    with tour.step("Prove", "proving") as (lines, report):
        captures = {side: tour.capture_path(name) for side, name in SIDES.items()}
        verdict = prove_files(
            ProofFiles(
                folder.plan,
                folder.bridge,
                folder.needs,
                captures,
                tour.capture_path(HOST_UNPLUGGED),
                folder.health,
            ),
            ProofOptions(real_time_s=REAL_TIME_S),
            progress=report,
        )
        tour.text("proof.json", verdict.to_json())
        tour.text("proof.html", html_report(verdict))
        tour.outcome = verdict.outcome
        for area in AREAS:
            found = {status: n for status, n in verdict.counts(area).items() if n}
            lines += [f"{area}: {count_words(found)}"] if found else []
        for check in verdict.worst:
            if check.status in ("fail", "unproved"):
                lines.append(
                    f"{MARKS[check.status]} {check.subject}, {check.name}: {check.measured}; required {check.required}"
                )
        opened = Counter(line.message for line in bridge_lines(folder.bridge) if line.is_open)
        named = ", ".join(f"{n} in {message}" for message, n in opened.items()) or "nothing"
        lines.append(f"open and therefore not proved: {named}; each gives its safe answer, and proof.html lists it")


def _compiled(tour: Tour) -> CompileResult:
    result = compile_bridge(tour.folder.bridge)
    tour.text("plan.json", result.plan.to_json())
    tour.text("plan.txt", result.explain)
    return result
