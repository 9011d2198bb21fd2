"""Proving room: the nodes that a plan's J1939 messages go to: they permit packets, say that all came, and ask.

Their answers in a recording belong to the old sender's messages, so they are left out of the traffic.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence

from swapbridge.core import j1939
from swapbridge.plan.plan import Plan, Send
from swapbridge.plan.program import FrameLike
from swapbridge.plan.python.translator import SentFrame
from swapbridge.proving.bench.nodes import Controller, NodeUnderTest

SERVICE_TOOL, ASKS_US = 250, 730_000
"""Address of the node that asks for groups, and how often it asks: in step with no period."""
NEVER_US = 1_000_000
"""A node with nothing to say looks again after so long."""
LATENCY_NS = 1_000_000
"""From a frame heard to the answer in its controller; the standard allows 200 ms."""


class _Receiver:
    """One address of one bus."""

    def __init__(self, bus: int, address: int) -> None:
        self._bus, self._assembler = bus, j1939.Assembler(address)
        self._owed: deque[FrameLike] = deque()

    def on_frame(self, bus: int, word: int, data: bytes, now: int) -> None:
        """A frame was received."""
        self._assembler.expire(now * 1000)
        self._assembler.take(word, data, now * 1000)
        self._owed.extend(SentFrame(self._bus, word, data) for word, data in self._assembler.replies)
        self._assembler.replies.clear()
        self._assembler.problems.clear()

    def poll(self, now: int) -> FrameLike | None:
        """At most one frame to send."""
        return self._owed.popleft() if self._owed else None

    def next_poll(self, now: int) -> int:
        """When `poll` could next have something to do."""
        return now if self._owed else (now + NEVER_US) & 0xFFFF_FFFF


class _Asker:
    """A service tool on one bus, which asks for one group after the other."""

    def __init__(self, sends: Sequence[Send]) -> None:
        self._questions = [_question(send) for send in sends]
        self._at: int | None = None

    def on_frame(self, bus: int, word: int, data: bytes, now: int) -> None:
        """A frame was received; the first one begins the questions."""
        if self._at is None:
            self._at = (now + ASKS_US) & 0xFFFF_FFFF

    def poll(self, now: int) -> FrameLike | None:
        """At most one frame to send."""
        if self._at is None or (now - self._at) & 0xFFFF_FFFF >= 1 << 31:
            return None
        self._at = (now + ASKS_US) & 0xFFFF_FFFF
        self._questions.append(self._questions.pop(0))
        return self._questions[-1]

    def next_poll(self, now: int) -> int:
        """When `poll` could next have something to do."""
        return (now + NEVER_US) & 0xFFFF_FFFF if self._at is None else self._at


def _question(send: Send) -> SentFrame:
    """The request for a group, to the address that it is sent as."""
    found = j1939.Identifier.of(send.word)
    assert found is not None
    word = j1939.word_of_group(j1939.REQUEST, SERVICE_TOOL, found.source)
    return SentFrame(send.bus, word, found.number.to_bytes(3, "little"))


def directed(plan: Plan) -> list[Send]:
    """Long messages that go to an address."""
    return [send for send in plan.sends if send.is_long and send.to != j1939.EVERYBODY]


def receivers(plan: Plan) -> list[NodeUnderTest]:
    """A node for each address that long messages go to, and one on each bus where groups are sent to whoever asks.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    list of NodeUnderTest
        In the order of bus and address.
    """
    out = []
    for bus, address in sorted({(s.bus, s.to) for s in directed(plan)}):
        mine = {s.word & 0xFF for s in directed(plan) if (s.bus, s.to) == (bus, address)}
        kinds = j1939.TRANSPORT, j1939.TRANSPORT_DATA
        heard = {j1939.word_of_group(kind, own, address, 7) for own in mine for kind in kinds}
        numbers = range(len(plan.buses))
        out.append(
            NodeUnderTest(
                f"address {address}",
                _Receiver(bus, address),
                [heard if n == bus else set() for n in numbers],
                [Controller() if n == bus else None for n in numbers],
                latency_ns=LATENCY_NS,
            )
        )
    for bus in sorted({s.bus for s in plan.sends if s.on_request}):
        asked = [s for s in plan.sends if s.on_request and s.bus == bus]
        heard = {s.word for s in asked} | {j1939.word_of_group(j1939.ADDRESS_CLAIMED, s.word & 0xFF) for s in asked}
        out.append(
            NodeUnderTest(
                "service tool",
                _Asker(asked),
                [heard if n == bus else set() for n in range(len(plan.buses))],
                [Controller() if n == bus else None for n in range(len(plan.buses))],
                latency_ns=LATENCY_NS,
            )
        )
    return out


def answer_words(plan: Plan, bus: int) -> set[int]:
    """Identifiers of a bus under which those nodes answer, at the priority of transport."""
    return {j1939.word_of_group(j1939.TRANSPORT, s.to, s.word & 0xFF, 7) for s in directed(plan) if s.bus == bus}
