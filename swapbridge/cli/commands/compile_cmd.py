"""Command line: `swapbridge compile`: check a bridge file, say what it does, write its plan."""

from __future__ import annotations

import textwrap
from pathlib import Path

import click

from swapbridge.cli.commands.find_files import InFolder, need_swap_folder
from swapbridge.cli.commands.map_notes import print_notes
from swapbridge.cli.screen.common import WIDTH, print_line
from swapbridge.compiler.compile import compile_bridge
from swapbridge.compiler.load_maps import load_maps
from swapbridge.compiler.sent_map import sent_map
from swapbridge.core.errors import InputError
from swapbridge.core.files import written_whole
from swapbridge.language.reading import load_bridge
from swapbridge.signalmap.dbc_write import save_map


@click.command("compile", short_help="Check a bridge file and write its plan.")
@click.argument("bridge", type=click.Path(dir_okay=False, path_type=Path), required=False, callback=InFolder())
@click.option(
    "--map",
    "maps",
    multiple=True,
    metavar="BUS=FILE",
    help="Map of a bus, instead of the one named in the bridge file.",
)
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), help="File to write the plan to (plan.json).")
@click.option("--explain", is_flag=True, help="Print the plan in plain words that a mechanic can check.")
@click.option("--sent-dbc", type=click.Path(dir_okay=False, path_type=Path), help="Write the sent messages as a DBC.")
@click.option("--bus", help="With --sent-dbc: only messages sent on this bus.")
def command(
    bridge: Path | None, maps: tuple[str, ...], out: Path | None, explain: bool, sent_dbc: Path | None, bus: str | None
) -> None:
    """Check the bridge file BRIDGE against the maps of its buses, and compile it into a plan.

    Everything is checked before a plan is written: units, ranges, fallbacks, limits, who else sends an identifier,
    timing and bus load. What can't be done exactly or safely is refused, with the line, the reason and what to do.
    Inside a swap folder BRIDGE can be omitted.

    \b
    Example:
      swapbridge compile bridge.toml --out plan.json --explain
      swapbridge compile bridge.toml --map donor=other.dbc --sent-dbc sent.dbc --bus host
    """
    bridge = bridge if bridge is not None else need_swap_folder("bridge file").bridge
    file = load_bridge(bridge)
    loaded = load_maps(file, dict(_pair(text) for text in maps))
    for signal_map in loaded.values():
        print_notes(signal_map)
    result = compile_bridge(file, loaded)
    if bus is not None and file.bus(bus) is None:
        raise InputError(f"the bridge file has no bus {bus!r}: it has {', '.join(b.name for b in file.buses)}")
    counts = f"{len(result.plan.sends)} messages sent, {len(result.plan.receives)} received"
    if explain:
        click.echo(result.explain, nl=False)
    for warning in result.warnings:
        print_line(textwrap.fill(f"note: {warning}", WIDTH, subsequent_indent="      ", break_long_words=False))
    if sent_dbc is not None:
        save_map(sent_map(result.drafts, bus), sent_dbc)
        print_line(f"Wrote what is sent to {sent_dbc}.")
    if out is not None:
        with written_whole(out) as temporary:
            temporary.write_text(result.plan.to_json(), encoding="utf-8")
        print_line(
            f"Wrote the plan to {out}: {len(result.plan.sends)} messages sent, {len(result.plan.receives)} received."
        )
    elif not explain and sent_dbc is None:
        print_line(f"{bridge} compiles: {counts}.")
        print_line("Next: --explain to read what it does, --out plan.json to keep it.")


def _pair(text: str) -> tuple[str, str]:
    name, equals, path = text.partition("=")
    if not name or not equals or not path:
        raise InputError(f"--map {text!r} is not BUS=FILE: write --map donor=donor.dbc")
    return name, path
