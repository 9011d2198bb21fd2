"""Emit room: several text files into a folder, all or none."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import ExitStack
from pathlib import Path

from swapbridge.core.errors import InputError
from swapbridge.core.files import written_whole


def write_files(files: Mapping[str, str], folder: Path) -> list[Path]:
    """Write the files; those of the same names are replaced only once all are on the disk.

    Parameters
    ----------
    files : mapping of str to str
        Text by file name, as `emit_c` returns it.
    folder : Path
        Folder to write to; created if missing.

    Returns
    -------
    paths : list of Path
        What was written, in the order given.

    Raises
    ------
    InputError
        The folder can't be made or written, or the disk is full; nothing was changed.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"{folder} can't be created ({error.strerror}): name another folder") from error
    with ExitStack() as stack:
        for name, text in files.items():
            temporary = stack.enter_context(written_whole(folder / name))
            temporary.write_text(text, encoding="utf-8", newline="\n")
    return [folder / name for name in files]
