"""Core room: the needs list: what each module waits for, as a person writes it in `needs.toml`.

::

    [[need]]
    module = "transmission"        # who waits
    bus = "host"                   # on which bus; may be left out for a wired need
    id = "1A0"                     # identifier in hex, an x behind it for 29 bits
    period_ms = 10                 # optional
    length = 8                     # optional
    how = "can"                    # "can", "wired", "licensed programming" or "nobody waits"
    role = "actual_torque"         # optional: what it is, by its role name
    signal = "EngineTorque.Actual" # optional: the host map's name of it
    note = "limp mode without it"  # optional
    codes = ["U0100-87"]           # optional: the fault codes that its absence sets
    codes_found = "unplugged"      # optional: how that was found

A need without an identifier is covered by any sent signal of its role on that bus.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

from swapbridge.core.errors import InputError
from swapbridge.core.identifier_words import format_identifier, identifier_word, parse_identifier, split_word
from swapbridge.core.roles import find_role

NOBODY_WAITS = "nobody waits"
LICENSED = "licensed programming"
WAYS = ("can", "wired", LICENSED, NOBODY_WAITS)
"""How a need is met: by a frame, by a wire, by somebody licensed with the maker's own tool, or not at all."""
_HEADER = re.compile(r"\s*\[\[\s*(?:need|\"need\"|'need')\s*\]\]")
_CODES = re.compile(r"\s*codes(_found)?\s*=")
_KEYS = {"module", "bus", "id", "period_ms", "length", "how", "role", "signal", "note", "codes", "codes_found"}


@dataclass(frozen=True, slots=True)
class Need:
    """One thing a module waits for.

    Attributes
    ----------
    module, bus : str
        Who waits, and on which bus ("" for a wired need).
    word : int or None
        Identifier word.
    period_ms : Fraction or None
    length : int or None
        Payload bytes.
    how : str
        One of `WAYS`.
    role : str
        Full role name, or "".
    signal : str
        ``MESSAGE.SIGNAL`` or ``SIGNAL`` of the bus's map, or "".
    note : str
    codes : tuple of str
        Fault codes that its absence sets.
    codes_found : str
        How that was found.
    line : int
        Line of its `[[need]]` in the file, 0 where it comes from none.
    """

    module: str
    bus: str = ""
    word: int | None = None
    period_ms: Fraction | None = None
    length: int | None = None
    how: str = "can"
    role: str = ""
    signal: str = ""
    note: str = ""
    codes: tuple[str, ...] = ()
    codes_found: str = ""
    line: int = 0

    @property
    def label(self) -> str:
        """What is needed, in a few words."""
        parts = []
        if self.word is not None:
            parts.append(format_identifier(*split_word(self.word)))
        if self.signal:
            parts.append(self.signal)
        elif self.role:
            parts.append(self.role.rsplit(".", 1)[-1])
        elif not parts:
            parts.append(self.note)
        return " ".join(parts)


def load_needs(path: str | Path) -> tuple[Need, ...]:
    """Read a needs list.

    Raises
    ------
    InputError
        Not there, not TOML, or an entry that can't be used: which, and why.
    """
    try:
        text = Path(path).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"needs list {path} can't be read ({error}): name a needs.toml") from None
    return parse_needs(text, str(path))


