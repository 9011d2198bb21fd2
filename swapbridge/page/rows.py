"""Page room: the bridge as a table: each signal sent, what it is made from, how sure that is, what it says in doubt."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from fractions import Fraction

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, InlineTable, Table

from swapbridge.compiler.expressions.usage import USAGES
from swapbridge.core.errors import InputError
from swapbridge.core.units import find_unit
from swapbridge.page.answers import BridgeRow, Pickable, Usage
from swapbridge.plan.plan import Field, Plan
from swapbridge.signalmap.signal_map import MapMessage, MapSignal, SignalMap


def sources(plan: Plan, maps: Mapping[str, SignalMap]) -> list[BridgeRow]:
    """A row for each signal that a plan sends."""
    sure = {name: how_sure(signal) for name, _, _, signal in _signals(maps)}
    out: list[BridgeRow] = []
    for send in plan.sends:
        every = f"every {send.period_us / 1000:g} ms" if send.period_us else "when something happens"
        bus = plan.buses[send.bus].name
        described = maps[bus].by_word(send.word) if bus in maps else None
        for variant in send.variants:
            for item in variant.fields:
                signal = described.signal(item.name) if described is not None else None
                heard = sorted(
                    {e.name for feed in item.feeds for e in plan.feeds[feed].extracts if e.name in item.expression}
                )
                out.append(
                    {
                        "message": send.name,
                        "every": "once after wake-up" if send.count else every,
                        "signal": item.name,
                        "unit": item.unit,
                        "kind": kind(item.unit),
                        "made_from": item.expression,
                        "sources": [{"name": name, "sure": sure.get(name, "")} for name in heard],
                        "doubt": _doubt(item, signal),
                        "note": item.note,
                    }
                )
    return out


def _doubt(item: Field, signal: MapSignal | None) -> str:
    """What is said while the source is silent, as a person reads it."""
    if item.fallback is None:
        return "nothing is sent"
    if signal is not None and item.fallback in signal.not_available:
        return "not available"
    if signal is not None and item.fallback in signal.error_codes:
        return "error"
    if signal is not None and item.fallback in signal.choices:
        return str(signal.choices[item.fallback])
    value = float(item.fallback * Fraction(item.scale) + Fraction(item.offset))
    return f"{value:.6g} {item.unit}".strip()


def how_sure(signal: MapSignal) -> str:
    """How sure a map is of a signal, in a few words."""
    evidence = signal.evidence
    if not evidence:
        return "as the map says"
    if evidence.get("by_hand"):
        return "by hand"
    confidence = evidence.get("confidence")
    if not isinstance(confidence, int | float) or not math.isfinite(confidence):
        return "found"
    return f"found, {100 * confidence:.1f} %"


def pickable(maps: Mapping[str, SignalMap]) -> list[Pickable]:
    """Every signal of the maps that an expression can name, with its unit's kind, by which it fits a target or not."""
    out: list[Pickable] = []
    for name, bus, _, signal in _signals(maps):
        if signal.counter is None and signal.checksum is None:
            out.append(
                {"name": name, "bus": bus, "unit": signal.unit, "kind": kind(signal.unit), "sure": how_sure(signal)}
            )
    return out


def kind(unit: str) -> str:
    """What a unit measures; "" for none, and for one that no bridge can convert."""
    try:
        return find_unit(unit).kind if unit else ""
    except InputError:
        return ""


def functions() -> list[Usage]:
    """The functions of the language: how each is written, and what it does."""
    return [{"name": name, "usage": usage, "words": words} for name, (usage, words) in USAGES.items()]


def _signals(maps: Mapping[str, SignalMap]) -> Iterator[tuple[str, str, MapMessage, MapSignal]]:
    for bus, signal_map in maps.items():
        for message in signal_map.messages:
            for signal in message.signals:
                yield f"{bus}.{message.name}.{signal.name}", bus, message, signal


def with_source(text: str, message: str, signal: str, source: str) -> str:
    """A bridge text in which one signal is made from another; everything else, comments too, stays as it is.

    Raises
    ------
    InputError
        The text is no TOML, or has no such message and signal of its own.
    """
    try:
        document = tomlkit.parse(text)
    except (TOMLKitError, RecursionError) as error:
        raise InputError(f"the bridge file can't be read as TOML ({error}); correct that first") from None
    messages = document.get("messages")
    for entry in messages if isinstance(messages, AoT) else ():
        found = entry.get("signals")
        if entry.get("send") != message or not isinstance(found, Table | InlineTable) or signal not in found:
            continue
        if isinstance(found[signal], Table | InlineTable):
            found[signal]["value"] = source
        else:
            found[signal] = source
        return tomlkit.dumps(document)
    raise InputError(f"{message} has no signal {signal} with a line of its own; write it in the text")
