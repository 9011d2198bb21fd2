"""Compiler room: what a plan listens to: signals named in expressions become feeds, extracts and slots."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from math import ceil, floor

from swapbridge.compiler.build import PlanMemory
from swapbridge.compiler.refusals import LoweringError
from swapbridge.core.layout import Layout
from swapbridge.core.vocabulary import is_reserved, means_not_available
from swapbridge.language.bridge_file import BridgeFile, MessageOptions, SignalOptions, Written
from swapbridge.language.constants import constant_or_percent
from swapbridge.language.defaults import AGE_PERIODS, LONGEST_AGE_US, LOST_OK, RECOVER_FRAMES, SHORTEST_AGE_US
from swapbridge.plan.plan import CounterCheck, Extract, Feed, Receive
from swapbridge.signalmap.j1939_maps import may_be_long
from swapbridge.signalmap.signal_map import MapMessage, MapSignal, SignalMap


def reserved_codes(signal: MapSignal) -> tuple[int, ...]:
    """Raw values that are no measurement: the map's attributes, and choices named 'not available', 'error', ..."""
    named = [raw for raw, name in signal.choices.items() if is_reserved(name)]
    return tuple(sorted({*named, *signal.not_available, *signal.error_codes}))


def invalid_code(signal: MapSignal) -> int | None:
    """The raw value that says 'invalid', if the layout has one.

    Of several the one that a choice names; else all bits set, where that is one of them; else the lowest.
    """
    low, high = signal.layout.raw_range
    named = [raw for raw, name in sorted(signal.choices.items()) if means_not_available(name)]
    codes = sorted(signal.not_available)
    full = [high] if high in codes else []
    for raw in (*named, *full, *codes, *signal.error_codes):
        if low <= raw <= high:
            return raw
    return None


def ranges(codes: tuple[int, ...]) -> tuple[tuple[int, int], ...]:
    """Codes as the fewest (low, high) ranges."""
    out: list[tuple[int, int]] = []
    for code in sorted(set(codes)):
        if out and out[-1][1] == code - 1:
            out[-1] = (out[-1][0], code)
        else:
            out.append((code, code))
    return tuple(out)


def allowed_raws(signal: MapSignal) -> tuple[int, int, tuple[tuple[int, int], ...]]:
    """Smallest and largest raw value that may be sent as a measurement, and the reserved ranges within."""
    low, high = signal.layout.raw_range
    if signal.minimum is not None and signal.maximum is not None:
        ends = [(v - signal.offset) / signal.scale for v in (signal.minimum, signal.maximum)]
        low, high = max(low, ceil(min(ends))), min(high, floor(max(ends)))
    reserved = [r for r in ranges(reserved_codes(signal)) if low <= r[1] and r[0] <= high]
    while reserved and reserved[-1][1] >= high:
        high = reserved.pop()[0] - 1
    while reserved and reserved[0][0] <= low:
        low = reserved.pop(0)[1] + 1
    return low, high, tuple(reserved)


def is_choice(signal: MapSignal) -> bool:
    """Whether a signal is a list of named states rather than a measured number."""
    named = [raw for raw, name in signal.choices.items() if not is_reserved(name)]
    return len(named) >= 2 and not signal.unit and signal.scale == 1 and signal.offset == 0


def copy_only(signal: MapSignal) -> bool:
    """Whether a signal can only be copied bit for bit: floats, and unsigned 64-bit ones."""
    return signal.is_float or (signal.layout.length == 64 and not signal.layout.signed)


@dataclass(slots=True)
class FeedDraft:
    """A feed being collected: one message, or one set of its multiplexer values."""

    name: str
    message: MapMessage
    bus: str
    mux_values: tuple[int, ...]
    extracts: list[Extract] = field(default_factory=list)
    triggers: list[int] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class SourceSignal:
    """A signal that is listened to, where its raw value and validity are kept, and the range of valid raw values."""

    bus: str
    message: MapMessage
    signal: MapSignal
    options: SignalOptions
    feed: int
    slot: int
    valid_slot: int
    clip: tuple[int, int]

    @property
    def dotted(self) -> str:
        return f"{self.bus}.{self.message.name}.{self.signal.name}"


