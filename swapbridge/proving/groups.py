"""Proving room: J1939 groups are settled before anything is judged: which identifier of a recording each of them is.

A group is heard whatever its priority and sender, and every judge looks frames up by identifier. So plan and maps are
given the identifier that the recording has; the mask stays, and with it what the translator does.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from swapbridge.capture.capture import Capture
from swapbridge.core.frames import split_word
from swapbridge.plan.model import EXACT_MASK, Plan, Receive
from swapbridge.proving.bench.traffic import words_of
from swapbridge.proving.verdict import Check
from swapbridge.signalmap.model import SignalMap


@dataclass(frozen=True, slots=True)
class Settled:
    """Plan and maps with the recordings' identifiers, and what is to be said of groups with several senders."""

    plan: Plan
    maps: dict[str, SignalMap]
    checks: tuple[Check, ...] = ()


def settle(plan: Plan, maps: Mapping[str, SignalMap], captures: Mapping[str, Capture]) -> Settled:
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
            if len(senders) > 1:
                checks.append(_several(receive, senders))
            if heard:
                chosen = max(heard, key=lambda w: (heard[w], -w))
                out[bus] = _with_identifier(out[bus], receive, chosen)
                receive = replace(receive, word=chosen)
        receives.append(receive)
    return Settled(replace(plan, receives=tuple(receives)), out, tuple(checks))


def _several(receive: Receive, senders: list[int]) -> Check:
    return Check(
        "evidence",
        receive.name,
        "one sender",
        "fail",
        f"addresses {', '.join(map(str, senders))} say this group",
        "one address",
        f'which of them is listened to depends on who speaks first: say [sources."{receive.name}"] from = the address '
        "that holds what is needed (`swapbridge survey` shows it)",
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
