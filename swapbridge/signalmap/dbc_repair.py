"""Signal map room: a DBC as it is found, made into one that a strict parser reads, with a note of all that was done.

Statements are taken apart one by one. What is harmless is put right (`.25`, a missing bit 31, a name that begins with
a digit, the order of statements), what stands alone is left out (a comment without its signal), and what contradicts
itself costs its own message or signal and no other. Numbers are never touched.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from swapbridge.core.errors import InputError
from swapbridge.core.identifier_words import EXTENDED_BIT, format_identifier
from swapbridge.core.vocabulary import is_nobody
from swapbridge.signalmap.names import NAME, tidy_name

STRING = r'"(?:\\"|[^"])*"'
NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
NOBODY = "Vector__XXX"
"""The format's own word for 'no module named'."""
_INDEPENDENT = "VECTOR__INDEPENDENT_SIG_MSG"
"""The format's own message for signals that no frame carries."""
MOST_BYTES, MOST_BITS = 64, 64

_KINDS = (
    "BA_DEF_DEF_REL_", "BA_DEF_DEF_", "BA_DEF_REL_", "BA_DEF_SGTYPE_", "BA_DEF_", "BA_REL_", "BA_SGTYPE_", "BA_",
    "BO_TX_BU_", "CAT_DEF_", "CAT_", "CM_", "ENVVAR_DATA_", "EV_DATA_", "EV_", "FILTER", "SIG_TYPE_REF_", "SIG_GROUP_",
    "SIG_VALTYPE_", "SIGTYPE_VALTYPE_", "SGTYPE_VAL_", "SGTYPE_", "SG_MUL_VAL_", "VAL_TABLE_", "VAL_", "VERSION", "NS_",
    "BS_", "BU_",
)  # fmt: skip
_MARK = re.compile(
    rf"(?P<string>{STRING})|(?P<comment>//[^\n]*)|(?P<end>;)"
    rf"|(?:^[ \t]*|(?<=;)[ \t]*)(?P<kind>{'|'.join(_KINDS)})(?![\w])"
    r"|(?P<message>(?:^[ \t]*BO_(?!\w))|(?<!\w)BO_(?=\s+\d+\s+[^\s:\"]+\s*:))"
    r"|(?P<signal>(?:^[ \t]*SG_(?!\w))|(?<!\w)SG_(?=\s+[^\s:\"]+(?:\s+\w+)?\s*:))",
    re.MULTILINE,
)
_AFTER_NS = re.compile(r"^[ \t]*(?:(?:BS_|BU_)\s*:|BO_\s+\d|VAL_TABLE_\s+\w+\s+-?\d)", re.MULTILINE)
_MESSAGE = re.compile(r"BO_\s+(\d+)\s+([^\s:]+)\s*:\s*(\d+)(?!\w)[ \t]*([^\s;]+)?\s*;?\s*")
_SIGNAL = re.compile(
    r"SG_\s+(?P<name>[^\s:]+)(?:\s+(?P<mux>M|m\d+M?))?\s*:\s*(?P<start>\d+)\s*\|\s*(?P<length>\d+)\s*@\s*(?P<order>[01])"
    rf"\s*(?P<sign>[+-])\s*\(\s*(?P<scale>{NUMBER})\s*,\s*(?P<offset>{NUMBER})\s*\)"
    rf"\s*\[\s*(?P<low>{NUMBER})?\s*\|\s*(?P<high>{NUMBER})?\s*\]\s*(?P<unit>{STRING})?\s*(?P<receivers>[^\";]*?)\s*;?\s*$"
)
_PAIRS = re.compile(rf"(?:\s*-?\d+\s+{STRING})*\s*")
_TARGET = (
    r"(?:(?P<bo>BO_)\s+(?P<bo_id>\d+)|(?P<sg>SG_)\s+(?P<sg_id>\d+)\s+(?P<sg_name>[^\s\";]+)"
    r"|(?P<bu>BU_)\s+(?P<bu_name>[^\s\";]+)|EV_\s+\w+)"
)
_ATTRIBUTE = re.compile(rf"BA_\s*(?P<attribute>{STRING})\s*(?:{_TARGET}\s+)?(?P<value>{STRING}|{NUMBER})\s*$")
_DEFINITION = re.compile(rf"BA_DEF_(?:DEF_)?\s+(?:(?:BU_|BO_|SG_|EV_)\s*)?({STRING})")
_WANTS_NOTHING = {"BA_DEF_DEF_REL_", "BA_DEF_REL_", "ENVVAR_DATA_", "EV_"}


