"""A simulated bus in simulated time for the tests of asking: one client session, any number of nodes."""

from __future__ import annotations

from collections.abc import Callable

from swapbridge.asking.session import AskingSession
from tests.asking.modules import MS, Frame, Node

FRAME_NS = 250_000
MOST_NS = 900 * 1_000 * MS


class Bench:
    """Runs a session among nodes.

    Attributes
    ----------
    sent : list of (int, int, bytes)
        What the session sent: time, word, data.
    """

    def __init__(self, *nodes: Node) -> None:
        self.nodes = list(nodes)
        self.sent: list[tuple[int, int, bytes]] = []
        self.now_ns = 0

    def run(self, session: AskingSession, each: Callable[[int], None] | None = None) -> None:
        """Until the session has ended."""
        while not session.ended_by:
            self._step(session)
            if each is not None:
                each(self.now_ns)
            assert self.now_ns < MOST_NS, "the session never ends"

    def idle(self, seconds: float) -> None:
        """Let the nodes go on by themselves."""
        end = self.now_ns + round(seconds * 1e9)
        while (due := min(node.due_ns() for node in self.nodes)) <= end:
            self.now_ns = max(self.now_ns, due)
            self._nodes(None)
        self.now_ns = end

    def _step(self, session: AskingSession) -> None:
        frame = session.poll(self.now_ns)
        if frame is not None:
            word, data = frame
            self.sent.append((self.now_ns, word, data))
            self.now_ns += FRAME_NS
            for node in self.nodes:
                node.hear(word, data, self.now_ns)
            return
        if session.ended_by:
            return
        dues = [node.due_ns() for node in self.nodes]
        self.now_ns = max(self.now_ns, min([max(session.due_ns, self.now_ns + MS), *dues]))
        self._nodes(session)

    def _nodes(self, session: AskingSession | None) -> None:
        for node in self.nodes:
            for word, data in list(node.frames(self.now_ns)):
                self._deliver(node, (word, data), session)

    def _deliver(self, sender: Node, frame: Frame, session: AskingSession | None) -> None:
        for other in self.nodes:
            if other is not sender:
                other.hear(*frame, self.now_ns)
        if session is not None:
            session.on_frame(*frame, self.now_ns)
