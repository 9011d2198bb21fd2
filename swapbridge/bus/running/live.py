"""Bus room: the live translator: links, translator, gate, black box and watchdog put together, and what they report.

Three kinds of threads: one a bus receives, one a bus sends, and one translates. They hand each other frames through
queues and never wait for one another. Whoever calls reads `status` and decides when to stop.
"""

from __future__ import annotations

import contextlib
import queue
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from swapbridge.bus.adapters.can_messages import FrameForms, MessageForms, flags_of, word_of
from swapbridge.bus.adapters.clock import OneClock, monotonic_ns, start_clock
from swapbridge.bus.adapters.health import HealthMeter
from swapbridge.bus.adapters.link import STALE_SEND_NS, Link
from swapbridge.bus.running.black_box import BlackBox
from swapbridge.bus.running.ending import Ending, SafeAnswers
from swapbridge.bus.running.faults_heard import ReceivedFaults
from swapbridge.bus.running.gate import FrameRuling, Gate
from swapbridge.bus.running.live_status import BusStatus, InputStatus, LiveStatus, OutputStatus
from swapbridge.bus.running.watchdog import LagWatch
from swapbridge.capture.capture import SENT
from swapbridge.capture.python_can import can
from swapbridge.core import j1939
from swapbridge.core.progress import Announce
from swapbridge.plan.long_messages import LongMessages
from swapbridge.plan.plan import EXACT_MASK, STATES, Plan, Receive
from swapbridge.plan.program import FrameLike, TranslatorLike

MASK = 0xFFFF_FFFF
LONGEST_WAIT_S = 0.02
"""The translating loop comes round at least this often, so that its watchdog sees it alive."""
FRAMES_A_TURN = 64
"""Frames taken in before anything is sent: after a stall the newest value goes out once, not every old one."""
POLLS_A_TURN = 512
HUNG_NS = 1_000_000_000
MOST_WAITING = 20_000
LAST_SEND_NS = 150_000_000
"""A safe answer at the end may wait longer for its turn than other frames: there is no newer one behind it."""
_STOPPED_NS = 1_500_000_000
"""A message counts as stopped after so long without a frame, and three of its turns: a translator may hang first."""


@dataclass(slots=True)
class _SentMessage:
    turns: MessageForms
    data: bytes = b""
    count: int = 0
    handed: int = 0
    ruling: FrameRuling | None = None
    newest: dict[int, tuple[int, bytes]] = field(default_factory=dict)
    """By form of the message: when its newest frame was made, and that."""


@dataclass(slots=True)
class LiveOptions:
    """How a translator is run.

    Attributes
    ----------
    sending : bool
        Whether planned frames go out; passed frames of an inline plan always do.
    watch_first_s : float
        Only watching for so long before sending, to hear whether somebody else already sends.
    lag_limit_s : float
        Lateness of the translating loop at which sending stops.
    black_box_minutes : float
    """

    sending: bool = False
    watch_first_s: float = 2.0
    lag_limit_s: float = 0.05
    black_box_minutes: float = 5.0


