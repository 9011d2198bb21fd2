"""Proving room: what a translator must send, worked out from the bridge file and the maps, never from the plan.

The slow and obvious twin of the compiler and the translator together: it hears the same frames, steps the same filters
at the same moments, and says what the payload of each sent frame has to be. Times are microseconds modulo 2**32.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial

from swapbridge.core import j1939
from swapbridge.core.can_bits import arbitration_key
from swapbridge.core.identifier_words import split_word
from swapbridge.language.addresses import receiver_of
from swapbridge.language.bridge_file import BridgeFile, SignalOptions, Written
from swapbridge.language.defaults import AGE_PERIODS, LONGEST_AGE_US, LOST_OK, RECOVER_FRAMES, SHORTEST_AGE_US
from swapbridge.language.memories import memory_name
from swapbridge.plan.plan import STATES
from swapbridge.proving.reference.asked_groups import addresses_of, hear_question, makes
from swapbridge.proving.reference.exact import Evaluator
from swapbridge.proving.reference.exact_memory import MEMORIES
from swapbridge.proving.reference.exact_values import PLAIN, Reading
from swapbridge.proving.reference.heard import WRAP, Circumstance, FeedFreshness, Inputs, Received, ReferenceSource
from swapbridge.proving.reference.j1939_node import Address, Asks, FrameSubject, LongReceive, LongSend, NodeTwin
from swapbridge.proving.reference.joined_answer import JoinedAnswer
from swapbridge.proving.reference.open_choices import Steps
from swapbridge.proving.reference.scan_tool_answers import answering, answers_of, asked_number, request_words
from swapbridge.proving.reference.sent_message import Decision, ReferenceMessage
from swapbridge.proving.reference.sent_signal import ReferenceSignal
from swapbridge.proving.reference.worked_out import WorkedOut
from swapbridge.signalmap.j1939_maps import may_be_long
from swapbridge.signalmap.signal_map import SignalMap

HALF = 1 << 31
ASLEEP, WAKE, KEY_ON, CRANK, RUN, AFTER_RUN = range(len(STATES))


class Reference:
    """The exact twin of one bridge.

    Parameters
    ----------
    bridge : BridgeFile
    maps : mapping of str to SignalMap
        By bus name.
    steps : Steps
        How the steps of filters are spread over the fixed period.
    known : WorkedOut
        Shared by many references of one bridge, to be quick.
    loose : frozenset of str
        Sent signals (bus.MESSAGE.SIGNAL) of which the plan says that a constant of more than 31 bits was replaced by
        a nearby one: the language allows such a result to move by 1/1000 of a step.
    """

    def __init__(
        self,
        bridge: BridgeFile,
        maps: Mapping[str, SignalMap],
        steps: Steps | None = None,
        known: WorkedOut | None = None,
        loose: frozenset[str] = frozenset(),
    ) -> None:
        self.bridge, self.maps, self.steps = bridge, maps, steps or Steps()
        self.known = known or WorkedOut()
        self.loose = loose
        self.now = 0
        self._begun = False
        self._due: list[int] = []
        self._received: dict[tuple[str, str], Received] = {}
        self._by_word: dict[tuple[int, int], Received] = {}
        self._hears_groups = False
        self._bus_numbers = {b.name: n for n, b in enumerate(bridge.buses)}
        self._bus_last = [0 for _ in bridge.buses]
        self._silent_us = [b.silent_us or bridge.states.silent_us for b in bridge.buses]
        self._bus_awake = [Circumstance(False) for _ in bridge.buses]
        by = bridge.states.wake_by
        self._wakes = [a for a, b in zip(self._bus_awake, bridge.buses, strict=True) if by is None or b.name in by]
        self._state = Circumstance(ASLEEP)
        self.switched_off: list[int] = []
        """When the vehicle was switched off: after-run was over, or all buses slept; microseconds."""
        self.states_taken: list[tuple[int, int]] = []
        """Every state that was entered, and when; microseconds."""
        self._after_run = 0
        self.evaluator = Evaluator(bridge, self, MEMORIES, self.known.trees, self.known.parts)
        self._touched: list[tuple[str, object]] | None = None
        self._condition_memo, self._conditions_now = self.known.conditions, (-1, (False, False, False))
        self._condition_inputs = self.watch(self._work_out_conditions)
        inside_states = len(self.evaluator.memories)
        self._applied = ASLEEP
        self._triggers: dict[tuple[str, str], list[ReferenceMessage]] = {}
        self.targets: dict[tuple[int, int], ReferenceMessage] = {}
        for rule in bridge.messages:
            bus, _, name = rule.message.text.partition(".")
            message = maps[bus].message(name)
            assert message is not None
            target = ReferenceMessage(self, rule, message)
            self.targets[target.bus_number, message.word] = target
            for source in rule.on_arrival:
                bus, _, name = source.text.partition(".")
                self._feed(self._listen(bus, name), bus, ())
                self._triggers.setdefault((bus, name), []).append(target)
        self.answers = self._make_answers()
        self._requests: frozenset[tuple[int, int]] = frozenset()
        if (asking := answering(bridge)) is not None:
            words = request_words(asking)
            self._requests = frozenset((self._bus_numbers[asking.tester], word) for word in words)
            self._joined = JoinedAnswer(self.answers, words, words[1])
        self._order = sorted(
            [*self.targets.values(), *self.answers.values()],
            key=lambda t: (arbitration_key(*split_word(t.message.word)), t.bus_number, t.message.name),
        )
        self._by_key: dict[tuple[int, int], list[ReferenceMessage]] = {}
        for target in self._order:
            self._by_key.setdefault((target.bus_number, target.message.word), []).append(target)
        # what remembers steps before what holds the results, as both depend on the memories of the step
        self._groups: list[list[Callable[[], None]]] = [[] for _ in self.steps.offset_us]
        for number, (wanted, memory) in enumerate(self.evaluator.memories.items()):
            if number == inside_states:
                self._groups[self.steps.group("state")].append(self._step_state)
            self._groups[self._group_of_memory(memory_name(*wanted))].append(partial(memory.step, self.evaluator))
        if inside_states >= len(self.evaluator.memories):
            self._groups[self.steps.group("state")].append(self._step_state)
        self._holding: list[list[ReferenceSignal]] = [[] for _ in self._groups]
        for target in self._order:
            for signal in target.signals.values():
                if signal.holds:
                    self._holding[self.steps.group(f"{signal.label} held")].append(signal)
        self._as_address: dict[tuple[int, int], list[ReferenceMessage]] = {}
        for target in self._order:
            if target.message.is_group:
                address = target.message.identifier & 0xFF
                self._as_address.setdefault((target.bus_number, address), []).append(target)
        self._node = NodeTwin((), (), (), lambda: self._applied)
        self._long: set[tuple[int, int]] = set()
        self._living: dict[int, list[ReferenceMessage]] = {}
        for target in self._order:
            if target.schedule.when.with_bus:
                self._living.setdefault(target.bus_number, []).append(target)
        self._lasting = [t.schedule for t in self._order if t.schedule.when.last_us]
        self._swept, self._sweep_after = 0, -1
        self._first_due: int | None = None
        """When the first message is due, as last looked; it can only be later until the state changes."""
        self._look_again = True

    def _make_answers(self) -> dict[int, ReferenceMessage]:
        """What the bridge file answers to a scan tool, by its number in service 01."""
        out = {}
        for answer in answers_of(self.bridge):
            out[answer.number] = ReferenceMessage(self, answer.rule, answer.message, answer.base)
            out[answer.number].answers = answer.number
        return out

    def words_read(self) -> tuple[frozenset[int], ...]:
        """Words that the bridge file reads, for each of its buses in order."""
        return tuple(
            frozenset(word for on, word in self._by_word if on == number) for number in range(len(self.bridge.buses))
        )

    def _group_of_memory(self, name: str) -> int:
        """Its slots are named after it, some with a word behind."""
        for number, names in enumerate(self.steps.names):
            if any(n == name or n.startswith(f"{name} ") for n in names):
                return number
        return 0

    # --- what expressions see

    def reading(self, bus: str, message: str, signal: str) -> Reading:
        """A source signal; listened to from the first time it is asked for."""
        received = self._listen(bus, message)
        known = received.signals.get(signal) or self._new_signal(bus, received, signal)
        self._note("signal", known)
        return known.reading()

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
        awake = self._bus_awake[self._bus_numbers[bus]]
        self._note("circumstance", awake)
        return bool(awake.value)

    @property
    def state(self) -> int:
        """Number of the state."""
        self._note("circumstance", self._state)
        return self._state.value

    def _conditions(self) -> tuple[bool, bool, bool]:
        """Whether crank, run and key_on hold; the same inputs are worked out once only."""
        if self._condition_inputs is None:
            return self._work_out_conditions()
        moves, known = self._conditions_now
        if moves != self._condition_inputs.moves:
            found = self._condition_memo.get(key := self._condition_inputs.key())
            known = self._condition_memo[key] = self._work_out_conditions() if found is None else found
            self._conditions_now = self._condition_inputs.moves, known
        return known

    def _work_out_conditions(self) -> tuple[bool, bool, bool]:
        rules = self.bridge.states
        return self._holds(rules.crank), self._holds(rules.run), self._holds(rules.key_on)

    def _holds(self, written: Written | None) -> bool:
        value = None if written is None else self.evaluator.of(written, PLAIN)
        return value is not None and value.valid and value.number != 0

    def _step_state(self) -> None:
        rules = self.bridge.states
        awake = any(bus.value for bus in self._wakes)
        crank, run, key = self._conditions()
        stated = any(s is not None for s in (rules.crank, rules.run, rules.key_on))
        waiting, after_run = self._after_run, rules.after_run_us > 0 and stated
        if after_run:
            ticks = max(1, -(-rules.after_run_us // self.bridge.step_us))
            self._after_run = 0 if not awake else ticks if crank or run or key else max(waiting - 1, 0)
        if not awake:
            self._state.becomes(ASLEEP)
        elif crank or run or key:
            self._state.becomes(CRANK if crank else RUN if run else KEY_ON)
        elif after_run and waiting:
            self._state.becomes(AFTER_RUN)
        else:
            self._state.becomes(WAKE if stated else RUN)

    @property
    def is_watched(self) -> bool:
        """Whether it is noted now what a calculation reads."""
        return self._touched is not None

    def _note(self, kind: str, what: object) -> None:
        if self._touched is not None:
            self._touched.append((kind, what))

    def watch(self, call: Callable[[], object]) -> Inputs | None:
        """What a calculation reads; None when it depends on time or memory."""
        memories = len(self.evaluator.memories)
        used: list[tuple[str, object]] = []
        outer, self._touched = self._touched, used
        before = self.evaluator.remembered
        call()
        self._touched = outer
        if len(self.evaluator.memories) != memories or self.evaluator.remembered != before:
            return None
        if any(kind == "time" for kind, _ in used):
            return None
        signals = {id(w): w for _, w in used if isinstance(w, ReferenceSource)}
        feeds = {id(w): w for _, w in used if isinstance(w, FeedFreshness)}
        others = {id(w): w for _, w in used if isinstance(w, Circumstance)}
        return Inputs(tuple(signals.values()), tuple(feeds.values()), tuple(others.values())).listen()

    # --- receiving

    def _listen(self, bus: str, name: str) -> Received:
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
            summed = self.known.summed.setdefault(key, {})
            self._received[key] = Received(bus, message, options, checksum, counter, message.multiplexer, summed=summed)
            self._hears_groups |= message.is_group
            self._by_word[self._bus_numbers[bus], message.word] = self._received[key]
        return self._received[key]

    def _feed(self, received: Received, bus: str, mux_values: tuple[int, ...]) -> FeedFreshness:
        if mux_values not in received.feeds:
            options, message = received.options, received.message
            age = options.max_age_us if options else None
            if age is None:
                period = (options.period_us if options else None) or int((message.period_ms or 0) * 1000)
                frames = message.frames_between(mux_values) if mux_values else 1
                age = min(max(AGE_PERIODS * period * frames, SHORTEST_AGE_US), LONGEST_AGE_US)
            received.feeds[mux_values] = FeedFreshness(
                mux_values,
                age,
                (options.first if options else None) or 1,
                (options.recover if options else None) or RECOVER_FRAMES,
            )
        return received.feeds[mux_values]

    def _new_signal(self, bus: str, received: Received, name: str) -> ReferenceSource:
        signal = received.message.signal(name)
        assert signal is not None
        own = received.options.signals.get(name) if received.options else None
        low, high = signal.layout.raw_range
        feed = self._feed(received, bus, tuple(sorted(signal.mux_values)))
        known = ReferenceSource(signal, own or SignalOptions(), bus, min(max(0, low), high), feed)
        feed.bits = None  # it takes the next payload, whichever bits move in it
        received.signals[name] = known
        return known

    def _needed(self, received: Received) -> int:
        """Fewest bytes of a usable frame."""
        if received.checksum is not None:
            return received.message.length
        layouts = [s.layout for s in received.signals.values()]
        if received.counter is not None:
            layouts.append(received.counter[0])
        multiplexer = received.multiplexer
        if multiplexer is not None and any(received.feeds):
            layouts.append(multiplexer.layout)
        return max((max(one.positions) // 8 + 1 for one in layouts), default=0)

    def _start(self, now: int) -> None:
        if (now - self.now) % WRAP >= HALF:
            self._sweep_after, self._look_again = -1, True
        self.now = now
        if not self._begun:
            self._begun, self._due = True, [(now + offset) % WRAP for offset in self.steps.offset_us]
            for received in self._received.values():
                received.needed = self._needed(received)
            self._node = self._make_node()

    def _make_node(self) -> NodeTwin:
        """What the bridge says and hears as a J1939 node."""
        addresses = addresses_of(self.bridge, self.maps, self._as_address)
        sent_groups, hears = [], []
        for target in self._order:
            message = target.message
            if message.is_group and message.length > 8:
                to = receiver_of(
                    self.bridge, self.maps[target.rule.message.text.partition(".")[0]], target.rule, message
                )
                sent_groups.append(LongSend(target.bus_number, message.word, to, partial(self._goes, target)))
                self._long.add((target.bus_number, message.word))
        for (bus, word), received in sorted(self._by_word.items()):
            if may_be_long(received.message):
                group = j1939.Identifier.of(word)
                assert group is not None
                deliver = partial(self._receive, bus)
                hears.append(LongReceive(bus, group.number, received.needed, received.fits, deliver))
        named = sorted({bus for (bus, _), received in self._by_word.items() if received.name is not None})
        asks = [Asks(bus, partial(self._misses, bus)) for bus in named]
        return NodeTwin(
            addresses, hears, sent_groups, lambda: self._applied, asks, self._let_wait, partial(makes, self._as_address)
        )

    def _let_wait(self, address: Address) -> None:
        """An address begins or ends to wait: its messages end, or begin if the state has them."""
        for target in self._as_address[address.bus, address.address]:
            target.schedule.waits = address.waits
            if address.waits:
                target.schedule.end()
            else:
                target.schedule.apply(self._applied, self._applied, self.now)
        self._look_again = True

    def _misses(self, bus: int) -> bool:
        """Whether a node whose NAME is listened to on a bus has no address yet."""
        return any(on == bus and r.name is not None and r.sender is None for (on, _), r in self._by_word.items())

    def _goes(self, target: ReferenceMessage) -> bool:
        """Whether a message under way in packets may go on."""
        schedule = target.schedule
        return not (schedule.lost or schedule.waits) and (schedule.active or self._applied in schedule.when.states)

    def heard(self, bus: int, word: int, data: bytes, now: int) -> None:
        """A frame was received."""
        self._start(now)
        self._bus_last[bus] = now
        slept = self._bus_awake[bus].becomes(True)
        if self._state.value == ASLEEP:
            wake_by = self.bridge.states.wake_by
            if wake_by is None or self.bridge.buses[bus].name in wake_by:
                self._state.becomes(WAKE)
                self._apply()
        if slept:
            self._bus_is(bus, awake=True)
        if self._as_address or self._hears_groups:
            self._hear_claim(bus, word, data)
            hear_question(self._as_address, bus, word, data)
        if self._requests and (bus, word) in self._requests:
            if (number := asked_number(data)) in self.answers:
                self.answers[number].schedule.arrived()
            self._joined.heard(word, data, now)
        self._receive(bus, word, data, now)
        if not self._node.is_silent:
            self._node.heard(bus, word, data, now)

    def _receive(self, bus: int, word: int, data: bytes, now: int) -> None:
        """A frame, or a whole J1939 group, is taken for what it is."""
        received = self._by_word.get((bus, word)) or (self._of_group(bus, word) if self._hears_groups else None)
        if received is None or (received.message.is_group and not received.takes(word & 0xFF, now)):
            return
        if not self._good(received, data):
            for feed in received.feeds.values():
                feed.good = 0
            return
        multiplexer, page = received.multiplexer, None
        if multiplexer is not None and any(received.feeds):
            page = multiplexer.layout.unpack(data)
        fresh, bits = False, int.from_bytes(data, "little")
        for values, feed in received.feeds.items():
            if values and page not in values:
                continue
            if not feed.good:
                self._sweep_after = -1
            feed.take(now)
            fresh = fresh or feed.fresh
            moved = -1 if feed.bits is None else bits ^ feed.bits
            feed.bits = bits
            if moved:
                for known in received.signals.values():
                    if known.feed is feed and known.mask & moved:
                        known.take(data)
        if fresh:
            for target in self._triggers.get((received.bus, received.message.name), ()):
                target.schedule.arrived()

    def _hear_claim(self, bus: int, word: int, data: bytes) -> None:
        """Another node's claim of an address ends every group that is sent as it; whoever is followed has it now."""
        heard = j1939.Identifier.of(word)
        if heard is None or heard.number != j1939.ADDRESS_CLAIMED or len(data) != 8:
            return
        own = self._node.own(bus, heard.source)
        if own is not None and not own.keeps(data):
            for target in self._as_address[bus, heard.source]:
                target.schedule.lose()
        for (on, _), received in self._by_word.items():
            if on == bus:
                received.claimed(heard.source, int.from_bytes(data, "little"))

    def _of_group(self, bus: int, word: int) -> Received | None:
        """The J1939 group that an identifier belongs to, whatever its priority and sender."""
        for (on, _), received in self._by_word.items():
            if on == bus and received.message.is_group and received.message.fits(word):
                return received
        return None

    def _good(self, received: Received, data: bytes) -> bool:
        """Length, checksum and counter as they should be."""
        if len(data) < received.needed:
            return False
        if received.checksum is not None:
            holds = received.summed.get(data)
            if holds is None:
                holds = received.summed[data] = received.checksum.holds(data)
            if not holds:
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
        if previous not in received.follows:
            received.follows[previous] = frozenset(counter.after(previous, n) for n in range(1, lost_ok + 2))
        return value in received.follows[previous]

    def polled(self, now: int) -> None:
        """`poll` was called: things grow stale, and filters step when due."""
        self._start(now)
        if (now - self._swept) % WRAP > self._sweep_after:
            self._sweep(now)
        for number, awake in enumerate(self._bus_awake):
            if awake.value and (now - self._bus_last[number]) % WRAP > self._silent_us[number]:
                awake.becomes(False)
                self._bus_is(number, awake=False)
        for schedule in self._lasting:
            schedule.look(now)
        period = self.bridge.step_us
        for number, due in enumerate(self._due):
            if (now - due) % WRAP < HALF:
                for step in self._groups[number]:
                    step()
                for signal in self._holding[number]:
                    if signal.inputs is None or signal.inputs.moves != signal.held_moves:
                        signal.step()
                due = (due + period) % WRAP
                if 16 * period <= (now - due) % WRAP < HALF:
                    due = (now + period) % WRAP
                self._due[number] = due
                break  # one group a call
        if self._state.value != self._applied:
            self._apply()

    def _bus_is(self, number: int, *, awake: bool) -> None:
        """A bus has traffic again, or has fallen silent: messages that live with it begin or end."""
        for target in self._living.get(number, ()):
            target.schedule.bus_is(awake, self._applied, self.now)
            self._look_again = True

    def _sweep(self, now: int) -> None:
        """Every feed looks whether it grew stale; none can before the soonest has no time left."""
        feeds = [feed for received in self._received.values() for feed in received.feeds.values()]
        for feed in feeds:
            feed.latch(now)
        left = [us for us in (feed.left_us(now) for feed in feeds) if us is not None]
        self._swept, self._sweep_after = now, min(left, default=HALF)

    def max_age_us(self, bus: int, word: int) -> int:
        """Age limit of a message that is listened to."""
        received = self._by_word.get((bus, word))
        return max((f.max_age_us for f in received.feeds.values()), default=0) if received is not None else 0

    def _apply(self) -> None:
        """The state became another: messages begin and end."""
        state = self._state.value
        for target in self._order:
            target.schedule.apply(state, self._applied, self.now)
        if state == ASLEEP or (state == WAKE and self._applied == AFTER_RUN):
            self.switched_off.append(self.now)
        self.states_taken.append((self.now, state))
        if state == ASLEEP:
            for received in self._received.values():
                received.sender = None if received.name is not None else received.sender
        self._applied, self._look_again = state, True

    def overdue(self, now: int, limit_us: int) -> list[ReferenceMessage]:
        """Messages that should have been sent more than so long ago, each reported once until it is sent."""
        first = self._first_due
        if not self._look_again and (first is None or (now - first - limit_us - 1) % WRAP >= HALF):
            return []
        dues = [(t.schedule.due - now + HALF) % WRAP for t in self._order if t.schedule.repeats]
        self._first_due, self._look_again = (min(dues) + now + HALF) % WRAP if dues else None, False
        if not dues or HALF - min(dues) <= limit_us:
            return []
        out = []
        for target in self._order:
            if target.schedule.overdue_us(now) > limit_us and not target.reported_late:
                target.reported_late = True
                out.append(target)
        return out

    def next_due(self, now: int) -> Decision | None:
        """What a `poll` that has nothing to pass on works out now; None when no message wants to be sent."""
        if not self._node.is_silent and (frame := self._node.due(now)) is not None:
            return Decision(self._frame_subject(frame[0]), frame[2])
        for target in self._order:
            if target.schedule.wants(now):
                payload = target.work_out(now)
                if payload is not None and self._node.begin(target.bus_number, target.message.word, payload):
                    return None
                return Decision(target, payload)
        return self._joined_answer(now)

    def _frame_subject(self, bus: int) -> FrameSubject:
        """What the frame that the J1939 layer gave last is of."""
        spoke = self._node.spoke
        return (
            FrameSubject(bus)
            if spoke is None
            else FrameSubject(bus, replace(self.targets[bus, spoke.word].message, signals=()))
        )

    def _joined_answer(self, now: int) -> Decision | None:
        """A frame of an answer to several identifiers, which goes out when no message wants to."""
        payload = self._joined.work_out(now) if self._requests else None
        return None if payload is None else Decision(next(iter(self.answers.values())), payload, joined=True)

    def decide(self, bus: int, word: int, now: int) -> Decision | None:
        """What must become of the message of that identifier now; None when the bridge file does not know it.

        Answers to a scan tool share an identifier: it is the turn of the first that was asked for, then of the answer
        to several.
        """
        if not self._node.is_silent and (frame := self._node.due(now)) is not None:
            return Decision(self._frame_subject(frame[0]), frame[2] if frame[:2] == (bus, word) else None)
        known = self._by_key.get((bus, word), ())
        if known and (bus, word) in self._long:
            return Decision(known[0], None)
        for target in known:
            if target.schedule.wants(now):
                return Decision(target, target.work_out(now))
        if known and known[0].answers is not None and (joined := self._joined_answer(now)) is not None:
            return joined
        return Decision(known[0], known[0].next_payload(), due=False) if known else None
