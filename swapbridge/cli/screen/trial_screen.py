"""Command line: a trial at the terminal: what is typed first, the keys, the screen, the log."""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Iterable
from pathlib import Path

import click
from rich.live import Live as Screen
from rich.text import Text

from swapbridge.asking.trials.log import TrialLog
from swapbridge.asking.trials.turns import Key, TrialRun, TrialStatus, run_trial
from swapbridge.bus.adapters.clock import monotonic_ns
from swapbridge.bus.adapters.spec import BusSpec
from swapbridge.cli.screen.common import console, print_line
from swapbridge.cli.screen.terminal import Keyboard, signals
from swapbridge.core.errors import RefusedError
from swapbridge.swapfolder.paths import find_swap_folder

TABLE = (("table", "the module is on a table, not in a vehicle"),)
"""What is typed before a trial that is for a table alone."""
KEYS = {
    "\n": Key.PRESS, "\r": Key.PRESS, "r": Key.REST, "l": Key.REST_LAST, "s": Key.SKIP, "y": Key.YES, "n": Key.NO,
    "q": Key.QUIT,
}  # fmt: skip


def default_log() -> Path:
    """Where a trial is recorded."""
    folder = find_swap_folder()
    return Path("trial.log") if folder is None else folder.captures / "trial.log"


def typed(conditions: Iterable[tuple[str, str]]) -> None:
    """Each condition is typed by its word.

    Raises
    ------
    RefusedError
        One was not.
    """
    for word, sentence in conditions:
        try:
            answer = click.prompt(f'{sentence}: type "{word}"', default="", show_default=False, err=True)
        except click.Abort:
            answer = ""
        if answer.strip() != word:
            raise RefusedError(f"it was not confirmed that {sentence}: nothing was sent")


def run_at_terminal(spec: BusSpec, run: TrialRun, path: Path, helps: str) -> None:
    """Run a trial with the keys of this terminal, and keep its log.

    Raises
    ------
    RefusedError
        There is no terminal.
    """
    if not sys.stdin.isatty():
        raise RefusedError("there is no terminal to press keys on, and without a sign of life nothing is ever sent")
    stop, keyboard, terminal = threading.Event(), Keyboard(), console()
    drawn = 0.0

    def keys() -> Iterable[Key]:
        return [KEYS.get(character, Key.LIFE) for character in keyboard.read()]

    with (
        signals(SIGINT=stop, SIGTERM=stop, SIGHUP=stop),
        keyboard.opened(),
        Screen(console=terminal, auto_refresh=False, transient=True, redirect_stderr=False) as screen,
    ):

        def show(status: TrialStatus) -> None:
            nonlocal drawn
            if terminal.is_terminal and time.monotonic() - drawn > 0.1:
                drawn = time.monotonic()
                screen.update(_board(status, helps), refresh=True)

        log = TrialLog(path, spec.name, time.time_ns() - monotonic_ns())
        try:
            run_trial(spec, run, log, keys=keys, show=show, stop=stop.is_set)
        finally:
            log.close()
            print_line(f"recorded {log.path}")


def _board(status: TrialStatus, helps: str) -> Text:
    out = Text(f"{status.stage}\n", style="bold")
    for line in status.lines:
        out.append(f"{line}\n", style="cyan")
    if status.sending is not None:
        out.append("sending\n" if status.sending else "NOT SENDING: hold space\n", "" if status.sending else "bold red")
    out.append(helps, style="dim")
    return out
