"""Page room: the swap at a glance: vehicles, what is there and missing, how far the needs are, the next thing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from swapbridge.capture.naming import WANTED, kind_of
from swapbridge.core.errors import SwapbridgeError
from swapbridge.core.needs import Need, load_needs
from swapbridge.page.site import Site
from swapbridge.page.stages import STAGES, FolderEvidence, count_stages, stage_of
from swapbridge.page.views.guess import findings, read_maps
from swapbridge.page.views.prove import proof_holds
from swapbridge.plan.plan import Plan
from swapbridge.plan.serialise import plan_from_json
from swapbridge.swapfolder.paths import BRIDGE
from swapbridge.swapfolder.status import StatusLine, SwapStatus, swap_status

MARKS = {"done": ("good", "✓"), "to do": ("warn", "○"), "look": ("warn", "!"), "bad": ("bad", "✗")}
PATTERNS = {
    "proved": "full",
    "mapped": "dense",
    "accepted": "medium",
    "guessed": "light",
    "unknown": "empty",
    "not CAN": "dots",
}


def routes(site: Site) -> list[Route]:
    """Route of the overview."""

    def show(request: Request) -> Response:
        status = _status(site)
        needs = _needs(site)
        known = _known(site)
        counts = count_stages(needs, known)
        names = [item.name.lower() for item in site.folder_files.captures()]
        return site.page(
            request,
            "overview.html",
            lines=[(*MARKS[line.state], line.topic, line.words) for line in status.lines],
            next_step=status.next_step,
            action=next_action(site, status.next_topic),
            stages=_bar(counts),
            needs=[(need, stage_of(need, known)) for need in needs],
            recordings={side: sum(side in name for name in names) for side in ("host", "donor")},
            plan=known.plan,
        )

    return [Route("/", show)]


@dataclass(frozen=True, slots=True)
class NextAction:
    """What the button of the next step does: opens a view, or (`work`) has it done here."""

    words: str
    href: str
    work: str = ""


_RECORD = {
    "host with its old engine": "host_old_engine",
    "donor in its own vehicle": "donor_own_vehicle",
    "host, engine computer unplugged": "host_unplugged",
}
_OPEN = {
    "signal maps": NextAction("Find the signals", "/guess"),
    "needs": NextAction("Compare with the engine computer unplugged", "/compare"),
    "bridge file": NextAction("Open the bridge file", "/bridge"),
    "swap folder": NextAction("Look at the folder's captures", "/capture"),
    "": NextAction("Read the guide of the first start", "/guide/first-start"),
}


def next_action(site: Site, topic: str) -> NextAction:
    """The button for the line of the status that comes next."""
    if topic in _RECORD:
        return NextAction("Record it now", f"/live?name={_RECORD[topic]}")
    if topic == "signal maps" and WANTED.keys() <= {kind_of(item.name) for item in site.folder_files.captures()}:
        return NextAction("Draft from the recordings", "/draft", "draft")
    if topic == "plan":
        compiles = site.folder_files.path(BRIDGE).is_file()
        return NextAction("Compile the bridge file", "/bridge", "compile" if compiles else "")
    if topic == "proof":
        return NextAction("Prove the plan", "/prove", "prove")
    if topic.startswith("engine health"):
        return NextAction("How health.toml is written", "/guide/swap-folder")
    return _OPEN.get(topic, _OPEN["bridge file"])


def _status(site: Site) -> SwapStatus:
    """The screen of `swapbridge status`; not asked while a file leads out of the folder, since it would be read."""
    troubles = site.folder_files.troubles()
    out = next((words for words in troubles if "leads out" in words), "")
    if out:
        return SwapStatus((StatusLine("swap folder", "bad", out),), f"{out}")
    try:
        return swap_status(site.folder_files.folder)
    except (RecursionError, UnicodeError, ValueError) as error:
        words = f"a file here can't be read ({type(error).__name__}); correct the one that was changed last"
        return SwapStatus((StatusLine("swap folder", "bad", words),), words)


def _bar(counts: dict[str, int]) -> list[dict[str, Any]]:
    """Parts of the bar of needs, each with its place and width in percent."""
    total = sum(counts.values())
    out, place = [], 0.0
    for stage in STAGES:
        width = 100 * counts[stage] / total if total else 0.0
        out.append({"stage": stage, "count": counts[stage], "x": place, "width": width, "pattern": PATTERNS[stage]})
        place += width
    return out


def _needs(site: Site) -> tuple[Need, ...]:
    try:
        path = site.folder_files.path("needs.toml")
        return load_needs(path) if path.is_file() else ()
    except (SwapbridgeError, RecursionError, ValueError):
        return ()  # swap_status says what is wrong with it


def _known(site: Site) -> FolderEvidence:
    found = []
    for item in site.folder_files.captures():
        try:
            guessed = findings(site, item.name)
        except SwapbridgeError:
            continue  # the guess view says what is wrong with it
        if guessed is not None:
            found.append(guessed)
    plan = _plan(site)
    proved = plan is not None and proof_holds(site, plan)
    return FolderEvidence(plan, proved, tuple(read_maps(site).values()), tuple(found))


def _plan(site: Site) -> Plan | None:
    try:
        path = site.folder_files.path("plan.json")
        return plan_from_json(path.read_text(encoding="utf-8")) if path.is_file() else None
    except (SwapbridgeError, RecursionError, ValueError, OSError):
        return None
