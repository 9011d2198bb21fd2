"""Page room: the draft view: every drafted line, with what draft says of it, to accept, refuse or edit."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from swapbridge.compiler.compile import compile_bridge
from swapbridge.compiler.review import marks
from swapbridge.core.errors import InputError
from swapbridge.core.progress import Progress
from swapbridge.language.reading import parse_bridge
from swapbridge.page.answers import DraftAnswer, DraftLine
from swapbridge.page.bench import BenchPage, answer, field_text, posted, version_of
from swapbridge.page.views.bridge import bridge_and_maps, bridge_file
from swapbridge.swapfolder.answers import accepted_text, edited_text, lines_of, refused_text
from swapbridge.swapfolder.paths import BRIDGE
from swapbridge.swapfolder.proving import captures_of, read_captures
from swapbridge.swapfolder.reviewing import review_lines

MOST_RULE_TEXT = 4000


def routes(bench: BenchPage) -> list[Route]:
    """Routes of the draft view."""

    def show(request: Request) -> Response:
        return bench.page(request, "draft.html", report=(bench.folder_files.folder / "draft.html").is_file())

    def read(request: Request) -> Response:
        return answer(_view(bench))

    def say(request: Request, asked: dict[str, Any]) -> Response:
        name, said = field_text(asked, "name"), field_text(asked, "say", 10)
        path, seen = bench.folder_files.path(BRIDGE), version_of(asked)
        text, _ = bridge_file(bench)
        on = datetime.date.today().isoformat()
        _, maps = bridge_and_maps(bench, text)
        if said == "accept":
            new = accepted_text(text, path, name, on, maps)
        elif said == "refuse":
            new = refused_text(text, path, name, on)
        elif said == "edit":
            rule = field_text(asked, "value", MOST_RULE_TEXT), field_text(asked, "fallback", MOST_RULE_TEXT)
            new = edited_text(text, path, name, rule, on, maps)
        else:
            raise InputError(f"a line is answered by accept, refuse or edit, not by {said!r}")
        bench.keeper.write(path, new.encode("utf-8"), what=f"{said} {name}", seen=seen, check=_reads_back)
        return answer(_view(bench))

    def beside(request: Request, asked: dict[str, Any]) -> Response:
        name = field_text(asked, "name")
        bench.heavy()

        def work(progress: Progress) -> dict[str, Any]:
            progress(0.1, "compiling")
            bridge, maps = bridge_and_maps(bench, bridge_file(bench)[0])
            mark = next((m for m in marks(bridge, maps) if m.name == name), None)
            if mark is None:
                return {"lines": [f"{name} asks for no review: nothing that moves a torque hangs on it."]}
            result = compile_bridge(bridge, maps)
            progress(0.4, "playing the recordings")
            captures = read_captures(captures_of(bench.folder_files.folder, [b.name for b in bridge.buses])[0])
            return {"lines": review_lines(mark, bridge, result, maps, captures)}

        return answer({"job": bench.jobs.start("Recorded against made", work).key})

    return [
        Route("/draft", show),
        Route("/api/draft", read),
        Route("/api/draft/say", posted(say), methods=["POST"]),
        Route("/api/draft/beside", posted(beside), methods=["POST"]),
    ]


def _view(bench: BenchPage) -> DraftAnswer:
    """Every line with what waits for a review, and the version of the file that they were read from."""
    path = bench.folder_files.path(BRIDGE)
    text, version = bridge_file(bench)
    waiting, trouble = [], ""
    try:
        bridge, maps = bridge_and_maps(bench, text)
        waiting = [m.name for m in marks(bridge, maps) if not m.is_reviewed]
    except InputError as error:  # the lines can be read all the same
        trouble = str(error)
    lines = [
        DraftLine(
            name=one.name, message=one.message, signal=one.signal, value=one.value, fallback=one.fallback,
            role=one.role, said=one.said, open=one.is_open, waits=one.name in waiting,
        )
        for one in lines_of(text, str(path))
    ]  # fmt: skip
    return DraftAnswer(
        version=version, undo=bench.keeper.last_step(path), waiting=waiting, trouble=trouble, lines=lines
    )


def _reads_back(new: Path) -> None:
    parse_bridge(new.read_text(encoding="utf-8"), str(new))
