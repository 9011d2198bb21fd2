"""Command line: what is to be said of a map that was not read as it stands."""

from __future__ import annotations

from swapbridge.cli.screen.common import say
from swapbridge.signalmap.model import SignalMap


def say_notes(loaded: SignalMap | None) -> None:
    """One line on standard error where something was put right or left out, and how to see all of it."""
    if loaded is not None and loaded.notes:
        more = f" and {len(loaded.notes) - 1} more" if len(loaded.notes) > 1 else ""
        say(f"{loaded.source}: {loaded.notes[0]}{more} (`swapbridge map show {loaded.source} --notes`)")
