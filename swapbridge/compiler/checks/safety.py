"""Compiler room: checks of the whole plan: what must never be sent, and what deserves attention."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import chain

from swapbridge.compiler.checks.alarms import unproven_sources, why_never_warns
from swapbridge.compiler.expressions.sources import Sources, invalid_code, is_choice
from swapbridge.compiler.expressions.values import show
from swapbridge.compiler.messages.messages import SendDraft
from swapbridge.compiler.messages.passing import present_sender
from swapbridge.compiler.messages.rest import refuse_dead
from swapbridge.compiler.messages.targets import CompiledField
from swapbridge.compiler.refusals import LoweringError, Refusals
from swapbridge.core.errors import InputError
from swapbridge.core.identifier_words import format_identifier, split_word
from swapbridge.core.obd import diagnostic_use
from swapbridge.core.roles import BY_NAME
from swapbridge.core.units import find_unit
from swapbridge.language.bridge_file import DANGEROUS, MISSING, BridgeFile, BridgeRefused
from swapbridge.plan.plan import Plan
from swapbridge.signalmap.signal_map import MapSignal, SignalMap

GUARDED = frozenset({"steering", "braking", "restraint"})
NEVER = {
    "steering": "a command to a steering module",
    "braking": "a command to a brake module",
    "restraint": "a command to a restraint module",
    "odometer": "an odometer reading",
    "immobiliser": "an immobiliser's answer",
}
"""Hazards of roles that are never written."""


def check_drafts(
    bridge: BridgeFile, maps: Mapping[str, SignalMap], drafts: Sequence[SendDraft], refusals: Refusals
) -> list[str]:
    """Gather what must not be sent, message by message and signal by signal; give what deserves attention."""
    warnings: list[str] = []
    for draft in drafts:
        if draft.send.request is not None:
            continue
        for check in (_diagnostics, _authenticated, _checksum_inputs):
            with refusals.gathering():
                check(bridge, draft)
        with refusals.gathering():
            warnings += _senders(bridge, maps, draft)
        with refusals.gathering():
            _guarded(bridge, maps, draft, warnings)
        for made in draft.made:
            with refusals.gathering():
                warnings += _signal(bridge, maps, draft, made)
    return warnings


def check_safety(
    bridge: BridgeFile, maps: Mapping[str, SignalMap], sources: Sources, drafts: Sequence[SendDraft], plan: Plan
) -> list[str]:
    """Refuse what the messages do together; give what deserves attention.

    Raises
    ------
    BridgeRefused
        The first thing that would be wrong or unsafe, with place, reason and remedy.
    """
    warnings: list[str] = []
    _two_rules(bridge, drafts)
    for draft in drafts:
        if draft.send.request is None:
            warnings += _pace(bridge, sources, draft, plan)
    _renamed(bridge, maps, plan)
    warnings += _absent_unknown(bridge, maps) + _hasty_limits(plan) + _source_checksums(plan)
    _loops(bridge, drafts, plan)
    return warnings


def _hasty_limits(plan: Plan) -> list[str]:
    """Sources whose age limit is not longer than their period: stale between any two frames."""
    out = []
    for receive in plan.receives:
        limit = min((plan.feeds[n].max_age_us for n in receive.feeds), default=0)
        if receive.period_us and limit <= receive.period_us:
            out.append(
                f"{receive.name} comes every {_ms(receive.period_us)} ms and counts as stale after {_ms(limit)} ms: it "
                f'will hardly ever be used; raise [sources."{receive.name}"] max_age_ms'
            )
    return out


def _absent_unknown(bridge: BridgeFile, maps: Mapping[str, SignalMap]) -> list[str]:
    """Names under absent that the bus's map has not: a slip of the pen, most likely."""
    out = []
    for bus in bridge.buses:
        if bus.name not in maps:
            continue
        known = {n.name for n in maps[bus.name].nodes}.union(*(m.senders for m in maps[bus.name].messages))
        out += [
            f"bus {bus.name}: {name!r} is said to be absent, but its map knows no such module: "
            f"it has {', '.join(sorted(known))}"
            for name in bus.absent
            if known and name not in known
        ]
    return out


