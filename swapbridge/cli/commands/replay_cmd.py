"""Command line: `swapbridge replay`."""

from __future__ import annotations

import threading
from pathlib import Path

import click

from swapbridge.bus.adapters.frames import bus_numbers
from swapbridge.bus.adapters.listen import NO_WIRES
from swapbridge.bus.adapters.opening import open_buses
from swapbridge.bus.running.replay import replay
from swapbridge.cli.commands.options import bus_option, chosen_buses, config_option
from swapbridge.cli.commands.plan_file import engine_option, read_plan, translator_for
from swapbridge.cli.screen.common import IdentifierType, console, progress_bar
from swapbridge.cli.screen.reading import read_one
from swapbridge.cli.screen.terminal import acknowledge, signals
from swapbridge.core.frames import identifier_word
from swapbridge.plan.review import refuse_unreviewed


@click.command()
@click.argument("capture", type=click.Path(path_type=Path))
@bus_option
@config_option
@click.option("--plan", type=click.Path(path_type=Path, dir_okay=False), help="Play what this plan makes of it.")
@engine_option
@click.option("--from-bus", metavar="NAME", help="The plan's bus that a one-bus capture was taken on.")
@click.option("--rate", default=1.0, show_default=True, help="2 plays twice as fast.")
@click.option("--loop", "loops", default=1, show_default=True, help="How often; 0 plays until Ctrl-C.")
@click.option("--id", "ids", multiple=True, type=IdentifierType(), help="Play only this identifier; may be repeated.")
@click.option("--cautions-read", is_flag=True, help="The cautions were read (for a bus with wires).")
def command(
    capture: Path,
    buses: tuple[str, ...],
    config: Path | None,
    plan: Path | None,
    engine: str,
    from_bus: str | None,
    rate: float,
    loops: int,
    ids: tuple[tuple[int, bool], ...],
    cautions_read: bool,
) -> None:
    """Play CAPTURE, or what a plan's translator makes of it, onto a bus.

    \b
    Example: swapbridge replay captures/donor.log --bus bench=socketcan:vcan0 --rate 2

    The bus is the capture's of the same name (the plan's with --plan); a single bus takes a single one.
    """
    specs = chosen_buses(buses, config)
    frames = read_one(capture)
    program = read_plan(plan) if plan is not None else None
    names = frames.bus_names if program is None else tuple(bus.name for bus in program.buses)
    numbers = bus_numbers([spec.name for spec in specs], names)
    if any(spec.interface not in NO_WIRES for spec in specs):
        if program is not None:
            refuse_unreviewed(program, "its frames are played onto virtual buses only")
        acknowledge(cautions_read)
    stop = threading.Event()
    with (
        signals(SIGINT=stop, SIGTERM=stop),
        progress_bar(f"playing {capture.name}") as progress,
        open_buses(specs, active=True) as opened,
    ):
        report = replay(
            frames,
            {numbers[name]: bus for name, bus in opened.items()},
            rate=rate,
            loops=loops,
            ids=[identifier_word(*one) for one in ids] or None,
            plan=program,
            translator=None if program is None else lambda: translator_for(program, engine),
            from_bus=from_bus,
            progress=progress,
            stop=stop,
        )
    median, p99, worst = report.late_ms
    console().print(
        f"{report.sent:,} frames in {report.seconds:.1f} s; lateness median {median:.2f} ms, "
        f"99 in 100 under {p99:.2f} ms, worst {worst:.2f} ms",
        markup=False,
    )
