"""Proving room: the payload a sent message must have, field by field, and when it goes out."""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from typing import NamedTuple

from swapbridge.core.layout import Layout
from swapbridge.core.roles import BY_NAME, WARNED_BY
from swapbridge.language.bridge_file import MessageRule
from swapbridge.proving.reference.heard import Inputs
from swapbridge.proving.reference.j1939_node import FrameSubject
from swapbridge.proving.reference.schedule import Schedule, occasions
from swapbridge.proving.reference.sent_signal import MEMO, ReferenceSignal, TargetReference, alarmed, invalid_raw
from swapbridge.signalmap.signal_map import MapMessage, MapSignal


@dataclass(slots=True)
class _TargetForm:
    """One form of a message: constant part and the fields in it."""

    base: bytes
    fields: list[tuple[Layout, ReferenceSignal]]
    raws: list[int] = field(default_factory=list)
    """Raw values of its fields when they were last asked."""
    changing: list[tuple[int, ReferenceSignal]] = field(default_factory=list)
    """The fields, by their number, that may say something else though nothing was heard."""
    inputs: Inputs = field(default_factory=Inputs)
    """What the others are worked out from."""
    seen_moves: int = -1

    def __post_init__(self) -> None:
        self.raws = [0] * len(self.fields)
        self.changing = [(n, s) for n, (_, s) in enumerate(self.fields) if not s.steady]
        inputs = [s.inputs for _, s in self.fields if s.steady and s.inputs is not None]
        signals = {id(s): s for one in inputs for s in one.signals}
        feeds = {id(f): f for one in inputs for f in one.feeds}
        others = {id(o): o for one in inputs for o in one.others}
        self.inputs = Inputs(tuple(signals.values()), tuple(feeds.values()), tuple(others.values())).listen()

    def now(self) -> tuple[int, ...]:
        """Raw values of its fields now."""
        raws = self.raws
        if self.inputs.moves != self.seen_moves:
            raws[:] = [signal.raw()[0] for _, signal in self.fields]
            self.seen_moves = self.inputs.moves
        else:
            for number, signal in self.changing:
                raws[number] = signal.raw()[0]
        return tuple(raws)