@dataclass(frozen=True, slots=True)
class RepairedDbc:
    """A DBC's text that a strict parser reads, and what was done to it, a sentence each."""

    text: str
    notes: tuple[str, ...]


@dataclass(slots=True)
class _RepairedMessage:
    """A message that is kept: its number, name, signals' names as written and as kept, its own line and theirs."""

    number: int
    name: str
    head: str
    signals: dict[str, str] = field(default_factory=dict)
    lines: dict[str, str] = field(default_factory=dict)
    pages: dict[str, int] = field(default_factory=dict)
    has_multiplexer: bool = False
    lost: set[str] = field(default_factory=set)
    length: int = 0


@dataclass(slots=True)
class _RepairState:
    notes: list[str] = field(default_factory=list)
    messages: dict[int, _RepairedMessage] = field(default_factory=dict)
    by_written: dict[int, _RepairedMessage | None] = field(default_factory=dict)
    nodes: list[str] = field(default_factory=list)
    tables: dict[str, str] = field(default_factory=dict)
    defined: set[str] = field(default_factory=set)
    head: list[str] = field(default_factory=list)
    tail: dict[str, list[str]] = field(default_factory=dict)
    current: _RepairedMessage | None = None

    def note(self, line: int, words: str) -> None:
        self.notes.append(f"line {line}: {words}")

    def keep(self, kind: str, statement: str) -> None:
        self.tail.setdefault(kind, []).append(statement)


def repair_dbc(text: str) -> RepairedDbc:
    """Take a DBC apart and put it together again. Nothing is lost without a note."""
    state = _RepairState()
    statements = list(_statements(text, state))
    for kind, body, line in statements:
        if kind in ("BO_", "SG_"):
            (_message if kind == "BO_" else _signal)(state, body, line)
        elif kind == "BU_":
            names = body.partition(":")[2].split()
            state.nodes += [n for n in (_name(state, "module", w, line) for w in names) if n not in state.nodes]
        elif kind == "VAL_TABLE_" and (found := re.match(r"VAL_TABLE_\s+(\w+)(.*)$", body, re.DOTALL)):
            state.tables[found[1]] = found[2].strip()
    for message in state.messages.values():
        if not message.has_multiplexer:
            _drop_pages(state, message)
    for kind, body, line in statements:
        reader = _READERS.get(kind)
        if reader is not None:
            reader(state, body, line)
        elif kind in _WANTS_NOTHING:
            state.keep(kind, body)
        elif kind not in ("BO_", "SG_", "BU_", "NS_", "BS_", "VERSION"):
            state.note(line, f"{kind} is a statement that is not used here: left out")
    return RepairedDbc(_written(state), tuple(state.notes))


def _statements(text: str, state: _RepairState) -> Iterator[tuple[str, str, int]]:
    """Kind, text without its semicolon, and line of each statement."""
    kind, begin, at, line, counted = "", 0, 0, 1, 0
    found = _MARK.search(text, 0)
    while found is not None:
        starts = found["kind"] or ("BO_" if found["message"] else "SG_" if found["signal"] else None)
        ended = found["end"] is not None and kind not in ("BO_", "SG_")
        if starts is not None or ended:
            body = _without_comments(text[begin : found.start()]).strip()
            line += text.count("\n", counted, begin)
            counted = begin
            if kind:
                if starts is not None and kind not in ("BO_", "SG_", "BU_", "NS_", "BS_", "VERSION", ""):
                    state.note(line, f"{kind} has no semicolon after it: read as if it had")
                yield kind, body, line
            elif body:
                state.note(line, f"{body[:40]!r} belongs to no statement: left out")
            kind, begin = starts or "", found.start() if starts is not None else found.end()
            begin += len(found[0]) - len(found[0].lstrip()) if starts is not None else 0
        at = found.end()
        if starts == "NS_":
            after = _AFTER_NS.search(text, at)
            at = after.start() if after is not None else at
            kind, begin = "", at
        found = _MARK.search(text, at)
    body = _without_comments(text[begin:]).strip()
    line += text.count("\n", counted, begin)
    if kind and body:
        if kind not in ("BO_", "SG_", "BU_", "BS_", "VERSION"):
            state.note(line, f"{kind} has no semicolon after it: read as if it had")
        yield kind, body, line
    elif body:
        state.note(line, f"{body[:40]!r} belongs to no statement: left out")


