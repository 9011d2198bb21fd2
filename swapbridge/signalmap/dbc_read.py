"""Signal map room: reading a DBC. cantools parses it; numbers are taken again from the text, as exact fractions.

cantools turns scale and offset into binary floats, which is where 0.1 stops being a tenth; so the decimal text of every
signal is read once more here and held against what cantools understood.
"""

from __future__ import annotations

import json
import logging
import re
import stat
from collections import Counter as Tally
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import Any, cast

# isort: off
import swapbridge.capture.python_can  # noqa: F401 - before cantools loads python-can
import cantools
# isort: on

from swapbridge.core import j1939
from swapbridge.core.errors import InputError
from swapbridge.core.identifier_words import format_identifier
from swapbridge.core.integrity import Checksum, Counter, checksum_from_dict, counter_from_dict
from swapbridge.core.layout import Layout
from swapbridge.signalmap.contradictions import one_line, tidy, without_contradictions
from swapbridge.signalmap.dbc_repair import check_is_dbc, repair_dbc
from swapbridge.signalmap.dbc_write import map_text
from swapbridge.signalmap.j1939_maps import with_own_senders, with_usual_codes
from swapbridge.signalmap.names import OTHER_FORMS
from swapbridge.signalmap.signal_map import (
    MODULE_KINDS,
    NO_CODES,
    BasePayload,
    MapMessage,
    MapNode,
    MapSignal,
    ModuleKind,
    SignalMap,
)

MOST_BYTES = 64 << 20
"""Largest DBC that is read; the largest published ones are a few megabytes."""
MOST_MUX_VALUES = 65_536
MOST_PAGES = 256
MOST_EXPONENT = 400
_LARGEST = Fraction(2) ** 1024
"""Just above the largest double, which is what some write for 'no limit'."""
_LARGEST_SCALE = Fraction(10) ** 100

_NUMBER = r"[-+]?\d+\.?\d*(?:[eE][+-]?\d+)?"
_STRING = r'"(?:\\"|[^"])*"'
_SCAN = re.compile(
    rf"{_STRING}|//[^\n]*"
    r"|\bBO_\s+(?P<id>\d+)\s+(?P<message>\w+)\s*:\s*(?P<bytes>\d+)"
    r"|\bSG_\s+(?P<signal>\w+)(?:\s+\w+)?\s*:\s*(?P<start>\d+)\s*\|\s*(?P<length>\d+)\s*@\s*[01]\s*[+-]"
    rf"\s*\(\s*(?P<scale>{_NUMBER})\s*,\s*(?P<offset>{_NUMBER})\s*\)"
    rf"\s*\[\s*(?P<low>{_NUMBER})\s*\|\s*(?P<high>{_NUMBER})\s*\]"
)
_STATEMENT = re.compile(
    rf"{_STRING}|//[^\n]*|\bCM_\s(?:{_STRING}|[^;\"])*;"
    rf"|\b(?P<keyword>BA_DEF_DEF_REL_|BA_DEF_REL_|BA_REL_|BA_DEF_DEF_|BA_DEF_|BA_|VAL_TABLE_|SIG_GROUP_|EV_"
    rf"|ENVVAR_DATA_|VAL_)\s(?:{_STRING}|[^;\"])*;"
)
_MUX_RANGE = re.compile(r"\bSG_MUL_VAL_\s[^;]*;")
_OURS = re.compile(
    r'^BA_(?:DEF_|DEF_DEF_)?\s+(?:(?:SG_|BO_|BU_)\s+)?"(?:Swap\w*|GenMsgCycleTime|System(?:Message|Signal|Node)LongSymbol)"'
)
_WHOLE_LINE = re.compile(r'BO_\s+\d+\s+\w+\s*:\s*\d+\s+\w+$|SG_\s[^"]*"[^"]*"\s*\w+(?:\s*,\s*\w+)*$')
"""A message or signal line that is complete; the parser leaves out a last one that is not."""
_IMPORT = re.compile(r'^[ \t]*CM_\s+"IMPORT\s+([\w.-]+)"\s*;', re.MULTILINE)
_FRAME_FORMAT = re.compile(r'^BA_(?:DEF_|DEF_DEF_)?\s+(?:BO_\s+)?"VFrameFormat"')


@dataclass(frozen=True, slots=True)
class _Numbers:
    """Decimal text of one signal."""

    name: str
    start: int
    length: int
    scale: str
    offset: str
    low: str
    high: str


