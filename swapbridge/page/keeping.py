"""Page room: files that the page writes: only over what the person saw, only what reads back, and each step kept.

A *version* is what a file's content is known by. Whoever writes says which version was looked at; where the file has
another by now, nothing is written. What stood there before goes into a log on disk first, one for each file, so that
undo outlives the page, and never touches what somebody else wrote since. New files are made in the log's own folder and
moved into place: what a killed page leaves behind is no map and no recording.
"""

from __future__ import annotations

import base64
import contextlib
import hashlib
import json
import os
import secrets
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import quote

from swapbridge.bus.adapters.lock import take
from swapbridge.core.errors import InputError, RefusedError
from swapbridge.core.files import refuse_device, replace_file

STORE = ".page"
"""The page's own folder inside a swap folder."""
NOT_THERE = ""
"""Version of a file that does not exist."""
MOST_STEPS = 50
LOCK_WAIT_S = 20.0
STALE_S = 3600.0

ReadBack = Callable[[Path], object]
"""Reads a new file back before it replaces anything; raises where it is not what was meant."""


class ChangedError(RefusedError):
    """Somebody else wrote the file since this view was loaded; nothing was written."""


class Keeper:
    """Writes files of one swap folder and keeps what stood there before.

    Parameters
    ----------
    folder : Path
        The swap folder, resolved.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.store = folder / STORE
        self._lock = threading.RLock()

    def read(self, path: Path) -> tuple[bytes | None, str]:
        """A file's content, None where there is none, and the version that it is."""
        content = _content(path)
        return content, _version(content)

    def looked_at(self, path: Path, seen: str) -> bytes | None:
        """The content that the person looked at, before it is worked on.

        Raises
        ------
        ChangedError
            The file has another version by now.
        """
        content, version = self.read(path)
        self._same(path, version, seen)
        return content

    def version(self, path: Path) -> str:
        """What a file's content is known by; `NOT_THERE` where there is none."""
        return _version(_content(path))

    def write(self, path: Path, content: bytes, *, what: str, seen: str, check: ReadBack | None = None) -> str:
        """Replace a file as a step that can be undone.

        Parameters
        ----------
        path : Path
            Inside the folder.
        content : bytes
        what : str
            The step in words.
        seen : str
            The version that the person looked at.
        check : callable or None
            Reads the new file back, before it replaces anything.

        Returns
        -------
        str
            The new version.

        Raises
        ------
        ChangedError
            The file has another version by now.
        InputError
            The new content does not read back, or can't be written.
        """
        with self._alone():
            before = _content(path)
            self._same(path, _version(before), seen)
            if before == content:
                return seen
            with self._made(path, content, check) as new:
                self._log(path, before, content, what)
                _move(new, path)
            return _version(content)

    def derive(self, path: Path, content: bytes, check: ReadBack | None = None) -> None:
        """Replace a file that is made from others and can be made again; there is nothing to undo."""
        with self._alone(), self._made(path, content, check) as new:
            _move(new, path)

    def last_step(self, path: Path) -> str:
        """The step that undo would take back, in words; "" where there is none."""
        if not self.store.is_dir():
            return ""
        try:
            with self._alone():
                found = self._last(path, _version(_content(path)))
        except InputError:
            return ""  # a folder that can't be written: looking at it goes on
        return "" if found is None else str(found[1]["what"])

    def take_back(self, path: Path, seen: str) -> tuple[str, str]:
        """Undo a file's last step: what it was, and the file's version now.

        Raises
        ------
        ChangedError
            The file has another version than the person looked at.
        InputError
            There is no step to undo, or the file was changed by something else since.
        """
        with self._alone():
            now = _version(_content(path))
            self._same(path, now, seen)
            found = self._last(path, now)
            if found is None:
                raise InputError(f"there is nothing to undo in {path.name}")
            place, step = found
            before = _unpacked(step["before"])
            if before is None:
                path.unlink(missing_ok=True)
            else:
                with self._made(path, before, None) as new:
                    _move(new, path)
            place.unlink(missing_ok=True)
            return str(step["what"]), _version(before)

    @contextmanager
    def place_for(self, name: str) -> Iterator[Path]:
        """A file in the page's own folder that is removed at the end, unless it was moved away."""
        refuse_device(Path(name))
        folder = self.store / "new"
        with _in_words(folder):
            folder.mkdir(parents=True, exist_ok=True)
        place = folder / f"{secrets.token_hex(4)}-{name}"
        try:
            yield place
        finally:
            with contextlib.suppress(OSError):
                place.unlink(missing_ok=True)

    def tidy(self) -> None:
        """Remove what a killed page left behind, an hour ago or more."""
        with contextlib.suppress(OSError):
            for path in (self.store / "new").iterdir():
                if time.time() - path.stat().st_mtime > STALE_S:
                    path.unlink(missing_ok=True)

    @contextmanager
    def _made(self, path: Path, content: bytes, check: ReadBack | None) -> Iterator[Path]:
        """The new file, on the disk and read back."""
        with self.place_for(path.name) as place:
            with _in_words(path), place.open("wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            if check is not None:
                check(place)
            with _in_words(path):
                path.parent.mkdir(parents=True, exist_ok=True)
            yield place

    def _same(self, path: Path, now: str, seen: str) -> None:
        if now == seen:
            return
        became = "was removed" if now == NOT_THERE else "was changed"
        raise ChangedError(
            f"{path.name} {became} since this view was loaded, by another tab, a command or an editor; "
            "nothing was written"
        )

    @contextmanager
    def _alone(self) -> Iterator[None]:
        """No other thread, and no other page of this folder, writes meanwhile; a killed one holds nothing."""
        with self._lock:
            if self.store.is_symlink():
                raise InputError(f"{STORE} is a link; remove it, so that the page can keep its own files in the folder")
            with _in_words(self.store):
                self.store.mkdir(exist_ok=True)
                file = (self.store / "lock").open("a")
            with file:
                end = time.monotonic() + LOCK_WAIT_S
                while not take(file):
                    if time.monotonic() > end:
                        raise RefusedError("another page of this folder is still writing; close it and try again")
                    time.sleep(0.01)
                yield

    def _steps(self, path: Path) -> Path:
        return self.store / "undo" / quote(path.relative_to(self.folder).as_posix(), safe="")

    def _log(self, path: Path, before: bytes | None, after: bytes, what: str) -> None:
        """What stands in the file now goes onto the disk before the file is touched."""
        folder = self._steps(path)
        step = {"what": what, "before": _packed(before), "was": _version(before), "is": _version(after)}
        numbers = _numbers(folder)
        target = folder / f"{(numbers[-1] if numbers else 0) + 1:08d}.json"
        with self._made(target, json.dumps(step).encode(), None) as new:
            _move(new, target)
        for number in numbers[: max(0, len(numbers) + 1 - MOST_STEPS)]:
            (folder / f"{number:08d}.json").unlink(missing_ok=True)

    def _last(self, path: Path, now: str) -> tuple[Path, dict[str, Any]] | None:
        """The last step, where it led to what the file holds now; steps that a kill cut short never happened."""
        folder = self._steps(path)
        for number in reversed(_numbers(folder)):
            place = folder / f"{number:08d}.json"
            step = _step(place)
            if step is not None and step["is"] == now:
                return place, step
            if step is None or step["was"] == now:
                place.unlink(missing_ok=True)
                continue
            return None
        return None


def _content(path: Path) -> bytes | None:
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise InputError(f"{path.name} can't be read ({error.strerror}); correct the file first") from None


def _version(content: bytes | None) -> str:
    return NOT_THERE if content is None else hashlib.sha256(content).hexdigest()


def _numbers(folder: Path) -> list[int]:
    try:
        return sorted(int(path.stem) for path in folder.iterdir() if path.suffix == ".json" and path.stem.isdecimal())
    except OSError:
        return []


def _step(place: Path) -> dict[str, Any] | None:
    try:
        step = json.loads(place.read_text(encoding="utf-8"))
        if _version(_unpacked(step["before"])) == step["was"] and isinstance(step["is"], str):
            return dict(step)
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        pass
    return None


def _packed(content: bytes | None) -> str | None:
    return None if content is None else base64.b64encode(content).decode("ascii")


def _unpacked(text: str | None) -> bytes | None:
    return None if text is None else base64.b64decode(text, validate=True)


def _move(new: Path, path: Path) -> None:
    with _in_words(path):
        replace_file(new, path)


@contextmanager
def _in_words(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        reason = error.strerror or str(error)
        raise InputError(f"can't write {path.name}: {reason}; the folder must be writable and have room") from None
