"""Asking room: a trial as a capture with marks: every frame and every press, on disk as it happens."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import IO

from swapbridge.core.errors import InputError
from swapbridge.core.files import refuse_device
from swapbridge.core.identifier_words import split_word

STIMULUS_ENDING = ".stimulus.csv"


class TrialLog:
    """Appends frames and marks to a text log and its stimulus file; both are new files.

    Parameters
    ----------
    path : Path
        The log, such as ``captures/trial.log``; a number is put behind the name while it exists.
    bus : str
    offset_ns : int
        Added to the trial's clock to make nanoseconds since 1970.

    Raises
    ------
    InputError
        It can't be written.
    """

    def __init__(self, path: Path, bus: str, offset_ns: int) -> None:
        refuse_device(path)
        self.path = _free(path)
        self._bus, self._offset_ns = bus, offset_ns
        try:
            self._frames: IO[str] = self.path.open("x", encoding="ascii", buffering=1)
            marks = self.path.with_suffix(STIMULUS_ENDING).open("x", encoding="utf-8", newline="", buffering=1)
        except OSError as error:
            raise InputError(f"{path} can't be written ({error}): name a folder that exists and has room") from None
        self._marks_file, self._marks = marks, csv.writer(marks, lineterminator="\n")
        self._marks.writerow(("time_s", "channel", "value", "unit"))

    def frame(self, word: int, data: bytes, now_ns: int) -> None:
        """Keep a frame."""
        identifier, extended = split_word(word)
        name = f"{identifier:08X}" if extended else f"{identifier:03X}"
        self._frames.write(f"({self._seconds(now_ns)}) {self._bus} {name}#{data.hex().upper()}\n")

    def mark(self, channel: str, value: str, unit: str, now_ns: int) -> None:
        """Keep a press, or what is sent."""
        self._marks.writerow((self._seconds(now_ns), channel, value, unit))

    def close(self) -> None:
        self._frames.close()
        self._marks_file.close()

    def _seconds(self, now_ns: int) -> str:
        micro = (now_ns + self._offset_ns) // 1000
        return f"{micro // 1_000_000}.{micro % 1_000_000:06d}"


def _free(path: Path) -> Path:
    number, found = 2, path
    while found.exists() or found.with_suffix(STIMULUS_ENDING).exists():
        found, number = path.with_name(f"{path.stem}-{number}{path.suffix}"), number + 1
    return found
