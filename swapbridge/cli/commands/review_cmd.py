"""Command line: `swapbridge review`: a learned rule beside what was recorded; the review stays in the bridge file."""

from __future__ import annotations

import datetime
from pathlib import Path

import click

from swapbridge.cli.commands.find_files import InFolder, need_swap_folder
from swapbridge.cli.screen.common import print_line
from swapbridge.compiler.compile import compile_bridge
from swapbridge.compiler.load_maps import load_maps
from swapbridge.compiler.review import ReviewMark, marks
from swapbridge.core.errors import InputError
from swapbridge.language.reading import load_bridge


@click.command("review", short_help="Review a learned rule and confirm it.")
@click.argument("name", metavar="[MESSAGE[.SIGNAL]]", required=False)
@click.option(
    "--bridge",
    type=click.Path(dir_okay=False, path_type=Path),
    callback=InFolder(),
    help="Bridge file (default: the swap folder's).",
)
@click.option("--yes", is_flag=True, help="Confirm the rule without being asked.")
def command(name: str | None, bridge: Path | None, yes: bool) -> None:
    """Show a learned rule, and what it generates beside what was recorded, and ask whether it is right.

    On 'yes' the review is written beside the rule, with a digest of everything that was shown. If the rule or a map
    changes later, the rule is unreviewed again. Without a name, the rules that are still to be reviewed are listed.

    \b
    Example: swapbridge review host.EngineData.Torque
    """
    folder = None if bridge is not None else need_swap_folder("bridge file")
    path = bridge if bridge is not None else need_swap_folder("bridge file").bridge
    file = load_bridge(path)
    maps = load_maps(file)
    found = marks(file, maps)
    if name is None:
        _list(found)
        return
    chosen = [m for m in found if _named(m, name)]
    if not chosen:
        known = ", ".join(m.name for m in found if not m.is_reviewed) or "nothing"
        raise InputError(f"{name} is not a learned rule of {path}: still to be reviewed: {known}")
    from swapbridge.swapfolder.proving import captures_of, read_captures, stimuli_of
    from swapbridge.swapfolder.reviewing import review_lines, write_reviews

    place = path.absolute().parent if folder is None else folder.path
    files = captures_of(place, [b.name for b in file.buses])[0]
    captures, stimuli = read_captures(files), stimuli_of(files)
    result = compile_bridge(file, maps)
    for mark in chosen:
        for line in review_lines(mark, file, result, maps, captures, stimuli):
            print_line(line)
        if mark.is_reviewed and mark.reviewed is not None:
            print_line(f"Reviewed on {mark.reviewed.on}, and unchanged since.")
            continue
        if yes or click.confirm("Is this right?", default=False):
            write_reviews(path, [mark], datetime.date.today().isoformat())
            print_line(f"Wrote the review of {mark.name} to {path}. Next: compile and prove again.")
        else:
            print_line(f"{mark.name} stays unreviewed.")


def _named(mark: ReviewMark, name: str) -> bool:
    """A rule by its whole name, without its bus, or as part of a message that was asked for."""
    own = mark.name.partition(".")[2]
    return name in (mark.name, own) or any(whole.startswith(f"{name}.") for whole in (mark.name, own))


def _list(found: tuple[ReviewMark, ...]) -> None:
    waiting = [mark.name for mark in found if not mark.is_reviewed]
    for mark_name in waiting:
        print_line(mark_name)
    if waiting:
        print_line(f"{len(waiting)} learned rules are not reviewed. Next: swapbridge review {waiting[0]}")
    else:
        print_line("Nothing is left to review.")
