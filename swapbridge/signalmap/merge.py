"""Signal map room: one map out of two. The first map's word counts; the second fills what the first leaves open."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from fractions import Fraction

from swapbridge.core.errors import InputError
from swapbridge.core.integrity import Checksum, Counter, FieldSum, Method, is_added, turns_of
from swapbridge.core.units import find_unit
from swapbridge.signalmap.accept import joined_base, overlap, same_place
from swapbridge.signalmap.dbc_read import exact_number
from swapbridge.signalmap.dbc_write import exact_decimal
from swapbridge.signalmap.signal_map import MapMessage, MapNode, MapSignal, SignalMap


@dataclass(frozen=True, slots=True)
class Merged:
    """Two maps as one.

    Attributes
    ----------
    signal_map : SignalMap
    same : tuple of (str, str, str)
        Signals that stand at the same place in both: message, the first map's name, the second's.
    only_first, only_second : int
        Signals that one of them has.
    differences : tuple of str
        Where they contradict each other; the first map was followed.
    """

    signal_map: SignalMap
    same: tuple[tuple[str, str, str], ...]
    only_first: int
    only_second: int
    differences: tuple[str, ...]


def merge_maps(first: SignalMap, second: SignalMap) -> Merged:
    """Join two maps of one bus; messages are matched by identifier, signals by their bits."""
    same: list[tuple[str, str, str]] = []
    differences: list[str] = []
    only_second = 0
    messages = {m.word: m for m in first.messages}
    names = {m.name for m in first.messages}
    for other in second.messages:
        mine = messages.get(other.word)
        if mine is None:
            messages[other.word] = replace(other, name=_free(other.name, names))
            names.add(messages[other.word].name)
            only_second += len(other.signals)
            continue
        joined, added = _join(mine, other, same, differences)
        messages[other.word] = joined
        only_second += added
    nodes = {n.name: n for n in second.nodes} | {n.name: n for n in first.nodes}
    ordered = tuple(sorted(messages.values(), key=lambda m: (m.extended, m.identifier)))
    out = SignalMap(
        messages=ordered,
        nodes=tuple(_known_kind(n, second) for n in nodes.values()),
        comment=first.comment or second.comment,
        foreign=first.foreign + tuple(s for s in second.foreign if s not in first.foreign and not _defined(s, first)),
        source=first.source,
    )
    only_first = sum(len(m.signals) for m in first.messages) - len(same)
    return Merged(out, tuple(same), only_first, only_second, tuple(differences))


def _join(
    mine: MapMessage, other: MapMessage, same: list[tuple[str, str, str]], differences: list[str]
) -> tuple[MapMessage, int]:
    """One message of both, and how many signals the second added."""
    signals = list(mine.signals)
    names = {s.name for s in signals}
    renamed: dict[str, str] = {}
    added = 0
    if mine.length != other.length:
        differences.append(f"{mine.label}: {mine.length} bytes in the first map, {other.length} in the second")
    for s in sorted(other.signals, key=lambda s: not s.is_multiplexer):
        s = replace(s, mux_signal=renamed.get(s.mux_signal, s.mux_signal)) if s.mux_signal else s
        twin = next((i for i, m in enumerate(signals) if same_place(m, s)), None)
        if twin is not None:
            same.append((mine.name, signals[twin].name, s.name))
            differences += _differences(mine, signals[twin], s)
            renamed[s.name] = signals[twin].name
            signals[twin] = _fill(signals[twin], s)
            continue
        clash = next((m for m in signals if overlap(m, s)), None)
        if clash is not None:
            differences.append(f"{mine.label}: {s.name} of the second map overlaps {clash.name} of the first: left out")
            continue
        if not s.layout.fits(mine.length):
            differences.append(f"{mine.label}: {s.name} of the second map lies outside {mine.length} bytes: left out")
            continue
        new = _free(s.name, names)
        names.add(new)
        renamed[s.name] = new
        signals.append(replace(s, name=new))
        added += 1
    joined = replace(
        mine,
        signals=tuple(signals),
        period_ms=mine.period_ms if mine.period_ms is not None else other.period_ms,
        senders=mine.senders or other.senders,
        comment=mine.comment or other.comment,
        evidence={**other.evidence, **mine.evidence},
        base=joined_base(mine, other.base),
    )
    return joined, added


def _fill(mine: MapSignal, other: MapSignal) -> MapSignal:
    """The first map's signal, with what only the second knows."""
    described = (
        mine.unit or mine.choices or mine.role or mine.counter or mine.checksum or mine.scale != 1 or mine.offset
    )
    meaningless = not described and mine.layout.positions == other.layout.positions
    return replace(
        mine,
        layout=other.layout if meaningless else mine.layout,
        scale=other.scale if meaningless else mine.scale,
        offset=other.offset if meaningless else mine.offset,
        unit=other.unit if meaningless else mine.unit,
        minimum=mine.minimum if mine.minimum is not None else (other.minimum if meaningless else None),
        maximum=mine.maximum if mine.maximum is not None else (other.maximum if meaningless else None),
        choices=mine.choices or other.choices,
        role=mine.role or other.role,
        counter=mine.counter or other.counter,
        checksum=mine.checksum or other.checksum,
        not_available=mine.not_available or other.not_available,
        error_codes=mine.error_codes or other.error_codes,
        reference=mine.reference or other.reference,
        constant=mine.constant if mine.constant is not None else other.constant,
        authenticated=mine.authenticated or other.authenticated,
        comment=mine.comment or other.comment,
        evidence={**other.evidence, **mine.evidence},
        receivers=mine.receivers or other.receivers,
    )


