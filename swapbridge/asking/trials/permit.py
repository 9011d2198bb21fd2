"""Asking room: what a trial may send, and the gate that every frame of a trial passes: a pure state machine.

Only messages that a person named, of a module of a known and harmless kind, with payloads that a recording heard; only
while nobody else sends them; only while a person gives signs of life. Nothing is ever handed to cyclic sending of an
adapter or the kernel, so a program that dies sends nothing more.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from swapbridge.capture.capture import Capture
from swapbridge.core import obd
from swapbridge.core.errors import RefusedError
from swapbridge.core.identifier_words import format_identifier, split_word
from swapbridge.core.roles import find_role
from swapbridge.signalmap.signal_map import MapMessage, MapSignal, SignalMap

S = 1_000_000_000
SILENT_NS = 2 * S
"""How long an identifier must have been silent before a trial sends it."""
ALIVE_NS = 1 * S
"""How long sending goes on after the last sign of life."""
EARLIEST = 0.8
"""A frame may come this share of its period after the one before it."""
HARMLESS = frozenset({"engine", "transmission", "cluster", "climate", "body", "gateway", "charging"})
"""Kinds of modules whose messages a trial may send: not steering, braking, restraint, diagnostics or unknown ones."""
_NEVER = frozenset({"steering", "braking", "restraint", "crash", "immobiliser"})


@dataclass(frozen=True, slots=True)
class Sendable:
    """One message of a trial.

    Attributes
    ----------
    message : MapMessage
    period_ns : int
    payloads : tuple of bytes
        As the recording heard them, in its order.
    made : bytes
        Mask of bits that are made afresh: the counter's and the checksum's, where the map knows them.
    """

    message: MapMessage
    period_ns: int
    payloads: tuple[bytes, ...]
    made: bytes = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        mask = bytearray(self.message.length)
        for signal in self.makes:
            for position in signal.layout.positions:
                mask[position >> 3] |= 1 << (position & 7)
        object.__setattr__(self, "made", bytes(mask))

    @property
    def word(self) -> int:
        return self.message.word

    @property
    def makes(self) -> tuple[MapSignal, ...]:
        """Counters, then checksums, that are made afresh: those in every frame of the message."""
        whole = [s for s in self.message.signals if s.mux_signal is None and s.layout.fits(self.message.length)]
        return (*(s for s in whole if s.counter is not None), *(s for s in whole if s.checksum is not None))

    def heard(self, data: bytes) -> bytes:
        """The bits of a payload that must have been heard: all except counter and checksum."""
        made = int.from_bytes(self.made[: len(data)].ljust(len(data), b"\0"), "big")
        return (int.from_bytes(data, "big") & ~made).to_bytes(len(data), "big")


def sendable(capture: Capture, signal_map: SignalMap, words: Iterable[int]) -> tuple[Sendable, ...]:
    """The messages that a person named, as a trial may send them.

    Raises
    ------
    RefusedError
        One of them must not be sent in a trial: which, and why.
    """
    every = capture.words
    out = []
    for word in dict.fromkeys(words):
        name = format_identifier(*split_word(word))
        message = signal_map.by_word(word)
        if message is None:
            raise RefusedError(f"{name} is in no map: an unknown message is never sent in a trial")
        _check_harmless(signal_map, message, name)
        rows = np.flatnonzero((every == word) & (capture.length == message.length))
        if len(rows) < 2:
            raise RefusedError(f"{name} is not in the recording: only recorded messages are sent")
        payloads = tuple(capture.payload[row, : message.length].tobytes() for row in rows.tolist())
        period = message.period_ms
        heard = float(np.median(np.diff(capture.time_ns[rows])))
        out.append(Sendable(message, round(period * 1_000_000) if period else round(heard), payloads))
    return tuple(out)


def _check_harmless(signal_map: SignalMap, message: MapMessage, name: str) -> None:
    identifier, extended = split_word(message.word)
    use = obd.diagnostic_use(identifier, extended)
    if use:
        raise RefusedError(f"{name} is for diagnostics ({use}): never sent in a trial")
    kinds = signal_map.sender_kinds(message)
    if not kinds or not kinds <= HARMLESS:
        what = ", ".join(sorted(kinds - HARMLESS)) or "unknown"
        raise RefusedError(
            f"{name} is sent by a module of kind {what}: a trial sends no messages of steering, brakes, restraints, "
            "diagnostics or unknown modules. If the map is wrong, set its sender and kind with `swapbridge map set`"
        )
    for signal in message.signals:
        danger = find_role(signal.role).hazard if signal.role else ""
        if danger in _NEVER or signal.authenticated:
            raise RefusedError(f"{name} carries {signal.name} ({danger or 'authenticated'}): never sent in a trial")


@dataclass(slots=True)
class TrialGate:
    """Judges every frame just before it is sent.

    Parameters
    ----------
    plan : tuple of Sendable
    listen_ns : int
        How long is listened before anything goes out.
    expected : frozenset of int or None
        Words that may be heard: on a table, the module's own. Any other shuts the gate; None lets all be heard.

    Attributes
    ----------
    shut : str
        Why nothing goes out any more, or "".
    """

    plan: tuple[Sendable, ...]
    listen_ns: int = SILENT_NS
    expected: frozenset[int] | None = None
    shut: str = ""
    _began_ns: int | None = None
    _life_ns: int | None = None
    _last: dict[int, int] = field(default_factory=dict)
    _allowed: dict[int, frozenset[bytes]] = field(default_factory=dict)
    _known: dict[int, Sendable] = field(default_factory=dict)
    _own: list[tuple[int, bytes]] = field(default_factory=list)

    def __post_init__(self) -> None:
        for one in self.plan:
            self._known[one.word] = one
            self._allowed[one.word] = frozenset(one.heard(data) for data in one.payloads)

    def begin(self, now_ns: int) -> None:
        """Listening begins; nothing is sent before it is over."""
        self._began_ns = now_ns

    def life(self, now_ns: int) -> None:
        """A person pressed a key."""
        self._life_ns = now_ns

    def alive(self, now_ns: int) -> bool:
        """Whether the last sign of life is young enough."""
        return self._life_ns is not None and 0 <= now_ns - self._life_ns <= ALIVE_NS

    def heard(self, word: int, data: bytes, now_ns: int) -> None:
        """A frame came from the bus: one of ours from elsewhere shuts the gate for good."""
        if (word, data) in self._own:  # given back by the adapter
            self._own.remove((word, data))
            return
        if word not in self._known:
            if self.expected is not None and word not in self.expected:
                name = format_identifier(*split_word(word))
                self.shut = self.shut or (
                    f"{name} is on the bus, and the map does not name the module as its sender: this trial is for one "
                    "module alone on a table. Disconnect the others, or correct the map"
                )
            return
        name = format_identifier(*split_word(word))
        self.shut = self.shut or f"{name} is sent by a module on the bus: unplug it, or leave that message out"

    def asked(self, word: int, data: bytes) -> None:
        """A question to the module goes out, which the adapter may give back."""
        self._own = [*self._own[-15:], (word, data)]

    def decide(self, word: int, data: bytes, now_ns: int) -> str:
        """Why a frame may not be sent now; "" when it may, which is then counted as sent."""
        one = self._known.get(word)
        if one is None or len(data) != one.message.length or one.heard(data) not in self._allowed[word]:
            self.shut = self.shut or "a frame outside the plan of this trial was about to be sent"
        if self.shut:
            return self.shut
        assert one is not None
        if self._began_ns is None or now_ns - self._began_ns < self.listen_ns:
            return "listening first"
        if not self.alive(now_ns):
            return "no sign of life"
        last = self._last.get(word)
        if last is not None and now_ns - last < EARLIEST * one.period_ns:
            return "too early"
        self._last[word] = now_ns
        self.asked(word, data)
        return ""
