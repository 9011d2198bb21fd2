"""Compiler room: what the host's modules wait for and do not get, and what the plan adds to each bus."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from pathlib import Path

from swapbridge.compiler.expressions.values import show
from swapbridge.compiler.messages.messages import SendDraft
from swapbridge.compiler.messages.passing import present_sender
from swapbridge.core import j1939
from swapbridge.core.can_bits import arbitration_key
from swapbridge.core.identifier_words import split_word
from swapbridge.core.needs import Need
from swapbridge.core.response_time import Stream, frame_time_ns, response_times, utilization
from swapbridge.language.bridge_file import BridgeFile, BridgeRefused
from swapbridge.plan.j1939_node import packets_of
from swapbridge.plan.plan import Bus, Plan, Send
from swapbridge.signalmap.signal_map import SignalMap

BUSY_PERCENT = 70
"""Load above which a bus deserves a look (common practice, no source)."""


# --- the needs list


def check_needs(
    bridge: BridgeFile, maps: Mapping[str, SignalMap], drafts: Sequence[SendDraft], plan: Plan
) -> list[str]:
    """Refuse a plan that leaves a need over CAN uncovered; warn of needs met too slowly or outside CAN.

    Raises
    ------
    BridgeRefused
        A module waits for something that nobody would send: which, and what to do.
    """
    warnings: list[str] = []
    for need in bridge.needs or ():
        if need.how != "can":
            continue
        if bridge.bus(need.bus) is None:
            known = ", ".join(b.name for b in bridge.buses)
            raise _refused(
                bridge,
                need,
                f"{need.module} waits on bus {need.bus!r}, which the bridge file does not have",
                f"the buses are {known}",
            )
        found = _covering(maps, drafts, need)
        if found is None and need.word is not None and _otherwise(bridge, maps, plan, need.bus, need.word):
            continue
        if found is None:
            raise _refused(
                bridge,
                need,
                f"{need.module} on {need.bus} waits for {need.label}, and nothing would send it",
                "add a message for it to the bridge file, or state in `how` that it is met otherwise",
            )
        warnings += _met(need, found)
    return warnings


def _refused(bridge: BridgeFile, need: Need, reason: str, remedy: str) -> BridgeRefused:
    """The error for an entry of the needs list, at its own place."""
    file = Path(bridge.path).parent / bridge.needs_file if bridge.needs_file else "the needs list"
    return BridgeRefused(f"{file}:{need.line}:1: {reason}; {remedy}" if need.line else f"{file}: {reason}; {remedy}")


def _covering(maps: Mapping[str, SignalMap], drafts: Sequence[SendDraft], need: Need) -> SendDraft | None:
    for draft in drafts:
        if draft.bus != need.bus:
            continue
        if need.word is not None:
            if draft.send.word == need.word:
                return draft
            continue
        for made in draft.made:
            dotted = f"{draft.message.name}.{made.field.name}"
            if need.signal and need.signal in (dotted, made.field.name):
                return draft
            if not need.signal and need.role and made.field.role == need.role:
                return draft
    return None


def _otherwise(bridge: BridgeFile, maps: Mapping[str, SignalMap], plan: Plan, bus: str, word: int) -> bool:
    """Whether an identifier reaches a bus by a pass rule, or from a module still there."""
    if present_sender(bridge, maps, bus, word):
        return True
    number = plan.bus_number(bus)
    for rule in plan.passes:
        if rule.to_bus != number or rule.block:
            continue
        arrives = word == rule.new_word if rule.new_word >= 0 else rule.first <= word <= rule.last
        if arrives:
            origin = rule.first if rule.new_word >= 0 else word
            return bool(present_sender(bridge, maps, plan.buses[rule.bus].name, origin)) or rule.first == rule.last
    return False


def _met(need: Need, draft: SendDraft) -> list[str]:
    out, send = [], draft.send
    if need.length is not None and need.length != send.length:
        out.append(f"{need.module} waits for {need.label} with {need.length} bytes, {draft.name} has {send.length}")
    if need.period_ms is not None and send.period_us and send.period_us > need.period_ms * 1000:
        out.append(
            f"{need.module} waits for {need.label} every {show(need.period_ms)} ms, {draft.name} comes every "
            f"{show(Fraction(send.period_us, 1000))} ms"
        )
    return out


# --- load and response times


def check_load(bridge: BridgeFile, maps: Mapping[str, SignalMap], plan: Plan) -> list[str]:
    """Load of each bus with and without the plan, and worst-case response times of what it sends.

    Only what the maps know counts: messages with a period from modules that are still there. Refused when a bus would
    be loaded beyond what it can carry.
    """
    notes: list[str] = []
    for number, bus in enumerate(plan.buses):
        others = _others(bridge, maps, plan, number)
        own = [(send, _stream(plan, send)) for send in plan.sends if send.bus == number and _interval(send)]
        if not own and not _passed(bridge, maps, plan, number):
            continue
        streams = [stream for _, stream in own] + _passed(bridge, maps, plan, number) + others
        before, after = _percent(others), _percent(streams)
        if after >= 100:
            raise bridge.refuse(
                bridge.buses[number].place,
                f"bus {bus.name} would be loaded to {_one_digit(after)} % in the worst case",
                "send less often, or use a faster bus",
            )  # fmt: skip
        times = response_times(streams, -(-1_000_000_000 // bus.bit_rate))
        worst = max((t for t in times[: len(own)] if t is not None), default=0)
        notes.append(
            f"bus {bus.name}: the plan adds {_one_digit(after - before)} % load to the {_one_digit(before)} % that "
            f"the map knows (worst-case bits); its frames wait {_one_digit(Fraction(worst, 1_000_000))} ms at most"
        )
        if after > BUSY_PERCENT:
            notes.append(f"bus {bus.name} is loaded to {_one_digit(after)} %: frames of low priority may be late")
        for (send, stream), time in zip(own, times, strict=False):
            if time is None or time > stream.period:
                notes.append(f"{send.name} may not leave bus {bus.name} before its next is due: lower the load")
    return notes


def _interval(send: Send) -> int:
    """Shortest time between two frames of a send, in microseconds; 0 when it is sent once or on request only."""
    if send.request is not None or send.count:
        return 0
    times = [t for t in (send.period_us, send.gap_us) if t]
    return min(times, default=0)


def _stream_of(word: int, length: int, is_fd: bool, interval_ns: int, bus: Bus) -> Stream:
    """A message on its bus; one that goes out in packets as that many frames of transport, the last in priority."""
    if is_fd or length <= 8:
        identifier, extended = split_word(word)
        cost = frame_time_ns(length, extended, bus.bit_rate, is_fd, bus.data_rate)
        return Stream(arbitration_key(identifier, extended), cost, interval_ns)
    identifier, extended = split_word(j1939.word_of_group(j1939.TRANSPORT_DATA, word & 0xFF, priority=7))
    cost = frame_time_ns(8, extended, bus.bit_rate)
    return Stream(arbitration_key(identifier, extended), cost, interval_ns // (1 + packets_of(length)))


def _stream(plan: Plan, send: Send) -> Stream:
    return _stream_of(send.word, send.length, send.is_fd, _interval(send) * 1000, plan.buses[send.bus])


def _others(bridge: BridgeFile, maps: Mapping[str, SignalMap], plan: Plan, number: int) -> list[Stream]:
    bus = plan.buses[number]
    out = []
    for message in maps[bus.name].messages if bus.name in maps else ():
        if message.period_ms and present_sender(bridge, maps, bus.name, message.word):
            interval_ns = int(message.period_ms * 1_000_000)
            out.append(_stream_of(message.word, message.length, message.is_fd, interval_ns, bus))
    return out


def _passed(bridge: BridgeFile, maps: Mapping[str, SignalMap], plan: Plan, number: int) -> list[Stream]:
    """Frames of present modules that the pass rules copy onto a bus, as far as the maps know them."""
    bus, out = plan.buses[number], []
    for origin_number, origin in enumerate(plan.buses):
        rules = [r for r in plan.passes if r.bus == origin_number and r.to_bus in (number, -1)]
        for message in maps[origin.name].messages if origin.name in maps and rules else ():
            rule = next((r for r in rules if r.first <= message.word <= r.last), None)
            if rule is None or rule.block or not message.period_ms:
                continue
            if present_sender(bridge, maps, origin.name, message.word):
                word, interval_ns = (
                    message.word if rule.new_word < 0 else rule.new_word,
                    int(message.period_ms * 1_000_000),
                )
                out.append(_stream_of(word, message.length, message.is_fd, interval_ns, bus))
    return out


def _percent(streams: Sequence[Stream]) -> Fraction:
    return 100 * Fraction(*utilization(streams))


def _one_digit(value: Fraction) -> str:
    return f"{round(value * 10) // 10}.{round(value * 10) % 10}"
