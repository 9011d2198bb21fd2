"""Page room: the draft view: every drafted line, with draft's comment, to accept, refuse or edit."""

from __future__ import annotations

import datetime
import json
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from swapbridge.capture.naming import WANTED, kind_of
from swapbridge.compiler.compile import compile_bridge
from swapbridge.compiler.review import marks
from swapbridge.core.errors import InputError
from swapbridge.core.needs import load_needs
from swapbridge.core.progress import Progress
from swapbridge.language.reading import parse_bridge
from swapbridge.page.answers import DraftAnswer, DraftRow, DraftTogetherAnswer, DrawnAnswer
from swapbridge.page.keeping import ChangedError
from swapbridge.page.requests import DraftBeside, DraftDecision, DraftTakeBack, DraftTogether, Versioned
from swapbridge.page.site import Posted, Site, answer, stamp_of
from swapbridge.page.views.bridge import bridge_and_maps, bridge_file
from swapbridge.signalmap.dbc_read import load_map
from swapbridge.swapfolder.draft_lines import (
    acceptable_together,
    accepted_text,
    accepted_together_text,
    edited_text,
    lines_of,
    refused_text,
    taken_back_text,
)
from swapbridge.swapfolder.drafting import (
    BUSES,
    DRAWN,
    OUTLOOK,
    draft_recordings,
    has_no_donor,
    make_draft,
    outlook_without_donor,
)
from swapbridge.swapfolder.paths import BRIDGE, NEEDS, SwapFolder
from swapbridge.swapfolder.proving import captures_of, read_captures, stimuli_of
from swapbridge.swapfolder.reviewing import review_lines


def routes(site: Site) -> list[Route]:
    """Routes of the draft view."""

    def show(request: Request) -> Response:
        found = {kind_of(item.name) for item in site.folder_files.captures()}
        missing = [words for kind, words in WANTED.items() if kind not in found]
        host_only = has_no_donor(draft_recordings(SwapFolder(site.folder_files.folder)))
        return site.page(request, "draft.html", missing=missing, host_only=host_only)

    def read(request: Request) -> Response:
        return answer(_view(site))

    def decision(request: Request, asked: DraftDecision) -> Response:
        name, decided = asked.name, asked.decision
        path, seen = site.folder_files.path(BRIDGE), asked.version
        text, _ = bridge_file(site)
        on = datetime.date.today().isoformat()
        _, maps = bridge_and_maps(site, text)
        if decided == "accept":
            new = accepted_text(text, path, name, on, maps)
        elif decided == "refuse":
            new = refused_text(text, path, [name], on)
        else:
            if asked.value is None or asked.fallback is None:
                raise InputError("an edit has a rule and a safe answer; load the page again")
            new = edited_text(text, path, name, (asked.value, asked.fallback), on, maps)
        site.keeper.write(path, new.encode("utf-8"), what=f"{decided} {name}", seen=seen, check=_reads_back)
        return answer(_view(site))

    def together(request: Request, asked: DraftTogether) -> Response:
        path, on = site.folder_files.path(BRIDGE), datetime.date.today().isoformat()
        text, _ = bridge_file(site)
        _, maps = bridge_and_maps(site, text)
        new, names = accepted_together_text(text, path, asked.confidence, on, maps)
        what = f"accept {len(names)} lines together" if len(names) > 1 else f"accept {names[0]}"
        site.keeper.write(path, new.encode("utf-8"), what=what, seen=asked.version, check=_reads_back)
        return answer(DraftTogetherAnswer(accepted=names, view=_view(site)))

    def take_back(request: Request, asked: DraftTakeBack) -> Response:
        path = site.folder_files.path(BRIDGE)
        new = taken_back_text(bridge_file(site)[0], path, asked.names)
        what = f"take back {asked.names[0] if len(asked.names) == 1 else f'{len(asked.names)} lines'}"
        site.keeper.write(path, new.encode("utf-8"), what=what, seen=asked.version, check=_reads_back)
        return answer(_view(site))

    def beside(request: Request, asked: DraftBeside) -> Response:
        name = asked.name
        site.heavy()

        def work(progress: Progress) -> dict[str, Any]:
            progress(0.1, "compiling")
            bridge, maps = bridge_and_maps(site, bridge_file(site)[0])
            mark = next((m for m in marks(bridge, maps) if m.name == name), None)
            if mark is None:
                return {"lines": [f"{name} asks for no review: nothing that moves a torque depends on it."]}
            result = compile_bridge(bridge, maps)
            progress(0.4, "playing the recordings")
            files = captures_of(site.folder_files.folder, [b.name for b in bridge.buses])[0]
            return {"lines": review_lines(mark, bridge, result, maps, read_captures(files), stimuli_of(files))}

        return answer({"job": site.jobs.start("Recorded against made", work).key})

    def make(request: Request, asked: Versioned) -> Response:
        seen = asked.version
        site.heavy()
        return answer({"job": site.jobs.start("Drafting", lambda progress: _make(site, seen, progress)).key})

    def drawn(request: Request) -> Response:
        return answer(_drawn(site, request.query_params.get("name", "")))

    return [
        Route("/draft", show),
        Route("/api/draft", read),
        Route("/api/draft/drawn", drawn),
        Posted("/api/draft/make", Versioned, make),
        Posted("/api/draft/decide", DraftDecision, decision),
        Posted("/api/draft/together", DraftTogether, together),
        Posted("/api/draft/take-back", DraftTakeBack, take_back),
        Posted("/api/draft/beside", DraftBeside, beside),
    ]


