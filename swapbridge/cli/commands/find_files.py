"""Command line: how commands run inside a swap folder find their files."""

from __future__ import annotations

from pathlib import Path

from swapbridge.core.errors import InputError
from swapbridge.swapfolder.paths import SwapFolder, find_swap_folder


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
