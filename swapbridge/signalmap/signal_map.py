"""Signal map room: what a DBC says, as exact values: messages, signals, the modules that send them, the evidence.

Scale, offset, minimum and maximum are fractions of the DBC's own decimal text, never binary floats. A counter's and a
checksum's method travel with their signal, so that a bridge can generate and verify them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any, Literal, get_args

from swapbridge.core import j1939
from swapbridge.core.errors import InputError
from swapbridge.core.identifier_words import format_identifier, identifier_word
from swapbridge.core.integrity import Checksum, Counter
from swapbridge.core.layout import Layout
from swapbridge.core.vocabulary import is_nobody

ModuleKind = Literal[
    "unknown", "engine", "transmission", "braking", "steering", "restraint", "cluster", "climate", "body", "gateway",
    "charging", "diagnostics",
]  # fmt: skip
"""What a module does; `braking`, `steering` and `restraint` modules are never imitated while they are present."""

NO_CODES = "none"
"""How a map marks a signal of a J1939 group that has no reserved raw value."""

MODULE_KINDS: tuple[str, ...] = get_args(ModuleKind)


@dataclass(frozen=True, slots=True)
class MapNode:
    """A module (DBC node) that sends or receives; `address` is its J1939 address, None where the map says none."""

    name: str
    kind: ModuleKind = "unknown"
    comment: str = ""
    address: int | None = None


@dataclass(frozen=True, slots=True)
class BasePayload:
    """What of a message's payload never moved in a recording.

    Attributes
    ----------
    payload : bytes
        The bits that never moved, as recorded; every other bit is 0.
    fixed : bytes
        A mask: 1 for each bit that never moved.
    frames : int
        Frames that show it; 0 where nobody counted.
    pages : tuple of (int, BasePayload)
        The same of the frames in which the message's multiplexer holds that raw value, where it has one.
    """

    payload: bytes
    fixed: bytes
    frames: int = 0
    pages: tuple[tuple[int, BasePayload], ...] = ()

    def __post_init__(self) -> None:
        if len(self.payload) != len(self.fixed):
            raise InputError(
                f"a base payload of {len(self.payload)} bytes has a mask of {len(self.fixed)}: give both one length"
            )
        object.__setattr__(self, "payload", bytes(p & m for p, m in zip(self.payload, self.fixed, strict=True)))

    def covers(self, layout: Layout) -> bool:
        """Whether every bit of a layout never moved."""
        return layout.fits(len(self.fixed)) and all(self.fixed[p >> 3] >> (p & 7) & 1 for p in layout.positions)

    def also(self, other: BasePayload) -> BasePayload:
        """What never moved in either of two recordings, and was the same in both."""
        size = max(len(self.payload), len(other.payload))
        mine, theirs = (b.payload.ljust(size, b"\0") for b in (self, other))
        masks = (b.fixed.ljust(size, b"\0") for b in (self, other))
        fixed = bytes(a & b & ~(x ^ y) & 0xFF for a, b, x, y in zip(*masks, mine, theirs, strict=True))
        pages = dict(other.pages)
        for page, known in self.pages:
            pages[page] = known.also(pages[page]) if page in pages else known
        return BasePayload(
            mine, fixed, max(self.frames, other.frames), tuple(sorted(pages.items(), key=lambda p: p[0]))
        )

    def of_page(self, page: int | None) -> BasePayload:
        """What never moved on that page of the multiplexer; of every frame where the page was not seen."""
        return next((known for value, known in self.pages if value == page), self)


@dataclass(frozen=True, slots=True)
class MapSignal:
    """One signal of a message.

    Attributes
    ----------
    layout : Layout
        Where its bits stand, and whether they are two's complement (`layout.signed`).
    scale, offset : Fraction
        Physical value = raw * scale + offset.
    minimum, maximum : Fraction or None
        Declared physical range, both or neither; the DBC's ``[0|0]`` declares none.
    unit : str
        As the DBC spells it.
    choices : mapping of int to str
        Names of raw values.
    is_float : bool
        The bits are an IEEE 754 number of 32 or 64 bits.
    is_multiplexer : bool
        Its raw value decides which other signals are in the frame.
    mux_signal, mux_values : str or None, tuple of int
        The signal is only in frames in which that multiplexer holds one of these raw values.
    role : str
        What it means, by its COVESA Vehicle Signal Specification name; "" where not said.
    counter : Counter or None
        How it counts, when it is a rolling counter.
    checksum : Checksum or None
        How it is computed, when it is a checksum.
    not_available, error_codes : tuple of int
        Raw values that carry no measurement.
    reference : str
        For a percentage: what 100 % is, a value with unit ("500 Nm") or "MESSAGE.SIGNAL"; "" where not said.
    constant : int or None
        The one raw value that it ever holds.
    authenticated : bool
        Looks like a message authentication code: nobody can make this frame without the key.
    comment : str
        The DBC's comment.
    evidence : mapping
        How the signal was found: confidence, frames, channel, lag and the like, as `guess` reports them.
    receivers : tuple of str
        Names of the modules that read it.
    """

    name: str
    layout: Layout
    scale: Fraction = Fraction(1)
    offset: Fraction = Fraction(0)
    minimum: Fraction | None = None
    maximum: Fraction | None = None
    unit: str = ""
    choices: Mapping[int, str] = field(default_factory=dict)
    is_float: bool = False
    is_multiplexer: bool = False
    mux_signal: str | None = None
    mux_values: tuple[int, ...] = ()
    role: str = ""
    counter: Counter | None = None
    checksum: Checksum | None = None
    not_available: tuple[int, ...] = ()
    error_codes: tuple[int, ...] = ()
    reference: str = ""
    constant: int | None = None
    authenticated: bool = False
    comment: str = ""
    evidence: Mapping[str, Any] = field(default_factory=dict)
    receivers: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not self.name:
            raise InputError("a signal has no name: give it one")
        if self.scale == 0:
            raise InputError(
                f"signal {self.name} has scale 0, so every raw value would mean the same: give it a scale other than 0"
            )
        if (self.minimum is None) != (self.maximum is None):
            raise InputError(f"signal {self.name} declares one end of its range only: give minimum and maximum")
        if (self.mux_signal is None) != (not self.mux_values):
            raise InputError(f"signal {self.name} needs a multiplexer and its values, or neither")
        if self.is_float and self.layout.length not in (32, 64):
            raise InputError(f"signal {self.name} is a float of {self.layout.length} bits: only 32 and 64 are read")
        low, high = self.layout.raw_range
        if self.constant is not None and not low <= self.constant <= high:
            raise InputError(f"signal {self.name} can't always be {self.constant}: its bits hold {low} to {high}")

    def physical(self, raw: int) -> Fraction:
        """Exact physical value of a raw value of an integer signal."""
        return raw * self.scale + self.offset

    @property
    def physical_range(self) -> tuple[Fraction, Fraction]:
        """Smallest and largest physical value that its bits can hold (integer signals)."""
        ends = [self.physical(raw) for raw in self.layout.raw_range]
        return min(ends), max(ends)


@dataclass(frozen=True, slots=True)
class MapMessage:
    """One frame of a bus: identifier, length, sender, signals.

    Attributes
    ----------
    period_ms : Fraction or None
        None if the map does not state it (DBC attribute ``GenMsgCycleTime``, 0 or absent).
    senders : tuple of str
        Names of the modules that send it; empty if the map does not state them.
    base : BasePayload or None
        The part of its payload that never moved in a recording.
    page_order : tuple of int
        Raw values of its multiplexer in the order in which they are sent, with repeats; empty if unknown.
    is_group : bool
        Whether it is a J1939 parameter group (DBC attribute ``VFrameFormat`` J1939PG): it is received at any priority,
        and from any sender unless `own_sender` is set. `identifier` is then one example.
    """

    name: str
    identifier: int
    extended: bool
    length: int
    signals: tuple[MapSignal, ...] = ()
    is_fd: bool = False
    period_ms: Fraction | None = None
    senders: tuple[str, ...] = ()
    comment: str = ""
    evidence: Mapping[str, Any] = field(default_factory=dict)
    base: BasePayload | None = None
    page_order: tuple[int, ...] = ()
    is_group: bool = False
    own_sender: bool = False

    def __post_init__(self) -> None:
        identifier_word(self.identifier, self.extended)
        if self.is_group and not self.extended:
            raise InputError(f"message {self.name} is a J1939 group with an 11-bit identifier: correct one of them")
        bases = () if self.base is None else (self.base, *(known for _, known in self.base.pages))
        if self.base is not None and any(len(b.payload) > self.length for b in bases):
            raise InputError(
                f"message {self.name} has {self.length} bytes, its base payload {len(self.base.payload)}: "
                "make them equal"
            )

    @property
    def word(self) -> int:
        """Identifier and form as one number (`swapbridge.core.identifier_words`)."""
        return identifier_word(self.identifier, self.extended)

    @property
    def mask(self) -> int:
        """Bits of an identifier word that must be those of `word`: all, or those of its parameter group."""
        if not self.is_group:
            return 0xFFFF_FFFF
        mask = j1939.group_mask(self.word >> 8 & 0x3_FFFF)
        if j1939.is_pdu1(self.word >> 8 & 0x3_FFFF) and self.word >> 8 & 0xFF < j1939.NO_ADDRESS:
            mask |= 0xFF00
        return mask | 0xFF if self.own_sender else mask

    def fits(self, word: int) -> bool:
        """Whether a frame of that identifier word is this message."""
        return not (word ^ self.word) & self.mask

    @property
    def named_senders(self) -> tuple[str, ...]:
        """The modules that send it, without the words that maps put where nobody knows ("XXX")."""
        return tuple(name for name in self.senders if not is_nobody(name))

    def frames_between(self, pages: tuple[int, ...]) -> int:
        """The most frames from one of these pages to the next of them, as far as its page order says."""
        order = self.page_order
        places = [place for place, page in enumerate(order) if page in pages]
        if not places:
            return max(1, len({s.mux_values for s in self.signals if s.mux_values}))
        return max(b - a for a, b in zip(places, [*places[1:], places[0] + len(order)], strict=True))

    @property
    def label(self) -> str:
        """Name and identifier, for messages to people."""
        return f"{self.name} ({format_identifier(self.identifier, self.extended)})"

    @property
    def multiplexer(self) -> MapSignal | None:
        """The signal that decides which others are in the frame; the outermost where they nest."""
        return next((s for s in self.signals if s.is_multiplexer and s.mux_signal is None), None)

    def signal(self, name: str) -> MapSignal | None:
        """The signal of that name, or None."""
        return next((s for s in self.signals if s.name == name), None)

    def summed_with(self, signal: MapSignal) -> MapSignal | None:
        """The checksum that writes this signal's bits too, where a checksum stands in two places; else None."""
        bits = set(signal.layout.positions)
        return next(
            (s for s in self.signals if s.checksum and s is not signal and bits & set(s.checksum.layout.positions)),
            None,
        )

    def recorded(self, page: int | None = None) -> BasePayload:
        """Every bit known to be constant, as long as the message: its base payload and its constant signals.

        Parameters
        ----------
        page : int or None
            What the multiplexer holds; constants of other pages are left out.
        """
        base = (self.base or BasePayload(b"", b"")).of_page(page)
        payload, fixed = (bytearray(b.ljust(self.length, b"\0")) for b in (base.payload, base.fixed))
        for s in self.signals:
            here = s.mux_signal is None or page in s.mux_values
            if s.constant is not None and here and s.layout.fits(self.length):
                s.layout.pack(payload, s.constant)
                s.layout.pack(fixed, -1 if s.layout.signed else s.layout.raw_range[1])
        return BasePayload(bytes(payload), bytes(fixed), base.frames)


