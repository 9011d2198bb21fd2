"""Bus room: one live bus: a thread that receives, a thread that sends, and coming back after the adapter was gone.

The two threads never wait for each other. What is to be sent waits in a short queue and is thrown away when it is too
old: a late torque is worse than none. Nothing is ever handed to an adapter's or the kernel's own cyclic sending.
"""

from __future__ import annotations

import contextlib
import queue
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass

from swapbridge.bus.adapters.clock import monotonic_ns
from swapbridge.bus.adapters.opening import MALFORMED, close_bus, give_up, marks_only_own, not_taken, socket_drops
from swapbridge.capture.python_can import can
from swapbridge.core.errors import SwapbridgeError
from swapbridge.core.progress import Announce

OnReceive = Callable[[can.Message, int], None]
"""Called in the receiving thread with a frame and its arrival (monotonic ns); must not block."""
"""Called with something a person should know, from any thread."""

RECEIVE_WAIT_S = 0.1
FIRST_BACK_OFF_S = 0.2
LONGEST_BACK_OFF_S = 5.0
STALE_SEND_NS = 50_000_000
"""A frame that could not be sent for this long is dropped."""
LAST_FRAMES_S = 0.2
LAST_ANSWERS_S = 0.2
SURE_AFTER_S = 1.0
"""A bus that was opened again counts as back when a frame came, or when it stayed open so long."""
SEND_QUEUE = 512
FAILED_SENDS_UNTIL_LOST = 20
REFUSED_UNTIL_LOST = 20
REFUSED_WITHIN_S = 2.0
MALFORMED_UNTIL_ANNOUNCED = 100
ERROR_FRAME_BUS_OFF = 0x40
"""Bit of a SocketCAN error frame's identifier (linux/can/error.h, CAN_ERR_BUSOFF)."""

_LOST = (can.CanError, OSError)


@dataclass(slots=True)
class LinkCounts:
    """What went wrong on one bus, and how much went right; each count is written by one thread alone.

    Attributes
    ----------
    handed : int
        Frames given to the adapter without a complaint.
    refused : int
        Those of them that it said, or showed, not to have taken.
    not_queued : int
        Frames that never came so far: the bus was gone or its queue was full.
    """

    received: int = 0
    handed: int = 0
    malformed: int = 0
    send_failed: int = 0
    refused: int = 0
    not_queued: int = 0
    too_late: int = 0
    bus_off: int = 0
    reopened: int = 0
    kernel_drops: int = 0

    @property
    def sent(self) -> int:
        """Frames that the adapter took."""
        return self.handed - self.refused

    @property
    def failed(self) -> int:
        """Frames that were to be sent and were not."""
        return self.send_failed + self.too_late + self.refused + self.not_queued


