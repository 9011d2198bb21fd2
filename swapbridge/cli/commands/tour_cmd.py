"""Command line: `swapbridge tour`: an invented engine swap from end to end, on real code paths."""

from __future__ import annotations

import time
from pathlib import Path

import click

from swapbridge.cli.tour.real_time_steps import record_live, run_live
from swapbridge.cli.tour.tour_steps import (
    Tour,
    ask_to_send,
    compile_again,
    draft_step,
    look,
    prove_it,
    record_step,
    review,
    translate_step,
)
from swapbridge.core.errors import InputError
from swapbridge.core.files import written_whole
from swapbridge.demo.folder import DEMO_SEED
from swapbridge.guessing.executors import open_executor
from swapbridge.plan.proof import EXIT_CODES
from swapbridge.swapfolder.paths import SwapFolder

SUMMARY = "SUMMARY.txt"
FIRST_LINE = "swapbridge tour: an invented engine swap from end to end"
FRAMES = 130_000
"""About as many as the tour's captures hold; decides whether guessing uses all cores."""

THE_SAME = """\
swapbridge survey captures/host_old_engine.log.gz
swapbridge compare captures/host_old_engine.log.gz captures/host_unplugged.log.gz
swapbridge draft
swapbridge compile bridge.toml --out plan.json
swapbridge review
swapbridge review host.M_0C8.actual_torque
swapbridge compile bridge.toml --out plan.json
swapbridge emit c plan.json --out translator_c
swapbridge prove plan.json --donor captures/donor_own_vehicle.log.gz \\
    --host captures/host_old_engine.log.gz --unplugged captures/host_unplugged.log.gz \\
    --report proof.html
swapbridge run plan.json --against host=captures/host_old_engine.log.gz --seconds 5
swapbridge status"""


@click.command()
@click.option(
    "--folder",
    metavar="FOLDER",
    type=click.Path(path_type=Path),
    default=Path("swap-tour"),
    show_default=True,
    help="Folder to write to; that of an earlier tour is overwritten.",
)
@click.option(
    "--seed", type=click.IntRange(0, 1_000_000), default=DEMO_SEED, show_default=True, help="Random seed of the drive."
)
def command(folder: Path, seed: int) -> None:
    """Run an invented engine swap from end to end, with the real code.

    Two invented vehicles are driven and recorded. Maps and a bridge file are drafted from the recordings, compiled,
    compared with those written by hand, reviewed, proved on the bench and run live between virtual buses. The result of
    each step is written to a folder, as files that you can open. It takes about a minute on two cores and touches no
    vehicle.

    \b
    Example: swapbridge tour --folder my-first-tour
    """
    begin = time.monotonic()
    check_folder(folder)
    click.echo(
        f"{FIRST_LINE}\nTwo invented vehicles, a Brindle (host) and a Tarnwick (donor). Everything goes to {folder}/\n"
    )
    with written_whole(folder / SUMMARY) as temporary:
        temporary.write_text(f"{FIRST_LINE}\nnot finished\n", encoding="utf-8")
    lines: list[str] = []

    def print_line(line: str) -> None:
        lines.append(line)
        click.echo(line)

    tour = Tour(SwapFolder(folder), seed, print_line)
    with open_executor(frames=FRAMES) as executor:
        record_step(tour, executor)
        record_live(tour)
        look(tour)
        draft_step(tour, executor)
    translate_step(tour)
    ask_to_send(tour)
    review(tour)
    compile_again(tour)
    prove_it(tour)
    run_live(tour)
    print_line("")
    verdict = f"{tour.outcome} on the bench" + ("" if tour.outcome == "PASSED" else ": see proof.html")
    print_line(f"{verdict}. {time.monotonic() - begin:.0f} s in all. A proof on the bench is not a proof in a vehicle.")
    print_line(f"\nThe same steps by hand (first: cd {folder}):\n")
    for line in THE_SAME.splitlines():
        print_line(f"  {line}")
    print_line("\nYour own swap: swapbridge new FOLDER. Guide pages: swapbridge guide.")
    with written_whole(folder / SUMMARY) as temporary:
        temporary.write_text("\n".join([FIRST_LINE, "", *lines]) + "\n", encoding="utf-8")
    if tour.outcome != "PASSED":
        raise click.exceptions.Exit(EXIT_CODES[tour.outcome])


def check_folder(folder: Path) -> None:
    """Make the folder, unless it holds anything but an earlier tour.

    Raises
    ------
    InputError
        It is a file, holds other things, or can't be made.
    """
    if folder.exists():
        if not folder.is_dir():
            raise InputError(f"{folder} is a file: name a folder for the tour")
        summary = folder / SUMMARY
        earlier = summary.is_file() and summary.read_text(encoding="utf-8", errors="replace").startswith(FIRST_LINE)
        if any(folder.iterdir()) and not earlier:
            raise InputError(f"{folder} contains something other than a tour: name a new folder with --folder")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            f"{folder} can't be created ({error.strerror}): name a folder where you have write permission"
        ) from None