def _source_checksums(plan: Plan) -> list[str]:
    """Sources whose checksum was found on captures in which some of the bits used did not move."""
    out = []
    for receive in plan.receives:
        if receive.checksum is None or receive.checksum.verified_bits is None:
            continue
        known = receive.checksum.verified_bits
        extracts = [e for n in receive.feeds for e in plan.feeds[n].extracts]
        names = [e.name.rsplit(".", 1)[-1] for e in extracts if any(not known >> p & 1 for p in e.layout.positions)]
        if names:
            out.append(
                f"{receive.name}: its checksum was verified on captures in which {', '.join(names)} did not move in "
                f'all bits; if its frames are thought wrong on a table, set [sources."{receive.name}"] verify = false'
            )
    return out


def _refuse(
    bridge: BridgeFile, draft: SendDraft, reason: str, remedy: str, signal: str = "", rank: int = DANGEROUS
) -> BridgeRefused:
    place = draft.rule.place
    for rule in draft.rule.signals:
        if rule.name == signal:
            place = rule.place
    name = f"{draft.name}.{signal}" if signal else draft.name
    return bridge.refuse(place, f"{name}: {reason}", remedy, rank=rank)


# --- who sends


def _two_rules(bridge: BridgeFile, drafts: Sequence[SendDraft]) -> None:
    seen: dict[tuple[int, int], SendDraft] = {}
    for draft in drafts:
        key = (draft.send.bus, draft.send.word)
        if draft.send.request is None and key in seen:
            label = format_identifier(*split_word(draft.send.word))
            raise _refuse(
                bridge,
                draft,
                f"{label} would have two senders on {draft.bus}: {seen[key].name} is sent too",
                "keep one of the two rules",
            )
        seen.setdefault(key, draft)


def _senders(bridge: BridgeFile, maps: Mapping[str, SignalMap], draft: SendDraft) -> list[str]:
    """Refuse an identifier that a present module sends; warn where the map does not know the sender."""
    sender = present_sender(bridge, maps, draft.bus, draft.send.word)
    label = format_identifier(*split_word(draft.send.word))
    if sender:
        raise _refuse(
            bridge,
            draft,
            f"{sender} already sends {label} on {draft.bus}, and an identifier has only one sender",
            f'if {sender} is gone from that bus, state it:  [buses.{draft.bus}] absent = ["{sender}"]',
        )
    if not draft.message.named_senders and not draft.rule.sender_gone:
        return [
            f"{draft.name} ({label}): the map does not say which module sends it. Make sure that the "
            f"sender is gone from {draft.bus}, then write sender_gone = true in its rule"
        ]
    return []


def _diagnostics(bridge: BridgeFile, draft: SendDraft) -> None:
    """Refuse a made-up request or answer of diagnostics: it could clear codes, or speak for the engine computer."""
    use = diagnostic_use(*split_word(draft.send.word))
    if use:
        label = format_identifier(*split_word(draft.send.word))
        raise _refuse(
            bridge,
            draft,
            f"{label} is for {use}, and a translator never generates such a frame",
            "leave it out; [diagnostics] passes a scan tool through or answers service 01",
        )


def _guarded(bridge: BridgeFile, maps: Mapping[str, SignalMap], draft: SendDraft, warnings: list[str]) -> None:
    """Frames of an absent steering, braking or restraint module carry genuine signals only."""
    kinds = maps[draft.bus].sender_kinds(draft.message) & GUARDED
    if not kinds:
        return
    kind = sorted(kinds)[0]
    for made in draft.made:
        signal = draft.message.signal(made.field.name)
        if made.value.feeds or signal is None or signal.counter is not None:
            continue
        if made.constant is not None and made.constant == invalid_code(signal):
            continue
        raise _refuse(
            bridge,
            draft,
            f"an invented status of a {kind} module is never sent",
            "translate the genuine signal of the host, or send 'not available'",
            made.field.name,
        )
    if "as recorded" in (draft.rule.rest, *(page.rest for page in draft.rule.pages)):
        raise _refuse(
            bridge,
            draft,
            f"nothing that a {kind} module sent is repeated as recorded",
            'translate its genuine signals; rest = "not available" for the others',
        )
    if draft.rule.rest == "zero":
        named = {m.field.name for m in draft.made}
        rest = [
            s.name for s in draft.message.signals
            if s.name not in named and s.counter is None and s.checksum is None and not s.is_multiplexer
        ]  # fmt: skip
        if rest:
            warnings.append(
                f"{draft.name} replaces a message of an absent {kind} module, and {', '.join(rest)} are sent as zero: "
                "check that zero does not mean 'all is well'"
            )


