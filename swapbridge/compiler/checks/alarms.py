"""Compiler room: a warning comes from the engine's own warning or from the quantity that it warns of, or is alarmed."""

from __future__ import annotations

from collections.abc import Mapping

from swapbridge.compiler.expressions.sources import invalid_code
from swapbridge.compiler.messages.rest import alarmed_raw
from swapbridge.compiler.messages.targets import CompiledField
from swapbridge.compiler.refusals import LoweringError
from swapbridge.core.errors import InputError
from swapbridge.core.roles import BY_NAME, WARNED_BY
from swapbridge.core.units import find_unit
from swapbridge.core.vocabulary import sounds_like_engine_state
from swapbridge.language.bridge_file import BridgeFile, SignalRule
from swapbridge.language.constants import parse_written
from swapbridge.language.dependencies import names_behind, values_behind
from swapbridge.language.expressions import Name
from swapbridge.signalmap.signal_map import MapSignal, SignalMap


def why_never_warns(
    bridge: BridgeFile,
    maps: Mapping[str, SignalMap],
    rule: SignalRule,
    made: CompiledField,
    signal: MapSignal,
    message_name: str,
) -> tuple[str, str] | None:
    """Reason and remedy where a warning would follow something else than what it warns of; None where it does not.

    Engine speed, time and state fit every recording of a healthy engine, and never warn.
    """
    alias = warning_of(made, signal)
    if alias not in WARNED_BY:
        return None
    wanted = " or ".join(sorted(WARNED_BY[alias]))
    remedy = (
        f"make it from a source whose role is {wanted} (`swapbridge map set MESSAGE.SIGNAL --role ...` sets a source's "
        'role), or send it alarmed: value = "invalid"'
    )
    sources = values_behind(bridge, rule.value)
    if made.constant is not None:
        if made.constant in _alarmed(signal):
            return None
        return f"it is a warning ({alias}) that is always the same, so it never warns", remedy
    if not sources:
        return f"it is a warning ({alias}) that follows time or state alone, so it never warns", remedy
    roles = {name.dotted: _role(bridge, maps, name) for name in sources}
    echoes = [name for name in sources if _is_echo(bridge, maps, name, roles[name.dotted], message_name)]
    if any(role in WARNED_BY[alias] for name, role in roles.items() if name not in {e.dotted for e in echoes}):
        return None
    if echoes:
        listed = ", ".join(name.dotted for name in echoes)
        return (
            f"it is a warning ({alias}) made from {listed}, which another module only repeats from what this bridge "
            "sends, so it never warns",
            remedy,
        )
    if any(not role and not _is_state(bridge, maps, name) for name, role in zip(sources, roles.values(), strict=True)):
        return None
    listed = ", ".join(f"{name} ({role or 'engine state'})" for name, role in roles.items())
    return f"it is a warning ({alias}) made from {listed}, which can't show that fault, so it never warns", remedy


def warning_of(made: CompiledField, signal: MapSignal) -> str:
    """Short name of the warning that a signal is by its map, or else by its rule; "" where it is none.

    A rule can't take a warning's name away: what the map knows as a lamp stays one.
    """
    named = BY_NAME.get(signal.role)
    if named is not None and named.alias in WARNED_BY:
        return named.alias
    return made.role.alias if made.role is not None else ""


def _is_echo(bridge: BridgeFile, maps: Mapping[str, SignalMap], source: Name, role: str, message_name: str) -> bool:
    """Whether a source says, on the bus that a warning is sent on, what the bridge itself (or nobody else) sends there.

    A cluster that repeats the lamp or the temperature that it shows knows only what it receives. A module of the
    engine that is still on that bus measures by itself.
    """
    bus = message_name.partition(".")[0]
    if source.parts[0] != bus or not role:
        return False
    message = maps[bus].message(source.parts[1])
    kinds = {node.name: node.kind for node in maps[bus].nodes}
    if message is not None and any(kinds.get(sender) == "engine" for sender in message.named_senders):
        return False
    for rule in bridge.messages:
        sent_bus, _, name = rule.message.text.partition(".")
        target = maps[bus].message(name) if sent_bus == bus else None
        if target is not None and any(_alias(signal) == role for signal in target.signals):
            return True
    return False


def _alias(signal: MapSignal) -> str:
    role = BY_NAME.get(signal.role)
    return role.alias if role is not None else ""


def unproven_sources(
    bridge: BridgeFile, maps: Mapping[str, SignalMap], rule: SignalRule, made: CompiledField, signal: MapSignal
) -> list[str]:
    """Sources of a warning without a role, where no other source warns: whether they do is not known."""
    alias = warning_of(made, signal)
    if alias not in WARNED_BY:
        return []
    roles = {name.dotted: _role(bridge, maps, name) for name in values_behind(bridge, rule.value)}
    if any(role in WARNED_BY[alias] for role in roles.values()):
        return []
    return [name for name, role in roles.items() if not role]


def _alarmed(signal: MapSignal) -> set[int | None]:
    try:
        return {alarmed_raw(signal), invalid_code(signal)}
    except LoweringError:
        return {invalid_code(signal), *signal.choices}  # which one warns only the builder knows


def _found(maps: Mapping[str, SignalMap], name: Name) -> MapSignal | None:
    bus, message_name, signal_name = name.parts
    message = maps[bus].message(message_name) if bus in maps else None
    return None if message is None else message.signal(signal_name)


def _role(bridge: BridgeFile, maps: Mapping[str, SignalMap], name: Name) -> str:
    """Short name of a source's role, by the bridge file or its map."""
    options = next((o for o in bridge.sources if o.message.text == ".".join(name.parts[:2])), None)
    own = options.signals[name.parts[2]].role if options is not None and name.parts[2] in options.signals else ""
    signal = _found(maps, name)
    role = BY_NAME.get(own or (signal.role if signal is not None else ""))
    return role.alias if role is not None and role.alias not in ("status", "value") else ""


def _is_state(bridge: BridgeFile, maps: Mapping[str, SignalMap], name: Name) -> bool:
    """Whether a source without a role is a speed, a time or a state of the engine, by its unit, name or use."""
    rules = bridge.states
    for source in (rules.key_on, rules.crank, rules.run):
        if source is not None and name in names_behind(bridge, parse_written(bridge, source)):
            return True
    signal = _found(maps, name)
    if signal is None:
        return False
    try:
        kind = find_unit(signal.unit, bridge.units).kind
    except InputError:
        kind = ""
    return kind in ("rotational speed", "time") or sounds_like_engine_state(signal.name)
