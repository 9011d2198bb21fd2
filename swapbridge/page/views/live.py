"""Page room: the live view."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from swapbridge.page.bench import Bench


def routes(bench: Bench) -> list[Route]:
    """Routes of the live view."""

    def show(request: Request) -> Response:
        return bench.page(request, "live.html")

    return [Route("/live", show)]