def _authenticated(bridge: BridgeFile, draft: SendDraft) -> None:
    for signal in draft.message.signals:
        if signal.authenticated:
            raise _refuse(
                bridge,
                draft,
                f"{signal.name} looks like a message authentication code, which can't be generated without the key",
                "leave the message to its own sender; if the map is wrong, correct it and say why in its comment",
            )


def _checksum_inputs(bridge: BridgeFile, draft: SendDraft) -> None:
    checksum = draft.send.checksum
    if checksum is None or checksum.verified_bits is None:
        return
    moving: dict[int, str] = {}
    for counter in draft.send.counters:
        moving.update(dict.fromkeys(counter.layout.positions, "its counter"))
    for variant in draft.send.variants:
        for field in variant.fields:
            op = variant.block[field.register]
            if op.low != op.high:
                top = _moving_bits(op.low, op.high, field.layout.length)
                moving.update(dict.fromkeys(field.layout.positions[:top], field.name))
    outside = sorted({name for position, name in moving.items() if not checksum.verified_bits >> position & 1})
    if outside:
        accepted = [text for name in outside if (text := _verified_part(draft, name, checksum.verified_bits))]
        raise _refuse(
            bridge,
            draft,
            f"its checksum was verified only on captures in which {', '.join(outside)} did not move in all bits",
            f"record the old sender while it moves further and guess again, or narrow what is sent; accepted is "
            f"{', '.join(accepted) or 'a constant only'}",
        )


def _verified_part(draft: SendDraft, name: str, verified: int) -> str:
    """What of a signal the captures verified, as the clamp that would be accepted."""
    signal = draft.message.signal(name)
    if signal is None:
        return ""
    low, _ = signal.layout.raw_range
    bits = next((k for k, p in enumerate(signal.layout.positions) if not verified >> p & 1), signal.layout.length)
    if not bits or low < 0:
        return f"{name} as a constant"
    ends = sorted(signal.physical(raw) for raw in (0, (1 << bits) - 1))
    unit = f" {signal.unit}" if signal.unit else ""
    return f"{name} = clamp(..., {show(ends[0])}{unit}, {show(ends[1])}{unit})"


def _moving_bits(low: int, high: int, length: int) -> int:
    """How many of the low bits differ between values of an interval."""
    return length if low < 0 else (low ^ high).bit_length()


# --- what is sent


def _signal(bridge: BridgeFile, maps: Mapping[str, SignalMap], draft: SendDraft, made: CompiledField) -> list[str]:
    signal = draft.message.signal(made.field.name)
    if signal is None:
        return []
    if made.constant is not None and signal.name not in draft.rule.open and not _is_not_available(made, signal):
        try:
            refuse_dead(draft.message, signal)
        except LoweringError as error:
            raise _refuse(bridge, draft, error.reason, error.remedy, signal.name) from None
    if made.role is None:
        _need_role(bridge, draft, signal)
        return []
    role, name = made.role, made.field.name
    if role.hazard in NEVER:
        raise _refuse(bridge, draft, f"{NEVER[role.hazard]} is never sent by a translator", "leave it out", name)
    if role.hazard == "crash" and not made.value.feeds:
        raise _refuse(
            bridge,
            draft,
            "a constant 'no crash' is never sent",
            "translate the genuine signal, or fit an inertia fuel cut",
            name,
        )
    _quantity(bridge, draft, made, signal)
    engine = _holds_engine(bridge, maps, draft.bus)
    if role.hazard == "driver demand" or role.alias == "pedal_position":
        _driver_demand(bridge, draft, name, engine)
    torque = find_unit(made.field.unit, bridge.units).kind == "torque" if made.field.unit else False
    limits = next((r.limits for r in draft.rule.signals if r.name == name), None)
    asks = role.hazard == "torque request" or (torque and engine)
    no_value = made.constant is not None and made.constant == invalid_code(signal)
    measured = signal.layout.length > 1 and not is_choice(signal) and not no_value
    if limits is None and asks and measured:
        raise _refuse(
            bridge,
            draft,
            "a torque or throttle request needs limits: it is the most dangerous thing a translator carries",
            'state them: limits = ["0 Nm", "300 Nm"]',
            name,
        )
    _same_hazard(bridge, draft, made, signal)
    rule = next((r for r in draft.rule.signals if r.name == name), None)
    never = None if rule is None else why_never_warns(bridge, maps, rule, made, signal, draft.name)
    if never is not None:
        raise _refuse(bridge, draft, *never, name)
    untold = [] if rule is None else unproven_sources(bridge, maps, rule, made, signal)
    if untold:
        return [
            f"{draft.name}.{name} is a warning made from {', '.join(untold)}, whose role the map does not "
            "state: make sure that it warns, and set its role in the map",
            *_advice(maps, draft, made, signal, engine),
        ]
    return _advice(maps, draft, made, signal, engine)


