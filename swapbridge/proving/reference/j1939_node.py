"""Proving room: the J1939 layer of a bridge, worked out beside the translator's own: packets and address claims.

The twin of `swapbridge.plan.python.j1939_node`, written from SAE J1939-21 and J1939-81 (from memory) and the contract
in `swapbridge.plan.j1939_node`, with arithmetic of its own. Times are microseconds modulo 2**32.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from swapbridge.signalmap.signal_map import MapMessage

BusFrame = tuple[int, int, bytes]
"""Bus, identifier word, payload."""
WRAP, HALF = 1 << 32, 1 << 31
ALL, NOBODY = 255, 254
MOST_BYTES = 1785


def _word(priority: int, form: int, to: int, source: int) -> int:
    """Identifier word of a group that names its receiver."""
    return 1 << 31 | priority << 26 | form << 16 | to << 8 | source


def name_of(address: int) -> bytes:
    """NAME of somebody who stands in for an address: the highest there is (bit 48 is reserved), less the address."""
    return ((1 << 64) - 1 - (1 << 48) - address).to_bytes(8, "little")


LAYER = MapMessage("addresses and packets", _word(6, 0xEE, ALL, NOBODY) & ~(1 << 31), True, 8, ())
"""Stands for the layer where other frames have the message they are of; its identifier is that of 'cannot claim'."""


@dataclass(frozen=True, slots=True)
class FrameSubject:
    """What a frame of the layer is of: a long message, without its signals, which no packet holds whole, or `LAYER`."""

    bus_number: int
    message: MapMessage = LAYER
    answers: None = None

    def nearly(self, got: bytes, expected: bytes) -> bool:
        """Nothing here is rounded."""
        return False


@dataclass(slots=True, eq=False)
class LongReceive:
    """A group that may come in packets.

    `fits` is asked with an identifier word of priority 6; `deliver` gets that word and the first `keep` bytes.
    """

    bus: int
    group: int
    keep: int
    fits: Callable[[int], bool]
    deliver: Callable[[int, bytes, int], None]


@dataclass(slots=True, eq=False)
class LongSend:
    """A message that goes out in packets; `goes` is whether it would be sent now."""

    bus: int
    word: int
    to: int
    goes: Callable[[], bool]
    payload: bytes = b""
    stage: str = "idle"
    number: int = 0
    last: int = 0
    again: int = 0
    timer: int = 0

    @property
    def group(self) -> int:
        """Its parameter group number."""
        number = self.word >> 8 & 0x3FFFF
        return number if number >> 8 & 255 >= 240 else number & ~255

    @property
    def line(self) -> tuple[int, int, int]:
        """Bus, sender, receiver."""
        return self.bus, self.word & 255, self.to

    @property
    def parts(self) -> list[bytes]:
        """Its packets, numbered from 1."""
        chunks = [self.payload[n : n + 7] for n in range(0, len(self.payload), 7)]
        return [bytes([n]) + chunk + b"\xff" * (7 - len(chunk)) for n, chunk in enumerate(chunks, 1)]


@dataclass(slots=True)
class _Transfer:
    """A message that comes in."""

    line: tuple[int, int, int]
    size: int
    most: int
    timer: int
    chunks: list[bytes] = field(default_factory=list)
    window: int = 0
    """Packets permitted so far."""

    @property
    def to_all(self) -> bool:
        return self.line[2] == ALL

    @property
    def count(self) -> int:
        return -(-self.size // 7)


@dataclass(slots=True)
class Address:
    """An address that the bridge sends as, and its name."""

    bus: int
    address: int
    name: bytes
    contends: bool = False
    wait_us: int = 0
    lost: bool = False
    timer: int | None = None
    waits: bool = False
    until: int | None = None
    """When it may be sent as, once its claim is out."""

    @property
    def delay_us(self) -> int:
        """How long 'cannot claim' waits."""
        return (sum(self.name) + self.address) % 256 * 600

    def keeps(self, claim: bytes) -> bool:
        """Whether it is kept against another node's claim: the number of the lower NAME wins, its top byte first."""
        return self.contends and claim[::-1] > self.name[::-1]


@dataclass(slots=True)
class Asks:
    """A bus on which NAMEs are listened to; `misses` is whether one of them has no address yet."""

    bus: int
    misses: Callable[[], bool]
    timer: int | None = None