class Sources:
    """Collects feeds as expressions name signals."""

    def __init__(self, bridge: BridgeFile, maps: Mapping[str, SignalMap], memory: PlanMemory) -> None:
        self.bridge, self.maps, self.memory = bridge, maps, memory
        self.feeds: list[FeedDraft] = []
        self._feed_numbers: dict[tuple[str, str, tuple[int, ...]], int] = {}
        self._signals: dict[tuple[str, str, str], SourceSignal] = {}
        self._options = {options.message.text: options for options in bridge.sources}

    def find_message(self, bus: str, name: str) -> MapMessage:
        """The message of that name on a bus.

        Raises
        ------
        LoweringError
            No such bus, no map, no such message, or two of that name.
        """
        if bus not in self.maps:
            known = ", ".join(b.name for b in self.bridge.buses)
            raise LoweringError(f"bus {bus!r} is not known or has no map", f"the buses are {known}")
        found = [m for m in self.maps[bus].messages if m.name == name]
        if not found:
            raise LoweringError(
                f"bus {bus} has no message {name!r}", near(name, [m.name for m in self.maps[bus].messages])
            )
        if len(found) > 1:
            raise LoweringError(f"bus {bus} has {len(found)} messages named {name!r}", "rename all but one in the map")
        return found[0]

    def find_signal(self, bus: str, message: str, name: str) -> tuple[MapMessage, MapSignal]:
        """Message and signal of those names (see `find_message`)."""
        owner = self.find_message(bus, message)
        found = [s for s in owner.signals if s.name == name]
        if not found:
            raise LoweringError(
                f"message {bus}.{message} has no signal {name!r}", near(name, [s.name for s in owner.signals])
            )
        if len(found) > 1:
            raise LoweringError(
                f"message {bus}.{message} has {len(found)} signals named {name!r}", "rename all but one"
            )
        return owner, found[0]

    def options(self, bus: str, message: MapMessage) -> MessageOptions | None:
        return self._options.get(f"{bus}.{message.name}")

    def feed(self, bus: str, message: MapMessage, mux_values: tuple[int, ...] = ()) -> int:
        """Number of the feed of a message (or of multiplexer values of it).

        Raises
        ------
        LoweringError
            Its age limit is not known (see `age_us`).
        """
        key = (bus, message.name, mux_values)
        if key not in self._feed_numbers:
            self.age_us(bus, message)
            form = f" [{', '.join(map(str, mux_values))}]" if mux_values else ""
            self.feeds.append(FeedDraft(f"{bus}.{message.name}{form}", message, bus, mux_values))
            self._feed_numbers[key] = len(self.feeds) - 1
        return self._feed_numbers[key]

    def feeds_of(self, bus: str, message: MapMessage) -> tuple[int, ...]:
        """Every feed of a message that is in use; makes the plain one when there is none."""
        found = tuple(n for (b, m, _), n in self._feed_numbers.items() if (b, m) == (bus, message.name))
        return found or (self.feed(bus, message),)

    def signal(self, bus: str, message_name: str, name: str) -> SourceSignal:
        """Listen to a signal (see `find_signal`)."""
        key = (bus, message_name, name)
        if key not in self._signals:
            self._signals[key] = self._new_signal(bus, *self.find_signal(*key))
        return self._signals[key]

    def used(self) -> tuple[SourceSignal, ...]:
        """Every signal listened to, in the order of first use."""
        return tuple(self._signals.values())

    def _new_signal(self, bus: str, message: MapMessage, signal: MapSignal) -> SourceSignal:
        if not signal.layout.fits(message.length):
            raise LoweringError(
                f"signal {signal.name} has bits outside the {message.length} bytes of {message.name}",
                "set the message's length or the signal's place in the map",
            )
        if signal.mux_signal is not None:
            parent = message.signal(signal.mux_signal)
            if parent is None or parent.mux_signal is not None or message.multiplexer != parent:
                raise LoweringError(
                    f"signal {signal.name} depends on a multiplexer inside a multiplexer",
                    "use a signal of the first level, or split the map's message",
                )
        number = self.feed(bus, message, tuple(sorted(signal.mux_values)))
        options = self.options(bus, message)
        own = options.signals.get(signal.name, SignalOptions()) if options else SignalOptions()
        layout = signal.layout
        if copy_only(signal):
            layout = Layout(layout.start, layout.length, layout.byte_order, signed=True)
        low, high = layout.raw_range
        name = f"{bus}.{message.name}.{signal.name}"
        for code in own.invalid:
            if not low <= code <= high:
                raise LoweringError(
                    f"{code} is listed as an invalid raw value of {name}, whose range is {low} to {high}",
                    "name a code it can hold",
                )
        codes = tuple(c for c in (*reserved_codes(signal), *own.invalid) if low <= c <= high)
        if copy_only(signal):
            codes = ()
        bad = list(ranges(codes))
        clip = self._clip(signal, own, low, high)
        if clip is not None:
            bad += [r for r in ((low, clip[0] - 1), (clip[1] + 1, high)) if r[0] <= r[1]]
        clip = _without_ends(clip or (low, high), ranges(codes))
        slot = self.memory.slot(name, min(max(0, low), high), low, high)
        valid_slot = self.memory.slot(f"{name} is valid", 0, 0, 1) if bad else -1
        self.feeds[number].extracts.append(Extract(name, layout, slot, valid_slot, tuple(bad)))
        return SourceSignal(bus, message, signal, own, number, slot, valid_slot, clip)

    def _clip(self, signal: MapSignal, own: SignalOptions, low: int, high: int) -> tuple[int, int] | None:
        """Raw range of plausible values the bridge file states, if it does."""
        if own.range is None or copy_only(signal):
            return None
        unit = own.unit if own.unit is not None else signal.unit
        reference = own.reference or (Written(signal.reference) if signal.reference else None)
        values = [constant_or_percent(self.bridge, text, unit, reference) for text in own.range]
        if values[0] > values[1]:
            raise LoweringError(f"the stated range of {signal.name} has its upper end first", "write the low end first")
        ends = [(value - signal.offset) / signal.scale for value in values]
        first, last = max(low, ceil(min(ends))), min(high, floor(max(ends)))
        if first > last:
            raise LoweringError(
                f"the stated range of {signal.name} holds none of its raw values",
                "give a range that the signal can reach",
            )
        return first, last

    # --- the plan's receives

    def build(self) -> tuple[tuple[Feed, ...], tuple[Receive, ...]]:
        """Feeds and receives of everything used."""
        order = {bus.name: number for number, bus in enumerate(self.bridge.buses)}
        feeds, by_message = [], dict[tuple[int, int], list[int]]()
        for number, draft in enumerate(self.feeds):
            options = self.options(draft.bus, draft.message)
            feeds.append(
                Feed(
                    draft.name,
                    self.age_us(
                        draft.bus,
                        draft.message,
                        draft.message.frames_between(draft.mux_values) if draft.mux_values else 1,
                    ),
                    options.first if options and options.first else 1,
                    options.recover if options and options.recover else RECOVER_FRAMES,
                    tuple(draft.extracts),
                    draft.mux_values,
                    tuple(sorted(set(draft.triggers))),
                )
            )
            by_message.setdefault((order[draft.bus], draft.message.word), []).append(number)
        receives = [self._receive(bus, numbers) for (bus, _), numbers in sorted(by_message.items())]
        return tuple(feeds), tuple(receives)

    def period_us(self, bus: str, message: MapMessage) -> int | None:
        """Period of a source from the bridge file or the map."""
        options = self.options(bus, message)
        if options and options.period_us:
            return options.period_us
        period = int(message.period_ms * 1000) if message.period_ms else 0
        return period if 0 < period <= LONGEST_AGE_US else None

    def age_us(self, bus: str, message: MapMessage, turns: int = 1) -> int:
        """Age limit of a source that comes in every so many frames of its message.

        Raises
        ------
        LoweringError
            Neither an age limit nor a period is known.
        """
        options = self.options(bus, message)
        if options and options.max_age_us:
            return options.max_age_us
        period = self.period_us(bus, message)
        if period is None:
            raise LoweringError(
                f"the age limit of {bus}.{message.name} is not known, since its period is not",
                f'state it: [sources."{bus}.{message.name}"] max_age_ms = ...',
            )
        return min(max(AGE_PERIODS * period * turns, SHORTEST_AGE_US), LONGEST_AGE_US)

    def _receive(self, bus: int, numbers: list[int]) -> Receive:
        draft = self.feeds[numbers[0]]
        message, options = draft.message, self.options(draft.bus, draft.message)
        verify = options.verify if options else True
        layouts = [e.layout for n in numbers for e in self.feeds[n].extracts]
        mux = (
            message.multiplexer.layout
            if message.multiplexer and any(self.feeds[n].mux_values for n in numbers)
            else None
        )
        checksum = next((s.checksum for s in message.signals if s.checksum is not None), None) if verify else None
        counter = next((s for s in message.signals if s.counter is not None and not s.mux_values), None)
        check = None
        if verify and counter is not None and counter.counter is not None:
            kept = counter.counter
            lost_ok = LOST_OK if options is None or options.lost_ok is None else options.lost_ok
            cycle = kept.high - kept.low + 1
            # with as many frames lost as the counter has values, a repeated value would pass
            lost_ok = max(0, min(lost_ok, cycle - 2))
            check = CounterCheck(counter.layout, kept.low, kept.high, kept.step, lost_ok)
        layouts += [part for part in (mux, check.layout if check else None) if part is not None]
        needed = max((max(layout.positions) // 8 + 1 for layout in layouts), default=0)
        if checksum is not None:
            needed = max(needed, message.length)
        period = self.period_us(draft.bus, message) or 0
        name = f"{draft.bus}.{message.name}"
        long = may_be_long(message)
        sender_name = options.sender_name if options else None
        return Receive(
            name, bus, message.word, needed, tuple(numbers), mux, checksum, check, period, message.mask, long,
            sender_name,
        )  # fmt: skip


def _without_ends(span: tuple[int, int], reserved: tuple[tuple[int, int], ...]) -> tuple[int, int]:
    """A raw range without reserved codes at its ends (a signal that is reserved altogether keeps its range)."""
    low, high = span
    for first, last in reversed(reserved):
        if first <= high <= last:
            high = first - 1
    for first, last in reserved:
        if first <= low <= last:
            low = last + 1
    return (low, high) if low <= high else span


def near(name: str, known: list[str]) -> str:
    """A remedy that names close spellings."""
    from difflib import get_close_matches

    close = get_close_matches(name, known, n=3)
    if close:
        return f"did you mean {', '.join(close)}?"
    shown = ", ".join(known[:8])
    return f"it has {shown}{', ...' if len(known) > 8 else ''}" if known else "it has none"


def physical(signal: MapSignal, raw: int) -> Fraction:
    """Exact physical value of a raw value."""
    return raw * signal.scale + signal.offset
