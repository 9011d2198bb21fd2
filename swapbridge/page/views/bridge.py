"""Page room: the bridge view."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from swapbridge.page.bench import Bench


def routes(bench: Bench) -> list[Route]:
    """Routes of the bridge view."""

    def show(request: Request) -> Response:
        return bench.page(request, "bridge.html")

    return [Route("/bridge", show)]
