"""Command line: `swapbridge stop`."""

from __future__ import annotations

import sys

import click

from swapbridge.bus.running.control import live_runs, stop_all
from swapbridge.cli.screen.common import console
from swapbridge.core.errors import InputError


@click.command()
@click.option("--now", is_flag=True, help="Close at once, without waiting for requests to ramp out.")
@click.option("--process", type=int, metavar="NUMBER", help="Stop only this process (default: all).")
def command(now: bool, process: int | None) -> None:
    """Stop every live run on this computer, whoever started it, from any terminal.

    Example: swapbridge stop

    Safe answers are sent at once, requests ramp out within half a second, and then the buses are closed. A run that
    does not respond is killed.
    """
    found = live_runs()
    if not found:
        console().print("nothing is running", markup=False)
        return
    runs = [run for run in found if process in (None, run.process)]
    if not runs:
        going = ", ".join(f"{run.process} ({run.plan})" for run in found)
        raise InputError(f"process {process} is not a run; these are running: {going}. Name one, or omit --process")
    left = set()
    for run, words in stop_all(runs, now=now):
        console().print(f"{run.plan} (process {run.process}): {words}", markup=False)
        if "cut its power" in words:
            left.add(run.process)
    if left:
        sys.exit(2)
