"""Compiler room: which learned rules somebody reviewed, by a digest over everything that was looked at.

A digest covers what a rule says, every named value, constant and table in it, what the bridge file says of its
sources (and of the states, where it asks for them), and the map's signals on both sides with their places: change any
of them and the mark `unreviewed` is back.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields

from swapbridge.core.layout import Layout
from swapbridge.language.bridge_file import BridgeFile, MessageRule, Reviewed, SignalRule, Written
from swapbridge.language.constants import parse_written
from swapbridge.language.dependencies import names_behind
from swapbridge.language.expressions import Name, Node, names_in, write
from swapbridge.signalmap.signal_map import MapMessage, MapSignal, SignalMap

DIGEST_CHARACTERS = 16
_CHANGES_NO_FRAME = frozenset({"comment", "evidence", "receivers"})
"""What a map keeps beside a signal that changes no frame."""
_ADDED_KEYS = frozenset({"with_bus", "on_request"})
"""Keys that the language got after reviews were first written: left out they are in no digest, so that those hold."""


@dataclass(frozen=True, slots=True)
class ReviewMark:
    """A rule of the bridge file that was learned: its name (bus.MESSAGE or bus.MESSAGE.SIGNAL, the page behind it).

    `digest` is that of today; `is_reviewed` says that a review with this digest is written beside it.
    """

    name: str
    message: MessageRule
    signal: SignalRule | None
    digest: str
    reviewed: Reviewed | None

    @property
    def is_reviewed(self) -> bool:
        return self.reviewed is not None and self.reviewed.digest == self.digest


def marks(bridge: BridgeFile, maps: Mapping[str, SignalMap]) -> tuple[ReviewMark, ...]:
    """Every rule that carries `unreviewed` or `reviewed`, in the order of the file; unknown messages are left out."""
    out = []
    for rule in bridge.messages:
        bus, _, name = rule.message.text.partition(".")
        message = maps[bus].message(name) if bus in maps else None
        if message is None:
            continue
        if rule.unreviewed or rule.reviewed is not None:
            digest = _digest(_message_lines(bridge, maps, rule, message))
            out.append(ReviewMark(rule.message.text, rule, None, digest, rule.reviewed))
        for made in (*rule.signals, *(s for page in rule.pages for s in page.signals)):
            if made.unreviewed or made.reviewed is not None:
                digest = _digest(_signal_lines(bridge, maps, made, message, bus))
                page = "" if made.page is None else f".{made.page}"
                out.append(ReviewMark(f"{rule.message.text}.{made.name}{page}", rule, made, digest, made.reviewed))
    return tuple(out)


def unreviewed(found: tuple[ReviewMark, ...]) -> tuple[str, ...]:
    """Names of the rules that are unreviewed in their present form."""
    return tuple(mark.name for mark in found if not mark.is_reviewed)


def review_notes(found: tuple[ReviewMark, ...]) -> list[str]:
    """What to say about the marks: those that came back since their review."""
    return [
        f"{mark.name} was reviewed on {mark.reviewed.on} and changed since (its rule, or a map): review it again with "
        f"`swapbridge review {mark.name}`"
        for mark in found
        if mark.reviewed is not None and not mark.is_reviewed
    ]


def _digest(lines: Iterator[str]) -> str:
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()[:DIGEST_CHARACTERS]


def _message_lines(
    bridge: BridgeFile, maps: Mapping[str, SignalMap], rule: MessageRule, message: MapMessage
) -> Iterator[str]:
    yield rule.message.text
    yield from _written(rule, "message", "signals", "unreviewed", "reviewed")
    for part in fields(message):
        if part.name not in (*_CHANGES_NO_FRAME, "signals"):
            yield f"map {part.name} = {getattr(message, part.name)!r}"
    made = {r.name for r in rule.signals}
    for signal in message.signals:
        if signal.name not in made:
            yield from _map_lines("rest", signal)
    if rule.states is not None:
        yield from _state_lines(bridge, maps, set())
    for signal_rule in rule.signals:
        yield from _signal_lines(bridge, maps, signal_rule, message, rule.message.text.partition(".")[0])


def _signal_lines(
    bridge: BridgeFile, maps: Mapping[str, SignalMap], rule: SignalRule, message: MapMessage, bus: str
) -> Iterator[str]:
    """Everything that decides what the signal says, a line each."""
    yield f"{bus}.{message.name}.{rule.name}"
    yield f"units = {sorted(bridge.units.items())}, step = {bridge.step_us}"
    yield from _written(rule, "unreviewed", "reviewed")
    signal = message.signal(rule.name)
    shown: set[str] = set()
    if signal is not None:
        yield from _place_lines("to", message, signal)
        yield from _reference_lines(bridge, maps, bus, signal, shown)
    own = (rule.fallback, rule.reference, rule.ramp, rule.resolution)
    ends = (end for _, low, high in rule.seen.ranges for end in (low, high))
    for source in (rule.value, *(s for s in own if s is not None), *(rule.limits or ()), *ends):
        yield from _expression_lines(bridge, maps, source, shown)
    if rule.seen.states is not None:
        yield from _state_lines(bridge, maps, shown)


def _expression_lines(
    bridge: BridgeFile, maps: Mapping[str, SignalMap], written: Written, shown: set[str]
) -> Iterator[str]:
    """An expression and all that it is made of; what `shown` names stands there already."""
    tree = parse_written(bridge, written)
    yield write(tree)
    named = sorted({n.dotted for node in _trees(bridge, written) for n in names_in(node) if len(n.parts) == 1})
    for name in named:
        table = bridge.values if name in bridge.values else bridge.constants
        if name in table:
            yield f"{name} = {write(parse_written(bridge, table[name]))}"
        elif name in bridge.curves:
            curve = bridge.curves[name]
            yield f"{name}: {curve.x_unit}, {curve.y_unit}, {curve.points}"
    if "state" in named:
        yield from _state_lines(bridge, maps, shown)
    for found in names_behind(bridge, tree):
        if len(found.parts) == 3 and found.dotted not in shown:
            shown.add(found.dotted)
            yield from _source_lines(bridge, maps, found, shown)


def _source_lines(bridge: BridgeFile, maps: Mapping[str, SignalMap], found: Name, shown: set[str]) -> Iterator[str]:
    """What the bridge file and the map say of a source signal and of its message."""
    bus, message_name, name = found.parts
    options = next((o for o in bridge.sources if o.message.text == f"{bus}.{message_name}"), None)
    if options is not None:
        yield f"{bus}.{message_name}: {list(_written(options, 'signals'))}"
        own = options.signals.get(name)
        if own is not None:
            yield f"{found.dotted}: {list(_written(own))}"
            for source in (*(own.range or ()), *((own.reference,) if own.reference is not None else ())):
                yield from _expression_lines(bridge, maps, source, shown)
    message = maps[bus].message(message_name) if bus in maps else None
    signal = message.signal(name) if message is not None else None
    if message is not None and signal is not None:
        yield from _place_lines(f"from {found.dotted}", message, signal)
        yield from _reference_lines(bridge, maps, bus, signal, shown)


def _reference_lines(
    bridge: BridgeFile, maps: Mapping[str, SignalMap], bus: str, signal: MapSignal, shown: set[str]
) -> Iterator[str]:
    """The signal that says what 100 % of a percentage means, where the map names one."""
    parts = signal.reference.split(".")
    name = Name((bus, *parts))
    if len(parts) == 2 and maps[bus].message(parts[0]) is not None and name.dotted not in shown:
        shown.add(name.dotted)
        yield from _source_lines(bridge, maps, name, shown)


def _state_lines(bridge: BridgeFile, maps: Mapping[str, SignalMap], shown: set[str]) -> Iterator[str]:
    """What selects the states."""
    if "state" in shown:
        return
    shown.add("state")
    rules = bridge.states
    yield from _written(rules)
    for source in (rules.key_on, rules.crank, rules.run):
        if source is not None:
            yield from _expression_lines(bridge, maps, source, shown)


def _place_lines(label: str, message: MapMessage, signal: MapSignal) -> Iterator[str]:
    """A signal of a map, and where it is: its message's identifier and length, and what its page depends on."""
    yield f"{label} in {message.identifier:X} {message.extended} {message.length}"
    yield from _map_lines(label, signal)
    pages = message.signal(signal.mux_signal) if signal.mux_signal else None
    if pages is not None:
        yield from _map_lines(f"{label}, its pages", pages)


