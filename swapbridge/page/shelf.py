"""Page room: the files of one swap folder, by safe name, and captures kept in memory while they are looked at."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from swapbridge.capture.capture import Capture
from swapbridge.capture.naming import is_recording, stimulus_of
from swapbridge.capture.read import read_capture
from swapbridge.capture.stimulus import StimulusTrack, read_stimulus
from swapbridge.core.errors import InputError

MOST_CAPTURE_BYTES = 512 * 1024 * 1024
"""An uploaded capture may be this large; larger ones are copied into the folder by hand."""
KEPT_CAPTURES = 3


@dataclass(frozen=True, slots=True)
class CaptureFile:
    """One capture in the folder, with the stimulus file that belongs to it, if there is one."""

    name: str
    path: Path
    stimulus: Path | None
    size_bytes: int


class Shelf:
    """A swap folder as the page sees it. Every name that comes from a browser goes through here.

    Parameters
    ----------
    folder : Path
        The swap folder; nothing outside it is read or written.

    Raises
    ------
    InputError
        The folder is not there.
    """

    def __init__(self, folder: Path) -> None:
        if not folder.is_dir():
            raise InputError(f"{folder}: no such folder; make one with: swapbridge new {folder}")
        self.folder = folder.resolve()
        self.allowed: Callable[[], None] = lambda: None
        """Asked before a capture is read; raises when there is a reason against it."""
        self._lock = threading.Lock()
        self._captures: OrderedDict[tuple[Path, int, int], Capture] = OrderedDict()

    def path(self, *parts: str) -> Path:
        """A path inside the folder.

        Raises
        ------
        InputError
            The name leads out of the folder (through dots, an absolute path or a link).
        """
        if any("\0" in part or len(part) > 255 for part in parts):
            raise InputError("this is not a file name")
        found = self.folder.joinpath(*parts).resolve()
        if found != self.folder and self.folder not in found.parents:
            raise InputError("this name leads out of the swap folder")
        return found

    def captures(self) -> list[CaptureFile]:
        """Captures in `captures/`, by name."""
        folder = self.path("captures")
        if not folder.is_dir():
            return []
        out = []
        for path in sorted(folder.iterdir()):
            if path.is_file() and is_recording(path):
                try:
                    inside = self.path("captures", path.name)
                except InputError:
                    continue
                out.append(CaptureFile(path.name, inside, stimulus_of(path), path.stat().st_size))
        return out

    def capture_file(self, name: str) -> CaptureFile:
        """The capture of that name.

        Raises
        ------
        InputError
            There is none.
        """
        for item in self.captures():
            if item.name == name:
                return item
        raise InputError(f"captures/ holds no capture named {name!r}; load the page again to see what is there")

    def capture(self, name: str) -> Capture:
        """The capture of that name, read once and kept while it is being looked at."""
        path = self.capture_file(name).path
        stat = path.stat()
        key = (path, stat.st_mtime_ns, stat.st_size)
        with self._lock:
            if key in self._captures:
                self._captures.move_to_end(key)
                return self._captures[key]
        self.allowed()
        capture = read_capture(path)
        with self._lock:
            self._captures[key] = capture
            while len(self._captures) > KEPT_CAPTURES:
                self._captures.popitem(last=False)
        return capture

    def stimulus(self, name: str) -> StimulusTrack | None:
        """The stimulus track that belongs to a capture, or None."""
        path = self.capture_file(name).stimulus
        return None if path is None else read_stimulus(path)

    def maps(self) -> list[Path]:
        """Signal maps in `signal_maps/`, by name."""
        folder = self.path("signal_maps")
        return sorted(p for p in folder.glob("*.dbc") if p.is_file()) if folder.is_dir() else []

    def map_path(self, name: str) -> Path:
        """Where a map of that name stands or would stand.

        Raises
        ------
        InputError
            The name is not a plain DBC file name.
        """
        if not name.endswith(".dbc") or "/" in name or "\\" in name or name.startswith("."):
            raise InputError("a signal map's file name ends in .dbc and has no folders in it")
        return self.path("signal_maps", name)
