"""Command line: the steps of the tour. Each calls the same public function as the command of its name and writes the
same files; nothing here knows anything of the demo's physics or maps but the files that a builder would have."""

from __future__ import annotations

import json
import textwrap
import time
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Executor
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from swapbridge.bus.recording.script import default_script_text
from swapbridge.capture.read import read_capture
from swapbridge.capture.stimulus import read_stimulus
from swapbridge.cli.screen.common import WIDTH, progress_bar
from swapbridge.compiler.compile import compile_bridge
from swapbridge.core.files import written_whole
from swapbridge.core.frames import format_identifier
from swapbridge.core.progress import Progress
from swapbridge.demo.folder import DONOR_RUNNING, HOST_RUNNING, HOST_UNPLUGGED, write_demo
from swapbridge.emit.files import write_files
from swapbridge.emit.program import emit_c
from swapbridge.guessing.guess import guess
from swapbridge.guessing.report import sureness
from swapbridge.plan.proof import Outcome, Status
from swapbridge.proving.report.html import html_report
from swapbridge.proving.report.text import MARKS, SAID
from swapbridge.proving.report.verdict import AREAS
from swapbridge.signalmap.accept import accept_findings
from swapbridge.signalmap.dbc_read import load_map
from swapbridge.signalmap.dbc_write import save_map
from swapbridge.signalmap.merge import merge_maps
from swapbridge.signalmap.model import MapMessage, MapSignal, SignalMap
from swapbridge.surveying.compare import compare
from swapbridge.surveying.inventory import survey
from swapbridge.surveying.needs import needs_toml
from swapbridge.surveying.report import comparison_line, headline
from swapbridge.swapfolder.paths import SCRIPT, SwapFolder
from swapbridge.swapfolder.proving import ProofFiles, ProofOptions, prove_files

MAIN_CHANNELS = ("engine_speed", "coolant_temperature", "pedal_position", "vehicle_speed", "actual_torque")
REAL_TIME_S = 2.0
"""Seconds on python-can's virtual bus."""
SIDES = {"host": HOST_RUNNING, "donor": DONOR_RUNNING}


@dataclass(slots=True)
class Tour:
    """The folder, and what every step had to say."""

    folder: SwapFolder
    seed: int
    say: Callable[[str], None]
    told: dict[str, list[str]] = field(default_factory=dict)
    seconds: dict[str, float] = field(default_factory=dict)
    outcome: Outcome = "NOT PROVED"

    @contextmanager
    def step(self, name: str, doing: str) -> Iterator[tuple[list[str], Progress]]:
        """One step: its progress bar, its lines, its time."""
        begin = time.monotonic()
        lines: list[str] = []
        with progress_bar(doing) as report:
            yield lines, report
        self.told[name], self.seconds[name] = lines, time.monotonic() - begin
        self.say(f"{name} ({self.seconds[name]:.1f} s)")
        for line in lines:
            indent = "  " + " " * (len(line) - len(line.lstrip()))
            for part in textwrap.wrap(line.strip(), WIDTH, initial_indent=indent, subsequent_indent=indent + "    "):
                self.say(part)

    def text(self, place: str, text: str) -> None:
        """Write one result file, whole."""
        path = self.folder.path / place
        path.parent.mkdir(parents=True, exist_ok=True)
        with written_whole(path) as temporary:
            temporary.write_text(text, encoding="utf-8")

    def capture_path(self, name: str) -> Path:
        return self.folder.captures / f"{name}.log.gz"


def record(tour: Tour) -> None:
    """The recordings a practitioner makes before an engine comes out; here of two invented vehicles."""
    with tour.step("Record", "driving two invented vehicles") as (lines, report):
        write_demo(tour.folder.path, tour.seed, report)
        for side in SIDES:  # the finished map comes later, from findings and from what the builder wrote
            (tour.folder.maps / f"{side}.dbc").replace(tour.folder.maps / f"{side}_by_hand.dbc")
        tour.text(SCRIPT, default_script_text())
        for name in (HOST_RUNNING, HOST_UNPLUGGED, DONOR_RUNNING):
            capture = read_capture(tour.capture_path(name))
            lines.append(f"{name}: {len(capture):,} frames in {capture.duration_s:.0f} s")


def look(tour: Tour) -> None:
    """Who speaks on each bus, and what vanishes with the old engine computer."""
    with tour.step("Survey", "surveying") as (lines, report):
        captures = {}
        for number, name in enumerate((HOST_RUNNING, HOST_UNPLUGGED, DONOR_RUNNING)):
            report(number / 4, name)
            captures[name] = read_capture(tour.capture_path(name))
            found = survey(captures[name])
            tour.text(f"survey/{name}.json", json.dumps(found.to_dict(), indent=1) + "\n")
            lines.append(f"{headline(found).split(': ')[-1]}, load {found.buses[0].mean_load:.0%}: {name}")
        report(0.8, "comparing")
        changes = compare(captures[HOST_RUNNING], captures[HOST_UNPLUGGED])
        tour.text("survey/compare_host.json", json.dumps(changes.to_dict(), indent=1) + "\n")
        tour.text("survey/needs_found.toml", needs_toml(changes, "host"))
        lines.append(f"engine computer unplugged: {comparison_line(changes)}")
        lines.append("what vanished is what the translator must supply: survey/needs_found.toml")