def load_map(path: Path | str) -> SignalMap:
    """Read a map: a DBC, or a KCD, SYM or ARXML by its suffix.

    Parameters
    ----------
    path : Path or str
        The file; a DBC may be in UTF-8 or Windows-1252.

    Returns
    -------
    SignalMap
        Messages and signals; `notes` lists what was corrected or left out.

    Raises
    ------
    InputError
        No such file, none that is a map, or one that is cut short.
    """
    path = Path(path)
    if path.suffix.lower() in OTHER_FORMS:
        from swapbridge.signalmap.other_maps import parse_other_map

        return parse_other_map(_text_of(path), path.suffix.lower(), str(path))
    loaded, notes = with_imports(path)
    parsed = parse_map(loaded, str(path))
    return replace(parsed, notes=(*notes, *parsed.notes)) if notes else parsed


def _text_of(path: Path) -> str:
    try:
        facts = path.stat()
        if not stat.S_ISREG(facts.st_mode):
            raise InputError(f"signal map {path} is a folder, pipe or device: name a file")
        if facts.st_size > MOST_BYTES:
            raise InputError(f"{path} has {facts.st_size:,} bytes: a signal map has at most {MOST_BYTES:,}")
        content = path.read_bytes()
    except OSError as error:
        raise InputError(f"signal map {path} can't be read ({error.strerror}): name an existing DBC file") from None
    except ValueError:
        raise InputError(f"signal map {str(path)!r} can't be the name of a file: name an existing DBC file") from None
    return map_text(content)


def with_imports(path: Path, seen: set[Path] | None = None) -> tuple[str, list[str]]:
    """A DBC's text, the files that its comments import, and the notes on them."""
    text = _text_of(path)
    seen = {path.resolve()} if seen is None else seen
    parts, notes = [], []
    for found in _IMPORT.finditer(text):
        other = path.parent / found[1]
        if other.resolve() in seen:
            continue
        seen.add(other.resolve())
        if not other.is_file():
            notes.append(f"it imports {found[1]}, which is not beside it: what that holds is missing")
            continue
        inner, more = with_imports(other, seen)
        parts.append(inner)
        notes += [f"{found[1]} is imported", *more]
    return "\n".join([*parts, text]) if parts else text, notes


@lru_cache(maxsize=8)
def parse_map(text: str, source: str = "the map") -> SignalMap:
    """Read a DBC from its text; `source` names it in messages. Raises as `load_map` does.

    The maps read last are kept, since page, status and compiler each ask for the same two; a map never changes.
    """
    check_is_dbc(text, source)
    bare = re.sub(rf"{_STRING}|//[^\n]*", lambda found: '""' if found[0].startswith('"') else "", text)
    last = bare.rstrip().rsplit("\n", 1)[-1].strip()
    if re.match(r"(?:BO_|SG_)\s", last) and not _WHOLE_LINE.match(last):
        raise InputError(f"{source} ends in the middle of {last[:60]!r}: the file is cut short: get a complete copy")
    repaired = repair_dbc(text)
    notes = list(repaired.notes)
    numbers = _exact_numbers(repaired.text, source)
    database = _parse(repaired.text, source)
    if len(numbers) != len(database.messages):
        raise InputError(
            f"{source} holds {len(numbers)} message lines, of which {len(database.messages)} are complete: "
            "complete the other BO_ lines, or remove them"
        )
    heavy = _is_j1939(database)
    messages = [_message(m, n, source, notes, heavy) for m, n in zip(database.messages, numbers, strict=True)]
    _check_unique(messages, source)
    if not messages and notes and re.search(r"\bBO_\s", bare):
        raise InputError(f"{source} holds no message that can be used: {notes[0]}")
    formed = any(m.is_fd or m.is_group for m in messages)
    return SignalMap(
        messages=with_own_senders(messages),
        nodes=tuple(_node(n, source) for n in database.nodes),
        comment=next((b.comment for b in database.buses if b.comment), "") or "",
        foreign=_foreign(repaired.text, drop_frame_format=formed),
        source=source,
        notes=tuple(notes),
    )


