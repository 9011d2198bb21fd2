"""Bus room: python-can's serial-line adapter, made to survive junk on the line and to notice what the adapter refuses.

python-can throws away the adapter's answers, and never gets past a byte that is no ASCII. Here a line that can't be
read costs that line alone, and every answer to a frame is counted, so that a frame which an adapter refused, or stopped
answering, is never taken for sent.
"""

from __future__ import annotations

import threading
import time
from typing import Any

from swapbridge.capture.python_can import can

from can.interfaces.slcan import slcanBus  # isort: skip - behind our own import of `can`, which quiets it

LONGEST_LINE = 160
"""Characters of the longest frame there is (CAN FD, 64 bytes) and some more."""
SILENT_S = 0.5
"""An adapter that answers frames and has not answered one for so long did not take it."""
_REFUSED = 0x07


class SerialLine(slcanBus):
    """A serial-line adapter.

    Adapters differ: some answer each frame with a carriage return (with a ``z`` or ``Z`` before it), all answer what
    they refuse with a bell, some answer nothing. Where one was seen to answer, silence counts as refusal.
    """

    def __init__(self, *args: Any, **options: Any) -> None:
        self._counting = threading.Lock()
        self._answers = False
        self._open_frames = self._not_taken = 0
        self._answered_s = time.monotonic()
        super().__init__(*args, **options)
        with self._counting:
            self._open_frames = 0

    @property
    def waiting(self) -> bool:
        """Whether an adapter that answers frames still owes an answer."""
        self.not_taken()
        with self._counting:
            return self._answers and self._open_frames > 0

    def abandon(self) -> None:
        """Take what an adapter that answers has left unanswered for not taken."""
        with self._counting:
            if self._answers:
                self._not_taken += self._open_frames
                self._open_frames = 0

    def not_taken(self) -> int:
        """Frames handed over so far that the adapter did not take."""
        with self._counting:
            if self._answers and self._open_frames and time.monotonic() - self._answered_s > SILENT_S:
                self._not_taken += self._open_frames
                self._open_frames = 0
            return self._not_taken

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        with self._counting:  # before it goes: its answer may come before this thread has another turn
            if not self._open_frames:
                self._answered_s = time.monotonic()
            self._open_frames += 1
        try:
            super().send(msg, timeout)
        except BaseException:
            with self._counting:
                self._open_frames = max(0, self._open_frames - 1)
            raise

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        message, filtered = super()._recv_internal(timeout)
        if message is not None:
            # the line gives no stamps: python-can's is the wall clock, which Windows moves in steps of 15.6 ms
            message.timestamp = 0.0
        return message, filtered

    def shutdown(self) -> None:
        try:
            super().shutdown()
        finally:
            self.serialPortOrig.close()  # also where the adapter no longer takes the command to close

    def _read(self, timeout: float | None) -> str | None:
        end = time.monotonic() + (timeout or 0.0)
        port = self.serialPortOrig
        while True:
            try:
                piece = port.read(max(1, port.in_waiting))
            except Exception as error:  # pyserial raises OSError, its own, and TypeError on a port closed meanwhile
                raise can.CanOperationError(f"could not read from the serial device: {error}") from error
            self._buffer.extend(piece)
            line = self._next_line()
            if line is not None:
                return line
            if len(self._buffer) > LONGEST_LINE:
                self._buffer.clear()
                raise ValueError("an unfinished line")
            if timeout is not None and time.monotonic() >= end:
                return None

    def _next_line(self) -> str | None:
        """The next line that may be a frame; answers are counted and passed over."""
        while True:
            ends = [at for at in (self._buffer.find(self._OK), self._buffer.find(self._ERROR)) if at >= 0]
            if not ends:
                return None
            line = bytes(self._buffer[: min(ends) + 1])
            del self._buffer[: min(ends) + 1]
            if line[-1] == _REFUSED or line.lower() in (b"\r", b"z\r"):
                self._answer(refused=line[-1] == _REFUSED)
                line = line[:-1]
                if line in (b"", b"z", b"Z"):
                    continue
                raise ValueError("unexpected text before an answer")
            return line.decode("ascii")

    def _answer(self, *, refused: bool) -> None:
        with self._counting:
            self._answered_s = time.monotonic()
            if not self._open_frames:
                return  # of a command, while opening
            self._open_frames -= 1
            self._answers = self._answers or not refused
            self._not_taken += refused
