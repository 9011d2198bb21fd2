"""Command line: keys as they are pressed, signals that end a command, and the cautions that must be acknowledged."""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import sys
import threading
from collections.abc import Iterator
from types import FrameType
from typing import Any

import click

from swapbridge.bus.recording.record import Press
from swapbridge.core.cautions import Occasion, cautions_for
from swapbridge.core.errors import RefusedError

KEYS = {"\r": "next", "\n": "next", "n": "next", "r": "repeat", "s": "skip", " ": "mark", "q": "quit"}
NOTE_KEY = "m"
ESCAPE, BACKSPACES = "\x1b", ("\x7f", "\b")
SENTENCE = "I have read this"


class Keyboard:
    """Keys of the terminal without waiting for Enter; none where standard input is no terminal.

    Attributes
    ----------
    note : str or None
        The note being typed; None while none is.
    """

    def __init__(self) -> None:
        self.note: str | None = None

    def feed(self, text: str) -> list[Press]:
        """Turn characters into presses."""
        out = []
        for character in text:
            if self.note is not None:
                out += self._in_note(character)
            elif character == NOTE_KEY:
                self.note = ""
            elif character.lower() in KEYS:
                out.append(Press(KEYS[character.lower()]))
        return out

    def _in_note(self, character: str) -> list[Press]:
        assert self.note is not None
        if character in "\r\n":
            note, self.note = self.note, None
            return [Press("note", note)] if note.strip() else []
        if character == ESCAPE:
            self.note = None
        elif character in BACKSPACES:
            self.note = self.note[:-1]
        elif character.isprintable():
            self.note += character
        return []

    def read(self) -> str:
        """Characters typed since the last call."""
        if not sys.stdin.isatty():
            return ""
        if sys.platform == "win32":
            import msvcrt

            out = ""
            while msvcrt.kbhit():
                out += msvcrt.getwch()
            return out
        import select

        raw = b""
        while select.select([sys.stdin], [], [], 0)[0]:
            piece = os.read(sys.stdin.fileno(), 64)
            if not piece:
                break
            raw += piece
        return raw.decode(errors="ignore")

    @contextlib.contextmanager
    def opened(self) -> Iterator[Keyboard]:
        """Take keys one by one until the block ends; the terminal is left as it was."""
        if sys.platform == "win32" or not sys.stdin.isatty():
            yield self
            return
        import termios
        import tty

        before = termios.tcgetattr(sys.stdin)
        try:
            tty.setcbreak(sys.stdin)
            yield self
        finally:
            termios.tcsetattr(sys.stdin, termios.TCSADRAIN, before)


@contextlib.contextmanager
def signals(**events: threading.Event) -> Iterator[None]:
    """Set an event when a signal comes (``SIGTERM=stop``), in the main thread only; a second Ctrl-C interrupts.

    Whatever the main thread is doing: Python runs handlers only when that thread comes round, and it may hang in a
    write to a full disk or a terminal that is held. So a thread of its own is woken by the signal itself.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    if not hasattr(signal, "SIGHUP") and "SIGHUP" in events:  # Windows: Ctrl-Break, or its window is closed
        events.setdefault("SIGBREAK", events["SIGHUP"])
    numbers = {int(getattr(signal, name)): event for name, event in events.items() if hasattr(signal, name)}
    before: dict[int, Any] = {}

    came: list[threading.Event] = []

    def on_signal(number: int, frame: FrameType | None) -> None:
        if number == signal.SIGINT and numbers[number] in came:
            raise KeyboardInterrupt
        came.append(numbers[number])
        numbers[number].set()

    with _woken(numbers):
        for number in numbers:
            before[number] = signal.signal(number, on_signal)
        try:
            yield
        finally:
            for number, old in before.items():
                signal.signal(number, old)


@contextlib.contextmanager
def _woken(numbers: dict[int, threading.Event]) -> Iterator[None]:
    """A thread that sets a signal's event as soon as the system delivers it."""
    ours, theirs = socket.socketpair()
    theirs.setblocking(False)

    def listen() -> None:
        with contextlib.suppress(OSError):
            while piece := ours.recv(64):
                for number in piece:
                    if number in numbers:
                        numbers[number].set()

    thread = threading.Thread(target=listen, name="signals", daemon=True)
    thread.start()
    old = signal.set_wakeup_fd(theirs.fileno(), warn_on_full_buffer=False)
    try:
        yield
    finally:
        signal.set_wakeup_fd(old)
        theirs.close()
        thread.join(timeout=1.0)
        ours.close()


def show_cautions(occasion: Occasion) -> None:
    """Print the cautions of an occasion on standard error."""
    for caution in cautions_for(occasion):
        click.echo(click.wrap_text(f"{caution.title}: {caution.text}", 78, "! ", "  "), err=True)


def acknowledge(already: bool, occasion: Occasion = "send") -> None:
    """Show the cautions and let a person type that they were read.

    Raises
    ------
    RefusedError
        They were not, or there is nobody to type.
    """
    if already:
        return
    show_cautions(occasion)
    if not sys.stdin.isatty():
        raise RefusedError("read the cautions above and add --cautions-read: there is no terminal to type into")
    if click.prompt(f'Type "{SENTENCE}" to go on', default="", show_default=False, err=True).strip() != SENTENCE:
        raise RefusedError("the cautions were not acknowledged: nothing was sent")
