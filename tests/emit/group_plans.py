"""Random plans that listen to J1939 groups: some from any address, some from one, with others talking between them."""

from __future__ import annotations

import random
from dataclasses import replace

from swapbridge.core import j1939
from swapbridge.core.frames import EXTENDED_BIT, split_word
from swapbridge.core.obd import diagnostic_use
from swapbridge.plan.model import EXACT_MASK, AddressClaim, Plan, Receive

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
            if not any(_both(grouped, other) for other in (*receives, *plan.receives) if other is not receive):
                receive = grouped
        receives.append(receive)
    by_address: dict[tuple[int, int], list[int]] = {}
    for number, send in enumerate(plan.sends):
        if send.word & EXTENDED_BIT and send.word & 0xFF < j1939.NO_ADDRESS and rng.random() < 0.8:
            by_address.setdefault((send.bus, send.word & 0xFF), []).append(number)
    claims = tuple(AddressClaim(bus, address, tuple(sends)) for (bus, address), sends in by_address.items())
    return replace(plan, receives=tuple(receives), claims=claims)


def claim_call(plan: Plan, rng: random.Random) -> tuple[int, int, bytes]:
    """Bus, word and data of a frame that claims one of the plan's addresses, or nearly does."""
    claim = rng.choice(plan.claims)
    word = j1939.Identifier(rng.choice((3, 6)), j1939.ADDRESS_CLAIMED, claim.address, rng.choice((0, 255))).word
    if rng.random() < 0.3:
        word ^= rng.choice((1, 1 << 16, 1 << 24))
    return claim.bus, word, rng.randbytes(8 if rng.random() < 0.8 else 7)


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
