"""Command line: `swapbridge trial`: what a gauge shows, what a module needs, what moves a lamp, by experiment."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import click

from swapbridge.asking.speed import speed_reader
from swapbridge.asking.trials.gauge import GaugeTable, GaugeTrial, check_field
from swapbridge.asking.trials.gauge_run import GaugeRun, payloads_by_value
from swapbridge.asking.trials.permit import sendable
from swapbridge.cli.commands import trial_field, trial_needs
from swapbridge.cli.commands.dtc_cmd import asked_bus
from swapbridge.cli.commands.find_files import InFolder
from swapbridge.cli.commands.options import bus_option, cautions_option, chosen_buses, config_option
from swapbridge.cli.commands.trial_messages import FILE, log_option
from swapbridge.cli.screen.common import IdentifierType, console, print_line, table
from swapbridge.cli.screen.read_captures import read_one
from swapbridge.cli.screen.terminal import acknowledge
from swapbridge.cli.screen.trial_screen import TABLE, default_log, run_at_terminal, typed
from swapbridge.core.errors import InputError
from swapbridge.core.files import written_whole
from swapbridge.core.identifier_words import identifier_word
from swapbridge.signalmap.dbc_read import load_map
from swapbridge.signalmap.signal_map import MapMessage, MapSignal, SignalMap
from swapbridge.swapfolder.paths import CAPTURES, MAPS

VEHICLE = (
    ("park", "the lever is in P and the parking brake is on"),
    ("chocks", "the wheels are chocked"),
    ("fan", "the radiator fan's fuse is out"),
    ("starter", "the starter's fuse is out"),
    ("pump", "the fuel pump's fuse is out"),
    ("injectors", "the injectors' fuse is out"),
    ("hands", "nobody's hand is in the engine bay or on the steering wheel"),
)
"""What must be so, each typed by its word: a module on a table, or in a standing vehicle."""
HELP = "hold space: send   enter: now   r: rests at the next mark   l: rests at the last one   s: skip   q: end"


@click.group()
def command() -> None:
    """Find out with a module on a table what a gauge shows for a value, what a module needs, or what moves a lamp.

    Sending stops one second after the last key press. Only recorded values of named messages are sent, never those of
    steering, brakes, restraints, immobiliser, diagnostics or unknown modules.

    \b
    Example:
      swapbridge trial gauge Engine.Coolant --map host.dbc --recording host.log --marks 50,90,130
    """


@command.command()
@click.argument("field", metavar="MESSAGE.SIGNAL")
@click.option("--map", "map_path", type=FILE, required=True, callback=InFolder(MAPS), help="The host's signal map.")
@click.option("--recording", type=FILE, required=True, callback=InFolder(CAPTURES), help="Recording with the values.")
@click.option("--marks", required=True, help="Printed marks, from the lowest value to the highest: 0,1000,2000.")
@click.option("--unit", default="", help="Unit of the marks, such as rpm or degC.")
@click.option(
    "--with",
    "others",
    multiple=True,
    type=IdentifierType(),
    help="Identifier of another message to play as it was recorded; repeatable.",
)
@click.option("--name", default="gauge", show_default=True, help="Name of the table.")
@click.option("--out", type=FILE, help="Write the table to this file (JSON).")
@log_option
@click.option("--table", "on_table", is_flag=True, help="The module is on a table, not in a vehicle.")
@bus_option
@config_option
@cautions_option
def gauge(
    field: str,
    map_path: Path,
    recording: Path,
    marks: str,
    unit: str,
    others: tuple[tuple[int, bool], ...],
    name: str,
    out: Path | None,
    log_path: Path | None,
    on_table: bool,
    buses: tuple[str, ...],
    config: Path | None,
    cautions_read: bool,
) -> None:
    """Sweep MESSAGE.SIGNAL up and down while you mark when the needle passes each printed mark.

    The module that sends the message must be unplugged. Hold the space bar to send: sending stops one second after the
    last key press.

    \b
    Example:
      swapbridge trial gauge Engine.Coolant --map host.dbc --recording host.log --marks 50,90,130
    """
    signal_map = load_map(map_path)
    message, signal = _field(signal_map, field)
    check_field(signal)
    words = (message.word, *(identifier_word(*one) for one in others))
    swept, *rest = sendable(read_one(recording), signal_map, words)
    trial = GaugeTrial(tuple(payloads_by_value(swept, signal)), _marks(marks))
    spec = asked_bus(chosen_buses(buses, config), None)
    acknowledge(cautions_read)
    typed(TABLE if on_table else VEHICLE)
    run = GaugeRun(trial, swept, signal, tuple(rest), speed_reader([signal_map]))
    run_at_terminal(spec, run, log_path or default_log(), HELP)
    if run.ended_by != "done":
        print_line(f"Ended early: {run.ended_by}.")
        sys.exit(2)
    _report(trial.result(), signal, unit, name, out)


command.add_command(trial_needs.needs)
command.add_command(trial_field.field)


def _field(signal_map: SignalMap, field: str) -> tuple[MapMessage, MapSignal]:
    message_name, _, signal_name = field.partition(".")
    message = signal_map.message(message_name)
    signal = message.signal(signal_name) if message is not None else None
    if message is None or signal is None:
        raise InputError(f"the map has no {field!r}: write MESSAGE.SIGNAL as `swapbridge map show` lists it")
    return message, signal


def _marks(text: str) -> tuple[float, ...]:
    try:
        return tuple(float(part) for part in text.split(","))
    except ValueError:
        raise InputError(f"marks {text!r} can't be read: write numbers separated by commas, like 0,1000,2000") from None


def _report(found: GaugeTable, signal: MapSignal, unit: str, name: str, out: Path | None) -> None:
    screen = console()
    rows = []
    for p in found.points:
        sent = float(signal.physical(round(p.raw)))
        rows.append((f"{p.mark:g}", f"{p.raw:.1f}", f"{sent:g}", f"{p.error:.1f}", f"{p.hysteresis:.1f}"))
    columns = ("mark", "raw", signal.unit or "value", "error", "hysteresis")
    screen.print(table(columns, rows, right=columns))
    screen.print(f"the needle takes {found.settling_s:.0f} s to settle", markup=False)
    for words in found.remarks:
        screen.print(f"- {words}", markup=False)
    if found.line is not None:
        scale, offset = found.line
        screen.print(f"linear scale: shown = {scale:.6g} * raw + {offset:.6g}", markup=False)
    screen.print(f"\n{gauge_toml(found, signal, unit, name)}", markup=False)
    if out is not None:
        points = [
            {"mark": p.mark, "raw": p.raw, "error": p.error, "hysteresis": p.hysteresis, "plateau": p.plateau}
            for p in found.points
        ]
        content = {"version": 1, "points": points, "settling_s": found.settling_s, "line": found.line}
        with written_whole(out) as temporary:
            temporary.write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8")
        print_line(f"table written to {out}")


def gauge_toml(found: GaugeTable, signal: MapSignal, unit: str, name: str) -> str:
    """A table for the bridge file: what to send so that the needle shows a value."""
    points = sorted((p.mark, float(signal.physical(round(p.raw)))) for p in found.points)
    listed = ", ".join(f"[{mark:g}, {sent:g}]" for mark, sent in points)
    return f'[tables.{name}]   # shown: to be sent\nx = "{unit}"\ny = "{signal.unit}"\npoints = [{listed}]'
