"""Command line: `swapbridge emit`."""

from __future__ import annotations

from pathlib import Path

import click

from swapbridge.cli.commands.find_files import InFolder
from swapbridge.cli.commands.plan_file import read_plan
from swapbridge.emit.emit_c import emit_c
from swapbridge.emit.write_files import write_files


@click.group()
def command() -> None:
    """Write a plan's translator as C, for a board with two CAN ports or a computer.

    Example: swapbridge emit c plan.json --out translator_c
    """


@command.command()
@click.argument("plan", type=click.Path(dir_okay=False, path_type=Path), callback=InFolder())
@click.option(
    "--out",
    "folder",
    type=click.Path(file_okay=False, path_type=Path),
    required=True,
    help="Folder for the files; created if missing.",
)
@click.option("--name", default="bridge", show_default=True, help="Prefix of files, types and functions.")
def c(plan: Path, folder: Path, name: str) -> None:
    """Write PLAN's translator as C99 into a folder.

    NAME.h and NAME.c are the translator, for any board or computer. NAME_harness.c compares it with the Python
    translator. NAME_linux.c and NAME_board.c are example mains. NAME_notes.txt covers wiring, termination, watchdog,
    sleep and cautions. Prove the plan before the translator touches a vehicle.

    Example: swapbridge emit c plan.json --out translator_c
    """
    files = emit_c(read_plan(plan), name)
    for path in write_files(files, folder):
        click.echo(path)
    click.echo(f"Read {folder / f'{name}_notes.txt'} before you connect a board.", err=True)
