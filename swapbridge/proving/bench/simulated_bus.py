"""Proving room: CAN buses and the nodes under test on them, as discrete events in simulated time (integer nanoseconds).

Recorded traffic stays in columns (`swapbridge.proving.bench.traffic`). Left alone it keeps its computed schedule, and
only frames that a node under test listens to cost anything. From the moment a node sends until the bus has caught up,
every frame is arbitrated one by one. With one node and no errors, C does the same where it can (`bus_kernel`).
"""

from __future__ import annotations

import heapq
import random
from bisect import bisect_left
from collections.abc import Callable
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from swapbridge.core.can_bits import ERROR_FRAME_BITS, INTERMISSION_BITS
from swapbridge.core.identifier_words import split_word
from swapbridge.core.progress import Progress
from swapbridge.plan.program import FrameLike
from swapbridge.proving.bench.bus_kernel import BusColumns, BusRows, KernelBuses, bus_kernel
from swapbridge.proving.bench.frame_length import frame_length
from swapbridge.proving.bench.nodes import NEVER, Controller, Entry, NodeUnderTest, Sent
from swapbridge.proving.bench.traffic import Traffic

_BUS_OFF_ABOVE = 255
_PASSIVE_ABOVE = 127
_RECOVERY_BITS = 128 * 11
_SUSPEND_BITS = 8
_new_tuple = tuple.__new__
"""Makes a named tuple of a tuple, without the call that its own constructor is."""


