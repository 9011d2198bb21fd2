"""Command line: options that several commands have: which buses, and that the cautions were read."""

from __future__ import annotations

from pathlib import Path

import click

from swapbridge.bus.adapters.spec import BusSpec, check_distinct, load_bus_config, parse_bus
from swapbridge.swapfolder.paths import find_swap_folder

CONFIG_NAME = "buses.toml"

bus_option = click.option(
    "--bus",
    "buses",
    multiple=True,
    metavar="NAME=INTERFACE:CHANNEL[,option=value...]",
    help="A bus, named as in python-can; repeat for each bus, e.g. donor=socketcan:can0,bitrate=500000.",
)
config_option = click.option(
    "--config",
    type=click.Path(path_type=Path, dir_okay=False),
    help=f"TOML file with [buses.NAME] tables, instead of --bus (default: {CONFIG_NAME} in the swap folder).",
)
cautions_option = click.option(
    "--cautions-read",
    is_flag=True,
    help="Confirm that you have read the cautions; otherwise they are shown and you are asked.",
)


def chosen_buses(buses: tuple[str, ...], config: Path | None, *, wanted: bool = True) -> tuple[BusSpec, ...]:
    """Buses of the command line, else of the config file; none is an error where some are wanted."""
    specs = tuple(parse_bus(text) for text in buses)
    if config is None and not specs:
        folder = find_swap_folder()
        likely = Path(CONFIG_NAME) if folder is None else folder.path / CONFIG_NAME
        config = likely if likely.is_file() else None
    if config is not None:
        named = {spec.name for spec in specs}
        specs += tuple(spec for spec in load_bus_config(config) if spec.name not in named)
    return check_distinct(specs) if specs or wanted else ()
