"""Simulated modules for asking, written from the standards apart from the client: nothing of `swapbridge` is imported.

ISO 15765-2 (a server's half), SAE J1979, ISO 14229-1 ReadDTCInformation and ReadDataByIdentifier, a fault memory with
time-outs, enabling conditions, pending and confirmed codes, and a J1939 engine (J1939-21, -73, -81). Values of the
standards are from memory.
"""

from __future__ import annotations

import heapq
import itertools
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

X = 0x8000_0000
"""Marks a 29-bit identifier in an identifier word."""
MS, S = 1_000_000, 1_000_000_000
Frame = tuple[int, bytes]


class Node:
    """Something on the bus: takes frames, and sends some at times of its own."""

    def __init__(self) -> None:
        self.plans: list[tuple[int, int, int, bytes]] = []
        self._order = itertools.count()

    def plan(self, at_ns: int, word: int, data: bytes) -> None:
        heapq.heappush(self.plans, (at_ns, next(self._order), word, data))

    def due_ns(self) -> int:
        return self.plans[0][0] if self.plans else 1 << 62

    def frames(self, now_ns: int) -> Iterator[Frame]:
        while self.plans and self.plans[0][0] <= now_ns:
            _, _, word, data = heapq.heappop(self.plans)
            yield word, data

    def hear(self, word: int, data: bytes, now_ns: int) -> None:
        """Take a frame that another node sent."""


class Cyclic(Node):
    """A sender of vehicle traffic."""

    def __init__(
        self, word: int, period_ns: int, content: Callable[[int], bytes], begin_ns: int = 0, end_ns: int = 1 << 62
    ) -> None:
        super().__init__()
        self.word, self.period_ns, self.content, self.end_ns = word, period_ns, content, end_ns
        self.next_ns = begin_ns

    def due_ns(self) -> int:
        return self.next_ns if self.next_ns < self.end_ns else 1 << 62

    def frames(self, now_ns: int) -> Iterator[Frame]:
        while self.next_ns <= now_ns and self.next_ns < self.end_ns:
            yield self.word, self.content(self.next_ns)
            self.next_ns += self.period_ns


@dataclass
class Vehicle:
    """What every module sees: key, supply, speed; and its code of time."""

    key_on_ns: int | None = 0
    supply_v: float = 13.8
    speed_kmh: int = 0

    def on_for(self, now_ns: int) -> int:
        return -1 if self.key_on_ns is None else now_ns - self.key_on_ns


@dataclass
class Monitor:
    """Watches one message and sets one code when it is missing (or wrong), as ISO 14229-1's status bits tell.

    Debounced by `timeout_ns`; enabled when the key has been on for `enable_ns` and the supply is in range. Pending at
    once, confirmed when it fails in a second cycle or lasts `confirm_ns`; confirmed latches.
    """

    code: int
    word: int
    timeout_ns: int = 500 * MS
    enable_ns: int = 3 * S
    confirm_ns: int = 2 * S
    good: Callable[[bytes], bool] | None = None
    bad_needed: int = 10
    status: int = 0x50
    last_ns: int | None = None
    bad: int = 0
    failed_since_ns: int | None = None

    def hear(self, word: int, data: bytes, now_ns: int) -> None:
        if word != self.word:
            return
        if self.good is None:
            self.last_ns = now_ns
        elif self.good(data):
            self.bad = 0
        else:
            self.bad += 1

    def step(self, vehicle: Vehicle, now_ns: int) -> None:
        since = vehicle.on_for(now_ns)
        if since < self.enable_ns or not 10.0 <= vehicle.supply_v <= 15.5:
            return
        if self.good is None:
            begin = max(self.last_ns if self.last_ns is not None else -(1 << 60), now_ns - since + self.enable_ns)
            failed = now_ns - begin > self.timeout_ns
        else:
            failed = self.bad >= self.bad_needed
        self.status &= ~0x50
        if failed:
            if self.failed_since_ns is None:
                self.failed_since_ns = now_ns
            self.status |= 0x01 | 0x02 | 0x04 | 0x20
            if now_ns - self.failed_since_ns >= self.confirm_ns:
                self.status |= 0x08
        else:
            self.status &= ~0x01
            self.failed_since_ns = None

    def new_cycle(self) -> None:
        if self.status & 0x04 and not self.status & 0x02:
            self.status &= ~0x04
        self.status = self.status & ~0x03 | 0x40
        self.failed_since_ns, self.last_ns, self.bad = None, None, 0


