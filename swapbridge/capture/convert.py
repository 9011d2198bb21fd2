"""Capture room: `convert`, a recording turned into another form with one block of it in memory at a time."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import NamedTuple

from swapbridge.capture.capture import Capture, ReadNotes
from swapbridge.capture.mf4 import write_mf4
from swapbridge.capture.read import read_blocks
from swapbridge.capture.write import write_captures
from swapbridge.capture.write_others import WRITTEN_FORMS, write_other
from swapbridge.core.errors import InputError
from swapbridge.core.progress import Progress

CONVERTED = (".log", ".log.gz", ".parquet", ".mf4", *(f".{form}" for form in WRITTEN_FORMS))
"""Suffixes that `convert` writes."""


class Converted(NamedTuple):
    """How a conversion went.

    Attributes
    ----------
    frames : int
        Frames written.
    notes : ReadNotes
        What could not be read.
    moved : int
        Frames older than the first one that got its time, since the written form counts from there.
    """

    frames: int
    notes: ReadNotes
    moved: int = 0

    def sentences(self) -> list[str]:
        """What to report to the user; empty when all was well."""
        if not self.moved:
            return self.notes.sentences()
        frames = "1 frame is" if self.moved == 1 else f"{self.moved:,} frames are"
        return [
            *self.notes.sentences(),
            f"{frames} older than the first and got the first one's time, from which this format counts",
        ]


def convert(source: str | Path, target: str | Path, *, progress: Progress | None = None) -> Converted:
    """Turn one recording into the form that the suffix of `target` says (`CONVERTED`).

    Parameters
    ----------
    source : str or Path
        The recording to read.
    target : str or Path
        The file to write.
    progress : callable, optional
        Called with the share done (0 to 1) and a few words.

    Returns
    -------
    Converted
        Frames written, and what could not be read or written.

    Raises
    ------
    InputError
        The source can't be read, the target can't be written, or its suffix says no form.
    MissingToolError
        A form needs a package that is not installed.
    """
    source, target = Path(source), Path(target)
    if not target.name.lower().endswith(CONVERTED):
        raise InputError(
            f"the format of {target} is not known: give it one of these extensions: {', '.join(CONVERTED)}"
        )
    if target.exists() and source.exists() and target.samefile(source):
        raise InputError(f"{target} is the capture itself: name another output file")
    notes = ReadNotes()
    frames = moved = 0

    def count_blocks(blocks: Iterable[Capture]) -> Iterator[Capture]:
        nonlocal notes, frames
        for block in blocks:
            notes = notes.plus(block.notes)
            frames += len(block)
            yield block

    def blocks() -> Iterator[Capture]:
        nonlocal notes, frames
        notes, frames = ReadNotes(), 0
        return count_blocks(read_blocks(source, progress=progress))

    suffix = target.suffix.lower()
    if suffix == ".parquet":
        from swapbridge.capture.parquet import write_parquet  # polars takes a while to load

        write_parquet(blocks, target)
    elif suffix == ".mf4":
        write_mf4(blocks(), target)
    elif suffix in (".log", ".gz"):
        write_captures(blocks(), target)
    else:
        moved = write_other(blocks(), target)
    return Converted(frames, notes, moved)