@dataclass(frozen=True, slots=True)
class SignalMap:
    """All messages of one bus.

    `foreign` holds the DBC statements this toolkit does not use (others' attributes, value tables, environment
    variables), as written, so that saving loses nothing. `source` is the file it was read from, and `notes` what was
    put right or left out of it, for messages to people.
    """

    messages: tuple[MapMessage, ...] = ()
    nodes: tuple[MapNode, ...] = ()
    comment: str = ""
    foreign: tuple[str, ...] = ()
    source: str = field(default="", compare=False)
    notes: tuple[str, ...] = field(default=(), compare=False)

    def __repr__(self) -> str:
        signals = sum(len(m.signals) for m in self.messages)
        return f"<SignalMap {self.source or 'unnamed'}: {len(self.messages)} messages, {signals} signals>"

    def message(self, name: str) -> MapMessage | None:
        """The message of that name, or None."""
        return next((m for m in self.messages if m.name == name), None)

    def by_word(self, word: int) -> MapMessage | None:
        """The message of that identifier word, or None; a J1939 group by its own identifier first."""
        exact = next((m for m in self.messages if m.word == word), None)
        return exact or next((m for m in self.messages if m.is_group and m.fits(word)), None)

    def node(self, name: str) -> MapNode | None:
        """The module of that name, or None."""
        return next((n for n in self.nodes if n.name == name), None)

    def sender_kinds(self, message: MapMessage) -> frozenset[ModuleKind]:
        """Kinds of the modules that send a message."""
        nodes = (self.node(name) for name in message.senders)
        return frozenset(n.kind for n in nodes if n is not None)