class Live:
    """A translator between open buses.

    Parameters
    ----------
    plan : Plan
    translator : TranslatorLike
    openers : mapping
        Opens the bus of each of the plan's names; called again after it was lost.
    options : LiveOptions
    announce : callable
        Gets sentences for the person and the log, from any thread.
    """

    def __init__(
        self,
        plan: Plan,
        translator: TranslatorLike,
        openers: Mapping[str, Callable[[], can.BusABC]],
        options: LiveOptions,
        announce: Announce | None = None,
    ) -> None:
        self.plan, self.options = plan, options
        self.clock: OneClock = start_clock()
        self.gate = Gate(plan, sending=options.sending and options.watch_first_s <= 0)
        self._faults = ReceivedFaults()
        self.lag = LagWatch(round(options.lag_limit_s * 1e9))
        self.faulty = threading.Event()
        """Set when something happened that is worth writing the black box for."""
        self.announced: list[str] = []
        self._announce_outside = announce
        self._translator, self._forms = translator, FrameForms(plan)
        self._incoming: queue.SimpleQueue[tuple[int, int, can.Message]] = queue.SimpleQueue()
        self._meters = [HealthMeter(bus.bit_rate, bus.data_rate) for bus in plan.buses]
        self._odd = [0] * len(plan.buses)
        self._last: dict[tuple[int, int], tuple[int, bytes]] = {}
        self._outgoing: dict[tuple[int, int], _SentMessage] = {
            (send.bus, send.word): _SentMessage(MessageForms(send)) for send in plan.sends
        }
        self._sent: deque[tuple[int, int, can.Message]] = deque(maxlen=MOST_WAITING)
        """What the adapters took, on its way into the black box, which one thread alone writes."""
        self._passed, self._lost = 0, list[str]()
        self._long_heard, self._long_sent = LongMessages(plan), LongMessages(plan)
        self._feeding, self._stop = True, threading.Event()
        self._doubt_us: int | None = None
        self._answers = SafeAnswers(plan)
        self._believed: dict[tuple[int, int], bytes] = {}
        self._numbers = {(send.bus, send.word): number for number, send in enumerate(plan.sends)}
        self._sending, self._ended = threading.Lock(), False
        self._overflow = 0
        names = tuple(bus.name for bus in plan.buses)
        self.black_box = BlackBox(names, options.black_box_minutes, long_frames=any(bus.fd for bus in plan.buses))
        self._links = [self._link(number, name, openers[name]) for number, name in enumerate(names)]
        self._started_ns = self._beat_ns = monotonic_ns()
        self._thread = threading.Thread(target=self._translating, name="translator", daemon=True)

    def _link(self, number: int, name: str, opener: Callable[[], can.BusABC]) -> Link:
        def receive(message: can.Message, arrival_ns: int) -> None:
            self._meters[number].feed(message, arrival_ns)
            if self._links[number].is_echo(message):
                return  # passed on again it would circulate endlessly
            if self._incoming.qsize() < MOST_WAITING:
                self._incoming.put((arrival_ns, number, message))
            else:
                self._overflow += 1

        link = Link(name, opener, receive, self._fault, sending=True)
        link.on_sent = lambda message, sent_ns: self._sent.append((sent_ns, number, message))
        return link

    def start(self) -> None:
        """Open the buses and begin.

        Raises
        ------
        BusError, InputError, RefusedError
            A bus can't be opened; those opened before are closed again.
        """
        opened: list[Link] = []
        try:
            for link in self._links:
                link.start()
                opened.append(link)
        except BaseException:
            for link in opened:
                link.stop()
            raise
        self._started_ns = self._beat_ns = monotonic_ns()
        self._thread.start()

    def announce(self, words: str) -> None:
        """A sentence for the person, the log and the black box."""
        self.announced.append(words)
        del self.announced[:-1000]
        self.black_box.event(self.clock.now(), words)
        if self._announce_outside is not None:
            with contextlib.suppress(OSError, ValueError):  # there is no reader any more: no reason to stop translating
                self._announce_outside(words)

    def _fault(self, words: str) -> None:
        self.announce(words)
        self.faulty.set()

    @property
    def alive(self) -> bool:
        """Whether the translating loop came round lately and keeps its time: what outside watchdogs are fed by."""
        return not self.lag.final and monotonic_ns() - self._beat_ns < HUNG_NS and self._thread.is_alive()

    @property
    def seconds(self) -> float:
        """How long it has run."""
        return (monotonic_ns() - self._started_ns) / 1e9

    def handed_over(self) -> dict[tuple[int, int], int]:
        """Frames that the gate let through so far, by bus number and identifier word of the plan."""
        return {key: outgoing.handed for key, outgoing in self._outgoing.items()}

    def end(self, at_once: threading.Event | None = None) -> tuple[str, ...]:
        """Send the safe answers now, whatever the translator does, and nothing after them.

        They are made from the frames sent last (`ending`): the first go out at once, requests ramp out, and all is
        done within 0.5 s. Neither the translator nor its thread is needed.

        Parameters
        ----------
        at_once : threading.Event or None
            Ends even this, when set.

        Returns
        -------
        tuple of str
            Messages whose safe answer a bus did not take.
        """
        got = self._sending.acquire(timeout=LONGEST_WAIT_S)
        already, self._ended, self._feeding = self._ended, True, False
        if got:
            self._sending.release()
        if already or not self.gate.sending:
            return ()
        begin_us = monotonic_ns() // 1000
        for link in self._links:
            link.forget()
        ending = self._ending()
        missed: dict[str, None] = {}
        while (due := ending.next_us()) is not None:
            now_us = monotonic_ns() // 1000 - begin_us
            if due > now_us:
                if at_once is not None:
                    if at_once.wait((due - now_us) / 1e6):
                        break
                else:
                    time.sleep((due - now_us) / 1e6)
                continue
            taken = ending.take(now_us)
            if taken is None:  # too late for what was said already
                continue
            send, data = taken
            if self.gate.is_foreign(send.bus, send.word):
                continue
            patience_ns = STALE_SEND_NS if ending.again else LAST_SEND_NS
            if not self._links[send.bus].send(self._forms.message(send.bus, send.word, data), patience_ns):
                missed[send.name] = None
        return tuple(missed)

    def _ending(self) -> Ending:
        now_ns = monotonic_ns()
        newest: dict[tuple[int, int], bytes] = {}
        latest: dict[int, bytes] = {}
        for number, send in enumerate(self.plan.sends):
            outgoing = self._outgoing[send.bus, send.word]
            turn_ns = 1_000 * send.period_us * len(send.turns)
            forms = dict(outgoing.newest)  # at once: the translator may hang with its lock held, and go on any moment
            alive = {f: one for f, one in forms.items() if now_ns - one[0] < max(_STOPPED_NS, 3 * turn_ns)}
            if send.request is None and not send.is_long and outgoing.handed and alive:
                latest[number] = max(alive.values())[1]
                newest.update({(number, form): data for form, (_, data) in alive.items()})
        return Ending(self.plan, self._answers, newest, latest)

    def stop(self) -> None:
        """Hand over what is queued, stop all threads, close the buses."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(timeout=2.0)
        for link in self._links:
            link.drain(0.2)
        for link in self._links:
            link.stop()
        if not self._thread.is_alive():
            self._keep_sent()

    def status(self) -> LiveStatus:
        """How everything is doing."""
        now = monotonic_ns()
        if self.options.sending and not self.gate.sending:
            mode = "watching before sending"
        elif self.gate.sending:
            mode = "sending stopped" if self.gate.shut or self._ended else "sending"
            if mode == "sending" and self._doubt_us is not None:
                mode = "sending safe answers"
        else:
            mode = "forwarding only" if self.plan.passes else "watching only"
        return LiveStatus(
            self.seconds,
            mode,
            STATES[self._translator.state],
            self.gate.sending and not self.gate.shut and not self._ended,
            tuple(self._bus_status(number, now) for number in range(len(self.plan.buses))),
            tuple(self._input_status(number, now) for number in range(len(self.plan.receives))),
            tuple(self._output_status(number) for number in range(len(self.plan.sends))),
            self._passed,
            self._translator.bad_frames,
            self._translator.dropped_frames + self._overflow,
            self.lag.worst_ns / 1e6,
            self.lag.times,
            self.gate.shut,
            self.gate.foreign(),
            tuple(self.announced[-5:]),
            self._faults.lines(tuple(bus.name for bus in self.plan.buses), now // 1000),
            tuple(self._lost),
        )

    def _bus_status(self, number: int, now: int) -> BusStatus:
        link = self._links[number]
        counts = link.counts
        return BusStatus(
            link.name,
            link.up,
            self._meters[number].report(now),
            counts.received,
            counts.sent,
            counts.failed,
            counts.malformed + self._odd[number],
            counts.reopened,
        )

    def _input_status(self, number: int, now: int) -> InputStatus:
        receive = self.plan.receives[number]
        last = self._last_of(receive)
        limit = min(self.plan.feeds[feed].max_age_us for feed in receive.feeds) if receive.feeds else MASK
        return InputStatus(
            self.plan.buses[receive.bus].name,
            receive.name,
            receive.word,
            None if last is None else (now - last[0]) / 1e9,
            limit / 1e6,
            all(self._translator.feed_fresh(feed) for feed in receive.feeds),
            b"" if last is None else last[1],
        )

    def _last_of(self, receive: Receive) -> tuple[int, bytes] | None:
        """When a message was last heard, and its payload; of a J1939 group from any address the latest."""
        if receive.mask == EXACT_MASK:
            return self._last.get((receive.bus, receive.word))
        heard = [seen for (bus, word), seen in tuple(self._last.items()) if bus == receive.bus and receive.fits(word)]
        return max(heard, default=None, key=lambda seen: seen[0])

    def _output_status(self, number: int) -> OutputStatus:
        send = self.plan.sends[number]
        outgoing = self._outgoing[send.bus, send.word]
        seen = self._last.get((send.bus, send.word))
        return OutputStatus(
            self.plan.buses[send.bus].name,
            send.name,
            send.word,
            number,
            outgoing.data if outgoing.count else None,
            outgoing.count,
            outgoing.ruling,
            None if seen is None else seen[1],
        )

    def _translating(self) -> None:
        try:
            self._turns()
        except Exception as error:  # noqa: BLE001 - whatever broke the translator, the person must know
            self.gate.shut = f"the translator broke ({type(error).__name__}: {error})"
            self._fault(f"sending stopped: {self.gate.shut}")

    def _turns(self) -> None:
        translator, incoming = self._translator, self._incoming
        while not self._stop.is_set():
            now_ns = self._beat_ns = monotonic_ns()
            now = now_ns // 1000 & MASK
            ahead = (translator.next_poll(now) - now) & MASK
            due_s = 0.0 if ahead >= 1 << 31 else ahead / 1e6
            entry: tuple[int, int, can.Message] | None = None
            try:
                wait = min(due_s, LONGEST_WAIT_S)
                entry = incoming.get(timeout=wait) if wait > 0 else incoming.get_nowait()
            except queue.Empty:
                pass
            woke_ns = monotonic_ns()
            oldest_ns = min(woke_ns, now_ns + round(due_s * 1e9))
            for _ in range(FRAMES_A_TURN):
                if entry is None:
                    break
                oldest_ns = min(oldest_ns, entry[0])
                self._take(*entry)
                if self.plan.passes:  # a plan's queue of passed frames is short
                    self._emit(monotonic_ns())
                entry = None if incoming.empty() else incoming.get()
            if entry is not None:
                self._take(*entry)
            self._emit(monotonic_ns())
            self._keep_sent()
            self._observe(monotonic_ns() - oldest_ns)

    def _keep_sent(self) -> None:
        while self._sent:
            sent_ns, bus, message = self._sent.popleft()
            self.black_box.frame(
                self.clock.at(sent_ns), bus, message.arbitration_id, flags_of(message), bytes(message.data)
            )

    def _take(self, arrival_ns: int, bus: int, message: can.Message) -> None:
        self.black_box.frame(
            self.clock.at(arrival_ns), bus, message.arbitration_id, flags_of(message) & ~SENT, bytes(message.data)
        )
        if message.is_error_frame:
            return
        if message.is_remote_frame or (message.is_fd and not self.plan.buses[bus].fd) or len(message.data) > 64:
            self._odd[bus] += 1
            return
        word, data = word_of(message), bytes(message.data)
        self._last[bus, word] = (arrival_ns, data)
        if (whole := self._long_heard.take(bus, word, data, arrival_ns)) is not None:
            self._last[bus, whole[0]] = (arrival_ns, whole[1])
        self.gate.heard(bus, word, data, arrival_ns // 1000)
        self._faults.heard(bus, word, data, arrival_ns // 1000)
        if self._feeding:
            self._translator.on_frame(bus, word, data, monotonic_ns() // 1000 & MASK)
            if j1939.is_claim(word):
                self._announce_lost()

    def _announce_lost(self) -> None:
        """Addresses that another node has claimed since this was last asked."""
        for claim in self._translator.lost_addresses:
            name = f"address {claim.address} on {self.plan.buses[claim.bus].name}"
            if name not in self._lost:
                self._lost.append(name)
                self._fault(
                    f"{name} is claimed by another node: everything sent from this address has stopped until the "
                    "next start. Two modules with one address break each other's messages: unplug one of them"
                )

    def _claim(self) -> None:
        """Sending begins: let the translator say which addresses it uses, as to a node that asks."""
        asks = j1939.word_of_group(j1939.REQUEST, j1939.NO_ADDRESS)
        for bus in {claim.bus for claim in self.plan.claims}:
            data = j1939.ADDRESS_CLAIMED.to_bytes(3, "little")
            self._translator.on_frame(bus, asks, data, monotonic_ns() // 1000 & MASK)

    def _emit(self, now_ns: int) -> None:
        translator, now = self._translator, now_ns // 1000 & MASK
        for _ in range(POLLS_A_TURN):
            sent = translator.poll(now)
            if sent is not None:
                self._offer(sent, monotonic_ns())
            elif translator.next_poll(now) != now:
                break
        if self.gate.faults:
            faults, self.gate.faults = self.gate.faults, []
            for words in faults:
                self._fault(words)

    def _offer(self, sent: FrameLike, now_ns: int) -> None:
        with self._sending:
            if not self._ended:
                self._hand_on(sent, now_ns)

    def _in_doubt(self, outgoing: _SentMessage, key: tuple[int, int], data: bytes, now_us: int) -> bytes | None:
        """What a frame says while the loop is late; None when its message has no safe answer and stops."""
        number, form = self._numbers[key], outgoing.turns.form(data)
        if self._doubt_us is None or form is None or self.plan.sends[number].request is not None:
            return data
        if not self._answers.has(number):
            return None
        origin = outgoing.newest.get(form, (0, data))[1] if (number, form) not in self._believed else b""
        origin = self._believed.setdefault((number, form), origin)
        return self._answers.frame((number, form), data, origin, now_us - self._doubt_us)

    def _hand_on(self, sent: FrameLike, now_ns: int) -> None:
        bus, word, data = sent.bus, sent.word, sent.data
        outgoing = self._outgoing.get((bus, word))
        if self._doubt_us is not None and j1939.is_transport(word) and self.gate.is_layer(bus, word):
            return  # packets can't be made safe: whoever waits for them gives the message up
        if outgoing is not None and self._doubt_us is not None:
            safe = self._in_doubt(outgoing, (bus, word), data, now_ns // 1000)
            if safe is None:
                return
            data = safe
        ruling = self.gate.decide(bus, word, data, now_ns // 1000)
        if outgoing is not None:
            outgoing.data, outgoing.ruling = data, ruling
            outgoing.count += 1
            form = outgoing.turns.form(data)
            if form is not None:
                outgoing.newest[form] = (now_ns, data)
        if ruling is not FrameRuling.SEND or self._ended:  # the end may have begun without our lock
            return
        if not self._links[bus].send(self._forms.message(bus, word, data)):
            return
        if outgoing is None:
            if (whole := self._long_sent.take(bus, word, data, now_ns)) is not None and (
                bus,
                whole[0],
            ) in self._outgoing:
                long = self._outgoing[bus, whole[0]]
                long.data, long.ruling, long.count, long.handed = whole[1], ruling, long.count + 1, long.handed + 1
            self._passed += not self.gate.is_layer(bus, word)
        else:
            outgoing.handed += 1

    def _observe(self, lag_ns: int) -> None:
        now_ns = monotonic_ns()
        if not self.gate.sending and self.options.sending and self.seconds >= self.options.watch_first_s:
            self.gate.sending = True
            for name in self.gate.foreign():
                self._fault(f"{name} is being sent by another node: we will not send it")
            self.announce("sending begins")
            if self._feeding:
                self._claim()
        if self.lag.observe(lag_ns, now_ns):
            if self.lag.late and self._doubt_us is None:
                self._doubt_us = now_ns // 1000
                self._believed.clear()
                self._fault(f"the translator is late ({lag_ns / 1e6:.0f} ms): sending safe answers until it catches up")
            elif not self.lag.late:
                self._doubt_us = None
                self.announce("the translator is on time again: sending values")
