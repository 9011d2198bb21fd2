"""Swap folder room: the files of a swap folder, as `swapbridge new` lays it out, and where the folder is."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

from swapbridge.core.files import PROOF_NAME

BRIDGE, PLAN, PROOF = "bridge.toml", "plan.json", PROOF_NAME
NEEDS, HEALTH, SCRIPT = "needs.toml", "health.toml", "stimulus_script.toml"
CAPTURES, MAPS = "captures", "signal_maps"
SURVEY, FINDINGS, CODES = "survey", "findings", "codes"
NEEDS_FOUND = f"{SURVEY}/needs_found.toml"
"""What vanished when the host's engine computer was unplugged, as a draft finds it."""


@dataclass(frozen=True, slots=True)
class SwapFolder:
    """Where the files of one swap are; none of them needs to be there yet."""

    path: Path

    @property
    def captures(self) -> Path:
        return self.path / CAPTURES

    @property
    def codes(self) -> Path:
        return self.path / CODES

    @property
    def maps(self) -> Path:
        return self.path / MAPS

    @property
    def bridge(self) -> Path:
        return self.path / BRIDGE

    @property
    def plan(self) -> Path:
        return self.path / PLAN

    @property
    def proof(self) -> Path:
        return self.path / PROOF

    @property
    def needs(self) -> Path:
        return self.path / NEEDS

    @property
    def health(self) -> Path:
        return self.path / HEALTH

    @property
    def script(self) -> Path:
        return self.path / SCRIPT


def pristine(name: str) -> str:
    """What `swapbridge new` writes into a file of an empty folder."""
    return files("swapbridge.swapfolder").joinpath("folder_files", name).read_text(encoding="utf-8")


def find_swap_folder(start: Path | None = None) -> SwapFolder | None:
    """The swap folder around `start` (by default the current folder): the nearest with a bridge file and captures.

    Parameters
    ----------
    start : Path, optional
        Folder to begin with.

    Returns
    -------
    SwapFolder or None
        The folder, or None if there is none.
    """
    here = (start or Path.cwd()).absolute()
    for folder in (here, *here.parents):
        if (folder / BRIDGE).is_file() and (folder / CAPTURES).is_dir():
            return SwapFolder(folder)
    return None
