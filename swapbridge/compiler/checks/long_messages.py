"""Compiler room: messages in packets: each must be done before its next one, and before that of its neighbours."""

from __future__ import annotations

from collections.abc import Sequence

from swapbridge.compiler.messages.messages import SendDraft
from swapbridge.language.model import BridgeFile
from swapbridge.plan.j1939_node import TO_ALL_GAP_US, connection, sending_us


def check_long_messages(bridge: BridgeFile, drafts: Sequence[SendDraft]) -> None:
    """Refuse long messages that come faster than their packets go out: some would be dropped.

    Raises
    ------
    BridgeRefused
        The first of them.
    """
    long = [d for d in drafts if d.send.is_long]
    for draft in long:
        send = draft.send
        if send.to == send.word & 0xFF:
            raise bridge.refuse(
                draft.rule.place, f"{draft.name} would go from address {send.to} to itself", "correct from or to"
            )
        occasions = bool(send.check_us or draft.arrivals)
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
