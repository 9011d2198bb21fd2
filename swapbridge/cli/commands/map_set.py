"""Command line: `swapbridge map set`: say what a message or signal of a map is, and make what is missing."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import click

from swapbridge.cli.commands.find_files import InFolder, find_file
from swapbridge.cli.commands.map_notes import print_notes
from swapbridge.cli.screen.common import IdentifierType, print_line
from swapbridge.core.checksum_names import families_help, words_help
from swapbridge.core.errors import InputError
from swapbridge.signalmap.dbc_read import exact_number, load_map
from swapbridge.signalmap.dbc_write import save_map
from swapbridge.signalmap.edit import MapChange, find_message, set_in_map, unit_note
from swapbridge.signalmap.signal_map import MODULE_KINDS, SignalMap
from swapbridge.signalmap.table import signal_words
from swapbridge.swapfolder.paths import CAPTURES, MAPS, find_swap_folder


class DecimalType(click.ParamType[Fraction]):
    """An exact decimal number."""

    name = "NUMBER"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Fraction:
        if isinstance(value, Fraction):
            return value
        try:
            return exact_number(value)
        except InputError as error:
            self.fail(str(error), param, ctx)


class ChoiceType(click.ParamType[tuple[int, str]]):
    """A raw value and its name."""

    name = "RAW=NAME"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[int, str]:
        if isinstance(value, tuple):
            return value
        raw, _, name = value.partition("=")
        try:
            return int(raw, 0), name.strip() or self.fail(f"{value!r} has no name: write 3=Sport", param, ctx)
        except ValueError:
            self.fail(f"{value!r} can't be read: write a raw value and its name, such as 3=Sport", param, ctx)


_HELP = f"""Set the properties of a message or signal; missing messages, signals, modules and maps are created.

TARGET is MESSAGE or MESSAGE.SIGNAL, the message by name or identifier. Inside a swap folder, the map that
contains the message is used; otherwise name it with --into. Properties without an option stay as they are.

A checksum is written as the name of a family, followed by its parameters. An example of each family:

\b
{families_help()}

\b
{words_help()}

Bytes are counted from 0; by default all bytes except the checksum's own are covered. With a list of data
IDs the counter selects one, so set the counter first. Any name from the public CRC catalogue also works
(crc-8/nrsc-5). A checksum in two places is set on the signal of its lower bits: "sum upper bits in
CheckHigh".

\b
Examples:
  swapbridge map set EngineData.Alive --counter 0-14 --into signal_maps/host.dbc
  swapbridge map set 0C8.Check --start 56 --bits 8 --checksum "crc8-j1850 with identifier"
  swapbridge map set 3A0 --length 8 --period 20 --sender ECM --module-kind engine

