"""Proving room: the answer to a request for several identifiers at once: ISO 15765-2, worked out from the bridge file.

The twin of the translator's sending half. Times are microseconds modulo 2**32.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal, Protocol

from swapbridge.core.obd import ANSWER, PADDING, SERVICE
from swapbridge.proving.reference.scan_tool_answers import GAP_US
from swapbridge.proving.reference.schedule import WRAP, is_due

PATIENCE_US = 1_000_000
"""How long flow control is waited for (N_Bs of ISO 15765-2, from memory)."""
AnswerStage = Literal["idle", "gathering", "ready", "waiting", "sending"]


def asked_numbers(data: bytes) -> list[int]:
    """The identifiers of a request for two to six of them; none for any other frame."""
    size = data[0] if data else 0
    if not 3 <= size <= 7 or len(data) <= size or data[1] != SERVICE:
        return []
    return list(data[2 : size + 1])


def separation_us(code: int) -> int:
    """Time between frames that flow control asks for; reserved codes ask for the longest (from memory)."""
    if 0xF1 <= code <= 0xF9:
        return (code - 0xF0) * 100
    return min(code, 0x7F) * 1000


class SingleAnswer(Protocol):
    """What answers a request for one identifier."""

    def answer(self) -> bytes | None:
        """Its payload now, or None where it says nothing."""


class JoinedAnswer:
    """One message at a time: gathered from the single answers, then sent at the pace of the scan tool's flow control.

    Parameters
    ----------
    answers : mapping of int to SingleAnswer
        The single answers by number.
    words : tuple of int
        Words under which a scan tool asks.
    flow_word : int
        The word of its flow control.
    """

    def __init__(self, answers: Mapping[int, SingleAnswer], words: tuple[int, ...], flow_word: int) -> None:
        self._answers, self._words, self._flow_word = answers, words, flow_word
        self._stage: AnswerStage = "idle"
        self._asked: list[int] = []
        self._message = b""
        self._frames: list[bytes] = []
        self._due = self._pause_us = 0
        self._block: int | None = None
        """Frames that may go out before flow control is due again; None for all of them."""

    def heard(self, word: int, data: bytes, now: int) -> None:
        """A frame came on the scan tool's bus."""
        asked = [n for n in asked_numbers(data) if n in self._answers] if word in self._words else []
        if asked:
            if self._stage not in ("gathering", "ready"):
                self._due = (now + GAP_US) % WRAP
            self._stage, self._asked, self._message = "gathering", asked, bytes([ANSWER])
        elif self._stage == "waiting" and word == self._flow_word and len(data) >= 3 and data[0] >> 4 == 3:
            kind = data[0] & 15
            if kind == 0:
                self._block, self._pause_us = data[1] or None, max(separation_us(data[2]), GAP_US)
                self._stage, self._due = "sending", (now + self._pause_us) % WRAP
            elif kind == 1:
                self._due = (now + PATIENCE_US) % WRAP
            else:
                self._stage = "idle"

    def work_out(self, now: int) -> bytes | None:
        """What becomes of it in a call that no message wants: the payload of a frame, or None."""
        if self._stage == "gathering":
            part = self._answers[self._asked.pop(0)].answer()
            self._message += part[2 : part[0] + 1] if part is not None else b""
            if not self._asked:
                self._stage = "ready" if len(self._message) > 1 else "idle"
            return None
        if self._stage == "idle" or not is_due(self._due, now):
            return None
        if self._stage == "waiting":
            self._stage = "idle"
            return None
        if self._stage == "ready":
            self._frames, self._block = answer_frames(self._message), 1
        frame = self._frames.pop(0)
        self._stage = "sending"
        if not self._frames:
            self._stage = "idle"
        elif self._block == 1:
            self._stage, self._due = "waiting", (now + PATIENCE_US) % WRAP
        else:
            self._block = None if self._block is None else self._block - 1
            self._due = (now + self._pause_us) % WRAP
        return frame


def answer_frames(message: bytes) -> list[bytes]:
    """A message's payloads: one single frame, or a first frame and consecutive ones."""
    if len(message) <= 7:
        parts = [bytes([len(message)]) + message]
    else:
        parts = [(0x1000 + len(message)).to_bytes(2, "big") + message[:6]]
        for number, at in enumerate(range(6, len(message), 7), 1):
            parts.append(bytes([0x20 + number % 16]) + message[at : at + 7])
    return [part.ljust(8, bytes([PADDING])) for part in parts]
