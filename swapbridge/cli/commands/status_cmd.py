"""Command line: `swapbridge status`: where the swap stands and the one next thing to do."""

from __future__ import annotations

from pathlib import Path

import click
from rich.padding import Padding
from rich.text import Text

from swapbridge.cli.commands.find_files import need_swap_folder
from swapbridge.cli.screen.common import console, table
from swapbridge.core.errors import InputError
from swapbridge.swapfolder.status import swap_status

MARKS = {"done": "done", "to do": "TO DO", "bad": "BAD", "look": "look"}


@click.command()
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False), required=False)
def command(folder: Path | None) -> None:
    """Show where the swap in FOLDER stands, judging by its files alone.

    Example: swapbridge status my-swap

    What can't be done once the engines are out comes first.
    """
    place = folder if folder is not None else need_swap_folder("folder").path
    if not place.is_dir():
        raise InputError(f"{place} is not a folder: name a swap folder, or create one with `swapbridge new {place}`")
    if not any((place / name).exists() for name in ("bridge.toml", "captures", "needs.toml", "health.toml")):
        raise InputError(
            f"{place} is not a swap folder (no bridge.toml, no captures): create one with `swapbridge new`"
        )
    status = swap_status(place)
    screen = console()
    screen.print(table([str(place), "", ""], [[x.topic, MARKS[x.state], x.words] for x in status.lines]))
    screen.print()
    screen.print("Next:", style="bold")
    screen.print(Padding(Text(status.next_step), (0, 0, 0, 2)))
