"""Page room: the bridge view: the bridge file with the compiler's words beside the line, gauge tables, dials."""

from __future__ import annotations

import re
import secrets
import tomllib
from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from swapbridge.compiler.compile import CompileResult, compile_bridge
from swapbridge.core.errors import InputError, RefusedError, SwapbridgeError
from swapbridge.core.needs import load_needs
from swapbridge.core.progress import Progress
from swapbridge.language.bridge_file import BridgeFile
from swapbridge.language.reading import parse_bridge
from swapbridge.page.answers import BridgeAnswer, BridgeRow, CheckAnswer, CompilerMessage, Dials, Pickable, TableCurve
from swapbridge.page.dials import dials
from swapbridge.page.guard import policy_with_styles
from swapbridge.page.keeping import ChangedError
from swapbridge.page.requests import BridgeCheck, BridgeCurve, BridgePick, BridgeSave, OfCapture, Versioned
from swapbridge.page.rows import functions, pickable, sources, with_source
from swapbridge.page.site import Posted, Site, answer
from swapbridge.plan.plan import Plan
from swapbridge.plan.serialise import plan_from_json
from swapbridge.signalmap.dbc_read import load_map
from swapbridge.signalmap.signal_map import SignalMap
from swapbridge.swapfolder.paths import BRIDGE, PLAN

MOST_CURVE_POINTS = 64
_PLACE = re.compile(r"^(?P<file>[^\n]*?):(?P<line>\d+)(?::(?P<column>\d+))?: (?P<words>.*)$", re.DOTALL)


def routes(site: Site) -> list[Route]:
    """Routes of the bridge view."""

    def show(request: Request) -> Response:
        nonce = secrets.token_urlsafe(16)
        page = site.page(request, "bridge.html", nonce=nonce)
        page.headers["content-security-policy"] = policy_with_styles(nonce)
        return page

    def read(request: Request) -> Response:
        path = site.folder_files.path(BRIDGE)
        text, version = bridge_file(site)
        undo = site.keeper.last_step(path)
        try:
            found = checked(site, text)
        except RefusedError as error:  # while frames are sent: it can still be read
            found = _view(text, [_fault(str(error), "warning")])
        reply: BridgeAnswer = {**found, "text": text, "version": version, "undo": undo}
        return answer(reply)

    def check(request: Request, asked: BridgeCheck) -> Response:
        return answer(checked(site, asked.text))

    def save(request: Request, asked: BridgeSave) -> Response:
        text = asked.text
        path = site.folder_files.path(BRIDGE)
        version = site.keeper.write(
            path,
            text.encode("utf-8"),
            what="edit the bridge file",
            seen=asked.version,
            check=lambda new: _reads_as(new, text),
        )
        return answer({"saved": BRIDGE, "version": version})

    def curve(request: Request, asked: BridgeCurve) -> Response:
        text = asked.text
        return answer({"text": with_curve(text, asked.table, asked.points)})

    def pick(request: Request, asked: BridgePick) -> Response:
        text = asked.text
        return answer({"text": with_source(text, asked.message, asked.signal, asked.source)})

    def compile_it(request: Request, asked: Versioned) -> Response:
        seen = asked.version

        def work(progress: Progress) -> dict[str, Any]:
            progress(0.1, "compiling")
            text, version = bridge_file(site)
            if version != seen:
                raise ChangedError(f"{BRIDGE} was changed since this view was loaded: load it again, then compile")
            result = compiled(site, text)
            written = result.plan.to_json()
            check = partial(_same_plan, result.plan)
            site.keeper.derive(site.folder_files.path(PLAN), written.encode("utf-8"), check)
            return {"warnings": [str(w) for w in result.warnings], "sends": len(result.plan.sends)}

        return answer({"job": site.jobs.start("Compiling", work).key})

    def drive(request: Request, asked: OfCapture) -> Response:
        name = asked.file
        site.folder_files.capture_file(name)

        def work(progress: Progress) -> Dials:
            return dials(*plan_and_maps(site), site.folder_files.capture(name), progress)

        return answer({"job": site.jobs.start("Driving the dials", work).key})

    return [
        Route("/bridge", show),
        Route("/api/bridge", read),
        Posted("/api/bridge/check", BridgeCheck, check),
        Posted("/api/bridge/save", BridgeSave, save),
        Posted("/api/bridge/curve", BridgeCurve, curve),
        Posted("/api/bridge/pick", BridgePick, pick),
        Posted("/api/bridge/compile", Versioned, compile_it),
        Posted("/api/bridge/dials", OfCapture, drive),
    ]


def saved_bridge(site: Site) -> str:
    """The folder's bridge file, or an empty text where there is none yet."""
    return bridge_file(site)[0]


def bridge_file(site: Site) -> tuple[str, str]:
    """The folder's bridge file, or an empty text where there is none yet, and the version that it is."""
    content, version = site.keeper.read(site.folder_files.path(BRIDGE))
    try:
        return (content or b"").decode("utf-8"), version
    except UnicodeDecodeError as error:
        raise InputError(f"{BRIDGE} can't be read ({error}); write it as UTF-8 text") from None


def compiled(site: Site, text: str) -> CompileResult:
    """The bridge text compiled against the maps and the needs list in the folder."""
    bridge, maps = bridge_and_maps(site, text)
    return compile_bridge(bridge, maps)


def bridge_and_maps(site: Site, text: str) -> tuple[BridgeFile, dict[str, SignalMap]]:
    """The bridge text as values, with the files it names; none of them outside the folder."""
    bridge = parse_bridge(text, str(site.folder_files.path(BRIDGE)))
    if bridge.needs_file:
        bridge = replace(bridge, needs=load_needs(site.folder_files.path(bridge.needs_file)))
    return bridge, {bus.name: load_map(site.folder_files.path(bus.map_file)) for bus in bridge.buses if bus.map_file}


