"""Proving room: J1939 groups are settled before anything is judged: which identifier of a recording each of them is.

A group is heard whatever its priority and sender, and every judge looks frames up by identifier. So plan and maps are
given the identifier that the recording has; the mask stays, and with it what the translator does.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from swapbridge.capture.capture import Capture
from swapbridge.core.identifier_words import split_word
from swapbridge.core.j1939 import NO_ADDRESS, NamePattern
from swapbridge.plan.plan import ANY_CLAIM, ANY_CLAIM_MASK, EXACT_MASK, Plan, Receive
from swapbridge.proving.bench.traffic import words_of
from swapbridge.proving.verdict import Check
from swapbridge.signalmap.signal_map import SignalMap


@dataclass(frozen=True, slots=True)
class Settled:
    """Plan and maps with the recordings' identifiers, and remarks on groups with several senders."""

    plan: Plan
    maps: dict[str, SignalMap]
    checks: tuple[Check, ...] = ()


def settle_groups(plan: Plan, maps: Mapping[str, SignalMap], captures: Mapping[str, Capture]) -> Settled:
    """Settle every group that a plan listens to; the plan behaves as before."""
    if all(r.mask == EXACT_MASK for r in plan.receives):
        return Settled(plan, dict(maps))
    out, receives, checks = dict(maps), list[Receive](), list[Check]()
    for receive in plan.receives:
        bus = plan.buses[receive.bus].name
        capture = captures.get(bus)
        if receive.mask != EXACT_MASK and capture is not None:
            words, counts = np.unique(words_of(capture), return_counts=True)
            heard = {int(w): int(n) for w, n in zip(words, counts, strict=True) if receive.fits(int(w))}
            senders = sorted({w & 0xFF for w in heard})
            if receive.sender_name is not None:
                named = _claimed(capture, receive.sender_name)
                heard = {w: n for w, n in heard.items() if w & 0xFF in named}
                checks += _named(receive, named)
            elif len(senders) > 1:
                checks.append(_several(receive, senders))
            if heard:
                chosen = max(heard, key=lambda w: (heard[w], -w))
                out[bus] = _with_identifier(out[bus], receive, chosen)
                receive = replace(receive, word=chosen)
        receives.append(receive)
    return Settled(replace(plan, receives=tuple(receives)), out, tuple(checks))


def _claimed(capture: Capture, pattern: NamePattern) -> dict[int, set[int]]:
    """Addresses that nodes of such a NAME claim in a recording, each with their NAMEs."""
    words = words_of(capture)
    rows = np.flatnonzero((words & ANY_CLAIM_MASK == ANY_CLAIM) & (capture.length == 8))
    out: dict[int, set[int]] = {}
    for row in rows.tolist():
        name, address = int.from_bytes(capture.payload[row, :8].tobytes(), "little"), int(words[row]) & 0xFF
        if pattern.fits(name) and address < NO_ADDRESS:
            out.setdefault(address, set()).add(name)
    return out


def _named(receive: Receive, claimed: Mapping[int, set[int]]) -> list[Check]:
    """Whether a recording has the claim of the NAME that a group is heard from, and of one node only."""
    assert receive.sender_name is not None
    names, words = set().union(*claimed.values()), receive.sender_name.words
    if len(names) == 1:
        return []
    claims = f"{len(names)} nodes claim such a NAME" if names else "no node claims such a NAME"
    remedy = (
        "which of them is followed depends on who claims first: add fields of the NAME that tell them apart"
        if names
        else "start recording before the ignition comes on, so that the modules announce their NAMEs, or request "
        "them during it"
    )
    wanted = f"one node whose NAME has {words}"
    return [Check("evidence", receive.name, "NAME claimed", "fail" if names else "unproved", claims, wanted, remedy)]


def _several(receive: Receive, senders: list[int]) -> Check:
    return Check(
        "evidence",
        receive.name,
        "one sender",
        "fail",
        f"addresses {', '.join(map(str, senders))} say this group",
        "one address",
        f'which of them is listened to depends on who sends first: write [sources."{receive.name}"] from = the one '
        "with the values that are needed (`swapbridge survey` shows it)",
    )


def _with_identifier(signal_map: SignalMap, receive: Receive, word: int) -> SignalMap:
    name = receive.name.partition(".")[2]
    return replace(
        signal_map,
        messages=tuple(
            replace(m, identifier=split_word(word)[0]) if m.name == name and m.is_group else m
            for m in signal_map.messages
        ),
    )
