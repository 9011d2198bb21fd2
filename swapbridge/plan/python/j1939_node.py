"""Plan room: the J1939 layer round a translator in Python, as `swapbridge.plan.j1939_node` has it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Generic, NamedTuple, TypeVar

from swapbridge.core import j1939
from swapbridge.core.j1939 import (
    ABORT,
    ACKNOWLEDGEMENT,
    ADDRESS_CLAIMED,
    ANNOUNCE,
    CTS,
    END,
    EVERYBODY,
    NEGATIVE,
    NO_ADDRESS,
    REQUEST,
    RTS,
    TRANSPORT,
    TRANSPORT_DATA,
    word_of_group,
)
from swapbridge.plan.j1939_node import (
    ASK_AGAIN_US,
    MOST_REPEATS,
    T1_US,
    T2_US,
    T3_US,
    T4_US,
    TO_ALL_GAP_US,
    TO_ONE_GAP_US,
    asking_buses,
    cannot_claim_delay_us,
    connection,
    group_number,
    keep,
    long_receives,
    long_sends,
    packets_of,
)
from swapbridge.plan.plan import AddressClaim, Plan

MASK = 0xFFFF_FFFF
HALF = 1 << 31
CLOSED, ANNOUNCED, CONNECTED = range(3)
IDLE, WAITING, ASKING, SENDING = range(4)
_LISTENS = frozenset(n >> 8 for n in (TRANSPORT, TRANSPORT_DATA, REQUEST, ADDRESS_CLAIMED))
_ASKS_FOR_CLAIM = ADDRESS_CLAIMED.to_bytes(3, "little")
NodeFrame = TypeVar("NodeFrame", bound=tuple[int, int, bytes])


class Heart(NamedTuple, Generic[NodeFrame]):
    """What the layer asks of the translator that it lies round.

    Attributes
    ----------
    on_frame, poll, next_poll : callables
        Its own three calls.
    deliver : callable
        ``deliver(receive, sender, data, now)``: a whole group came.
    going : callable
        ``going() -> (applied state, for each long send whether it would be sent)``.
    present : callable
        ``present() -> {receive that is named: address of its present sender, or -1}``.
    wait : callable
        ``wait(claim, waits, now)``: a claim begins or ends to wait (1 or 0).
    answering : callable
        ``answering() -> {send with on_request: whether it is active}``.
    """

    on_frame: Callable[[int, int, bytes, int], None]
    poll: Callable[[int], NodeFrame | None]
    next_poll: Callable[[int], int]
    deliver: Callable[[int, int, bytes, int], None]
    going: Callable[[], tuple[int, Sequence[bool]]]
    present: Callable[[], dict[int, int]]
    wait: Callable[[int, int, int], None]
    answering: Callable[[], dict[int, int]]


@dataclass(slots=True)
class _ClaimedAddress:
    claim: AddressClaim
    lost: bool = False
    owed_at: int | None = None
    waits: bool = False
    waits_until: int | None = None


@dataclass(slots=True)
class _Incoming:
    """A long receive."""

    receive: int
    bus: int
    group: int
    keep: int
    stage: int = CLOSED
    source: int = 0
    to: int = 0
    size: int = 0
    packets: int = 0
    next: int = 0
    first: int = 0
    end: int = 0
    most: int = 0
    due_at: int = 0
    owes: int = 0
    data: bytes = b""

    def open(self, stage: int, source: int, to: int, size: int) -> None:
        self.stage, self.source, self.to, self.size = stage, source, to, size
        self.packets, self.next, self.data, self.owes = packets_of(size), 1, b"", 0

    def permit(self, now: int) -> None:
        """The next permission is owed."""
        self.first, self.end = self.next, min(self.next + self.most - 1, self.packets)
        self.owes, self.due_at = CTS, now + T2_US

    def close(self) -> None:
        self.stage = CLOSED
        self.owes = 0

    def reply(self) -> bytes:
        if self.owes == END:
            return bytes([END, self.size & 255, self.size >> 8, self.packets, 0xFF])
        return bytes([CTS, self.end - self.first + 1, self.first, 0xFF, 0xFF])


@dataclass(slots=True)
class _Outgoing:
    """A long send."""

    bus: int
    source: int
    to: int
    group: int
    stage: int = IDLE
    next: int = 0
    end: int = 0
    repeats: int = 0
    due_at: int = 0
    data: bytes = b""

    @property
    def begun(self) -> bool:
        return self.stage >= ASKING


class J1939Node(Generic[NodeFrame]):
    """The layer of one plan round a translator.

    Parameters
    ----------
    plan : Plan
    heart : Heart
        The translator's own calls.
    make : callable
        Makes a frame to send from bus, identifier word and payload.
    """

    __slots__ = (
        "_abort",
        "_addresses",
        "_announced",
        "_asks_at",
        "_begun",
        "_claimed_sends",
        "_heart",
        "_incoming",
        "_long",
        "_make",
        "_outgoing",
        "_receives",
        "_refusal",
    )

    def __init__(self, plan: Plan, heart: Heart[NodeFrame], make: Callable[[int, int, bytes], NodeFrame]) -> None:
        self._heart, self._make = heart, make
        self._addresses = [_ClaimedAddress(claim, waits=claim.wait_us > 0) for claim in plan.claims]
        self._receives = plan.receives
        self._incoming = [_Incoming(n, r.bus, group_number(r.word), keep(r)) for n, r in long_receives(plan)]
        self._outgoing = [_Outgoing(*connection(s), group_number(s.word)) for _, s in long_sends(plan)]
        self._long = {(s.bus, s.word): own for (_, s), own in zip(long_sends(plan), self._outgoing, strict=True)}
        self._asks_at: dict[int, int | None] = dict.fromkeys(asking_buses(plan))
        self._abort: tuple[int, int, int, int, int] | None = None
        self._refusal: tuple[int, int, int, int] | None = None
        self._claimed_sends = [(n, plan.sends[n]) for claim in plan.claims for n in claim.sends]
        self._announced = self._begun = False

    @property
    def lost(self) -> tuple[AddressClaim, ...]:
        """Addresses that another node claimed."""
        return tuple(a.claim for a in self._addresses if a.lost)

    # --- receiving

    def on_frame(self, bus: int, word: int, data: bytes, now: int) -> None:
        """A frame was received."""
        self._heart.on_frame(bus, word, data, now)
        if not (word >> 31 and (word >> 16 & 0x3FF) in _LISTENS):
            return
        found = j1939.group_of(word)
        assert found is not None
        number, source, to = found
        if number == TRANSPORT:
            if len(data) == 8:
                self._hear_control(bus, source, to, data, now)
        elif number == TRANSPORT_DATA:
            if len(data) == 8:
                self._hear_data(bus, source, to, data, now)
        elif number == REQUEST:
            if data[:3] == _ASKS_FOR_CLAIM:
                self._hear_request(bus, to, now)
            elif len(data) >= 3 and to != EVERYBODY and source < NO_ADDRESS and self._owns(bus, to):
                self._hear_question(bus, to, source, int.from_bytes(data[:3], "little"))
        else:
            self._hear_claim(bus, word, data, now)

    def _owns(self, bus: int, address: int) -> bool:
        return any(
            (a.claim.bus, a.claim.address) == (bus, address) and not a.lost and not a.waits for a in self._addresses
        )

    def _hear_claim(self, bus: int, word: int, data: bytes, now: int) -> None:
        for one in self._addresses:
            if one.claim.bus != bus or one.lost or not one.claim.says(word, data):
                continue
            if not one.claim.fits(word, data):
                one.owed_at = now
                continue
            one.lost, one.owed_at = True, now + cannot_claim_delay_us(one.claim)
            one.waits, one.waits_until = False, None
            for own in self._incoming:
                if (own.bus, own.to) == (bus, one.claim.address):
                    own.close()
            if self._abort is not None and self._abort[:2] == (bus, one.claim.address):
                self._abort = None
            if self._refusal is not None and self._refusal[:2] == (bus, one.claim.address):
                self._refusal = None

    def _hear_request(self, bus: int, to: int, now: int) -> None:
        for one in self._addresses:
            if one.claim.bus != bus or to not in (one.claim.address, EVERYBODY):
                continue
            if not one.lost:
                one.owed_at = now
            elif to == EVERYBODY and one.owed_at is None:
                one.owed_at = now + cannot_claim_delay_us(one.claim)

    def _hear_question(self, bus: int, to: int, source: int, group: int) -> None:
        answering = self._heart.answering()
        known = any(
            (s.bus, s.word & 0xFF, group_number(s.word)) == (bus, to, group) and answering.get(n, 1)
            for n, s in self._claimed_sends
        )
        if not known and self._refusal is None:
            self._refusal = bus, to, source, group

    def _hear_control(self, bus: int, source: int, to: int, data: bytes, now: int) -> None:
        kind, size = data[0], data[1] | data[2] << 8
        group = int.from_bytes(data[5:8], "little")
        possible = 9 <= size <= j1939.LONGEST_MESSAGE and data[3] == packets_of(size)
        if kind == ANNOUNCE and to == EVERYBODY:
            for own in self._incoming:
                if own.stage == ANNOUNCED and (own.bus, own.source) == (bus, source):
                    own.close()
            taking = self._taking(bus, group, source, to) if possible else None
            if taking is not None and taking.stage == CLOSED:
                taking.open(ANNOUNCED, source, to, size)
                taking.due_at = now + T1_US
        elif to == EVERYBODY or not self._owns(bus, to):
            return
        elif kind == RTS:
            if possible:
                self._asked(bus, source, to, group, size, data[4], now)
        elif kind in (CTS, END, ABORT):
            for out in self._outgoing:
                if out.begun and (out.bus, out.source, out.to, out.group) == (bus, to, source, group):
                    if kind == CTS:
                        self._permitted(out, data[1], data[2], now)
                    else:
                        out.stage = IDLE
            if kind == ABORT:
                for own in self._incoming:
                    connected = own.stage == CONNECTED and (own.bus, own.source, own.to) == (bus, source, to)
                    if connected and own.group == group:
                        own.close()

    def _taking(self, bus: int, group: int, source: int, to: int) -> _Incoming | None:
        for own in self._incoming:
            fits = own.bus == bus and own.group == group
            if fits and self._receives[own.receive].fits(word_of_group(group, source, to)):
                return own if self._heart.present().get(own.receive, source) == source else None
        return None

    def _asked(self, bus: int, source: int, to: int, group: int, size: int, most: int, now: int) -> None:
        taking = self._taking(bus, group, source, to)
        connected = [
            own
            for own in self._incoming
            if own.stage == CONNECTED and (own.bus, own.source, own.to) == (bus, source, to)
        ]
        if taking is None:
            self._owe_abort(bus, to, source, group, 2)
        elif any(own is not taking for own in connected) or (taking.stage != CLOSED and taking not in connected):
            self._owe_abort(bus, to, source, group, 1)
        else:
            taking.open(CONNECTED, source, to, size)
            taking.most = most or 255
            taking.permit(now)

    def _permitted(self, out: _Outgoing, packets: int, first: int, now: int) -> None:
        if out.stage == SENDING:
            self._give_up(out, 4)
            return
        if packets == 0:
            out.due_at = now + T4_US
            return
        whole = packets_of(len(out.data))
        if not 1 <= first <= whole:
            return
        if first < out.next:
            out.repeats += 1
            if out.repeats > MOST_REPEATS:
                self._give_up(out, 5)
                return
        out.next, out.end = first, min(first + packets - 1, whole)
        out.stage, out.due_at = SENDING, now

    def _give_up(self, out: _Outgoing, reason: int) -> None:
        out.stage = IDLE
        self._owe_abort(out.bus, out.source, out.to, out.group, reason)

    def _owe_abort(self, bus: int, own: int, to: int, group: int, reason: int) -> None:
        if self._abort is None:
            self._abort = bus, own, to, group, reason

    def _hear_data(self, bus: int, source: int, to: int, data: bytes, now: int) -> None:
        for own in self._incoming:
            if own.stage == CLOSED or (own.bus, own.source, own.to) != (bus, source, to):
                continue
            if data[0] == own.next:
                self._packet(own, data[1:], now)
            elif data[0] != own.next - 1:
                connected = own.stage == CONNECTED
                own.close()
                if connected:
                    self._owe_abort(bus, to, source, own.group, 7)
            return

    def _packet(self, own: _Incoming, part: bytes, now: int) -> None:
        own.data = (own.data + part)[: own.keep]
        own.next += 1
        connected = own.stage == CONNECTED
        if own.next > own.packets:
            own.close()
            own.owes = END if connected else 0
            self._heart.deliver(own.receive, own.source, own.data[: own.size], now)
        elif connected and own.next > own.end:
            own.permit(now)
        else:
            own.due_at = now + T1_US

    # --- sending

    def poll(self, now: int) -> NodeFrame | None:
        """At most one frame to send."""
        if not self._begun:
            self._begun = True
            self._heart.next_poll(now)  # the first call starts the clock
        state, going = self._heart.going()
        if state == 0:
            self._forget(now)
        else:
            frame = self._own_frame(going, now)
            if frame is not None:
                return frame
        sent = self._heart.poll(now)
        if sent is None:
            return None
        out = self._long.get((sent[0], sent[1]))
        if out is None:
            return sent
        if not out.begun:
            out.stage, out.data = WAITING, sent[2]
        return None

    def _forget(self, now: int) -> None:
        self._announced, self._abort, self._refusal = False, None, None
        for number, one in enumerate(self._addresses):
            one.owed_at = one.waits_until = None
            if one.claim.wait_us and not one.lost and not one.waits:
                one.waits = True
                self._heart.wait(number, 1, now)
        self._asks_at = dict.fromkeys(self._asks_at)
        for own in self._incoming:
            own.close()
        for out in self._outgoing:
            out.stage = IDLE

    def _own_frame(self, going: Sequence[bool], now: int) -> NodeFrame | None:
        for number, one in enumerate(self._addresses):
            if one.waits_until is not None and _is_due(one.waits_until, now):
                one.waits, one.waits_until = False, None
                self._heart.wait(number, 0, now)
        if not self._announced:
            self._announced = True
            for one in self._addresses:
                if not one.lost:
                    one.owed_at = now
            self._asks_at = dict.fromkeys(self._asks_at, now)
        for one in self._addresses:
            if one.owed_at is not None and _is_due(one.owed_at, now):
                one.owed_at = None
                if one.waits and one.waits_until is None:
                    one.waits_until = now + one.claim.wait_us
                sender = NO_ADDRESS if one.lost else one.claim.address
                word = word_of_group(ADDRESS_CLAIMED, sender)
                return self._make(one.claim.bus, word, one.claim.name.to_bytes(8, "little"))
        for bus, asks_at in self._asks_at.items():
            if asks_at is not None and _is_due(asks_at, now):
                self._asks_at[bus] = (now + ASK_AGAIN_US) & MASK
                if any(p < 0 and self._receives[n].bus == bus for n, p in self._heart.present().items()):
                    return self._make(bus, word_of_group(REQUEST, NO_ADDRESS), _ASKS_FOR_CLAIM)
        if self._abort is not None:
            return self._aborted()
        if self._refusal is not None:
            return self._refused()
        for own in self._incoming:
            if own.owes:
                reply = own.reply()
                own.owes = 0
                return self._control(own.bus, own.to, own.source, reply, own.group)
            if own.stage != CLOSED and _is_due(own.due_at, now):
                connected = own.stage == CONNECTED
                own.close()
                if connected:
                    self._owe_abort(own.bus, own.to, own.source, own.group, 3)
                    return self._aborted()
        for out, goes in zip(self._outgoing, going, strict=True):
            if out.stage != IDLE and not goes:
                out.stage = IDLE
            elif (out.stage == WAITING and self._is_free(out)) or (out.begun and _is_due(out.due_at, now)):
                return self._send_on(out, now)
        return None

    def _is_free(self, out: _Outgoing) -> bool:
        mine = out.bus, out.source, out.to
        return not any(other.begun and (other.bus, other.source, other.to) == mine for other in self._outgoing)

    def _send_on(self, out: _Outgoing, now: int) -> NodeFrame:
        size, to_all = len(out.data), out.to == EVERYBODY
        if out.stage == WAITING:
            out.next, out.repeats, out.end = 1, 0, packets_of(size)
            out.stage, out.due_at = (SENDING, now + TO_ALL_GAP_US) if to_all else (ASKING, now + T3_US)
            head = bytes([ANNOUNCE if to_all else RTS, size & 255, size >> 8, packets_of(size), 0xFF])
            return self._control(out.bus, out.source, out.to, head, out.group)
        if out.stage == ASKING:
            self._give_up(out, 3)
            return self._aborted()
        part = out.data[7 * out.next - 7 : 7 * out.next]
        frame = self._make(
            out.bus,
            word_of_group(TRANSPORT_DATA, out.source, out.to, 7),
            bytes([out.next]) + part.ljust(7, b"\xff"),
        )
        out.next += 1
        if out.next <= out.end:
            out.due_at = now + (TO_ALL_GAP_US if to_all else TO_ONE_GAP_US)
        else:
            out.stage, out.due_at = (IDLE if to_all else ASKING), now + T3_US
        return frame

    def _aborted(self) -> NodeFrame:
        assert self._abort is not None
        (bus, own, to, group, reason), self._abort = self._abort, None
        return self._control(bus, own, to, bytes([ABORT, reason, 0xFF, 0xFF, 0xFF]), group)

    def _refused(self) -> NodeFrame:
        assert self._refusal is not None
        (bus, own, to, group), self._refusal = self._refusal, None
        data = bytes([NEGATIVE, 0xFF, 0xFF, 0xFF, to]) + group.to_bytes(3, "little")
        return self._make(bus, word_of_group(ACKNOWLEDGEMENT, own), data)

    def _control(self, bus: int, own: int, to: int, head: bytes, group: int) -> NodeFrame:
        return self._make(bus, word_of_group(TRANSPORT, own, to, 7), head + group.to_bytes(3, "little"))

    def next_poll(self, now: int) -> int:
        """When `poll` could next have something to do."""
        theirs = self._heart.next_poll(now)
        if self._heart.going()[0] == 0:
            return theirs
        if not self._announced or self._abort is not None or self._refusal is not None:
            return now
        claims = (at for one in self._addresses for at in (one.owed_at, one.waits_until))
        owed = (*claims, *self._asks_at.values())
        times = [at for at in owed if at is not None]
        for own in self._incoming:
            if own.owes:
                return now
            if own.stage != CLOSED:
                times.append(own.due_at)
        for out in self._outgoing:
            if out.stage == WAITING and self._is_free(out):
                return now
            if out.begun:
                times.append(out.due_at)
        waits = [0 if _is_due(t, now) else (t - now) & MASK for t in times]
        return (now + min((*waits, (theirs - now) & MASK))) & MASK


def _is_due(timer: int, now: int) -> bool:
    return (now - timer) & MASK < HALF
