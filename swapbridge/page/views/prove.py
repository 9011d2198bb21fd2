"""Page room: the prove view: choose captures, run the proof with progress, read the verdict and the report."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from swapbridge.bus.running.proof_file import ruling_beside
from swapbridge.capture.capture import Capture
from swapbridge.core.errors import InputError
from swapbridge.core.files import written_whole
from swapbridge.core.progress import Progress
from swapbridge.page.bench import Bench, answer, posted
from swapbridge.page.guard import REPORT_POLICY
from swapbridge.page.views.bridge import bridge_and_maps, bridge_text
from swapbridge.plan.model import Plan
from swapbridge.proving.prove import THOROUGHNESS
from swapbridge.proving.report.html import html_report
from swapbridge.proving.report.verdict import Verdict
from swapbridge.swapfolder.paths import BRIDGE, HEALTH, NEEDS, PLAN, PROOF
from swapbridge.swapfolder.proving import ProofFiles, ProofOptions, captures_of, load_plan, prove_files

REPORT_NAME = "proof.html"
MOST_CHECKS = 60
TOLD_WHOLE = ("fail", "unproved", "warn", "open")
REAL_TIME_S = 3.0


def routes(bench: Bench) -> list[Route]:
    """Routes of the prove view."""

    def show(request: Request) -> Response:
        buses: list[dict[str, Any]] = []
        fault = ""
        try:
            buses = [_bus(bench, bus.name) for bus in read_plan(bench).buses]
        except InputError as error:
            fault = str(error)
        return bench.page(request, "prove.html", buses=buses, fault=fault, thoroughness=THOROUGHNESS)

    def state(request: Request) -> Response:
        path, report = bench.shelf.path(PLAN), bench.shelf.path(REPORT_NAME).is_file()
        if not path.is_file() or (ruling := ruling_beside(read_plan(bench), path)).state == "missing":
            return answer({"proof": None, "report": report})
        counts = {} if ruling.head is None else ruling.head.counts
        return answer({"proof": {"proved": ruling.proved, "words": ruling.words, "counts": counts}, "report": report})

    def start(request: Request, asked: dict[str, Any]) -> Response:
        chosen = asked.get("captures")
        how = asked.get("thoroughness")
        if not isinstance(chosen, dict) or how not in THOROUGHNESS:
            raise InputError("choose a capture for at least one bus, and how thoroughly to prove")
        named = {str(bus): str(name) for bus, name in chosen.items() if name}
        for name in named.values():
            bench.shelf.capture_file(name)
        work = partial(_prove, bench, named, str(how), str(asked.get("model")))
        return answer({"job": bench.jobs.start("Proving", work).key})

    def report(request: Request) -> Response:
        path = bench.shelf.path(REPORT_NAME)
        if not path.is_file():
            raise InputError("there is no report yet; run the proof")
        return HTMLResponse(path.read_text(encoding="utf-8"), headers={"content-security-policy": REPORT_POLICY})

    return [
        Route("/prove", show),
        Route("/prove/report", report),
        Route("/api/proof", state),
        Route("/api/prove", posted(start), methods=["POST"]),
    ]


def read_plan(bench: Bench) -> Plan:
    """The folder's plan.

    Raises
    ------
    InputError
        There is none, or it is no plan.
    """
    path = bench.shelf.path(PLAN)
    if not path.is_file():
        raise InputError("there is no plan here yet; compile one in the Bridge view")
    return load_plan(path)


def _bus(bench: Bench, name: str) -> dict[str, Any]:
    """A bus of the plan and the capture that is likely meant for it: its name says so."""
    likely = captures_of(bench.shelf.folder, [name])[0].get(name)
    names = [item.name for item in bench.shelf.captures()]
    return {"name": name, "captures": names, "likely": likely.name if likely is not None else ""}


def _prove(bench: Bench, named: dict[str, str], how: str, model: str, progress: Progress) -> dict[str, Any]:
    buses = [bus.name for bus in read_plan(bench).buses]
    bridge_and_maps(bench, bridge_text(bench))  # refuses files outside the folder
    needs = bench.shelf.path(NEEDS)
    files = ProofFiles(
        plan=bench.shelf.path(PLAN),
        bridge=bench.shelf.path(BRIDGE),
        needs=needs if needs.is_file() else None,
        captures={bus: bench.shelf.capture_file(name).path for bus, name in named.items()},
        unplugged=captures_of(bench.shelf.folder, buses)[1],
        health=health if (health := bench.shelf.path(HEALTH)).is_file() else None,
    )
    options = ProofOptions(thoroughness=how, workers=1, real_time_s=REAL_TIME_S, demo_model=model == "demo")

    def read(paths: Mapping[str, Path]) -> dict[str, Capture]:
        return {bus: bench.shelf.capture(path.name) for bus, path in paths.items()}

    verdict = prove_files(files, options, read=read, progress=progress)
    written = [(REPORT_NAME, html_report(verdict)), *([(PROOF, verdict.to_json())] if verdict.kept else [])]
    for name, text in written:
        with written_whole(bench.shelf.path(name)) as place:
            place.write_text(text, encoding="utf-8")
    return _summary(verdict)


def _summary(verdict: Verdict) -> dict[str, Any]:
    shown = [*verdict.worst, *(c for s in ("open", "habit", "pass") for c in verdict.with_status(s))]
    return {
        "outcome": verdict.outcome,
        "left_out": list(verdict.left_out),
        "counts": verdict.counts(),
        "checks": [
            {key: getattr(c, key) for key in ("area", "subject", "name", "status", "measured", "required", "remedy")}
            for number, c in enumerate(shown)
            if c.status in TOLD_WHOLE or number < MOST_CHECKS
        ],
        "faults": len(verdict.faults),
        "coverage": [
            {key: getattr(c, key) for key in ("module", "bus", "need", "made_from", "quality", "state", "note")}
            for c in verdict.coverage
        ],
    }
