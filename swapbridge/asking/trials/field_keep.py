"""Asking room: what a trial saw moving, as evidence in a map."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import count

from swapbridge.asking.trials.field_plan import FieldFound
from swapbridge.core.errors import InputError
from swapbridge.core.layout import Layout
from swapbridge.signalmap.names import NAME
from swapbridge.signalmap.signal_map import MapMessage, MapSignal, SignalMap


def seen_in_map(signal_map: SignalMap, found: FieldFound, what: str, name: str | None = None) -> SignalMap:
    """The map with 'seen by trial' at the signals that move something; bits of no signal become one.

    Parameters
    ----------
    signal_map : SignalMap
    found : FieldFound
    what : str
        What moved, in the person's words.
    name : str, optional
        For a signal that is new.

    Raises
    ------
    InputError
        The name can't be used.
    """
    if name is not None and not NAME.fullmatch(name):
        raise InputError(f"{name!r} is not a valid signal name: use letters, digits and _, but begin with no digit")
    sure = len(found.things) == len(found.words)
    evidence = {
        "seen_by_trial": what,
        "trials": found.trials,
        "trial_doubt": round(max(found.doubt, 0.001), 4),
        **({} if sure else {"not_told_apart": [thing.label for thing in found.things]}),
    }
    messages = []
    for message in signal_map.messages:
        own = [thing for thing in found.things if thing.word == message.word]
        named = {thing.signal for thing in own if thing.signal}
        signals = [
            replace(s, evidence={**s.evidence, **evidence}, comment=s.comment or f"Seen by trial: moves {what!r}.")
            if s.name in named
            else s
            for s in message.signals
        ]
        for run in _runs(bit for thing in own if not thing.signal for bit in thing.bits):
            fresh = _fresh_name(message, signals, name)
            layout = Layout(run[0], len(run))
            signals.append(MapSignal(fresh, layout, comment=f"Seen by trial: moves {what!r}.", evidence=evidence))
        messages.append(replace(message, signals=tuple(signals)))
    return replace(signal_map, messages=tuple(messages))


def _fresh_name(message: MapMessage, signals: Sequence[MapSignal], name: str | None) -> str:
    taken = {signal.name for signal in signals}
    names = (f"{name or 'Seen'}{'' if number == 1 and name else f'_{number}'}" for number in count(1))
    return next(one for one in names if one not in taken)


def _runs(bits: Iterable[int]) -> list[list[int]]:
    out: list[list[int]] = []
    for bit in sorted(bits):
        if out and bit == out[-1][-1] + 1:
            out[-1].append(bit)
        else:
            out.append([bit])
    return out