def plan_and_maps(site: Site) -> tuple[Plan, dict[str, SignalMap]]:
    """The plan of the bridge file and the maps it names, all as they are now, and nothing kept from before.

    Raises
    ------
    InputError, RefusedError
        The compiler's messages on them.
    """
    path = site.folder_files.path(BRIDGE)
    if not path.is_file():
        raise InputError(f"there is no {BRIDGE} here; write one in the Bridge view or with: swapbridge new")
    bridge, maps = bridge_and_maps(site, saved_bridge(site))
    return compile_bridge(bridge, maps).plan, maps


def _reads_as(new: Path, text: str) -> None:
    if new.read_bytes().decode("utf-8") != text:
        raise InputError(f"{BRIDGE} does not read back as it was written; nothing was replaced")


def _same_plan(plan: Plan, new: Path) -> None:
    if plan_from_json(new.read_text(encoding="utf-8")) != plan:
        raise InputError("the plan does not read back as it was compiled; nothing was replaced")


def checked(site: Site, text: str) -> CheckAnswer:
    """The compiler's messages on a bridge text, with their lines, and the bridge as a table."""
    faults: list[CompilerMessage] = []
    rows: list[BridgeRow] = []
    names: list[Pickable] = []
    if text.strip():
        site.heavy()
        try:
            bridge, maps = bridge_and_maps(site, text)
            names = pickable(maps)
            result = compile_bridge(bridge, maps)
        except SwapbridgeError as error:
            faults = [_fault(part, "refused") for part in _each(str(error))]
        else:
            faults = [_fault(str(w), "warning") for w in result.warnings]
            rows = sources(result.plan, maps)
    return _view(text, faults, rows, names)


def _view(
    text: str, faults: Sequence[CompilerMessage], rows: Sequence[BridgeRow] = (), names: Sequence[Pickable] = ()
) -> CheckAnswer:
    return {"faults": faults, "rows": rows, "tables": curves(text), "names": names, "functions": functions()}


def curves(text: str) -> list[TableCurve]:
    """Gauge tables of a bridge text that can be read as TOML."""
    try:
        tables = tomllib.loads(text).get("tables", {})
    except (tomllib.TOMLDecodeError, RecursionError):
        return []
    out: list[TableCurve] = []
    for name, table in tables.items() if isinstance(tables, dict) else ():
        points = table.get("points") if isinstance(table, dict) else None
        if isinstance(points, list) and all(_is_point(p) for p in points):
            out.append({"name": name, "x": str(table.get("x", "")), "y": str(table.get("y", "")), "points": points})
    return out


def with_curve(text: str, name: str, points: Any) -> str:
    """The bridge text with the points of one table replaced; everything else, comments too, stays as it is.

    Raises
    ------
    InputError
        There is no such table, it has no points array, or the points are no rising curve.
    """
    if (
        not isinstance(points, list)
        or not 2 <= len(points) <= MOST_CURVE_POINTS
        or not all(_is_point(p) for p in points)
    ):
        raise InputError(f"a table has 2 to {MOST_CURVE_POINTS} points of two numbers each")
    if any(b[0] <= a[0] for a, b in pairwise(points)):
        raise InputError(
            "the points of a table must rise from left to right: put the rows in order of the first column"
        )
    header = re.search(rf"^[ \t]*\[tables\.(?:{re.escape(name)}|\"{re.escape(name)}\")\][^\n]*$", text, re.MULTILINE)
    if header is None:
        raise InputError(f"the bridge file has no [tables.{name}] of its own line; edit it in the text")
    after = re.compile(r"^[ \t]*\[", re.MULTILINE).search(text, header.end())
    end = after.start() if after else len(text)
    key = re.compile(r"^([ \t]*points[ \t]*=[ \t]*)\[", re.MULTILINE).search(text, header.end(), end)
    if key is None:
        raise InputError(f"[tables.{name}] has no points array; edit it in the text")
    close = _matching(text, key.end() - 1)
    written = ", ".join(f"[{_plain(x)}, {_plain(y)}]" for x, y in points)
    return f"{text[: key.end() - 1]}[{written}]{text[close + 1 :]}"


def _matching(text: str, start: int) -> int:
    depth = 0
    for at in range(start, len(text)):
        depth += {"[": 1, "]": -1}.get(text[at], 0)
        if depth == 0:
            return at
    raise InputError("the points array is never closed; edit it in the text")


def _is_point(value: Any) -> bool:
    return isinstance(value, list) and len(value) == 2 and all(type(v) in (int, float) and abs(v) < 1e9 for v in value)


def _plain(value: float) -> str:
    return f"{value:.6f}".rstrip("0").rstrip(".")


def _each(refused: str) -> list[str]:
    """The refusals of a text that may list several under headings, each then a line of its own set in."""
    lines = [line for line in refused.split("\n") if line.strip()]
    listed = [line.strip() for line in lines if line.startswith(("  ", "and "))]
    return listed or lines


def _fault(text: str, level: str) -> CompilerMessage:
    found = _PLACE.match(text)
    if found is None:
        return {"level": level, "line": None, "column": 1, "words": text}
    where = Path(found["file"]).name
    words = found["words"] if where == BRIDGE else f"{where}, line {found['line']}: {found['words']}"
    line = int(found["line"]) if where == BRIDGE else None
    return {"level": level, "line": line, "column": int(found["column"] or 1), "words": words}
