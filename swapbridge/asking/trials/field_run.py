"""Asking room: a field's trial on a table: a few payloads in turn until a person says whether it moves."""

from __future__ import annotations

from dataclasses import dataclass, field

from swapbridge.asking.trials.field_plan import FieldPlan
from swapbridge.asking.trials.needs_run import LISTEN_NS
from swapbridge.asking.trials.permit import Sendable, TrialGate
from swapbridge.asking.trials.trial_sender import TrialSender
from swapbridge.asking.trials.turns import Key, TrialStatus


@dataclass(slots=True)
class FieldRun:
    """The plan, its gate and its sender, as one machine over frames, keys and the time.

    Parameters
    ----------
    plan : FieldPlan
    what : str
        What should move, in the person's words.
    own : frozenset of int
        Identifier words that the module itself sends.
    others : tuple of Sendable
        Messages that are played as they were recorded.
    turn_s : float
        How long each payload is sent before the other one has its turn.
    """

    plan: FieldPlan
    what: str
    own: frozenset[int]
    others: tuple[Sendable, ...] = ()
    turn_s: float = 3.0
    ended_by: str = ""
    marks: list[tuple[str, str]] = field(default_factory=list)
    gate: TrialGate = field(init=False)
    sender: TrialSender = field(init=False)
    _since_ns: int | None = None

    def __post_init__(self) -> None:
        self.gate = TrialGate((*self.plan.messages, *self.others), LISTEN_NS, self.own)
        self.sender = TrialSender(self.gate, {one.word for one in self.gate.plan})

    def begin(self, now_ns: int) -> None:
        """Listening begins."""
        self.gate.begin(now_ns)

    def heard(self, word: int, data: bytes, now_ns: int) -> None:
        """Take a frame from the bus."""
        self.gate.heard(word, data, now_ns)

    def key(self, key: Key, now_ns: int) -> None:
        """A person pressed a key; an answer counts once every payload had its turn."""
        self.gate.life(now_ns)
        if key is Key.QUIT:
            self.ended_by = self.ended_by or "stopped by the user"
        elif key in (Key.YES, Key.NO) and self._seen(now_ns) and not self.ended_by:
            exchange = self.plan.next_exchange()
            assert exchange is not None
            self.marks.append(("exchange", exchange.words))
            self.marks.append(("answer", "moves" if key is Key.YES else "stands still"))
            self.plan.take(key is Key.YES)
            self._since_ns = None
            if self.plan.next_exchange() is None:
                self.ended_by = "done"

    def poll(self, now_ns: int) -> tuple[int, bytes] | None:
        """A frame to send now, if any."""
        if self.gate.shut:
            self.ended_by = self.ended_by or self.gate.shut
        exchange = self.plan.next_exchange()
        if self.ended_by or exchange is None:
            return None
        if not self.gate.alive(now_ns):
            self._since_ns = None
        elif self._since_ns is None and self.sender.sent:
            self._since_ns = now_ns
        turn = 0 if self._since_ns is None else int((now_ns - self._since_ns) / 1e9 // self.turn_s)
        self.sender.chosen = dict(exchange.turns[turn % len(exchange.turns)])
        return self.sender.poll(now_ns)

    def status(self, now_ns: int) -> TrialStatus:
        """What a screen shows."""
        seen = self._seen(now_ns)
        question = f"does it move? {self.what}: y or n" if seen else f"watch: {self.what}"
        return TrialStatus(question, (f"exchange {len(self.plan.answers) + 1}",), self.gate.alive(now_ns))

    def _seen(self, now_ns: int) -> bool:
        exchange = self.plan.next_exchange()
        if exchange is None or self._since_ns is None:
            return False
        return now_ns - self._since_ns >= len(exchange.turns) * self.turn_s * 1e9
