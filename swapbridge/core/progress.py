"""Core room: what long work tells while it goes on."""

from __future__ import annotations

from collections.abc import Callable
from typing import overload

Progress = Callable[[float, str], None]
"""Told the share done (0 to 1) and a few words about what is being done."""


@overload
def part_of(progress: Progress, begin: float, end: float) -> Progress: ...


@overload
def part_of(progress: Progress | None, begin: float, end: float) -> Progress | None: ...


def part_of(progress: Progress | None, begin: float, end: float) -> Progress | None:
    """What a part of the work tells: its own share of 0 to 1 becomes the whole's, from `begin` to `end`."""
    if progress is None:
        return None
    whole = progress
    return lambda share, words: whole(begin + (end - begin) * min(1.0, share), words)
