"""Command line: captures read under a progress bar."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TypeVar

from swapbridge.capture.capture import Capture
from swapbridge.capture.read import read_capture
from swapbridge.cli.screen.common import progress_bar

FileName = TypeVar("FileName")


def read_all(files: Mapping[FileName, Path]) -> dict[FileName, Capture]:
    """Captures by the names of their files; the bar goes once along all of them."""
    out: dict[FileName, Capture] = {}
    with progress_bar("Reading") as report:

        def advance(share: float, words: str) -> None:
            report((len(out) + share) / len(files), words)

        for name, path in files.items():
            out[name] = read_capture(path, progress=advance)
    return out


def read_one(path: Path) -> Capture:
    """One capture."""
    return read_all({path: path})[path]
