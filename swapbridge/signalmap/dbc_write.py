"""Signal map room: writing a DBC: exact decimals, fixed order, no date, so that the same map is the same bytes.

Written here and not by cantools because its writer prints binary floats; the tests read the result back with cantools
and with canmatrix.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

from swapbridge.core.errors import InputError
from swapbridge.core.files import written_whole
from swapbridge.core.identifier_words import EXTENDED_BIT
from swapbridge.signalmap.j1939_maps import usual_codes
from swapbridge.signalmap.names import NAME, OTHER_FORMS
from swapbridge.signalmap.signal_map import NO_CODES, BasePayload, MapMessage, MapNode, MapSignal, SignalMap

LONGEST_SHORT_NAME = 32
_NOBODY = "Vector__XXX"  # the DBC format's own word for "no module named"
_FRAME_FORMATS = (
    "StandardCAN", "ExtendedCAN", "reserved", "J1939PG", *("reserved",) * 10, "StandardCAN_FD", "ExtendedCAN_FD"
)  # fmt: skip
_OWNER = re.compile(r'BA_\s+"[^"]*"\s+(?:(BO_)\s+(\d+)|(SG_)\s+(\d+)\s+(\w+)|(BU_)\s+(\w+))|(SIG_GROUP_)\s+(\d+)')


def save_map(signal_map: SignalMap, path: Path | str) -> None:
    """Write a map as a DBC file, whole or not at all.

    Raises
    ------
    InputError
        A file named as another form, a name that DBC can't hold, a number without a finite decimal form, or a folder
        that can't be written.
    """
    if Path(path).suffix.lower() in OTHER_FORMS:
        raise InputError(f"{path}: maps are written as DBC; name it {Path(path).stem}.dbc")
    content = encode_map(signal_map)
    with written_whole(path) as temporary:
        temporary.write_bytes(content)


def encode_map(signal_map: SignalMap) -> bytes:
    """A map as the bytes of a DBC file: Windows-1252, as other readers expect, or UTF-8 where that can't say it."""
    text = format_map(signal_map)
    try:
        return text.encode("cp1252")
    except UnicodeEncodeError:
        return text.encode("utf-8")


def format_map(signal_map: SignalMap) -> str:
    """A map as DBC text. Raises as `save_map` does."""
    _check_names(signal_map)
    short = _short_names(signal_map)
    nodes = [*signal_map.nodes, *_unlisted(signal_map)]
    lines = ['VERSION ""', "", "NS_ :", "", "BS_:", "", "BU_:" + "".join(f" {short[n.name]}" for n in nodes), ""]
    for message in signal_map.messages:
        sender = short[message.senders[0]] if message.senders else _NOBODY
        lines.append(f"BO_ {_number(message)} {short[message.name]}: {message.length} {sender}")
        lines += [_signal_line(s, message, short) for s in message.signals]
        lines.append("")
    for message in signal_map.messages:
        if len(message.senders) > 1:
            lines.append(f"BO_TX_BU_ {_number(message)} : {','.join(short[s] for s in message.senders)};")
    lines += _comments(signal_map, short)
    lines += _attributes(signal_map, nodes, short)
    for message in signal_map.messages:
        for s in message.signals:
            if s.choices:
                pairs = " ".join(f'{raw} "{_quoted(name)}"' for raw, name in sorted(s.choices.items()))
                lines.append(f"VAL_ {_number(message)} {short[s.name]} {pairs} ;")
    for message in signal_map.messages:
        for s in message.signals:
            if s.is_float:
                lines.append(f"SIG_VALTYPE_ {_number(message)} {short[s.name]} : {1 if s.layout.length == 32 else 2};")
    for message in signal_map.messages:
        if _needs_ranges(message):
            lines += [_mux_line(s, message, short) for s in message.signals if s.mux_signal is not None]
    return "\n".join(lines) + "\n"


def map_digest(signal_map: SignalMap) -> str:
    """SHA-256 of a map as it is written, which is how a plan knows the maps that it was compiled from."""
    return hashlib.sha256(format_map(signal_map).encode()).hexdigest()


