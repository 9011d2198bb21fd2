"""Swap folder room: an empty swap folder, as `swapbridge new` lays it out."""

from __future__ import annotations

from pathlib import Path

from swapbridge.bus.recording.script import default_script_text
from swapbridge.core.errors import InputError
from swapbridge.core.files import written_whole
from swapbridge.swapfolder.paths import BRIDGE, CAPTURES, FINDINGS, HEALTH, MAPS, NEEDS, SCRIPT, SURVEY, pristine


def lay_out(folder: Path) -> None:
    """Make the folder and its files.

    Raises
    ------
    InputError
        The folder holds something already, or can't be made.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise InputError(f"{folder} exists and is not empty: name a new folder")
    write_empty(folder)


def write_empty(folder: Path) -> None:
    """Write the folders and files of an empty swap folder; those that are there are written anew.

    Raises
    ------
    InputError
        The folder can't be made.
    """
    try:
        for part in (CAPTURES, MAPS, SURVEY, FINDINGS):
            (folder / part).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            f"{folder} can't be created ({error.strerror}): name a folder where you have write permission"
        ) from None
    texts = {name: pristine(name) for name in (NEEDS, HEALTH, BRIDGE)}
    for name, text in {SCRIPT: default_script_text(), **texts}.items():
        with written_whole(folder / name) as temporary:
            temporary.write_text(text, encoding="utf-8")
