"""Page room: what the views share: the folder's files, running jobs, things made once, and small answers."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field, is_dataclass
from pathlib import Path
from typing import Any, TypeVar

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route
from starlette.templating import Jinja2Templates

from swapbridge.capture.naming import kind_of
from swapbridge.core.errors import InputError, RefusedError
from swapbridge.page.folder_files import FolderFiles
from swapbridge.page.guard import PageSession
from swapbridge.page.jobs import Jobs
from swapbridge.page.keeping import Keeper
from swapbridge.page.live_control import LiveControl
from swapbridge.page.once import Once
from swapbridge.page.requests import PageRequest, decoded
from swapbridge.page.strips import FramesByIdentifier, sorted_frames

MOST_BODY_BYTES = 4 * 1024 * 1024
RequestType = TypeVar("RequestType", bound=PageRequest)

VIEWS = (
    ("/", "Swap", "The swap at a glance"),
    ("/sheets", "Sheets", "Engine health, and what each module waits for"),
    ("/capture", "Capture", "What a bus says over time"),
    ("/guess", "Guess", "Claims and their evidence"),
    ("/compare", "Compare", "What changed between two captures"),
    ("/modules", "Modules", "What the modules say: fault codes, before and after"),
    ("/draft", "Draft", "Drafted lines, to accept, refuse or edit"),
    ("/bridge", "Bridge", "Where each host signal comes from"),
    ("/prove", "Prove", "The verdict"),
    ("/live", "Live", "Recording and running"),
    ("/guide", "Guides", "Short pages for the garage and the reference"),
)


@dataclass(slots=True)
class Site:
    """Everything one running page holds; all of it can be made again from the folder."""

    folder_files: FolderFiles
    jobs: Jobs
    templates: Jinja2Templates
    live_control: LiveControl = field(init=False)
    keeper: Keeper = field(init=False)
    memory: Once = field(default_factory=Once)
    phone_link: Callable[[], str | None] = lambda: None
    """A fresh link for one phone; None while the page is not shared."""

    def __post_init__(self) -> None:
        self.live_control = LiveControl(self.folder_files.folder)
        self.keeper = Keeper(self.folder_files.folder)
        self.keeper.tidy()
        self.jobs.allowed = self.folder_files.allowed = self.heavy

    def heavy(self) -> None:
        """Refuse heavy work while frames are sent to a vehicle: it would take the processor from the translator.

        Raises
        ------
        RefusedError
            The translator is sending.
        """
        if self.live_control.sending:
            raise RefusedError("the translator is sending, and this would take the processor from it; stop it first")

    def page(self, request: Request, template: str, **values: Any) -> Response:
        """A rendered page with what every page needs."""
        session: PageSession = request.state.session
        captures = self.folder_files.captures()
        shared = {
            "views": VIEWS,
            "here": request.url.path,
            "folder": self.folder_files.folder.name,
            "form_token": session.form_token,
            "may_write": session.may_write,
            "local": session.local,
            "captures": captures,
            "chief": chief_capture([item.name for item in captures]),
            "troubles": self.folder_files.troubles(),
            "is_sending": self.live_control.sending,
        }
        text = self.templates.get_template(template).render({**shared, **values})
        return HTMLResponse(text.encode("utf-8", "replace"))  # a name on the disk may be in no encoding at all

    def frames(self, name: str) -> FramesByIdentifier:
        """A capture's frames by identifier and time, sorted once."""
        stamp = stamp_of(self.folder_files.capture_file(name).path)
        found = self.remember(f"frames {name}", stamp, lambda: sorted_frames(self.folder_files.capture(name)))
        assert isinstance(found, FramesByIdentifier)
        return found

    def remember(self, key: str, stamp: object, make: Callable[[], Any]) -> Any:
        """A value made once for each stamp (a file's age and size), however many ask at once."""
        return self.memory.value(key, stamp, make)


def chief_capture(names: list[str]) -> str:
    """The capture that a view begins with: the donor in its own vehicle, else the host with its old engine, else the
    first."""
    kinds = {kind_of(name): name for name in reversed(names)}
    return next((kinds[kind] for kind in ("donor", "host") if kind in kinds), names[0] if names else "")


def answer(value: Any) -> Response:
    """Plain data or an answer's dataclass for the page's scripts; a number that JSON has not becomes null."""
    plain = asdict(value) if is_dataclass(value) and not isinstance(value, type) else value
    try:
        text = json.dumps(plain, allow_nan=False, separators=(",", ":"))
    except ValueError:
        text = json.dumps(_finite(plain), allow_nan=False, separators=(",", ":"))
    return Response(text, media_type="application/json")


def whole(text: str) -> str:
    """Text with whatever no encoding can say replaced, so that it can be shown."""
    return text.encode("utf-8", "replace").decode("utf-8")


def _finite(value: Any) -> Any:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {key: _finite(item) for key, item in value.items()}
    return [_finite(item) for item in value] if isinstance(value, list | tuple) else value


async def body(request: Request) -> bytes:
    """What a script sent.

    Raises
    ------
    InputError
        It is too long.
    """
    content = b""
    async for piece in request.stream():
        content += piece
        if len(content) > MOST_BODY_BYTES:
            raise InputError("this request is larger than 4 MB; do it on the command line")
    return content


class Posted(Route):
    """A route for what a script sends: the work is done in a thread, never in the loop that serves everybody.

    Parameters
    ----------
    path : str
    kind : type
        What the request is held to.
    work : callable
        Takes the request and what was sent, and returns the response.
    """

    def __init__(self, path: str, kind: type[RequestType], work: Callable[[Request, RequestType], Response]) -> None:
        async def route(request: Request) -> Response:
            return await run_in_threadpool(work, request, decoded(await body(request), kind))

        super().__init__(path, route, methods=["POST"])
        self.kind: type[PageRequest] = kind


def stamp_of(path: Path) -> tuple[int, int]:
    """What changes when a file changes."""
    stat = path.stat()
    return stat.st_mtime_ns, stat.st_size
