"""Page room: the compare view: two captures side by side: what appeared, vanished, changed."""

from __future__ import annotations

from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from swapbridge.page.bench import Bench, answer
from swapbridge.page.views.capture import period_ms, surveyed
from swapbridge.survey import Missing, compare_surveys


def routes(bench: Bench) -> list[Route]:
    """Routes of the compare view."""

    def show(request: Request) -> Response:
        return bench.page(request, "compare.html")

    def differences(request: Request) -> Response:
        return answer(_differences(bench, request.query_params.get("a", ""), request.query_params.get("b", "")))

    return [Route("/compare", show), Route("/api/compare", differences)]


def _differences(bench: Bench, a: str, b: str) -> dict[str, Any]:
    found = compare_surveys(surveyed(bench, a), surveyed(bench, b))
    return {
        "appeared": [_one(m) for m in found.appeared],
        "vanished": [_one(m) for m in found.vanished],
        "changed": [
            {
                "id": c.after.name,
                "bus": c.after.bus,
                "changes": [{"words": d.words, "sure": d.sure} for d in c.changes],
            }
            for c in found.changed
        ],
        "same": found.same,
        "remarks": list(found.remarks),
    }


def _one(missing: Missing) -> dict[str, Any]:
    seen = missing.identifier
    return {
        "id": seen.name,
        "bus": seen.bus,
        "frames": seen.frames,
        "period_ms": period_ms(seen),
        "length": seen.length,
        "sure": missing.sure,
        "hints": list(seen.hints),
    }
