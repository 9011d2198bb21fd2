"""Command line: `swapbridge trial field`: what moves a lamp or a needle, found by exchanging recorded payloads."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from swapbridge.asking.trials.field_keep import seen_in_map
from swapbridge.asking.trials.field_plan import FieldPlan
from swapbridge.asking.trials.field_run import FieldRun
from swapbridge.asking.trials.permit import sendable
from swapbridge.cli.commands.dtc_cmd import asked_bus
from swapbridge.cli.commands.options import bus_option, cautions_option, chosen_buses, config_option
from swapbridge.cli.commands.trial_messages import FILE, absent_messages, log_option, messages_to_try, module_words
from swapbridge.cli.screen.common import IdentifierType, print_line
from swapbridge.cli.screen.read_captures import read_one
from swapbridge.cli.screen.terminal import acknowledge
from swapbridge.cli.screen.trial_screen import TABLE, default_log, run_at_terminal, typed
from swapbridge.core.errors import InputError
from swapbridge.core.identifier_words import format_identifier, identifier_word, split_word
from swapbridge.signalmap.dbc_read import load_map
from swapbridge.signalmap.dbc_write import save_map

HELP = "hold space: send   y: it moves   n: it stands still   q: end"


@click.command()
@click.argument("module")
@click.argument("what")
@messages_to_try
@click.option(
    "--with",
    "others",
    multiple=True,
    type=IdentifierType(),
    help="Identifier of a message to play as it was recorded; repeatable.",
)
@click.option("--turn", "turn_s", default=3.0, show_default=True, help="Seconds to send each payload.")
@click.option("--name", help="Name of the signal, if the map has none at this place.")
@click.option("--into", type=FILE, help="Map to write to (default: the one that was read, if it is a DBC).")
@log_option
@bus_option
@config_option
@cautions_option
def field(
    module: str,
    what: str,
    map_path: Path,
    recording: Path,
    absent: tuple[str, ...],
    named: tuple[tuple[int, bool], ...],
    others: tuple[tuple[int, bool], ...],
    turn_s: float,
    name: str | None,
    into: Path | None,
    log_path: Path | None,
    buses: tuple[str, ...],
    config: Path | None,
    cautions_read: bool,
) -> None:
    """Find which signal moves WHAT (a lamp, a needle) of MODULE, with the module alone on a table.

    A few recorded payloads are sent in turn; answer whether it moves. Nothing is sent unless you hold the space bar.

    \b
    Example:
      swapbridge trial field Cluster "oil lamp" --map host.dbc --recording host.log --absent ECM
    """
    signal_map, capture = load_map(map_path), read_one(recording)
    target = into or map_path
    if target.suffix.lower() != ".dbc":
        raise InputError(f"{target} is not a DBC: name one to write to with --into")
    if not 0.2 <= turn_s <= 120:
        raise InputError("--turn must be 0.2 to 120 s: name a time in this range")
    own = module_words(signal_map, module)
    played = sendable(capture, signal_map, [identifier_word(*one) for one in others])
    tried = tuple(o for o in absent_messages(capture, signal_map, absent, named) if o not in played)
    plan = FieldPlan(tried)
    spec = asked_bus(chosen_buses(buses, config), None)
    acknowledge(cautions_read)
    typed(TABLE)
    run = FieldRun(plan, what, own, played, turn_s)
    run_at_terminal(spec, run, log_path or default_log(), HELP)
    if run.ended_by != "done" or plan.result is None:
        print_line(f"Ended early: {run.ended_by}.")
        sys.exit(2)
    found = plan.result
    if found.remark:
        print_line(f"{found.remark}.")
    if not found.things:
        sys.exit(2)
    for thing in found.things:
        print_line(f"{what}: {thing.label} ({format_identifier(*split_word(thing.word))})")
    print_line(f"{found.trials} exchanges; wrong with a probability of about {max(found.doubt, 0.001):.1%}")
    save_map(seen_in_map(signal_map, found, what, name), target)
    print_line(f"written to {target}")
