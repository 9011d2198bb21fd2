"""Signal map room: taking findings of `guess` into a map, with their evidence; what a person wrote stays as it is."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

from swapbridge.core.errors import InputError
from swapbridge.core.identifier_words import format_identifier, identifier_word
from swapbridge.core.integrity import checksum_from_dict, counter_from_dict
from swapbridge.core.roles import BY_NAME
from swapbridge.signalmap.dbc_read import exact_number
from swapbridge.signalmap.findings import ConstantBits, Findings, FoundField, FoundMessage, plain_data
from swapbridge.signalmap.j1939_maps import as_group, with_own_senders
from swapbridge.signalmap.names import NAME, tidy_name
from swapbridge.signalmap.signal_map import BasePayload, MapMessage, MapSignal, SignalMap

_FOUND = "Found by guess: "


@dataclass(frozen=True, slots=True)
class Accepted:
    """A map with findings taken in, and what happened to each.

    Attributes
    ----------
    signal_map : SignalMap
    named : int
        Fields taken with the channel they follow, scale and offset; those that an earlier call took raw are among them.
    bare : int
        Fields taken as raw numbers: their layout is sure enough, what they mean is not.
    confirmed : int
        Fields that the map had already, with the same layout: their evidence was added.
    constants : int
        Fields that held one value throughout, such as on one page of a multiplexer.
    left_out : int
        Fields below the confidence asked for.
    conflicts : tuple of str
        Findings that contradict the map, which was kept.
    """

    signal_map: SignalMap
    named: int
    bare: int
    confirmed: int
    constants: int
    left_out: int
    conflicts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _FoundSignal:
    signal: MapSignal
    has_meaning: bool


def accept_findings(
    findings: Findings,
    into: SignalMap | None = None,
    *,
    min_confidence: float = 0.9,
    names: Mapping[str, str] | None = None,
    bus: str | None = None,
) -> Accepted:
    """Take findings into a signal map.

    Parameters
    ----------
    findings : Findings
        What `guess` found, or `findings_from_json` read.
    into : SignalMap or None
        A map to add to; nothing in it is changed but evidence, methods that it lacks, the meaning of what an earlier
        call took raw, and its base payloads.
    min_confidence : float
        A field's meaning is taken from this confidence on, its layout from this layout confidence on.
    names : mapping of str to str or None
        Names to give: ``"1A0"`` for a message, ``"1A0.field_0_16"`` for a signal (its name in the findings, or the
        channel it follows). By default a signal is named after its channel.
    bus : str or None
        Only this bus's messages; needed where the findings hold one identifier on several buses.

    Raises
    ------
    InputError
        A method or value of a field that can't be, or a name that DBC can't hold.
    """
    table = findings.messages
    buses = sorted({m.bus for m in table})
    if bus is not None:
        table = tuple(m for m in table if m.bus == bus)
        if not table:
            raise InputError(f"the findings contain nothing from bus {bus!r}: they have {', '.join(buses)}")
    names = dict(names or {})
    known: set[str] = set()
    counts = dict.fromkeys(("named", "bare", "confirmed", "constants", "left_out"), 0)
    conflicts: list[str] = []
    messages = {m.word: m for m in (into.messages if into is not None else ())}
    seen: set[int] = set()
    for entry in table:
        word = identifier_word(entry.identifier, entry.extended)
        label = format_identifier(entry.identifier, entry.extended)
        if word in seen:
            raise InputError(f"{label} is on several buses ({', '.join(buses)}): name the bus to use")
        seen.add(word)
        known |= {label} | {f"{label}.{name}" for f in entry.fields for name in (f.name, f.stimulus)}
        given = names.get(label) or _group_name(entry, {m.name for m in messages.values()})
        message = messages.get(word) or _new_message(entry, given)
        try:
            taken = _take(message, entry.fields, label, names, min_confidence, counts, conflicts)
        except (KeyError, TypeError, ValueError) as error:
            raise InputError(
                f"what was found of {label} can't be added to a map ({error!r}): guess again with --json"
            ) from None
        if _is_public(entry) and (word not in messages or message.is_group):
            taken = as_group(taken)
        messages[word] = replace(taken, base=joined_base(taken, _base(entry, taken)))
    odd = sorted(set(names) - known)
    if odd:
        raise InputError(f"no finding is called {odd[0]!r}: names are written as 1A0 or 1A0.field_0_16")
    ordered = sorted(messages.values(), key=lambda m: (m.extended, m.identifier))
    kept = with_own_senders(m for m in ordered if m.signals or m.base)
    out = replace(into or SignalMap(), messages=kept)
    return Accepted(out, conflicts=tuple(conflicts), **counts)


def _new_message(entry: FoundMessage, name: str | None) -> MapMessage:
    period = entry.period_ms if math.isfinite(entry.period_ms) else 0.0
    whole = round(period)
    exact = Fraction(whole) if whole and abs(period - whole) <= 0.02 * period else exact_number(f"{period:.3f}")
    return MapMessage(
        name=_checked(name or f"MSG_{format_identifier(entry.identifier, entry.extended)}"),
        identifier=entry.identifier,
        extended=entry.extended,
        length=entry.length,
        is_fd=entry.length > 8,
        period_ms=exact if exact > 0 else None,
        evidence={"frames": entry.frames, "bus": entry.bus},
    )


def _group_name(entry: FoundMessage, taken: set[str]) -> str | None:
    """Name of a public J1939 group, with its sender's address where another message has the name already."""
    group = entry.group
    if group is None or not group.name:
        return None
    return group.name if group.name not in taken else f"{group.name}_from_{group.source}"


