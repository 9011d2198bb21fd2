"""Proving room: J1939 messages that pass in packets, put together: one row each, longer than any classic frame.

Judges look at messages under their own identifiers. So recordings and what was sent get a row for each whole message,
at the moment of its last packet; the packets stay, and only they are played (`traffic_from` leaves the long rows out).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

import numpy as np

from swapbridge.capture.capture import EXTENDED, Capture
from swapbridge.core import j1939
from swapbridge.core.identifier_words import IDENTIFIER_MASK
from swapbridge.core.layout import MAX_PAYLOAD_BYTES
from swapbridge.plan.j1939_node import has_node
from swapbridge.plan.long_messages import LongMessages
from swapbridge.plan.plan import Plan
from swapbridge.proving.bench.nodes import Sent
from swapbridge.proving.bench.traffic import words_of


def with_long_messages(plan: Plan, captures: Mapping[str, Capture]) -> dict[str, Capture]:
    """Recordings by bus, with a row for each long message that the plan hears or sends there."""
    if not has_node(plan):
        return dict(captures)
    return {name: _with_rows(plan, name, capture) for name, capture in captures.items()}


def _with_rows(plan: Plan, name: str, capture: Capture) -> Capture:
    number = next((n for n, bus in enumerate(plan.buses) if bus.name == name), None)
    if number is None:
        return capture
    groups = _LongMessageFilter(plan)
    words = words_of(capture)
    rows = np.flatnonzero([j1939.is_transport(int(w)) for w in np.unique(words)])
    packets = np.flatnonzero(np.isin(words, np.unique(words)[rows]))
    packets = packets[np.argsort(capture.time_ns[packets], kind="stable")]
    found: list[tuple[int, int, bytes]] = []
    for row in packets.tolist():
        data = capture.payload[row, : int(capture.length[row])].tobytes()
        whole = groups.take(number, int(words[row]), data, int(capture.time_ns[row]))
        if whole is not None:
            found.append((row, *whole))
    if not found:
        return capture
    kept, width = len(capture), MAX_PAYLOAD_BYTES
    payload = np.zeros((kept + len(found), width), np.uint8)
    payload[:kept, : capture.payload.shape[1]] = capture.payload
    for place, (_, _, data) in enumerate(found):
        payload[kept + place, : min(len(data), width)] = np.frombuffer(data[:width], np.uint8)
    origin = np.array([row for row, _, _ in found])
    lengths = np.array([min(len(data), width) for _, _, data in found], np.uint8)
    identifiers = np.array([word & IDENTIFIER_MASK for _, word, _ in found], np.uint32)
    return replace(
        capture,
        time_ns=np.concatenate([capture.time_ns, capture.time_ns[origin]]),
        identifier=np.concatenate([capture.identifier, identifiers]),
        flags=np.concatenate([capture.flags, np.full(len(found), EXTENDED, capture.flags.dtype)]),
        bus=np.concatenate([capture.bus, capture.bus[origin]]),
        length=np.concatenate([capture.length, lengths]),
        payload=payload,
    )


def long_sent(plan: Plan, sent: Iterable[Sent]) -> list[Sent]:
    """The long messages in what a translator got through."""
    if not any(send.is_long for send in plan.sends):
        return []
    groups, out = _LongMessageFilter(plan), list[Sent]()
    for frame in sent:
        whole = groups.take(frame.bus, frame.word, frame.data, frame.received_ns)
        if whole is not None:
            out.append(frame._replace(word=whole[0], data=whole[1]))
    return out


class _LongMessageFilter:
    """The long messages that a plan hears or sends."""

    def __init__(self, plan: Plan) -> None:
        self._messages = LongMessages(plan)
        self._sent = {(s.bus, s.word) for s in plan.sends if s.is_long}
        self._heard = [r for r in plan.receives if r.long]

    def take(self, bus: int, word: int, data: bytes, now_ns: int) -> tuple[int, bytes] | None:
        """A frame; word and content of the message that is whole with it."""
        whole = self._messages.take(bus, word, data, now_ns)
        if whole is None:
            return None
        known = (bus, whole[0]) in self._sent or any(r.bus == bus and r.fits(whole[0]) for r in self._heard)
        return whole if known else None
