"""Core room: how long work reports to its caller while it goes on: its progress, and sentences for a person."""

from __future__ import annotations

from collections.abc import Callable
from typing import overload

Progress = Callable[[float, str], None]
"""Receives the share done (0 to 1) and a few words about what is being done."""

Announce = Callable[[str], None]
"""Receives a sentence that a person should read now; it may be called from any thread."""


@overload
def part_of(progress: Progress, begin: float, end: float) -> Progress: ...


@overload
def part_of(progress: Progress | None, begin: float, end: float) -> Progress | None: ...


def part_of(progress: Progress | None, begin: float, end: float) -> Progress | None:
    """The progress of a part of the work: its share of 0 to 1 becomes the whole's, from `begin` to `end`."""
    if progress is None:
        return None
    whole = progress
    return lambda share, words: whole(begin + (end - begin) * min(1.0, share), words)
