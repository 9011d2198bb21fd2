"""Page room: the files of one swap folder, by safe name, and captures kept in memory while they are looked at."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from swapbridge.capture.capture import Capture
from swapbridge.capture.naming import is_recording, stimulus_of
from swapbridge.capture.read import read_capture
from swapbridge.capture.stimulus import StimulusTrack, read_stimulus
from swapbridge.core.errors import InputError
from swapbridge.page.once import Once
from swapbridge.swapfolder.paths import BRIDGE, CAPTURES, CODES, FINDINGS, HEALTH, MAPS, NEEDS, PLAN, PROOF, SCRIPT

MOST_CAPTURE_BYTES = 512 * 1024 * 1024
"""An uploaded capture may be this large; larger ones are copied into the folder by hand."""
KEPT_CAPTURES = 3
FOLDERS = (CAPTURES, MAPS, FINDINGS, CODES)
FILES = (BRIDGE, PLAN, PROOF, NEEDS, HEALTH, SCRIPT)
MOST_TROUBLES = 12


@dataclass(frozen=True, slots=True)
class CaptureFile:
    """One capture in the folder, with the stimulus file that belongs to it, if there is one."""

    name: str
    path: Path
    stimulus: Path | None


class FolderFiles:
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
        self._captures = Once(KEPT_CAPTURES)
        self._shares: dict[str, float] = {}

    def path(self, *parts: str) -> Path:
        """A path inside the folder.

        Raises
        ------
        InputError
            The name leads out of the folder (through dots, an absolute path or a link).
        """
        try:
            whole = all("\0" not in part and len(part.encode("utf-8")) <= 255 for part in parts)
        except UnicodeEncodeError:
            whole = False
        if not whole:
            raise InputError("this is not a file name")
        found = self.folder.joinpath(*parts).resolve()
        if found != self.folder and self.folder not in found.parents:
            raise InputError("this name leads out of the swap folder")
        return found

    def files(self, folder: str, ending: str = "") -> list[Path]:
        """Files of one of the swap's folders, by name; what leads out of it, or has no readable name, is left out."""
        return [path for path, trouble in self._looked(folder) if not trouble and path.name.endswith(ending)]

    def troubles(self) -> list[str]:
        """What of the swap folder is not shown, and what to do about it; a sentence each."""
        out = [self._trouble(self.folder / name) for name in FILES]
        out += [trouble for folder in FOLDERS for _, trouble in self._looked(folder)]
        found = [words for words in out if words]
        more = [f"And {len(found) - MOST_TROUBLES} more like these."] if len(found) > MOST_TROUBLES else []
        return found[:MOST_TROUBLES] + more

    def _looked(self, folder: str) -> list[tuple[Path, str]]:
        """Files of a folder with what is wrong with each, "" where nothing is."""
        whole = self.folder / folder
        if trouble := self._trouble(whole):
            return [(whole, trouble)]
        try:
            paths = sorted(path for path in whole.iterdir() if not path.name.startswith(".") and not path.is_dir())
        except FileNotFoundError:
            return []
        except OSError as error:
            return [(whole, f"{folder}/ can't be read ({error.strerror}): correct its permissions.")]
        return [(path, self._trouble(path)) for path in paths]

    def _trouble(self, path: Path) -> str:
        shown = path.relative_to(self.folder).as_posix()
        try:
            shown.encode("utf-8")
        except UnicodeEncodeError:
            plain = shown.encode("utf-8", "replace").decode()
            return f"{plain} is left out: its name is in no encoding this page can read; rename it."
        try:
            found = path.resolve()
        except (OSError, RuntimeError):
            return f"{shown} is left out: it is a link that leads in a circle; copy the file itself in."
        if found != self.folder and self.folder not in found.parents:
            return f"{shown} is left out: it is a link that leads out of the swap folder; copy the file itself in."
        return ""

    def captures(self) -> list[CaptureFile]:
        """Captures in `captures/`, by name."""
        out = []
        for path in self.files(CAPTURES):
            try:
                if is_recording(path) and path.is_file():
                    out.append(CaptureFile(path.name, path.resolve(), self._stimulus(path)))
            except OSError:
                continue  # gone meanwhile
        return out

    def _stimulus(self, path: Path) -> Path | None:
        found = stimulus_of(path)
        return None if found is None or self._trouble(found) else found

    def check_stimulus(self, path: Path) -> None:
        """Refuse a recording whose stimulus file leads out of the folder.

        Raises
        ------
        InputError
            It does.
        """
        found = stimulus_of(path)
        if found is not None and (trouble := self._trouble(found)):
            raise InputError(trouble)

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
        """The capture of that name, read once however many ask, and kept while it is being looked at."""
        path = self.capture_file(name).path
        stat = path.stat()

        def note_share(share: float, _: str) -> None:
            self._shares[name] = share

        def read() -> Capture:
            self.allowed()
            try:
                return read_capture(path, progress=note_share)
            finally:
                self._shares.pop(name, None)

        capture = self._captures.value(path, (stat.st_mtime_ns, stat.st_size), read)
        assert isinstance(capture, Capture)
        return capture

    def share_read(self, name: str) -> float | None:
        """How much of a capture has been read, 0 to 1; None while it is not being read."""
        return self._shares.get(name)

    def stimulus(self, name: str) -> StimulusTrack | None:
        """The stimulus track that belongs to a capture, or None."""
        path = self.capture_file(name).stimulus
        return None if path is None else read_stimulus(path)

    def maps(self) -> list[Path]:
        """Signal maps in `signal_maps/`, by name."""
        return [path for path in self.files(MAPS, ".dbc") if path.is_file()]

    def map_path(self, name: str) -> Path:
        """Where a map of that name stands or would stand.

        Raises
        ------
        InputError
            The name is not a plain DBC file name.
        """
        if not name.endswith(".dbc") or "/" in name or "\\" in name or name.startswith("."):
            raise InputError("a signal map's file name ends in .dbc and has no folders in it")
        return self.path(MAPS, name)
