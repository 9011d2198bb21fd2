"""Command line: `swapbridge guide`: short pages inside the package, readable in the garage with no network."""

from __future__ import annotations

import click
from rich.markdown import Markdown

from swapbridge.cli.screen.common import console, table
from swapbridge.guides.guide_pages import REFERENCE, STAGES, page_text, page_title


@click.command()
@click.argument("topic", required=False, metavar="[TOPIC]")
def command(topic: str | None) -> None:
    """Show a guide page, or a list of all pages if TOPIC is omitted.

    \b
    Example: swapbridge guide first-contact
    """
    if topic is None:
        terminal = console()
        for heading, topics in (("in the order of the work", STAGES), ("reference", REFERENCE)):
            terminal.print(table((heading, "page"), [(name, page_title(name)) for name in topics]))
        click.echo("\nto read a page: swapbridge guide first-contact")
        return
    text = page_text(topic)
    terminal = console()
    if terminal.is_terminal:
        terminal.print(Markdown(text))
    else:
        click.echo(text)