def _without_comments(text: str) -> str:
    if "//" not in text:
        return text
    return re.sub(rf"({STRING})|//[^\n]*", lambda m: m[1] or "", text)


def _name(state: _RepairState, what: str, written: str, line: int) -> str:
    if NAME.fullmatch(written):
        return written
    tidy = tidy_name(written)
    state.note(line, f"{what} {written[:40]!r} is not a valid name in a DBC: read as {tidy}")
    return tidy


def _message(state: _RepairState, body: str, line: int) -> None:
    state.current = None
    found = _MESSAGE.match(body)
    if found is None:
        state.note(line, f"message {body[4:44].strip()!r} can't be read: left out with its signals")
        return
    number, name, length = int(found[1]), found[2], int(found[3][:9])
    if body[found.end() :]:
        state.note(line, f"{body[found.end() :][:40]!r} after message {name} can't be read: left out")
    if name == _INDEPENDENT:
        state.by_written.setdefault(number, None)
        return
    plain = number & ~EXTENDED_BIT
    extended = bool(number & EXTENDED_BIT) or 0x7FF < number <= 0x1FFF_FFFF
    if number > 0xFFFF_FFFF or plain > (0x1FFF_FFFF if extended else 0x7FF):
        state.note(line, f"message {name} has the identifier 0x{number:X}, which no frame can have: left out")
        state.by_written.setdefault(number, None)
        return
    label = format_identifier(plain, extended)
    if extended and not number & EXTENDED_BIT:
        state.note(line, f"message {name}: {label[:-1]} has more than 11 bits: read as the 29-bit identifier {label}")
    if length > MOST_BYTES:
        state.note(line, f"message {name} has {found[3][:9]} bytes, and a frame has {MOST_BYTES} at most: left out")
        state.by_written.setdefault(number, None)
        return
    kept = plain | (EXTENDED_BIT if extended else 0)
    if kept in state.messages:
        state.note(line, f"message {name} has the identifier {label} of {state.messages[kept].name}: left out")
        return
    name = _free(_name(state, "message", name, line), {m.name for m in state.messages.values()}, state, line)
    sender = found[4] or NOBODY
    if is_nobody(sender):
        sender = NOBODY
    sender = _name(state, "module", sender, line)
    message = _RepairedMessage(kept, name, f"BO_ {kept} {name}: {length} {sender}", length=length)
    state.messages[kept] = state.current = message
    state.by_written[number] = state.by_written[kept] = message


def _free(name: str, taken: set[str], state: _RepairState, line: int) -> str:
    out, number = name, 2
    while out in taken:
        out, number = f"{name}_{number}", number + 1
    if out != name:
        state.note(line, f"the name {name} is taken already: read as {out}")
    return out