class NodeTwin:
    """What the layer must say, and what it makes of what is heard."""

    def __init__(
        self,
        addresses: Sequence[Address],
        receives: Sequence[LongReceive],
        sends: Sequence[LongSend],
        state: Callable[[], int],
        asks: Sequence[Asks] = (),
        waiting: Callable[[Address], None] = lambda _: None,
        makes: Callable[[Address, int], bool] = lambda _, __: False,
    ) -> None:
        self.addresses, self.receives, self.sends, self.asks, self._state = addresses, receives, sends, asks, state
        self.is_silent = not (addresses or receives or sends or asks)
        """Whether there is nothing that it could say or take."""
        self._waiting, self._makes = waiting, makes
        """Told when an address begins or ends to wait."""
        for address in addresses:
            self._let_wait(address, address.wait_us > 0)
        self._coming: dict[LongReceive, _Transfer] = {}
        self._replies: dict[LongReceive, BusFrame] = {}
        self._abort: BusFrame | None = None
        self._refusal: BusFrame | None = None
        self._announced = False
        self.spoke: LongSend | None = None
        """Whose frame `due` gave last; None for what the layer says by itself."""

    def _let_wait(self, address: Address, waits: bool) -> None:
        address.until = None
        if address.waits != waits:
            address.waits = waits
            self._waiting(address)

    def heard(self, bus: int, word: int, data: bytes, now: int) -> None:
        """A frame was received."""
        if not word >> 31 or word >> 24 & 3:
            return
        form, to, source = word >> 16 & 255, word >> 8 & 255, word & 255
        if form == 0xEE and len(data) == 8:
            self._claimed(bus, source, data, now)
        elif form == 0xEA and data.startswith(b"\x00\xee\x00"):
            self._asked_who(bus, to, now)
        elif form == 0xEA and len(data) >= 3:
            self._asked_for(bus, to, source, data[:3])
        elif form == 0xEC and len(data) == 8:
            self._control(bus, source, to, data, now)
        elif form == 0xEB and len(data) == 8:
            self._data(bus, source, to, data, now)

    def own(self, bus: int, address: int) -> Address | None:
        """What is known of an address that the bridge sends as."""
        return next((a for a in self.addresses if (a.bus, a.address) == (bus, address)), None)

    def _claimed(self, bus: int, source: int, data: bytes, now: int) -> None:
        own = self.own(bus, source)
        if own is None or own.lost:
            return
        if own.keeps(data):
            own.timer = now
            return
        own.lost, own.timer = True, (now + own.delay_us) % WRAP
        own.waits, own.until = False, None
        self._coming = {h: t for h, t in self._coming.items() if t.line[0] != bus or t.line[2] != source}
        self._replies = {h: f for h, f in self._replies.items() if (f[0], f[1] & 255) != (bus, source)}
        if self._abort is not None and (self._abort[0], self._abort[1] & 255) == (bus, source):
            self._abort = None
        if self._refusal is not None and (self._refusal[0], self._refusal[1] & 255) == (bus, source):
            self._refusal = None

    def _asked_who(self, bus: int, to: int, now: int) -> None:
        for own in self.addresses:
            if own.bus == bus and to in (own.address, ALL):
                if not own.lost:
                    own.timer = now
                elif to == ALL and own.timer is None:
                    own.timer = (now + own.delay_us) % WRAP

    def _asked_for(self, bus: int, to: int, source: int, group: bytes) -> None:
        """Somebody wants a group of an address: no answer is no answer, so one is owed that it can't be had."""
        own = self.own(bus, to)
        if to == ALL or source >= NOBODY or own is None or own.lost or own.waits or self._refusal is not None:
            return
        if not self._makes(own, int.from_bytes(group, "little")):
            self._refusal = bus, _word(6, 0xE8, ALL, to), b"\x01\xff\xff\xff" + bytes([source]) + group

    def _control(self, bus: int, source: int, to: int, data: bytes, now: int) -> None:
        kind, size, count = data[0], int.from_bytes(data[1:3], "little"), data[3]
        group = int.from_bytes(data[5:8], "little")
        can_be = 8 < size <= MOST_BYTES and count == -(-size // 7)
        line = (bus, source, to)
        if to == ALL:
            if kind == 32:
                self._coming = {h: t for h, t in self._coming.items() if t.line != line}
                taker = self._taker(bus, group, source, to) if can_be else None
                if taker is not None and taker not in self._coming:
                    self._replies.pop(taker, None)
                    self._coming[taker] = _Transfer(line, size, 0, now + 750_000)
            return
        own = self.own(bus, to)
        if own is None or own.lost or own.waits:
            return
        if kind == 16 and can_be:
            taker = self._taker(bus, group, source, to)
            same = [h for h, t in self._coming.items() if t.line == line]
            if taker is None:
                self._give_up(bus, to, source, group, 2)
            elif (same and same != [taker]) or (not same and taker in self._coming):
                self._give_up(bus, to, source, group, 1)
            else:
                self._coming[taker] = _Transfer(line, size, data[4] or 255, 0)
                self._permit(taker, now)
        elif kind in (17, 19, 255):
            for sends in self.sends:
                if sends.line == (bus, to, source) and sends.group == group and sends.stage in ("asks", "sends"):
                    if kind == 17:
                        self._permitted(sends, count=data[1], first=data[2], now=now)
                    else:
                        sends.stage = "idle"
            if kind == 255:
                for receives in [h for h, t in self._coming.items() if t.line == line and h.group == group]:
                    del self._coming[receives]
                    self._replies.pop(receives, None)

    def _taker(self, bus: int, group: int, source: int, to: int) -> LongReceive | None:
        if group > 0x3FFFF:
            return None
        low = to if group >> 8 & 255 < 240 else 0
        word = 1 << 31 | 6 << 26 | (group | low) << 8 | source
        return next((h for h in self.receives if h.bus == bus and h.group == group and h.fits(word)), None)

    def _permit(self, receives: LongReceive, now: int) -> None:
        transfer = self._coming[receives]
        number = len(transfer.chunks) + 1
        packets = min(transfer.most, transfer.count - len(transfer.chunks))
        transfer.window, transfer.timer = len(transfer.chunks) + packets, now + 1_250_000
        self._replies[receives] = self._frame_to(transfer.line, receives.group, bytes([17, packets, number, 255, 255]))

    @staticmethod
    def _frame_to(line: tuple[int, int, int], group: int, head: bytes) -> BusFrame:
        """Control in answer to what comes along a line."""
        bus, source, own = line
        return bus, _word(7, 0xEC, source, own), head + group.to_bytes(3, "little")

    def _give_up(self, bus: int, own: int, to: int, group: int, reason: int) -> None:
        if self._abort is None:
            self._abort = self._frame_to((bus, to, own), group, bytes([255, reason, 255, 255, 255]))

    def _permitted(self, sends: LongSend, count: int, first: int, now: int) -> None:
        bus, own, to = sends.line
        if sends.stage == "sends":
            sends.stage = "idle"
            self._give_up(bus, own, to, sends.group, 4)
        elif count == 0:
            sends.timer = now + 1_050_000
        elif 1 <= first <= len(sends.parts):
            sends.again += first < sends.number
            if sends.again == 3:
                sends.stage = "idle"
                self._give_up(bus, own, to, sends.group, 5)
                return
            sends.stage, sends.number, sends.timer = "sends", first, now
            sends.last = min(len(sends.parts), first + count - 1)

    def _data(self, bus: int, source: int, to: int, data: bytes, now: int) -> None:
        for receives, transfer in list(self._coming.items()):
            if transfer.line != (bus, source, to):
                continue
            have = len(transfer.chunks)
            if data[0] == have + 1:
                transfer.chunks.append(data[1:])
                self._advance(receives, transfer, now)
            elif data[0] != have:
                del self._coming[receives]
                self._replies.pop(receives, None)
                if not transfer.to_all:
                    self._give_up(bus, to, source, receives.group, 7)

    def _advance(self, receives: LongReceive, transfer: _Transfer, now: int) -> None:
        _, source, to = transfer.line
        if len(transfer.chunks) == transfer.count:
            del self._coming[receives]
            self._replies.pop(receives, None)
            if not transfer.to_all:
                head = bytes([19]) + transfer.size.to_bytes(2, "little") + bytes([transfer.count, 255])
                self._replies[receives] = self._frame_to(transfer.line, receives.group, head)
            whole = b"".join(transfer.chunks)[: transfer.size]
            low = to if receives.group >> 8 & 255 < 240 else 0
            receives.deliver(1 << 31 | 6 << 26 | (receives.group | low) << 8 | source, whole[: receives.keep], now)
        elif not transfer.to_all and len(transfer.chunks) == transfer.window:
            self._permit(receives, now)
        else:
            transfer.timer = now + 750_000

    def due(self, now: int) -> BusFrame | None:
        """The frame that `poll` gives before the translator is asked; taken from what is owed."""
        self.spoke = None
        if self._state() == 0:
            self._announced, self._abort, self._refusal = False, None, None
            self._coming.clear()
            self._replies.clear()
            for address in self.addresses:
                address.timer = None
                self._let_wait(address, address.wait_us > 0 and not address.lost)
            for question in self.asks:
                question.timer = None
            for sends in self.sends:
                sends.stage = "idle"
            return None
        for address in self.addresses:
            if address.until is not None and _reached(address.until, now):
                self._let_wait(address, waits=False)
        if not self._announced:
            self._announced = True
            for address in self.addresses:
                if not address.lost:
                    address.timer = now
            for question in self.asks:
                question.timer = now
        for address in self.addresses:
            if address.timer is not None and _reached(address.timer, now):
                address.timer = None
                if address.waits and address.until is None:
                    address.until = (now + address.wait_us) % WRAP
                return address.bus, _word(6, 0xEE, ALL, NOBODY if address.lost else address.address), address.name
        for question in self.asks:
            if question.timer is not None and _reached(question.timer, now):
                question.timer = (now + 2_000_000) % WRAP
                if question.misses():
                    return question.bus, _word(6, 0xEA, ALL, NOBODY), b"\x00\xee\x00"
        if self._abort is not None:
            return self._take_abort()
        if self._refusal is not None:
            refusal, self._refusal = self._refusal, None
            return refusal
        for receives in self.receives:
            if receives in self._replies:
                return self._replies.pop(receives)
            transfer = self._coming.get(receives)
            if transfer is not None and _reached(transfer.timer, now):
                del self._coming[receives]
                if not transfer.to_all:
                    bus, source, own = transfer.line
                    self._give_up(bus, own, source, receives.group, 3)
                    return self._take_abort()
        for sends in self.sends:
            if sends.stage != "idle" and not sends.goes():
                sends.stage = "idle"
            frame = self._go_on(sends, now)
            if frame is not None:
                self.spoke = sends
                return frame
        return None

    def _take_abort(self) -> BusFrame:
        frame, self._abort = self._abort, None
        assert frame is not None
        return frame

    def _may_begin(self, sends: LongSend) -> bool:
        return sends.stage == "waits" and all(
            other.line != sends.line or other.stage in ("idle", "waits") for other in self.sends
        )

    def _go_on(self, sends: LongSend, now: int) -> BusFrame | None:
        bus, own, to = sends.line
        if self._may_begin(sends):
            kind, sends.stage, wait = (32, "sends", 50_000) if to == ALL else (16, "asks", 1_250_000)
            sends.number, sends.last, sends.again, sends.timer = 1, len(sends.parts), 0, now + wait
            head = bytes([kind]) + len(sends.payload).to_bytes(2, "little") + bytes([len(sends.parts), 255])
            return self._frame_to((bus, to, own), sends.group, head)
        if sends.stage not in ("asks", "sends") or not _reached(sends.timer, now):
            return None
        if sends.stage == "asks":
            sends.stage = "idle"
            self._give_up(bus, own, to, sends.group, 3)
            return self._take_abort()
        packet = sends.parts[sends.number - 1]
        sends.number += 1
        sends.timer = now + (50_000 if to == ALL else 10_000)
        if sends.number > sends.last:
            sends.stage, sends.timer = ("idle" if to == ALL else "asks"), now + 1_250_000
        return bus, _word(7, 0xEB, to, own), packet

    def begin(self, bus: int, word: int, payload: bytes) -> bool:
        """The translator made a payload: whether it is one that goes out in packets."""
        for sends in self.sends:
            if (sends.bus, sends.word) == (bus, word):
                if sends.stage in ("idle", "waits"):
                    sends.stage, sends.payload = "waits", payload
                return True
        return False

    def wait_us(self, now: int) -> int | None:
        """How long until `due` may give a frame; None when nothing is under way."""
        if self._state() == 0 or not (self.addresses or self.receives or self.sends or self.asks):
            return None
        if (
            not self._announced
            or self._abort
            or self._refusal
            or self._replies
            or any(map(self._may_begin, self.sends))
        ):
            return 0
        timers = [t for a in self.addresses for t in (a.timer, a.until) if t is not None]
        timers += [q.timer for q in self.asks if q.timer is not None]
        timers += [t.timer for t in self._coming.values()]
        timers += [s.timer for s in self.sends if s.stage in ("asks", "sends")]
        return min((0 if _reached(t, now) else (t - now) % WRAP for t in timers), default=None)


def _reached(timer: int, now: int) -> bool:
    return (now - timer) % WRAP < HALF
