"""Bus room: the first look at a bus: frames a second, load, errors, identifiers, and the usual reasons for trouble.

A pure meter: it takes frames and is asked for a report with `now`; it reads no clock. Thresholds are common practice,
no source.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from swapbridge.bus.adapters.can_messages import word_of
from swapbridge.capture.python_can import can
from swapbridge.core.can_bits import FD_LENGTHS, frame_bits
from swapbridge.core.identifier_words import format_identifier, split_word

WINDOW_NS = 1_000_000_000
SAMPLES = 64
"""Frames a window whose exact length on the wire is computed; the others are taken to be alike."""
NOBODY_ACKNOWLEDGES_LOAD = 0.7
NOBODY_ACKNOWLEDGES_SHARE = 0.95

NO_TRAFFIC = (
    "no traffic: check the ignition, that this is the right pair of wires, and 60 ohm between them with the power off"
)
ONLY_ERRORS = (
    "error frames and nothing else: the bit rate is wrong, the wires are swapped, or only one terminator is left"
)
ONE_FRAME = "one frame repeating at full load: no node acknowledges it (a lone computer and a listen-only adapter)"


@dataclass(frozen=True, slots=True)
class Health:
    """What a bus looked like during the last second or so.

    Attributes
    ----------
    frames_per_s : float
    load : float or None
        Share of the bit rate in use, 0 to 1; None when no bit rate is stated.
    errors_per_s : float
        Error frames that the adapter reported.
    identifiers : int
        Different identifiers seen since the start.
    warning : str
        What is likely wrong and what to check; empty when nothing is.
    """

    frames_per_s: float
    load: float | None
    errors_per_s: float
    identifiers: int
    warning: str

    def line(self) -> str:
        """One line for a narrow terminal."""
        load = f"{100 * self.load:.0f} % load" if self.load is not None else "load ? (state bitrate=)"
        errors = f", {self.errors_per_s:,.0f} errors/s" if self.errors_per_s else ""
        return f"{self.frames_per_s:,.0f} frames/s, {load}, {self.identifiers} ids{errors}"


@dataclass(slots=True)
class HealthMeter:
    """Counts frames of one bus.

    Parameters
    ----------
    bitrate : int
        Bits per second, 0 when unknown.
    data_bitrate : int
        Second rate of CAN FD, 0 when there is none.
    """

    bitrate: int = 0
    data_bitrate: int = 0
    frames: int = 0
    errors: int = 0
    words: set[int] = field(default_factory=set)
    _window_start: int | None = None
    _count: int = 0
    _errors: int = 0
    _sampled: int = 0
    _seconds_sampled: float = 0.0
    _same: int = 0
    _previous: tuple[int, bytes] | None = None
    _last: Health | None = None

    def feed(self, message: can.Message, now_ns: int) -> None:
        """Count one frame that was seen at `now_ns`."""
        if self._window_start is None:
            self._window_start = now_ns
        if message.is_error_frame:
            self.errors += 1
            self._errors += 1
            return
        self.frames += 1
        self._count += 1
        word = word_of(message)
        self.words.add(word)
        if self._sampled < SAMPLES:
            self._sampled += 1
            self._seconds_sampled += self._duration(message)
        this = (word, bytes(message.data))
        self._same += this == self._previous
        self._previous = this

    def report(self, now_ns: int) -> Health:
        """How the bus is doing; a new window begins when the old one is a second old."""
        if self._window_start is None:
            self._window_start = now_ns
        seconds = (now_ns - self._window_start) / 1e9
        if self._last is not None and seconds < WINDOW_NS / 1e9:
            return self._last
        seconds = max(seconds, 1e-9)
        load = None
        if self.bitrate:
            busy = self._count * self._seconds_sampled / self._sampled if self._sampled else 0.0
            load = min(1.0, busy / seconds)
        health = Health(self._count / seconds, load, self._errors / seconds, len(self.words), self._warning(load))
        if seconds >= WINDOW_NS / 1e9:
            self._window_start = now_ns
            self._count = self._errors = self._sampled = self._same = 0
            self._seconds_sampled = 0.0
            self._last = health
        return health

    def _warning(self, load: float | None) -> str:
        if not self._count and not self._errors:
            return NO_TRAFFIC
        if not self._count:
            return ONLY_ERRORS
        full = load is not None and load > NOBODY_ACKNOWLEDGES_LOAD
        if full and self._same > NOBODY_ACKNOWLEDGES_SHARE * self._count and self._previous is not None:
            word = self._previous[0]
            name = format_identifier(*split_word(word))
            return f"{name}: {ONE_FRAME}"
        return ""

    def _duration(self, message: can.Message) -> float:
        data = bytes(message.data)
        if message.is_fd and len(data) not in FD_LENGTHS:
            return 0.0
        slow, fast = frame_bits(
            message.arbitration_id,
            message.is_extended_id,
            data if message.is_fd else data[:8],
            fd=message.is_fd,
            bit_rate_switch=message.bitrate_switch,
            remote=message.is_remote_frame,
        )
        rate = self.bitrate or 500_000
        return slow / rate + fast / (self.data_bitrate or rate)
