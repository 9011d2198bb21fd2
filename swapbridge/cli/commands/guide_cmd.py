"""Command line: `swapbridge guide`: short pages inside the package, readable in the garage with no network."""

from __future__ import annotations

import re
from importlib.resources import files

import click
from rich.markdown import Markdown

from swapbridge.cli.screen.common import console, table
from swapbridge.core.cautions import Occasion, cautions_for
from swapbridge.core.errors import InputError

TOPICS = (
    "first-contact",
    "recordings",
    "reading-a-guess",
    "writing-a-bridge",
    "reading-a-verdict",
    "first-start",
    "gateway",
    "trouble",
)
"""In the order of the work."""

WRAP_COLUMNS = 78

_CAUTIONS = re.compile(r"<!-- cautions: (listen|ask|send|none) -->\n")
_OCCASIONS: dict[str, Occasion] = {"listen": "listen", "ask": "ask", "send": "send"}


def page_text(topic: str) -> str:
    """A page as Markdown, its cautions in front.

    Raises
    ------
    InputError
        There is no such page.
    """
    if topic not in TOPICS:
        raise InputError(f"there is no page {topic!r}; there are {', '.join(TOPICS)}")
    text = files("swapbridge.cli").joinpath("guides", f"{topic}.md").read_text(encoding="utf-8")
    found = _CAUTIONS.search(text)
    occasion = _OCCASIONS.get(found.group(1)) if found is not None else None
    boxes = [
        click.wrap_text(f"**{one.title}.** {one.text}", WRAP_COLUMNS, "> ", "> ")
        for one in (cautions_for(occasion) if occasion else ())
    ]
    return _CAUTIONS.sub("\n" + "\n>\n".join(boxes) + "\n" if boxes else "", text, count=1)


@click.command()
@click.argument("topic", required=False, metavar="[TOPIC]")
def command(topic: str | None) -> None:
    """Short pages for the garage: all of them without TOPIC, or one.

    \b
    Example: swapbridge guide first-contact
    """
    if topic is None:
        rows = [(name, page_text(name).splitlines()[0].lstrip("# ")) for name in TOPICS]
        console().print(table(("topic", "page"), rows))
        click.echo("\nread one: swapbridge guide first-contact")
        return
    text = page_text(topic)
    terminal = console()
    if terminal.is_terminal:
        terminal.print(Markdown(text))
    else:
        click.echo(text)
