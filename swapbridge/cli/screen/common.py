"""Command line: what the commands share: tables that fit 100 columns, progress, argument types."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import click
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from swapbridge.core.errors import InputError
from swapbridge.core.identifier_words import parse_identifier
from swapbridge.core.progress import Progress

WIDTH = 100
"""Columns that tables are made for where the terminal does not say."""


class IdentifierType(click.ParamType[tuple[int, bool]]):
    """An identifier in hex, with an x behind it for 29 bits."""

    name = "ID"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[int, bool]:
        if isinstance(value, tuple):
            return value
        try:
            return parse_identifier(value)
        except InputError as error:
            self.fail(str(error), param, ctx)


def console() -> Console:
    """Console for tables: the terminal's width, or 100 columns when the output is a file or a pipe."""
    return Console(width=None if sys.stdout.isatty() else WIDTH, highlight=False, soft_wrap=False)


def table(
    columns: Sequence[str], rows: Sequence[Sequence[object]], *, right: Sequence[str] = (), title: str = ""
) -> Table:
    """A plain table; text from captures and maps is shown as it is, never as markup."""
    out = Table(title=escape(title) or None, title_justify="left", box=None, pad_edge=False, header_style="bold")
    for column in columns:
        out.add_column(column, justify="right" if column in right else "left", overflow="fold")
    for row in rows:
        out.add_row(*(escape(str(cell)) for cell in row))
    return out


@contextmanager
def progress_bar(words: str) -> Iterator[Progress]:
    """A progress bar on standard error where that is a terminal; silent otherwise."""
    from rich import progress as bars  # takes as long to load as all other tables and colours

    screen = Console(stderr=True)
    with bars.Progress(
        bars.TextColumn("{task.description}"),
        bars.BarColumn(),
        bars.TextColumn("{task.percentage:>3.0f}%"),
        bars.TimeElapsedColumn(),
        console=screen,
        transient=True,
        disable=not screen.is_terminal,
    ) as bar:
        task = bar.add_task(words, total=1.0)

        def report(share: float, doing: str) -> None:
            bar.update(task, completed=min(1.0, share), description=f"{words}: {doing}" if doing else words)

        yield report


def print_line(text: str) -> None:
    """One line to the person at the keyboard, on standard error, so that standard output stays clean."""
    click.echo(text, err=True)
