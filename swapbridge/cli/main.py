"""Command line: the `swapbridge` group. Each command lives in a file of its own and is loaded when called."""

from __future__ import annotations

import gc
import importlib
from typing import Any

import click

from swapbridge._version import __version__
from swapbridge.cli.screen.plain_text import survive_any_encoding
from swapbridge.core.errors import SwapbridgeError

COMMANDS = {
    "tour": "Run an invented engine swap from end to end.",
    "new": "Create a swap folder.",
    "record": "Record buses while you carry out known actions on the vehicle.",
    "convert": "Convert a capture into another format.",
    "survey": "Show who sends on a bus, how often, and which bits change.",
    "compare": "Show what changed between two captures.",
    "guess": "Find signals in captures and what they mean.",
    "map": "Work with signal maps: accept findings, set, show, merge, export.",
    "draft": "Draft maps, needs list and bridge file from recordings.",
    "compile": "Check a bridge file and write its plan.",
    "review": "Review a learned rule and confirm it.",
    "emit": "Write a plan's translator as C.",
    "prove": "Prove a plan on the bench.",
    "replay": "Play a capture, or its translation, onto a bus.",
    "dtc": "Read fault codes from the modules; never clear them.",
    "trial": "Find out what a module on a table needs or shows.",
    "run": "Run a plan between two live buses.",
    "stop": "Stop every live run on this computer.",
    "status": "Show where the swap stands and the next step.",
    "guide": "Read short guide pages, without a network.",
    "page": "Open the browser page.",
}
"""Name and one-line help of every command; `swapbridge/cli/commands/<name>_cmd.py` holds it as `command`."""

SELDOM = (100_000, 20, 20)
"""How often Python looks for objects that only hold each other: a draft has few, but half a million others to look at,
which took a twentieth of its time (drafts of the tour in turn, on a loaded machine)."""


class Problem(click.ClickException):
    """One clear sentence on standard error and exit code 2."""

    exit_code = 2


class LazyGroup(click.Group):
    """Loads a command's file only when it is called, so that `swapbridge --help` is quick."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"swapbridge.cli.commands.{cmd_name}_cmd")
        command: click.Command = module.command
        return command

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except SwapbridgeError as error:
            raise Problem(str(error)) from error
        except MemoryError as error:
            raise Problem(
                "this needs more memory than there is (about 60 bytes a frame while a capture is read): close other "
                "programs, or split the capture"
            ) from error

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__)
def cli() -> None:
    """Swapbridge: give the computers of an engine swap the CAN messages they wait for.

    Record both buses, guess what the identifiers carry, store it as a DBC signal map, compile a bridge between the
    two maps, prove it on the bench, then run it or emit it as C.

    All results are advice: the vehicle's own manuals, local codes and licensed practice come first.
    """


def main() -> None:
    """Entry point: exit code 0 done, 1 a proof failed, 2 the input or the call was wrong, 3 not proved."""
    survive_any_encoding()
    gc.set_threshold(*SELDOM)
    cli()
