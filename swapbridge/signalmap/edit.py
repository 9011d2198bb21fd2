"""Signal map room: sets properties of a message or signal, and makes it where it is missing; nobody types SG_ lines."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from fractions import Fraction
from typing import Any

from swapbridge.core.checksum_names import ChecksumPlace, named_checksum
from swapbridge.core.errors import InputError
from swapbridge.core.identifier_words import parse_identifier
from swapbridge.core.integrity import Checksum, Counter
from swapbridge.core.layout import ByteOrder, Layout, SplitLayout, split_layout
from swapbridge.core.roles import find_role
from swapbridge.core.units import find_unit
from swapbridge.signalmap.accept import overlap
from swapbridge.signalmap.dbc_read import raw_codes
from swapbridge.signalmap.j1939_maps import as_group, usual_codes, with_own_senders, with_usual_codes
from swapbridge.signalmap.names import NAME
from swapbridge.signalmap.signal_map import MODULE_KINDS, MapMessage, MapNode, MapSignal, ModuleKind, SignalMap

NOTHING = "none"
"""Takes a counter, checksum, constant, role or the like away again."""


@dataclass(frozen=True, slots=True)
class MapChange:
    """What to say of a message or one of its signals; None leaves a thing as it is.

    Attributes
    ----------
    identifier : (int, bool) or None
        The message's identifier, and whether it has 29 bits.
    length : int or None
        The message's payload bytes.
    period_ms : Fraction or None
    group : bool or None
        Whether the message is a J1939 parameter group: heard whatever its priority and sender, with J1939's reserved
        values.
    network_management : bool or None
        Whether the message keeps the bus awake, and must stop when the vehicle is switched off.
    sender, module_kind : str or None
        The module that sends it, and what that is (`MODULE_KINDS`).
    start, bits, byte_order, signed
        The signal's layout, as DBC counts it.
    scale, offset : Fraction or None
    unit, role, reference, counter, checksum, not_available, error_codes, constant : str or None
        As people write them: ``rpm``; ``engine_speed``; ``500 Nm``; ``0-14``; ``crc8-j1850 with identifier``;
        ``255, 0xFB-0xFE``; ``0x55``. `NOTHING` takes the thing away.
    choices : mapping of int to str
        Names of raw values, added to those there are.
    """

    identifier: tuple[int, bool] | None = None
    length: int | None = None
    period_ms: Fraction | None = None
    group: bool | None = None
    network_management: bool | None = None
    sender: str | None = None
    module_kind: str | None = None
    start: int | None = None
    bits: int | None = None
    byte_order: ByteOrder | None = None
    signed: bool | None = None
    scale: Fraction | None = None
    offset: Fraction | None = None
    unit: str | None = None
    role: str | None = None
    reference: str | None = None
    counter: str | None = None
    checksum: str | None = None
    not_available: str | None = None
    error_codes: str | None = None
    constant: str | None = None
    choices: Mapping[int, str] = field(default_factory=dict)

    @property
    def of_signal(self) -> bool:
        """Whether anything of a signal is said."""
        of_message = ("identifier", "length", "period_ms", "group", "network_management", "sender", "module_kind")
        return any(getattr(self, f.name) not in (None, {}) for f in fields(self) if f.name not in of_message)


@dataclass(frozen=True, slots=True)
class EditedMap:
    """A map with something said in it, and what was done, a sentence each."""

    signal_map: SignalMap
    done: tuple[str, ...]


def set_in_map(signal_map: SignalMap, target: str, change: MapChange) -> EditedMap:
    """Say something of ``MESSAGE`` or ``MESSAGE.SIGNAL``; what is missing of the two is made.

    Parameters
    ----------
    signal_map : SignalMap
    target : str
        A message by name or identifier (``0C8``, ``CF00400x``), a dot and a signal's name where it is of one.
    change : Change

    Raises
    ------
    InputError
        Something contradicts the map (bits that another signal has, a code that does not fit), a new thing lacks what
        it needs, or a word is not known.
    """
    message_name, _, signal_name = target.partition(".")
    if change.of_signal and not signal_name:
        raise InputError(f"{target} is a message; name one of its signals, such as {target}.SignalName")
    done: list[str] = []
    old = find_message(signal_map, message_name)
    message = old or _new_message(message_name, change, done)
    message = _changed_message(message, change)
    if signal_name:
        message = _with_signal(message, signal_name, change, done)
    if message.is_group:
        message = _with_group_codes(message, old, signal_name, change)
    messages = [message if m is old else m for m in signal_map.messages]
    if old is None:
        messages.append(message)
    _check_identifier(messages, message)
    ordered = with_own_senders(sorted(messages, key=lambda m: (m.extended, m.identifier)))
    nodes = _nodes(signal_map, change, done)
    return EditedMap(replace(signal_map, messages=ordered, nodes=nodes), tuple(done))


def find_message(signal_map: SignalMap, name: str) -> MapMessage | None:
    """A message by its name or, where no message has it, by its identifier."""
    message = signal_map.message(name)
    if message is not None:
        return message
    try:
        identifier, extended = parse_identifier(name)
    except InputError:
        return None
    return next((m for m in signal_map.messages if (m.identifier, m.extended) == (identifier, extended)), None)


def _new_message(name: str, change: MapChange, done: list[str]) -> MapMessage:
    identifier = change.identifier
    if identifier is None:
        try:
            identifier = parse_identifier(name)
        except InputError:
            raise InputError(
                f"the map has no message {name!r}: add --id and --length to make it, or name one that it has"
            ) from None
        name = f"MSG_{name.upper().removeprefix('0X').replace('X', 'x')}"
    if change.length is None:
        raise InputError(f"message {name} is new: give its number of bytes with --length")
    done.append(f"message {name} made")
    return MapMessage(_checked(name), *identifier, change.length)


def _changed_message(message: MapMessage, change: MapChange) -> MapMessage:
    length = message.length if change.length is None else change.length
    if not 0 <= length <= 64:
        raise InputError(f"message {message.name} can't have {length} bytes: 0 to 8, and 64 at most with CAN FD")
    outside = next((s for s in message.signals if not s.layout.fits(length)), None)
    if outside is not None:
        raise InputError(f"{message.label} can't have {length} bytes: its signal {outside.name} needs more")
    identifier, extended = change.identifier or (message.identifier, message.extended)
    group = message.is_group if change.group is None else change.group
    if group and not extended:
        raise InputError(f"{message.label} has 11 bits: J1939 groups have identifiers of 29 bits, such as CF00400x")
    return replace(
        message,
        identifier=identifier,
        extended=extended,
        length=length,
        is_fd=message.is_fd or length > 8,
        is_group=group,
        own_sender=message.own_sender and group,
        period_ms=message.period_ms if change.period_ms is None else (change.period_ms or None),
        senders=message.senders if change.sender is None else (_checked(change.sender),),
        evidence=_with_management(message.evidence, change.network_management),
    )


def _with_management(evidence: Mapping[str, Any], is_management: bool | None) -> Mapping[str, Any]:
    """A message's evidence, with whether it is network management."""
    kept = {key: value for key, value in evidence.items() if is_management is None or key != "network_management"}
    return {**kept, "network_management": True} if is_management else kept


