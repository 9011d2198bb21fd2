"""Command line: the swap folder that `swapbridge new` lays out, and how commands run inside it find their files."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from swapbridge.core.errors import InputError
from swapbridge.plan.proof_file import PROOF_NAME

BRIDGE, PLAN, PROOF = "bridge.toml", "plan.json", PROOF_NAME
NEEDS, HEALTH, SCRIPT = "needs.toml", "health.toml", "stimulus_script.toml"
CAPTURES, MAPS = "captures", "signal_maps"
SURVEY, FINDINGS = "survey", "findings"


@dataclass(frozen=True, slots=True)
class SwapFolder:
    """Where the files of one swap are; none of them needs to be there yet."""

    path: Path

    @property
    def captures(self) -> Path:
        return self.path / CAPTURES

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


def find_swap_folder(start: Path | None = None) -> SwapFolder | None:
    """The swap folder around `start` (by default the current folder): the nearest with a bridge file and captures."""
    here = (start or Path.cwd()).absolute()
    for folder in (here, *here.parents):
        if (folder / BRIDGE).is_file() and (folder / CAPTURES).is_dir():
            return SwapFolder(folder)
    return None


def need_swap_folder(what: str) -> SwapFolder:
    """The swap folder around the current one.

    Raises
    ------
    InputError
        There is none; `what` is what the command would have looked for.
    """
    folder = find_swap_folder()
    if folder is None:
        raise InputError(
            f"no {what} was named and this is not inside a swap folder: name it, or begin with `swapbridge new FOLDER`"
        )
    return folder


def find_file(name: Path, *places: str) -> Path:
    """A file as named, or of that name in the swap folder or in its `places` (such as "captures").

    Returned as named where it is nowhere, so that whoever opens it says so.
    """
    folder = find_swap_folder()
    if name.exists() or name.is_absolute() or folder is None:
        return name
    for place in ("", *places):
        candidate = folder.path / place / name
        if candidate.exists():
            return candidate
    return name


class InFolder:
    """Click callback: arguments that name files are looked for in the swap folder too."""

    def __init__(self, *places: str) -> None:
        self.places = places

    def __call__(self, ctx: object, param: object, value: Path | tuple[Path, ...] | None) -> object:
        if value is None:
            return None
        if isinstance(value, tuple):
            return tuple(find_file(v, *self.places) for v in value)
        return find_file(value, *self.places)
