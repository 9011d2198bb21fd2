"""Swap folder room: what a person decides about a drafted line: accept it, refuse it, or replace it.

Each decision writes the whole bridge file, which is read back before it replaces the old one. Draft's comment is
removed from a line that was decided on, so that a later draft leaves it alone.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import InlineTable

from swapbridge.compiler.compile import compile_bridge
from swapbridge.compiler.review import marks
from swapbridge.core.errors import InputError
from swapbridge.core.files import written_whole
from swapbridge.core.roles import BY_NAME
from swapbridge.core.units import SPELLINGS
from swapbridge.drafting.caution import LOAD_CHANNELS
from swapbridge.drafting.draft_text import MARK
from swapbridge.language.reading import parse_bridge
from swapbridge.signalmap.signal_map import SignalMap
from swapbridge.swapfolder.reviewing import review_text

_SURE = re.compile(r"\b(\d+)% sure\b")
_TOGETHER = re.compile(r"accepted \S+ together with others; ")
_DRIVER = frozenset({"brake_switch", "park_neutral", "kick_down", "cruise_switch"})
"""What the driver does, which others act upon."""


@dataclass(frozen=True, slots=True)
class BridgeLine:
    """A signal's line of a bridge file: its rule, and draft's comment on it.

    Attributes
    ----------
    message, signal : str
        ``bus.MESSAGE`` and the signal.
    value, fallback, role : str
        As written; "" where the line says none.
    sentence : str
        Draft's comment without its mark; "" for a person's line.
    is_open : bool
        Listed as open.
    unreviewed : bool
    unseen : str
        Draft's comment of a line that a person accepted together with others; else "".
    """

    message: str
    signal: str
    value: str
    fallback: str
    role: str
    sentence: str
    is_open: bool
    unreviewed: bool
    unseen: str = ""

    @property
    def sure(self) -> float:
        """How sure draft says it is, 0 to 1; 0 where it says nothing."""
        found = _SURE.search(self.sentence)
        return int(found[1]) / 100 if found else 0.0

    @property
    def name(self) -> str:
        """``bus.MESSAGE.SIGNAL``."""
        return f"{self.message}.{self.signal}"


def bridge_lines(path: Path) -> list[BridgeLine]:
    """Every signal's line of a bridge file, in its order.

    Raises
    ------
    InputError
        The file can't be read, or is not TOML.
    """
    return lines_of(_read(path), str(path))


def lines_of(text: str, where: str) -> list[BridgeLine]:
    """The same of a bridge file's text; `where` names the file in what is refused."""
    out = []
    for message in _document(text, where).get("messages", []):
        opened = [str(name) for name in message.get("open", [])]
        for name, item in message.get("signals", {}).items():
            whole = item if isinstance(item, InlineTable) else {"value": item}
            comment = item.trivia.comment.lstrip("# ")
            together = _TOGETHER.match(comment)
            out.append(
                BridgeLine(
                    str(message.get("send", "")), str(name), str(whole.get("value", "")),
                    str(whole.get("fallback", "")), str(whole.get("role", "")),
                    comment.removeprefix(MARK).strip() if comment.startswith(MARK) else "",
                    name in opened, bool(whole.get("unreviewed", False)),
                    comment[together.end() :] if together else "",
                )
            )  # fmt: skip
    return out


def refuse_lines(path: Path, names: Sequence[str], on: str) -> None:
    """Write `refused_text` of a bridge file."""
    _write(path, refused_text(_read(path), path, names, on))


def accepted_text(text: str, path: Path, name: str, on: str, maps: Mapping[str, SignalMap]) -> str:
    """A person looked at a line and it is right: reviewed where that was asked for, and theirs from now on.

    Parameters
    ----------
    text : str
        The bridge file's.
    path : Path
        The bridge file, for what is refused.
    name : str
        ``bus.MESSAGE.SIGNAL``, or ``bus.MESSAGE`` where the message as a whole waits for a review.
    on : str
        The day, ``2026-05-01``.
    maps : dict of str to SignalMap
        By bus name.

    Raises
    ------
    InputError
        No such line.
    """
    bridge = parse_bridge(text, str(path))
    mark = next((m for m in marks(bridge, maps) if m.name == name), None)
    if mark is not None and not mark.is_reviewed:
        text = review_text(text, [mark], on, str(path))
    if mark is not None and mark.signal is None:  # a message as a whole
        return text
    document, _, item = _found(text, path, name)
    _comment(item, f"accepted {on}; {_TOGETHER.sub('', _sentence(item))}".rstrip("; "))
    return tomlkit.dumps(document)