def _with_group_codes(message: MapMessage, old: MapMessage | None, name: str, change: MapChange) -> MapMessage:
    """A group whose signals have J1939's reserved values, except those that the change gives other ones."""
    if old is None or not old.is_group:
        return as_group(message)
    before = old.signal(name)
    changed = change.not_available is not None or change.error_codes is not None
    usual = before is None or (before.not_available, before.error_codes) == usual_codes(before)
    if changed or not usual:
        return message
    bare = {s.name: replace(s, not_available=(), error_codes=()) for s in message.signals if s.name == name}
    return replace(
        message, signals=tuple(with_usual_codes(bare[s.name]) if s.name in bare else s for s in message.signals)
    )


def _with_signal(message: MapMessage, name: str, change: MapChange, done: list[str]) -> MapMessage:
    old = message.signal(name)
    if old is None:
        if change.start is None or change.bits is None:
            raise InputError(
                f"{message.label} has no signal {name!r}: add --start and --bits to make it"
                + (f", or name one of {', '.join(s.name for s in message.signals[:8])}" if message.signals else "")
            )
        done.append(f"signal {message.name}.{name} made")
    signal = old or MapSignal(_checked(name), Layout(change.start or 0, change.bits or 1))
    layout = Layout(
        signal.layout.start if change.start is None else change.start,
        signal.layout.length if change.bits is None else change.bits,
        change.byte_order or signal.layout.byte_order,
        signal.layout.signed if change.signed is None else change.signed,
    )
    if not layout.fits(message.length):
        raise InputError(
            f"{message.label}: bits of {name} would lie outside its {message.length} bytes: give another --start"
        )
    signals = [s for s in message.signals if s is not old]
    moved = replace(signal, layout=layout, constant=None)
    clash = next((s for s in signals if overlap(s, moved)), None)
    if clash is not None:
        raise InputError(
            f"{message.label}: {name} would share bits with {clash.name} ({clash.layout.start}|{clash.layout.length}): "
            "give another --start or --bits, or move that one first"
        )
    # a checksum of the message may count on where this one stood
    signals = [_follows(s, signal.layout, layout) for s in signals]
    new = _changed(_follows(replace(moved, constant=signal.constant), signal.layout, layout), message, signals, change)
    at = len(signals) if old is None else message.signals.index(old)
    return replace(message, signals=(*signals[:at], new, *signals[at:]))


