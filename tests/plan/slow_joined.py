"""The joined answer of the plan's contract, read aloud; both slow translators use it."""

from __future__ import annotations

from collections.abc import Callable

from swapbridge.plan.joined_answer import Joined

MASK, HALF = 0xFFFF_FFFF, 1 << 31


class SlowJoined:
    """Every name is the contract's; times wrap. `evaluate(send)` gives a payload, or None where it is held back."""

    def __init__(self, plan: Joined, evaluate: Callable[[int, int], bytes | None]) -> None:
        self.plan, self.evaluate = plan, evaluate
        self.stage = "idle"
        self.asked: list[int] = []
        self.message = b""
        self.at = self.sequence = self.left = self.pause_us = self.due_at = 0

    def due(self, now: int) -> bool:
        return (now - self.due_at) & MASK < HALF

    def hears(self, bus: int, word: int, data: bytes, now: int) -> None:
        if bus != self.plan.bus or not data:
            return
        size = data[0]
        if word in self.plan.words and size in (3, 4, 5, 6, 7) and len(data) > size and data[1] == self.plan.service:
            sends = dict(self.plan.parts)
            asked = [sends[n] for n in data[2 : size + 1] if n in sends]
            if asked:
                if self.stage not in ("gathering", "ready"):
                    self.due_at = (now + self.plan.gap_us) & MASK
                self.stage, self.asked, self.message = "gathering", asked, bytes([self.plan.service + 0x40])
                return
        if self.stage == "waiting" and word == self.plan.flow_word and len(data) >= 3 and size // 16 == 3:
            if size % 16 == 0:
                coded = data[2]
                pause = 127_000
                if coded <= 127:
                    pause = 1000 * coded
                elif 0xF1 <= coded <= 0xF9:
                    pause = 100 * (coded - 0xF0)
                self.stage, self.left, self.pause_us = "sending", data[1], max(pause, self.plan.gap_us)
                self.due_at = (now + self.pause_us) & MASK
            elif size % 16 == 1:
                self.due_at = (now + 1_000_000) & MASK
            else:
                self.stage = "idle"

    def poll(self, now: int) -> bytes | None:
        if self.stage == "gathering":
            payload = self.evaluate(self.asked.pop(0), now)
            if payload is not None:
                self.message += payload[2 : payload[0] + 1]
            if not self.asked:
                self.stage = "ready" if len(self.message) > 1 else "idle"
            return None
        if self.stage == "idle" or not self.due(now):
            return None
        if self.stage == "ready":
            length = len(self.message)
            if length <= 7:
                self.stage = "idle"
                return (bytes([length]) + self.message).ljust(8, b"\x55")
            self.at, self.sequence, self.stage, self.due_at = 6, 1, "waiting", (now + 1_000_000) & MASK
            return bytes([0x10 + length // 256, length % 256]) + self.message[:6]
        if self.stage == "waiting":
            self.stage = "idle"
            return None
        frame = (bytes([0x20 + self.sequence]) + self.message[self.at : self.at + 7]).ljust(8, b"\x55")
        self.at, self.sequence = self.at + 7, (self.sequence + 1) % 16
        if self.at >= len(self.message):
            self.stage = "idle"
        elif self.left == 1:
            self.stage, self.due_at = "waiting", (now + 1_000_000) & MASK
        else:
            self.left, self.due_at = max(self.left - 1, 0), (now + self.pause_us) & MASK
        return frame

    def wait_us(self, now: int) -> int | None:
        """Microseconds until something may be done."""
        if self.stage == "idle":
            return None
        return 0 if self.stage == "gathering" or self.due(now) else (self.due_at - now) & MASK
