"""Compiler room: what the bits of a sent message say that the bridge file does not name."""

from __future__ import annotations

from swapbridge.compiler.expressions.sources import allowed_raws, copy_only, invalid_code, is_choice
from swapbridge.compiler.refusals import LoweringError
from swapbridge.core.roles import BY_NAME, WARNED_BY
from swapbridge.core.vocabulary import OFF_WORDS, ON_WORDS, plain, sounds_like_checksum, sounds_like_counter
from swapbridge.language.bridge_file import MessageRule
from swapbridge.signalmap.signal_map import MapMessage, MapSignal

OFF_ONLY = frozenset({"torque_increase_request", "idle_raise_request", "cruise_switch", "cruise_torque_request"})
"""Requests that are never sent as recorded, except as 'off'."""
NEVER_RECORDED = frozenset({"park_neutral", "brake_switch", "kick_down"})
"""What the driver does: a constant of it is a lie whatever the recording held (as is everything with a hazard)."""
LEARNS = "`swapbridge map accept` keeps what never moved in a recording"


def rest_raw(rule: MessageRule, message: MapMessage, signal: MapSignal, page: int | None) -> int:
    """Raw value of a signal that the rule does not name.

    A warning is alarmed, whatever the others say: nobody would see that its source is missing.

    Raises
    ------
    LoweringError
        The rule does not say what the others hold, or the map does not know it.
    """
    if signal.name not in rule.open:
        refuse_dead(message, signal)
    if alias_of(signal) in WARNED_BY:
        return alarmed_raw(signal)
    if rule.rest == "zero":
        low, high = signal.layout.raw_range
        return min(max(0, low), high)
    code = None if copy_only(signal) else invalid_code(signal)
    if rule.rest == "not available":
        if code is not None:
            return code
        raise LoweringError(
            "it has no line, and its layout has no 'not available' value",
            f'write {signal.name} = "..." under [messages.signals], or rest = "zero"',
        )
    if rule.rest == "as recorded":
        return _recorded_raw(rule, message, signal, page, code)
    raise LoweringError(
        "it has no line: what should be sent?",
        f'write {signal.name} = "..." under [messages.signals], or state rest = "not available", "zero" or '
        '"as recorded" for all others',
    )


def refuse_dead(message: MapMessage, signal: MapSignal) -> None:
    """Refuse to send what looks like a counter or checksum as a constant: its receivers would drop every frame.

    Raises
    ------
    LoweringError
        By its name or the map's evidence it is one, and the map does not say how it is made.
    """
    if signal.counter is not None:
        raise LoweringError(
            "the map knows it as a counter, and a constant stands still", "leave it out, so that it counts"
        )
    plain_bits = not (signal.layout.signed or signal.unit or signal.choices or signal.is_float or signal.is_multiplexer)
    if signal.checksum is not None or not plain_bits or signal.scale != 1 or signal.offset != 0:
        return
    kind, width, found = signal.evidence.get("kind"), signal.layout.length, f"{message.name}.{signal.name}"
    if 2 <= width <= 16 and (kind == "counter" or sounds_like_counter(signal.name)):
        raise LoweringError(
            "it looks like a counter, and the map does not say how it counts: it would stand still",
            f"if it counts all its values: `swapbridge map set {found} --counter 0-{(1 << width) - 1}` (`swapbridge "
            f'guess` on the old sender\'s recording tells); if it is not one, write open = ["{signal.name}"]',
        )
    if 3 <= width <= 64 and (kind == "checksum" or sounds_like_checksum(signal.name)):
        raise LoweringError(
            "it looks like a checksum, and the map does not say how it is computed: every frame would be dropped",
            f"`swapbridge map set {found} --checksum METHOD` (its help lists them; `swapbridge guess` on the old "
            f'sender\'s recording finds it); if it is not one, write open = ["{signal.name}"]',
        )


def _recorded_raw(rule: MessageRule, message: MapMessage, signal: MapSignal, page: int | None, code: int | None) -> int:
    recorded = message.recorded(page)
    if not recorded.covers(signal.layout):
        if signal.name in rule.open and code is not None:
            return code
        known = message.base is not None or any(s.constant is not None for s in message.signals)
        reason = "it moved in the recordings" if known else "the map does not know what the old sender put there"
        raise LoweringError(
            f"{reason}, and 'as recorded' is for bits that never moved",
            f'write {signal.name} = "..." under [messages.signals]' + ("" if known else f"; {LEARNS}"),
        )
    raw = signal.layout.unpack(recorded.payload)
    role = BY_NAME.get(signal.role)
    if role is None:
        return raw
    if role.alias in OFF_ONLY and (raw == 0 or plain(signal.choices.get(raw, "")) in OFF_WORDS):
        return raw
    if role.hazard or role.alias in OFF_ONLY or role.alias in NEVER_RECORDED:
        raise LoweringError(
            f"it is {role.alias}, which is never sent as recorded",
            f'write {signal.name} = {{ value = "...", fallback = "..." }} under [messages.signals]',
        )
    return raw


def blank(rule: MessageRule, message: MapMessage) -> bytearray:
    """Bits that no rule or signal covers: 1 in a J1939 group, where 0 would be a measurement, and 0 elsewhere."""
    return bytearray([0xFF if message.is_group and rule.rest != "zero" else 0]) * message.length


def recorded_base(rule: MessageRule, message: MapMessage, page: int | None) -> bytearray:
    """The bits of no signal, as recorded where they never moved; every other one is blank, those of signals are 0."""
    recorded, rest = message.recorded(page), blank(rule, message)
    payload = bytearray(p & m | r & ~m for p, m, r in zip(recorded.payload, recorded.fixed, rest, strict=True))
    for signal in message.signals:
        if signal.layout.fits(message.length):
            signal.layout.pack(payload, 0)
    return payload


def unknown_bits(message: MapMessage, page: int | None) -> tuple[int, ...]:
    """Bits of no signal that moved, or that no recording shows: they are sent blank."""
    recorded = message.recorded(page)
    owned = {p for s in message.signals for p in s.layout.positions}
    return tuple(p for p in range(8 * message.length) if p not in owned and not recorded.fixed[p >> 3] >> (p & 7) & 1)


def alias_of(signal: MapSignal) -> str:
    """Short name of a map signal's role, "" where it has none."""
    role = BY_NAME.get(signal.role)
    return role.alias if role is not None else ""


def alarmed_raw(signal: MapSignal) -> int:
    """The raw value with which a warning warns: 'on', or of a temperature 'not available' or the hot end.

    Raises
    ------
    LoweringError
        The map does not show which value that is.
    """
    code = invalid_code(signal)
    if alias_of(signal) == "coolant_temperature" and not is_choice(signal):
        low, high, _ = allowed_raws(signal)
        return code if code is not None else high if signal.scale > 0 else low
    on = [raw for raw, text in signal.choices.items() if plain(text) in ON_WORDS]
    if len(on) == 1:
        return on[0]
    if not signal.choices and signal.layout.length == 1 and not signal.layout.signed:
        return 1
    if code is not None:
        return code
    raise LoweringError(
        "which of its values warns is not known",
        f"name it: {signal.name} = \"'NAME'\" (or its raw value) under [messages.signals]",
    )
