"""Proving room: what the reference knows of the messages it hears: freshness, raw values, and who depends on them."""

from __future__ import annotations

from dataclasses import dataclass, field

from swapbridge.core.integrity import Checksum, Counter
from swapbridge.core.j1939 import NamePattern
from swapbridge.core.layout import Layout
from swapbridge.language.bridge_file import MessageOptions, SignalOptions
from swapbridge.proving.reference.exact_values import Reading
from swapbridge.signalmap.signal_map import MapMessage, MapSignal

WRAP = 1 << 32


@dataclass(slots=True, eq=False)
class Inputs:
    """What a calculation reads: it is worked out again only after one of these moved."""

    signals: tuple[ReferenceSource, ...] = ()
    feeds: tuple[FeedFreshness, ...] = ()
    others: tuple[Circumstance, ...] = ()
    moves: int = 0
    """How often one of them changed, or became fresh or stale."""

    def listen(self) -> Inputs:
        """Be told of every move from now on."""
        for signal in self.signals:
            signal.readers.append(self)
        for feed in {id(f): f for f in (*self.feeds, *(s.feed for s in self.signals))}.values():
            feed.readers.append(self)
        for other in self.others:
            other.readers.append(self)
        return self

    def key(self) -> tuple[object, ...]:
        """The same for the same result."""
        return (
            *[(s.raw, s.feed.fresh) for s in self.signals],
            *[f.fresh for f in self.feeds],
            *[o.value for o in self.others],
        )


@dataclass(slots=True, eq=False)
class Circumstance:
    """What an expression may ask for beside signals: the state, or whether a bus has traffic."""

    value: int
    readers: list[Inputs] = field(default_factory=list)

    def becomes(self, value: int) -> bool:
        """It is this now; whether it was not before."""
        if value == self.value:
            return False
        self.value = value
        for reader in self.readers:
            reader.moves += 1
        return True


@dataclass(slots=True, eq=False)
class FeedFreshness:
    """Freshness of the signals that arrive together."""

    mux_values: tuple[int, ...]
    max_age_us: int
    first: int
    again: int
    good: int = 0
    fresh: bool = False
    seen: bool = False
    last: int = 0
    bits: int | None = None
    """Its last good payload as one number, the first byte lowest."""
    readers: list[Inputs] = field(default_factory=list)

    def latch(self, now: int) -> None:
        """Grow stale when the last good frame is too old."""
        if (self.fresh or self.good > 0) and (now - self.last) % WRAP > self.max_age_us:
            self.fresh, self.good = False, 0
            self._wake_readers()

    def take(self, now: int) -> None:
        """A good frame."""
        self.latch(now)
        self.last, self.good = now, min(self.good + 1, 255)
        if not self.fresh and self.good >= (self.again if self.seen else self.first):
            self.fresh = self.seen = True
            self._wake_readers()

    def left_us(self, now: int) -> int | None:
        """How long it may go on without another good frame; None where it has none to lose."""
        return self.max_age_us - (now - self.last) % WRAP if self.fresh or self.good > 0 else None

    def _wake_readers(self) -> None:
        for reader in self.readers:
            reader.moves += 1


@dataclass(slots=True, eq=False)
class ReferenceSource:
    """A source signal: where it is, its last raw value, its feed."""

    signal: MapSignal
    options: SignalOptions
    bus: str
    raw: int
    feed: FeedFreshness
    readers: list[Inputs] = field(default_factory=list)
    mask: int = 0
    """Its bits in a payload as one number."""

    def __post_init__(self) -> None:
        self.mask = sum(1 << position for position in self.signal.layout.positions)

    @property
    def layout(self) -> Layout:
        """Where it is."""
        return self.signal.layout

    def take(self, data: bytes) -> None:
        """Another payload."""
        raw = self.signal.layout.unpack(data)
        if raw != self.raw:
            self.raw = raw
            for reader in self.readers:
                reader.moves += 1

    def reading(self) -> Reading:
        """What an expression sees of it."""
        return Reading(self.signal, self.options, self.bus, self.raw, self.feed.fresh)


@dataclass(slots=True)
class Received:
    """One message that is listened to."""

    bus: str
    message: MapMessage
    options: MessageOptions | None
    checksum: Checksum | None
    counter: tuple[Layout, Counter, int] | None
    multiplexer: MapSignal | None
    feeds: dict[tuple[int, ...], FeedFreshness] = field(default_factory=dict)
    signals: dict[str, ReferenceSource] = field(default_factory=dict)
    needed: int = 0
    previous: int | None = None
    summed: dict[bytes, bool] = field(default_factory=dict)
    follows: dict[int, frozenset[int]] = field(default_factory=dict)
    sender: int | None = None
    sender_is: int = 0
    """NAME of the sender, where it is followed by it."""

    def takes(self, sender: int, now: int) -> bool:
        """Whether a J1939 group is taken from that address: one at a time, another once the last has gone quiet."""
        if self.message.own_sender or sender == self.sender:
            return True
        young = any((f.fresh or f.good) and (now - f.last) % WRAP <= f.max_age_us for f in self.feeds.values())
        if self.name is not None or young:
            return False
        self.sender, self.previous = sender, None
        return True

    @property
    def name(self) -> NamePattern | None:
        """The NAME that its sender is followed by, if it is."""
        return self.options.sender_name if self.options else None

    def fits(self, word: int) -> bool:
        """Whether an identifier is that of its group, from its sender where that is followed by NAME."""
        return self.message.fits(word) and (self.name is None or self.sender == word & 0xFF)

    def claimed(self, address: int, name: int) -> None:
        """A node said its NAME and address (254 and 255 are no addresses)."""
        if self.name is None:
            return
        before = self.sender
        if before is not None and name == self.sender_is:
            self.sender = address if address < 254 else None
        else:
            if before == address:
                self.sender = None  # until it claims its address again, as it must if it keeps it
            if self.sender is None and address < 254 and self.name.fits(name):
                self.sender, self.sender_is = address, name
        if self.sender != before:
            self.previous = None
