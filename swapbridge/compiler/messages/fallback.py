"""Compiler room: what a signal says while its source is stale or wrong: as the bridge file states, or by its role."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Protocol

from swapbridge.compiler.build import BlockBuilder
from swapbridge.compiler.expressions.lower import Lowering
from swapbridge.compiler.expressions.sources import invalid_code, is_choice, physical
from swapbridge.compiler.expressions.values import Value, Wanted, in_unit, show
from swapbridge.compiler.refusals import LoweringError
from swapbridge.core.roles import Role
from swapbridge.core.units import SPELLINGS, Unit
from swapbridge.core.vocabulary import IN_GEAR_WORDS, OFF_WORDS, ON_WORDS, plain
from swapbridge.language.bridge_file import BridgeFile, BridgeRefused, MessageRule, SignalRule
from swapbridge.language.constants import constant
from swapbridge.language.defaults import HOLD_US, RAMP_PARTS, RAMP_SECONDS
from swapbridge.plan.plan import div_round
from swapbridge.signalmap.signal_map import MapSignal

RAMP_OFF = Fraction(1, 20)
"""A ramp that even so would be further from its stated speed than this is refused."""


class Doubted(Protocol):
    """A sent signal, as far as its safe answer depends on it."""

    signal: MapSignal
    rule: SignalRule
    parent: MessageRule
    role: Role | None
    bridge: BridgeFile
    lowering: Lowering
    unit_text: str

    @property
    def dotted(self) -> str:
        """Bus, message and signal."""

    def refuse(self, reason: str, remedy: str) -> BridgeRefused:
        """An error at the rule's place."""

    def unit(self) -> Unit:
        """What it is measured in."""

    def constant_reference(self) -> Fraction | None:
        """The reference torque of a percent signal in Nm, where it is a constant."""

    def allowed(self) -> tuple[int, int, tuple[tuple[int, int], ...]]:
        """Smallest and largest raw value that may be sent as a measurement, and the reserved ranges within."""


@dataclass(frozen=True, slots=True)
class FallbackAnswer:
    """Raw value sent in doubt; the last good one is kept for `hold_us` before (-1: for good); or a ramp towards it."""

    raw: int
    hold_us: int
    ramp_per_step: Fraction
    words: str


def find_fallback(target: Doubted, value: Value, copied: bool = False) -> FallbackAnswer:
    """The safe answer of a signal.

    Raises
    ------
    BridgeRefused
        None is stated, and the signal's role gives none.
    """
    rule, role = target.rule, target.role
    way = role.fallback if role else "stated"
    hold = rule.hold_us if rule.hold_us is not None else target.parent.hold_us
    if rule.fallback is not None:
        raw, words = _stated(target, value, copied)
    else:
        raw, words = _by_role(target, way)
    if hold is None:
        hold = HOLD_US if way == "hold then zero" and raw == _zero(target) else -1 if way == "last" else 0
    ramp = Fraction(0)
    if way == "ramp to none" or rule.ramp is not None:
        ramp = _ramp(target)
        hold, words = 0, f"ramps to {words}"
    if hold:
        kept = "keeps the last value" if hold < 0 else f"keeps the last value {show(Fraction(hold, 1000))} ms"
        words = f"{kept}, then {words}" if hold > 0 else f"{kept}, at first {words}"
    return FallbackAnswer(raw, hold, ramp, f"without its source: {words}")


def _in_words(target: Doubted, raw: int) -> str:
    signal = target.signal
    if raw in signal.choices:
        return f"'{signal.choices[raw]}'"
    if raw in signal.not_available or raw in signal.error_codes:
        return f"'invalid' (raw {raw})"
    unit = f" {target.unit_text}" if target.unit_text else ""
    return f"{show(physical(signal, raw))}{unit}"


def _stated(target: Doubted, value: Value, copied: bool) -> tuple[int, str]:
    source = target.rule.fallback
    assert source is not None
    signal = target.signal
    if plain(source.text) in ("notavailable", "invalid"):
        code = invalid_code(signal)
        if code is None:
            raise target.refuse("its layout has no 'invalid' value to fall back to", "state another fallback")
        return code, _in_words(target, code)
    if copied:
        size, unit = constant(target.bridge, source)
        bits = signal.layout.length
        if size.denominator != 1 or unit.name or not 0 <= size < 1 << bits:
            raise target.refuse("its fallback is not a raw value", "write a whole number without unit")
        raw = int(size)
        return raw - (1 << bits) if raw >> (bits - 1) else raw, f"raw {raw}"
    scratch = BlockBuilder(target.lowering.memory)
    found = target.lowering.lower_written(source, scratch, Wanted(choices=signal.choices or None))
    try:
        raw = _raw_of(target, found)
    except LoweringError as error:
        raise target.bridge.refuse(source.place, error.reason, error.remedy) from None
    low, high = signal.layout.raw_range
    if not low <= raw <= high:
        raise target.bridge.refuse(
            source.place,
            f"the fallback of {target.dotted} is outside the range of its bits",
            "state one within its range",
        )
    return raw, _in_words(target, raw)


