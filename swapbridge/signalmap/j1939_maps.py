"""Signal map room: maps that say SAE J1939: reserved raw values by default, and which senders a group is heard from."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import replace

from swapbridge.core import j1939
from swapbridge.core.vocabulary import is_reserved
from swapbridge.signalmap.signal_map import MapMessage, MapSignal, SignalMap

LONGEST_LISTED_BITS = 16
"""Longer numbers have millions of reserved codes: of these only the two that senders use are kept, FE..E and FF..F."""


def usual_codes(signal: MapSignal) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """(not available, error or reserved) raw values of a signal of a J1939 group, as SAE J1939-71 has them.

    None of a counter, checksum, multiplexer, float or signed number; a code that the map names as a state is one.
    """
    bits = signal.layout.length
    odd = signal.counter or signal.checksum or signal.is_multiplexer or signal.is_float or signal.layout.signed
    missing, reserved = j1939.not_available_range(bits), j1939.reserved_range(bits)
    if odd or missing is None or reserved is None:
        return (), ()
    if bits > LONGEST_LISTED_BITS:
        error = j1939.error_range(bits)
        return (missing[1],), () if error is None else (error[0], error[1])
    states = {raw for raw, name in signal.choices.items() if not is_reserved(name)}
    absent = tuple(c for c in range(missing[0], missing[1] + 1) if c not in states)
    return absent, tuple(c for c in range(reserved[0], missing[0]) if c not in states)


def with_usual_codes(signal: MapSignal) -> MapSignal:
    """A signal of a J1939 group with its reserved codes, where the map says none of its own."""
    if signal.not_available or signal.error_codes:
        return signal
    absent, error = usual_codes(signal)
    return replace(signal, not_available=absent, error_codes=error)


def as_group(message: MapMessage) -> MapMessage:
    """A message as a J1939 group, with its signals' reserved codes."""
    return replace(message, is_group=True, signals=tuple(with_usual_codes(s) for s in message.signals))


def with_own_senders(messages: Iterable[MapMessage]) -> tuple[MapMessage, ...]:
    """Messages of a map; of a group that it has twice, each is heard from its own sender only."""
    kept = tuple(messages)
    often = Counter(m.word & m.mask for m in kept if m.is_group)
    return tuple(
        replace(m, own_sender=True) if m.is_group and not m.own_sender and often[m.word & m.mask] > 1 else m
        for m in kept
    )


def from_address(signal_map: SignalMap, name: str, address: int) -> SignalMap:
    """The map with one group heard from, and sent as, that address only."""
    return _changed(signal_map, name, lambda m: replace(m, identifier=m.identifier & ~0xFF | address, own_sender=True))


def to_address(signal_map: SignalMap, name: str, address: int) -> SignalMap:
    """The map with one group that names its receiver sent to that address."""
    return _changed(signal_map, name, lambda m: replace(m, identifier=m.identifier & ~0xFF00 | address << 8))


def may_be_long(message: MapMessage) -> bool:
    """Whether a message may come in packets: a J1939 group of more than 8 bytes, or one that grows."""
    number = message.identifier >> 8 & 0x3FFFF
    return message.is_group and (message.length > 8 or number in j1939.GROWING)


def _changed(signal_map: SignalMap, name: str, change: Callable[[MapMessage], MapMessage]) -> SignalMap:
    messages = tuple(change(m) if m.name == name else m for m in signal_map.messages)
    return replace(signal_map, messages=messages)