\b
Example: swapbridge map set EngineData.Speed --unit rpm --role engine_speed --constant none
"""


@click.command("set", help=_HELP)
@click.argument("target", metavar="TARGET")
@click.option(
    "--into",
    "into",
    metavar="MAP.dbc",
    type=click.Path(path_type=Path, dir_okay=False),
    help="The map; created if missing (default: the one in this swap folder that has the message).",
)
@click.option("--id", "identifier", metavar="ID", type=IdentifierType(), help="The message's identifier.")
@click.option("--length", metavar="BYTES", type=int, help="Payload length in bytes.")
@click.option("--period", "period_ms", metavar="MS", type=DecimalType(), help="Period of the message; 0 for none.")
@click.option(
    "--j1939/--no-j1939",
    "group",
    default=None,
    help="Whether the message is a J1939 group: any priority, any sender, J1939's reserved values.",
)
@click.option(
    "--network-management/--no-network-management",
    default=None,
    help="Whether the message keeps the bus awake; such a message stops when the vehicle is switched off.",
)
@click.option("--sender", metavar="MODULE", help="The module that sends the message.")
@click.option(
    "--module-kind", metavar="KIND", type=click.Choice(MODULE_KINDS), help=f"Kind of module: {', '.join(MODULE_KINDS)}."
)
@click.option(
    "--start", metavar="BIT", type=int, help="Start bit in DBC numbering (big endian: the most significant bit)."
)
@click.option("--bits", metavar="N", type=int, help="Length of the signal in bits.")
@click.option(
    "--big-endian/--little-endian", "big_endian", default=None, help="Byte order (default for a new signal: little)."
)
@click.option("--signed/--unsigned", "signed", default=None, help="Whether negative values are two's complement.")
@click.option("--scale", metavar="NUMBER", type=DecimalType(), help="Physical value = raw x scale + offset.")
@click.option("--offset", metavar="NUMBER", type=DecimalType(), help="See --scale.")
@click.option("--unit", metavar="UNIT", help="Unit: rpm, degC, km/h, Nm, %, ...")
@click.option(
    "--role", metavar="ROLE", help="What the signal stands for: engine_speed, actual_torque, ... (or `none`)."
)
@click.option("--reference", metavar="TEXT", help='What 100 % means: "500 Nm", or MESSAGE.SIGNAL.')
@click.option("--counter", metavar="A-B", help="Range of a rolling counter: 0-15, 1-15, `0-14 by 2` (or `none`).")
@click.option("--checksum", metavar="TEXT", help="How the checksum is computed; see above (or `none`).")
@click.option("--not-available", metavar="CODES", help='Raw codes for "no value": "255, 0xFB-0xFE" (or `none`).')
@click.option("--error-codes", metavar="CODES", help="Raw codes for an error, in the same form.")
@click.option("--constant", metavar="RAW", help="The signal's only raw value (or `none`).")
@click.option(
    "--choice", "choices", type=ChoiceType(), multiple=True, help="Name of a raw value, such as 3=Sport; repeatable."
)
@click.option(
    "--check",
    "recordings",
    metavar="CAPTURE",
    type=click.Path(path_type=Path),
    multiple=True,
    callback=InFolder(CAPTURES),
    help="A recording that counter, checksum or constant must match, or nothing is written; repeatable.",
)
def command(
    target: str,
    into: Path | None,
    big_endian: bool | None,
    choices: Any,
    recordings: tuple[Path, ...],
    **settings: Any,
) -> None:
    path = _map_of(target, into)
    old = load_map(path) if path.exists() else SignalMap()
    print_notes(old)
    order = None if big_endian is None else "big_endian" if big_endian else "little_endian"
    change = MapChange(byte_order=order, choices=dict(choices), **settings)  # type: ignore[arg-type]
    if change == MapChange():
        raise InputError(f"nothing to set for {target}: add an option, such as --counter or --unit")
    result = set_in_map(old, target, change)
    message_name, _, signal_name = target.partition(".")
    message = find_message(result.signal_map, message_name) or result.signal_map.messages[0]
    signal = message.signal(signal_name)
    for recording in recordings:
        if signal is None:
            raise InputError(f"--check compares a signal with a recording, and {target} is a message: name a signal")
        # numpy and the log readers: most calls of `map` do without them
        from swapbridge.capture.read import read_capture
        from swapbridge.signalmap.holding import check_holds

        click.echo(f"{recording}: {check_holds(read_capture(recording), message, signal)}")
    save_map(result.signal_map, path)
    for words in result.done:
        click.echo(f"{path}: {words}")
    click.echo(f"{path}: {message.label}" + (f".{signal_words(signal)}" if signal is not None else ""))
    if settings["unit"] and (note := unit_note(settings["unit"])):
        print_line(note)


def _map_of(target: str, into: Path | None) -> Path:
    """The map to write: as named, or the one of the swap folder that has the message."""
    if into is not None:
        return find_file(into, MAPS)
    folder = find_swap_folder()
    if folder is None:
        raise InputError("this is not inside a swap folder: name the map with --into MAP.dbc")
    maps = sorted(folder.maps.glob("*.dbc"))
    if len(maps) == 1:
        return maps[0]
    message = target.partition(".")[0]
    having = [m for m in maps if find_message(load_map(m), message) is not None]
    if len(having) != 1:
        words = "several maps have" if having else "no map has"
        raise InputError(
            f"{words} a message {message!r} ({', '.join(m.name for m in having or maps) or 'there is none'}): "
            "say which map with --into MAP.dbc"
        )
    return having[0]
