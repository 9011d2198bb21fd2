"""Page room: the web application: routes, error answers, static files, behind the guard."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.templating import Jinja2Templates

from swapbridge.core.errors import SwapbridgeError
from swapbridge.page.bench import Bench, answer
from swapbridge.page.guard import Guard
from swapbridge.page.jobs import Jobs
from swapbridge.page.shelf import Shelf
from swapbridge.page.views import bridge, capture, compare, glance, guess, guide, live, modules, prove

HERE = Path(__file__).parent
Endpoint = Callable[[Request], Response]


def make_app(
    folder: Path, *, hosts: Iterable[str], share_token: str | None = None, remote_may_write: bool = False
) -> Guard:
    """The bench page over one swap folder, as an ASGI application.

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
    bench = Bench(Shelf(folder), Jobs(), Jinja2Templates(directory=HERE / "templates"))
    bench.templates.env.autoescape = True
    routes = [
        Route("/api/jobs/{key}", _job(bench)),
        Route("/api/jobs/{key}/cancel", _cancel(bench), methods=["POST"]),
        Route("/api/undo", _undo(bench), methods=["POST"]),
        Mount("/static", StaticFiles(directory=HERE / "static")),
    ]
    for view in (glance, capture, guess, compare, bridge, prove, modules, live, guide):
        routes += view.routes(bench)
    app = Starlette(
        routes=routes, exception_handlers={SwapbridgeError: _explain, HTTPException: _missing, Exception: _broken}
    )
    app.state.bench = bench
    return Guard(app, hosts=hosts, share_token=share_token, remote_may_write=remote_may_write)


def _explain(request: Request, error: Exception) -> Response:
    if request.url.path.startswith("/api/"):
        return JSONResponse({"error": str(error)}, status_code=400)
    return PlainTextResponse(f"{error}\n", status_code=400)


def _missing(request: Request, error: Exception) -> Response:
    status = error.status_code if isinstance(error, HTTPException) else 500
    words = {404: "there is no such page here", 405: "this can't be asked for that way"}.get(status, "refused")
    if request.url.path.startswith("/api/"):
        return JSONResponse({"error": words}, status_code=status)
    return PlainTextResponse(f"{words}\n", status_code=status)


def _broken(request: Request, error: Exception) -> Response:
    """Our own fault: said to the person, and raised again so that the command's log has it."""
    return JSONResponse({"error": f"this should not happen: {type(error).__name__}: {error}"}, status_code=500)


def _job(bench: Bench):  # type: ignore[no-untyped-def]
    def job(request: Request) -> Response:
        found = bench.jobs.get(request.path_params["key"])
        return answer(found.to_dict()) if found else JSONResponse({"error": "no such job"}, status_code=404)

    return job


def _cancel(bench: Bench):  # type: ignore[no-untyped-def]
    def cancel(request: Request) -> Response:
        return answer({"cancelled": bench.jobs.cancel(request.path_params["key"])})

    return cancel


def _undo(bench: Bench):  # type: ignore[no-untyped-def]
    def undo(request: Request) -> Response:
        return answer({"undone": bench.take_back()})

    return undo
