"""`record` and `run` as a person has them: a terminal of 60 columns, keys, the board, the sentence to be typed."""

from __future__ import annotations

import contextlib
import fcntl
import os
import re
import select
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from swapbridge.capture.capture import Capture
from swapbridge.capture.stimulus import read_stimulus
from swapbridge.capture.write import write_capture
from swapbridge.cli.screen.terminal import SENTENCE
from swapbridge.plan.plan import Plan
from tests.proofs import write_proof

COLUMNS, LINES = 60, 40
Until = Callable[[Callable[[], bool]], None]
PROGRAM = """
import fcntl, runpy, termios
fcntl.ioctl(0, termios.TIOCSCTTY, 0)  # so that Ctrl-C reaches it, as from a keyboard
runpy.run_module("swapbridge", run_name="__main__")
"""
CURSOR = re.compile(r"\x1b\[\d*[AK]")
ESCAPES = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")


class Terminal:
    """A process on a pseudo-terminal."""

    def __init__(self, folder: Path, *words: str) -> None:
        self._ours, self._theirs = os.openpty()
        fcntl.ioctl(self._theirs, termios.TIOCSWINSZ, struct.pack("HHHH", LINES, COLUMNS, 0, 0))
        self.before = termios.tcgetattr(self._theirs)
        self._shown = b""
        self.process = subprocess.Popen(
            [sys.executable, "-c", PROGRAM, *words],
            cwd=folder,
            stdin=self._theirs,
            stdout=self._theirs,
            stderr=self._theirs,
            start_new_session=True,
            env={**os.environ, "TERM": "xterm", "COLUMNS": str(COLUMNS), "LINES": str(LINES)},
        )

    def type(self, text: str) -> None:
        os.write(self._ours, text.encode())

    def shown(self) -> str:
        """Everything written so far, without escape sequences."""
        while select.select([self._ours], [], [], 0)[0]:
            self._shown += os.read(self._ours, 65536)
        text = CURSOR.sub("\n", self._shown.decode(errors="replace"))
        return ESCAPES.sub("", text).replace("\r", "")

    def ended(self) -> int:
        """Exit code; what is written meanwhile is read, so that the process never waits for us."""
        end = time.monotonic() + 60
        while self.process.poll() is None and time.monotonic() < end:
            self.shown()
            time.sleep(0.02)
        self.shown()
        assert self.process.returncode is not None
        return self.process.returncode

    def left_as_it_was(self) -> bool:
        return termios.tcgetattr(self._theirs)[:4] == self.before[:4]

    def close(self) -> None:
        self.process.kill()
        self.process.wait()
        for descriptor in (self._ours, self._theirs):
            with contextlib.suppress(OSError):
                os.close(descriptor)


@pytest.fixture
def terminal(tmp_path: Path) -> Iterator[Callable[..., Terminal]]:
    made: list[Terminal] = []

    def begin(*words: str) -> Terminal:
        made.append(Terminal(tmp_path, *words))
        return made[-1]

    yield begin
    for one in made:
        one.close()


def test_a_guided_recording(terminal: Callable[..., Terminal], tmp_path: Path, until: Until) -> None:
    at = terminal("record", "a.log", "--bus", "donor=virtual:x,bitrate=500000", "--script", "built-in")
    until(lambda: "Press enter when you are about to do it" in at.shown())
    assert "Key off, doors shut" in at.shown()
    at.type("\n")
    until(lambda: "enter done early" in at.shown())
    at.type(" ")
    at.type("mhumming relay")
    until(lambda: "note: humming relay" in at.shown())
    at.type("\n")
    at.type("s")
    until(lambda: "Do NOT start the engine" in at.shown())
    at.type("q")
    assert at.ended() == 0
    assert "recorded a.log" in at.shown()
    assert at.left_as_it_was()
    assert max(map(len, at.shown().splitlines())) <= COLUMNS
    track = read_stimulus(tmp_path / "a.stimulus.csv")
    assert track.channels["step"].texts == ("bus_asleep", "between")
    assert track.channels["mark"].value.tolist() == [1.0, 0.0]
    assert "humming relay" in (tmp_path / "a.stimulus.csv").read_text()


@pytest.fixture
def proved(plan: Plan, tmp_path: Path) -> None:
    write_proof(tmp_path, plan, thoroughness="full")
    n = 3000
    small, payload = np.zeros(n, dtype=np.uint8), np.full((n, 8), 0x11, dtype=np.uint8)
    times = np.arange(n, dtype=np.int64) * 10_000_000
    write_capture(
        Capture(times, np.full(n, 0x100, dtype=np.uint32), small, small, small + 8, payload), tmp_path / "donor.log"
    )


def test_the_sentence_must_be_typed(terminal: Callable[..., Terminal], proved: None, until: Until) -> None:
    at = terminal("run", "plan.json", "--against", "donor.log", "--send")
    until(lambda: f'Type "{SENTENCE}"' in at.shown())
    assert "Torque and throttle requests" in at.shown()
    at.type("yes\n")
    assert at.ended() == 2
    assert "not acknowledged" in " ".join(at.shown().split())


def test_the_board_of_a_run(terminal: Callable[..., Terminal], proved: None, tmp_path: Path, until: Until) -> None:
    at = terminal("run", "--against", "donor.log", "--send", "--watch-first", "0", "--lag-limit-ms", "5000")
    until(lambda: f'Type "{SENTENCE}"' in at.shown())
    at.type(f"{SENTENCE}\n")
    until(lambda: "SENDING" in at.shown() and "Speed 1092" in at.shown())
    assert "donor.Speed" in at.shown()
    assert "state run" in at.shown()
    at.type("\x03")  # Ctrl-C at the keyboard
    assert at.ended() == 0
    assert "ended by: stopped" in at.shown()
    assert (tmp_path / "captures" / "black-box.log").exists()
