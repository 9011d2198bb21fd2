"""Language room: typed access to the tables of a TOML file; every odd key or value is an error with its place."""

from __future__ import annotations

from difflib import get_close_matches
from fractions import Fraction
from typing import Any, NoReturn, TypeVar

from swapbridge.core.errors import InputError
from swapbridge.core.identifier_words import identifier_word, parse_identifier
from swapbridge.language.bridge_file import Written, shortened
from swapbridge.language.places import Path, Places
from swapbridge.plan.plan import MAX_TIME_US

V = TypeVar("V")
MAX_DIGITS = 60
"""Digits of a number, and its decimal exponent: far beyond any signal, and no number takes long to hold exactly."""


class TableReader:
    """Typed access to parsed TOML with errors that know their place."""

    def __init__(self, data: dict[str, Any], places: Places, path: str) -> None:
        self.data, self.places, self.path = data, places, path

    def fail(self, path: Path, reason: str, remedy: str) -> NoReturn:
        place = self.places.of_key(path)
        raise InputError(f"{self.path}:{place.line}:{place.column}: {shortened(reason)}; {remedy}")

    def no_endless_number(self) -> None:
        """Refuse whole numbers too long to be printed or computed with."""
        work: list[tuple[Path, Any]] = [((), self.data)]
        while work:
            path, value = work.pop()
            if isinstance(value, dict):
                work += [((*path, key), part) for key, part in value.items()]
            elif isinstance(value, list):
                work += [((*path, number), part) for number, part in enumerate(value)]
            elif isinstance(value, int) and abs(value) >= 10**MAX_DIGITS:
                self.fail(path, f"a number has more than {MAX_DIGITS} digits", "write a number of a measured size")

    def only(self, path: Path, table: dict[str, Any], *known: str) -> None:
        for key in table:
            if key not in known:
                near = get_close_matches(key, known, n=1)
                remedy = f"did you mean {near[0]!r}?" if near else f"known here: {', '.join(known)}"
                self.fail((*path, key), f"{key!r} is not known", remedy)

    def get(self, path: Path, table: dict[str, Any], key: str, kind: type[V], default: V | None = None) -> V:
        if key not in table:
            if default is None:
                self.fail(path, f"{key!r} is missing", f"add {key} = ...")
            return default
        value = table[key]
        if not isinstance(value, kind) or (kind is int and isinstance(value, bool)):
            words = {
                str: "text in quotes",
                int: "a whole number",
                bool: "true or false",
                list: "a list",
                dict: "a table",
            }
            self.fail((*path, key), f"{key} is not {words[kind]}", f"give it {words[kind]}")
        return value

    def text(self, path: Path, table: dict[str, Any], key: str, default: str | None = None) -> str:
        return self.get(path, table, key, str, default)

    def flag(self, path: Path, table: dict[str, Any], key: str, default: bool) -> bool:
        return self.get(path, table, key, bool, default) if key in table else default

    def integer(self, path: Path, table: dict[str, Any], key: str, default: int | None = None) -> int:
        return self.get(path, table, key, int, default)

    def table(self, path: Path, table: dict[str, Any], key: str) -> dict[str, Any]:
        return self.get(path, table, key, dict, {})

    def tables(self, path: Path, table: dict[str, Any], key: str) -> list[dict[str, Any]]:
        items: list[Any] = self.get(path[:-1], table, key, list, [])
        if not all(isinstance(item, dict) for item in items):
            self.fail(path, f"{key} contains something that is not a table", f"write each as [[{key}]]")
        return items

    def texts(self, path: Path, table: dict[str, Any], key: str) -> tuple[str, ...]:
        items: list[Any] = self.get(path, table, key, list, [])
        if not all(isinstance(item, str) for item in items):
            self.fail((*path, key), f"{key} contains something that is not text", "put every entry in quotes")
        return tuple(items)

    def time(self, path: Path, table: dict[str, Any], key: str, low: int = 1) -> int | None:
        """Milliseconds as whole microseconds, or None when absent."""
        if key not in table:
            return None
        value = table[key]
        if isinstance(value, bool) or not isinstance(value, int | Fraction):
            self.fail((*path, key), f"{key} is not a number", "write milliseconds")
        time = Fraction(value) * 1000
        if time.denominator != 1 or not low <= time <= MAX_TIME_US // 32:
            self.fail(
                (*path, key),
                f"{key} = {decimal(value)} is out of range",
                "write milliseconds: whole microseconds, at most 67000 ms",
            )
        return int(time)

    def word(self, path: Path, text: str) -> int:
        try:
            return identifier_word(*parse_identifier(text))
        except InputError as error:
            self.fail(path, str(error), "write it like 1A0, or 18FF0010x for 29 bits")

    def source(self, path: Path, value: Any) -> Written:
        """An expression: text, or a plain number or truth value."""
        if isinstance(value, bool):
            return Written("true" if value else "false", self.places.of_key(path))
        if isinstance(value, int):
            return Written(str(value), self.places.of_key(path))
        if isinstance(value, Fraction):
            return Written(decimal(value), self.places.of_key(path))
        if not isinstance(value, str):
            self.fail(path, "this is not an expression", "write it as text in quotes")
        return Written(value, self.places.of_text(path, value))

    def optional(self, path: Path, table: dict[str, Any], key: str) -> Written | None:
        return self.source((*path, key), table[key]) if key in table else None

    def pair(self, path: Path, table: dict[str, Any], key: str) -> tuple[Written, Written] | None:
        if key not in table:
            return None
        items: list[Any] = self.get(path, table, key, list)
        if len(items) != 2:
            self.fail((*path, key), f"{key} needs two values", f'write {key} = ["low", "high"] with units')
        return self.source((*path, key), items[0]), self.source((*path, key), items[1])


def decimal(value: int | Fraction) -> str:
    """A decimal fraction as decimal text (TOML numbers always have one)."""
    fraction = Fraction(value)
    digits = 0
    while (fraction * 10**digits).denominator != 1:
        digits += 1
    scaled = abs(int(fraction * 10**digits))
    text = str(scaled).rjust(digits + 1, "0")
    sign = "-" if fraction < 0 else ""
    return f"{sign}{text[:-digits]}.{text[-digits:]}" if digits else f"{sign}{text}"
