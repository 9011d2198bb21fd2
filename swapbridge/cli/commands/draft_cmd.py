"""Command line: `swapbridge draft`: from the recordings of a swap folder to maps, a needs list and a bridge file."""

from __future__ import annotations

import textwrap
from pathlib import Path

import click

from swapbridge.cli.commands.find_files import need_swap_folder
from swapbridge.cli.screen.common import WIDTH, print_line, progress_bar


@click.command()
@click.option("--jobs", type=int, metavar="N", help="Number of processes (default: all cores for large recordings).")
@click.option(
    "--report",
    metavar="FILE",
    type=click.Path(path_type=Path, dir_okay=False),
    help="The HTML report (default: draft.html in the folder).",
)
def command(jobs: int | None, report: Path | None) -> None:
    """Draft maps, needs list and bridge file from the recordings of a swap folder.

    This needs four recordings in captures/: host_old_engine and donor_own_vehicle with their stimulus files,
    host_unplugged, and donor_alone. Every field of every message that will be missing is explained by signals that the
    swapped vehicle will have, or reported as open. A line of the bridge file belongs to draft while it carries draft's
    comment; other lines are never changed. The outlook comes first: what can be made completely, and what not at all.
    With the host's two recordings alone, no bridge is drafted: the outlook lists what a donor's computer must send.

    \b
    Example: swapbridge draft
    """
    from swapbridge.cli.screen.read_captures import read_all  # these load scipy, which help does not need
    from swapbridge.drafting.outlook import outlook
    from swapbridge.guessing.executors import open_executor
    from swapbridge.swapfolder.drafting import (
        REPORT,
        draft_folder,
        draft_recordings,
        has_no_donor,
        outlook_without_donor,
        write_draft_files,
    )

    folder = need_swap_folder("recording")
    found = draft_recordings(folder)
    captures = read_all({k: r.path for k, r in found.items()})
    for kind, capture in captures.items():
        for sentence in capture.notes.sentences():
            print_line(f"{found[kind].path.name}: {sentence}")
    frames = max((len(c) for c in captures.values()), default=0)
    if has_no_donor(found):
        with open_executor(jobs=jobs, frames=frames) as executor, progress_bar("Drafting") as progress:
            before = outlook_without_donor(folder, captures, progress=progress, executor=executor, report=report)
        write_draft_files(before.files)
        for line in before.lines:
            click.echo(textwrap.fill(line, WIDTH, subsequent_indent="  ", break_long_words=False))
        print_line(f"Wrote the outlook to {report or REPORT}. No bridge was drafted: that also needs donor_own_vehicle")
        print_line("and donor_alone in captures/.")
        return
    with open_executor(jobs=jobs, frames=frames) as executor, progress_bar("Drafting") as progress:
        done = draft_folder(folder, captures, progress=progress, executor=executor, report=report)
    for line in outlook(done.drafted):
        click.echo(textwrap.fill(line, WIDTH, subsequent_indent="  ", break_long_words=False))
    for change in done.changes:
        click.echo(textwrap.fill(f"changed: {change}", WIDTH, subsequent_indent="  ", break_long_words=False))
    print_line(f"Wrote bridge.toml, needs.toml, draft.json, both maps, and the report {report or REPORT}.")
    print_line("Next: swapbridge compile bridge.toml --out plan.json")