class Link:
    """A bus that is kept open.

    Parameters
    ----------
    name : str
        The bus's name, for messages.
    opener : callable
        Opens the bus; called again after it was lost.
    receive : callable
        Gets every frame.
    announce : callable
        Gets sentences for the person and the log.
    sending : bool
        Whether a sending thread is wanted.
    """

    def __init__(
        self, name: str, opener: Callable[[], can.BusABC], receive: OnReceive, announce: Announce, *, sending: bool
    ):
        self.name = name
        self.counts = LinkCounts()
        self._opener, self._receive, self._announce = opener, receive, announce
        self._bus: can.BusABC | None = None
        self._stop = threading.Event()
        self._outgoing: queue.SimpleQueue[tuple[int, can.Message] | None] = queue.SimpleQueue()
        self._failed = self._refused = self._refused_lately = 0
        self._refused_since = 0.0
        self._busy = False
        self._unsure_since = 0.0
        self._drops_before = 0
        self._threads = [threading.Thread(target=self._receiving, name=f"{name} receive", daemon=True)]
        if sending:
            self._threads.append(threading.Thread(target=self._sending, name=f"{name} send", daemon=True))
        self.on_sent: OnReceive | None = None

    def start(self) -> None:
        """Open the bus and begin; an error now is raised, a later one is reported and the bus reopened."""
        self._bus = self._opener()
        for thread in self._threads:
            thread.start()

    @property
    def up(self) -> bool:
        """Whether the bus is open just now."""
        return self._bus is not None

    def is_echo(self, message: can.Message) -> bool:
        """Whether a frame is one of our own that the adapter gave back and marked so."""
        bus = self._bus
        return not message.is_rx and not message.is_error_frame and bus is not None and marks_only_own(bus)

    def send(self, message: can.Message, patience_ns: int = STALE_SEND_NS) -> bool:
        """Queue a frame; never blocks. False when it can't be taken, so that the caller can count it.

        Parameters
        ----------
        message : can.Message
        patience_ns : int
            How long it may wait for its turn before it is dropped.
        """
        if self._bus is None or self._outgoing.qsize() >= SEND_QUEUE:
            self.counts.not_queued += 1
            return False
        self._outgoing.put((monotonic_ns() + patience_ns, message))
        return True

    def forget(self) -> None:
        """Drop what is queued: something more important comes."""
        with contextlib.suppress(queue.Empty):
            while True:
                self._outgoing.get_nowait()
                self.counts.too_late += 1

    def drain(self, seconds: float) -> bool:
        """Wait until everything queued has been handed over, at most so long; whether it has."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            if self._outgoing.empty() and not self._busy:
                return True
            time.sleep(0.001)
        return self._outgoing.empty()

    def stop(self) -> None:
        """Stop both threads and close the bus."""
        self._stop.set()
        self._outgoing.put(None)
        for thread in self._threads:
            if thread.is_alive():
                thread.join(timeout=3.0)
        bus, self._bus = self._bus, None
        if bus is not None:
            self._count_refused(bus)
            self.count_drops(bus)
            close_bus(bus)

    def count_drops(self, bus: can.BusABC | None = None) -> int:
        """Frames the kernel threw away so far because this program was too slow."""
        bus = bus or self._bus
        drops = socket_drops(bus) if bus is not None else None
        if drops is not None:
            self.counts.kernel_drops = self._drops_before + drops
        return self.counts.kernel_drops

    def _receiving(self) -> None:
        wait, malformed = FIRST_BACK_OFF_S, 0
        last_turn = 0.0
        while not last_turn or time.monotonic() < last_turn:
            if self._stop.is_set() and not last_turn:
                last_turn = time.monotonic() + LAST_FRAMES_S  # what has already arrived is still taken
            bus = self._bus
            if bus is None:
                if last_turn:
                    return
                self._reopen(wait)
                wait = min(2 * wait, LONGEST_BACK_OFF_S)
                continue
            self._take_back(bus)
            try:
                message = bus.recv(0.0 if last_turn else RECEIVE_WAIT_S)
            except _LOST as error:
                self._lost(bus, f"bus {self.name} was lost ({error})")
                continue
            except MALFORMED:
                if self._bus is not bus:  # closed by the sending thread meanwhile
                    continue
                self.counts.malformed += 1
                malformed += 1
                if malformed == MALFORMED_UNTIL_ANNOUNCED:  # the adapter is there: closing it would only lose frames
                    self._announce(f"bus {self.name} sends nothing readable: check its baud rate and bit rate")
                continue
            if self._unsure_since and (message is not None or time.monotonic() - self._unsure_since > SURE_AFTER_S):
                self._unsure_since, wait = 0.0, FIRST_BACK_OFF_S
                self.counts.reopened += 1
                self._announce(f"bus {self.name} is back")
            if message is None:
                if last_turn:
                    return
                if _is_off(bus):
                    self._bus_off(bus)
                continue
            arrival = monotonic_ns()
            malformed = 0
            self.counts.received += 1
            self._receive(message, arrival)
            if message.is_error_frame and message.arbitration_id & ERROR_FRAME_BUS_OFF:
                self._bus_off(bus)

    def _count_refused(self, bus: can.BusABC) -> int:
        """Take note of what the adapter did not take after all; how many frames more than at the last look."""
        count = not_taken(bus)
        more, self._refused = count - self._refused, count
        self.counts.refused += more
        return more

    def _take_back(self, bus: can.BusABC) -> None:
        """An adapter that takes nothing any more is opened afresh."""
        more = self._count_refused(bus)
        if not more:
            return
        now = time.monotonic()
        if now - self._refused_since > REFUSED_WITHIN_S:
            self._refused_since, self._refused_lately = now, 0
        self._refused_lately += more
        if self._refused_lately >= REFUSED_UNTIL_LOST:
            self._refused_lately = 0
            self._bus = None  # nothing more is sent; answers that are on their way still count
            with contextlib.suppress(*_LOST, *MALFORMED):
                while bus.recv(LAST_ANSWERS_S) is not None:
                    pass
            give_up(bus)
            self._count_refused(bus)
            self._bus = bus
            self._lost(bus, f"bus {self.name} accepts no frames: another program may have closed its adapter")

    def _bus_off(self, bus: can.BusABC) -> None:
        self.counts.bus_off += 1
        self._lost(bus, f"bus {self.name} is bus-off: too many frames failed; check wiring and bit rate")

    def _sending(self) -> None:
        while True:
            entry = self._outgoing.get()
            if entry is None:
                return
            self._busy = True
            try:
                self._send_one(entry[0], entry[1])
            finally:
                self._busy = False

    def _send_one(self, until_ns: int, message: can.Message) -> None:
        bus = self._bus
        if bus is None:
            self.counts.send_failed += 1
            return
        if monotonic_ns() > until_ns:
            self.counts.too_late += 1
            return
        try:
            bus.send(message, timeout=0.02)
        except _LOST as error:
            self.counts.send_failed += 1
            self._failed += 1
            if self._failed >= FAILED_SENDS_UNTIL_LOST:
                self._failed = 0
                self._lost(bus, f"bus {self.name} accepts no frames ({error})")
            return
        except MALFORMED as error:
            self.counts.send_failed += 1
            self._announce(f"bus {self.name} can't send {message.arbitration_id:X} ({error})")
            return
        self._failed = 0
        self.counts.handed += 1
        if self.on_sent is not None:
            self.on_sent(message, monotonic_ns())

    def _lost(self, bus: can.BusABC, words: str) -> None:
        if self._bus is not bus or self._stop.is_set():
            return
        self.count_drops(bus)
        self._drops_before = self.counts.kernel_drops
        self._bus = None
        close_bus(bus)
        if not self._unsure_since:
            self._announce(f"{words}; trying again")

    def _reopen(self, wait_s: float) -> None:
        """Try once; a link that is down can often be opened all the same, so it only counts once it stays open."""
        if self._stop.wait(wait_s):
            return
        try:
            bus = self._opener()
        except (SwapbridgeError, *_LOST):
            return
        self._unsure_since = time.monotonic()
        self._refused = 0
        self._bus = bus


def _is_off(bus: can.BusABC) -> bool:
    """Whether an adapter that reports its state is bus-off (asked while the bus is silent)."""
    try:
        return bus.state is can.BusState.ERROR
    except (NotImplementedError, *_LOST, *MALFORMED):
        return False