class ReferenceMessage:
    """One sent message.

    Parameters
    ----------
    reference : Reference
    rule : MessageRule
        How it is sent and its signals are made.
    message : MapMessage
        Its map.
    base : bytes, optional
        Its constant part, where the rule's `rest` does not say it.
    """

    def __init__(
        self, reference: TargetReference, rule: MessageRule, message: MapMessage, base: bytes | None = None
    ) -> None:
        bus = rule.message.text.partition(".")[0]
        self.rule, self.message = rule, message
        self.answers: int | None = None
        """Which identifier of service 01 it answers, of an answer to a scan tool."""
        self.bus_number = [b.name for b in reference.bridge.buses].index(bus)
        rules = {r.name: r for r in (*rule.signals, *(s for page in rule.pages for s in page.signals))}
        multiplexer = message.multiplexer
        turns: list[int | None] = [None]
        if multiplexer is not None:
            chosen = {v for s in message.signals for v in s.mux_values if s.name in rules} | {
                p.page for p in rule.pages
            }
            turns = [*(rule.mux or message.page_order or sorted(chosen) or [0])]
        pages = sorted(set(turns), key=turns.index)
        self.turns = tuple(map(pages.index, turns))
        """Number of the form of each turn."""
        counting = [s for s in message.signals if s.counter is not None and s.name not in rules]
        counting = [s for k, s in enumerate(counting) if not k or s.name not in rule.open]
        checked = next((s for s in message.signals if s.checksum is not None and s.name not in rules), None)
        self.counters = [(s.layout, s.counter) for s in counting if s.counter is not None]
        self.checksum = checked.checksum if checked is not None else None
        self.counts = tuple(counter.low for _, counter in self.counters)
        self._after: dict[tuple[int, ...], tuple[int, ...]] = {}
        """What its counters say in the frame after one in which they say so."""
        self.index = 0
        self.schedule = Schedule(occasions(reference.bridge, reference.maps, rule, message))
        self.reported_late = False
        key = self.bus_number, message.word, message.name
        self._packed = reference.known.packed.setdefault(key, {})
        self._checked = reference.known.checked.setdefault(key, {})
        self.signals: dict[str, ReferenceSignal] = {}
        self.forms = []
        for page in pages:
            own = rule.for_page(page)
            named = {r.name: r for r in own.signals}
            constant = self._constant_part(own, page) if base is None else bytearray(base)
            if multiplexer is not None and page is not None:
                multiplexer.layout.pack(constant, page)
            fields = []
            for signal in message.signals:
                if (signal.mux_values and page not in signal.mux_values) or signal in (*counting, checked, multiplexer):
                    continue
                if signal.name in named:
                    key_name = signal.name if named[signal.name].page is None else f"{signal.name} of page {page}"
                    made = self.signals.get(key_name) or ReferenceSignal(
                        reference, bus, message, signal, named[signal.name], rule
                    )
                    self.signals[key_name] = made
                    fields.append((signal.layout, made))
                else:
                    signal.layout.pack(constant, self._left_alone(own, signal, page))
            self.forms.append(_TargetForm(bytes(constant), fields))

    def _constant_part(self, rule: MessageRule, page: int | None) -> bytearray:
        """The bits of no signal: those that never moved in a recording, where the rule wants them so; else 0.

        In a J1939 group a bit without a rule is 1, which is 'not available', unless the rule wants zeros.
        """
        data = bytearray(self.message.length)
        recorded = self.message.recorded(page) if rule.rest == "as recorded" else None
        owned: set[int] = set()
        for signal in self.message.signals:
            if recorded is not None or not signal.mux_values or page in signal.mux_values:
                owned.update(signal.layout.positions)
        for position in set(range(8 * len(data))) - owned:
            byte, bit = divmod(position, 8)
            if recorded is not None and recorded.fixed[byte] >> bit & 1:
                data[byte] |= recorded.payload[byte] & 1 << bit
            elif self.message.is_group and rule.rest != "zero":
                data[byte] |= 1 << bit
        return data

    def _left_alone(self, rule: MessageRule, signal: MapSignal, page: int | None) -> int:
        """Raw value of a signal that the rule does not name."""
        role = BY_NAME[signal.role].alias if signal.role in BY_NAME else ""
        code = invalid_raw(signal)
        if role in WARNED_BY:
            return alarmed(signal, role)
        recorded = self.message.recorded(page)
        if rule.rest == "as recorded" and recorded.covers(signal.layout):
            return signal.layout.unpack(recorded.payload)
        if rule.rest in ("not available", "as recorded"):
            return code or 0
        low, high = signal.layout.raw_range
        return min(max(0, low), high)

    def work_out(self, now: int) -> bytes | None:
        """What becomes of it now that it is due: its payload, or None when it stops or has nothing new."""
        self.reported_late = False
        schedule = self.schedule
        was_cyclic = schedule.cyclic(now)
        forced = schedule.begin(now)
        form = self.forms[self.turns[self.index]]
        if schedule.when.stops_when_stale and not all(signal.raw()[1] for _, signal in form.fields):
            schedule.move_on(now, was_cyclic, sent=False)
            return None
        if schedule.when.check_us > 0 and schedule.unchanged(self._plain(), forced):
            return None
        schedule.move_on(now, was_cyclic, sent=True)
        return self.next_payload()

    def answer(self) -> bytes | None:
        """What an answer to a scan tool would carry now; None when its source is stale or the bus asleep."""
        stale = not all(signal.raw()[1] for _, signal in self.forms[0].fields)
        return None if stale or not self.schedule.active else self._plain()

    def _plain(self) -> bytes:
        """The payload before counter and checksum."""
        number = self.turns[self.index]
        form = self.forms[number]
        raws = form.now()
        packed = self._packed.get((number, raws))
        if packed is None:
            packed = self._packed[number, raws] = self._pack(form, raws)
        return packed

    def next_payload(self) -> bytes:
        """What the next frame carries; counter and form move on."""
        plain, counts = self._plain(), self.counts
        after = self._after.get(counts)
        if after is None:
            each = zip(self.counters, counts, strict=True)
            after = self._after[counts] = tuple(counter.after(count) for (_, counter), count in each)
        self.counts = after
        self.index = (self.index + 1) % len(self.turns)
        whole = self._checked.get((plain, counts))
        if whole is None:
            if len(self._checked) > MEMO:
                self._checked.clear()
            data = bytearray(plain)
            for (layout, _), count in zip(self.counters, counts, strict=True):
                layout.pack(data, count)
            if self.checksum is not None:
                self.checksum.insert(data)
            whole = self._checked[plain, counts] = bytes(data)
        return whole

    def nearly(self, got: bytes, expected: bytes) -> bool:
        """Whether a payload differs from the expected one only in loose signals, by less than 1/1000 of a step."""
        if len(got) != len(expected) or not any(s.loose for s in self.signals.values()):
            return False
        data = bytearray(expected)
        for layout, signal in self.forms[self.turns[self.index - 1]].fields:
            raw = layout.unpack(got)
            if raw != layout.unpack(expected):
                if not signal.loose or abs(raw - signal.exact) > Fraction(1, 2) + Fraction(1, 1000):
                    return False
                layout.pack(data, raw)
        if self.checksum is not None:
            self.checksum.insert(data)
        return bytes(data) == got

    @staticmethod
    def _pack(form: _TargetForm, raws: tuple[int, ...]) -> bytes:
        data = bytearray(form.base)
        for (layout, _), raw in zip(form.fields, raws, strict=True):
            low, high = layout.raw_range
            layout.pack(data, min(max(raw, low), high))
        return bytes(data)


class Decision(NamedTuple):
    """A message, the payload it must have now (None: it is not sent), and whether it was due.

    `joined` marks a frame of an answer to several identifiers at once; `target` is then one of those it joins.
    """

    target: ReferenceMessage | FrameSubject
    payload: bytes | None
    due: bool = True
    joined: bool = False
