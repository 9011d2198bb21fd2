"""Language room: where in a TOML text a key or its text value stands, for errors with line and column.

tomllib gives values without positions, so this looks for them again: it follows table headers and keys line by line.
Where a value is written in a way it can't follow (escapes, several lines), it answers with the key's line.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

Path = tuple[str | int, ...]
DEEPEST = 8
"""Tables a bridge file nests at most, with room."""
_HEADER = re.compile(r"\s*(\[\[?)\s*([^\[\]]+?)\s*(\]\]?)\s*(?:#.*)?$")
_KEY_PART = re.compile(r"""\s*(?:"((?:[^"\\]|\\.)*)"|'([^']*)'|([A-Za-z0-9_-]+))\s*""")


@dataclass(frozen=True, slots=True)
class FilePlace:
    """Line and column, from 1."""

    line: int
    column: int


def split_key(text: str) -> tuple[str, ...] | None:
    """Parts of a dotted TOML key, or None when it is not one."""
    parts, at = [], 0
    while True:
        found = _KEY_PART.match(text, at)
        if found is None:
            return None
        parts.append(next(g for g in found.groups() if g is not None))
        at = found.end()
        if at == len(text):
            return tuple(parts)
        if text[at] != ".":
            return None
        at += 1


class Places:
    """Positions in one TOML text."""

    def __init__(self, text: str) -> None:
        self._lines = text.splitlines()
        self._keys: dict[Path, tuple[int, int]] = {}
        self._tables: dict[Path, tuple[int, int]] = {}
        self._scan()

    def _scan(self) -> None:
        counts: dict[Path, int] = {}
        here: Path = ()
        for number, line in enumerate(self._lines):
            header = _HEADER.match(line)
            parts = split_key(header.group(2)) if header else None
            if header and parts and len(header.group(1)) == len(header.group(3)):
                here = self._resolve(parts, counts, new=header.group(1) == "[[")
                self._note(here, number, line.index("["))
                continue
            equals = _first_equals(line)
            key = split_key(line[:equals].strip()) if equals > 0 else None
            if key:
                self._note((*here, *key), number, len(line) - len(line.lstrip()))

    def _note(self, path: Path, line: int, column: int) -> None:
        self._keys.setdefault(path, (line, column))
        for depth in range(1, min(len(path), DEEPEST)):  # a table that only its parts name begins at the first of them
            self._tables.setdefault(path[:depth], (line, column))

    @staticmethod
    def _resolve(parts: tuple[str, ...], counts: dict[Path, int], *, new: bool) -> Path:
        path: Path = ()
        for depth, part in enumerate(parts):
            path = (*path, part)
            if new and depth == len(parts) - 1:
                counts[path] = counts.get(path, -1) + 1
            if path in counts:
                path = (*path, counts[path])
        return path

    def of_key(self, path: Path) -> FilePlace:
        """Where the key of that path begins, or the nearest table that holds it."""
        line, column, _ = self._nearest(path)
        return FilePlace(line + 1, column + 1)

    def of_text(self, path: Path, value: str) -> FilePlace:
        """Where the first character of a text value stands."""
        line, column, depth = self._nearest(path)
        rest = path[depth:]
        for number in range(line, min(line + 200, len(self._lines))):
            text = self._lines[number]
            begin = column if number == line else 0
            for name in rest:
                at = _word_at(text, str(name), begin) if isinstance(name, str) else -1
                begin = at + len(str(name)) if at >= 0 else begin
            for quote in ('"', "'"):
                at = text.find(quote + value + quote, begin)
                if at >= 0:
                    return FilePlace(number + 1, at + 2)
            if number > line and _HEADER.match(text):
                break
        return FilePlace(line + 1, column + 1)

    def _nearest(self, path: Path) -> tuple[int, int, int]:
        """Line, column (from 0) and depth of the longest known beginning of a path."""
        for depth in range(len(path), 0, -1):
            found = self._keys.get(path[:depth]) or self._tables.get(path[:depth])
            if found is not None:
                return (*found, depth)
        return (0, 0, 0)


def _word_at(text: str, word: str, begin: int) -> int:
    found = re.compile(rf"(?<![\w-]){re.escape(word)}(?![\w-])").search(text, begin)
    return found.start() if found else -1


def _first_equals(line: str) -> int:
    """Position of the first = outside quotes, or -1."""
    quote = ""
    for at, character in enumerate(line):
        if quote:
            quote = "" if character == quote else quote
        elif character in "\"'":
            quote = character
        elif character == "#":
            return -1
        elif character == "=":
            return at
    return -1
