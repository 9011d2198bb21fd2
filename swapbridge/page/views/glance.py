"""Page room: the glance view."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from swapbridge.page.bench import Bench


def routes(bench: Bench) -> list[Route]:
    """Routes of the glance view."""

    def show(request: Request) -> Response:
        return bench.page(request, "glance.html")

    return [Route("/", show)]