def find(tour: Tour, executor: Executor | None) -> None:
    """Signals of both vehicles, from the captures and stimulus files alone."""
    with tour.step("Guess", "guessing") as (lines, report):
        for number, (side, name) in enumerate(SIDES.items()):
            capture = read_capture(tour.capture_path(name))
            track = read_stimulus(tour.folder.captures / f"{name}.csv").on_clock_of(capture)

            def share(done: float, doing: str, number: int = number, side: str = side) -> None:
                report((number + done) / 2, f"{side} {doing}")

            found = guess(capture, track, progress=share, executor=executor).to_dict()
            tour.text(f"findings/{SIDES[side]}.json", json.dumps(found, indent=1, allow_nan=False) + "\n")
            fields = [f for m in found["messages"] for f in m["signals"] if f["kind"] != "constant"]
            kinds = {k: sum(f["kind"] == k for f in fields) for k in ("counter", "checksum")}
            sure = sum(f["stimulus"] is not None and f["confidence"] >= 0.95 for f in fields)
            lines.append(
                f"{side}: {len(fields)} fields ({kinds['counter']} counters, {kinds['checksum']} checksums), "
                f"{sure} sure of their meaning: findings/{SIDES[side]}.json"
            )


def keep(tour: Tour) -> None:
    """Findings into maps, joined with what the builder wrote by hand."""
    with tour.step("Map", "joining maps") as (lines, _):
        for side in SIDES:
            findings = json.loads((tour.folder.path / "findings" / f"{SIDES[side]}.json").read_text(encoding="utf-8"))
            found = accept_findings(findings).signal_map
            save_map(found, tour.folder.maps / f"{side}_found.dbc")
            by_hand = load_map(tour.folder.maps / f"{side}_by_hand.dbc")
            merged = merge_maps(by_hand, found)
            save_map(merged.signal_map, tour.folder.maps / f"{side}.dbc")
            tour.text(f"signal_maps/{side}_differences.txt", "".join(f"{d}\n" for d in merged.differences))
            lines.append(
                f"{side}: {len(merged.same)} of {sum(len(m.signals) for m in by_hand.messages)} hand-written signals "
                f"found again by guess, {merged.only_second} only found, {len(merged.differences)} contradictions "
                f"({side}_differences.txt; the hand-written map was followed)"
            )
            names = {(m, theirs): mine for m, mine, theirs in merged.same}
            lines += [f"  {line}" for line in _main_signals(found, by_hand, names)]
            lines.append(f"  signal_maps/{side}.dbc holds {_holds(merged.signal_map)}")
        lines.append("compile uses signal_maps/host.dbc and donor.dbc: names, units, choices and roles as the builder")
        lines.append("wrote them (_by_hand.dbc), evidence and checks from guess (_found.dbc); `map merge` joined them")


def _holds(signal_map: SignalMap) -> str:
    """What a map holds, in words."""
    signals = [s for m in signal_map.messages for s in m.signals]
    counters, checksums = (sum(getattr(s, what) is not None for s in signals) for what in ("counter", "checksum"))
    plain = len(signals) - counters - checksums
    return f"{len(signal_map.messages)} messages, {plain} signals, {counters} counters, {checksums} checksums"


def _main_signals(found: SignalMap, by_hand: SignalMap, names: dict[tuple[str, str], str]) -> Iterator[str]:
    """The signals a swap stands on: where guess found them, and whether the builder's map says the same."""
    for channel in MAIN_CHANNELS:
        claims = [(m, s) for m in found.messages for s in m.signals if s.evidence.get("stimulus") == channel and s.unit]
        if not claims:
            yield f"{channel}: not found with confidence 0.9; the map has it by hand only"
            continue
        message, signal = max(claims, key=lambda c: float(c[1].evidence["confidence"]))
        confidence = float(signal.evidence["confidence"])
        mine = by_hand.by_word(message.word)
        twin = names.get((mine.name, signal.name)) if mine is not None else None
        where = f"is {mine.name}.{twin}" if mine is not None and twin else "is not in the hand-written map"
        yield f"{channel}: {_place(message, signal)}, {sureness(confidence)} ({confidence:.3f}), {where}"


def _place(message: MapMessage, signal: MapSignal) -> str:
    offset = f" {'+' if signal.offset > 0 else '-'} {float(abs(signal.offset)):.7g}" if signal.offset else ""
    bits = (
        f"{format_identifier(message.identifier, message.extended)} bits {signal.layout.start}|{signal.layout.length}"
    )
    return f"{bits} x {float(signal.scale):.7g}{offset} {signal.unit}"


def translate(tour: Tour) -> None:
    """The bridge file checked, the plan, and its translator as C."""
    with tour.step("Compile", "compiling") as (lines, _):
        result = compile_bridge(tour.folder.bridge)
        tour.text("plan.json", result.plan.to_json())
        tour.text("plan.txt", result.explain)
        write_files(emit_c(result.plan), tour.folder.path / "translator_c")
        sends = [sum(s.bus == n for s in result.plan.sends) for n in range(len(result.plan.buses))]
        parts = ", ".join(f"{n} messages to the {b.name}" for n, b in zip(sends, result.plan.buses, strict=True))
        lines.append(f"accepted: {parts}; {len(result.warnings)} warnings")
        lines += [f"warning: {w}" for w in result.warnings]
        lines.append("plan.txt says it in words, translator_c/ is the same translator for a board")


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
            ProofOptions(real_time_s=REAL_TIME_S, demo_model=True),
            progress=report,
        )
        tour.text("proof.json", verdict.to_json())
        tour.text("proof.html", html_report(verdict))
        tour.outcome = verdict.outcome
        lines += [f"{area}: {words}" for area in AREAS if (words := _count_words(verdict.counts(area)))]
        for check in verdict.worst:
            if check.status != "warn":
                lines.append(
                    f"{MARKS[check.status]} {check.subject}, {check.name}: {check.measured}; required {check.required}"
                )
        lines.append("the whole verdict: proof.html (open it in a browser), proof.json")


def _count_words(counts: Mapping[Status, int]) -> str:
    """Counts by status in words, "" where there are none."""
    return ", ".join(f"{count} {SAID[status]}" for status, count in counts.items() if count)
