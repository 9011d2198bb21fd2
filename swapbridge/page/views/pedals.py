"""Page room: the phone at the pedals: what to do now in large letters, Next and Stop, and nothing else."""

from __future__ import annotations

import segno
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from swapbridge.core.errors import InputError, RefusedError
from swapbridge.page.guard import NEXT_PATH, PEDALS
from swapbridge.page.requests import PageRequest
from swapbridge.page.site import Posted, Site, answer

STANDS_KMH = 1.0
"""Below this a vehicle stands: speeds are sent with some noise at rest."""


def routes(site: Site) -> list[Route]:
    """Routes of the phone."""

    def show(request: Request) -> Response:
        return site.page(request, "pedals.html")

    def link(request: Request, asked: PageRequest) -> Response:
        if not request.state.session.local:
            raise RefusedError("a phone can only be let in on the machine itself")
        address = site.phone_link()
        if address is None:
            raise InputError(
                "the page is open to this machine only: start it with swapbridge page --share and this machine's "
                "address on the network that the phone is on"
            )
        return answer({"link": address, "code": code_rows(address)})

    def press(request: Request, asked: PageRequest) -> Response:
        speed = site.live_control.speed_kmh()
        if speed is not None and abs(speed) > STANDS_KMH:
            raise RefusedError(
                f"the vehicle is moving ({speed:.0f} km/h): the driver never operates the phone; stop first"
            )
        site.live_control.press("next")
        return answer({"pressed": "next"})

    return [
        Route(PEDALS, show),
        Posted("/api/live/phone", PageRequest, link),
        Posted(NEXT_PATH, PageRequest, press),
    ]


def code_rows(text: str) -> list[str]:
    """A text as a QR code: rows of 1 for dark and 0 for light, with the quiet zone around it."""
    rows = segno.make(text, error="m", micro=False).matrix_iter(border=4)
    return ["".join("1" if cell else "0" for cell in row) for row in rows]
