"""Command line: keys as they are pressed, signals that end a command, and the cautions that must be acknowledged."""

from __future__ import annotations

import contextlib
import ctypes
import os
import re
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
_SPECIAL = re.compile(r"\x1b(?:O[@-~]|\[[0-?]*[ -/]*[@-~])")
"""What a terminal sends for arrows and function keys (ECMA-48: SS3, and CSI with its parameters). F2 ends in a Q."""
_SPECIAL_ON_WINDOWS = "\0\xe0"
"""Come before the letter that stands for such a key there (`getwch`): Page Down is a Q."""
_WINDOW_CLOSED = (2, 5, 6)
"""CTRL_CLOSE_EVENT, CTRL_LOGOFF_EVENT, CTRL_SHUTDOWN_EVENT (wincon.h)."""
_CLOSING_S = 4.5
"""Windows ends a program whose window was closed after 5 s (HandlerRoutine, its documentation; memory)."""
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
        """Turn characters into presses; arrows and function keys mean nothing."""
        out = []
        for character in _SPECIAL.sub("", text):
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

            return typed_on_windows(msvcrt)
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


def typed_on_windows(console: Any) -> str:
    """Characters typed into a console of Windows, without the pairs that stand for arrows and function keys.

    Parameters
    ----------
    console : module
        ``msvcrt``.
    """
    out = ""
    while console.kbhit():
        character = console.getwch()
        if character in _SPECIAL_ON_WINDOWS and console.kbhit():  # alone, the second is a letter of some keyboards
            console.getwch()
        else:
            out += character
    return out


@contextlib.contextmanager
def signals(**events: threading.Event) -> Iterator[None]:
    """Set an event when a signal comes (``SIGTERM=stop``), in the main thread only; a second Ctrl-C interrupts.

    Whatever the main thread is doing: Python runs handlers only when that thread comes round, and it may hang in a
    write to a full disk or a terminal that is held. So a thread of its own is woken by the signal itself.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    if not hasattr(signal, "SIGHUP") and "SIGHUP" in events:  # Windows: Ctrl-Break
        events.setdefault("SIGBREAK", events["SIGHUP"])
    numbers = {int(getattr(signal, name)): event for name, event in events.items() if hasattr(signal, name)}
    before: dict[int, Any] = {}

    came: list[threading.Event] = []

    def on_signal(number: int, frame: FrameType | None) -> None:
        if number == signal.SIGINT and numbers[number] in came:
            raise KeyboardInterrupt
        came.append(numbers[number])
        numbers[number].set()

    with contextlib.ExitStack() as stack:
        if sys.platform == "win32" and "SIGHUP" in events:
            stack.enter_context(window_watched(ctypes.windll.kernel32, events["SIGHUP"]))
        stack.enter_context(_woken(numbers))
        for number in numbers:
            before[number] = signal.signal(number, on_signal)
        try:
            yield
        finally:
            for number, old in before.items():
                signal.signal(number, old)


@contextlib.contextmanager
def window_watched(kernel32: Any, event: threading.Event) -> Iterator[None]:
    """Set an event when the console window is closed on Windows, and keep the program alive until the block ends.

    Windows ends the program as soon as its handler returns, and the C library's returns at once: a recording would be
    cut off and a run would say no safe answers. So this one waits for the block, as long as Windows lets it.

    Parameters
    ----------
    kernel32 : ctypes.CDLL
        ``ctypes.windll.kernel32``: SetConsoleCtrlHandler (consoleapi.h).
    event : threading.Event
    """
    over = threading.Event()

    def on_event(kind: int) -> int:
        if kind not in _WINDOW_CLOSED:
            return 0
        event.set()
        over.wait(_CLOSING_S)
        return 1

    routine = getattr(ctypes, "WINFUNCTYPE", ctypes.CFUNCTYPE)(ctypes.c_int, ctypes.c_uint)(on_event)
    kernel32.SetConsoleCtrlHandler(routine, 1)
    try:
        yield
    finally:
        kernel32.SetConsoleCtrlHandler(routine, 0)
        over.set()


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