def _signal(state: _RepairState, body: str, line: int) -> None:
    message = state.current
    written = [*body.split(), "", ""][1].rstrip(":")
    if message is None:
        return
    found = _SIGNAL.match(body)
    why = "can't be read" if found is None else _too_large(found, message)
    if why or found is None:
        message.lost.add(written)
        state.note(line, f"message {message.name}, signal {written[:40]} {why}: left out")
        return
    where = f"message {message.name}, signal {found['name']}"
    for part in ("scale", "offset", "low", "high"):
        text = found[part]
        if text and text.lstrip("+-").startswith("."):
            state.note(line, f"{where}: {text} read as {_whole(text)}")
    if found["low"] is None or found["high"] is None:
        state.note(line, f"{where} has half a range: read as if it had none")
    name = _name(state, f"message {message.name}, signal", found["name"], line)
    name = _free(name, set(message.signals.values()), state, line)
    message.signals.setdefault(found["name"], name)
    receivers = [r for r in re.split(r"[,\s]+", found["receivers"]) if r and not is_nobody(r)]
    receivers = [r if NAME.fullmatch(r) else tidy_name(r) for r in receivers] or [NOBODY]
    low, high = (_whole(found[p]) if found["low"] and found["high"] else "0" for p in ("low", "high"))
    mux = found["mux"] or ""
    message.has_multiplexer |= mux.endswith("M")
    if mux.startswith("m"):
        message.pages[name] = line
    message.lines[name] = (
        f" SG_ {name}{' ' + mux if mux else ''} : {found['start']}|{found['length']}"
        f"@{found['order']}{found['sign']} ({_whole(found['scale'])},{_whole(found['offset'])}) [{low}|{high}]"
        f" {found['unit'] or chr(34) * 2} {','.join(receivers)}"
    )


def _drop_pages(state: _RepairState, message: _RepairedMessage) -> None:
    """Leave out signals of a multiplexer that is not there: the frames that hold them are not known."""
    for name, line in message.pages.items():
        state.note(
            line,
            f"message {message.name}, signal {name} depends on a multiplexer that its message does not have: left out",
        )
        del message.lines[name]
        written = {w for w, kept in message.signals.items() if kept == name}
        message.lost |= written
        for w in written:
            del message.signals[w]


def _too_large(found: re.Match[str], message: _RepairedMessage) -> str:
    length = int(found["length"][:9])
    if not 1 <= length <= MOST_BITS:
        return f"has {found['length'][:9]} bits, and 1 to {MOST_BITS} can be read"
    if int(found["start"][:9]) >= 8 * max(message.length, 1):
        return f"starts at bit {found['start'][:9]} of a message of {message.length} bytes"
    if not re.search(r"[1-9]", re.split("[eE]", found["scale"])[0]):
        return "has scale 0, so that every raw value means the same"
    return ""


def _whole(number: str) -> str:
    """A decimal number with a digit before its point."""
    return re.sub(r"^([-+]?)\.", r"\g<1>0.", number)


def _target(state: _RepairState, found: re.Match[str], line: int, what: str) -> str | None:
    """What a statement is about, as it is kept: "BO_ 5", "SG_ 5 Name", "BU_ Name", "" ; None where there is no such."""
    if found["bu"]:
        name = found["bu_name"] if NAME.fullmatch(found["bu_name"]) else tidy_name(found["bu_name"])
        if name in state.nodes:
            return f"BU_ {name}"
        state.note(line, f"{what} is of module {name[:40]}, which is not in the list: left out")
        return None
    if not (found["bo"] or found["sg"]):
        return re.sub(r"\s+", " ", found[0]).strip() if found[0].startswith("EV_") else ""
    number = int(found["bo_id"] or found["sg_id"])
    if found["bo"]:
        message = _known(state, number)
        if message is None:
            _lonely(state, line, what, number, "")
            return None
        return f"BO_ {message.number}"
    place = _signal_place(state, number, found["sg_name"], line, what)
    return None if place is None else f"SG_ {place}"


def _known(state: _RepairState, number: int) -> _RepairedMessage | None:
    if number in state.by_written:
        return state.by_written[number]
    return state.messages.get(number | EXTENDED_BIT) if number > 0x7FF else None


def _signal_place(state: _RepairState, number: int, written: str, line: int, what: str) -> str | None:
    message = _known(state, number)
    name = message.signals.get(written) if message is not None else None
    if message is None or name is None:
        _lonely(state, line, what, number, written)
        return None
    return f"{message.number} {name}"


def _lonely(state: _RepairState, line: int, what: str, number: int, signal: str) -> None:
    message = _known(state, number)
    if message is None and number in state.by_written:
        return  # its message was left out, and that is said
    if message is not None and signal in message.lost:
        return
    if message is None:
        state.note(line, f"{what} is of message {number}, which the map does not have: left out")
    else:
        state.note(line, f"{what} is of {message.name}.{signal[:40]}, which the map does not have: left out")


