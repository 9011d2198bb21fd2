"""Plan room: the joined answer to a scan tool that asks for several identifiers at once.

The sending half of ISO 15765-2 as a pure state machine, as the plan's contract has it. Its times are those of a clock
that never wraps.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from swapbridge.core.obd import PADDING
from swapbridge.plan.joined_answer import FLOW_WAIT_US, Joined

NEVER = 1 << 62
IDLE, GATHERING, READY, WAITING, SENDING = range(5)


class JoinedAnswerState:
    """One message at a time.

    Parameters
    ----------
    plan : Joined
    parts : sequence of callables
        For each of the plan's parts what gives its payload at a time, or None where it does not answer.

    Attributes
    ----------
    due : int
        When `poll` could next do something.
    """

    __slots__ = (
        "_asked",
        "_left",
        "_message",
        "_parts",
        "_pause_us",
        "_plan",
        "_ready_at",
        "_sequence",
        "_stage",
        "due",
    )

    def __init__(self, plan: Joined, parts: Sequence[Callable[[int], bytes | None]]) -> None:
        self._plan = plan
        self._parts = {number: part for (number, _), part in zip(plan.parts, parts, strict=True)}
        self._stage, self.due = IDLE, NEVER
        self._asked: list[Callable[[int], bytes | None]] = []
        self._message = b""
        self._ready_at = self._sequence = self._left = self._pause_us = 0

    def on_frame(self, word: int, data: bytes, now: int) -> None:
        """Take a frame of the scan tool's bus."""
        size = data[0] if data else 0
        if word in self._plan.words and 3 <= size <= 7 and size < len(data) and data[1] == self._plan.service:
            asked = [self._parts[number] for number in data[2 : size + 1] if number in self._parts]
            if asked:
                if self._stage not in (GATHERING, READY):
                    self._ready_at = now + self._plan.gap_us
                self._asked, self._message = asked, bytes([self._plan.service + 0x40])
                self._go(GATHERING, now)
                return
        if self._stage == WAITING and word == self._plan.flow_word and len(data) >= 3 and size >> 4 == 3:
            if size & 15 == 0:
                self._left, self._pause_us = data[1], max(pause_us(data[2]), self._plan.gap_us)
                self._go(SENDING, now + self._pause_us)
            elif size & 15 == 1:
                self.due = now + FLOW_WAIT_US
            else:
                self._go(IDLE, NEVER)

    def poll(self, now: int) -> bytes | None:
        """Do what is due; the payload of a frame to send, or None."""
        if self.due > now:
            return None
        if self._stage == GATHERING:
            self._gather(now)
            return None
        if self._stage == READY:
            return self._begin(now)
        if self._stage == SENDING:
            return self._go_on(now)
        self._go(IDLE, NEVER)
        return None

    def _go(self, stage: int, due: int) -> None:
        self._stage, self.due = stage, due

    def _gather(self, now: int) -> None:
        payload = self._asked.pop(0)(now)
        if payload is not None:
            self._message += payload[2 : payload[0] + 1]
        if not self._asked:
            self._go(*((READY, self._ready_at) if len(self._message) > 1 else (IDLE, NEVER)))

    def _begin(self, now: int) -> bytes:
        message, length = self._message, len(self._message)
        if length <= 7:
            self._go(IDLE, NEVER)
            return _filled(bytes([length]) + message)
        self._message, self._sequence = message[6:], 1
        self._go(WAITING, now + FLOW_WAIT_US)
        return bytes([0x10 + (length >> 8), length & 255]) + message[:6]

    def _go_on(self, now: int) -> bytes:
        frame = _filled(bytes([0x20 + self._sequence]) + self._message[:7])
        self._message, self._sequence = self._message[7:], (self._sequence + 1) & 15
        if not self._message:
            self._go(IDLE, NEVER)
        elif self._left == 1:
            self._go(WAITING, now + FLOW_WAIT_US)
        else:
            self._left = max(self._left - 1, 0)
            self._go(SENDING, now + self._pause_us)
        return frame


def _filled(data: bytes) -> bytes:
    return data.ljust(8, bytes([PADDING]))


def pause_us(code: int) -> int:
    """Pause between consecutive frames that a flow control's third byte asks for (STmin of ISO 15765-2)."""
    if code <= 0x7F:
        return code * 1000
    return (code - 0xF0) * 100 if 0xF1 <= code <= 0xF9 else 127_000
