"""Asking room: the messages of a trial, sent in their rhythm: recorded payloads in their order, or a chosen one."""

from __future__ import annotations

from dataclasses import dataclass, field

from swapbridge.asking.trials.permit import Sendable, TrialGate


@dataclass(slots=True)
class TrialSender:
    """What is due on the bus, through the gate.

    Parameters
    ----------
    gate : TrialGate

    Attributes
    ----------
    chosen : dict of int to bytes
        The payload that a word is sent with; a word of `active` that is not here is played as it was recorded.
    played : dict of int to tuple of bytes
        Payloads that a word is sent with instead of all that were recorded, in their order.
    spoilt : frozenset of (int, str)
        Counters that stand still and checksums that are wrong, by word and signal.
    active : set of int
        Words that are sent at all.
    sent : int
    """

    gate: TrialGate
    active: set[int] = field(default_factory=set)
    chosen: dict[int, bytes] = field(default_factory=dict)
    played: dict[int, tuple[bytes, ...]] = field(default_factory=dict)
    spoilt: frozenset[tuple[int, str]] = frozenset()
    sent: int = 0
    _due: dict[int, int] = field(default_factory=dict)
    _next: dict[int, int] = field(default_factory=dict)
    _counts: dict[tuple[int, str], int] = field(default_factory=dict)

    def poll(self, now_ns: int) -> tuple[int, bytes] | None:
        """A frame to send now, if one is due and the gate lets it out."""
        due = [one for one in self.gate.plan if one.word in self.active and now_ns >= self._due.get(one.word, 0)]
        for one in sorted(due, key=lambda one: self._due.get(one.word, 0)):  # the latest first, so that none starves
            data = self._content(one)
            if self.gate.decide(one.word, data, now_ns):
                self._due[one.word] = now_ns + one.period_ns // 4
                continue
            late = now_ns - self._due.get(one.word, now_ns)
            self._due[one.word] = now_ns + one.period_ns - min(late, one.period_ns // 10)
            self.sent += 1
            self._step(one)
            return one.word, data
        return None

    def _content(self, one: Sendable) -> bytes:
        chosen, played = self.chosen.get(one.word), self.played.get(one.word, one.payloads)
        if chosen is None:
            chosen = played[self._next.get(one.word, 0) % len(played)]
            if one.word not in self.played and not any(word == one.word for word, _ in self.spoilt):
                return chosen
        data = bytearray(chosen)
        for signal in one.makes:
            if signal.counter is not None:
                signal.layout.pack(data, self._counts.get((one.word, signal.name), signal.counter.low))
            elif signal.checksum is not None:
                signal.checksum.insert(data)
                if (one.word, signal.name) in self.spoilt:
                    position = signal.layout.positions[0]
                    data[position >> 3] ^= 1 << (position & 7)
        return bytes(data)

    def _step(self, one: Sendable) -> None:
        self._next[one.word] = self._next.get(one.word, 0) + 1
        for signal in one.makes:
            if signal.counter is not None and (one.word, signal.name) not in self.spoilt:
                key = (one.word, signal.name)
                self._counts[key] = signal.counter.after(self._counts.get(key, signal.counter.low))