def _comment(state: _RepairState, body: str, line: int) -> None:
    opening, closing = body.find('"'), body.rfind('"')
    if opening < 0 or closing == opening:
        state.note(line, f"comment {body[4:44]!r} can't be read: left out")
        return
    head, text = body[3:opening].strip(), body[opening + 1 : closing]
    if re.search(r"\n[ \t]*(?:BO_ \d|SG_ \w+ :|(?:VAL|CM|BA)_ )", text):
        state.note(line, "a comment holds what looks like statements: is a quote missing behind it?")
    text = '"' + re.sub(r'(?<!\\)"', "'", text) + ('\\"' if text.endswith("\\") else "") + '"'
    if re.fullmatch(r"(?:(?:SG_|BO_)\s+)?\d+", head):
        number = int(head.split()[-1])
        if not head.startswith("BO_"):
            state.note(line, f"comment names message {number} alone: taken as the message's")
        head = f"BO_ {number}"
    found = re.fullmatch(_TARGET, head)
    if head and found is None:
        state.note(line, f"comment on {head[:40]!r} can't be read: left out")
        return
    target = "" if found is None else _target(state, found, line, "a comment")
    if target is not None:
        state.keep("CM_", f"CM_ {target} {text}" if target else f"CM_ {text}")


def _attribute(state: _RepairState, body: str, line: int) -> None:
    found = _ATTRIBUTE.match(body)
    if found is None:
        state.note(line, f"attribute {body[4:44]!r} can't be read: left out")
        return
    target = _target(state, found, line, f"attribute {found['attribute']}") if re.search(_TARGET, body) else ""
    if target is None:
        return
    kind = target.partition(" ")[0] if target.startswith(("BO_", "SG_", "BU_", "EV_")) else ""
    name, value = found["attribute"], _whole(found["value"])
    if name not in state.defined:
        state.note(line, f"attribute {name} is not defined: read as {'text' if value[0] == chr(34) else 'a number'}")
        form = "STRING" if value[0] == '"' else "FLOAT -1E+300 1E+300"
        state.defined.add(name)
        state.tail.setdefault("BA_DEF_", []).append(f"BA_DEF_ {kind} {name} {form}")
        state.tail.setdefault("BA_DEF_DEF_", []).append(
            f"BA_DEF_DEF_ {name} {chr(34) * 2 if value[0] == chr(34) else 0}"
        )
    if found[0].count("EV_") and not target:
        target = re.search(r"EV_\s+\w+", found[0])[0]  # type: ignore[index]
    state.keep("BA_", f"BA_ {name} {target} {value}" if target else f"BA_ {name} {value}")


def _definition(state: _RepairState, body: str, line: int) -> None:
    found = _DEFINITION.match(body)
    if found is None:
        state.note(line, f"{body[:40]!r} can't be read: left out")
        return
    state.defined.add(found[1])
    state.keep("BA_DEF_DEF_" if body.startswith("BA_DEF_DEF_") else "BA_DEF_", body)


def _values(state: _RepairState, body: str, line: int) -> None:
    found = re.match(r"VAL_\s+(\d+)\s+([^\s\"]+)(.*)$", body, re.DOTALL)
    if found is None:  # of an environment variable
        state.keep("VAL_", body)
        return
    pairs = found[3].strip()
    pairs = state.tables.get(pairs, pairs)
    if not _PAIRS.fullmatch(pairs):
        state.note(line, f"names of values of {found[2][:40]} can't be read: left out")
        return
    place = _signal_place(state, int(found[1]), found[2], line, "names of values")
    if place is not None and pairs:
        state.keep("VAL_", f"VAL_ {place} {pairs}")


def _of_signal(kind: str, what: str, rest: str) -> Callable[[_RepairState, str, int], None]:
    """Reader of ``KIND id name rest``."""

    def read(state: _RepairState, body: str, line: int) -> None:
        found = re.match(rf"{kind}\s+(\d+)\s+([^\s:\";]+)\s*({rest})\s*$", body, re.DOTALL)
        if found is None:
            state.note(line, f"{what} {body[:40]!r} can't be read: left out")
            return
        place = _signal_place(state, int(found[1]), found[2], line, what)
        if place is not None:
            state.keep(kind, f"{kind} {place} {found[3]}")

    return read


