"""Command line: `swapbridge stop`."""

from __future__ import annotations

import sys

import click

from swapbridge.bus.running.control import live_runs, stop_all
from swapbridge.cli.screen.common import console


@click.command()
@click.option("--now", is_flag=True, help="End at once, without waiting for requests to ramp out.")
@click.option("--process", type=int, metavar="NUMBER", help="Only the run of this process; else all of them.")
def command(now: bool, process: int | None) -> None:
    """Stop every live run on this computer, whoever started it, from any terminal.

    Example: swapbridge stop

    Safe answers go out at once, requests ramp out within half a second, and then the buses are closed. A run that does
    not answer is ended by force.
    """
    runs = [run for run in live_runs() if process in (None, run.process)]
    if not runs:
        console().print("nothing is running", markup=False)
        return
    left = set()
    for run, words in stop_all(runs, now=now):
        console().print(f"{run.plan} (process {run.process}): {words}", markup=False)
        if "cut its power" in words:
            left.add(run.process)
    if left:
        sys.exit(2)