def _raw_of(target: Doubted, found: Value) -> int:
    if not found.linear.is_constant or found.valid is not None:
        raise LoweringError(f"the fallback of {target.dotted} is not a constant", "state a number or a 'Name'")
    held, signal = found.linear.constant_value, target.signal
    if found.is_choice or is_choice(signal):
        return int(held)
    if found.is_truth:
        return _switch(target, bool(held))
    unit = target.unit()
    if found.unit.kind == "torque" and unit.kind == "ratio":
        whole = target.constant_reference()
        if not whole:
            raise LoweringError("write a percentage of a changing reference in percent", 'write "... %"')
        size = in_unit(found, SPELLINGS["Nm"]).linear.constant_value / whole / unit.factor
    else:
        size = in_unit(found, unit).linear.constant_value
    exact = (size - signal.offset) / signal.scale
    return div_round(exact.numerator, exact.denominator)


def _by_role(target: Doubted, way: str) -> tuple[int, str]:
    signal = target.signal
    code = invalid_code(signal)
    if (way.startswith("invalid") or way == "hold then zero") and code is not None:
        return code, _in_words(target, code)
    if way == "invalid or high":
        return _end(target, high=True)
    if way == "invalid or low":
        return _end(target, high=False)
    if way in ("on", "off"):
        raw = _switch(target, way == "on")
        return raw, _in_words(target, raw)
    if way == "hold then zero":
        zero = _zero(target)
        if zero is not None:
            return zero, _in_words(target, zero)
    if way == "last":
        first = code if code is not None else _zero(target)
        if first is not None:
            return first, _in_words(target, first)
    if way == "in gear":
        raw = _in_gear(target)
        return raw, f"'in gear' ({_in_words(target, raw)})"
    name = target.role.alias if target.role else "none"
    raise target.refuse(
        f"it has no fallback: what should be sent while its source is silent? (its role, {name}, does not say)",
        'state it: fallback = "..." (a value, a \'Name\', or "not available" where the layout has it), '
        'or when_stale = "stop"',
    )


def _end(target: Doubted, *, high: bool) -> tuple[int, str]:
    """The high or low physical end of what may be sent."""
    low_raw, high_raw, _ = target.allowed()
    if target.rule.limits is not None:
        ends = []
        for text in target.rule.limits:
            scratch = BlockBuilder(target.lowering.memory)
            try:
                ends.append(_raw_of(target, target.lowering.lower_written(text, scratch, Wanted())))
            except LoweringError as error:
                raise target.bridge.refuse(text.place, error.reason, error.remedy) from None
        low_raw, high_raw = max(low_raw, min(ends)), min(high_raw, max(ends))
    raw = high_raw if (target.signal.scale > 0) == high else low_raw
    return raw, f"{_in_words(target, raw)}, the {'high' if high else 'low'} end"


def _switch(target: Doubted, on: bool) -> int:
    signal = target.signal
    names = {plain(text): raw for raw, text in signal.choices.items()}
    wanted = [raw for text, raw in names.items() if text in (ON_WORDS if on else OFF_WORDS)]
    if len(wanted) == 1:
        return wanted[0]
    if not names and signal.layout.length == 1 and not signal.layout.signed:
        return int(on)
    if not names and not on and signal.offset == 0:
        return 0
    raise target.refuse(
        f"which of its values means {'on' if on else 'off'} is not known", "state its fallback by name or number"
    )


def _zero(target: Doubted) -> int | None:
    """Raw value of physical zero (or 'off'), where it is there."""
    signal = target.signal
    if is_choice(signal) or signal.choices:
        names = {plain(text): raw for raw, text in signal.choices.items()}
        found = [raw for text, raw in names.items() if text in OFF_WORDS]
        if len(found) == 1:
            return found[0]
        if is_choice(signal):
            return None
    exact = -signal.offset / signal.scale
    raw = div_round(exact.numerator, exact.denominator)
    low, high, _ = target.allowed()
    return raw if low <= raw <= high else None


def _in_gear(target: Doubted) -> int:
    names = {plain(text): raw for raw, text in target.signal.choices.items()}
    for word in IN_GEAR_WORDS:
        if word in names:
            return names[word]
    if not names and target.signal.layout.length == 1:
        return 0
    raise target.refuse("which of its values means 'in gear' is not known", "state its fallback by name or number")


def _ramp(target: Doubted) -> Fraction:
    """Raw steps (and parts of one) a filter step."""
    signal, step = target.signal, Fraction(target.bridge.step_us, 1_000_000)
    if target.rule.ramp is not None:
        size, unit = constant(target.bridge, target.rule.ramp)
        to = target.unit()
        if unit.kind != to.kind or size <= 0:
            raise target.refuse("its ramp is not a change per second in its own unit", f'write ramp = "500 {to.name}"')
        per_second = size * unit.factor / to.factor
    else:
        low, high, _ = target.allowed()
        per_second = (high - low) * abs(signal.scale) / RAMP_SECONDS
    exact = per_second * step / abs(signal.scale)
    if exact.denominator <= RAMP_PARTS:
        return exact
    parts = exact * RAMP_PARTS
    near = Fraction(div_round(parts.numerator, parts.denominator), RAMP_PARTS)
    if abs(near - exact) > RAMP_OFF * exact:
        raise target.refuse(
            f"its ramp takes {show(abs(signal.scale) / per_second)} s for one raw step, which is too slow for a ramp",
            "write a quicker one, or hold_ms",
        )
    return near
