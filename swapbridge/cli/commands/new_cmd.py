"""Command line: `swapbridge new`: lay out a swap folder."""

from __future__ import annotations

from pathlib import Path

import click

from swapbridge.bus.recording.script import default_script_text
from swapbridge.core.errors import InputError
from swapbridge.core.files import written_whole
from swapbridge.swapfolder.paths import BRIDGE, CAPTURES, FINDINGS, HEALTH, MAPS, NEEDS, SCRIPT, SURVEY, pristine


@click.command()
@click.argument("folder", metavar="FOLDER", type=click.Path(path_type=Path))
def command(folder: Path) -> None:
    """Create a swap folder.

    It contains captures/, signal_maps/, survey/, findings/, a commented bridge file, a stimulus script (what to do to
    the vehicle while recording), a needs list and an engine health sheet. Commands run inside it find their files.

    \b
    Example: swapbridge new my-swap
    """
    lay_out(folder)
    click.echo(f"{folder}: created. Keep this order when you record; it can't be changed later:")
    for line in (
        f"1. {HEALTH}: is the donor's engine worth it? Fill in leak-down and compression.",
        "2. Record BEFORE anything is unplugged: the host with its old engine, the donor in its own vehicle.",
        "   swapbridge record captures/host_old_engine.log --bus host=socketcan:can0,bitrate=500000 --script",
        "3. Then swapbridge draft, compile, review, prove. `swapbridge status` shows the next step.",
    ):
        click.echo(line)


def lay_out(folder: Path) -> None:
    """Make the folder and its files.

    Raises
    ------
    InputError
        The folder holds something already, or can't be made.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise InputError(f"{folder} exists and is not empty: name a new folder")
    write_empty(folder)


def write_empty(folder: Path) -> None:
    """Write the folders and files of an empty swap folder; those that are there are written anew.

    Raises
    ------
    InputError
        The folder can't be made.
    """
    try:
        for part in (CAPTURES, MAPS, SURVEY, FINDINGS):
            (folder / part).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            f"{folder} can't be created ({error.strerror}): name a folder where you have write permission"
        ) from None
    texts = {name: pristine(name) for name in (NEEDS, HEALTH, BRIDGE)}
    for name, text in {SCRIPT: default_script_text(), **texts}.items():
        with written_whole(folder / name) as temporary:
            temporary.write_text(text, encoding="utf-8")
