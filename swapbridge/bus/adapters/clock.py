"""Bus room: one clock for all buses. Adapters stamp frames on clocks of their own; these lines bring them together.

The one clock is the computer's monotonic clock, shown as seconds since 1970 by one reading of the wall clock at the
start, so a wall clock that is set during a recording (a phone's network, a time server) moves nothing.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass, field

WINDOW_NS = 5_000_000_000
"""How long the best estimate of an adapter's offset is trusted before a newer one replaces it."""
JUMP_NS = 250_000_000
"""An adapter's stamp that lies this far from its arrival belongs to a clock that was set anew."""

monotonic_ns = time.perf_counter_ns if sys.platform == "win32" else time.monotonic_ns
"""The computer's monotonic clock. On Windows `time.monotonic_ns` counts ticks of 15.6 ms before Python 3.13 (its
documentation, `time.get_clock_info`), and a message of 10 ms would come in bursts; elsewhere both are one clock."""


@dataclass(frozen=True, slots=True)
class OneClock:
    """The monotonic clock, shown as nanoseconds since 1970.

    Attributes
    ----------
    offset_ns : int
        Added to `monotonic_ns()`.
    """

    offset_ns: int

    def at(self, monotonic_ns: int) -> int:
        """Nanoseconds since 1970 on the one clock."""
        return monotonic_ns + self.offset_ns

    def now(self) -> int:
        """The one clock's present reading."""
        return monotonic_ns() + self.offset_ns


def start_clock() -> OneClock:
    """The one clock, set to the wall clock now."""
    return OneClock(time.time_ns() - monotonic_ns())


@dataclass(slots=True)
class AdapterClock:
    """Brings one adapter's stamps onto the monotonic clock.

    A frame can't arrive before it was stamped, so the smallest difference between arrival and stamp seen lately is the
    best guess at the offset between the clocks: it belongs to the frame that was held up least. It is renewed every
    few seconds, which follows a crystal's drift (100 ppm is 0.5 ms in 5 s).

    Attributes
    ----------
    steps : int
        How often the adapter's clock was found to have been set anew.
    """

    steps: int = 0
    _offset: int | None = None
    _next_offset: int | None = None
    _window_end: int = 0
    _last: int = field(default=-(2**63))

    def stamp(self, adapter_ns: int, arrival_ns: int) -> int:
        """Monotonic nanoseconds at which the frame was on the bus.

        Parameters
        ----------
        adapter_ns : int
            The adapter's stamp on its own clock; 0 when it gives none.
        arrival_ns : int
            When the frame reached this program, on the monotonic clock.
        """
        if adapter_ns <= 0:
            return self._rising(arrival_ns)
        difference = arrival_ns - adapter_ns
        if self._offset is None or difference < self._offset - JUMP_NS or difference > self._offset + JUMP_NS:
            self.steps += self._offset is not None
            self._offset = difference
            self._next_offset, self._window_end = None, arrival_ns + WINDOW_NS
        if self._next_offset is None or difference < self._next_offset:
            self._next_offset = difference
        self._offset = min(self._offset, difference)
        if arrival_ns >= self._window_end:
            self._offset, self._next_offset = self._next_offset, None
            self._window_end = arrival_ns + WINDOW_NS
        return self._rising(adapter_ns + self._offset)

    def _rising(self, value: int) -> int:
        self._last = max(self._last, value)
        return self._last