def map_text(content: bytes) -> str:
    """The text of a map's file: UTF-8, else Windows-1252, which older tools write."""
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("cp1252", errors="replace")


def written_digest(path: Path) -> str:
    """The `map_digest` of the map in a file that `save_map` wrote, without parsing the map.

    A file from elsewhere gives another digest, and one that can't be opened none (""): only equality says something.
    """
    try:
        content = path.read_bytes()
    except (OSError, ValueError):
        return ""
    return hashlib.sha256(map_text(content).encode()).hexdigest()


def exact_decimal(value: Fraction) -> str:
    """The shortest exact decimal form, without an exponent.

    Raises
    ------
    InputError
        A fraction such as 1/3 has none.
    """
    if value.denominator == 1:
        return str(value.numerator)
    rest, digits = value.denominator, 0
    for prime in (2, 5):
        count = 0
        while rest % prime == 0:
            rest, count = rest // prime, count + 1
        digits = max(digits, count)
    if rest != 1 or digits > 400:
        raise InputError(f"{value} has no exact decimal form, which is all a DBC can hold: use a nearby decimal")
    scaled = abs(value.numerator) * 10**digits // value.denominator
    text = f"{scaled:0{digits + 1}d}"
    return f"{'-' if value < 0 else ''}{text[:-digits]}.{text[-digits:]}"


