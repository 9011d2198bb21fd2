"""Command line: `swapbridge run`."""

from __future__ import annotations

import sys
import threading
from pathlib import Path

import click
from rich.live import Live as Screen

from swapbridge.bus.running.live import LiveOptions
from swapbridge.bus.running.live_status import LiveStatus, LiveValues
from swapbridge.bus.running.proof_file import ruling_beside
from swapbridge.bus.running.run import RunReport, RunRequest, inline, run
from swapbridge.cli.commands.options import bus_option, cautions_option, chosen_buses, config_option
from swapbridge.cli.commands.plan_file import engine_option, read_plan, translator_for
from swapbridge.cli.screen.common import console, print_line
from swapbridge.cli.screen.live_screen import clock, run_screen
from swapbridge.cli.screen.read_captures import read_one
from swapbridge.cli.screen.terminal import acknowledge, signals
from swapbridge.plan.program import TranslatorLike
from swapbridge.swapfolder.paths import CAPTURES, PLAN, find_swap_folder


@click.command()
@click.argument("plan", type=click.Path(path_type=Path, dir_okay=False), required=False)
@bus_option
@config_option
@click.option("--send", is_flag=True, help="Send planned frames. Without this, an added node only watches.")
@cautions_option
@click.option(
    "--unproved", is_flag=True, help="Run a plan without a passed proof, with modules on a table only; this is logged."
)
@click.option("--active", is_flag=True, help="Allow watching through an adapter that has no listen-only mode.")
@click.option("--against", metavar="[BUS=]CAPTURE", help="Play a capture as one of the buses (default: the donor).")
@engine_option
@click.option("--watch-first", default=2.0, show_default=True, help="Seconds to watch before sending begins.")
@click.option("--lag-limit-ms", default=50.0, show_default=True, help="Delay of the loop beyond which sending stops.")
@click.option(
    "--black-box", type=click.Path(path_type=Path, file_okay=False), help="Folder for black boxes (captures/)."
)
@click.option("--minutes", default=5.0, show_default=True, help="Minutes of traffic that the black box keeps.")
@click.option("--watchdog", type=click.Path(path_type=Path), help="Watchdog device to feed, e.g. /dev/watchdog.")
@click.option("--seconds", type=click.FloatRange(min=0, min_open=True), help="Stop after this many seconds.")
@click.option("--quiet", is_flag=True, help="No live display, only log lines; for a service.")
def command(
    plan: Path | None,
    buses: tuple[str, ...],
    config: Path | None,
    send: bool,
    cautions_read: bool,
    unproved: bool,
    active: bool,
    against: str | None,
    engine: str,
    watch_first: float,
    lag_limit_ms: float,
    black_box: Path | None,
    minutes: float,
    watchdog: Path | None,
    seconds: float | None,
    quiet: bool,
) -> None:
    """Run PLAN's translator between live buses (default: plan.json of the swap folder).

    \b
    Example: swapbridge run plan.json --bus donor=socketcan:can0 --bus host=socketcan:can1

    An added node starts silent and shows what it would send beside what it sees; --send lets it send. SIGUSR1 writes
    the black box. Ctrl-C, SIGTERM and `swapbridge stop` from any terminal send the safe answers at once, then close the
    buses; a second one closes them without waiting.
    """
    swap = find_swap_folder()
    if plan is None:
        plan = Path(PLAN) if swap is None else swap.plan
    program = read_plan(plan)
    played_bus, played = _against(against)
    if send or inline(program):
        acknowledge(cautions_read)
        cautions_read = True
    request = RunRequest(
        plan=program,
        buses=chosen_buses(buses, config, wanted=played is None),
        options=LiveOptions(send, watch_first, lag_limit_ms / 1000, minutes),
        proof=ruling_beside(program, plan),
        folder=black_box or (Path(CAPTURES) if swap is None else swap.captures),
        unproved=unproved,
        acknowledged=cautions_read,
        active=active,
        watchdog=watchdog,
        against=None if played is None else read_one(played),
        against_bus=played_bus,
        seconds=seconds,
        plan_file=plan,
    )
    report = _run(request, translator_for(program, engine), quiet)
    _summary(report)
    if report.fault:
        sys.exit(2)


def _against(text: str | None) -> tuple[str | None, Path | None]:
    if text is None:
        return None, None
    bus, separator, path = text.partition("=")
    if not separator or Path(text).exists():  # a file's name may hold an equals sign too
        return None, Path(text)
    return bus, Path(path)


def _run(request: RunRequest, translator: TranslatorLike, quiet: bool) -> RunReport:
    stop, dump, terminal = threading.Event(), threading.Event(), console()
    drawing = terminal.is_terminal and not quiet
    values = LiveValues(request.plan)
    with (
        signals(SIGINT=stop, SIGTERM=stop, SIGHUP=stop, SIGQUIT=stop, SIGTSTP=stop, SIGUSR1=dump),
        Screen(console=terminal, auto_refresh=False, transient=True, redirect_stderr=False) as screen,
    ):

        def show(status: LiveStatus) -> None:
            if drawing:
                screen.update(run_screen(status, values), refresh=True)

        return run(request, translator, show=show, announce=None if drawing else print_line, stop=stop, dump=dump)


def _summary(report: RunReport) -> None:
    terminal = console()
    status = report.status
    for bus in status.buses:
        terminal.print(
            f"{bus.name}: {bus.received:,} frames heard, {bus.sent:,} sent, {bus.failed:,} failed", markup=False
        )
    terminal.print(
        f"{clock(status.seconds)}, ended by: {report.ended_by}; worst lag {status.worst_lag_ms:.1f} ms", markup=False
    )
    for name in status.lost:
        terminal.print(f"{name} was claimed by another node: nothing was sent from it after that", markup=False)
    for path in report.black_boxes:
        terminal.print(f"black box {path}", markup=False)
