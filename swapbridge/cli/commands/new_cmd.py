"""Command line: `swapbridge new`: lay out a swap folder."""

from __future__ import annotations

from pathlib import Path

import click

from swapbridge.swapfolder.empty import lay_out
from swapbridge.swapfolder.paths import HEALTH


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
