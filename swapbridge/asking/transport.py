"""Asking room: ISO 15765-2 with one module, by `can-isotp`, without its clock.

Every permitted request fits a single frame, so only answers are ever segmented. The caller passes the time and decides
how long to wait for the next frame.
"""

from __future__ import annotations

import logging

# isort: off
import swapbridge.capture.python_can  # noqa: F401 - before isotp loads python-can
import isotp
# isort: on

from swapbridge.core import obd
from swapbridge.core.identifier_words import split_word

_NEVER_MS = 1_000_000_000
"""The library's own time-outs read a clock; they are put out of reach."""
LONGEST_MESSAGE = 4095
_QUIET = logging.getLogger(f"{__name__}.isotp")
"""The library's warnings become remarks about the module, not text on standard error."""
_QUIET.addHandler(logging.NullHandler())
_QUIET.propagate = False


class TransportLine:
    """One request identifier and the identifier that answers come under.

    Parameters
    ----------
    request, answer : int
        Identifier words, both of 11 or both of 29 bits.
    """

    def __init__(self, request: int, answer: int) -> None:
        to, extended = split_word(request)
        heard, _ = split_word(answer)
        self.request, self.answer = request, answer
        self.errors: list[str] = []
        self._extended, self._from = extended, heard
        self._in: list[isotp.CanMessage] = []
        self._out: list[tuple[int, bytes]] = []
        mode = isotp.AddressingMode.Normal_29bits if extended else isotp.AddressingMode.Normal_11bits
        self._logic = isotp.TransportLayerLogic(
            rxfn=lambda timeout: self._in.pop(0) if self._in else None,
            txfn=lambda frame: self._out.append((request, bytes(frame.data))),
            address=isotp.Address(mode, txid=to, rxid=heard),
            error_handler=self._wrong,
            params={
                "tx_padding": obd.PADDING,
                "stmin": 0,
                "blocksize": 0,
                "rx_flowcontrol_timeout": _NEVER_MS,
                "rx_consecutive_frame_timeout": _NEVER_MS,
                "max_frame_size": LONGEST_MESSAGE,
                "logger_name": _QUIET.name,
                "wait_func": lambda seconds: None,  # the library tries it out when a line is made
            },
        )

    @property
    def receiving(self) -> bool:
        """Whether an answer has begun and isn't whole yet."""
        return bool(self._logic.is_rx_active())

    def ask(self, request: bytes) -> list[tuple[int, bytes]]:
        """Frames (word, data) of a request."""
        self._logic.send(request)
        self._logic.process()
        return self._taken()

    def take(self, data: bytes) -> tuple[list[bytes], list[tuple[int, bytes]]]:
        """Take a frame of the answer: whole messages that it completes, and the flow control that it asks for."""
        self._in.append(isotp.CanMessage(arbitration_id=self._from, data=data, extended_id=self._extended))
        self._logic.process()
        out = []
        while self._logic.available():
            whole = self._logic.recv()
            if whole is not None:
                out.append(bytes(whole))
        return out, self._taken()

    def give_up(self) -> None:
        """Forget an answer that stopped half way."""
        self._logic.stop_receiving()

    def _taken(self) -> list[tuple[int, bytes]]:
        out, self._out = self._out, []
        return out

    def _wrong(self, error: Exception) -> None:
        self.errors.append(str(error).rstrip("."))
