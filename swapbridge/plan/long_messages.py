"""Plan room: J1939 messages that pass in packets on a bus, put together for a screen or a judge."""

from __future__ import annotations

from swapbridge.core import j1939
from swapbridge.plan.j1939_node import has_node
from swapbridge.plan.plan import Plan


class LongMessages:
    """Listens to what others send and to what is sent; of a plan without J1939 it does nothing."""

    def __init__(self, plan: Plan) -> None:
        self._assemblers = [j1939.Assembler(overhears=True) for _ in plan.buses] if has_node(plan) else []
        self._planned = {
            (s.bus, found.number, found.source): s.word
            for s in plan.sends
            if s.is_long and (found := j1939.Identifier.of(s.word)) is not None
        }

    def take(self, bus: int, word: int, data: bytes, now_ns: int) -> tuple[int, bytes] | None:
        """A frame: the message that is whole with it, under the word that the plan has for it where it sends it."""
        if not self._assemblers or not j1939.is_transport(word):
            return None
        assembler = self._assemblers[bus]
        assembler.expire(now_ns)
        whole = assembler.take(word, data, now_ns)
        assembler.problems.clear()
        if whole is None:
            return None
        planned = self._planned.get((bus, whole.number, whole.source))
        return planned or j1939.word_of_group(whole.number, whole.source, whole.to), whole.data
