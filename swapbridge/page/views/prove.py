"""Page room: the prove view: choose captures, run the proof with progress, read the verdict and the report."""

from __future__ import annotations

import hashlib
from functools import partial
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from swapbridge.bus.rehearsal.virtual_check import virtual_check
from swapbridge.core.errors import InputError
from swapbridge.core.files import written_whole
from swapbridge.core.needs import load_needs
from swapbridge.demo.plant import DemoSwap
from swapbridge.page.bench import Bench, answer, body
from swapbridge.page.guard import REPORT_POLICY
from swapbridge.page.jobs import Progress
from swapbridge.page.views.bridge import BRIDGE_NAME, PLAN_NAME, bridge_and_maps, bridge_text
from swapbridge.plan.model import Plan
from swapbridge.plan.proof_file import PROOF_NAME, ruling_beside, sources_for
from swapbridge.plan.serialise import plan_from_json
from swapbridge.proving.judges.real_time import judge_real_time, lively_part
from swapbridge.proving.prove import THOROUGHNESS, prove
from swapbridge.proving.report.html import html_report
from swapbridge.proving.report.verdict import Check, Verdict
from swapbridge.swapfolder.status import find_captures

REPORT_NAME = "proof.html"
MOST_CHECKS = 60
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
        path, report = bench.shelf.path(PLAN_NAME), bench.shelf.path(REPORT_NAME).is_file()
        if not path.is_file() or (ruling := ruling_beside(read_plan(bench), path)).state == "missing":
            return answer({"proof": None, "report": report})
        counts = {} if ruling.head is None else ruling.head.counts
        return answer({"proof": {"proved": ruling.proved, "words": ruling.words, "counts": counts}, "report": report})

    async def start(request: Request) -> Response:
        asked = await body(request)
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
        Route("/api/prove", start, methods=["POST"]),
    ]


def read_plan(bench: Bench) -> Plan:
    """The folder's plan.

    Raises
    ------
    InputError
        There is none, or it is no plan.
    """
    path = bench.shelf.path(PLAN_NAME)
    if not path.is_file():
        raise InputError("there is no plan here yet; compile one in the Bridge view")
    return plan_from_json(path.read_text(encoding="utf-8"))


def _bus(bench: Bench, name: str) -> dict[str, Any]:
    """A bus of the plan and the capture that is likely meant for it: its name says so."""
    likely = find_captures(bench.shelf.folder).get(name)
    names = [item.name for item in bench.shelf.captures()]
    return {"name": name, "captures": names, "likely": likely.name if likely is not None else ""}


def _prove(bench: Bench, named: dict[str, str], how: str, model: str, progress: Progress) -> dict[str, Any]:
    plan = read_plan(bench)
    bridge, maps = bridge_and_maps(bench, bridge_text(bench))
    captures = {bus: bench.shelf.capture(name) for bus, name in named.items()}
    needs = bench.shelf.path(bridge.needs_file) if bridge.needs_file else None
    inputs = [(name, _digest(bench.shelf.capture_file(name).path)) for name in named.values()]
    unplugged = find_captures(bench.shelf.folder).get("host unplugged")

    def in_real_time() -> list[Check]:
        part = lively_part(plan, captures, REAL_TIME_S)
        done = virtual_check(plan, part, REAL_TIME_S)
        return judge_real_time(plan, done.frames, REAL_TIME_S, done.lost)

    verdict = prove(
        plan,
        captures,
        bridge,
        maps,
        needs=load_needs(needs) if needs is not None and needs.is_file() else (),
        unplugged={"host": bench.shelf.capture(unplugged.name)} if unplugged is not None else {},
        thoroughness=how,
        inputs=inputs,
        sources=sources_for(
            bench.shelf.path(PLAN_NAME),
            bench.shelf.path(BRIDGE_NAME),
            {bus.name: bench.shelf.path(bus.map_file) for bus in bridge.buses if bus.map_file},
        ),
        plant=DemoSwap() if model == "demo" else None,
        more_checks=in_real_time,
        progress=progress,
    )
    written = [(REPORT_NAME, html_report(verdict)), *([(PROOF_NAME, verdict.to_json())] if verdict.kept else [])]
    for name, text in written:
        with written_whole(bench.shelf.path(name)) as place:
            place.write_text(text, encoding="utf-8")
    return _summary(verdict)


def _summary(verdict: Verdict) -> dict[str, Any]:
    shown = [*verdict.worst, *(c for c in verdict.checks if c.status == "pass")]
    return {
        "outcome": verdict.outcome,
        "left_out": list(verdict.left_out),
        "counts": verdict.counts(),
        "checks": [
            {key: getattr(c, key) for key in ("area", "subject", "name", "status", "measured", "required", "remedy")}
            for c in shown[:MOST_CHECKS]
        ],
        "faults": len(verdict.faults),
        "coverage": [
            {key: getattr(c, key) for key in ("module", "bus", "need", "made_from", "quality", "state", "note")}
            for c in verdict.coverage
        ],
    }


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
