"""Proving room: the nodes under test: programs, CAN controllers with queue and error counters, clocks."""

from __future__ import annotations

import heapq
from collections.abc import Callable, Collection
from functools import lru_cache
from typing import Literal, NamedTuple, Protocol

from swapbridge.core.can_bits import arbitration_key
from swapbridge.core.identifier_words import split_word
from swapbridge.plan.program import FrameLike, Program

MS = 1_000_000
SECOND = 1_000 * MS
"""The bench counts in nanoseconds."""
NEVER = 1 << 62
"""A time that does not come."""
_new_tuple = tuple.__new__
"""Makes a named tuple of a tuple, without the call that its own constructor is."""


class Sent(NamedTuple):
    """A frame of a node under test that got through."""

    received_ns: int
    bus: int
    word: int
    data: bytes
    asked_ns: int


class ReceivedFrame(NamedTuple):
    """A frame that a node received."""

    now_us: int
    bus: int
    word: int
    data: bytes


class Polled(NamedTuple):
    """A call of `poll` and what it gave."""

    now_us: int
    frame: FrameLike | None


class Restart(NamedTuple):
    """The node was started anew and knows nothing of what was before."""

    now_us: int


class Entry:
    """A frame that waits in a controller."""

    __slots__ = ("asked_ns", "data", "duration_ns", "word")

    def __init__(self, word: int, data: bytes, duration_ns: int, asked_ns: int) -> None:
        self.word, self.data, self.duration_ns, self.asked_ns = word, data, duration_ns, asked_ns


class Controller:
    """A node's CAN controller on one bus: its transmit queue and its error counters.

    Parameters
    ----------
    discipline : {"priority", "fifo"}
        Which waiting frame competes: the one that would win, or (cheap controllers) the oldest.
    replace : bool
        A newer frame takes the place of a waiting one of the same identifier, as in a mailbox.
    restart_ns : int or None
        Time from bus-off to the request to recover; recovery itself takes 128 times 11 recessive bits. None: never.
    """

    def __init__(
        self,
        discipline: Literal["priority", "fifo"] = "priority",
        replace: bool = False,
        restart_ns: int | None = 100_000_000,
    ) -> None:
        self.discipline, self.replace, self.restart_ns = discipline, replace, restart_ns
        self.tec = 0
        self.rec = 0
        self.off_until_ns = -1
        self.ready_ns = 0
        self.fails: Callable[[int], bool] | None = None
        """Whether a frame that starts at that time is hit by an error in any case."""
        self.bus_offs: list[int] = []
        self.replaced = 0
        self.queue: list[tuple[int, int, Entry]] = []
        """What waits, as a heap; the first one competes."""
        self._waiting: dict[int, Entry] = {}
        self._count = 0

    @property
    def is_plain(self) -> bool:
        """Whether it is a mailbox that nothing has happened to, and no error is planned for."""
        happened = self.queue or self.tec or self.rec or self.ready_ns or self.off_until_ns >= 0
        return self.replace and self.discipline == "priority" and self.fails is None and not happened

    def push(self, entry: Entry) -> None:
        """Queue a frame."""
        if self.replace:
            old = self._waiting.get(entry.word)
            if old is not None:
                old.data, old.duration_ns, old.asked_ns = entry.data, entry.duration_ns, entry.asked_ns
                self.replaced += 1
                return
            self._waiting[entry.word] = entry
        self._count += 1
        place = arbitration_rank(entry.word) if self.discipline == "priority" else 0
        heapq.heappush(self.queue, (place, self._count, entry))

    def head(self) -> int:
        """Arbitration order of the frame that competes; the queue is not empty."""
        place, _, entry = self.queue[0]
        return place if self.discipline == "priority" else arbitration_rank(entry.word)

    def pop(self) -> tuple[int, int, Entry]:
        """The frame that competes, for sending."""
        item = heapq.heappop(self.queue)
        if self.replace:
            del self._waiting[item[2].word]
        return item

    def again(self, item: tuple[int, int, Entry]) -> None:
        """Back to its place after an error, unless a newer one took it."""
        if self.replace:
            if item[2].word in self._waiting:
                return
            self._waiting[item[2].word] = item[2]
        heapq.heappush(self.queue, item)

    def clear(self) -> None:
        """Forget what waits."""
        self.queue.clear()
        self._waiting.clear()


@lru_cache(maxsize=1 << 12)
def arbitration_rank(word: int) -> int:
    """Arbitration order of an identifier word."""
    return arbitration_key(*split_word(word))


class Medium(Protocol):
    """What takes a device's frames to its buses."""

    def submit(self, device: NodeUnderTest, frame: FrameLike, t_ns: int) -> None:
        """A node's program gave a frame; it reaches the controller at `t_ns`."""