def _trees(bridge: BridgeFile, written: Written) -> Iterator[Node]:
    """The expression's tree and those of every named value and constant in it."""
    work, opened = [written], set[str]()
    while work:
        tree = parse_written(bridge, work.pop(0))
        yield tree
        for name in names_in(tree):
            inner = bridge.values.get(name.dotted) or bridge.constants.get(name.dotted)
            if inner is not None and name.dotted not in opened:
                opened.add(name.dotted)
                work.append(inner)


def _map_lines(label: str, signal: MapSignal) -> Iterator[str]:
    for part in fields(signal):
        value = getattr(signal, part.name)
        if part.name in _CHANGES_NO_FRAME:
            continue
        if isinstance(value, Layout):
            value = (value.start, value.length, value.byte_order, value.signed)
        if part.name == "choices":
            value = sorted(value.items())
        yield f"{label} {part.name} = {value!r}"


def _written(rule: object, *without: str) -> Iterator[str]:
    """The fields of a rule as it was written, without its places."""
    for part in fields(rule):  # type: ignore[arg-type]
        unsaid = part.name in _ADDED_KEYS and getattr(rule, part.name) == part.default
        if part.name not in (*without, "place") and not unsaid:
            yield f"{part.name} = {_plain(getattr(rule, part.name))}"


def _plain(value: object) -> object:
    if isinstance(value, Written):
        return value.text
    if isinstance(value, tuple):
        return [_plain(v) for v in value]
    if hasattr(value, "__dataclass_fields__"):
        return [_plain(getattr(value, f.name)) for f in fields(value) if f.name != "place"]  # type: ignore[arg-type]
    return value