def attribute_json(data: Mapping[str, Any]) -> str:
    """One line of JSON with single quotes, since a DBC string can't hold double ones; nothing else is lost.

    Parameters
    ----------
    data : mapping
        The attribute's values.

    Returns
    -------
    str
        Text for a DBC string attribute.
    """
    text = json.dumps(data, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    swap = {'"': "'", "'": "\\u0027", '\\"': "\\u0022"}
    return re.sub(r"""\\.|['"]""", lambda m: swap.get(m[0], m[0]), text)


def _number(message: MapMessage) -> int:
    return message.identifier | (EXTENDED_BIT if message.extended else 0)


def _signal_line(s: MapSignal, message: MapMessage, short: Mapping[str, str]) -> str:
    mux = ""
    if s.mux_signal is not None:
        mux = f" m{s.mux_values[0]}"
    if s.is_multiplexer:
        mux = f"{mux or ' '}M"
    order = 1 if s.layout.byte_order == "little_endian" else 0
    low, high = (exact_decimal(v) if v is not None else "0" for v in (s.minimum, s.maximum))
    receivers = ",".join(short[r] for r in s.receivers) or _NOBODY
    return (
        f" SG_ {short[s.name]}{mux} : {s.layout.start}|{s.layout.length}@{order}{'-' if s.layout.signed else '+'}"
        f" ({exact_decimal(s.scale)},{exact_decimal(s.offset)}) [{low}|{high}]"
        f' "{_quoted(s.unit)}" {receivers}'
    )


def _needs_ranges(message: MapMessage) -> bool:
    """Whether the plain `m5` form can't say it: several values of a signal, or more than one multiplexer."""
    several = any(len(s.mux_values) > 1 for s in message.signals)
    return several or sum(s.is_multiplexer for s in message.signals) > 1


def _mux_line(s: MapSignal, message: MapMessage, short: Mapping[str, str]) -> str:
    spans: list[list[int]] = []
    for value in sorted(s.mux_values):
        if spans and value == spans[-1][1] + 1:
            spans[-1][1] = value
        else:
            spans.append([value, value])
    ranges = ", ".join(f"{a}-{b}" for a, b in spans)
    return f"SG_MUL_VAL_ {_number(message)} {short[s.name]} {short[s.mux_signal or '']} {ranges};"


def _comments(signal_map: SignalMap, short: Mapping[str, str]) -> list[str]:
    lines = [f'CM_ "{_quoted(signal_map.comment)}";'] if signal_map.comment else []
    lines += [f'CM_ BU_ {short[n.name]} "{_quoted(n.comment)}";' for n in signal_map.nodes if n.comment]
    for message in signal_map.messages:
        if message.comment:
            lines.append(f'CM_ BO_ {_number(message)} "{_quoted(message.comment)}";')
        lines += [
            f'CM_ SG_ {_number(message)} {short[s.name]} "{_quoted(s.comment)}";' for s in message.signals if s.comment
        ]
    return lines


@dataclass(frozen=True, slots=True)
class _Attribute:
    """One attribute value of one thing: kind is the DBC's BU_, BO_ or SG_, `where` what follows it."""

    name: str
    kind: str
    where: str
    value: str


def _attributes(signal_map: SignalMap, nodes: list[MapNode], short: Mapping[str, str]) -> list[str]:
    """Definitions, defaults and values of the attributes in use, then the foreign statements."""
    used = list(_used_attributes(signal_map, nodes, short))
    whole = all(m.period_ms is None or m.period_ms.denominator == 1 for m in signal_map.messages)
    types = {"GenMsgCycleTime": ("INT 0 3600000" if whole else "FLOAT 0 3600000", "0")}
    types["VFrameFormat"] = ("ENUM " + ",".join(f'"{f}"' for f in _FRAME_FORMATS), '"StandardCAN"')
    types["SwapAuthenticated"] = ("INT 0 1", "0")
    definitions, defaults = [], []
    for name, kind in sorted({(a.name, a.kind) for a in used}):
        form, default = types.get(name, ("STRING ", '""'))
        definitions.append(f'BA_DEF_ {kind} "{name}" {form};')
        defaults.append(f'BA_DEF_DEF_ "{name}" {default};')
    values = [f'BA_ "{a.name}" {a.kind} {a.where} {a.value};' for a in used]
    return definitions + defaults + values + list(_living(signal_map, nodes))


def _used_attributes(signal_map: SignalMap, nodes: list[MapNode], short: Mapping[str, str]) -> Iterator[_Attribute]:
    for node in nodes:
        if node.kind != "unknown":
            yield _Attribute("SwapModuleKind", "BU_", short[node.name], f'"{node.kind}"')
        if short[node.name] != node.name:
            yield _Attribute("SystemNodeLongSymbol", "BU_", short[node.name], f'"{node.name}"')
    any_form = any(m.is_fd or m.is_group for m in signal_map.messages)
    for m in signal_map.messages:
        where = str(_number(m))
        if short[m.name] != m.name:
            yield _Attribute("SystemMessageLongSymbol", "BO_", where, f'"{m.name}"')
        if m.period_ms is not None:
            yield _Attribute("GenMsgCycleTime", "BO_", where, exact_decimal(m.period_ms))
        if any_form:
            form = ("ExtendedCAN" if m.extended else "StandardCAN") + ("_FD" if m.is_fd else "")
            form = "J1939PG" if m.is_group else form
            yield _Attribute("VFrameFormat", "BO_", where, str(_FRAME_FORMATS.index(form)))
        if m.base is not None:
            yield _Attribute("SwapBasePayload", "BO_", where, f'"{attribute_json(_base(m.base))}"')
        if m.page_order:
            yield _Attribute("SwapPageOrder", "BO_", where, f'"{", ".join(map(str, m.page_order))}"')
        if m.evidence:
            yield _Attribute("SwapMessageEvidence", "BO_", where, f'"{attribute_json(m.evidence)}"')
        for s in m.signals:
            yield from _signal_attributes(s, f"{where} {short[s.name]}", short[s.name], m.is_group)


def _base(base: BasePayload) -> dict[str, Any]:
    out: dict[str, Any] = {"payload": base.payload.hex(), "fixed": base.fixed.hex(), "frames": base.frames}
    if base.pages:
        out["pages"] = {str(value): _base(known) for value, known in base.pages}
    return out


def _signal_attributes(s: MapSignal, where: str, short: str, is_group: bool) -> Iterator[_Attribute]:
    absent, error = ranges_text(s.not_available), ranges_text(s.error_codes)
    if is_group:
        usual = usual_codes(s)
        if (s.not_available, s.error_codes) == usual:
            absent = error = ""  # a group has these unless something is said
        elif not absent and not error:
            absent = NO_CODES
    texts = {
        "SystemSignalLongSymbol": s.name if short != s.name else "",
        "SwapRole": _quoted(s.role),
        "SwapCounter": attribute_json(s.counter.to_dict()) if s.counter else "",
        "SwapChecksum": attribute_json(s.checksum.to_dict()) if s.checksum else "",
        "SwapNotAvailable": absent,
        "SwapErrorCodes": error,
        "SwapReference": _quoted(s.reference),
        "SwapConstant": "" if s.constant is None else str(s.constant),
        "SwapEvidence": attribute_json(s.evidence) if s.evidence else "",
    }
    for name, text in texts.items():
        if text:
            yield _Attribute(name, "SG_", where, f'"{text}"')
    if s.authenticated:
        yield _Attribute("SwapAuthenticated", "SG_", where, "1")


def ranges_text(codes: Iterable[int]) -> str:
    """Raw codes as "254, 255" or "0xFB-0xFE"."""
    spans: list[list[int]] = []
    for code in sorted(set(codes)):
        if spans and code == spans[-1][1] + 1:
            spans[-1][1] = code
        else:
            spans.append([code, code])
    return ", ".join(str(a) if a == b else f"{a}-{b}" for a, b in spans)


def _living(signal_map: SignalMap, nodes: list[MapNode]) -> Iterator[str]:
    """Foreign statements whose message, signal or module is still in the map."""
    messages = {str(_number(m)): m for m in signal_map.messages}
    names = {n.name for n in nodes}
    for statement in signal_map.foreign:
        owner = _OWNER.match(statement)
        if owner is not None:
            number = owner[2] or owner[4] or owner[9]
            if number is not None and number not in messages:
                continue
            if number is not None and owner[5] is not None and messages[number].signal(owner[5]) is None:
                continue
            if owner[7] is not None and owner[7] not in names:
                continue
        yield statement


def _check_names(signal_map: SignalMap) -> None:
    names = [("module", n.name) for n in signal_map.nodes]
    for m in signal_map.messages:
        names += [("message", m.name)] + [("signal", s.name) for s in m.signals]
    for kind, name in names:
        if NAME.fullmatch(name) is None:
            raise InputError(
                f"{kind} name {name[:80]!r} is not allowed in a DBC: use letters, digits and underscores, "
                "not beginning with a digit"
            )


def _unlisted(signal_map: SignalMap) -> list[MapNode]:
    """Modules that messages and signals name but the map's own list does not."""
    known = {n.name for n in signal_map.nodes}
    out: list[MapNode] = []
    for m in signal_map.messages:
        for name in (*m.senders, *(r for s in m.signals for r in s.receivers)):
            if name not in known and name != _NOBODY:
                known.add(name)
                out.append(MapNode(name))
    return out


def _short_names(signal_map: SignalMap) -> dict[str, str]:
    """DBC identifiers have 32 characters at most; longer names get a unique short one, the long one an attribute."""
    names = {n.name for n in signal_map.nodes} | {n.name for n in _unlisted(signal_map)}
    for m in signal_map.messages:
        names |= {m.name} | {s.name for s in m.signals}
    out = {name: name for name in names if len(name) <= LONGEST_SHORT_NAME}
    taken = set(out)
    for name in sorted(names - set(out)):
        short, number = name[:LONGEST_SHORT_NAME], 0
        while short in taken:
            short, number = f"{name[: LONGEST_SHORT_NAME - 5]}_{number:04d}", number + 1
        taken.add(short)
        out[name] = short
    return out | {_NOBODY: _NOBODY}


def _quoted(text: str) -> str:
    """Text as it can stand between double quotes in a DBC."""
    clean = "".join(c for c in text if c in "\n\t" or (ord(c) >= 32 and ord(c) != 127)).replace('"', "'")
    return clean + " " if clean.endswith("\\") else clean
