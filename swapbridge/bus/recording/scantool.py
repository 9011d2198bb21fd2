"""Bus room: asking the engine computer as a scan tool does, so that a recording has values to compare with.

`ScanTool` is a pure state machine over whole messages: it takes answers and the time, and says what to ask next.
`ScanToolPort` carries those messages as frames with `can-isotp` (ISO 15765-2). Only service 01 is ever asked: nothing
is cleared, written or switched.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from enum import Enum

# isort: off
from swapbridge.capture.python_can import can  # before isotp loads python-can
import isotp
# isort: on

from swapbridge.bus.adapters.can_messages import word_of
from swapbridge.bus.adapters.clock import monotonic_ns
from swapbridge.core import obd
from swapbridge.core.identifier_words import format_identifier, split_word

NEGATIVE = 0x7F
BUSY_REPEAT = 0x21
PENDING = 0x78
ASKS_FOR_SUPPORTED = tuple(range(0x00, 0x100, 0x20))
FAST = frozenset({0x04, 0x0B, 0x0C, 0x0D, 0x0E, 0x10, 0x11, 0x43, 0x45, 0x47, 0x49, 0x4A, 0x4C, 0x5A, 0x61, 0x62})
"""PIDs that move quickly: each is asked every round, of the others one a round."""

FIND_WAIT_NS = 400_000_000
FIND_AGAIN_NS = 3_000_000_000
ANSWER_WAIT_NS = 300_000_000
LONGEST_WAIT_NS = 2_000_000_000
PENDING_WAIT_NS = 5_000_000_000
BUSY_WAIT_NS = 200_000_000
FAILURES_UNTIL_LOST = 8
REFUSALS_UNTIL_DROPPED = 2
DEFAULT_PER_SECOND = 10.0


@dataclass(frozen=True, slots=True)
class Ask:
    """One request: to whom (None: all modules), in which identifier form, and the PID."""

    module: int | None
    extended: bool
    pid: int


@dataclass(frozen=True, slots=True)
class PolledValue:
    """One value, with when it was asked for and when it was answered (monotonic ns)."""

    channel: str
    value: float
    unit: str
    asked_ns: int
    answered_ns: int


class PollStage(Enum):
    """What the scan tool is busy with."""

    FINDING = "looking for an engine computer"
    LISTING = "asking which values it offers"
    POLLING = "asking for values"


@dataclass(slots=True)
class ScanTool:
    """Finds an engine computer, asks what it supports, then polls it in turn.

    Parameters
    ----------
    per_second : float
        Requests a second at most.

    Attributes
    ----------
    announced : list of str
        Sentences for the person, in order.
    """

    per_second: float = DEFAULT_PER_SECOND
    stage: PollStage = PollStage.FINDING
    announced: list[str] = field(default_factory=list)
    asked: int = 0
    answered: int = 0
    refused: int = 0
    unanswered: int = 0
    _extended: bool = False
    _module: int | None = None
    _physical: bool = True
    _answerers: dict[int, bytes] = field(default_factory=dict)
    _waiting: Ask | None = None
    _asked_ns: int = 0
    _deadline_ns: int = 0
    _not_before_ns: int = 0
    _wait_ns: int = ANSWER_WAIT_NS
    _failures: int = 0
    _to_list: list[int] = field(default_factory=list)
    _fast: list[int] = field(default_factory=list)
    _slow: list[int] = field(default_factory=list)
    _round: list[int] = field(default_factory=list)
    _next_slow: int = 0
    _refusals: dict[int, int] = field(default_factory=dict)
    _again: int | None = None

    @property
    def pids(self) -> tuple[int, ...]:
        """PIDs being polled."""
        return tuple(sorted((*self._fast, *self._slow)))

    def poll(self, now_ns: int) -> Ask | None:
        """What to send now, if anything."""
        if self._waiting is not None:
            if now_ns < self._deadline_ns:
                return None
            self._timed_out(now_ns)
        if now_ns < self._not_before_ns:
            return None
        ask = self._choose()
        if ask is None:
            return None
        self._waiting, self._asked_ns = ask, now_ns
        self._deadline_ns = now_ns + (FIND_WAIT_NS if self.stage is PollStage.FINDING else self._wait_ns)
        self._not_before_ns = now_ns + round(1e9 / self.per_second)
        self.asked += 1
        return ask

    def on_answer(self, module: int, message: bytes, now_ns: int) -> list[PolledValue]:
        """Take a whole message from a module (its answering identifier word)."""
        if len(message) >= 3 and message[0] == NEGATIVE and message[1] == obd.SERVICE:
            self._negative(module, message[2], now_ns)
            return []
        parts = obd.split_answer(message)
        if not parts:
            return []
        if self.stage is PollStage.FINDING:
            if parts[0][0] == 0:
                self._answerers[module] = parts[0][1]
            return []
        if module != self._module:
            return []
        samples = []
        for pid, data in parts:
            expected = self._waiting is not None and self._waiting.pid == pid
            asked_ns = self._asked_ns
            if expected:
                self._waiting, self._failures, self._wait_ns = None, 0, ANSWER_WAIT_NS
                self.answered += 1
                self._refusals.pop(pid, None)
            if self.stage is PollStage.LISTING:
                if expected and pid in ASKS_FOR_SUPPORTED:
                    self._supported(pid, data)
            elif expected and pid in obd.PIDS:
                known = obd.PIDS[pid]
                samples.append(PolledValue(known.channel, float(known.value(data)), known.unit, asked_ns, now_ns))
        return samples

    def line(self) -> str:
        """One line for a narrow terminal."""
        if self.stage is PollStage.FINDING:
            return f"scan tool: {self.stage.value}"
        return (
            f"scan tool: {len(self.pids)} values, {self.answered:,} answers, "
            f"{self.refused:,} refused, {self.unanswered:,} unanswered"
        )

    def _choose(self) -> Ask | None:
        if self.stage is PollStage.FINDING:
            return Ask(None, self._extended, 0x00)
        if self.stage is PollStage.LISTING:
            if self._to_list:
                return self._ask(self._to_list[0])
            self.stage = PollStage.POLLING
            self.announced.append(f"scan tool: the engine computer offers {len(self.pids)} values we can read")
        if not self.pids:
            return None
        if self._again is not None:
            pid, self._again = self._again, None
            return self._ask(pid)
        if not self._round:
            self._round = list(self._fast)
            if self._slow:
                self._round.append(self._slow[self._next_slow % len(self._slow)])
                self._next_slow += 1
        return self._ask(self._round.pop(0))

    def _ask(self, pid: int) -> Ask:
        return Ask(self._module if self._physical else None, self._extended, pid)

    def _timed_out(self, now_ns: int) -> None:
        ask, self._waiting = self._waiting, None
        if self.stage is PollStage.FINDING:
            self._found(now_ns)
            return
        assert ask is not None
        self.unanswered += 1
        self._failures += 1
        self._wait_ns = min(2 * self._wait_ns, LONGEST_WAIT_NS)
        if self.stage is PollStage.LISTING and self._failures >= 2:
            if self._physical:
                self._physical, self._failures = False, 0
            elif self._to_list:
                self._to_list.pop(0)
        if self._failures >= FAILURES_UNTIL_LOST:
            self.announced.append("scan tool: the engine computer stopped answering; looking for it again")
            self._start_again(now_ns)

    def _start_again(self, now_ns: int) -> None:
        self.stage, self._module, self._failures = PollStage.FINDING, None, 0
        self._answerers.clear()
        self._fast.clear()
        self._slow.clear()
        self._round.clear()
        self._refusals.clear()
        self._again, self._physical, self._wait_ns = None, True, ANSWER_WAIT_NS
        self._not_before_ns = now_ns + FIND_AGAIN_NS

    def _found(self, now_ns: int) -> None:
        if not self._answerers:
            if self._extended:
                self._not_before_ns = now_ns + FIND_AGAIN_NS
            self._extended = not self._extended
            return
        preferred = [module for module, data in self._answerers.items() if 0x0C in obd.supported(0, data)]
        self._module = min(preferred or self._answerers)
        self.announced.append(
            f"scan tool: an engine computer answers at {format_identifier(*split_word(self._module))}"
        )
        self.stage, self._to_list = PollStage.LISTING, []
        self._supported(0x00, self._answerers[self._module])

    def _supported(self, first: int, data: bytes) -> None:
        if self._to_list and self._to_list[0] == first:
            self._to_list.pop(0)
        for pid in obd.supported(first, data):
            if pid in ASKS_FOR_SUPPORTED:
                self._to_list.append(pid)
            elif pid in obd.PIDS:
                (self._fast if pid in FAST else self._slow).append(pid)

    def _negative(self, module: int, code: int, now_ns: int) -> None:
        ask = self._waiting
        if ask is None or module != self._module:
            return
        if code == PENDING:
            self._deadline_ns = now_ns + PENDING_WAIT_NS
            return
        self._waiting, self._failures = None, 0
        self.refused += 1
        if code == BUSY_REPEAT:
            self._not_before_ns = max(self._not_before_ns, now_ns + BUSY_WAIT_NS)
            if self.stage is PollStage.POLLING:
                self._again = ask.pid
            return
        if self.stage is PollStage.LISTING:
            self._to_list.remove(ask.pid)
            return
        self._refusals[ask.pid] = self._refusals.get(ask.pid, 0) + 1
        if self._refusals[ask.pid] >= REFUSALS_UNTIL_DROPPED:
            for group in (self._fast, self._slow):
                if ask.pid in group:
                    group.remove(ask.pid)
            self.announced.append(
                f"scan tool: {obd.PIDS[ask.pid].words} is refused (code {code:02X}) and no longer asked"
            )


class ScanToolPort:
    """Carries a scan tool's messages over one bus.

    Parameters
    ----------
    tool : ScanTool
    send : callable
        Sends a frame; must not block; False when it could not be taken.
    on_samples : callable
        Gets values as they come, in the port's thread.
    """

    def __init__(
        self,
        tool: ScanTool,
        send: Callable[[can.Message], bool],
        on_samples: Callable[[list[PolledValue]], None],
    ) -> None:
        self.tool = tool
        self._send, self._on_samples = send, on_samples
        self._incoming: queue.SimpleQueue[tuple[can.Message, int] | None] = queue.SimpleQueue()
        self._stacks: dict[int, _Stack] = {}
        self._thread = threading.Thread(target=self._run, name="scan tool", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def on_frame(self, message: can.Message, arrival_ns: int) -> None:
        """Take a frame from the receiving thread; everything except a scan tool's answers is ignored."""
        if obd.is_answer(message.arbitration_id, message.is_extended_id) and not (
            message.is_error_frame or message.is_remote_frame
        ):
            self._incoming.put((message, arrival_ns))

    def stop(self) -> None:
        self._incoming.put(None)
        if self._thread.is_alive():
            self._thread.join(timeout=2.0)

    def step(self, now_ns: int) -> None:
        """Ask what is due and move long messages on."""
        for word, stack in self._stacks.items():
            for whole in stack.messages():
                self._answered(word, whole, now_ns)
        ask = self.tool.poll(now_ns)
        if ask is None:
            return
        if ask.module is None:
            identifier = (obd.REQUEST_ALL_29 if ask.extended else obd.REQUEST_ALL)[0]
            self._put(identifier, ask.extended, obd.request_payload(ask.pid))
        else:
            self._stack(ask.module).ask(bytes([obd.SERVICE, ask.pid]))

    def take(self, message: can.Message, arrival_ns: int) -> None:
        """Take one answering frame."""
        word = word_of(message)
        stack = self._stack(word)
        stack.take(message)
        for whole in stack.messages():
            self._answered(word, whole, arrival_ns)

    def _answered(self, word: int, whole: bytes, now_ns: int) -> None:
        samples = self.tool.on_answer(word, whole, now_ns)
        if samples:
            self._on_samples(samples)

    def _stack(self, word: int) -> _Stack:
        if word not in self._stacks:
            self._stacks[word] = _Stack(word, self._put)
        return self._stacks[word]

    def _put(self, identifier: int, extended: bool, data: bytes) -> None:
        self._send(can.Message(arbitration_id=identifier, is_extended_id=extended, data=data, is_rx=False))

    def _run(self) -> None:
        while True:
            try:
                entry = self._incoming.get(timeout=0.01)
            except queue.Empty:
                self.step(monotonic_ns())
                continue
            if entry is None:
                return
            self.take(*entry)
            self.step(monotonic_ns())