def _is_public(entry: FoundMessage) -> bool:
    return entry.group is not None and bool(entry.group.name)


def _is_sure(f: FoundField, min_confidence: float) -> bool:
    """Whether what a field measures is sure enough: by the channel that it follows, or by a public layout."""
    known = f.stimulus is not None or bool(f.evidence.get("public"))
    return known and f.confidence >= min_confidence


def _take(
    message: MapMessage,
    fields: Sequence[FoundField],
    label: str,
    names: Mapping[str, str],
    min_confidence: float,
    counts: dict[str, int],
    conflicts: list[str],
) -> MapMessage:
    """One message with its acceptable fields added."""
    signals = list(message.signals)
    chosen = [f for f in fields if f.layout_confidence >= min_confidence and not _unknown_constant(f)]
    counts["left_out"] += len(fields) - len(chosen)
    new_names = _signal_names(chosen, label, names, min_confidence, {s.name for s in signals})
    for found_field in sorted(chosen, key=lambda f: f.kind != "mux"):
        found = _signal(found_field, new_names, min_confidence)
        twin = next((i for i, s in enumerate(signals) if same_place(s, found.signal)), None)
        if twin is not None:
            new_names[found_field.name] = signals[twin].name  # fields of its pages depend on it by that
            raw_until_now = found.has_meaning and _is_bare(signals[twin])
            signals[twin] = (_with_meaning if raw_until_now else with_evidence)(signals[twin], found.signal)
            counts["named" if raw_until_now else "confirmed"] += 1
            moved = signals[twin].constant not in (None, found.signal.constant)
            if moved and signals[twin].comment.startswith(_FOUND):
                signals[twin] = replace(signals[twin], constant=None)
            elif moved:
                conflicts.append(f"{message.label}: {signals[twin].name} moved, but the map says it is constant")
            continue
        other = next((s for s in signals if overlap(s, found.signal)), None)
        if other is not None:
            conflicts.append(f"{message.label}: {found.signal.name} overlaps {other.name} of the map, which was kept")
            continue
        if found.signal.mux_signal is not None and found.signal.mux_signal not in {s.name for s in signals}:
            conflicts.append(f"{message.label}: {found.signal.name} depends on a multiplexer that was not accepted")
            continue
        signals.append(found.signal)
        is_constant = found.signal.constant is not None
        counts["constants" if is_constant else "named" if found.has_meaning else "bare"] += 1
    return replace(message, signals=tuple(signals))


def _signal_names(
    fields: Iterable[FoundField], label: str, names: Mapping[str, str], min_confidence: float, taken: set[str]
) -> dict[str, str]:
    """Name in the findings to name in the map, unique in the message."""
    out: dict[str, str] = {}
    for f in fields:
        channel = f.stimulus
        given = names.get(f"{label}.{f.name}") or (names.get(f"{label}.{channel}") if channel else None)
        proposed = f.evidence.get("public_name") or channel or f.name
        sure = _is_sure(f, min_confidence)
        wanted = _checked(given) if given else tidy_name(str(proposed) if sure else f.name)
        name, number = wanted, 2
        while name in taken:
            name, number = f"{wanted}_{number}", number + 1
        taken.add(name)
        out[f.name] = name
    return out


def _signal(f: FoundField, new_names: Mapping[str, str], min_confidence: float) -> _FoundSignal:
    layout, kind, channel, method = f.layout, f.kind, f.stimulus, f.method
    sure = _is_sure(f, min_confidence)
    numeric = sure and kind in ("analogue", "flag")
    checksum = counter = None
    if kind == "checksum" and method is not None:
        field = {"start": layout.start, "length": layout.length, "byte_order": layout.byte_order}
        checksum = checksum_from_dict({"field": field, **method})
    if kind == "counter" and method is not None:
        counter = counter_from_dict(method)
    evidence: dict[str, Any] = plain_data(f.evidence)
    summary: dict[str, Any] = {"confidence": f.confidence, "layout_confidence": f.layout_confidence, "kind": kind}
    more = {"stimulus": f.stimulus, "lag_s": f.lag_s, "copy_of": f.copy_of}
    summary |= {key: value for key, value in more.items() if value is not None}
    role = BY_NAME.get(str(evidence.get("role") or channel)) if sure else None
    return _FoundSignal(
        MapSignal(
            name=new_names[f.name],
            layout=layout,
            scale=exact_number(repr(float(f.scale))) if numeric else Fraction(1),
            offset=exact_number(repr(float(f.offset))) if numeric else Fraction(0),
            unit=f.unit if numeric else "",
            choices=_choices(evidence) if sure and kind == "enum" else {},
            is_multiplexer=kind == "mux",
            mux_signal=None if f.mux is None else new_names.get(f.mux[0], f.mux[0]),
            mux_values=() if f.mux is None else (f.mux[1],),
            role=role.name if role is not None else "",
            counter=counter,
            checksum=checksum,
            constant=int(evidence["value"]) if kind == "constant" else None,
            authenticated=bool(evidence.get("possibly_authenticated")),
            comment=_words(f, sure),
            evidence={**evidence, **summary},
        ),
        sure,
    )


