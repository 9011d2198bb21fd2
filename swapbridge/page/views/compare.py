"""Page room: the compare view: two captures side by side: what appeared, vanished, changed."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from swapbridge.capture.naming import kind_of
from swapbridge.page.answers import BitsAnswer, BitsSide, CompareAnswer, MissingRow
from swapbridge.page.site import Site, answer
from swapbridge.page.views.axis import Asked
from swapbridge.page.views.capture import period_ms, surveyed
from swapbridge.surveying.compare import Missing, compare_surveys
from swapbridge.surveying.survey_result import IdentifierSurvey


def routes(site: Site) -> list[Route]:
    """Routes of the compare view."""

    def show(request: Request) -> Response:
        before, after = useful_pair([item.name for item in site.folder_files.captures()])
        return site.page(request, "compare.html", before=before, after=after)

    def differences(request: Request) -> Response:
        return answer(_differences(site, request.query_params.get("a", ""), request.query_params.get("b", "")))

    def bits(request: Request) -> Response:
        values = request.query_params
        a, b = (Asked(site, values, values.get(key, "")) for key in ("a", "b"))
        reply: BitsAnswer = {
            "seconds": max(a.capture.duration_s, b.capture.duration_s),
            "before": _bits(site, a),
            "after": _bits(site, b),
        }
        return answer(reply)

    return [
        Route("/compare", show),
        Route("/api/compare", differences),
        Route("/api/compare/bits", bits),
    ]


def _bits(site: Site, asked: Asked) -> BitsSide | None:
    key = asked.found
    if key is None:
        return None
    name = (asked.bus, key.identifier, key.extended)
    seen = next(s for s in surveyed(site, asked.name).identifiers if s.key == name)
    return {
        "frames": seen.frames,
        "states": bit_states(seen),
        "span": asked.span_s,
        "picture": asked.bits(key),
    }


def bit_states(seen: IdentifierSurvey) -> str:
    """A character for each bit, by DBC bit number: ``~`` where it moves, else the 0 or 1 that it stands at."""
    moves = seen.flips > 0
    return "".join(
        "~" if moves[bit] else str(seen.payload[bit // 8] >> (bit % 8) & 1) for bit in range(8 * len(seen.payload))
    )


def useful_pair(names: list[str]) -> tuple[str, str]:
    """The two captures most worth comparing: a vehicle's as it was and with a computer unplugged, else first and last.

    What a recording is of, `swapbridge.capture.naming` says.
    """
    kinds = {name: kind_of(name) for name in names}
    for after, kind in kinds.items():
        if kind.endswith(" unplugged"):
            before = next((name for name in names if kinds[name] == kind.removesuffix(" unplugged")), None)
            if before is not None:
                return before, after
    return (names[0], names[-1]) if names else ("", "")


def _differences(site: Site, a: str, b: str) -> CompareAnswer:
    found = compare_surveys(surveyed(site, a), surveyed(site, b))
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


def _one(missing: Missing) -> MissingRow:
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
