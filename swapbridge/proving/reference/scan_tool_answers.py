"""Proving room: the answers to a scan tool that a bridge file asks for: how each is sent and what it holds.

Service 01 of SAE J1979 / ISO 15031-5 with the identifiers of ISO 15765-4 (both from memory; `core.obd` says what the
scales were compared with). The plan is never read here.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from swapbridge.core.identifier_words import identifier_word
from swapbridge.core.layout import Layout
from swapbridge.core.obd import (
    ANSWER,
    PADDING,
    PIDS,
    REQUEST_ALL,
    REQUEST_ALL_29,
    REQUEST_ENGINE,
    REQUEST_ENGINE_29,
    SERVICE,
)
from swapbridge.language.bridge_file import BridgeFile, Diagnostics, MessageRule, SignalRule, Written
from swapbridge.signalmap.signal_map import MapMessage, MapSignal

GAP_US = 5_000
"""One identifier of service 01 is answered at most this often."""


@dataclass(frozen=True, slots=True)
class Answer:
    """One answer: its number in service 01, how it is sent, the signals it holds, its constant part."""

    number: int
    rule: MessageRule
    message: MapMessage
    base: bytes


def answering(bridge: BridgeFile) -> Diagnostics | None:
    """The bridge file's answers, None where it has none."""
    rule = bridge.diagnostics
    return rule if rule is not None and rule.mode == "answer" else None


def request_words(rule: Diagnostics) -> tuple[int, int]:
    """Words under which a scan tool asks: all modules, and the engine computer."""
    pair = (REQUEST_ALL_29, REQUEST_ENGINE_29) if rule.extended else (REQUEST_ALL, REQUEST_ENGINE)
    return identifier_word(*pair[0]), identifier_word(*pair[1])


def asked_number(data: bytes) -> int | None:
    """The one identifier of service 01 that a request names, or None."""
    return data[2] if len(data) >= 3 and data[0] == 2 and data[1] == SERVICE else None


def answers_of(bridge: BridgeFile) -> list[Answer]:
    """Every answer of a bridge file: its values, and the lists of what is answered (00, 20, 40, ...)."""
    rule = answering(bridge)
    if rule is None:
        return []
    out = [_value(rule, number, source) for number, source in rule.answers]
    numbers = {number for number, _ in rule.answers}
    for first in range(0, max(numbers, default=0) + 1, 0x20):
        # the list's last bit says that another list follows
        known = numbers | ({first + 0x20} if any(n > first + 0x20 for n in numbers) else set())
        bits = sum(1 << (31 - k) for k in range(32) if first + 1 + k in known)
        base = bytes([6, ANSWER, first]) + bits.to_bytes(4, "big")
        out.append(Answer(first, _rule(rule, ()), _message(rule, first, ()), base.ljust(8, bytes([PADDING]))))
    return out


def _value(rule: Diagnostics, number: int, written: Written) -> Answer:
    pid = PIDS[number]
    layout = Layout((3 + pid.skip) * 8 + 7, 8 * (pid.width or pid.length), "big_endian")
    low, high = (raw * Fraction(pid.scale) + pid.offset for raw in layout.raw_range)
    signal = MapSignal(pid.channel, layout, Fraction(pid.scale), Fraction(pid.offset), low, high, pid.unit)
    made = SignalRule(pid.channel, written, None, "value", None, None, None, None, None, written.place)
    base = bytes([2 + pid.length, ANSWER, number]) + bytes(pid.length)
    return Answer(number, _rule(rule, (made,)), _message(rule, number, (signal,)), base.ljust(8, bytes([PADDING])))


def _message(rule: Diagnostics, number: int, signals: tuple[MapSignal, ...]) -> MapMessage:
    identifier, extended = (0x18DA_F110, True) if rule.extended else (0x7E8, False)
    return MapMessage(f"Service01_{number:02X}", identifier, extended, 8, signals)


def _rule(rule: Diagnostics, signals: tuple[SignalRule, ...]) -> MessageRule:
    return MessageRule(
        message=Written(f"{rule.tester}.service 01", rule.place),
        signals=signals,
        gap_us=GAP_US,
        when_stale="stop",
        rest="zero",
        sender_gone=True,
        place=rule.place,
    )
