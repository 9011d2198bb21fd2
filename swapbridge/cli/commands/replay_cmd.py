"""Command line: `swapbridge replay`."""

from __future__ import annotations

import threading
from pathlib import Path

import click

from swapbridge.bus.adapters.can_messages import bus_numbers
from swapbridge.bus.adapters.listen import has_wires
from swapbridge.bus.adapters.lock import locked
from swapbridge.bus.adapters.opening import open_buses
from swapbridge.bus.running.proof_file import ruling_beside
from swapbridge.bus.running.replay import replay
from swapbridge.cli.commands.options import bus_option, chosen_buses, config_option
from swapbridge.cli.commands.plan_file import engine_option, read_plan, translator_for
from swapbridge.cli.screen.common import IdentifierType, console, print_line, progress_bar
from swapbridge.cli.screen.read_captures import read_one
from swapbridge.cli.screen.terminal import acknowledge, signals
from swapbridge.core.errors import InputError, RefusedError, SwapbridgeError
from swapbridge.core.identifier_words import identifier_word
from swapbridge.language.reading import load_bridge
from swapbridge.plan.proof import why_not
from swapbridge.signalmap.dbc_read import load_map
from swapbridge.signalmap.signal_map import SignalMap
from swapbridge.swapfolder.paths import find_swap_folder


@click.command()
@click.argument("capture", type=click.Path(path_type=Path))
@bus_option
@config_option
@click.option(
    "--plan", type=click.Path(path_type=Path, dir_okay=False), help="Play the translation by this plan instead."
)
@engine_option
@click.option("--from-bus", metavar="NAME", help="The plan's bus on which a one-bus capture was recorded.")
@click.option("--rate", default=1.0, show_default=True, help="Speed; 2 plays twice as fast.")
@click.option("--loop", "loops", default=1, show_default=True, help="Number of times to play it; 0 plays until Ctrl-C.")
@click.option("--id", "ids", multiple=True, type=IdentifierType(), help="Play only this identifier; may be repeated.")
@click.option(
    "--map",
    "maps",
    multiple=True,
    metavar="[BUS=]FILE",
    help="Map of the bus: on a physical bus it determines whose frames may be played.",
)
@click.option("--unproved", is_flag=True, help="Play a plan without a passed proof, with modules on a table only.")
@click.option("--cautions-read", is_flag=True, help="Confirm that you have read the cautions (for a physical bus).")
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
    maps: tuple[str, ...],
    unproved: bool,
    cautions_read: bool,
) -> None:
    """Play CAPTURE, or its translation by a plan, onto a bus.

    \b
    Example: swapbridge replay captures/donor.log --bus donor=socketcan:vcan0 --rate 2

    A bus plays the capture's bus of the same name (with --plan, the plan's); a single bus plays a single one.

    A bus that may belong to a vehicle is monitored for ten seconds first, and no identifier is played that another node
    sends. With --plan the plan's proof is required, as for `run`. Without it, name what to play with --id, or give the
    bus's map: frames of restraint, brake, steering, immobiliser, diagnostics and unknown modules are never played.
    """
    specs = chosen_buses(buses, config)
    frames = read_one(capture)
    program = read_plan(plan) if plan is not None else None
    names = frames.bus_names if program is None else tuple(bus.name for bus in program.buses)
    numbers = bus_numbers([spec.name for spec in specs], names)
    wired = [spec for spec in specs if has_wires(spec)]
    if wired:
        if program is not None and plan is not None:
            if words := why_not(ruling_beside(program, plan), unproved=unproved):
                raise RefusedError(words)
            if unproved:
                print_line("playing UNPROVED, as asked with --unproved")
        acknowledge(cautions_read)
    stop = threading.Event()
    with (
        locked(wired, doing="a replay"),
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
            wired=[numbers[spec.name] for spec in wired],
            maps=_maps(maps, numbers) if wired and program is None else {},
            announce=print_line,
            progress=progress,
            stop=stop,
        )
    median, p99, worst = report.late_ms
    console().print(
        f"{report.sent:,} frames in {report.seconds:.1f} s; lateness median {median:.2f} ms, "
        f"99 in 100 under {p99:.2f} ms, worst {worst:.2f} ms",
        markup=False,
    )


def _maps(given: tuple[str, ...], numbers: dict[str, int]) -> dict[int, SignalMap]:
    """Maps by the capture's bus number: those given, else the one that the swap folder's bridge file names."""
    out: dict[int, SignalMap] = {}
    for text in given:
        name, separator, path = text.partition("=")
        if not separator or Path(text).exists():
            if len(numbers) > 1:
                raise InputError(f"--map {text}: there are several buses, so name the map's bus: --map BUS={text}")
            name, path = next(iter(numbers)), text
        if name not in numbers:
            raise InputError(f"--map {text}: there is no bus {name!r}; there are {', '.join(numbers)}")
        out[numbers[name]] = load_map(Path(path))
    folder = find_swap_folder()
    if folder is not None:
        try:
            files = load_bridge(folder.bridge).map_files()
        except SwapbridgeError:
            return out  # a bridge file that can't be read says nothing about buses
        for name, number in numbers.items():
            if number not in out and name in files:
                out[number] = load_map(files[name])
    return out
