"""Compiler room: one sent message: its forms, fields, counter, checksum and timing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from swapbridge.compiler.build import BlockBuilder
from swapbridge.compiler.expressions.lower import Lowering
from swapbridge.compiler.expressions.sources import near
from swapbridge.compiler.expressions.values import both_valid
from swapbridge.compiler.messages.rest import alias_of, blank, recorded_base, rest_raw, unknown_bits
from swapbridge.compiler.messages.targets import CompiledField, TargetSignal
from swapbridge.compiler.refusals import LoweringError
from swapbridge.core.integrity import Checksum
from swapbridge.core.j1939 import EVERYBODY
from swapbridge.core.roles import WARNED_BY
from swapbridge.language.addresses import receiver_of
from swapbridge.language.bridge_file import MISSING, BridgeFile, MessageRule, SignalRule
from swapbridge.language.defaults import CHECK_US, REQUEST_GAP_US
from swapbridge.plan.plan import STATES, CounterOut, Send, Variant
from swapbridge.signalmap.signal_map import MapMessage, MapSignal, SignalMap

ALL_STATES = (1 << len(STATES)) - 1
AWAKE_STATES = ALL_STATES & ~1
KEY_STATES = sum(1 << STATES.index(s) for s in ("key_on", "crank", "run", "after_run"))


@dataclass(slots=True)
class SendDraft:
    """A send with what the checks and the report need to know about it."""

    rule: MessageRule
    bus: str
    message: MapMessage
    send: Send
    made: list[CompiledField] = field(default_factory=list)
    arrivals: tuple[int, ...] = ()
    warnings: list[str] = field(default_factory=list)

    @property
    def name(self) -> str:
        return f"{self.bus}.{self.message.name}"


def lower_message(lowering: Lowering, maps: Mapping[str, SignalMap], rule: MessageRule) -> SendDraft:
    """Lower one message rule.

    Raises
    ------
    BridgeRefused
        The message or a signal of it is unknown, incomplete or unsafe.
    """
    bridge = lowering.bridge
    bus_name, _, message_name = rule.message.text.partition(".")
    if bridge.bus(bus_name) is None or not message_name:
        names = ", ".join(b.name for b in bridge.buses)
        raise bridge.refuse(
            rule.message.place,
            f"{rule.message.text!r} does not name a message of a bus",
            f"write BUS.MESSAGE; the buses are {names}",
        )
    try:
        message = lowering.sources.find_message(bus_name, message_name)
    except LoweringError as error:
        raise bridge.refuse(rule.message.place, error.reason, error.remedy) from None
    draft = SendDraft(
        rule, bus_name, message, Send(rule.message.text, 0, message.word, message.is_fd, AWAKE_STATES, ())
    )
    draft.arrivals = tuple(feed for source in rule.on_arrival for feed in _arrival(lowering, source.text, rule))
    made_by = _rules_by_signal(lowering, rule, message)
    for page in rule.pages:
        made_by |= _rules_by_signal(lowering, replace(rule, signals=page.signals), message)
    multiplexer = message.multiplexer
    turns = _turns(lowering, draft, made_by)
    for signal in message.signals:
        if signal.mux_signal is not None and (multiplexer is None or signal.mux_signal != multiplexer.name):
            raise bridge.refuse(
                rule.place,
                f"{draft.name}.{signal.name} depends on {signal.mux_signal}, a multiplexer inside a multiplexer",
                "such a message can't be sent: leave it out, or keep one form of it in the map as a plain message",
            )
    counting = [s for s in message.signals if s.counter is not None and s.name not in made_by]
    counting = [s for k, s in enumerate(counting) if not k or s.name not in rule.open]
    for signal in counting:
        if signal.mux_values and len(set(turns)) > 1:
            raise bridge.refuse(
                rule.place,
                f"{draft.name}.{signal.name} counts on some pages only, and a counter is generated for every frame",
                "leave the message to its own sender, or list the counter under open",
            )
    checksum_signal = next((s for s in message.signals if s.checksum is not None and s.name not in made_by), None)
    for signal in message.signals:
        if signal.name in made_by and signal.checksum is not None:
            raise bridge.refuse(
                made_by[signal.name].place,
                f"{draft.name}.{signal.name} is a checksum, which is always computed",
                "leave it out",
            )
        whole = message.summed_with(signal) if signal.name in made_by else None
        if whole is not None:
            raise bridge.refuse(
                made_by[signal.name].place,
                f"{draft.name}.{signal.name} holds bits of the checksum {whole.name}, which is always computed",
                "leave it out",
            )
    if len([s for s in message.signals if s.checksum is not None]) > 1:
        raise bridge.refuse(
            rule.place,
            f"{draft.name} has more than one checksum, and only one can be generated",
            "leave the message to its own sender, or remove it from the bridge file: it can't be generated correctly",
        )
    pages = list(dict.fromkeys(turns))
    variants = tuple(_variant(lowering, draft, value, counting, checksum_signal) for value in pages)
    counters = [
        CounterOut(s.layout, s.counter.low, s.counter.high, s.counter.step) for s in counting if s.counter is not None
    ]
    counter = counters[0] if counters else None
    send = _timed(lowering, draft, variants, counter, checksum_signal.checksum if checksum_signal else None)
    draft.send = replace(
        send,
        more_counters=tuple(counters[1:]),
        order=tuple(map(pages.index, turns)) if pages != turns else (),
        to=receiver_of(bridge, maps[bus_name], rule, message) if send.is_long else EVERYBODY,
    )
    return draft


def _turns(lowering: Lowering, draft: SendDraft, made_by: dict[str, SignalRule]) -> list[int | None]:
    """Values of the multiplexer in the order of sending: as the rule says, or the map, or each page that is named."""
    rule, message, bridge = draft.rule, draft.message, lowering.bridge
    if message.multiplexer is None:
        if rule.mux is not None or rule.pages:
            raise bridge.refuse(rule.place, f"{draft.name} has no multiplexer", "leave mux and pages out")
        return [None]
    turns = list(rule.mux or message.page_order)
    if not turns:
        named = {v for s in message.signals for v in s.mux_values if s.name in made_by}
        turns = sorted(named | {page.page for page in rule.pages}) or [0]
    unused = next((page for page in rule.pages if page.page not in turns), None)
    if unused is not None:
        raise bridge.refuse(
            unused.place,
            f"{draft.name} never sends page {unused.page}: its pages are {', '.join(map(str, turns))}",
            "leave the page out, or write it into mux",
        )
    return [*turns]


def _arrival(lowering: Lowering, text: str, rule: MessageRule) -> tuple[int, ...]:
    bus, _, name = text.partition(".")
    try:
        return lowering.sources.feeds_of(bus, lowering.sources.find_message(bus, name))
    except LoweringError as error:
        place = next(s.place for s in rule.on_arrival if s.text == text)
        raise lowering.bridge.refuse(place, error.reason, error.remedy) from None


def _rules_by_signal(lowering: Lowering, rule: MessageRule, message: MapMessage) -> dict[str, SignalRule]:
    known = [s.name for s in message.signals]
    for signal_rule in rule.signals:
        if known.count(signal_rule.name) != 1:
            raise lowering.bridge.refuse(
                signal_rule.place,
                f"{message.name} has no signal {signal_rule.name!r} (or two)",
                near(signal_rule.name, known),
            )
    for name in rule.open:
        if name != "rest" and name not in known:
            raise lowering.bridge.refuse(
                rule.place, f"{message.name} has no signal {name!r} to leave open", near(name, [*known, "rest"])
            )
    return {r.name: r for r in rule.signals}


def _variant(
    lowering: Lowering,
    draft: SendDraft,
    mux_value: int | None,
    counters: Sequence[MapSignal],
    checksum: MapSignal | None,
) -> Variant:
    rule, message, bridge = draft.rule.for_page(mux_value), draft.message, lowering.bridge
    made_by = {r.name: r for r in rule.signals}
    base = _rest_base(lowering, draft, rule, mux_value)
    multiplexer = message.multiplexer
    if multiplexer is not None and mux_value is not None:
        low, high = multiplexer.layout.raw_range
        if not low <= mux_value <= high:
            raise bridge.refuse(
                rule.place,
                f"{mux_value} does not fit the multiplexer of {draft.name}",
                "give mux values that its bits can hold",
            )
        multiplexer.layout.pack(base, mux_value)
    builder = BlockBuilder(lowering.memory)
    made: list[CompiledField] = []
    taken: dict[int, str] = {}
    for signal in message.signals:
        if signal.mux_values and mux_value not in signal.mux_values:
            continue
        if not signal.layout.fits(message.length):
            raise bridge.refuse(
                rule.place,
                f"{draft.name}.{signal.name} has bits outside its {message.length} bytes",
                "set the message's length or the signal's place in the map",
            )
        overlap = next((taken[p] for p in signal.layout.positions if p in taken), None)
        if overlap is not None and (signal.name in made_by or overlap in made_by):
            raise bridge.refuse(
                rule.place,
                f"{draft.name}: {signal.name} and {overlap} share bits",
                "move one in the map, or send only one of them",
            )
        taken.update(dict.fromkeys(signal.layout.positions, signal.name))
        if signal in (*counters, checksum) or signal == multiplexer:
            continue
        with lowering.refusals.gathering():
            if signal.name in made_by:
                target = TargetSignal(lowering, draft.bus, message, signal, made_by[signal.name], rule)
                made.append(target.make(builder))
                continue
            signal.layout.pack(base, _rest_value(lowering, draft, rule, signal, mux_value))
    draft.made += made
    stops = both_valid(builder, *(m.valid for m in made)) if rule.when_stale == "stop" else None
    return finished_variant(bytes(base), builder, made, stops)


def finished_variant(base: bytes, builder: BlockBuilder, made: Sequence[CompiledField], stops: int | None) -> Variant:
    """A form of a message from its lowered fields; operations that nothing needs are left out."""
    keep = [m.field.register for m in made] + ([] if stops is None else [stops])
    block, places = builder.block(keep)
    fields = tuple(replace(m.field, register=places[m.field.register]) for m in made)
    return Variant(base, block, fields, -1 if stops is None else places[stops])


def _rest_value(lowering: Lowering, draft: SendDraft, rule: MessageRule, signal: MapSignal, page: int | None) -> int:
    """Raw value of a signal that the bridge file does not name."""
    try:
        raw = rest_raw(rule, draft.message, signal, page)
    except LoweringError as error:
        raise lowering.bridge.refuse(
            draft.rule.place, f"{draft.name}.{signal.name}: {error.reason}", error.remedy, rank=MISSING
        ) from None
    if alias_of(signal) in WARNED_BY:
        draft.warnings.append(
            f"{draft.name}.{signal.name} is a warning ({alias_of(signal)}) without a source: it is sent alarmed, "
            f"as raw {raw}"
        )
    return raw


def _rest_base(lowering: Lowering, draft: SendDraft, rule: MessageRule, page: int | None) -> bytearray:
    """The bits of no signal."""
    message = draft.message
    if rule.rest != "as recorded":
        return blank(rule, message)
    if not message.named_senders:
        raise lowering.bridge.refuse(
            rule.place,
            f"{draft.name}: the map does not name its sender, and such a message is never sent as recorded",
            "name its sender in the map, or give every signal a line under [messages.signals]",
        )
    unknown = unknown_bits(message, page)
    if unknown:
        draft.warnings.append(
            f"{draft.name}: {len(unknown)} bits of no signal moved or were never recorded (from byte "
            f"{unknown[0] // 8}, bit {unknown[0] % 8}): they are sent as {'1' if message.is_group else '0'}"
        )
    return recorded_base(rule, message, page)


def _timed(
    lowering: Lowering,
    draft: SendDraft,
    variants: tuple[Variant, ...],
    counter: CounterOut | None,
    checksum: Checksum | None,
) -> Send:
    rule, message, bridge = draft.rule, draft.message, lowering.bridge
    period = rule.period_us
    map_period = lowering.sources.period_us(draft.bus, message)
    if rule.on_request and (not message.is_group or rule.once):
        raise bridge.refuse(
            rule.place,
            f"{draft.name} is sent once after wake-up, so it can't have other triggers"
            if rule.once
            else f"{draft.name} is not a J1939 group, and only J1939 groups can be requested",
            "leave on_request out",
        )
    triggered = rule.on_arrival or rule.on_change or rule.on_request
    if period is None and not triggered and not rule.once:
        period = map_period
        if period is None:
            raise bridge.refuse(
                rule.place, f"when {draft.name} is sent is not known", "state period_ms, on_arrival, on_change or once"
            )
    if rule.once and (rule.on_change or rule.on_arrival):
        raise bridge.refuse(
            rule.place,
            f"{draft.name} is sent once after wake-up, so it can't have other triggers",
            "remove the other triggers",
        )
    if rule.once > 1:
        period = rule.period_us or map_period
        if period is None:
            raise bridge.refuse(
                rule.place,
                f"{draft.name} is sent {rule.once} times after each wake, and the interval between them is not known",
                "state period_ms, the time from one to the next",
            )
    states = AWAKE_STATES
    management = rule.network_management
    if management is None:  # the recordings showed that it keeps the bus awake
        management = message.evidence.get("network_management") is True
    if management:
        if bridge.states.key_on is None and bridge.states.run is None:
            raise bridge.refuse(
                rule.place,
                f"{draft.name} is network management, which must stop when the vehicle is switched off",
                'define how the key is detected: [states] key_on = "..."',
            )
        states = KEY_STATES
    if rule.states is not None:
        states = sum(1 << STATES.index(s) for s in set(rule.states))
        if states & 1:
            raise bridge.refuse(
                rule.place, f"{draft.name} would be sent while the bus sleeps", "leave asleep out of its states"
            )
        if not states & _reachable(bridge):
            waited_for = ", ".join(rule.states) or "no state"
            raise bridge.refuse(
                rule.place,
                f"{draft.name} would never be sent: it waits for {waited_for}, a state that is never reached",
                "define it under [states] (key_on, crank, run, after_run_ms), or leave states out",
            )
        if management and states & ~KEY_STATES:
            raise bridge.refuse(
                rule.place, f"{draft.name} would keep the bus awake with the key off", "leave wake out of its states"
            )
    known = lowering.sources.maps[draft.bus].messages
    absent = next(b.absent for b in bridge.buses if b.name == draft.bus)
    if rule.with_bus and not any(name not in absent for m in known for name in m.named_senders):
        raise bridge.refuse(
            rule.place,
            f"{draft.name} is sent while {draft.bus} is awake, and the map has no module there that is present: it "
            "would never begin",
            "leave with_bus out, or name in the map who sends there",
        )
    if rule.last_us and states & ALL_STATES == AWAKE_STATES and not rule.with_bus:
        raise bridge.refuse(
            rule.place,
            f"{draft.name} is sent in every state but asleep, so its states never end before the bus sleeps",
            'name the states in which it begins: states = ["key_on", "crank", "run"], or leave last_ms out',
        )
    gap = rule.gap_us
    if gap is None:
        gap = _default_gap(lowering, draft) if rule.on_arrival or rule.on_change else 0
        gap = max(gap, REQUEST_GAP_US) if rule.on_request else gap
    number = [b.name for b in bridge.buses].index(draft.bus)
    if message.is_fd and not bridge.buses[number].fd:
        raise bridge.refuse(
            rule.place, f"{draft.name} is a CAN FD message, but bus {draft.bus} is classic", "set fd = true for the bus"
        )
    if message.length > 8 and not message.is_fd and not message.is_group:
        raise bridge.refuse(
            rule.place,
            f"{draft.name} has {message.length} bytes, and a classic frame has 8",
            "mark it in the map as what it is: a J1939 group (`swapbridge map set --j1939`) or a CAN FD message",
        )
    return Send(
        name=draft.name,
        bus=number,
        word=message.word,
        is_fd=message.is_fd,
        states=states,
        variants=variants,
        period_us=period or 0,
        delay_us=rule.delay_us,
        gap_us=gap,
        check_us=min(CHECK_US, bridge.step_us) if rule.on_change else 0,
        count=rule.once,
        linger_us=rule.last_us,
        with_bus=rule.with_bus,
        on_request=rule.on_request,
        counter=counter,
        checksum=checksum,
    )


def _reachable(bridge: BridgeFile) -> int:
    """States that the bridge file's conditions can lead to, bit by bit (see `states.write_states`)."""
    rules = bridge.states
    stated = {"crank": rules.crank is not None, "run": rules.run is not None, "key_on": rules.key_on is not None}
    stated["after_run"] = bool(rules.after_run_us) and any(stated.values())
    stated["run"] = stated["run"] or not any(stated.values())
    return sum(1 << n for n, name in enumerate(STATES) if stated.get(name, True))


def _default_gap(lowering: Lowering, draft: SendDraft) -> int:
    """Half the shortest period of what triggers it, so that a babbling source does not make a babbling translator."""
    periods = []
    for source in draft.rule.on_arrival:
        bus, _, name = source.text.partition(".")
        period = lowering.sources.period_us(bus, lowering.sources.find_message(bus, name))
        if period:
            periods.append(period)
    if not periods:
        raise lowering.bridge.refuse(
            draft.rule.place, f"the shortest time between two of {draft.name} is not known", "state gap_ms"
        )
    return min(periods) // 2