def acceptable_together(text: str, path: Path, maps: Mapping[str, SignalMap]) -> list[BridgeLine]:
    """Draft's lines that need no decision and that no torque depends on: they can be accepted together.

    Where a whole message waits for a review, so do its lines. What may be a torque, a throttle or a request, or is
    something that the driver does, is always reviewed by itself, however sure draft is.

    Parameters
    ----------
    text : str
        The bridge file's.
    path : Path
        The bridge file, for what is refused.
    maps : dict of str to SignalMap
        By bus name.

    Returns
    -------
    list of BridgeLine
        In the order of the file.
    """
    waiting = {mark.name for mark in marks(parse_bridge(text, str(path)), maps) if not mark.is_reviewed}
    return [
        line
        for line in lines_of(text, str(path))
        if line.sentence
        and not (line.is_open or line.unreviewed or {line.name, line.message} & waiting)
        and not _looked_at_alone(line, maps)
    ]


def _looked_at_alone(line: BridgeLine, maps: Mapping[str, SignalMap]) -> bool:
    bus, _, message = line.message.partition(".")
    found = maps[bus].message(message) if bus in maps else None
    signal = found.signal(line.signal) if found is not None else None
    if signal is None or (signal.unit in SPELLINGS and SPELLINGS[signal.unit].kind == "torque"):
        return True
    roles = [role for role in (line.role, signal.role) if role]
    return not roles or any(map(_is_delicate, roles))


def _is_delicate(name: str) -> bool:
    """Whether a role may be a torque, a throttle, a request or the driver's doing; a role that is not known may."""
    role = BY_NAME.get(name)
    if role is None or role.hazard or role.quantity == "torque":
        return True
    return "request" in role.alias or role.alias in LOAD_CHANNELS or role.alias in _DRIVER


def accepted_together_text(
    text: str, path: Path, least: float, on: str, maps: Mapping[str, SignalMap]
) -> tuple[str, list[str]]:
    """The bridge file's text with every line of `acceptable_together` that is sure enough accepted, and their names.

    Parameters
    ----------
    text : str
        The bridge file's.
    path : Path
        The bridge file, for what is refused.
    least : float
        How sure draft must be at least, 0 to 1.
    on : str
        The day, ``2026-05-01``.
    maps : dict of str to SignalMap
        By bus name.

    Returns
    -------
    (str, list of str)
        The comment of each says that it was accepted together with others.

    Raises
    ------
    InputError
        No line is that sure.
    """
    names = [line.name for line in acceptable_together(text, path, maps) if line.sure >= least]
    if not names:
        raise InputError(f"no line that can be accepted together is {least:.0%} sure; accept lines one by one")
    document = _document(text, str(path))
    for name in names:
        item = _line_of(document, path, name)[1]
        _comment(item, f"accepted {on} together with others; {_sentence(item)}")
    return tomlkit.dumps(document), names


def taken_back_text(text: str, path: Path, names: Sequence[str]) -> str:
    """Lines that were accepted together with others are draft's again.

    Raises
    ------
    InputError
        A name is no such line.
    """
    document = _document(text, str(path))
    for name in names:
        item = _line_of(document, path, name)[1]
        sentence, count = _TOGETHER.subn("", item.trivia.comment.lstrip("# "))
        if not count:
            raise InputError(f"{name} in {path} was not accepted together with others: edit it, or refuse it")
        _comment(item, f"{MARK} {sentence}")
    return tomlkit.dumps(document)


def refused_text(text: str, path: Path, names: Sequence[str], on: str) -> str:
    """A person says that lines are wrong: each becomes open, and gives its safe answer until somebody knows better.

    Raises
    ------
    InputError
        No such line, or it states no safe answer.
    """
    document = _document(text, str(path))
    opened: dict[str, list[str]] = {}
    for name in names:
        message, item = _line_of(document, path, name)
        if not isinstance(item, InlineTable) or "fallback" not in item:
            raise InputError(f"{name} in {path} states no safe answer (fallback): write one, then refuse it")
        rule = {**_kept(item, "hold_ms"), "value": item["fallback"], "unreviewed": True}
        sender, _, signal = name.rpartition(".")
        _replace(message, signal, rule, f"refused {on}: was {item['value']}")
        listed = opened.setdefault(sender, [str(n) for n in message.get("open", [])])
        if signal not in listed:
            listed.append(signal)
    return _with_open(document, opened, "with what a person refused")


