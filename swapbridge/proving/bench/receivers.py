"""Proving room: the nodes that a plan's long J1939 messages go to: they permit the packets and say that all came.

Their answers in a recording belong to the old sender's messages, so they are left out of the traffic.
"""

from __future__ import annotations

from collections import deque

from swapbridge.core import j1939
from swapbridge.plan.model import Plan, Send
from swapbridge.plan.program import FrameLike
from swapbridge.plan.python.translator import SentFrame
from swapbridge.proving.bench.nodes import Controller, NodeUnderTest

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
        self._assembler.told.clear()

    def poll(self, now: int) -> FrameLike | None:
        """At most one frame to send."""
        return self._owed.popleft() if self._owed else None

    def next_poll(self, now: int) -> int:
        """When `poll` could next have something to do."""
        return now if self._owed else (now + NEVER_US) & 0xFFFF_FFFF


def directed(plan: Plan) -> list[Send]:
    """Long messages that go to an address."""
    return [send for send in plan.sends if send.is_long and send.to != j1939.EVERYBODY]


def receivers(plan: Plan) -> list[NodeUnderTest]:
    """A node for each address that long messages go to.

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
    return out


def answer_words(plan: Plan, bus: int) -> set[int]:
    """Identifiers of a bus under which those nodes answer, at the priority of transport."""
    return {j1939.word_of_group(j1939.TRANSPORT, s.to, s.word & 0xFF, 7) for s in directed(plan) if s.bus == bus}
