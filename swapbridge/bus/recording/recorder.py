"""Bus room: the recorder: several buses, one clock, frames and marks to disk at most half a second after they came.

A thread a bus receives, one thread writes; a slow disk never holds up receiving. What could not be kept is counted.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from operator import itemgetter
from pathlib import Path

from swapbridge.bus.adapters.clock import AdapterClock, OneClock, monotonic_ns, start_clock
from swapbridge.bus.adapters.health import Health, HealthMeter
from swapbridge.bus.adapters.link import Link
from swapbridge.bus.adapters.opening import link_drops, open_bus
from swapbridge.bus.adapters.spec import BusSpec, check_distinct
from swapbridge.bus.recording.script import ScriptMark
from swapbridge.bus.recording.segments import DiskFullError, Segments, frame_line, stall_line
from swapbridge.capture.python_can import can
from swapbridge.core.progress import Announce

WRITE_EVERY_S = 0.2
"""Seconds between two writes: with the time that forcing to disk takes, well inside half a second."""
SETTLE_NS = 30_000_000
"""Frames younger than this wait for the next write, so that buses are merged in the order of time."""
MOST_WAITING = 500_000
"""Frames held in memory while the disk is slow (30 s of two full 1 Mbit/s buses); more are lost and counted."""
HEARTBEAT_S = 0.02
STALL_NS = 150_000_000
"""A program that could not run for so long stamped its frames late."""
SEGMENT_BYTES = 512 * 1024 * 1024

_Waiting = tuple[int, int, can.Message, bool]


@dataclass(frozen=True, slots=True)
class BusReport:
    """What one bus gave during a recording.

    Attributes
    ----------
    frames, errors : int
        Data and remote frames; error frames.
    lost : int
        Frames known to be missing: thrown away by kernel or adapter, or by this program while the disk was slow.
    malformed : int
        Pieces of data from the adapter that were no frames.
    clock_steps : int
        How often the adapter's clock was set anew.
    reopened : int
        How often the adapter was gone and came back.
    """

    frames: int
    errors: int
    lost: int
    malformed: int
    clock_steps: int
    reopened: int


@dataclass(frozen=True, slots=True)
class RecordReport:
    """The outcome of a recording."""

    files: tuple[Path, ...]
    stimulus_file: Path | None
    seconds: float
    buses: Mapping[str, BusReport]
    ended_by: str
    announced: tuple[str, ...] = ()

    @property
    def lost(self) -> int:
        """Frames known to be missing on all buses."""
        return sum(bus.lost for bus in self.buses.values())


@dataclass(slots=True)
class _RecordedBus:
    spec: BusSpec
    link: Link
    clock: AdapterClock
    meter: HealthMeter
    lost: int = 0
    adapter_before: int = 0
    listeners: list[Callable[[can.Message, int], None]] = field(default_factory=list)


class Recorder:
    """Records until stopped.

    Parameters
    ----------
    specs : iterable of BusSpec
        Which buses.
    out : Path
        First file; see `Segments`.
    active : bool
        Whether the buses may be opened so that they can send.
    sending : bool
        Whether something (a scan tool) will send.
    segment_bytes : int
        Size at which the next file begins.
    announce : callable
        Gets sentences for the person.

    Raises
    ------
    RefusedError, BusError, InputError
        As `open_bus` does; and when the place can't be written.
    """

    def __init__(
        self,
        specs: tuple[BusSpec, ...],
        out: Path,
        *,
        active: bool = False,
        sending: bool = False,
        segment_bytes: int = SEGMENT_BYTES,
        announce: Announce | None = None,
    ) -> None:
        self.clock: OneClock = start_clock()
        self.announced: list[str] = []
        self.disk_full = False
        self._announce_outside = announce
        self._waiting: deque[_Waiting] = deque()
        self._marks: deque[ScriptMark] = deque()
        self._stalls: deque[tuple[int, int]] = deque()
        self._stood: list[int] = []
        self._stop = threading.Event()
        self._started_ns = monotonic_ns()
        self._last_ns = 0
        self._channels = [self._channel(i, spec, active, sending) for i, spec in enumerate(check_distinct(specs))]
        opened: list[_RecordedBus] = []
        try:
            for channel in self._channels:
                channel.link.start()
                opened.append(channel)
            self._segments = Segments(out, segment_bytes)
        except BaseException:
            for channel in opened:
                channel.link.stop()
            raise
        self._writer = threading.Thread(target=self._writing, name="recorder writes", daemon=True)
        self._writer.start()
        threading.Thread(target=self._watching, name="recorder heart", daemon=True).start()

    def _channel(self, index: int, spec: BusSpec, active: bool, sending: bool) -> _RecordedBus:
        def receive(message: can.Message, arrival_ns: int) -> None:
            channel = self._channels[index]
            when = channel.clock.stamp(round(message.timestamp * 1e9), arrival_ns)
            channel.meter.feed(message, arrival_ns)
            if sending and channel.link.is_echo(message):
                return  # kept when it was sent
            self._keep(channel, index, when, message, False)  # python-can marks all frames of this host as sent
            for listener in channel.listeners:
                listener(message, arrival_ns)

        def sent(message: can.Message, now_ns: int) -> None:
            self._keep(self._channels[index], index, now_ns, message, True)

        link = Link(spec.name, lambda: open_bus(spec, active=active), receive, self.announce, sending=sending)
        link.on_sent = sent
        data_bitrate = spec.options.get("data_bitrate", 0)
        meter = HealthMeter(spec.bitrate, int(data_bitrate) if isinstance(data_bitrate, int) else 0)
        return _RecordedBus(spec, link, AdapterClock(), meter, adapter_before=link_drops(spec) or 0)

    def _keep(self, channel: _RecordedBus, index: int, when_ns: int, message: can.Message, sent: bool) -> None:
        if len(self._waiting) >= MOST_WAITING or self.disk_full:
            channel.lost += 1
            return
        self._waiting.append((when_ns, index, message, sent))

    def announce(self, words: str) -> None:
        """Keep a sentence for the report and hand it on."""
        self.announced.append(words)
        if self._announce_outside is not None:
            self._announce_outside(words)

    def mark(self, marks: list[ScriptMark]) -> None:
        """Put marks (on the one clock) into the stimulus track."""
        self._marks.extend(marks)

    def link(self, name: str) -> Link:
        """The link of a bus, to send through."""
        return self._find(name).link

    def listen(self, name: str, listener: Callable[[can.Message, int], None]) -> None:
        """Also hand a bus's frames, with their arrival on the monotonic clock, to this function (it must not block)."""
        self._find(name).listeners.append(listener)

    def _find(self, name: str) -> _RecordedBus:
        return next(channel for channel in self._channels if channel.spec.name == name)

    @property
    def seconds(self) -> float:
        """How long the recording has run."""
        return (monotonic_ns() - self._started_ns) / 1e9

    @property
    def files(self) -> tuple[Path, ...]:
        """Segments begun so far."""
        return tuple(self._segments.paths)

    def health(self) -> dict[str, Health]:
        """The first look at every bus."""
        now = monotonic_ns()
        return {channel.spec.name: channel.meter.report(now) for channel in self._channels}

    def reports(self) -> dict[str, BusReport]:
        """Counts of every bus so far."""
        return {channel.spec.name: self._report(channel) for channel in self._channels}

    def _report(self, channel: _RecordedBus) -> BusReport:
        counts = channel.link.counts
        channel.link.count_drops()
        adapter = max(0, (link_drops(channel.spec) or 0) - channel.adapter_before)
        return BusReport(
            channel.meter.frames,
            channel.meter.errors,
            channel.lost + counts.kernel_drops + adapter,
            counts.malformed,
            channel.clock.steps,
            counts.reopened,
        )

    def stop(self, ended_by: str = "stopped") -> RecordReport:
        """Close the buses, write what is left, and say how it went."""
        for channel in self._channels:
            channel.link.stop()
        self._stop.set()
        self._writer.join()
        self._segments.close()
        if self._stood:
            self.announce(
                f"the recorder stalled {len(self._stood)} times, for {max(self._stood) / 1e6:.0f} ms at most: if the "
                "adapter has no clock, frames of those moments have late time stamps; the log marks them"
            )
        return RecordReport(
            tuple(self._segments.paths),
            self._segments.stimulus_path,
            self.seconds,
            self.reports(),
            "disk full" if self.disk_full else ended_by,
            tuple(self.announced),
        )

    def _writing(self) -> None:
        try:
            while not self._stop.wait(WRITE_EVERY_S):
                self._write(monotonic_ns() - SETTLE_NS)
            self._write(2**63)
        except DiskFullError as error:
            self.disk_full = True
            self.announce(
                f"the disk is full and recording stopped; {error} is complete to its last line: make room, record again"
            )
        except OSError as error:
            self.disk_full = True
            self.announce(f"the disk failed ({error}): recording stopped; what was written before can be read")
        if self.disk_full:
            for channel in self._channels:
                channel.lost += sum(1 for entry in self._waiting if self._channels[entry[1]] is channel)
            self._waiting.clear()

    def _watching(self) -> None:
        """A heart that beats beside receiving: when it was held up, so was everything, and stamps are late."""
        last = monotonic_ns()
        while not self._stop.wait(HEARTBEAT_S):
            now = monotonic_ns()
            if now - last > STALL_NS:
                self._stalls.append((now, now - last))
                self._stood.append(now - last)
            last = now

    def _taken_stalls(self) -> list[tuple[int, int]]:
        out = []
        while self._stalls:
            out.append(self._stalls.popleft())
        return out

    def _write(self, until_ns: int) -> None:
        batch = []
        for _ in range(len(self._waiting)):
            batch.append(self._waiting.popleft())
        if batch:
            batch.sort(key=itemgetter(0))
            ready = len(batch)
            while ready and batch[ready - 1][0] > until_ns:
                ready -= 1
            self._waiting.extendleft(reversed(batch[ready:]))
            offset = self.clock.offset_ns
            lines = [stall_line(when + offset, stood) for when, stood in self._taken_stalls()]
            marked = len(lines)
            for when, index, message, sent in batch[:ready]:
                self._last_ns = max(self._last_ns, when)
                lines.append(frame_line(self._last_ns + offset, self._channels[index].spec.name, message, sent))
            try:
                self._segments.write(lines)
            except (DiskFullError, OSError) as error:
                kept = error.kept - marked if isinstance(error, DiskFullError) else 0
                for _, index, _, _ in batch[max(0, kept) : ready]:
                    self._channels[index].lost += 1
                raise
        marks = []
        for _ in range(len(self._marks)):
            marks.append(self._marks.popleft())
        self._segments.write_marks(sorted(marks, key=lambda mark: mark.time_ns))