def parse_needs(text: str, path: str) -> tuple[Need, ...]:
    """A needs list's text as `load_needs` reads it; `path` names the file in what is refused."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(
            f"{path}: not valid TOML ({error}): check the line it names for a missing quote or bracket"
        ) from None
    entries = data.get("need", [])
    if not isinstance(entries, list) or set(data) - {"need"}:
        odd = ", ".join(sorted(set(data) - {"need"})) or "need"
        raise InputError(f"{path}: a needs list holds [[need]] tables only, not {odd}")
    lines = [n for n, line in enumerate(text.split("\n"), 1) if _HEADER.match(line)]
    if len(lines) != len(entries):  # written in a way that the headers do not show, as one list
        lines = [0] * len(entries)
    numbered = enumerate(zip(entries, lines, strict=True), 1)
    return tuple(_need(entry, line, f"{path}: need {number}") for number, (entry, line) in numbered)


def needs_to_toml(needs: tuple[Need, ...], head: str = "") -> str:
    """Text of a needs list; `load_needs` reads it back."""
    out = [f"# {line}".rstrip() for line in head.splitlines()]
    for need in needs:
        out += ["", "[[need]]", f"module = {_quoted(need.module)}"]
        if need.bus:
            out.append(f"bus = {_quoted(need.bus)}")
        if need.word is not None:
            out.append(f'id = "{format_identifier(*split_word(need.word))}"')
        if need.period_ms is not None:
            period = need.period_ms
            out.append(f"period_ms = {period.numerator if period.denominator == 1 else float(period)}")
        if need.length is not None:
            out.append(f"length = {need.length}")
        out.append(f"how = {_quoted(need.how)}")
        for key in ("role", "signal", "note"):
            if getattr(need, key):
                out.append(f"{key} = {_quoted(getattr(need, key))}")
        out += _code_lines(need.codes, need.codes_found)
    return "\n".join(out).lstrip("\n") + "\n"


def with_codes(text: str, found: Mapping[int, tuple[tuple[str, ...], str]]) -> str:
    """The text of a needs list with codes written into it; every other line stays as its writer left it.

    Parameters
    ----------
    text : str
    found : mapping of int to (codes, how that was found)
        By the line of a need's ``[[need]]``; codes that stand there already are written anew.

    Raises
    ------
    InputError
        A need stands on no line of its own.
    """
    lines = text.split("\n")
    out: list[str] = []
    codes: tuple[tuple[str, ...], str] | None = None
    if 0 in found:
        raise InputError("this needs list is written as one list: write each need under a [[need]] line of its own")

    for number, line in enumerate(lines, 1):
        if _HEADER.match(line):
            _put_codes(out, codes)
            codes = found.get(number)
        elif codes is not None and _CODES.match(line):
            continue
        out.append(line)
    _put_codes(out, codes)
    return "\n".join(out)


def _put_codes(out: list[str], codes: tuple[tuple[str, ...], str] | None) -> None:
    """Codes behind the last line of a need; blank lines and remarks in front of the next one stay with that one."""
    if codes is None:
        return
    at = len(out)
    while at and (not out[at - 1].strip() or out[at - 1].lstrip().startswith("#")):
        at -= 1
    out[at:at] = _code_lines(*codes)


def _code_lines(codes: tuple[str, ...], found: str) -> list[str]:
    out = [f"codes = [{', '.join(_quoted(code) for code in codes)}]"] if codes else []
    return out + ([f"codes_found = {_quoted(found)}"] if found else [])


def _need(entry: Any, line: int, where: str) -> Need:
    if not isinstance(entry, Mapping):
        raise InputError(f"{where} is not a table: write [[need]] above its lines")
    odd = set(entry) - _KEYS
    if odd:
        raise InputError(f"{where} has unknown entries {', '.join(sorted(odd))}: known are {', '.join(sorted(_KEYS))}")
    codes = entry.get("codes", [])
    if not isinstance(codes, list) or not all(isinstance(code, str) for code in codes):
        raise InputError(f'{where}: codes is a list of texts, like codes = ["U0100-87"]')
    for key in ("module", "bus", "id", "how", "role", "signal", "note", "codes_found"):
        if not isinstance(entry.get(key, ""), str):
            raise InputError(f'{where}: {key} is text, write it in quotes, like {key} = "..."')
    module, how = entry.get("module", ""), entry.get("how", "can")
    if not module:
        raise InputError(f'{where} does not name the module: add module = "..."')
    if how not in WAYS:
        raise InputError(f"{where} ({module}): how is {how!r}, not one of {', '.join(WAYS)}")
    word = identifier_word(*parse_identifier(entry["id"])) if entry.get("id") else None
    role = find_role(entry["role"]).name if entry.get("role") else ""
    if how == "can" and (not entry.get("bus") or (word is None and not role and not entry.get("signal"))):
        raise InputError(f"{where} ({module}): a need over CAN says its bus, and an id, a role or a signal")
    if how != "can" and not (word is not None or role or entry.get("signal") or entry.get("note")):
        raise InputError(f"{where} ({module}): describe what is needed in note")
    length, period = entry.get("length"), entry.get("period_ms")
    if length is not None and (type(length) is not int or not 0 <= length <= 64):
        raise InputError(f"{where} ({module}): length is {length!r}, not 0 to 64 bytes")
    if period is not None and (isinstance(period, bool) or not isinstance(period, int | float) or not 0 < period < 2e6):
        raise InputError(f"{where} ({module}): period_ms is {period!r}, not a number of milliseconds")
    return Need(
        module=module,
        bus=entry.get("bus", ""),
        word=word,
        period_ms=None if period is None else Fraction(str(period)),
        length=length,
        how=how,
        role=role,
        signal=entry.get("signal", ""),
        note=entry.get("note", ""),
        codes=tuple(codes),
        codes_found=entry.get("codes_found", ""),
        line=line,
    )


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n").replace("\t", "\\t")
    return f'"{escaped}"'