class Server(Node):
    """A module that answers: ISO 15765-2 by hand, services by methods.

    Parameters
    ----------
    request, answer : int
        Identifier words.
    functional : tuple of int
        Identifier words that ask everybody, which it listens to.
    """

    p2_ns = 20 * MS
    padding = 0xAA

    def __init__(self, request: int, answer: int, functional: tuple[int, ...] = ()) -> None:
        super().__init__()
        self.request, self.answer, self.functional = request, answer, functional
        self.requests: list[bytes] = []
        self._rest, self._sequence = b"", 0

    def hear(self, word: int, data: bytes, now_ns: int) -> None:
        if word not in (self.request, *self.functional) or not data:
            return
        kind = data[0] >> 4
        if kind == 0 and 1 <= data[0] <= 7:
            request = bytes(data[1 : 1 + data[0]])
            self.requests.append(request)
            whole = self.respond(request, now_ns)
            if whole and not (word in self.functional and whole[0] == 0x7F and whole[2] in (0x11, 0x12, 0x31)):
                self.send(whole, now_ns + self.p2_ns)
        elif kind == 3 and word == self.request and self._rest and data[0] & 15 == 0:
            gap = data[2] * MS if data[2] < 0x80 else MS
            self._consecutive(data[1], max(gap, 200_000), now_ns)

    def send(self, whole: bytes, at_ns: int) -> None:
        if len(whole) <= 7:
            self.plan(at_ns, self.answer, (bytes([len(whole)]) + whole).ljust(8, bytes([self.padding])))
            return
        head = bytes([0x10 | len(whole) >> 8, len(whole) & 0xFF])
        self.plan(at_ns, self.answer, head + whole[:6])
        self._rest, self._sequence = whole[6:], 1

    def _consecutive(self, block: int, gap_ns: int, now_ns: int) -> None:
        count = 0
        while self._rest and (block == 0 or count < block):
            part, self._rest = self._rest[:7], self._rest[7:]
            body = bytes([0x20 | self._sequence]) + part
            self.plan(now_ns + (count + 1) * gap_ns, self.answer, body.ljust(8, bytes([self.padding])))
            self._sequence, count = (self._sequence + 1) & 15, count + 1

    def respond(self, request: bytes, now_ns: int) -> bytes:
        raise NotImplementedError


def refuse(request: bytes, code: int) -> bytes:
    return bytes([0x7F, request[0], code])


@dataclass
class Memory:
    """Codes of a module: monitors that run, and codes that are just there (three bytes to status)."""

    vehicle: Vehicle
    monitors: list[Monitor] = field(default_factory=list)
    fixed: dict[int, int] = field(default_factory=dict)
    available: int = 0xFF
    form: int = 0x00

    def status(self) -> dict[int, int]:
        return {**self.fixed, **{m.code: m.status & self.available for m in self.monitors}}


class Module(Server):
    """A module with a fault memory: J1979 (if `obd`) and ISO 14229."""

    def __init__(
        self,
        request: int,
        answer: int,
        memory: Memory,
        functional: tuple[int, ...] = (),
        *,
        obd: bool = False,
        uds: bool = True,
        vin: str = "",
        identification: dict[int, bytes] | None = None,
    ) -> None:
        super().__init__(request, answer, functional)
        self.memory, self.obd, self.uds, self.vin = memory, obd, uds, vin
        self.identification = identification or {}
        self.cleared = False

    def due_ns(self) -> int:
        return super().due_ns()

    def hear(self, word: int, data: bytes, now_ns: int) -> None:
        for monitor in self.memory.monitors:
            monitor.hear(word, data, now_ns)
        super().hear(word, data, now_ns)

    def respond(self, request: bytes, now_ns: int) -> bytes:
        if self.memory.vehicle.key_on_ns is None:
            return b""
        for monitor in self.memory.monitors:
            monitor.step(self.memory.vehicle, now_ns)
        service = request[0]
        if service in (0x04, 0x14):
            self.cleared = True
            return bytes([service + 0x40])
        if service in (0x01, 0x03, 0x07, 0x09, 0x0A):
            return self._j1979(request) if self.obd else refuse(request, 0x11)
        if not self.uds:
            return refuse(request, 0x11)
        if service == 0x3E:
            return b"\x7e\x00" if request[1:] == b"\x00" else b""
        if service == 0x22 and len(request) == 3:
            content = self.identification.get(int.from_bytes(request[1:], "big"))
            return refuse(request, 0x31) if content is None else b"\x62" + request[1:] + content
        if service == 0x19:
            return self._read_codes(request)
        return refuse(request, 0x11)

    def _j1979(self, request: bytes) -> bytes:
        codes = self.memory.status()
        service = request[0]
        if service == 0x01:
            item = request[1]
            if item == 0x00:
                return bytes([0x41, 0x00]) + (1 << 31 | 1 << 19).to_bytes(4, "big")  # 01 and 0D
            if item == 0x01:
                count = sum(1 for s in codes.values() if s & 8)
                return bytes([0x41, 0x01, (0x80 if count else 0) | count, 0x07, 0, 0])
            if item == 0x0D:
                return bytes([0x41, 0x0D, self.memory.vehicle.speed_kmh])
            return b""
        if service == 0x09:
            if request[1] == 0x00:
                return bytes([0x49, 0x00]) + (1 << 30).to_bytes(4, "big")
            return b"\x49\x02\x01" + self.vin.encode() if request[1] == 0x02 and self.vin else b""
        bit = {0x03: 0x08, 0x07: 0x04, 0x0A: 0x08}[service]
        two = list(dict.fromkeys(code >> 8 for code, status in codes.items() if status & bit))
        return bytes([service + 0x40, len(two)]) + b"".join(code.to_bytes(2, "big") for code in two)

    def _read_codes(self, request: bytes) -> bytes:
        codes, memory = self.memory.status(), self.memory
        function = request[1]
        record = b""
        if function in (0x01, 0x02):
            chosen = {code: status for code, status in codes.items() if status & request[2] & memory.available}
            if function == 0x01:
                return bytes([0x59, 0x01, memory.available, memory.form]) + len(chosen).to_bytes(2, "big")
            record = b"".join(code.to_bytes(3, "big") + bytes([status]) for code, status in chosen.items())
            return bytes([0x59, 0x02, memory.available]) + record
        if function == 0x06:
            number = int.from_bytes(request[2:5], "big")
            if number not in codes:
                return refuse(request, 0x31)
            return bytes([0x59, 0x06]) + request[2:5] + bytes([codes[number], 0x01, 0x05])
        if function == 0x0A:
            record = b"".join(code.to_bytes(3, "big") + bytes([status]) for code, status in codes.items())
            return bytes([0x59, 0x0A, memory.available]) + record
        return refuse(request, 0x12)


