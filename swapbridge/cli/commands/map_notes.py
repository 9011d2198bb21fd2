"""Command line: reports what was corrected or left out when a map was read."""

from __future__ import annotations

from swapbridge.cli.screen.common import print_line
from swapbridge.signalmap.signal_map import SignalMap


def print_notes(loaded: SignalMap | None) -> None:
    """One line on standard error if something was corrected or left out, and how to see all of it."""
    if loaded is not None and loaded.notes:
        more = f" and {len(loaded.notes) - 1} more" if len(loaded.notes) > 1 else ""
        print_line(f"{loaded.source}: {loaded.notes[0]}{more} (`swapbridge map show {loaded.source} --notes`)")
