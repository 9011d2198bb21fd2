"""Compiler room: a learned rule holds where its recordings were: elsewhere its signal gives its safe answer."""

from __future__ import annotations

from dataclasses import replace

from swapbridge.compiler.build import BlockBuilder
from swapbridge.compiler.expressions.lower import Lowering
from swapbridge.compiler.expressions.sources import is_choice
from swapbridge.compiler.expressions.values import (
    Value,
    Wanted,
    both_valid,
    compare_values,
    is_always_valid,
    need_truth,
)
from swapbridge.compiler.refusals import LoweringError
from swapbridge.language.bridge_file import SignalRule, Written
from swapbridge.language.dependencies import signals_behind
from swapbridge.language.expressions import Name
from swapbridge.plan.plan import STATES


def within_seen(lowering: Lowering, builder: BlockBuilder, rule: SignalRule, value: Value) -> Value:
    """The value, invalid while a valid source is outside what was recorded or the state is another.

    Raises
    ------
    BridgeRefused
        `seen` names no source of the value, or not by numbers of its kind.
    """
    if not rule.seen.ranges and rule.seen.states is None:
        return value
    valid, feeds = value.valid, value.feeds
    for name, source in seen_sources(lowering, rule):
        low, high = next((low, high) for ranged, low, high in rule.seen.ranges if ranged == name)
        try:
            measured = lowering.signal(source, builder, Wanted())
            ends = [lowering.lower_written(text, builder, Wanted()) for text in (low, high)]
            if not all(end.linear.is_constant and is_always_valid(builder, end) for end in ends):
                raise LoweringError("its ends are not constants", _USAGE)
            above = need_truth(builder, compare_values(builder, "<=", ends[0], measured))
            below = need_truth(builder, compare_values(builder, "<=", measured, ends[1]))
        except LoweringError as error:
            raise lowering.bridge.refuse(low.place, f"seen of {rule.name}: {error.reason}", error.remedy) from None
        inside = builder.emit("and", above, below)
        if measured.valid is not None:  # a source that is not valid says nothing here: the value itself tells
            inside = builder.emit("or", inside, builder.emit("not", measured.valid))
        valid, feeds = both_valid(builder, valid, inside), feeds | measured.feeds
    if rule.seen.states is not None:
        known = dict.fromkeys((STATES.index(s) for s in rule.seen.states), 1)
        if not known:
            raise lowering.bridge.refuse(rule.place, f"seen_states of {rule.name} is empty", "name the recorded states")
        lookup = lowering.memory.lookup("recorded states", known, 0)
        valid = both_valid(builder, valid, builder.emit("lookup", builder.load(0), value=lookup))
    return replace(value, valid=valid, feeds=feeds)


_USAGE = 'write seen = ["low", "high"], or seen = { "bus.MESSAGE.SIGNAL" = ["low", "high"] }, with units'


def seen_sources(lowering: Lowering, rule: SignalRule) -> list[tuple[str, Name]]:
    """The sources that `seen` speaks of, by the name it gives them ("" for the only one)."""
    bridge, out = lowering.bridge, []
    behind = {n.dotted: n for n in signals_behind(bridge, rule.value)}
    for ranged, low, _ in rule.seen.ranges:
        if ranged and ranged not in behind:
            known = ", ".join(behind) or "no source"
            raise bridge.refuse(
                low.place, f"seen of {rule.name} names {ranged}, but its value depends on {known}", _USAGE
            )
        if not ranged and len(behind) != 1:
            count = "no source" if not behind else f"{len(behind)} sources ({', '.join(behind)})"
            raise bridge.refuse(low.place, f"seen of {rule.name} does not say of which source: it has {count}", _USAGE)
        name = behind[ranged] if ranged else next(iter(behind.values()))
        try:
            signal = lowering.sources.find_signal(*name.parts)[1]
        except LoweringError as error:
            raise bridge.refuse(low.place, error.reason, error.remedy) from None
        if is_choice(signal):
            raise bridge.refuse(
                low.place, f"seen of {rule.name}: {name.dotted} is a choice, which has no range", "leave it out of seen"
            )
        out.append((ranged, name))
    return out


def seen_words(rule: SignalRule) -> str:
    """What the rule's recordings held, for the report; "" when it does not say."""
    parts = [f"{name or 'its source'} from {_plain(low)} to {_plain(high)}" for name, low, high in rule.seen.ranges]
    if rule.seen.states is not None:
        parts.append(f"in {', '.join(s.replace('_', ' ') for s in rule.seen.states)}")
    return f"learned with {' and '.join(parts)}: elsewhere its safe answer" if parts else ""


def _plain(written: Written) -> str:
    return written.text.strip()