class SimulatedBus:
    """One bus: recorded traffic, controllers of the nodes under test, errors.

    Parameters
    ----------
    name : str
        The bus's name.
    traffic : Traffic
        What was recorded, may be empty.
    fd, bit_rate_switch : bool
        How frames of the nodes under test are sent.
    error_rate : float
        Probability that a frame is hit by an error; it is then cut short, an error frame follows, and it is sent
        again. Recorded senders are many nodes of which nothing is known, so only nodes under test count errors.
    rng : random.Random
        Where errors fall.
    duration_ns : callable or None
        Instead of the exact length: time a frame of a node under test takes, from word and data.
    """

    def __init__(
        self,
        name: str,
        traffic: Traffic,
        *,
        fd: bool = False,
        bit_rate_switch: bool = False,
        error_rate: float = 0.0,
        rng: random.Random | None = None,
        duration_ns: Callable[[int, bytes], int] | None = None,
    ) -> None:
        self.name, self.traffic, self.rates = name, traffic, traffic.rates
        self.fd, self.bit_rate_switch = fd, bit_rate_switch
        self.error_rate, self.rng = error_rate, rng or random.Random(0)
        self._given_duration = duration_ns
        self._intermission_ns = self.rates.intermission_ns
        self.due_ns = NEVER
        self.errors = 0
        self.added_busy_ns = 0
        """Bus time of frames of nodes under test, and of errors."""
        self.disturbed: dict[int, int] = {}
        """Longest time from asking to received, ns, by word, of recorded frames that went frame by frame."""
        self._number = 0
        self._controllers: list[tuple[Controller, NodeUnderTest]] = []
        self._listeners: dict[int, tuple[NodeUnderTest, ...]] = {}
        self._hear_all: tuple[NodeUnderTest, ...] = ()
        self._live = False
        self._i = 0
        self._waiting: list[tuple[int, int]] = []
        self._free_ns = 0
        self._current: tuple[int, int, Any] | None = None
        self._delivered = True

    def join(self, number: int, devices: list[NodeUnderTest]) -> None:
        """Connect the devices; called by the simulation."""
        self._number = number
        words: dict[int, list[NodeUnderTest]] = {}
        everything: list[NodeUnderTest] = []
        for device in devices:
            controller = device.controllers[number]
            if controller is None:
                continue
            self._controllers.append((controller, device))
            listens = device.listens[number]
            if listens is None:
                everything.append(device)
            else:
                for word in listens:
                    words.setdefault(word, []).append(device)
        self._hear_all = tuple(everything)
        self._listeners = {word: (*everything, *heard) for word, heard in words.items()}
        traffic = self.traffic
        if everything:
            rows = np.flatnonzero(traffic.word >= 0)
        else:
            rows = np.flatnonzero(np.isin(traffic.word, np.fromiter(words, np.int64, len(words))))
        rows = rows[np.argsort(traffic.start_ns[rows], kind="stable")]
        self._heard_row = _view(rows)
        self._heard_ns = _view(np.append(traffic.received_ns[rows], NEVER))
        self._k = 0
        self._width = traffic.payload.shape[1]
        self._blob = traffic.payload.tobytes()
        self._word, self._order = _view(traffic.word), _view(traffic.order)
        self._length = _view(traffic.length)
        release = np.append(traffic.release_ns, NEVER)
        self._release = _view(release)
        self._next_heard = _view(np.searchsorted(traffic.start_ns[rows], release))
        self._start, self._duration = _view(traffic.start_ns), _view(traffic.duration_ns)
        self._calm = bytes(traffic.calm)
        if self.error_rate > 0:
            self._live = True
            self.due_ns = self._release[0]
        else:
            self.due_ns = self._heard_ns[0]

    def columns(self) -> BusColumns | None:
        """The bus as it begins, for the kernel; None where it has begun, or has what the kernel does not know."""
        hears_all = bool(self._hear_all) and not self._listeners
        if not hears_all or self._live or self._k or self.error_rate > 0 or self._given_duration is not None:
            return None
        if not all(controller.is_plain for controller, _ in self._controllers):
            return None
        of = np.asarray
        return BusColumns(
            of(self._word), of(self._order), of(self._release), of(self._start), of(self._duration),
            of(self._heard_row), of(self._heard_ns), of(self._next_heard), np.frombuffer(self._calm, np.uint8),
            self._intermission_ns,
        )  # fmt: skip

    def rows(self) -> BusRows:
        """What the node hears of it."""
        return BusRows(self._word, self._length, self._blob, self._width, self.frame_ns)

    def frame_ns(self, word: int, data: bytes) -> int:
        """Time a frame takes of this bus, intermission included."""
        if self._given_duration is not None:
            return self._given_duration(word, data)
        return _duration_ns(word, data, self.fd, self.bit_rate_switch, self.rates.nominal, self.rates.data)

    def submit(self, device: NodeUnderTest, word: int, data: bytes, t_ns: int, alone: bool = False) -> None:
        """A node's frame stands in its controller from now on; `alone` if nobody else can ask at this very moment."""
        controller = device.controllers[self._number]
        assert controller is not None
        if controller.off_until_ns > t_ns:
            return
        if not self._live:
            self._go_live(t_ns)
        entry = Entry(word, data, self.frame_ns(word, data), t_ns)
        if alone and self._current is None and self._free_ns <= t_ns and self._is_quiet(t_ns):
            self._start_frame(t_ns, entry.duration_ns, -1, (controller, device, (0, 0, entry)), False)
            return
        controller.push(entry)
        if self._current is None:
            self.due_ns = max(t_ns, self._free_ns)

    def step(self, t_ns: int) -> None:
        """Do what is due at `due_ns`."""
        if not self._live:
            k = self._k
            self._k = k + 1
            self.due_ns = self._heard_ns[k + 1]
            self._deliver_row(self._heard_row[k], t_ns)
        elif self._current is not None and not self._delivered:
            self._complete(t_ns)
        else:
            self._current = None
            self._arbitrate(t_ns)

    def _deliver_row(self, row: int, t_ns: int) -> None:
        at = row * self._width
        word = self._word[row]
        data = self._blob[at : at + self._length[row]]
        for device in self._listeners.get(word, self._hear_all):
            device.receive(self._number, word, data, t_ns)

    def _is_quiet(self, until_ns: int) -> bool:
        """Whether nothing waits and no recorded frame asks until then, on a bus without errors."""
        if self._waiting or self._release[self._i] <= until_ns or self.error_rate > 0:
            return False
        for controller, _ in self._controllers:
            if controller.queue or controller.ready_ns > until_ns or controller.fails is not None:
                return False
        return True

    def _leave_alone(self) -> None:
        """What was recorded is not disturbed from here on: it keeps its schedule."""
        self._live, self._current = False, None
        self._k = k = self._next_heard[self._i]
        self.due_ns = self._heard_ns[k]

    def _go_live(self, t_ns: int) -> None:
        """From now on frame by frame: find what is on the bus and what waits for it."""
        p = bisect_left(self._release, t_ns)
        self._live, self._i, self._current, self._delivered = True, p, None, True
        self._waiting.clear()
        if t_ns < self._free_ns:  # in the intermission after a frame that nothing waited for
            self.due_ns = self._free_ns
            return
        a = p - 1
        while a > 0 and not self._calm[a]:
            a -= 1
        free = 0
        for row in range(max(a, 0), p):
            start = self._start[row]
            if start >= t_ns:
                heapq.heappush(self._waiting, (self._order[row], row))
                continue
            end = start + self._duration[row]
            free = max(free, end)
            if end > t_ns:
                self._current = (end, row, None)
                k = self._k
                self._delivered = not (k < len(self._heard_row) and self._heard_row[k] == row)
        self._free_ns = free
        if self._current is not None and not self._delivered:
            self.due_ns = free - self._intermission_ns
        else:
            self.due_ns = max(free, t_ns)

    def _arbitrate(self, t_ns: int) -> None:
        waiting, i = self._waiting, self._i
        while self._release[i] <= t_ns:
            heapq.heappush(waiting, (self._order[i], i))
            i += 1
        self._i = i
        best, sender, soonest = (waiting[0][0] if waiting else NEVER), None, NEVER
        for controller, device in self._controllers:
            if controller.queue:
                if controller.ready_ns > t_ns:
                    soonest = min(soonest, controller.ready_ns)
                elif (head := controller.head()) < best:
                    best, sender = head, (controller, device)
        if best == NEVER:
            if self._calm[i] and soonest == NEVER and self.error_rate <= 0:
                self._leave_alone()
            else:
                self.due_ns = min(self._release[i], soonest)
            return
        if sender is None:
            _, row = heapq.heappop(waiting)
            length = self._duration[row]
            hit = self.error_rate > 0 and self.rng.random() < self.error_rate
            self._start_frame(t_ns, length, row, None, hit)
            return
        controller, device = sender
        item = controller.pop()
        hit = (self.error_rate > 0 and self.rng.random() < self.error_rate) or (
            controller.fails is not None and controller.fails(t_ns)
        )
        self._start_frame(t_ns, item[2].duration_ns, -1, (controller, device, item), hit)

    def _start_frame(self, t_ns: int, length_ns: int, row: int, own: Any, hit: bool) -> None:
        if hit:
            # Cut short anywhere after the first bit; error flags, delimiter and intermission follow.
            error = (ERROR_FRAME_BITS + INTERMISSION_BITS) * 1_000_000_000 // self.rates.nominal
            length_ns = int(self.rng.random() * (length_ns - self.rates.intermission_ns)) + error
            self.errors += 1
            self.added_busy_ns += length_ns
            own = ("hit", own)
        elif own is not None:
            self.added_busy_ns += length_ns
        self._free_ns = t_ns + length_ns
        self._current = (self._free_ns, row, own)
        self._delivered = False
        self.due_ns = self._free_ns - self._intermission_ns

    def _complete(self, t_ns: int) -> None:
        """The frame on the bus is through, or its error frame is."""
        assert self._current is not None
        end, row, own = self._current
        self._delivered = True
        self.due_ns = end
        if own is not None and own[0] == "hit":
            self._failed(t_ns, row, own[1])
            return
        for controller, _ in self._controllers:
            if controller.rec and (own is None or own[0] is not controller):
                controller.rec = min(controller.rec, 128) - 1
        if own is None:
            word = self._word[row]
            took = end - self._release[row]
            if took > self.disturbed.get(word, 0):
                self.disturbed[word] = took
            if word >= 0:
                self._deliver_row(row, t_ns)
        else:
            self._complete_own(t_ns, end, own)
        if self._calm[self._i] and self._is_quiet(end):
            self._leave_alone()

    def _complete_own(self, t_ns: int, end: int, own: Any) -> None:
        controller, device, (_, _, entry) = own
        if controller.tec:
            controller.tec -= 1
        if controller.tec > _PASSIVE_ABOVE:
            controller.ready_ns = end + _SUSPEND_BITS * 1_000_000_000 // self.rates.nominal
        device.sent_count += 1
        if device.keep_sent:
            device.sent.append(_new_tuple(Sent, (t_ns, self._number, entry.word, entry.data, entry.asked_ns)))
        for other in self._listeners.get(entry.word, self._hear_all):
            if other is not device:
                other.receive(self._number, entry.word, entry.data, t_ns)

    def _failed(self, t_ns: int, row: int, own: Any) -> None:
        for controller, _ in self._controllers:
            if own is None or own[0] is not controller:
                controller.rec += 1
        if own is None:
            heapq.heappush(self._waiting, (self._order[row], row))
            return
        controller, _, item = own
        controller.tec += 8
        if controller.tec > _BUS_OFF_ABOVE:
            controller.bus_offs.append(t_ns)
            controller.clear()
            controller.tec = controller.rec = 0
            recovery = _RECOVERY_BITS * 1_000_000_000 // self.rates.nominal
            controller.off_until_ns = (
                NEVER if controller.restart_ns is None else t_ns + controller.restart_ns + recovery
            )
        else:
            controller.again(item)
            if controller.tec > _PASSIVE_ABOVE:
                controller.ready_ns = self._free_ns + _SUSPEND_BITS * 1_000_000_000 // self.rates.nominal


