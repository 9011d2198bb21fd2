"""Command line: `swapbridge trial needs`: what a module on a table needs, found by leaving things out."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from swapbridge.asking.trials.gauge import NEVER_SWEPT
from swapbridge.asking.trials.needs_keep import found_needs, into_needs, keep_trial, kept_answers, plan_facts
from swapbridge.asking.trials.needs_plan import LAMP, NeedsFound, NeedsPlan, TrialMethod, expected_trials
from swapbridge.asking.trials.needs_run import NeedsRun, Timing
from swapbridge.asking.trials.permit import Sendable
from swapbridge.asking.trials.things import MessageBits
from swapbridge.cli.commands.dtc_cmd import asked_bus, read_address
from swapbridge.cli.commands.options import bus_option, cautions_option, chosen_buses, config_option
from swapbridge.cli.commands.trial_messages import FILE, absent_messages, log_option, messages_to_try, module_words
from swapbridge.cli.screen.common import console, print_line, table
from swapbridge.cli.screen.read_captures import read_one
from swapbridge.cli.screen.terminal import acknowledge
from swapbridge.cli.screen.trial_screen import TABLE, default_log, run_at_terminal, typed
from swapbridge.core.roles import find_role
from swapbridge.signalmap.dbc_read import load_map
from swapbridge.swapfolder.paths import find_swap_folder

HELP = "hold space: send   enter: done   y, n: it complains or not   q: end, and resume another day"
KILOMETRES = (
    ("kilometres", "the module may count kilometres that were never driven, since recorded speeds are played"),
)


@click.command()
@click.argument("module")
@messages_to_try
@click.option(
    "--ask", "address", help="Identifiers at which the module answers requests, written REQUEST:ANSWER, like 7A0:7A8."
)
@click.option("--by-lamp", is_flag=True, help="You answer whether the module complains, instead of --ask.")
@click.option(
    "--asleep", "asleep_s", default=10.0, show_default=True, help="Seconds of silence until the module sleeps."
)
@click.option("--enabling", "enabling_s", default=5.0, show_default=True, help="Seconds of self-test after key on.")
@click.option(
    "--time-out", "timeout_s", default=5.0, show_default=True, help="The module's slowest time-out in seconds."
)
@click.option("--bits/--no-bits", default=True, show_default=True, help="Also find the needed bits of needed messages.")
@click.option("--one-by-one", is_flag=True, help="Leave out only one thing at a time, however long it takes.")
@click.option("--state", type=FILE, help="File that stores the trial, so that you can resume it another day.")
@click.option("--needs", "needs_path", type=FILE, help="Needs list to add to (default: the swap folder's).")
@log_option
@bus_option
@config_option
@cautions_option
def needs(
    module: str,
    map_path: Path,
    recording: Path,
    absent: tuple[str, ...],
    named: tuple[tuple[int, bool], ...],
    address: str | None,
    by_lamp: bool,
    asleep_s: float,
    enabling_s: float,
    timeout_s: float,
    bits: bool,
    one_by_one: bool,
    state: Path | None,
    needs_path: Path | None,
    log_path: Path | None,
    buses: tuple[str, ...],
    config: Path | None,
    cautions_read: bool,
) -> None:
    """Find which messages MODULE needs, and which of their bits, with the module alone on a table.

    Groups of messages are left out until it is clear which of them the module misses. Hold the space bar to send.

    \b
    Example:
      swapbridge trial needs Cluster --map host.dbc --recording host.log --absent ECM --ask 7A0:7A8
    """
    if (address is None) is not by_lamp:
        raise click.UsageError("choose how the module is asked: --ask REQUEST:ANSWER, or --by-lamp")
    signal_map = load_map(map_path)
    own = module_words(signal_map, module)
    messages = absent_messages(read_one(recording), signal_map, absent, named)
    spec = asked_bus(chosen_buses(buses, config), None)
    method: TrialMethod = "one by one" if one_by_one else "auto"
    facts = plan_facts(module, NeedsPlan(messages, bits, method), "lamp" if by_lamp else address or "")
    state = state or _default_state(module)
    plan = NeedsPlan(messages, bits, method, answers=kept_answers(state, facts))
    answer, request = (0, 0) if address is None else read_address(address)
    timing = Timing(asleep_s, enabling_s, timeout_s)
    run = NeedsRun(plan, own, None if by_lamp else (request, answer), timing, lambda: keep_trial(state, facts, plan))
    _print_time(plan, messages, timing, bits)
    if plan.next_trial() is not None:
        acknowledge(cautions_read)
        typed(TABLE)
        if _plays_speed(messages):
            typed(KILOMETRES)
        run_at_terminal(spec, run, log_path or default_log(), HELP)
        print_line(f"stored in {state}")
        if run.ended_by != "done":
            print_line(f"Ended early: {run.ended_by}.")
            sys.exit(2)
    assert plan.result is not None
    _report(plan.result)
    found = found_needs(module, spec.name, messages, plan)
    folder = find_swap_folder()
    needs_path = needs_path or (None if folder is None else folder.needs)
    if needs_path is not None and found:
        added, there = into_needs(needs_path, found)
        print_line(f"{needs_path}: {added} needs added, {there} were already there")


def _default_state(module: str) -> Path:
    folder, name = find_swap_folder(), f"needs-{''.join(c if c.isalnum() else '-' for c in module)}.json"
    return Path(name) if folder is None else folder.codes / name


def _print_time(plan: NeedsPlan, messages: tuple[Sendable, ...], timing: Timing, bits: bool) -> None:
    things = [len(MessageBits(one).things) for one in messages] if bits else []
    low, high = expected_trials(len(messages), things, plan.method)
    done = len(plan.answers)
    each = timing.trial_s(2 if bits else 1) / 60
    print_line(
        f"{len(messages)} messages{', ' + str(sum(things)) + ' bits that move' if bits else ''}: some {low} to {high} "
        f"trials of {60 * timing.trial_s():.0f} s and more, {low * each / 60:.1f} to {high * each / 60:.1f} h in all"
        + (f"; {done} are done" if done else "")
        + ". You can stop at any time and resume later."
    )


def _plays_speed(messages: tuple[Sendable, ...]) -> bool:
    never = {find_role(name).name for name in NEVER_SWEPT}
    return any(signal.role in never for one in messages for signal in one.message.signals)


def _report(found: NeedsFound) -> None:
    rows = []
    for one in (*found.messages, *found.bits):
        codes = ", ".join(code for code in one.codes if code != LAMP)
        rows.append((one.thing.label, one.verdict, f"{one.complained} of {one.complained + one.silent}", codes))
    console().print(table(("what", "verdict", "complained", "codes"), rows))
    for words in found.remarks:
        print_line(f"- {words}")
    print_line(
        f"{found.trials} trials, {found.controls} with everything sent; the module complained in "
        f"{found.wrong_controls} of these."
    )
    if not any(one.verdict != "not needed" for one in found.messages):
        print_line("Nothing was found to be needed; that proves nothing as long as the module never complained.")