def _parse(text: str, source: str) -> cantools.database.Database:
    logger = logging.getLogger("cantools")
    level = logger.level
    logger.setLevel(logging.ERROR)  # what it warns of is noted or refused here, with the place
    try:
        # signals that share bits, or lie outside, are looked for here, so that each costs itself and not the map
        database = cantools.database.load_string(text, "dbc", strict=False, sort_signals=None)
    except RecursionError:
        raise InputError(
            f"{source} has multiplexers that select each other in a circle: remove one of their SG_MUL_VAL_ lines"
        ) from None
    except Exception as error:  # noqa: BLE001  cantools lets parser, key, value and type errors of many kinds through
        raise InputError(f"{source} can't be used as a DBC: {one_line(error)}") from None
    finally:
        logger.setLevel(level)
    return cast(cantools.database.Database, database)


def _exact_numbers(text: str, source: str) -> list[list[_Numbers]]:
    """Decimal text of every signal, message by message in file order; absurd sizes are refused before parsing."""
    out: list[list[_Numbers]] = []
    for found in _SCAN.finditer(text):
        if found["message"] is not None:
            out.append([])
        elif found["signal"] is not None:
            out[-1].append(
                _Numbers(
                    found["signal"], int(found["start"]), int(found["length"]),
                    found["scale"], found["offset"], found["low"], found["high"],
                )
            )  # fmt: skip
    for found in _MUX_RANGE.finditer(text):
        spans = re.findall(r"(\d+)\s*-\s*(\d+)", found[0])
        if sum(max(0, int(b) - int(a)) for a, b in spans) > MOST_MUX_VALUES:
            raise InputError(f"{source}: {found[0][:80]!r} selects more than {MOST_MUX_VALUES:,} multiplexer values")
    return out


def exact_number(text: str, most: Fraction = _LARGEST) -> Fraction:
    """Exact value of a decimal number as DBC writes it ("0.03937", "1E-05").

    Raises
    ------
    InputError
        Not a decimal number, with an absurd exponent, or not below `most`.
    """
    exponent = re.search(r"[eE]([+-]?\d+)$", text)
    if exponent is not None and abs(int(exponent[1])) > MOST_EXPONENT:
        raise InputError(f"number {text} is beyond anything a vehicle measures: write one of at most 30 digits")
    try:
        number = Fraction(text)
    except (ValueError, ZeroDivisionError):
        raise InputError(f"{text!r} is not a decimal number: write it like 0.25") from None
    if abs(number) >= most:
        raise InputError(f"number {text[:60]} is beyond anything a vehicle measures: write one of at most 30 digits")
    return number


def _is_j1939(database: cantools.database.Database) -> bool:
    """Whether the whole map says that it is J1939 and leaves the form of its frames open."""
    specifics = database.dbc
    if specifics is None or "VFrameFormat" in specifics.attribute_definitions:
        return False
    stated = specifics.attributes.get("ProtocolType")
    return stated is not None and str(stated.value).upper() == "J1939"


def _message(message: Any, numbers: list[_Numbers], source: str, notes: list[str], heavy: bool) -> MapMessage:
    if len(message.signals) != len(numbers):
        raise InputError(
            f"{source}: message {message.name} holds an SG_ line that can't be read: compare it with another SG_ line"
        )
    attributes = _attributes(message)
    period = attributes.get("GenMsgCycleTime", message.cycle_time)
    try:
        read = [_signal_or_note(s, n, message, notes) for s, n in zip(message.signals, numbers, strict=True)]
        signals = without_contradictions(message.name, message.length, [s for s in read if s is not None], notes)
        is_group = message.is_extended_frame and (message.protocol == "j1939" or heavy)
        if is_group:
            signals = tuple(s if _states_codes(s.name, message) else with_usual_codes(s) for s in signals)
        return MapMessage(
            name=tidy(message.name),
            identifier=message.frame_id,
            extended=message.is_extended_frame,
            length=message.length,
            signals=signals,
            is_fd=message.is_fd,
            period_ms=exact_number(str(period)) if period and float(period) > 0 else None,
            senders=tuple(message.senders),
            comment=message.comment or "",
            evidence=_read_attribute(attributes, "SwapMessageEvidence") or {},
            base=_base(attributes),
            page_order=_page_order(attributes),
            is_group=is_group,
        )
    except InputError as error:
        raise InputError(f"{source}: message {message.name}: {error}") from None


def _states_codes(name: str, message: Any) -> bool:
    """Whether the map says itself which codes of a signal are no measurement, "none" among them."""
    known = {"SwapNotAvailable", "SwapErrorCodes"}
    return any(tidy(s.name) == name and known & set(_attributes(s)) for s in message.signals)


