"""Asking room: which codes a module says have failed now or in this cycle: one question within a trial.

'Confirmed' is never looked at: it stays for many starts after the cause is gone. Every frame passes the permit of all
asking.
"""

from __future__ import annotations

from swapbridge.asking.allowed import Permit
from swapbridge.asking.decode_answers import BadAnswerError, Format, code_format, long_codes
from swapbridge.asking.transport import TransportLine
from swapbridge.core import fault_codes

S = 1_000_000_000
ANSWER_NS = 1 * S
PENDING_NS = 5 * S
LONGEST_NS = 20 * S
TRIES = 3
MASK = fault_codes.FAILED_NOW | fault_codes.FAILED_THIS_CYCLE
WORDS = frozenset(fault_codes.status_words(MASK))
QUESTIONS = (bytes((0x19, 0x01, MASK)), bytes((0x19, 0x02, MASK)))
"""How codes are written and which status bits are kept; then the codes (ISO 14229-1 ReadDTCInformation)."""


class StatusQuestion:
    """Asks one module: a pure state machine over frames and the time.

    Parameters
    ----------
    request, answer : int
        Identifier words of the module's diagnostics.

    Attributes
    ----------
    codes : tuple of str or None
        What failed, once done; None when the module did not answer.
    done : bool
    wrong : str
        Why this module can't be asked at all, or "".
    """

    def __init__(self, request: int, answer: int) -> None:
        self._line, self._permit = TransportLine(request, answer), Permit({request})
        self.codes: tuple[str, ...] | None = None
        self.done, self.wrong = False, ""
        self._form: Format | None = None
        self._out: list[tuple[int, bytes]] = []
        self._at, self._tries = 0, 0
        self._deadline_ns = self._asked_ns = 0

    def poll(self, now_ns: int) -> tuple[int, bytes] | None:
        """The next frame to send (word, data), if any is due."""
        if self.done:
            return None
        if not self._out and now_ns >= self._deadline_ns:
            if self._tries >= TRIES:
                self.done = True
                return None
            self._line.give_up()
            self._tries, self._asked_ns, self._deadline_ns = self._tries + 1, now_ns, now_ns + ANSWER_NS
            self._out = self._line.ask(QUESTIONS[self._at])
        if not self._out:
            return None
        word, data = self._out.pop(0)
        self._permit.check(word, data)
        return word, data

    def on_frame(self, word: int, data: bytes, now_ns: int) -> None:
        """Take a frame from the bus."""
        if self.done or word != self._line.answer or not self._tries:
            return
        whole, frames = self._line.take(data)
        self._out += frames[:1]
        if self._line.receiving:
            self._deadline_ns = min(now_ns + ANSWER_NS, self._asked_ns + LONGEST_NS)
        for message in whole:
            self._message(message, now_ns)

    def _message(self, message: bytes, now_ns: int) -> None:
        question = QUESTIONS[self._at]
        if message[:2] == bytes((0x7F, question[0])) and len(message) >= 3:
            if message[2] == 0x78:  # answer pending
                self._deadline_ns = min(now_ns + PENDING_NS, self._asked_ns + LONGEST_NS)
            elif message[2] != 0x21:  # busy is asked again
                self._end("it refuses to say which codes have failed")
            return
        if message[:2] != bytes((question[0] + 0x40, question[1])):
            return
        try:
            if self._at == 0:
                self._form = code_format(message)
                if not self._form.available & MASK:
                    self._end("it keeps neither 'failed now' nor 'failed this cycle'")
                    return
                self._at, self._tries, self._deadline_ns = 1, 0, 0
                return
            found = long_codes(message, self._form, {})
        except BadAnswerError as error:
            self._end(f"it {error}")
            return
        self.codes = tuple(sorted(code.text for code in found if WORDS & set(code.status)))
        self.done = True

    def _end(self, reason: str) -> None:
        self.done, self.wrong = True, f"{reason}: ask by lamp or person instead"