def _differences(message: MapMessage, mine: MapSignal, other: MapSignal) -> list[str]:
    where = f"{message.label}.{mine.name}"
    out = []
    if mine.unit and other.unit and not same_scaling(mine, other):
        out.append(f"{where}: {_scaling(mine)} in the first map, {_scaling(other)} in the second")
    if mine.layout.signed != other.layout.signed and other.unit:
        words = ["signed" if s.layout.signed else "unsigned" for s in (mine, other)]
        out.append(f"{where}: {words[0]} in the first map, {words[1]} in the second")
    if mine.counter is not None and other.counter is not None and mine.counter != other.counter:
        out.append(f"{where}: {_counter(mine.counter)} in the first map, {_counter(other.counter)} in the second")
    if mine.checksum is not None and other.checksum is not None and not same_checksum(mine.checksum, other.checksum):
        out.append(f"{where}: the two maps' checksum methods give different values")
    return out


_PERCENT_OF = re.compile(r"\s*(\d+(?:\.\d+)?)\s*(\D.*?)\s*")
SCALE_TOLERANCE = Fraction(1, 200)
"""Two scales (in one unit) nearer than this share are one; speeds differ by as much through tyres and rounding."""


def same_scaling(mine: MapSignal, other: MapSignal) -> bool:
    """Whether two signals say the same, perhaps in two units: scales within 0.5 %, offsets within one step.

    A percentage whose map states what 100 % is may be said in that unit.
    """
    if mine.unit != other.unit and (whole := _PERCENT_OF.fullmatch(mine.reference)) is not None and mine.unit == "%":
        share = exact_number(whole[1]) / 100
        mine = replace(mine, scale=mine.scale * share, offset=mine.offset * share, unit=whole[2], reference="")
        return same_scaling(mine, other)
    scale, offset = other.scale, other.offset
    if mine.unit != other.unit:
        try:
            factor, shift = find_unit(other.unit).conversion(find_unit(mine.unit))
        except InputError:
            return False
        scale, offset = scale * factor, offset * factor + shift
    return abs(scale - mine.scale) <= SCALE_TOLERANCE * abs(mine.scale) and abs(offset - mine.offset) <= abs(mine.scale)


def same_checksum(a: Checksum, b: Checksum) -> bool:
    """Whether two checksums change alike with every payload bit that both were verified on.

    Constants are not compared: a method found in a capture folds the bits that never moved into its constant.
    """
    if a.layout.positions != b.layout.positions or is_added(a.method) != is_added(b.method):
        return False
    if _folding(a.method) != _folding(b.method):
        return False
    verified = (1 << 512) - 1
    for checksum in (a, b):
        verified &= checksum.verified_bits if checksum.verified_bits is not None else verified
    for bit in range(512):
        if verified >> bit & 1 and bit not in a.layout.positions:
            payload = bytearray(64)
            payload[bit >> 3] = 1 << (bit & 7)
            if _change(a.method, bytes(payload)) != _change(b.method, bytes(payload)):
                return False
    return True


def _folding(method: Method) -> tuple[int, ...]:
    """The steps that finish a sum, where these are more than a modulus."""
    if not isinstance(method, FieldSum) or method.is_plain:
        return ()
    return method.register, method.fold, method.folds, method.turns, method.factor % method.turns, method.xor_out


def _change(method: Method, payload: bytes) -> int:
    """What a payload does to a checksum, beyond an empty one; to a sum that something is done to, what before that."""
    if isinstance(method, FieldSum) and not method.is_plain:
        return method.total(payload) - method.total(bytes(64))
    value, empty = method.value(payload), method.value(bytes(64))
    return (value - empty) % turns_of(method) if is_added(method) else value ^ empty


def _counter(counter: Counter) -> str:
    return f"counter {counter.low} to {counter.high} in steps of {counter.step}"


def _scaling(s: MapSignal) -> str:
    sign = "+" if s.offset >= 0 else "-"
    return f"raw x {exact_decimal(s.scale)} {sign} {exact_decimal(abs(s.offset))} {s.unit}"


def _known_kind(node: MapNode, second: SignalMap) -> MapNode:
    other = second.node(node.name)
    if node.kind == "unknown" and other is not None:
        return replace(node, kind=other.kind, comment=node.comment or other.comment)
    return node


def _defined(statement: str, first: SignalMap) -> bool:
    """Whether the first map defines the same attribute or table already."""
    head = statement.split('"')[:2]
    return statement.startswith(("BA_DEF_", "VAL_TABLE_")) and any(s.split('"')[:2] == head for s in first.foreign)


def _free(name: str, taken: set[str]) -> str:
    out, number = name, 2
    while out in taken:
        out, number = f"{name}_{number}", number + 1
    return out