class HeavyEngine(Node):
    """A J1939 engine at an address: DM1 once a second, by announcement when long; DM2 and identification on request."""

    def __init__(self, address: int, active: list[bytes], previous: list[bytes], component: bytes) -> None:
        super().__init__()
        self.address, self.component = address, component
        self.active, self.previous = active, previous
        self.next_ns = 100 * MS
        self.requested: list[int] = []
        self._waiting: dict[int, tuple[int, bytes]] = {}

    def due_ns(self) -> int:
        return min(super().due_ns(), self.next_ns)

    def frames(self, now_ns: int) -> Iterator[Frame]:
        while self.next_ns <= now_ns:
            self._say(0xFECA, 0xFF, self._faults(self.active), self.next_ns)
            self.next_ns += S
        yield from super().frames(now_ns)

    def hear(self, word: int, data: bytes, now_ns: int) -> None:
        if not word & X or not data or word >> 8 & 0xFF not in (self.address, 0xFF):
            return
        form, source = word >> 16 & 0xFF, word & 0xFF
        if form == 0xEA:
            group = int.from_bytes(data[:3], "little")
            self.requested.append(group)
            content = {0xFECB: self._faults(self.previous), 0xFEEB: self.component}.get(group)
            if content is None:
                reply = bytes([1, 0xFF, 0xFF, 0xFF, source]) + data[:3]
                self.plan(now_ns + 5 * MS, X | 0x18E8FF00 | self.address, reply)
            else:
                self._say(group, source, content, now_ns + 5 * MS)
        elif form == 0xEC and data[0] == 17 and source in self._waiting:
            _, content = self._waiting[source]
            for n in range(data[2], data[2] + data[1]):
                part = content[7 * (n - 1) : 7 * n].ljust(7, b"\xff")
                self.plan(now_ns + n * 2 * MS, X | 0x1CEB0000 | source << 8 | self.address, bytes([n]) + part)
        elif form == 0xEC and data[0] == 19:
            self._waiting.pop(source, None)

    def _faults(self, codes: list[bytes]) -> bytes:
        lamps = b"\x04\xff" if codes else b"\x00\xff"
        body = lamps + (b"".join(codes) or b"\0\0\0\0")
        return body.ljust(8, b"\xff") if len(body) < 8 else body

    def _say(self, group: int, to: int, content: bytes, at_ns: int) -> None:
        if len(content) <= 8:
            self.plan(at_ns, X | 0x18000000 | group << 8 | self.address, content.ljust(8, b"\xff"))
            return
        packets = (len(content) + 6) // 7
        size, number = len(content).to_bytes(2, "little"), group.to_bytes(3, "little")
        if to == 0xFF:
            self.plan(at_ns, X | 0x1CECFF00 | self.address, bytes([32]) + size + bytes([packets, 0xFF]) + number)
            for n in range(packets):
                part = content[7 * n : 7 * n + 7].ljust(7, b"\xff")
                self.plan(at_ns + (n + 1) * 50 * MS, X | 0x1CEBFF00 | self.address, bytes([n + 1]) + part)
            return
        self._waiting[to] = (group, content)
        self.plan(at_ns, X | 0x1CEC0000 | to << 8 | self.address, bytes([16]) + size + bytes([packets, 0xFF]) + number)
