"""Command line: `swapbridge record`."""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Iterable
from pathlib import Path

import click
from rich.live import Live as Screen

from swapbridge.bus.adapters.bitrate import find_bitrate
from swapbridge.bus.adapters.spec import BusSpec
from swapbridge.bus.recording.record import Press, RecordStatus, record
from swapbridge.bus.recording.recorder import RecordReport
from swapbridge.bus.recording.scantool import DEFAULT_PER_SECOND
from swapbridge.bus.recording.script import ScriptStep, View, load_script
from swapbridge.cli.commands.options import bus_option, chosen_buses, config_option
from swapbridge.cli.screen.common import console, print_line, progress_bar, table
from swapbridge.cli.screen.live_screen import clock, record_screen
from swapbridge.cli.screen.terminal import Keyboard, acknowledge, signals
from swapbridge.swapfolder.paths import SCRIPT, find_swap_folder

BUILT_IN = "built-in"
FLASH_S = 0.6


@click.command()
@click.argument("out", type=click.Path(path_type=Path, dir_okay=False), required=False)
@bus_option
@config_option
@click.option(
    "--script",
    is_flag=False,
    flag_value="",
    default=None,
    metavar="[FILE]",
    help=f"Prompt through a stimulus script: FILE, or {SCRIPT} here, or the built-in one.",
)
@click.option("--seconds", type=click.FloatRange(min=0, min_open=True), help="Stop after this many seconds.")
@click.option("--active", is_flag=True, help="Allow adapters that can send. Only at a bit rate you are sure of.")
@click.option(
    "--scan-tool", metavar="BUS", help="Also ask the engine computer for values (service 01); needs --active."
)
@click.option("--per-second", default=DEFAULT_PER_SECOND, show_default=True, help="Maximum requests per second.")
@click.option(
    "--segment-mb", default=512, show_default=True, type=click.IntRange(min=1), help="Maximum size of one file in MB."
)
@click.option("--find-bitrate", is_flag=True, help="Listen at each usual bit rate, report which one fits, and exit.")
@click.option("--cautions-read", is_flag=True, help="Confirm that you have read the cautions (for --active).")
def command(
    out: Path | None,
    buses: tuple[str, ...],
    config: Path | None,
    script: str | None,
    seconds: float | None,
    active: bool,
    scan_tool: str | None,
    per_second: float,
    segment_mb: int,
    find_bitrate: bool,
    cautions_read: bool,
) -> None:
    """Record buses into the text log OUT. Listens only, unless --active is given.

    \b
    Example: swapbridge record donor-idle.log --bus donor=socketcan:can0,bitrate=500000 --script

    An existing file is never overwritten: the next number is used. Marks and steps are written to OUT's .stimulus.csv.
    """
    specs = chosen_buses(buses, config)
    if find_bitrate:
        _search(specs)
        return
    if out is None:
        raise click.UsageError("name the file to record into, for example captures/donor-idle.log")
    steps = _steps(script)
    if active:
        acknowledge(cautions_read, "ask" if scan_tool else "listen")
    if scan_tool is None and not active:
        print_line("listening only: nothing is sent, and no scan tool asks")
    report = _record(specs, out, active, seconds, steps, scan_tool, per_second, segment_mb)
    _summary(report)
    if report.ended_by == "disk full":
        sys.exit(2)


def _steps(script: str | None) -> tuple[ScriptStep, ...] | None:
    if script is None:
        return None
    folder = find_swap_folder()
    own = Path(SCRIPT) if folder is None else folder.script
    if script == BUILT_IN or (not script and not own.is_file()):
        return load_script(None)
    return load_script(Path(script) if script else own)


def _record(
    specs: tuple[BusSpec, ...],
    out: Path,
    active: bool,
    seconds: float | None,
    steps: tuple[ScriptStep, ...] | None,
    scan_tool: str | None,
    per_second: float,
    segment_mb: int,
) -> RecordReport:
    stop, keyboard, terminal = threading.Event(), Keyboard(), console()
    drawing = terminal.is_terminal
    with (
        signals(SIGINT=stop, SIGTERM=stop, SIGHUP=stop),
        keyboard.opened(),
        Screen(console=terminal, auto_refresh=False, transient=True, redirect_stderr=False) as screen,
    ):

        def keys(view: View | None) -> Iterable[Press]:
            return keyboard.feed(keyboard.read())

        cue: tuple[object, ...] | None = None
        lit_until = 0.0

        def show(status: RecordStatus) -> None:
            nonlocal cue, lit_until
            new = None if status.view is None else status.view.cue
            if new != cue and drawing:
                terminal.bell()  # eyes are on the vehicle, not on the screen
                cue, lit_until = new, time.monotonic() + FLASH_S
            if drawing:
                flash = time.monotonic() < lit_until
                screen.update(record_screen(status, keyboard.note, flash=flash), refresh=True)

        return record(
            specs,
            out,
            active=active,
            seconds=seconds,
            script=steps,
            scan_tool=scan_tool,
            per_second=per_second,
            segment_bytes=segment_mb * 1_000_000,
            keys=keys,
            show=show,
            announce=None if drawing else print_line,
            stop=stop,
        )


def _summary(report: RecordReport) -> None:
    terminal = console()
    rows = [
        (name, f"{bus.frames:,}", f"{bus.errors:,}", f"{bus.lost:,}", f"{bus.malformed:,}", f"{bus.reopened:,}")
        for name, bus in report.buses.items()
    ]
    columns = ("bus", "frames", "error frames", "lost", "malformed", "adapter back")
    terminal.print(table(columns, rows, right=columns[1:]))
    terminal.print(f"{clock(report.seconds)}, ended by: {report.ended_by}", markup=False)
    for path in report.files:
        terminal.print(f"recorded {path}", markup=False)
    if report.stimulus_file is not None:
        terminal.print(f"stimulus {report.stimulus_file}", markup=False)
    for words in report.announced:
        terminal.print(f"- {words}", markup=False)
    if not sum(bus.frames for bus in report.buses.values()):
        terminal.print("no frame was heard: check the ignition, the pair of wires, 60 ohm, and the bit rate")
    terminal.print(f"next: swapbridge survey {report.files[0]}", markup=False)


def _search(specs: tuple[BusSpec, ...]) -> None:
    terminal = console()
    for spec in specs:
        with progress_bar(f"bus {spec.name}") as progress:
            tries = find_bitrate(spec, progress=progress)
        rows = [
            (f"{one.bitrate / 1000:g}", f"{one.frames:,}", f"{one.errors:,}", "fits" if one.believable else one.problem)
            for one in tries
        ]
        columns = ("kbit/s", "frames", "errors", "")
        terminal.print(table(columns, rows, right=columns[:3], title=f"bus {spec.name}"))
        if not any(one.believable for one in tries):
            terminal.print(f"bus {spec.name}: no rate fits. Is the ignition on, and is this the right pair of wires?")
