"""Compiler room: copied and blocked frames, and diagnostics: scan tool passed through or answered with service 01."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from fractions import Fraction

from swapbridge.compiler.build import BlockBuilder
from swapbridge.compiler.expressions.lower import Lowering
from swapbridge.compiler.messages.messages import AWAKE_STATES, SendDraft, finished_variant
from swapbridge.compiler.messages.targets import TargetSignal
from swapbridge.core.identifier_words import format_identifier, format_words, identifier_word, split_word
from swapbridge.core.layout import Layout
from swapbridge.core.obd import (
    ANSWER,
    ANSWER_ENGINE,
    ANSWER_ENGINE_29,
    PADDING,
    PIDS,
    REQUEST_ALL,
    REQUEST_ALL_29,
    REQUEST_ENGINE,
    REQUEST_ENGINE_29,
    SERVICE,
    Pid,
    diagnostic_use,
)
from swapbridge.language.bridge_file import BridgeFile, Diagnostics, MessageRule, PassRule, SignalRule, Written
from swapbridge.language.places import FilePlace
from swapbridge.plan.joined_answer import Joined
from swapbridge.plan.plan import Pass, Request, Send, Variant
from swapbridge.signalmap.signal_map import MapMessage, MapSignal, SignalMap

ANSWER_11 = identifier_word(*ANSWER_ENGINE)
ANSWER_29 = identifier_word(*ANSWER_ENGINE_29)
ANSWER_GAP_US = 5_000
READINESS = frozenset({0x01, 0x41})
"""Identifiers of service 01 that only the real engine computer answers: monitor status, readiness."""


def scan_request_words(extended: bool) -> tuple[int, int]:
    """Functional and physical request of a scan tool to the engine computer (flow control goes to the physical)."""
    pair = (REQUEST_ALL_29, REQUEST_ENGINE_29) if extended else (REQUEST_ALL, REQUEST_ENGINE)
    return identifier_word(*pair[0]), identifier_word(*pair[1])


def build_passes(
    bridge: BridgeFile, maps: Mapping[str, SignalMap], sends: tuple[Send, ...], notes: list[str]
) -> tuple[Pass, ...]:
    """Pass and block rules, with blocks put before them for every identifier the plan itself sends.

    Raises
    ------
    BridgeRefused
        A rule names an unknown bus, or passes an identifier that the plan or a module on that bus already sends.
    """
    numbers = {bus.name: number for number, bus in enumerate(bridge.buses)}
    rules: list[Pass] = []
    lines: list[int] = []
    taken: dict[tuple[int, int], Pass] = {}
    for rule in (*bridge.passes, *_diagnostic_rules(bridge)):
        for name in (rule.from_bus, rule.to_bus):
            if name not in numbers:
                raise bridge.refuse(rule.place, f"bus {name!r} is not known", f"the buses are {', '.join(numbers)}")
        if rule.from_bus == rule.to_bus:
            raise bridge.refuse(
                rule.place, "a rule passes frames to the bus they came from", "give two different buses as from and to"
            )
        made = _one_rule(bridge, maps, sends, rule, numbers)
        for one in made:
            _refuse_second_origin(bridge, rule, one, taken)
        rules += made
        lines += [rule.place.line] * len(made)
    notes += _never_deciding(bridge, rules, lines) + _between_added_nodes(bridge)
    blocks = _own_identifiers(bridge, sends, rules, notes) + _twins(bridge, rules, notes)
    return (*blocks, *_neighbours(bridge, maps, rules, notes), *rules)


def _between_added_nodes(bridge: BridgeFile) -> list[str]:
    """Words for rules that pass frames where the translator sits in no line: it copies them beside their receivers."""
    added = {bus.name for bus in bridge.buses if bus.placement == "added-node"}
    return [
        f"the rule in line {rule.place.line} passes frames from {rule.from_bus} to {rule.to_bus}, and on both the "
        "translator is only an added node: it copies frames from one bus to the other; where a bus is cut, write "
        'placement = "inline"'
        for rule in bridge.passes
        if not rule.block and {rule.from_bus, rule.to_bus} <= added
    ]


def _never_deciding(bridge: BridgeFile, rules: list[Pass], lines: list[int]) -> list[str]:
    """Words for rules that an earlier, wider one of another effect leaves nothing to decide."""
    out = []
    for number, rule in enumerate(rules):
        for earlier, line in zip(rules[:number], lines, strict=False):
            same_way = (earlier.bus, earlier.to_bus) == (rule.bus, rule.to_bus)
            other_effect = (earlier.block, earlier.new_word) != (rule.block, rule.new_word)
            if same_way and earlier.first <= rule.first and rule.last <= earlier.last and other_effect:
                ways = f"from {bridge.buses[rule.bus].name} to {bridge.buses[rule.to_bus].name}"
                out.append(
                    f"the rule in line {lines[number]} for {format_words(rule.first, rule.last)} {ways} never applies, "
                    f"since the rule in line {line} comes first: put the narrower rule before it"
                )
                break
    return out


def _one_rule(
    bridge: BridgeFile, maps: Mapping[str, SignalMap], sends: tuple[Send, ...], rule: PassRule, numbers: dict[str, int]
) -> list[Pass]:
    out = []
    for first, last in rule.ranges:
        word = rule.new_word if rule.new_word >= 0 else first
        use = diagnostic_use(*split_word(word))
        if use and rule.new_word >= 0 and not diagnostic_use(*split_word(first)):
            label = format_identifier(*split_word(word))
            raise bridge.refuse(
                rule.place, f"{label} is for {use}, and no other frame may become one", "give it another identifier"
            )
        if not rule.block and first == last:
            _refuse_second_sender(bridge, maps, sends, rule, word, numbers)
        out.append(Pass(numbers[rule.from_bus], first, last, numbers[rule.to_bus], rule.block, rule.new_word))
    return out


def _refuse_second_origin(bridge: BridgeFile, rule: PassRule, one: Pass, taken: dict[tuple[int, int], Pass]) -> None:
    """Two different frames passed under one identifier are two senders of it."""
    if one.block or one.first != one.last:
        return
    word = one.first if one.new_word < 0 else one.new_word
    other = taken.setdefault((one.to_bus, word), one)
    if (other.bus, other.first) != (one.bus, one.first):
        label = format_identifier(*split_word(word))
        origin = f"{format_identifier(*split_word(other.first))} from {bridge.buses[other.bus].name}"
        raise bridge.refuse(
            rule.place,
            f"{label} would have two senders on {bridge.buses[one.to_bus].name}: {origin} is passed as {label} too",
            "leave one out, or give it another identifier",
        )


def _twins(bridge: BridgeFile, rules: list[Pass], notes: list[str]) -> list[Pass]:
    """Blocks for identifiers that a renamed frame takes, where a wide rule would pass frames that had them before."""
    blocks: dict[Pass, None] = {}
    for renamed in rules:
        word = renamed.new_word
        if word < 0:
            continue
        for bus in range(len(bridge.buses)):
            fits = (r for r in rules if r.bus == bus and r.to_bus == renamed.to_bus and r.first <= word <= r.last)
            first = next(fits, None)
            block = Pass(bus, word, word, renamed.to_bus, True)
            if first is not None and not first.block and first.first < first.last and block not in blocks:
                blocks[block] = None
                label, was = format_identifier(*split_word(word)), format_identifier(*split_word(renamed.first))
                names = bridge.buses[bus].name, bridge.buses[renamed.to_bus].name
                notes.append(f"{label} from {names[0]} is not passed to {names[1]}, since {was} becomes {label} there")
    return list(blocks)


def _refuse_second_sender(
    bridge: BridgeFile,
    maps: Mapping[str, SignalMap],
    sends: tuple[Send, ...],
    rule: PassRule,
    word: int,
    numbers: dict[str, int],
) -> None:
    label = format_identifier(*split_word(word))
    if any(s.bus == numbers[rule.to_bus] and s.word == word for s in sends):
        raise bridge.refuse(
            rule.place,
            f"{label} would have two senders on {rule.to_bus}: the plan both makes it and passes it",
            "leave one out",
        )
    sender = present_sender(bridge, maps, rule.to_bus, word)
    if sender:
        raise bridge.refuse(
            rule.place, f"{sender} already sends {label} on {rule.to_bus}",
            f"leave the rule out, or name {sender} under absent if it is gone",
        )  # fmt: skip


def present_sender(bridge: BridgeFile, maps: Mapping[str, SignalMap], bus: str, word: int) -> str:
    """A module that the map says sends this on a bus and that is still there, or ""."""
    message = maps[bus].by_word(word) if bus in maps else None
    rule = bridge.bus(bus)
    if message is None or rule is None:
        return ""
    return next((name for name in message.named_senders if name not in rule.absent), "")


def _own_identifiers(bridge: BridgeFile, sends: tuple[Send, ...], rules: list[Pass], notes: list[str]) -> list[Pass]:
    """Blocks for identifiers that the plan sends where a wide rule would pass them too."""
    blocks: dict[Pass, None] = {}
    for send in sends:
        for rule in rules:
            if (
                not rule.block
                and rule.to_bus == send.bus
                and rule.first <= send.word <= rule.last
                and rule.new_word < 0
            ):
                blocks[Pass(rule.bus, send.word, send.word, send.bus, True)] = None
    for block in blocks:
        label = format_identifier(*split_word(block.first))
        names = bridge.buses[block.bus].name, bridge.buses[block.to_bus].name
        notes.append(f"{label} from {names[0]} is not passed to {names[1]}, since the plan sends it there")
    return list(blocks)


def _neighbours(bridge: BridgeFile, maps: Mapping[str, SignalMap], rules: list[Pass], notes: list[str]) -> list[Pass]:
    """Blocks for identifiers that a present module of the target bus sends, where a wide rule would pass them."""
    blocks: dict[Pass, None] = {}
    for rule in rules:
        if rule.block or rule.first == rule.last:
            continue
        to_name, from_name = bridge.buses[rule.to_bus].name, bridge.buses[rule.bus].name
        for message in maps[to_name].messages if to_name in maps else ():
            here = rule.first <= message.word <= rule.last
            origin = present_sender(bridge, maps, from_name, message.word)
            if here and not origin and present_sender(bridge, maps, to_name, message.word):
                blocks[Pass(rule.bus, message.word, message.word, rule.to_bus, True)] = None
    for block in blocks:
        label = format_identifier(*split_word(block.first))
        notes.append(f"{label} is not passed to {bridge.buses[block.to_bus].name}, since a module there sends it")
    return list(blocks)


def _diagnostic_rules(bridge: BridgeFile) -> list[PassRule]:
    """Pass rules of a scan tool that talks to the real engine computer."""
    rule = bridge.diagnostics
    if rule is None or rule.mode != "pass":
        return []
    out = []
    functional, physical = scan_request_words(rule.extended)
    answer = ANSWER_29 if rule.extended else ANSWER_11
    for word in (functional, physical):
        out.append(PassRule(rule.tester, rule.engine, ((word, word),), False, -1, rule.place))
    out.append(PassRule(rule.engine, rule.tester, ((answer, answer),), False, -1, rule.place))
    return out


# --- service 01 answered by the translator


def build_answers(lowering: Lowering) -> list[SendDraft]:
    """One send for every identifier of service 01 that the bridge file answers, and the lists of them.

    Raises
    ------
    BridgeRefused
        An identifier that only the real engine computer may answer, an unknown one, or a value that does not fit it.
    """
    rule, bridge = lowering.bridge.diagnostics, lowering.bridge
    if rule is None or rule.mode != "answer":
        return []
    if bridge.bus(rule.tester) is None:
        raise bridge.refuse(rule.place, f"bus {rule.tester!r} is not known", "name the bus that the scan tool is on")
    if not rule.answers:
        raise bridge.refuse(rule.place, "no identifier of service 01 is answered", 'add answers = { "0C" = "..." }')
    drafts = [_answer(lowering, rule, number, source) for number, source in rule.answers]
    known = sorted(number for number, _ in rule.answers)
    for first in range(0, 0xE0, 0x20):
        later = any(n > first + 0x20 for n in known)
        bits = sum(1 << (32 - (n - first)) for n in known if first < n <= first + 0x20) | int(later)
        if first == 0 or any(n > first for n in known):
            data = bits.to_bytes(4, "big")
            drafts.append(_constant_answer(bridge, rule, first, data))
    return drafts


def join_answers(bridge: BridgeFile, sends: tuple[Send, ...]) -> Joined | None:
    """What answers a request for several identifiers at once: the same answers, joined."""
    rule = bridge.diagnostics
    if rule is None or rule.mode != "answer":
        return None
    answers = [(n, send, send.request) for n, send in enumerate(sends)]
    parts = sorted((request.prefix[2], n) for n, _, request in answers if request is not None)
    first = sends[parts[0][1]]
    functional, physical = scan_request_words(rule.extended)
    return Joined(first.bus, (functional, physical), physical, first.word, SERVICE, ANSWER_GAP_US, tuple(parts))


def _answer(lowering: Lowering, rule: Diagnostics, number: int, written: Written) -> SendDraft:
    bridge = lowering.bridge
    if number in READINESS:
        raise bridge.refuse(
            written.place,
            f"{number:02X} is the readiness of the real engine computer, which only that computer may answer",
            "leave it out",
        )
    if number not in PIDS:
        raise bridge.refuse(written.place, f"{number:02X} is not a numeric parameter of service 01", "leave it out")
    pid = PIDS[number]
    message = _answer_message(rule, number, pid)
    signal_rule = SignalRule(pid.channel, written, None, "value", None, None, None, None, None, written.place)
    parent = _answer_rule(rule, message, written.place)
    builder = BlockBuilder(lowering.memory)
    target = TargetSignal(lowering, rule.tester, message, message.signals[0], signal_rule, parent)
    made = target.make(builder)
    base = bytes([2 + pid.length, SERVICE | 0x40, number]).ljust(8, bytes([PADDING]))
    base = base[:3] + bytes(pid.length) + base[3 + pid.length :]
    variant = finished_variant(base, builder, [made], made.valid)
    return SendDraft(parent, rule.tester, message, _answer_send(bridge, rule, message, number, variant), [made])


def _constant_answer(bridge: BridgeFile, rule: Diagnostics, number: int, data: bytes) -> SendDraft:
    message = _answer_message(rule, number, None)
    base = bytes([2 + len(data), ANSWER, number, *data]).ljust(8, bytes([PADDING]))
    variant = Variant(base, (), ())
    parent = _answer_rule(rule, message, rule.place)
    return SendDraft(parent, rule.tester, message, _answer_send(bridge, rule, message, number, variant))


def _answer_message(rule: Diagnostics, number: int, pid: Pid | None) -> MapMessage:
    signals: tuple[MapSignal, ...] = ()
    if pid is not None:
        width = (pid.width or pid.length) * 8
        layout = Layout((3 + pid.skip) * 8 + 7, width, "big_endian")
        low, high = (v * pid.scale + pid.offset for v in layout.raw_range)
        signals = (MapSignal(pid.channel, layout, Fraction(pid.scale), Fraction(pid.offset), low, high, pid.unit),)
    identifier, extended = split_word(ANSWER_29 if rule.extended else ANSWER_11)
    return MapMessage(f"Service01_{number:02X}", identifier, extended, 8, signals)


def _answer_rule(rule: Diagnostics, message: MapMessage, place: FilePlace) -> MessageRule:
    return MessageRule(
        message=Written(f"{rule.tester}.{message.name}", place),
        signals=(),
        when_stale="stop",
        rest="zero",
        sender_gone=True,
        place=place,
    )


def _answer_send(bridge: BridgeFile, rule: Diagnostics, message: MapMessage, number: int, variant: Variant) -> Send:
    bus = [b.name for b in bridge.buses].index(rule.tester)
    request = Request(bus, scan_request_words(rule.extended), bytes([2, SERVICE, number]))
    send = Send(f"{rule.tester}.{message.name}", bus, message.word, False, AWAKE_STATES, (variant,))
    return dataclasses.replace(send, gap_us=ANSWER_GAP_US, request=request)
