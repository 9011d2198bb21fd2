"""Prove room: what a translator must send, worked out from the bridge file and the maps, never from the plan.

The slow and obvious twin of the compiler and the translator together: it hears the same frames, steps the same filters
at the same moments, and says what the payload of each sent frame has to be. Times are microseconds modulo 2**32.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from swapbridge.bridge.bridge_file import BridgeFile, MessageOptions, SignalOptions
from swapbridge.core.integrity import Checksum, Counter
from swapbridge.core.layout import Layout
from swapbridge.prove.exact import Evaluator, Reading
from swapbridge.prove.exact_memory import MEMORIES
from swapbridge.prove.targets import Target
from swapbridge.signalmap import MapMessage, SignalMap

AGE_PERIODS = 5
SHORTEST_AGE_US = 50_000
LONGEST_AGE_US = 60_000_000
RECOVER_FRAMES = 3
LOST_OK = 3
HALF = 1 << 31
WRAP = 1 << 32


@dataclass(slots=True)
class _Feed:
    """Freshness of the signals that arrive together."""

    mux_values: tuple[int, ...]
    max_age_us: int
    first: int
    again: int
    good: int = 0
    fresh: bool = False
    seen: bool = False
    last: int = 0

    def latch(self, now: int) -> None:
        """Grow stale when the last good frame is too old."""
        if (self.fresh or self.good > 0) and (now - self.last) % WRAP > self.max_age_us:
            self.fresh, self.good = False, 0

    def take(self, now: int) -> None:
        """A good frame."""
        self.latch(now)
        self.last, self.good = now, min(self.good + 1, 255)
        if not self.fresh and self.good >= (self.again if self.seen else self.first):
            self.fresh = self.seen = True


@dataclass(slots=True)
class _Signal:
    """A source signal: where it is, its last raw value, its feed."""

    layout: Layout
    reading: Reading
    feed: _Feed


@dataclass(slots=True)
class _Received:
    """One message that is listened to."""

    message: MapMessage
    options: MessageOptions | None
    checksum: Checksum | None
    counter: tuple[Layout, Counter, int] | None
    feeds: dict[tuple[int, ...], _Feed] = field(default_factory=dict)
    signals: dict[str, _Signal] = field(default_factory=dict)
    needed: int = 0
    previous: int | None = None


class Reference:
    """The exact twin of one bridge.

    Parameters
    ----------
    bridge : BridgeFile
    maps : mapping of str to SignalMap
        By bus name.
    step_offset_us : int
        When the first step of filters comes after the first call (the language leaves it open; a plan says it).
    """

    def __init__(self, bridge: BridgeFile, maps: Mapping[str, SignalMap], step_offset_us: int = 0) -> None:
        self.bridge, self.maps, self._offset = bridge, maps, step_offset_us
        self.now = 0
        self._begun = False
        self._next_step = 0
        self._received: dict[tuple[str, str], _Received] = {}
        self._by_word: dict[tuple[int, int], _Received] = {}
        self._bus_numbers = {b.name: n for n, b in enumerate(bridge.buses)}
        self._bus_last = [0 for _ in bridge.buses]
        self._bus_awake = [False for _ in bridge.buses]
        self.evaluator = Evaluator(bridge, self, MEMORIES)
        self._touched: list[tuple[object, ...]] | None = None
        self.targets: dict[tuple[int, int], Target] = {}
        for rule in bridge.messages:
            if rule.copy_of is None:
                target = Target(self, rule)
                self.targets[target.bus_number, target.message.word] = target

    # --- what expressions see

    def reading(self, bus: str, message: str, signal: str) -> Reading:
        """A source signal; listened to from the first time it is asked for."""
        received = self._listen(bus, message)
        known = received.signals.get(signal) or self._new_signal(bus, received, signal)
        self._note("signal", known)
        reading = known.reading
        if reading.fresh != known.feed.fresh:
            known.reading = Reading(reading.signal, reading.options, reading.bus, reading.raw, known.feed.fresh)
        return known.reading

    def fresh(self, bus: str, message: str) -> bool:
        """Whether a message is fresh."""
        feed = self._feed(self._listen(bus, message), bus, ())
        self._note("feed", feed)
        return feed.fresh

    def age_us(self, bus: str, message: str, signal: str | None) -> int:
        """Time since the last good frame, or 2**31 - 1 when stale."""
        received = self._listen(bus, message)
        if signal is None:
            feed = self._feed(received, bus, ())
        else:
            self.reading(bus, message, signal)
            feed = received.signals[signal].feed
        self._note("time", None)
        return (self.now - feed.last) % WRAP if feed.fresh else HALF - 1

    def awake(self, bus: str) -> bool:
        """Whether a bus has traffic."""
        self._note("time", None)
        return self._bus_awake[self._bus_numbers[bus]]

    @property
    def state(self) -> int:
        """Number of the state; told by `follow_state`, since the state machine is judged by when frames are sent."""
        self._note("time", None)
        return self._state

    _state = 0

    def follow_state(self, state: int) -> None:
        """Take over the translator's state."""
        self._state = state

    def _note(self, kind: str, what: object) -> None:
        if self._touched is not None:
            self._touched.append((kind, what))

    def watch(self, call: Callable[[], object]) -> Callable[[], tuple[object, ...]] | None:
        """What a calculation depends on, as a call that gives it; None when it hangs on time or memory."""
        memories = len(self.evaluator.memories)
        used: list[tuple[object, ...]] = []
        outer, self._touched = self._touched, used
        before = self.evaluator.remembered
        call()
        self._touched = outer
        if len(self.evaluator.memories) != memories or self.evaluator.remembered != before:
            return None
        if any(kind == "time" for kind, _ in used):
            return None
        signals = list({id(w): w for k, w in used if k == "signal"}.values())
        feeds = list({id(w): w for k, w in used if k == "feed"}.values())

        def state() -> tuple[object, ...]:
            return (
                *((s.reading.raw, s.feed.fresh) for s in signals),  # type: ignore[attr-defined]
                *(f.fresh for f in feeds),  # type: ignore[attr-defined]
            )

        return state

    # --- receiving

    def _listen(self, bus: str, name: str) -> _Received:
        key = (bus, name)
        if key not in self._received:
            message = self.maps[bus].message(name)
            assert message is not None
            options = next((o for o in self.bridge.sources if o.message.text == f"{bus}.{name}"), None)
            verify = options.verify if options else True
            checksum = next((s.checksum for s in message.signals if s.checksum is not None), None) if verify else None
            counting = next((s for s in message.signals if s.counter is not None and not s.mux_values), None)
            counter = None
            if verify and counting is not None and counting.counter is not None:
                lost = LOST_OK if options is None or options.lost_ok is None else options.lost_ok
                cycle = counting.counter.high - counting.counter.low + 1
                counter = counting.layout, counting.counter, max(0, min(lost, cycle - 2))
            self._received[key] = _Received(message, options, checksum, counter)
            self._by_word[self._bus_numbers[bus], message.word] = self._received[key]
        return self._received[key]

    def _feed(self, received: _Received, bus: str, mux_values: tuple[int, ...]) -> _Feed:
        if mux_values not in received.feeds:
            options, message = received.options, received.message
            age = options.max_age_us if options else None
            if age is None:
                period = (options.period_us if options else None) or int((message.period_ms or 0) * 1000)
                age = min(max(AGE_PERIODS * period, SHORTEST_AGE_US), LONGEST_AGE_US)
            received.feeds[mux_values] = _Feed(
                mux_values,
                age,
                (options.first if options else None) or 1,
                (options.recover if options else None) or RECOVER_FRAMES,
            )
        return received.feeds[mux_values]

    def _new_signal(self, bus: str, received: _Received, name: str) -> _Signal:
        signal = received.message.signal(name)
        assert signal is not None
        own = received.options.signals.get(name) if received.options else None
        low, high = signal.layout.raw_range
        feed = self._feed(received, bus, tuple(sorted(signal.mux_values)))
        reading = Reading(signal, own or SignalOptions(), bus, min(max(0, low), high), False)
        known = received.signals[name] = _Signal(signal.layout, reading, feed)
        return known

    def _needed(self, received: _Received) -> int:
        """Fewest bytes of a usable frame."""
        if received.checksum is not None:
            return received.message.length
        layouts = [s.layout for s in received.signals.values()]
        if received.counter is not None:
            layouts.append(received.counter[0])
        multiplexer = received.message.multiplexer
        if multiplexer is not None and any(received.feeds):
            layouts.append(multiplexer.layout)
        return max((max(one.positions) // 8 + 1 for one in layouts), default=0)

    def _start(self, now: int) -> None:
        self.now = now
        if not self._begun:
            self._begun, self._next_step = True, (now + self._offset) % WRAP
            for received in self._received.values():
                received.needed = self._needed(received)

    def heard(self, bus: int, word: int, data: bytes, now: int) -> None:
        """A frame was received."""
        self._start(now)
        self._bus_last[bus], self._bus_awake[bus] = now, True
        received = self._by_word.get((bus, word))
        if received is None:
            return
        if not self._good(received, data):
            for feed in received.feeds.values():
                feed.good = 0
            return
        multiplexer = received.message.multiplexer
        page = None
        if multiplexer is not None and any(received.feeds):
            page = multiplexer.layout.unpack(data)
        for values, feed in received.feeds.items():
            if values and page not in values:
                continue
            feed.take(now)
            for known in received.signals.values():
                if known.feed is feed:
                    raw = known.layout.unpack(data)
                    if raw != known.reading.raw:
                        old = known.reading
                        known.reading = Reading(old.signal, old.options, old.bus, raw, old.fresh)

    def _good(self, received: _Received, data: bytes) -> bool:
        """Length, checksum and counter as they should be."""
        if len(data) < received.needed:
            return False
        if received.checksum is not None and not received.checksum.holds(data):
            return False
        if received.counter is None:
            return True
        layout, counter, lost_ok = received.counter
        value, previous = layout.unpack(data), received.previous
        if not counter.low <= value <= counter.high:
            return False
        received.previous = value
        if previous is None:
            return True
        return any(counter.after(previous, frames) == value for frames in range(1, lost_ok + 2))

    def polled(self, now: int) -> None:
        """`poll` was called: things grow stale, and filters step when due."""
        self._start(now)
        for received in self._received.values():
            for feed in received.feeds.values():
                feed.latch(now)
        for number, bus in enumerate(self.bridge.buses):
            silent = self.bridge.states.silent_us if bus.name else 0
            if self._bus_awake[number] and (now - self._bus_last[number]) % WRAP > silent:
                self._bus_awake[number] = False
        if (now - self._next_step) % WRAP < HALF:
            self.evaluator.step()
            for target in self.targets.values():
                target.step()
            self._next_step = (self._next_step + self.bridge.step_us) % WRAP
            late = (now - self._next_step) % WRAP
            if 16 * self.bridge.step_us <= late < HALF:
                self._next_step = (now + self.bridge.step_us) % WRAP

    def expect(self, bus: int, word: int) -> bytes | None:
        """Payload of a frame that is sent now; None when the bridge does not say (passed frames, scan-tool answers).

        Moves the message's counter and multiplexer on, so it is asked once for each frame sent.
        """
        target = self.targets.get((bus, word))
        return None if target is None else target.next_payload()