def _follows(s: MapSignal, before: Layout, after: Layout) -> MapSignal:
    """A signal whose checksum refers to a layout that has moved, with the new one."""
    if s.checksum is None or before == after:
        return s
    unsigned = replace(after, signed=False)
    checksum = s.checksum
    own = checksum.layout
    if isinstance(own, SplitLayout):
        lower, upper = (unsigned if part.positions == before.positions else part for part in (own.lower, own.upper))
        checksum = replace(checksum, layout=split_layout(lower, upper))
    elif own.positions == before.positions:
        checksum = replace(checksum, layout=unsigned)
    if checksum.counter is not None and checksum.counter.positions == before.positions:
        checksum = replace(checksum, counter=unsigned)
    return replace(s, checksum=checksum)


def _changed(s: MapSignal, message: MapMessage, others: list[MapSignal], change: MapChange) -> MapSignal:
    """The signal with every property that the change sets."""
    counter, checksum = s.counter, s.checksum
    if change.counter is not None:
        counter = None if change.counter == NOTHING else _counter(change.counter, s.layout, s.name)
        checksum = None if counter is not None else checksum
    if change.checksum is not None:
        checksum = None if change.checksum == NOTHING else _checksum(change.checksum, s, message, others)
        counter = None if checksum is not None else counter
    if checksum is not None and s.layout.signed:
        raise InputError(f"{message.label}: checksum {s.name} can't be signed: add --unsigned")
    return replace(
        s,
        scale=s.scale if change.scale is None else change.scale,
        offset=s.offset if change.offset is None else change.offset,
        unit=s.unit if change.unit is None else _word(change.unit),
        role=s.role if change.role is None else ("" if change.role == NOTHING else find_role(change.role).name),
        reference=s.reference if change.reference is None else _word(change.reference),
        counter=counter,
        checksum=checksum,
        not_available=_codes(change.not_available, s.not_available, s.layout, "--not-available"),
        error_codes=_codes(change.error_codes, s.error_codes, s.layout, "--error-codes"),
        constant=s.constant if change.constant is None else _constant(change.constant),
        choices={**s.choices, **change.choices},
    )