class _Stack:
    """ISO 15765-2 with one module, by `can-isotp`."""

    def __init__(self, answers_as: int, put: Callable[[int, bool, bytes], None]) -> None:
        identifier, extended = split_word(answers_as)
        to, _ = obd.flow_control_identifier(identifier, extended)
        self._frames: list[isotp.CanMessage] = []
        mode = isotp.AddressingMode.Normal_29bits if extended else isotp.AddressingMode.Normal_11bits
        self._logic = isotp.TransportLayerLogic(
            rxfn=lambda timeout: self._frames.pop(0) if self._frames else None,
            txfn=lambda frame: put(frame.arbitration_id, frame.is_extended_id, bytes(frame.data)),
            address=isotp.Address(mode, txid=to, rxid=identifier),
            error_handler=lambda error: None,
            params={"tx_padding": obd.PADDING, "stmin": 0, "blocksize": 0, "rx_flowcontrol_timeout": 1000},
        )

    def ask(self, message: bytes) -> None:
        self._logic.send(message)
        self._logic.process()

    def take(self, message: can.Message) -> None:
        self._frames.append(
            isotp.CanMessage(
                arbitration_id=message.arbitration_id,
                data=bytes(message.data),
                extended_id=message.is_extended_id,
                is_fd=message.is_fd,
            )
        )

    def messages(self) -> list[bytes]:
        """Whole messages that have arrived by now."""
        self._logic.process()
        out = []
        while self._logic.available():
            whole = self._logic.recv()
            if whole is not None:
                out.append(bytes(whole))
        return out