def _signal_or_note(signal: Any, numbers: _Numbers, message: Any, notes: list[str]) -> MapSignal | None:
    """A signal, or None where it says what no signal can be; what our own attributes say must hold."""
    where = f"message {message.name}, signal {signal.name}"
    if signal.conversion.is_float and signal.length not in (32, 64):
        notes.append(f"{where} is a float of {signal.length} bits, and only 32 and 64 are read: left out")
        return None
    if signal.multiplexer_ids and signal.multiplexer_signal is None:
        notes.append(f"{where} depends on a multiplexer that its message does not have: left out")
        return None
    try:
        for text in (numbers.scale, numbers.offset):
            exact_number(text, _LARGEST_SCALE)
        for text in (numbers.low, numbers.high):
            exact_number(text)
    except InputError as error:
        notes.append(f"{where}: {error}: left out")
        return None
    return _signal(signal, numbers)


def _signal(signal: Any, numbers: _Numbers) -> MapSignal:
    if (signal.start, signal.length) != (numbers.start, numbers.length):
        raise InputError(f"signal {numbers.name} could not be matched with its text: write its SG_ line on one line")
    attributes = _attributes(signal)
    low, high = exact_number(numbers.low), exact_number(numbers.high)
    ranged = low != 0 or high != 0
    layout = Layout(signal.start, signal.length, signal.byte_order, signal.is_signed)
    return MapSignal(
        name=tidy(signal.name),
        layout=layout,
        scale=exact_number(numbers.scale, _LARGEST_SCALE),
        offset=exact_number(numbers.offset, _LARGEST_SCALE),
        minimum=low if ranged else None,
        maximum=high if ranged else None,
        unit=signal.unit or "",
        choices={int(k): str(v) for k, v in (signal.choices or {}).items()},
        is_float=signal.conversion.is_float,
        is_multiplexer=signal.is_multiplexer,
        mux_signal=tidy(signal.multiplexer_signal) if signal.multiplexer_ids else None,
        mux_values=tuple(sorted(signal.multiplexer_ids)) if signal.multiplexer_ids else (),
        role=str(attributes.get("SwapRole", "")),
        counter=_counter(attributes),
        checksum=_checksum(attributes),
        not_available=_codes(attributes, "SwapNotAvailable", layout),
        error_codes=_codes(attributes, "SwapErrorCodes", layout),
        reference=str(attributes.get("SwapReference", "")),
        constant=_constant(attributes),
        authenticated=bool(attributes.get("SwapAuthenticated", 0)),
        comment=signal.comment or "",
        evidence=_read_attribute(attributes, "SwapEvidence") or {},
        receivers=tuple(signal.receivers),
    )


def _node(node: Any, source: str) -> MapNode:
    kind = str(_attributes(node).get("SwapModuleKind", "unknown"))
    if kind not in MODULE_KINDS:
        raise InputError(f"{source}: module {node.name} is of kind {kind!r}: use {', '.join(MODULE_KINDS)}")
    return MapNode(node.name, cast(ModuleKind, kind), node.comment or "", _address(node))


def _address(node: Any) -> int | None:
    """A module's J1939 address, by the attribute that DBC editors use for it."""
    text = str(_attributes(node).get("NmStationAddress", "")).strip()
    return int(text) if text.isdecimal() and int(text) < j1939.NO_ADDRESS else None


def _attributes(thing: Any) -> dict[str, Any]:
    specifics = thing.dbc
    return (
        {} if specifics is None or not specifics.attributes else {k: a.value for k, a in specifics.attributes.items()}
    )


def _read_attribute(attributes: dict[str, Any], name: str) -> dict[str, Any] | None:
    text = str(attributes.get(name, ""))
    if not text:
        return None
    try:
        data = json.loads(text.replace("'", '"'))
    except (ValueError, RecursionError):
        data = None
    if not isinstance(data, dict):
        raise InputError(f"attribute {name} is not one object: {text[:80]!r}")
    return data


def _counter(attributes: dict[str, Any]) -> Counter | None:
    data = _read_attribute(attributes, "SwapCounter")
    return None if data is None else counter_from_dict(data)


def _checksum(attributes: dict[str, Any]) -> Checksum | None:
    data = _read_attribute(attributes, "SwapChecksum")
    return None if data is None else checksum_from_dict(data)