def _word(text: str) -> str:
    return "" if text == NOTHING else text


def _codes(text: str | None, before: tuple[int, ...], layout: Layout, what: str) -> tuple[int, ...]:
    return before if text is None else raw_codes(_word(text), layout, what)


def _constant(text: str) -> int | None:
    if text == NOTHING:
        return None
    try:
        return int(text, 0)
    except ValueError:
        raise InputError(f"--constant {text!r} is not a raw value: write one, such as 255 or 0xFF") from None


def _counter(text: str, layout: Layout, name: str) -> Counter:
    found = re.fullmatch(r"\s*(\d+)\s*(?:-|to)\s*(\d+)\s*(?:by\s+(\d+))?\s*", text)
    if found is None:
        raise InputError(f"--counter {text!r} can't be read: write 0-15, 1-15, or 0-14 by 2")
    counter = Counter(int(found[1]), int(found[2]), int(found[3] or 1))
    if layout.signed or counter.high > layout.raw_range[1]:
        raise InputError(
            f"a counter up to {counter.high} does not fit {name}, whose {layout.length} bits "
            f"hold {layout.raw_range[0]} to {layout.raw_range[1]}: give a shorter --counter or more --bits"
        )
    if not 1 <= counter.step <= counter.high - counter.low:
        raise InputError(
            f"a counter from {counter.low} to {counter.high} can't go by {counter.step}: give a smaller step"
        )
    return counter


def _checksum(text: str, s: MapSignal, message: MapMessage, others: list[MapSignal]) -> Checksum:
    counter = next((o.layout for o in others if o.counter is not None), None)
    own = replace(s.layout, signed=False)
    try:
        text, _, upper = text.partition(" upper bits in ")
        if upper:
            rest = next((o for o in others if o.name == upper.strip()), None)
            if rest is None:
                raise InputError(f"the message has no signal {upper.strip()!r} for the upper bits: make it first")
            own = split_layout(own, replace(rest.layout, signed=False))
        return named_checksum(text, ChecksumPlace(own, message.length, message.identifier, message.extended, counter))
    except InputError as error:
        raise InputError(f"{message.label}, signal {s.name}: {error}") from None


def _nodes(signal_map: SignalMap, change: MapChange, done: list[str]) -> tuple[MapNode, ...]:
    if change.sender is None:
        if change.module_kind is not None:
            raise InputError("--module-kind describes the module named by --sender: add --sender")
        return signal_map.nodes
    kind = change.module_kind
    if kind is not None and kind not in MODULE_KINDS:
        raise InputError(f"a module of kind {kind!r} is not known: use {', '.join(MODULE_KINDS)}")
    node = signal_map.node(change.sender)
    if node is None:
        done.append(f"module {change.sender} made")
        return (*signal_map.nodes, MapNode(change.sender, _kind(kind) or "unknown"))
    return tuple(replace(n, kind=_kind(kind) or n.kind) if n is node else n for n in signal_map.nodes)


def _kind(kind: str | None) -> ModuleKind | None:
    return kind  # type: ignore[return-value]  # checked against MODULE_KINDS


def _check_identifier(messages: list[MapMessage], message: MapMessage) -> None:
    twin = next((m for m in messages if m is not message and m.word == message.word), None)
    if twin is not None:
        raise InputError(
            f"{message.label} has the identifier of {twin.label}: a frame needs one meaning: give another --id"
        )


def _checked(name: str) -> str:
    if NAME.fullmatch(name) is None:
        raise InputError(
            f"name {name[:80]!r} is not allowed in a DBC: use letters, digits and _, but begin with no digit"
        )
    return name


def unit_note(unit: str) -> str:
    """What to know of a unit that no bridge can convert, or ""."""
    try:
        find_unit(unit)
    except InputError as error:
        return str(error)
    return ""