def _is_not_available(made: CompiledField, signal: MapSignal) -> bool:
    """Whether a signal only ever says 'not available'."""
    return made.constant == invalid_code(signal)


def _need_role(bridge: BridgeFile, draft: SendDraft, signal: MapSignal) -> None:
    number = not is_choice(signal) and (signal.layout.length > 1 or signal.unit)
    if number and signal.counter is None and not signal.is_multiplexer:
        raise _refuse(
            bridge,
            draft,
            "a number without a role is not sent, since it might be a torque",
            'state its role, such as role = "engine_speed", or role = "value" with a fallback',
            signal.name,
            MISSING,
        )


def _same_hazard(bridge: BridgeFile, draft: SendDraft, made: CompiledField, signal: MapSignal) -> None:
    """A rule can't call what the map knows as dangerous something harmless, and so get round its checks."""
    known = BY_NAME.get(signal.role)
    if made.role is not None and known is not None and known.hazard and known.hazard != made.role.hazard:
        raise _refuse(
            bridge,
            draft,
            f"the map says that it is {known.alias}, and a rule can't make it {made.role.alias}",
            "leave role out of the rule; where the map is wrong, correct the map",
            signal.name,
        )


def _renamed(bridge: BridgeFile, maps: Mapping[str, SignalMap], plan: Plan) -> None:
    """Refuse to give a passed frame the identifier of something dangerous: nobody looks into a passed frame."""
    for rule in plan.passes:
        name = plan.buses[rule.to_bus].name
        message = maps[name].by_word(rule.new_word) if rule.new_word >= 0 and name in maps else None
        if message is None:
            continue
        kinds = maps[name].sender_kinds(message) & GUARDED
        roles = [BY_NAME[s.role] for s in message.signals if s.role in BY_NAME]
        dangers = [f"comes from a {k} module" for k in sorted(kinds)] + [
            f"carries {r.alias}" for r in roles if r.hazard
        ]
        if dangers:
            place = next(p.place for p in bridge.passes if p.new_word == rule.new_word)
            raise bridge.refuse(
                place,
                f"a passed frame would become {name}.{message.name}, which {dangers[0]}, and nothing in it is checked",
                "build the message signal by signal under [[messages]]",
            )


def _quantity(bridge: BridgeFile, draft: SendDraft, made: CompiledField, signal: MapSignal) -> None:
    role = made.role
    if role is None or not role.quantity or is_choice(signal) or not made.field.unit:
        return
    try:
        kind = find_unit(made.field.unit, bridge.units).kind
    except InputError:
        return
    if kind != role.quantity and not (role.quantity == "torque" and kind == "ratio"):
        raise _refuse(
            bridge, draft, f"its role {role.alias} is a {role.quantity}, its unit {made.field.unit} a {kind}",
            "correct the role or the unit", signal.name,
        )  # fmt: skip


def _holds_engine(bridge: BridgeFile, maps: Mapping[str, SignalMap], bus: str) -> bool | None:
    """Whether an engine computer is on a bus now; None when nothing says."""
    rule = bridge.bus(bus)
    if rule is None or bus not in maps:
        return None
    if rule.holds_engine is not None:
        return rule.holds_engine
    nodes = maps[bus].nodes
    if any(n.kind == "engine" and n.name not in rule.absent for n in nodes):
        return True
    return False if any(n.kind != "unknown" for n in nodes) else None


