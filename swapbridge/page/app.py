"""Page room: the web application: routes, error answers, static files, behind the guard."""

from __future__ import annotations

import mimetypes
from collections.abc import Callable, Iterable
from pathlib import Path

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.templating import Jinja2Templates

from swapbridge.core.errors import InputError, SwapbridgeError
from swapbridge.page.folder_files import FolderFiles
from swapbridge.page.guard import RequestGuard
from swapbridge.page.jobs import Jobs
from swapbridge.page.keeping import ChangedError
from swapbridge.page.requests import Undo
from swapbridge.page.site import Posted, Site, answer, whole
from swapbridge.page.views import (
    axis,
    bridge,
    capture,
    compare,
    draft,
    guess,
    guide,
    live,
    modules,
    overview,
    pedals,
    prove,
    sheets,
)
from swapbridge.swapfolder.paths import BRIDGE, HEALTH, NEEDS

HERE = Path(__file__).parent
_KINDS = {".js": "text/javascript", ".css": "text/css", ".svg": "image/svg+xml"}
"""What our static files are. Windows keeps its own list, where other programs often make a script plain text, and no
browser runs that."""


def make_app(
    folder: Path, *, hosts: Iterable[str], share_token: str | None = None, remote_may_write: bool = False
) -> RequestGuard:
    """The browser page over one swap folder, as an ASGI application.

    Parameters
    ----------
    folder : Path
        The swap folder.
    hosts : iterable of str
        Host header values that are ours (``127.0.0.1:8321``).
    share_token : str or None
        One-time token for a browser on another machine.
    remote_may_write : bool
        Whether such a browser may change files.

    Raises
    ------
    InputError
        The folder is not there.
    """
    for ending, kind in _KINDS.items():
        mimetypes.add_type(kind, ending)
    site = Site(FolderFiles(folder), Jobs(), Jinja2Templates(directory=HERE / "templates"))
    site.templates.env.autoescape = True
    routes = [
        Route("/api/jobs/{key}", _job(site)),
        Route("/api/jobs/{key}/cancel", _cancel(site), methods=["POST"]),
        Posted("/api/undo", Undo, _undo(site)),
        Mount("/static", StaticFiles(directory=HERE / "static")),
    ]
    for view in (overview, sheets, capture, axis, guess, compare, draft, bridge, prove, modules, live, pedals, guide):
        routes += view.routes(site)
    app = Starlette(
        routes=routes,
        exception_handlers={
            SwapbridgeError: _explain,
            RecursionError: _too_deep,
            HTTPException: _missing,
            Exception: _broken,
        },
    )
    app.state.site = site
    guard = RequestGuard(app, hosts=hosts, share_token=share_token, remote_may_write=remote_may_write)
    site.phone_link = guard.phone_link
    return guard


def _explain(request: Request, error: Exception) -> Response:
    if request.url.path.startswith("/api/"):
        changed = isinstance(error, ChangedError)
        return JSONResponse({"error": whole(str(error)), "changed": changed}, status_code=409 if changed else 400)
    return PlainTextResponse(f"{whole(str(error))}\n", status_code=400)


def _too_deep(request: Request, error: Exception) -> Response:
    """A file or request nested thousands deep, which no reader of ours follows."""
    return _explain(
        request, InputError("this is nested too deeply to be read; correct the file, or load the page again")
    )


def _missing(request: Request, error: Exception) -> Response:
    status = error.status_code if isinstance(error, HTTPException) else 500
    words = {404: "there is no such page here", 405: "this can't be asked for that way"}.get(status, "refused")
    if request.url.path.startswith("/api/"):
        return JSONResponse({"error": words}, status_code=status)
    return PlainTextResponse(f"{words}\n", status_code=status)


def _broken(request: Request, error: Exception) -> Response:
    """Our own fault: said to the person, and raised again so that the command's log has it."""
    return JSONResponse({"error": f"this should not happen: {type(error).__name__}: {error}"}, status_code=500)


def _job(site: Site):  # type: ignore[no-untyped-def]
    def job(request: Request) -> Response:
        found = site.jobs.get(request.path_params["key"])
        return answer(found.to_dict()) if found else JSONResponse({"error": "no such job"}, status_code=404)

    return job


def _cancel(site: Site):  # type: ignore[no-untyped-def]
    def cancel(request: Request) -> Response:
        return answer({"cancelled": site.jobs.cancel(request.path_params["key"])})

    return cancel


def _undo(site: Site) -> Callable[[Request, Undo], Response]:
    def undo(request: Request, asked: Undo) -> Response:
        path = undoable(site, asked.file)
        undone, version = site.keeper.take_back(path, asked.version)
        return answer({"undone": undone, "version": version})

    return undo


def undoable(site: Site, name: str) -> Path:
    """A file whose steps can be undone: the bridge file, a sheet, or a map by its plain name."""
    return site.folder_files.path(name) if name in (BRIDGE, NEEDS, HEALTH) else site.folder_files.map_path(name)
