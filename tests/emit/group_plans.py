"""Random plans that listen to J1939 groups: some from any address, some from one, with others talking between them."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from swapbridge.core import j1939
from swapbridge.core.identifier_words import EXTENDED_BIT, split_word
from swapbridge.core.obd import diagnostic_use
from swapbridge.plan.check import check_plan
from swapbridge.plan.plan import EXACT_MASK, AddressClaim, Plan, Receive, Send, Variant

_NAMES = tuple(n << 40 | k for n in (0, 1, 9) for k in (5, 6, 1 << 21))
_PATTERNS = tuple(j1939.NamePattern(name & mask, mask) for name in _NAMES for mask in (0xFF << 40, (1 << 64) - 1))
_NUMBERS = (0xF004, 0xF003, 0xFEF1, 0xFEEE, 0x0100, 0x0400, 0xEF00, 0x1F004)


def with_groups(plan: Plan, rng: random.Random) -> Plan:
    """The plan with some of its receives listening to a group."""
    receives: list[Receive] = []
    for receive in plan.receives:
        if rng.random() < 0.7:
            number = rng.choice(_NUMBERS)
            own = j1939.Identifier(rng.randrange(8), number, rng.choice((0, 3, 49)), rng.choice((0, 255))).word
            mask = j1939.group_mask(number) | rng.choice((0, 0, 0xFF, 0xFF00, 0xFFFF))
            grouped = replace(receive, word=own, mask=mask)
            if grouped.any_sender and rng.random() < 0.4:
                grouped = replace(grouped, sender_name=rng.choice(_PATTERNS))
            if not any(_both(grouped, other) for other in (*receives, *plan.receives) if other is not receive):
                receive = grouped
        receives.append(receive)
    by_address: dict[tuple[int, int], list[int]] = {}
    for number, send in enumerate(plan.sends):
        if send.word & EXTENDED_BIT and send.word & 0xFF < j1939.NO_ADDRESS and rng.random() < 0.8:
            by_address.setdefault((send.bus, send.word & 0xFF), []).append(number)
    claims = tuple(
        AddressClaim(bus, address, tuple(sends), rng.getrandbits(64), *_manner(rng))
        for (bus, address), sends in by_address.items()
    )
    watched = {n for claim in claims for n in claim.sends}
    sends = [replace(s, on_request=n in watched and rng.random() < 0.4) for n, s in enumerate(plan.sends)]
    return replace(plan, receives=tuple(receives), claims=claims, sends=tuple(sends))


def with_long_messages(plan: Plan, rng: random.Random, make: Callable[[Plan, int], Variant]) -> Plan:
    """The plan with groups that come in packets, and messages of more than eight bytes that go out so.

    `make` gives a form of a message of so many bytes.
    """
    receives = [
        replace(r, long=rng.random() < 0.8, minimum_length=max(r.minimum_length, rng.choice((0, 9, 20))))
        if r.mask != EXACT_MASK and r.checksum is None
        else r
        for r in plan.receives
    ]
    sends, claims = list(plan.sends), list(plan.claims)
    taken = {(c.bus, c.address) for c in claims} | {(s.bus, s.word & 0xFF) for s in sends if s.word & EXTENDED_BIT}
    for address in rng.sample((0, 3, 49, 200), rng.randint(1, 2)):
        bus = rng.randrange(len(plan.buses))
        if (bus, address) in taken:
            continue
        mine = list[int]()
        for number in rng.sample((0xFEE3, 0xFEEB, 0xEF00, 0xFECA), rng.randint(0, 3)):
            to = rng.choice((255, 255, 17, 33))
            word = j1939.Identifier(rng.choice((3, 6)), number, address, to).word
            form = make(plan, rng.choice((9, 14, 15, 39, 64)))
            timing: dict[str, Any] = {
                "period_us": rng.choice((0, 300_000, 1_000_000)),
                "states": rng.choice((63, 62, rng.getrandbits(6))),
            }
            if not timing["period_us"]:
                timing |= {"check_us": 10_000, "gap_us": rng.choice((0, 300_000))}
            elif rng.random() < 0.3:
                timing["count"] = 2
            mine.append(len(sends))
            asked = rng.random() < 0.3
            sends.append(
                Send(f"long {len(sends)}", bus, word, False, variants=(form,), to=to, on_request=asked, **timing)
            )
        claims.append(AddressClaim(bus, address, tuple(mine), rng.getrandbits(64), *_manner(rng)))
    out = replace(plan, receives=tuple(receives), sends=tuple(sends), claims=tuple(claims))
    check_plan(out)
    return out


def _manner(rng: random.Random) -> tuple[bool, int]:
    """Whether an address is contended for, and how long is waited after its claim."""
    return rng.random() < 0.5, rng.choice((0, 250_000))


class Peer:
    """Another node that mostly keeps to the rules of transport: sends long messages, answers those it is sent."""

    def __init__(self, plan: Plan, rng: random.Random) -> None:
        self.plan, self.rng = plan, rng
        self.long = [r for r in plan.receives if r.long]
        self.sends = [s for s in plan.sends if s.is_long]
        self.talks: list[list[tuple[int, int, bytes]]] = []

    def call(self) -> tuple[int, int, bytes]:
        """Bus, word and data of its next frame: several sessions at once, frames lost, twice or out of order."""
        rng = self.rng
        if self.talks and rng.random() < 0.8:
            talk = rng.choice(self.talks)
            frame = talk[0] if rng.random() < 0.03 else talk.pop(min(int(rng.random() < 0.02), len(talk) - 1))
            if talk and rng.random() < 0.02:
                talk.pop(0)
            self.talks = [t for t in self.talks if t]
            return frame
        if self.sends and rng.random() < 0.4:
            return self.answer(rng.choice(self.sends))
        if rng.random() < 0.1 and self.plan.claims:
            claim = rng.choice(self.plan.claims)
            to, asker = rng.choice((claim.address, claim.address, 255)), rng.choice((3, 249, 254))
            words = [self.plan.sends[n].word for n in claim.sends]
            known = [found.number for word in words if (found := j1939.Identifier.of(word)) is not None]
            group = rng.choice((0xEE00, 0xEB00, 0xFECC, *known, *known))
            data = group.to_bytes(3, "little") + bytes(rng.choice((0, 0, 5)))
            return claim.bus, j1939.Identifier(6, j1939.REQUEST, asker, to).word, data
        return self.begin()

    def answer(self, send: Send) -> tuple[int, int, bytes]:
        """Control for a long message of the plan."""
        rng, number = self.rng, j1939.Identifier.of(send.word)
        assert number is not None
        count = rng.choice((0, 1, 2, 255)) if rng.random() < 0.5 else 255
        kind = rng.choice((17, 17, 17, 17, 17, 19, 255))
        head = bytes([kind, count, rng.choice((1, 1, 1, 2, 3, 0, 30)), 255, 255])
        group = number.number if rng.random() < 0.95 else 0xFEE4
        return send.bus, j1939.Identifier(7, 0xEC00, send.to, number.source).word, head + group.to_bytes(3, "little")

    def begin(self) -> tuple[int, int, bytes]:
        """A long message to the plan, or nearly: its control frame, the packets later."""
        rng = self.rng
        receive = rng.choice(self.long) if self.long and rng.random() < 0.9 else None
        bus = receive.bus if receive else rng.randrange(len(self.plan.buses))
        group = j1939.Identifier.of(receive.word) if receive else j1939.Identifier(6, 0xFEE6, 3)
        assert group is not None
        source = group.source if rng.random() < 0.8 else rng.choice((0, 3, 17, 49))
        own = [c.address for c in self.plan.claims if c.bus == bus]
        to = rng.choice((255, *own)) if rng.random() < 0.95 else 77
        size = rng.choice((9, 14, 20, 39, 200)) if rng.random() < 0.97 else rng.choice((0, 8, 1786))
        count = (size + 6) // 7 & 255
        head = bytes([32 if to == 255 else 16, *size.to_bytes(2, "little"), count, rng.choice((0, 1, 3, 255))])
        data = j1939.Identifier(7, 0xEB00, source, to).word
        self.talks.append([(bus, data, bytes([n, *rng.randbytes(7)])) for n in range(1, count + 1)])
        self.talks = [t for t in self.talks if t][-4:]
        return bus, j1939.Identifier(7, 0xEC00, source, to).word, head + group.number.to_bytes(3, "little")


def claim_call(plan: Plan, rng: random.Random) -> tuple[int, int, bytes]:
    """Bus, word and data of a frame that claims one of the plan's addresses, or nearly does."""
    claim = rng.choice(plan.claims)
    word = j1939.Identifier(rng.choice((3, 6)), j1939.ADDRESS_CLAIMED, claim.address, rng.choice((0, 255))).word
    if rng.random() < 0.3:
        word ^= rng.choice((1, 1 << 16, 1 << 24))
    data = rng.choice((rng.randbytes(8), claim.name.to_bytes(8, "little")))
    return claim.bus, word, data[: 8 if rng.random() < 0.8 else 7]


