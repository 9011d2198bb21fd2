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
from swapbridge.compiler.inputs import compared_inputs
from swapbridge.core.errors import InputError, SwapbridgeError
from swapbridge.core.progress import Progress
from swapbridge.page.guard import REPORT_POLICY
from swapbridge.page.requests import Prove
from swapbridge.page.site import Posted, Site, answer
from swapbridge.page.views.bridge import bridge_and_maps, saved_bridge
from swapbridge.plan.plan import Plan
from swapbridge.plan.proof import proof_head
from swapbridge.proving.prove import THOROUGHNESS
from swapbridge.proving.report.html import html_report
from swapbridge.proving.verdict import Verdict
from swapbridge.swapfolder.paths import BRIDGE, HEALTH, NEEDS, PLAN, PROOF
from swapbridge.swapfolder.proving import ProofFiles, ProofOptions, captures_of, load_plan, prove_files

REPORT_NAME = "proof.html"
MOST_CHECKS = 60
SHOWN_WHOLE = ("fail", "unproved", "warn", "open")
REAL_TIME_S = 3.0


def routes(site: Site) -> list[Route]:
    """Routes of the prove view."""

    def show(request: Request) -> Response:
        buses: list[dict[str, Any]] = []
        fault = ""
        try:
            buses = [_bus(site, bus.name) for bus in folder_plan(site).buses]
        except InputError as error:
            fault = str(error)
        return site.page(request, "prove.html", buses=buses, fault=fault, thoroughness=THOROUGHNESS)

    def state(request: Request) -> Response:
        path, report = site.folder_files.path(PLAN), site.folder_files.path(REPORT_NAME)
        shown = {"report": report.is_file(), "report_version": site.keeper.version(report)}
        if not path.is_file():
            words = (
                f"There is no {PLAN}, so there is nothing that the proof belongs to."
                if site.folder_files.path(PROOF).is_file()
                else ""
            )
            return answer({"proof": {"proved": False, "words": words, "counts": {}} if words else None, **shown})
        ruling = ruling_beside(folder_plan(site), path)
        if ruling.state == "missing":
            return answer({"proof": None, **shown})
        counts = {} if ruling.head is None else ruling.head.counts
        older = "" if not ruling.proved else _older(site)
        words = older or ruling.words
        return answer({"proof": {"proved": ruling.proved and not older, "words": words, "counts": counts}, **shown})

    def start(request: Request, asked: Prove) -> Response:
        how = asked.thoroughness
        if how not in THOROUGHNESS:
            raise InputError("choose a capture for at least one bus, and how thoroughly to prove")
        named = {bus: name for bus, name in asked.captures.items() if name}
        for name in named.values():
            site.folder_files.capture_file(name)
        work = partial(_prove, site, named, how, asked.model)
        return answer({"job": site.jobs.start("Proving", work).key})

    def likely(request: Request) -> Response:
        buses = [_bus(site, bus.name) for bus in folder_plan(site).buses]
        return answer({"captures": {bus["name"]: bus["likely"] for bus in buses}})

    def report(request: Request) -> Response:
        path = site.folder_files.path(REPORT_NAME)
        if not path.is_file():
            raise InputError("there is no report yet; run the proof")
        return HTMLResponse(path.read_bytes(), headers={"content-security-policy": REPORT_POLICY})

    return [
        Route("/prove", show),
        Route("/prove/report", report),
        Route("/api/proof", state),
        Route("/api/prove/likely", likely),
        Posted("/api/prove", Prove, start),
    ]


def folder_plan(site: Site) -> Plan:
    """The folder's plan.

    Raises
    ------
    InputError
        There is none, or it is no plan.
    """
    path = site.folder_files.path(PLAN)
    if not path.is_file():
        raise InputError("there is no plan here yet; compile one in the Bridge view")
    return load_plan(path)


def proof_holds(site: Site, plan: Plan) -> bool:
    """Whether the plan is proved, and was made from what lies in the folder now."""
    try:
        return ruling_beside(plan, site.folder_files.path(PLAN)).proved and not _older(site)
    except SwapbridgeError:
        return False


def _older(site: Site) -> str:
    """Why a proof that holds by itself is older than the folder: the plan was not made from what lies here now."""
    bridge, maps = bridge_and_maps(site, saved_bridge(site))
    changed = [name for name, (then, now) in compared_inputs(folder_plan(site), bridge, maps).items() if then != now]
    if not changed:
        return ""
    return f"The plan is older than its {', '.join(changed)}: compile, then prove again."


def _bus(site: Site, name: str) -> dict[str, Any]:
    """A bus of the plan and the capture that is likely meant for it: its name says so."""
    likely = captures_of(site.folder_files.folder, [name])[0].get(name)
    names = [item.name for item in site.folder_files.captures()]
    return {"name": name, "captures": names, "likely": likely.name if likely is not None else ""}


def _prove(site: Site, named: dict[str, str], how: str, model: str, progress: Progress) -> dict[str, Any]:
    buses = [bus.name for bus in folder_plan(site).buses]
    bridge_and_maps(site, saved_bridge(site))  # refuses files outside the folder
    needs = site.folder_files.path(NEEDS)
    files = ProofFiles(
        plan=site.folder_files.path(PLAN),
        bridge=site.folder_files.path(BRIDGE),
        needs=needs if needs.is_file() else None,
        captures={bus: site.folder_files.capture_file(name).path for bus, name in named.items()},
        unplugged=captures_of(site.folder_files.folder, buses)[1],
        health=health if (health := site.folder_files.path(HEALTH)).is_file() else None,
    )
    options = ProofOptions(thoroughness=how, workers=1, real_time_s=REAL_TIME_S, demo_model=model == "demo")

    unplugged = files.unplugged
    listed = [*named.values(), *([unplugged.name] if unplugged is not None else [])]
    inside = {item.path.resolve(): item.name for item in map(site.folder_files.capture_file, listed)}
    for path in (*files.captures.values(), *([unplugged] if unplugged is not None else [])):
        site.folder_files.check_stimulus(path)

    def read(paths: Mapping[str, Path]) -> dict[str, Capture]:
        return {bus: site.folder_files.capture(inside[path.resolve()]) for bus, path in paths.items()}

    verdict = prove_files(files, options, read=read, progress=progress)
    site.keeper.derive(site.folder_files.path(REPORT_NAME), html_report(verdict).encode("utf-8", "replace"))
    if verdict.kept:
        site.keeper.derive(site.folder_files.path(PROOF), verdict.to_json().encode("utf-8"), _reads_as_a_proof)
    return _summary(verdict)


def _reads_as_a_proof(new: Path) -> None:
    proof_head(new.read_text(encoding="utf-8"))


def _summary(verdict: Verdict) -> dict[str, Any]:
    shown = [*verdict.worst, *(c for s in ("open", "habit", "pass") for c in verdict.with_status(s))]
    return {
        "outcome": verdict.outcome,
        "left_out": list(verdict.left_out),
        "counts": verdict.counts(),
        "checks": [
            {key: getattr(c, key) for key in ("area", "subject", "name", "status", "measured", "required", "remedy")}
            for number, c in enumerate(shown)
            if c.status in SHOWN_WHOLE or number < MOST_CHECKS
        ],
        "faults": len(verdict.faults),
        "coverage": [
            {key: getattr(c, key) for key in ("module", "bus", "need", "made_from", "quality", "state", "note")}
            for c in verdict.coverage
        ],
    }
