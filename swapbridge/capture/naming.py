"""Capture room: which file is a recording, which one is its stimulus, and which vehicle a recording is of.

A recording ``idle.log.gz`` has its stimulus beside it as ``idle.csv`` or, from the recorder, as ``idle.stimulus.csv``;
a scan tool's answers as ``idle.scan_tool.csv``. A CSV file is a recording only where it holds frames.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

TEXT_FORMS = ("asc", "trc", "csv")
BINARY_FORMS = ("blf", "db")
FORMS = ("log", *TEXT_FORMS, *BINARY_FORMS, "mf4", "parquet")
"""Forms that `read_capture` reads; all except .db and .parquet also as .gz."""
CSV_HEADER = "timestamp,arbitration_id,extended,remote,error,dlc,data"
"""First line of a CSV file that holds frames."""
STIMULUS_ENDING = ".stimulus.csv"
ANSWERS_ENDING = ".scan_tool.csv"
STIMULUS_ENDINGS = (STIMULUS_ENDING, ".csv")
"""What stands behind a recording's name in its stimulus file's, the likelier first."""
RECORDING_SUFFIXES = tuple(
    f".{form}{packed}" for form in FORMS for packed in ("", ".gz") if not (packed and form in ("db", "parquet"))
)
"""Endings of files that `read_capture` reads, plain or packed."""

WANTED = {
    "host": "the host with its old engine (host_old_engine)",
    "host unplugged": "the host with its engine computer unplugged (host_unplugged)",
    "donor": "the donor in its own vehicle (donor_own_vehicle)",
    "donor alone": "the donor's computer alone on a table (donor_alone)",
}
"""The recordings of a swap by their kind, and how a person calls them; a draft is made from all four."""

_LONGEST_FIRST = tuple(sorted(RECORDING_SUFFIXES, key=len, reverse=True))
_CSV_FRAMES = re.compile(CSV_HEADER.encode(), re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Recording:
    """A recording in a folder, what it is of, and its stimulus file if it has one.

    Attributes
    ----------
    path : Path
    kind : str
        "host", "donor", either with " unplugged" or " alone" behind, or "" where the name says neither.
    stimulus : Path or None
    """

    path: Path
    kind: str
    stimulus: Path | None


def recording_stem(name: str) -> str:
    """A recording's file name without its ending.

    Examples
    --------
    >>> recording_stem("host_old_engine.log.gz")
    'host_old_engine'
    """
    for suffix in _LONGEST_FIRST:
        if name.lower().endswith(suffix):
            return name[: -len(suffix)]
    return name


def is_recording(path: Path) -> bool:
    """Whether a file is a recording by its name; a CSV must also begin as one that holds frames does."""
    name = path.name.lower()
    if not name.endswith(RECORDING_SUFFIXES) or name.endswith((STIMULUS_ENDING, ANSWERS_ENDING)):
        return False
    if not name.endswith(".csv"):
        return True
    try:
        with path.open("rb") as file:
            return _CSV_FRAMES.match(file.read(200).lstrip()) is not None
    except OSError:
        return False


def stimulus_of(path: Path) -> Path | None:
    """The stimulus file beside a recording, or None."""
    stem = recording_stem(path.name)
    for ending in STIMULUS_ENDINGS:
        beside = path.with_name(stem + ending)
        if beside != path and beside.is_file() and not is_recording(beside):
            return beside
    return None


def kind_of(name: str) -> str:
    """What a recording is of, by its name.

    Examples
    --------
    >>> kind_of("host_unplugged.log.gz"), kind_of("donor_own_vehicle.log"), kind_of("idle.log")
    ('host unplugged', 'donor', '')
    """
    low = name.lower()
    side = "host" if "host" in low else "donor" if "donor" in low else ""
    extra = next((word for word in ("unplugged", "alone") if word in low), "")
    return f"{side} {extra}" if side and extra else side


def recordings(folder: Path) -> list[Recording]:
    """Recordings in a folder, by name; none where there is no such folder."""
    try:
        paths = sorted(path for path in folder.iterdir() if path.is_file())
    except OSError:
        return []
    return [Recording(path, kind_of(path.name), stimulus_of(path)) for path in paths if is_recording(path)]


def recordings_by_kind(folder: Path) -> dict[str, Recording]:
    """The first recording of each kind, by name; those that say no vehicle are left out."""
    out: dict[str, Recording] = {}
    for recording in recordings(folder):
        if recording.kind:
            out.setdefault(recording.kind, recording)
    return out