def _of_message(kind: str, what: str, rest: str) -> Callable[[_RepairState, str, int], None]:
    """Reader of ``KIND id rest``."""

    def read(state: _RepairState, body: str, line: int) -> None:
        found = re.match(rf"{kind}\s+(\d+)\s*({rest})\s*$", body, re.DOTALL)
        message = _known(state, int(found[1])) if found is not None else None
        if found is None:
            state.note(line, f"{what} {body[:40]!r} can't be read: left out")
        elif message is None:
            _lonely(state, line, what, int(found[1]), "")
        else:
            state.keep(kind, f"{kind} {message.number} {found[2]}")

    return read


def _relation(state: _RepairState, body: str, line: int) -> None:
    found = re.match(rf"(BA_REL_\s*{STRING}\s+BU_(?:SG|BO)_REL_\s+\w+\s+(?:SG_\s+)?)(\d+)(.*)$", body, re.DOTALL)
    message = _known(state, int(found[2])) if found is not None else None
    if found is None or message is None:
        state.note(line, f"{body[:40]!r} is of something that the map does not have: left out")
        return
    state.keep("BA_REL_", f"{found[1]}{message.number}{found[3]}")


def _table(state: _RepairState, body: str, line: int) -> None:
    found = re.match(r"VAL_TABLE_\s+\w+(.*)$", body, re.DOTALL)
    if found is None or not _PAIRS.fullmatch(found[1]):
        state.note(line, f"value table {body[11:51]!r} can't be read: left out")
        return
    state.keep("VAL_TABLE_", body)


_READERS: dict[str, Callable[[_RepairState, str, int], None]] = {
    "CM_": _comment,
    "BA_": _attribute,
    "BA_DEF_": _definition,
    "BA_DEF_DEF_": _definition,
    "BA_REL_": _relation,
    "VAL_": _values,
    "VAL_TABLE_": _table,
    "SIG_VALTYPE_": _of_signal("SIG_VALTYPE_", "the kind of a number", r":?\s*\d+"),
    "SG_MUL_VAL_": _of_signal("SG_MUL_VAL_", "multiplexer values", r"\w+\s+\d+\s*-\s*\d+(?:\s*,\s*\d+\s*-\s*\d+)*"),
    "SIG_GROUP_": _of_message("SIG_GROUP_", "a group of signals", r"\w+\s+\d+\s*:[\w\s,]*"),
    "BO_TX_BU_": _of_message("BO_TX_BU_", "a list of senders", r":\s*[\w\s,]*"),
}
_ORDER = (
    "BO_TX_BU_", "EV_", "ENVVAR_DATA_", "CM_", "BA_DEF_", "BA_DEF_REL_", "BA_DEF_DEF_", "BA_DEF_DEF_REL_", "BA_",
    "BA_REL_", "VAL_", "SIG_GROUP_", "SIG_VALTYPE_", "SG_MUL_VAL_",
)  # fmt: skip


def _written(state: _RepairState) -> str:
    nodes = [n for n in state.nodes if not is_nobody(n)]
    lines = ['VERSION ""', "NS_ :", "BS_:", "BU_: " + " ".join(nodes)]
    lines += [f"{s};" for s in state.tail.get("VAL_TABLE_", ())]
    for message in state.messages.values():
        lines += ["", message.head, *message.lines.values()]
    lines.append("")
    for kind in _ORDER:
        lines += [f"{s};" for s in state.tail.get(kind, ())]
    return "\n".join(lines) + "\n"


def check_is_dbc(text: str, source: str) -> None:
    """Refuse what is no DBC at all.

    Raises
    ------
    InputError
        It holds no statement of the format, or a NUL.
    """
    if "\0" in text or not re.search(r"\b(?:BO_|BU_|VERSION)\b|\bCM_\s+\"", text):
        raise InputError(f"{source} is not a DBC file: it holds no message or node list")
