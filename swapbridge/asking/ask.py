"""Asking room: one bus asked from beginning to end, live: `ask`.

The bus is held for ourselves while it is asked, so that it is refused while a translator runs there.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Literal

import numpy as np

from swapbridge.asking.allowed import is_diagnostic
from swapbridge.asking.heavy import Heavy, is_heavy
from swapbridge.asking.interview import Interview
from swapbridge.asking.module_answers import Answers
from swapbridge.asking.session import AskingSession, Script, SpeedOf
from swapbridge.bus.adapters.can_messages import message_of, word_of
from swapbridge.bus.adapters.clock import monotonic_ns
from swapbridge.bus.adapters.lock import locked
from swapbridge.bus.adapters.opening import open_buses
from swapbridge.bus.adapters.spec import BusSpec
from swapbridge.capture.capture import Capture
from swapbridge.capture.python_can import can
from swapbridge.core import obd
from swapbridge.core.errors import BusError, InputError, RefusedError
from swapbridge.core.identifier_words import format_identifier, split_word

Protocol = Literal["auto", "obd", "j1939"]
POLL_S = 0.002


@dataclass(frozen=True, slots=True)
class Questions:
    """What is to be asked.

    Attributes
    ----------
    protocol : {"auto", "obd", "j1939"}
        ISO 15765-4, SAE J1939, or what the bus is heard to speak.
    addresses : dict of int to int
        Answering word to request word, beyond those of ISO 15765-4.
    forbidden : frozenset of int
        Words heard as traffic in recordings.
    names : dict of str to str
        Names by the identifier that a module answers under, or its J1939 address, as they are shown, in capitals.
    texts : dict of str to str
        A user's table of texts by code.
    speed_of : callable or None
        Reads the vehicle's speed from its own traffic.
    """

    protocol: Protocol = "auto"
    addresses: dict[int, int] = field(default_factory=dict)
    forbidden: frozenset[int] = frozenset()
    names: dict[str, str] = field(default_factory=dict)
    texts: dict[str, str] = field(default_factory=dict)
    speed_of: SpeedOf | None = None

    def __post_init__(self) -> None:
        for answer, request in self.addresses.items():
            for word in (request, answer):
                if word in self.forbidden:
                    name = format_identifier(*split_word(word))
                    raise RefusedError(
                        f"{name} carries the vehicle's own traffic in a recording, so it can't be a module's "
                        "diagnostic address: look up the right one, or leave this one out"
                    )
            if split_word(answer)[1] != split_word(request)[1] or answer == request:
                raise InputError("write an address as REQUEST:ANSWER, both with 11 bits or both with 29, like 7A0:7A8")


class Asking:
    """Questions to one bus, as a session and what becomes of it; `AskingSession` has the rules."""

    def __init__(self, questions: Questions) -> None:
        self._questions = questions
        self._interview = Interview(questions.texts, questions.names)
        self._heavy = Heavy(questions.names)
        self.session = AskingSession(self._script, dict(questions.addresses), questions.forbidden, questions.speed_of)

    def answers(self, bus: str, when: str) -> Answers:
        """What was said so far."""
        session = self.session
        modules = (*self._interview.modules(session), *self._heavy.modules(session))
        notes = list(session.notes)
        if session.ended_by == "done" and modules:
            if session.speed_kmh is None:
                notes.append("no vehicle speed was heard, so it was not checked that the vehicle stood still")
            if not self._questions.forbidden:
                notes.append(
                    "no recording of this bus was given: only identifiers heard just before were left alone "
                    "as the vehicle's own traffic"
                )
        if not modules and session.ended_by == "done":
            notes.append(
                "no module answered: is the ignition on, is this the diagnostic socket's bus, is the bit rate right?"
            )
        return Answers(bus, when, modules, session.ended_by, tuple(notes))

    def _script(self, session: AskingSession) -> Script:
        yield from self._heavy.listen(session)
        heavy = self._questions.protocol == "j1939" or (self._questions.protocol == "auto" and is_heavy(session))
        if heavy:
            yield from self._heavy.script(session)
        if not heavy or self._questions.addresses:
            yield from self._interview.script(session)


def heard_words(captures: Iterable[Capture]) -> frozenset[int]:
    """Identifier words that recordings heard as traffic.

    A scan tool's own questions and answers are not traffic: an identifier of ISO 15765-4 counts only where a frame
    under it can't be one of those.
    """
    out: set[int] = set()
    for capture in captures:
        words = capture.words
        for word in np.unique(words).tolist():
            if not (is_diagnostic(word) or obd.is_answer(*split_word(word))):
                out.add(word)
                continue
            rows = capture.select(words == word)
            lengths, first = rows.length, rows.payload[:, 0]
            kind, low = first >> 4, first & 15
            odd = (lengths == 0) | (kind > 3) | ((kind == 0) & ((low == 0) | (low >= np.maximum(lengths, 1))))
            if bool(odd.any()):
                out.add(word)
    return frozenset(out)


def ask(
    spec: BusSpec,
    questions: Questions,
    *,
    show: Callable[[Answers], None] | None = None,
    stop: Callable[[], bool] = lambda: False,
) -> Answers:
    """Ask the modules of one bus what they have to say.

    Parameters
    ----------
    spec : BusSpec
    questions : Questions
    show : callable, optional
        Gets what is known so far, about twice a second.
    stop : callable
        Ends asking early when it says so.

    Returns
    -------
    Answers
        What each module answered, with remarks, and how asking ended.

    Raises
    ------
    RefusedError
        Another program of ours uses the bus.
    BusError
        The adapter can't be opened, or was lost.
    """
    asking = Asking(questions)
    session = asking.session
    when = datetime.now(UTC).astimezone().isoformat(timespec="seconds")
    shown = 0.0
    with locked([spec]), open_buses([spec], active=True) as buses:
        bus = buses[spec.name]
        while not session.ended_by:
            if stop():
                session.end("stopped by the user")
                break
            try:
                _turn(bus, session)
            except (can.CanError, OSError) as error:
                raise BusError(f"bus {spec.name} was lost while asking ({error}): check the adapter") from None
            if show is not None and time.monotonic() - shown > 0.5:
                shown = time.monotonic()
                show(asking.answers(spec.name, when))
    return asking.answers(spec.name, when)


def _turn(bus: can.BusABC, session: AskingSession) -> None:
    frame = session.poll(monotonic_ns())
    if frame is not None:
        bus.send(message_of(*frame), timeout=0.1)
        return
    message = bus.recv(POLL_S)
    if message is not None and not message.is_error_frame and not message.is_remote_frame:
        session.on_frame(word_of(message), bytes(message.data), monotonic_ns())