class NodeUnderTest:
    """A node under test on one or more buses.

    Parameters
    ----------
    name : str
        For reports.
    program : Program
        What it does.
    listens : list of (collection of int or None)
        For each bus the identifier words it hears; None is all of them.
    controllers : list of Controller or None
        One a bus; None where it is not connected.
    latency_ns : int
        Time from `poll` giving a frame to the frame standing in the controller.
    clock_us : int
        What its clock shows at simulated time 0.
    record : bool
        Keep `trace`, every call and answer in order.
    """

    def __init__(
        self,
        name: str,
        program: Program,
        listens: list[Collection[int] | None],
        controllers: list[Controller | None],
        *,
        latency_ns: int = 0,
        clock_us: int = 0,
        record: bool = False,
    ) -> None:
        self.name, self.program, self.listens, self.controllers = name, program, listens, controllers
        self.latency_ns, self.clock_us = latency_ns, clock_us
        self.trace: list[ReceivedFrame | Polled | Restart] | None = [] if record else None
        self.sent: list[Sent] = []
        self.keep_sent = True
        self.sent_count = 0
        self.polls = 0
        self.stalls = 0
        self.due_ns = 0
        self.powered = True
        self.idle_words: list[Callable[[int], bool]] | None = None
        """For each bus whether a word means no more to the program than that the bus is awake."""
        self.idle_after_ns = 0
        """After so long a silence of a bus any word is news."""
        self._idle: list[dict[int, bool]] = [{} for _ in listens]
        self._heard_ns = [-NEVER for _ in listens]
        self._simulation: Medium | None = None

    def join(self, simulation: Medium) -> None:
        """Become part of a simulation."""
        self._simulation = simulation

    def leave(self) -> None:
        """Its simulation is over."""
        self._simulation = None

    def clock(self, t_ns: int) -> int:
        """What its clock shows."""
        return (t_ns // 1000 + self.clock_us) & 0xFFFF_FFFF

    def receive(self, bus: int, word: int, data: bytes, t_ns: int) -> None:
        """Hand a received frame to the program."""
        if not self.powered:
            return
        now = (t_ns // 1000 + self.clock_us) & 0xFFFF_FFFF
        if self.trace is not None:
            self.trace.append(_new_tuple(ReceivedFrame, (now, bus, word, data)))
        program = self.program
        program.on_frame(bus, word, data, now)
        if self.hears_nothing_new(bus, word, t_ns):
            return
        wait = (program.next_poll(now) - now) & 0xFFFF_FFFF
        self.due_ns = t_ns if wait >= 0x8000_0000 or not wait else (t_ns // 1000 + wait) * 1000

    def hears_nothing_new(self, bus: int, word: int, t_ns: int) -> bool:
        """Whether a frame that is received now can't change what is due."""
        if self.idle_words is None:
            return False
        idle = self._idle[bus].get(word)
        if idle is None:
            idle = self._idle[bus][word] = self.idle_words[bus](word)
        quiet, self._heard_ns[bus] = t_ns - self._heard_ns[bus], t_ns
        return idle and quiet < self.idle_after_ns

    def step(self, t_ns: int) -> None:
        """Poll once and hand on what comes."""
        now = (t_ns // 1000 + self.clock_us) & 0xFFFF_FFFF
        frame = self.program.poll(now)
        self.polls += 1
        if self.trace is not None:
            self.trace.append(_new_tuple(Polled, (now, frame)))
        if frame is not None:
            assert self._simulation is not None
            self._simulation.submit(self, frame, t_ns + self.latency_ns)
        wait = (self.program.next_poll(now) - now) & 0xFFFF_FFFF
        if wait == 0 or wait >= 0x8000_0000:
            self.due_ns = t_ns
            self.stalls += 1
            self.stalled(self.stalls)
        else:
            self.stalls = 0
            self.due_ns = (t_ns // 1000 + wait) * 1000

    def stalled(self, times: int) -> None:
        """It asked to be polled again at once, so often in a row."""
        if times > 100_000:
            raise RuntimeError(f"{self.name} asks to be polled at one instant without end")

    def power_off(self, t_ns: int) -> None:
        """Cut its power: it forgets, hears and says nothing."""
        self.powered, self.due_ns = False, NEVER
        for controller in self.controllers:
            if controller is not None:
                controller.clear()

    def power_on(self, t_ns: int, program: Program) -> None:
        """Start it anew."""
        self.powered, self.program, self.due_ns = True, program, t_ns
        self._heard_ns = [-NEVER for _ in self.listens]
        if self.trace is not None:
            self.trace.append(Restart(self.clock(t_ns)))
        for controller in self.controllers:
            if controller is not None:
                controller.tec = controller.rec = 0
                controller.off_until_ns = -1