def _driver_demand(bridge: BridgeFile, draft: SendDraft, name: str, engine: bool | None) -> None:
    if engine:
        raise _refuse(
            bridge,
            draft,
            "no driver demand is ever sent to an engine computer",
            "wire the pedal to the donor's own computer",
            name,
        )
    if engine is None:
        raise _refuse(
            bridge, draft,
            f"no driver demand is sent to an engine computer, and it is not known whether {draft.bus} has one",
            f"if it has none, state that: [buses.{draft.bus}] holds_engine = false", name,
        )  # fmt: skip


def _advice(
    maps: Mapping[str, SignalMap], draft: SendDraft, made: CompiledField, signal: MapSignal, engine: bool | None
) -> list[str]:
    out, role = [], made.role
    name = f"{draft.name}.{made.field.name}"
    if role is not None and role.alias == "brake_switch" and engine:
        out.append(
            f"{name}: the brake switch that cancels cruise stays wired to the engine computer; this is only its copy"
        )
    receivers = set(signal.receivers)
    stability = any(n.name in receivers and n.kind == "braking" for n in maps[draft.bus].nodes)
    if stability and made.value.feeds and invalid_code(signal) is None and signal.layout.length > 1:
        out.append(
            f"{name} is read by stability control but has no 'invalid' value: its fallback will be believed there"
        )
    return out


# --- when it is sent


def _pace(bridge: BridgeFile, sources: Sources, draft: SendDraft, plan: Plan) -> list[str]:
    """A message sent faster than its slowest source feeds it repeats old values: say how old."""
    send = draft.send
    if not send.period_us:
        return []
    slow: dict[str, int] = {}
    for feed in set(chain.from_iterable(m.value.feeds for m in draft.made)):
        feed_draft = sources.feeds[feed]
        period = sources.period_us(feed_draft.bus, feed_draft.message)
        if period and period > send.period_us:
            slow[f"{feed_draft.bus}.{feed_draft.message.name}"] = period
    return [
        f"{draft.name} is sent every {_ms(send.period_us)} ms, but {name} comes every {_ms(period)} ms: its values are "
        f"up to {_ms(period + send.period_us)} ms old"
        for name, period in sorted(slow.items())
    ]


def _ms(us: int) -> str:
    whole, rest = divmod(us, 1000)
    return f"{whole}.{rest:03d}".rstrip("0").rstrip(".") if rest else str(whole)


def _loops(bridge: BridgeFile, drafts: Sequence[SendDraft], plan: Plan) -> None:
    """Refuse a frame that would trigger itself at once, by arrival rules and single passed identifiers."""
    edges: dict[tuple[int, int], set[tuple[int, int]]] = {}
    for receive in plan.receives:
        triggered = {t for n in receive.feeds for t in plan.feeds[n].triggers}
        edges.setdefault((receive.bus, receive.word), set()).update(
            (plan.sends[t].bus, plan.sends[t].word) for t in triggered
        )
    for rule in plan.passes:
        if not rule.block and rule.first == rule.last:
            new = rule.first if rule.new_word < 0 else rule.new_word
            edges.setdefault((rule.bus, rule.first), set()).add((rule.to_bus, new))
    for begin in edges:
        seen, work = set(), list(edges[begin])
        while work:
            at = work.pop()
            if at == begin:
                label, bus = format_identifier(*split_word(begin[1])), plan.buses[begin[0]].name
                place = next(
                    (d.rule.place for d in drafts if (d.send.bus, d.send.word) == begin), bridge.buses[0].place
                )
                raise bridge.refuse(
                    place, f"{label} on {bus} would trigger itself endlessly through the other direction",
                    "send one of the two cyclically instead of on arrival, or drop one of the pass rules",
                )  # fmt: skip
            if at not in seen:
                seen.add(at)
                work += edges.get(at, ())
    sent = {(s.bus, s.word): s for s in plan.sends if s.request is None}
    for receive in plan.receives:
        send = next((s for (bus, word), s in sent.items() if bus == receive.bus and receive.fits(word)), None)
        if send is not None:
            place = next(d.rule.place for d in drafts if d.send == send)
            raise bridge.refuse(
                place,
                f"{receive.name} is listened to on the same bus it is sent on",
                "use its source instead, or leave it to its sender",
            )