def _base(attributes: dict[str, Any]) -> BasePayload | None:
    data = _read_attribute(attributes, "SwapBasePayload")
    try:
        return None if data is None else _base_payload(data)
    except (AttributeError, KeyError, TypeError, ValueError) as error:
        raise InputError(
            f"attribute SwapBasePayload can't be read ({error}): it needs payload and fixed in hex"
        ) from None


def _base_payload(data: dict[str, Any], deep: bool = True) -> BasePayload:
    pages = data.get("pages", {}).items() if deep else ()
    return BasePayload(
        bytes.fromhex(data["payload"]),
        bytes.fromhex(data["fixed"]),
        max(0, int(data.get("frames", 0))),
        tuple(sorted(((int(value), _base_payload(known, False)) for value, known in pages), key=lambda p: p[0])),
    )


def _constant(attributes: dict[str, Any]) -> int | None:
    text = str(attributes.get("SwapConstant", "")).strip()
    try:
        return int(text, 0) if text else None
    except ValueError:
        raise InputError(f"attribute SwapConstant holds {text!r}: write one raw value, such as 255 or 0xFF") from None


def _page_order(attributes: dict[str, Any]) -> tuple[int, ...]:
    """Pages in the order in which they come: "1, 2, 1, 3"."""
    text = str(attributes.get("SwapPageOrder", "")).strip()
    if not text:
        return ()
    parts = [part.strip() for part in text.split(",")]
    if len(parts) > MOST_PAGES or not all(re.fullmatch(r"-?\d{1,19}", part) for part in parts):
        raise InputError(
            f"attribute SwapPageOrder holds {text[:80]!r}: write at most {MOST_PAGES} raw values of the multiplexer, "
            "such as 1, 2, 1, 3"
        )
    return tuple(map(int, parts))


def _codes(attributes: dict[str, Any], name: str, layout: Layout) -> tuple[int, ...]:
    text = str(attributes.get(name, ""))
    return () if text.strip() == NO_CODES else raw_codes(text, layout, f"attribute {name}")


def raw_codes(text: str, layout: Layout, what: str) -> tuple[int, ...]:
    """Raw codes: "255, 254" or ranges "0xFB00-0xFFFF"; at most 65,536 of them.

    Raises
    ------
    InputError
        Not numbers, or none that the layout holds; `what` names where they stand.
    """
    out: list[int] = []
    for part in text.split(","):
        if not part.strip():
            continue
        match = re.fullmatch(r"\s*(-?\w+)\s*(?:-\s*(\w+)\s*)?", part)
        try:
            first = int(match[1], 0) if match else 0
            last = int(match[2], 0) if match and match[2] else first
        except ValueError:
            match = None
        if match is None or not layout.raw_range[0] <= first <= last <= layout.raw_range[1] or last - first >= 65_536:
            raise InputError(f"{what} holds {part.strip()!r}: write raw values or ranges, such as 255, 0xFB-0xFE")
        out.extend(range(first, last + 1))
    return tuple(sorted(set(out)))


def _check_unique(messages: list[MapMessage], source: str) -> None:
    for what, counts in (
        ("identifier", Tally(format_identifier(m.identifier, m.extended) for m in messages)),
        ("name", Tally(m.name for m in messages)),
    ):
        twice = [key for key, n in counts.items() if n > 1]
        if twice:
            raise InputError(
                f"{source}: two messages have the {what} {twice[0]}: a frame needs one meaning, remove one"
            )
    for message in messages:
        twice = [name for name, n in Tally(s.name for s in message.signals).items() if n > 1]
        if twice:
            raise InputError(f"{source}: message {message.name} has two signals named {twice[0]}: rename one")


def _foreign(text: str, drop_frame_format: bool) -> tuple[str, ...]:
    body = re.sub(r"\bNS_\s*:.*?(?=\bBS_\s*:|\bBU_\s*:)", "", text, count=1, flags=re.DOTALL)
    out = []
    for found in _STATEMENT.finditer(body):
        if found["keyword"] is None:
            continue
        statement = found[0].strip()
        if _OURS.match(statement) or (drop_frame_format and _FRAME_FORMAT.match(statement)):
            continue
        if found["keyword"] == "VAL_" and re.match(r"VAL_\s+\d", statement):
            continue  # choices of a signal: part of the map itself
        out.append(statement)
    return tuple(out)