def _choices(evidence: Mapping[str, Any]) -> dict[int, str]:
    """Names of raw values that `guess` matched with a text channel's words."""
    table = evidence.get("choices")
    if not isinstance(table, Mapping):
        return {}
    return {int(raw): str(word) for raw, word in table.items()}


def _words(f: FoundField, sure: bool) -> str:
    """The evidence in one sentence, for the DBC's comment."""
    layout = f"layout confidence {f.layout_confidence:.3f}"
    public = f.evidence.get("public")
    if public and sure:
        return f"{_FOUND}{public}, as published."
    if f.stimulus is None:
        return f"{_FOUND}{f.kind}, {layout}."
    lag = f", {1000 * f.lag_s:.0f} ms behind it" if f.lag_s is not None else ""
    if sure:
        return f"{_FOUND}follows {f.stimulus}{lag}, confidence {f.confidence:.3f}."
    return f"{_FOUND}{f.kind}, {layout}; perhaps {f.stimulus} (confidence {f.confidence:.3f}, not accepted)."


def same_place(kept: MapSignal, other: MapSignal) -> bool:
    """Whether two signals are one: the same bits, or those of them that ever moved.

    A recording shows only bits that changed, so a found field may lack the upper bits of the signal it is. Counters and
    checksums are whole or something else.
    """
    no_pages = kept.mux_signal is None and other.mux_signal is None
    same_page = no_pages or bool(set(kept.mux_values) & set(other.mux_values))
    mine, found = kept.layout.positions, other.layout.positions
    exact = any(s.counter is not None or s.checksum is not None for s in (kept, other))
    narrower = not exact and len(found) < len(mine) and bool(other.evidence) and found == mine[: len(found)]
    return same_page and (mine == found or narrower)


def overlap(a: MapSignal, b: MapSignal) -> bool:
    """Whether two signals of a message claim a bit in the same frame."""
    if not set(a.layout.positions) & set(b.layout.positions):
        return False
    apart = a.mux_signal is not None and a.mux_signal == b.mux_signal and not set(a.mux_values) & set(b.mux_values)
    return not apart


def with_evidence(kept: MapSignal, found: MapSignal) -> MapSignal:
    """A map's signal with another's evidence, and its methods where it has none."""
    return replace(
        kept,
        evidence={**kept.evidence, **found.evidence},
        counter=kept.counter or found.counter,
        checksum=kept.checksum or found.checksum,
        authenticated=kept.authenticated or found.authenticated,
    )


def joined_base(message: MapMessage, found: BasePayload | None) -> BasePayload | None:
    """A message's base payload with another recording's: a bit that moved in either is not constant."""
    if found is None or len(found.payload) > message.length:
        return message.base
    return found if message.base is None else message.base.also(found)


def _base(entry: FoundMessage, message: MapMessage) -> BasePayload | None:
    """What the findings say never moved; of pages only where the map has the multiplexer that they were found by."""
    constant, selector = entry.constant, message.multiplexer
    if constant is None:
        return None
    pages: list[tuple[int, BasePayload]] = []
    by = constant.selector
    if by is not None and selector is not None and by.positions == selector.layout.positions:
        pages = [(value, _bits(known)) for value, known in constant.pages]
    return replace(_bits(constant), frames=entry.frames, pages=tuple(sorted(pages, key=lambda p: p[0])))


def _bits(constant: ConstantBits) -> BasePayload:
    return BasePayload(constant.payload, constant.mask, constant.frames)


def _unknown_constant(f: FoundField) -> bool:
    return f.kind == "constant" and "value" not in f.evidence


def _is_bare(kept: MapSignal) -> bool:
    """Whether a signal was taken from findings as a raw number, and without a meaning set since."""
    described = kept.unit or kept.role or kept.choices or kept.counter or kept.checksum or kept.reference
    raw = kept.scale == 1 and kept.offset == 0 and kept.minimum is None and kept.constant is None
    return bool(kept.evidence) and raw and not described and kept.comment.startswith(_FOUND)


def _with_meaning(kept: MapSignal, found: MapSignal) -> MapSignal:
    """A raw signal with what is now known of it; its bits and a name that a person gave stay."""
    by_place = re.fullmatch(r"field_\d+_\w+", kept.name) is not None
    return replace(
        with_evidence(kept, found),
        name=found.name if by_place else kept.name,
        scale=found.scale,
        offset=found.offset,
        unit=found.unit,
        choices=found.choices,
        role=found.role,
        comment=found.comment,
    )


def _checked(name: str) -> str:
    if NAME.fullmatch(name) is None:
        raise InputError(f"name {name!r} is not allowed in a DBC: use letters, digits and _, but begin with no digit")
    return name