@lru_cache(maxsize=1 << 16)
def _duration_ns(word: int, data: bytes, fd: bool, bit_rate_switch: bool, nominal: int, data_rate: int) -> int:
    """Time that a frame takes at these rates, intermission included."""
    slow, fast = frame_length(*split_word(word), data, fd, bit_rate_switch)
    out = (slow * 1_000_000_000 + nominal // 2) // nominal
    return out + (fast * 1_000_000_000 + data_rate // 2) // data_rate if fast else out


def _view(column: npt.NDArray[Any]) -> memoryview:
    """Quick access to single values as Python integers."""
    return np.ascontiguousarray(column).data


class Simulation:
    """Buses and nodes under test on one clock.

    Parameters
    ----------
    buses : list of SimulatedBus
    devices : list of Device
    """

    def __init__(self, buses: list[SimulatedBus], devices: list[NodeUnderTest]) -> None:
        self.buses, self.devices = buses, devices
        self.now_ns = 0
        self._timed: list[tuple[int, int, Callable[[int], None]]] = []
        self._count = 0
        self._delayed = all(device.latency_ns > 0 for device in devices)
        """Whether every frame reaches its controller some time after its program gave it."""
        for device in devices:
            device.join(self)
        for number, bus in enumerate(buses):
            bus.join(number, devices)
        self._in_c: KernelBuses | None = None

    def at(self, t_ns: int, what: Callable[[int], None]) -> None:
        """Call `what(t_ns)` at that time, before anything else that is due then."""
        self._count += 1
        heapq.heappush(self._timed, (t_ns, self._count, what))

    def submit(self, device: NodeUnderTest, frame: FrameLike, t_ns: int) -> None:
        """A node's program gave a frame; it reaches the controller at `t_ns`."""
        if device.controllers[frame.bus] is None:
            raise RuntimeError(f"{device.name} sends on bus {self.buses[frame.bus].name} and is not connected to it")
        bus, word, data = self.buses[frame.bus], frame.word, frame.data

        if t_ns <= self.now_ns:
            bus.submit(device, word, data, self.now_ns)
            return
        timed, delayed = self._timed, self._delayed

        def place(t: int) -> None:
            if device.powered:
                bus.submit(device, word, data, t, delayed and not (timed and timed[0][0] <= t))

        self.at(t_ns, place)

    def run(self, until_ns: int, progress: Progress | None = None) -> None:
        """Let simulated time pass until nothing is due at or before `until_ns`."""
        if self._in_c is None:
            self._in_c = self._kernel_buses()
        if self._in_c is not None:
            self._in_c.run(self.devices[0], self._timed, until_ns, progress)
            self.now_ns = until_ns
            for number, (bus, controller) in enumerate(zip(self.buses, self.devices[0].controllers, strict=True)):
                bus.disturbed = self._in_c.longest_ns(number)
                bus.added_busy_ns, replaced = self._in_c.figures(number)
                assert controller is not None
                controller.replaced = replaced
            return
        timed = self._timed
        steppers: list[NodeUnderTest | SimulatedBus] = [*self.devices, *self.buses]
        steps = 0
        while True:
            t, first = NEVER, None
            for one in steppers:
                if one.due_ns < t:
                    t, first = one.due_ns, one
            if timed and timed[0][0] <= t:
                t = timed[0][0]
                if t > until_ns:
                    break
                self.now_ns = t
                heapq.heappop(timed)[2](t)
                continue
            if t > until_ns or first is None:
                break
            self.now_ns = t
            first.step(t)
            steps += 1
            if progress is not None and not steps & 0x3FFFF:
                progress(t / until_ns, f"{t / 1e9:,.0f} s of bus time")
        self.now_ns = until_ns

    def _kernel_buses(self) -> KernelBuses | None:
        """The buses in C, where that does all that is asked of them here."""
        if len(self.devices) != 1 or not self._delayed or self.now_ns or not self.devices[0].powered:
            return None
        columns = [found for bus in self.buses if (found := bus.columns()) is not None]
        kernel = bus_kernel() if len(columns) == len(self.buses) else None
        if kernel is None:
            return None
        return KernelBuses(kernel, columns, [bus.rows() for bus in self.buses], self.devices[0].latency_ns)

    def part(self) -> None:
        """Let go of the devices and of what was still to be done, so that a finished simulation takes no memory."""
        self._timed.clear()
        for device in self.devices:
            device.leave()
