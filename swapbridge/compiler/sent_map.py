"""Compiler room: what a plan sends on one bus, as a signal map, so that any DBC reader can watch the translator."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from fractions import Fraction

from swapbridge.compiler.messages.messages import SendDraft
from swapbridge.signalmap.signal_map import MapMessage, MapNode, SignalMap

SENDER = "SwapTranslator"


def sent_map(drafts: Sequence[SendDraft], bus: str | None = None) -> SignalMap:
    """Map of the messages that a compiled plan sends, with the translator as their sender.

    Parameters
    ----------
    drafts : sequence of SendDraft
        `CompileResult.drafts`.
    bus : str, optional
        Only what is sent on that bus; by default everything (an identifier sent on two buses is then there once).

    Returns
    -------
    SignalMap
        One message for each identifier sent.
    """
    messages: dict[int, MapMessage] = {}
    for draft in drafts:
        if draft.send.request is not None or bus not in (None, draft.bus) or draft.send.word in messages:
            continue
        notes = {made.field.name: made.field for made in draft.made}
        signals = tuple(
            dataclasses.replace(signal, comment=f"= {notes[signal.name].expression}. {notes[signal.name].note}".strip())
            if signal.name in notes
            else signal
            for signal in draft.message.signals
        )
        period = Fraction(draft.send.period_us, 1000) if draft.send.period_us else None
        messages[draft.send.word] = dataclasses.replace(
            draft.message, signals=signals, senders=(SENDER,), period_ms=period
        )
    return SignalMap(tuple(messages.values()), (MapNode(SENDER, "gateway"),))
