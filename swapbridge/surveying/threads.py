"""Surveying room: the same work on many pieces, shared by a few threads: numpy lets others run while it works."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

WorkPiece = TypeVar("WorkPiece")
Result = TypeVar("Result")

WORTH_THREADS = 200_000
"""Below so many frames threads save no noticeable time."""
MOST_THREADS = 4
"""More bring nothing: what happens between two numpy calls is done by one at a time."""


def on_threads(work: Callable[[WorkPiece], Result], pieces: Sequence[WorkPiece], frames: int) -> Iterator[Result]:
    """Results in the order of the pieces; by this thread alone where there are few frames."""
    threads = min(MOST_THREADS, os.cpu_count() or 1, len(pieces))
    if frames < WORTH_THREADS or threads < 2:
        yield from map(work, pieces)
        return
    with ThreadPoolExecutor(threads) as pool:
        yield from pool.map(work, pieces)