def naming_call(plan: Plan, rng: random.Random) -> tuple[int, int, bytes]:
    """Bus, word and data of some node's claim of an address, or that it has none."""
    named = [r for r in plan.receives if r.sender_name is not None]
    bus = rng.choice(named).bus if named and rng.random() < 0.9 else rng.randrange(len(plan.buses))
    source = rng.choice((0, 3, 49, 49, 254))
    name = rng.choice(_NAMES)
    word = j1939.Identifier(6, j1939.ADDRESS_CLAIMED, source, rng.choice((0, 255))).word
    return bus, word, name.to_bytes(8, "little")[: 8 if rng.random() < 0.97 else 7]


def _both(one: Receive, other: Receive) -> bool:
    return one.bus == other.bus and not (one.word ^ other.word) & one.mask & other.mask


def word_for(receive: Receive, rng: random.Random) -> int:
    """An identifier that a receive may hear: another priority, now and then another sender."""
    if receive.mask == EXACT_MASK:
        return receive.word
    word = receive.word & 0x83FF_FFFF | rng.choice((3, 6)) << 26
    if rng.random() < 0.3:
        word = word & ~0xFF | rng.choice((0, 3, 49))
    if rng.random() < 0.1 and not receive.mask & 0xFF00:
        word = word & ~0xFF00 | rng.choice((0, 255)) << 8
    return word if not diagnostic_use(*split_word(word)) else receive.word