def _make(site: Site, seen: str, progress: Progress) -> dict[str, Any]:
    """`swapbridge draft` over the folder: what a person may have written is a step to undo, the rest is made anew."""
    files, keeper = site.folder_files, site.keeper
    folder = SwapFolder(files.folder)
    kept = [files.path(BRIDGE), files.path(NEEDS), *(files.map_path(f"{bus}.dbc") for bus in BUSES)]
    versions = {path: keeper.version(path) for path in kept}
    if versions[kept[0]] != seen:
        raise ChangedError(f"{BRIDGE} was changed since this view was loaded: load it again, then draft")
    captures, found = {}, draft_recordings(folder)
    for kind, recording in found.items():
        files.check_stimulus(recording.path)
        captures[kind] = files.capture(recording.path.name)
    if has_no_donor(found):
        for path, content in outlook_without_donor(folder, captures, progress=progress).files.items():
            keeper.derive(files.path(*path.relative_to(files.folder).parts), content)
        return {"changes": []}
    made = make_draft(folder, captures, progress=progress)
    checks = {kept[0]: _reads_back, kept[1]: load_needs, **dict.fromkeys(kept[2:], load_map)}
    made_of = {files.path(*path.relative_to(files.folder).parts): content for path, content in made.files.items()}
    for path, content in made_of.items():
        if path not in versions:
            keeper.derive(path, content)
    for path in reversed(kept):  # the bridge file last: it names the maps
        keeper.write(path, made_of[path], what="draft from the recordings", seen=versions[path], check=checks[path])
    return {"changes": list(made.changes)}


def _drawn(site: Site, name: str) -> DrawnAnswer:
    """A drafted line as draft drew it: recorded against made."""
    path = site.folder_files.path(*DRAWN.parts)
    none = DrawnAnswer(value="", unit="", held_out=False, times=[], recorded=[], made=None)
    if not path.is_file():
        return none
    found = site.remember("drawn", stamp_of(path), lambda: _read_drawn(path)).get(name)
    return none if found is None else found


def _read_drawn(path: Path) -> dict[str, DrawnAnswer]:
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
        return {
            str(one["name"]): DrawnAnswer(
                value=str(one["value"]), unit=str(one["unit"]), held_out=bool(one["held_out"]),
                times=_numbers(one["time_s"]), recorded=_numbers(one["recorded"]),
                made=None if one["made"] is None else _numbers(one["made"]),
            )
            for one in found["fields"]
        }  # fmt: skip
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        raise InputError(f"{path.name} can't be read as draft's pictures ({error}); draft again") from None


def _numbers(values: Any) -> list[float]:
    return [float(value) for value in values]


def _view(site: Site) -> DraftAnswer:
    """Every line with what waits for a review, and the version of the file that they were read from."""
    path = site.folder_files.path(BRIDGE)
    text, version = bridge_file(site)
    waiting: list[str] = []
    together: set[str] = set()
    trouble = ""
    found = lines_of(text, str(path))
    try:
        if found:
            bridge, maps = bridge_and_maps(site, text)
            waiting = [m.name for m in marks(bridge, maps) if not m.is_reviewed]
            together = {line.name for line in acceptable_together(text, path, maps)}
    except InputError as error:  # the lines can be read all the same
        trouble = str(error)
    lines = [
        DraftRow(
            name=one.name, message=one.message, signal=one.signal, value=one.value, fallback=one.fallback,
            role=one.role, sentence=one.sentence, sure=one.sure, open=one.is_open, waits=one.name in waiting,
            together=one.name in together, unseen=one.unseen,
        )
        for one in found
    ]  # fmt: skip
    return DraftAnswer(
        version=version, undo=site.keeper.last_step(path), waiting=waiting, trouble=trouble, lines=lines,
        outlook=_outlook(site),
    )  # fmt: skip


def _outlook(site: Site) -> list[str]:
    """The last draft's outlook on the whole swap."""
    path = site.folder_files.path(*OUTLOOK.parts)
    if not path.is_file():
        return []
    try:
        return [str(line) for line in json.loads(path.read_text(encoding="utf-8"))["outlook"]]
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        raise InputError(f"{path.name} can't be read as draft's outlook ({error}); draft again") from None


def _reads_back(new: Path) -> None:
    parse_bridge(new.read_text(encoding="utf-8"), str(new))
