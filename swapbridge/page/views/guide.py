"""Page room: the guides, the same pages as `swapbridge guide` prints."""

from __future__ import annotations

from markdown_it import MarkdownIt
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from swapbridge.guides.guide_pages import REFERENCE, STAGES, page_text, page_title
from swapbridge.page.site import Site


def routes(site: Site) -> list[Route]:
    """Routes of the guides."""
    markdown = MarkdownIt("commonmark", {"html": False}).enable("table")

    def overview(request: Request) -> Response:
        groups = [
            (words, [(name, page_title(name)) for name in names])
            for words, names in (("In the order of the work", STAGES), ("To look things up", REFERENCE))
        ]
        return site.page(request, "guides.html", groups=groups)

    def show(request: Request) -> Response:
        name = request.path_params["name"]
        heading, _, text = page_text(name).partition("\n")
        # our own pages, rendered without HTML of their own: nothing of the swap folder reaches this
        body = Markup(markdown.render(text))
        return site.page(request, "guide.html", heading=heading.lstrip("# "), body=body)

    return [Route("/guide", overview), Route("/guide/{name}", show)]
