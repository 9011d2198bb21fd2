"""Compiler room: messages in packets: what may be in them, and that each is done before its next one begins."""

from __future__ import annotations

from collections.abc import Sequence

from swapbridge.compiler.messages.messages import SendDraft
from swapbridge.core import j1939
from swapbridge.language.bridge_file import DANGEROUS, BridgeFile
from swapbridge.plan.j1939_node import TO_ALL_GAP_US, connection, sending_us

_LAYER = {
    j1939.TRANSPORT: "control of a long message",
    j1939.TRANSPORT_DATA: "a packet of a long message",
    j1939.ADDRESS_CLAIMED: "an address claim",
}


def check_long_messages(bridge: BridgeFile, drafts: Sequence[SendDraft]) -> None:
    """Refuse what must not go out in packets, and what comes faster than its packets go out: some would be dropped.

    A stop can't ramp a request out, or send a safe answer at once, in a message that takes a second.

    Raises
    ------
    BridgeRefused
        The first of them.
    """
    for draft in drafts:
        group = j1939.Identifier.of(draft.send.word) if draft.message.is_group else None
        if group is not None and group.number in _LAYER:
            raise bridge.refuse(
                draft.rule.place,
                f"{draft.name} is {_LAYER[group.number]}, which could carry anything and is never written by hand",
                "leave it out: the translator claims addresses and sends packets automatically",
            )
    long = [d for d in drafts if d.send.is_long]
    for draft in long:
        send = draft.send
        for made in draft.made:
            if made.role is not None and (made.role.hazard or made.role.fallback == "ramp to none"):
                raise bridge.refuse(
                    next((r.place for r in draft.rule.signals if r.name == made.field.name), draft.rule.place),
                    f"{draft.name}.{made.field.name} is {made.role.alias}, which a stop must end safely at once, and a "
                    "message of more than 8 bytes takes too long for that",
                    "send it in a message of one frame",
                    rank=DANGEROUS,
                )
        if send.to == send.word & 0xFF:
            raise bridge.refuse(
                draft.rule.place, f"{draft.name} would go from address {send.to} to itself", "change `from` or `to`"
            )
        occasions = bool(send.check_us or draft.arrivals or send.on_request)
        times = [t for t in (send.period_us, send.gap_us if occasions else 0) if t]
        shortest = min(times, default=0)
        together = [d for d in long if connection(d.send) == connection(send)]
        needed = sum(sending_us(d.send) for d in together) + TO_ALL_GAP_US
        if (send.count == 1 and not occasions) or (shortest >= needed and (send.gap_us or not occasions)):
            continue
        others = f" with {len(together) - 1} more of that address" if len(together) > 1 else ""
        raise bridge.refuse(
            draft.rule.place,
            f"{draft.name} goes out in packets, which takes {needed // 1000} ms{others}, and it may come sooner",
            f"state {'gap_ms' if occasions else 'period_ms'} of at least {needed // 1000}",
        )
