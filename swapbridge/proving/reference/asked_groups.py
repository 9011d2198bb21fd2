"""Proving room: the J1939 addresses that a bridge file sends as, and the groups that other nodes ask these for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from swapbridge.core import j1939
from swapbridge.language.addresses import own_names
from swapbridge.language.bridge_file import BridgeFile
from swapbridge.proving.reference.j1939_node import Address, name_of
from swapbridge.proving.reference.sent_message import ReferenceMessage
from swapbridge.signalmap.signal_map import SignalMap

AsAddress = Mapping[tuple[int, int], Sequence[ReferenceMessage]]
"""Messages by the bus and the address that they are sent as."""


def addresses_of(bridge: BridgeFile, maps: Mapping[str, SignalMap], sent: AsAddress) -> list[Address]:
    """Every address that is sent as, with its NAME and how long is waited after its claim."""
    stated, out = own_names(bridge, maps), []
    for bus, address in sorted(sent):
        own = stated.get((bridge.buses[bus].name, address))
        name = name_of(address) if own is None else own.data
        out.append(Address(bus, address, name, own is not None, 250_000 if 128 <= address <= 247 else 0))
    return out


def hear_question(sent: AsAddress, bus: int, word: int, data: bytes) -> None:
    """A frame in which somebody may ask for a group, of one address or of everybody."""
    heard = j1939.Identifier.of(word)
    if heard is None or heard.number != j1939.REQUEST or len(data) < 3:
        return
    for (on, address), targets in sent.items():
        if on == bus and heard.to in (address, j1939.EVERYBODY):
            for target in targets:
                if target.rule.on_request and _group(target) == int.from_bytes(data[:3], "little"):
                    target.schedule.arrived()


def makes(sent: AsAddress, address: Address, number: int) -> bool:
    """Whether a group is sent as an address; one that is sent to whoever asks, now."""
    mine = [target for target in sent[address.bus, address.address] if _group(target) == number]
    return any(not target.rule.on_request or target.schedule.active for target in mine)


def _group(target: ReferenceMessage) -> int:
    found = j1939.Identifier.of(target.message.word)
    return -1 if found is None else found.number
