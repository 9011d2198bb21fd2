"""Page room: what the views share: the shelf of files, running jobs, findings, undo, and small answers."""

from __future__ import annotations

import json
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.templating import Jinja2Templates

from swapbridge.core.errors import InputError, RefusedError
from swapbridge.core.files import written_whole
from swapbridge.page.desk import Desk
from swapbridge.page.guard import Session
from swapbridge.page.jobs import Jobs
from swapbridge.page.shelf import Shelf

MOST_UNDO = 50
MOST_BODY_BYTES = 4 * 1024 * 1024

VIEWS = (
    ("/", "Swap", "The swap at a glance"),
    ("/capture", "Capture", "What a bus says over time"),
    ("/guess", "Guess", "Claims and their evidence"),
    ("/compare", "Compare", "What changed between two captures"),
    ("/modules", "Modules", "What the modules say: fault codes, before and after"),
    ("/bridge", "Bridge", "Where each host signal comes from"),
    ("/prove", "Prove", "The verdict"),
    ("/live", "Live", "Recording and running"),
    ("/guide", "Guides", "Short pages for the garage and the reference"),
)


@dataclass(slots=True)
class Bench:
    """Everything one running page holds; all of it can be made again from the folder."""

    shelf: Shelf
    jobs: Jobs
    templates: Jinja2Templates
    desk: Desk = field(init=False)
    undo: list[tuple[str, dict[Path, bytes | None]]] = field(default_factory=list)
    memory: dict[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.desk = Desk(self.shelf.folder)
        self.jobs.allowed = self.shelf.allowed = self.heavy

    def heavy(self) -> None:
        """Refuse heavy work while frames are sent to a vehicle: it would take the processor from the translator.

        Raises
        ------
        RefusedError
            The translator is sending.
        """
        if self.desk.sending:
            raise RefusedError("the translator is sending, and this would take the processor from it; stop it first")

    def page(self, request: Request, template: str, **values: Any) -> Response:
        """A rendered page with what every page needs."""
        session: Session = request.state.session
        return self.templates.TemplateResponse(
            request,
            template,
            {
                "views": VIEWS,
                "here": request.url.path,
                "folder": self.shelf.folder.name,
                "form_token": session.form_token,
                "may_write": session.may_write,
                "local": session.local,
                "captures": self.shelf.captures(),
                "sending": self.desk.sending,
                **values,
            },
        )

    def write(self, what: str, files: dict[Path, bytes]) -> None:
        """Replace files as one step that can be undone; each is replaced whole or not at all."""
        before = {path: path.read_bytes() if path.exists() else None for path in files}
        for path, content in files.items():
            _replace(path, content)
        self.undo.append((what, before))
        del self.undo[:-MOST_UNDO]

    def take_back(self) -> str:
        """Undo the last step and say which it was.

        Raises
        ------
        InputError
            There is nothing to undo.
        """
        if not self.undo:
            raise InputError("there is nothing to undo")
        what, before = self.undo.pop()
        for path, content in before.items():
            if content is None:
                path.unlink(missing_ok=True)
            else:
                _replace(path, content)
        return what

    def remember(self, key: str, stamp: object, make: Callable[[], Any]) -> Any:
        """A value made once for each stamp (a file's age and size) and kept until the stamp changes."""
        kept = self.memory.get(key)
        if kept is None or kept[0] != stamp:
            kept = (stamp, make())
            self.memory[key] = kept
        return kept[1]


def answer(value: Any) -> JSONResponse:
    """Plain data for the page's scripts."""
    return JSONResponse(value)


async def body(request: Request) -> dict[str, Any]:
    """The JSON object that a script sent.

    Raises
    ------
    InputError
        It is too long, or no JSON object.
    """
    content = b""
    async for piece in request.stream():
        content += piece
        if len(content) > MOST_BODY_BYTES:
            raise InputError("this request is larger than 4 MB; do it on the command line")
    try:
        value = json.loads(content)
    except ValueError as error:
        raise InputError(f"the request is no JSON ({error}); load the page again") from None
    if not isinstance(value, dict):
        raise InputError("the request is no JSON object; load the page again")
    return value


def posted(work: Callable[[Request, dict[str, Any]], Response]) -> Callable[[Request], Awaitable[Response]]:
    """A route for what a script sends: the work is done in a thread, never in the loop that serves everybody."""

    async def route(request: Request) -> Response:
        return await run_in_threadpool(work, request, await body(request))

    return route


def text_of(values: dict[str, Any], key: str, most: int = 300) -> str:
    """A text value of a request.

    Raises
    ------
    InputError
        It is missing, no text or too long.
    """
    value = values.get(key)
    if not isinstance(value, str) or len(value) > most:
        raise InputError(f"{key} is missing or too long")
    return value


def stamp_of(path: Path) -> tuple[int, int]:
    """What changes when a file changes."""
    stat = path.stat()
    return stat.st_mtime_ns, stat.st_size


def _replace(path: Path, content: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with written_whole(path) as place:
        place.write_bytes(content)