def edited_text(text: str, path: Path, name: str, rule: tuple[str, str], on: str, maps: Mapping[str, SignalMap]) -> str:
    """A person's own rule (value, safe answer) in place of a line; it must compile, and is no longer open.

    Raises
    ------
    SwapbridgeError
        No such line, or the rule is refused by the compiler: what, and where.
    """
    document, message, item = _found(text, path, name)
    value, fallback = (part.strip() for part in rule)
    if not value or not fallback:
        raise InputError(f"{name} needs both a value and a safe answer for when its source is silent")
    signal = name.rpartition(".")[2]
    _replace(message, signal, {**_kept(item), "value": value, "fallback": fallback}, f"edited {on}")
    left = [str(n) for n in message.get("open", []) if str(n) != signal]
    new = _with_open(document, {str(message["send"]): left}, "without what a person wrote")
    compile_bridge(parse_bridge(new, str(path)), maps)
    return new


def _kept(item: Any, *without: str) -> dict[str, Any]:
    """What stays of a line whose rule is another one now: neither its recorded range nor its review."""
    gone = {"value", "seen", "seen_states", "reviewed", *without}
    return {k: v for k, v in item.items() if k not in gone} if isinstance(item, InlineTable) else {}


def _replace(message: Any, signal: str, rule: Mapping[str, Any], words: str) -> None:
    """A signal's line made anew."""
    line = tomlkit.inline_table()
    line["value"] = rule["value"]
    for key, value in rule.items():
        if key != "value":
            line[key] = value
    _comment(line, words)
    message["signals"][signal] = line


def _with_open(document: tomlkit.TOMLDocument, opened: Mapping[str, Sequence[str]], words: str) -> str:
    """The document's text with the open fields of some messages, by what each is sent as; a list is a person's then."""
    missing = {}
    for message in document.get("messages", []):
        sender = str(message.get("send"))
        names = opened.get(sender)
        if names is None:
            continue
        if "open" not in message:
            missing[sender] = names
        elif names:
            listed = tomlkit.array()
            listed.extend(names)
            message["open"] = listed
            _comment(message["open"], words)
        else:
            del message["open"]
    lines = tomlkit.dumps(document).splitlines(keepends=True)
    for sender, names in missing.items():
        if names:
            head = re.compile(rf"""\s*send\s*=\s*["']{re.escape(sender)}["']""")
            at = next(n for n, line in enumerate(lines) if head.match(line))
            lines.insert(at + 1, f"open = [{', '.join(json.dumps(n) for n in names)}]  # {words}\n")
    return "".join(lines)


def _read(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except OSError as error:
        raise InputError(f"{path} can't be read ({error.strerror})") from None
    except UnicodeDecodeError as error:
        raise InputError(f"{path} can't be read ({error}); write it as UTF-8 text") from None


def _document(text: str, where: str) -> tomlkit.TOMLDocument:
    try:
        return tomlkit.parse(text)
    except TOMLKitError as error:
        raise InputError(f"{where} is not TOML ({error}): correct it, or delete it and draft again") from None


def _found(text: str, path: Path, name: str) -> tuple[tomlkit.TOMLDocument, Any, Any]:
    """The document, the message's table and the signal's line of a name."""
    document = _document(text, str(path))
    return document, *_line_of(document, path, name)


def _line_of(document: tomlkit.TOMLDocument, path: Path, name: str) -> tuple[Any, Any]:
    sender, _, signal = name.rpartition(".")
    for message in document.get("messages", []):
        if message.get("send") == sender and signal in message.get("signals", {}):
            return message, message["signals"][signal]
    raise InputError(f"{name} is not a line of {path}: `swapbridge review` lists those that need a review")


def _sentence(item: Any) -> str:
    """A line's comment without draft's mark."""
    return str(item.trivia.comment.lstrip("# ").removeprefix(MARK).strip())


def _comment(item: Any, words: str) -> None:
    item.trivia.comment_ws = "  "
    item.trivia.comment = f"# {words}"


def _write(path: Path, text: str) -> None:
    parse_bridge(text, str(path))
    with written_whole(path) as temporary:
        temporary.write_text(text, encoding="utf-8")
