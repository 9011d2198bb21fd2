"""Language room: which J1939 addresses a group is heard from, sent as and sent to, worked out once for everyone."""

from __future__ import annotations

from collections.abc import Mapping

from swapbridge.core import j1939
from swapbridge.core.j1939 import J1939Name
from swapbridge.language.bridge_file import BridgeFile, MessageOptions, MessageRule, Written
from swapbridge.signalmap.j1939_maps import from_address, to_address
from swapbridge.signalmap.signal_map import MapMessage, SignalMap


def addressed(bridge: BridgeFile, maps: Mapping[str, SignalMap]) -> dict[str, SignalMap]:
    """The maps with every ``from`` of a bridge file worked in.

    Raises
    ------
    BridgeRefused
        A message that is no J1939 group, a module without an address, or a group without a sender's address.
    """
    out = dict(maps)
    for options in bridge.sources:
        if options.sender_name is not None:
            _check_named(bridge, maps, options)
    for reference, sender in (
        *((o.message, o.sender) for o in bridge.sources),
        *((r.message, r.sender) for r in bridge.messages),
    ):
        bus, _, name = reference.text.partition(".")
        message = out[bus].message(name) if bus in out else None
        if sender is None or message is None:  # a message that is not there is refused by who needs it
            continue
        if not message.is_group:
            raise bridge.refuse(
                sender.place,
                f"{reference.text} is not a J1939 group, so it has only one sender",
                "leave `from` out, or mark it with `swapbridge map set --j1939`",
            )
        out[bus] = from_address(out[bus], name, _address(bridge, maps[bus], sender))
    for rule in bridge.messages:
        bus, _, name = rule.message.text.partition(".")
        message = out[bus].message(name) if bus in out else None
        if message is not None and message.is_group and message.identifier & 0xFF >= j1939.NO_ADDRESS:
            raise bridge.refuse(
                rule.message.place,
                f"{rule.message.text} is a J1939 group, and its sender address is not stated",
                "add from = the address of the module that it replaces, such as from = 0",
            )
        if message is not None and rule.receiver is not None:
            if not (message.is_group and message.length > 8):
                raise bridge.refuse(
                    rule.receiver.place,
                    f"{rule.message.text} is not a J1939 group of more than 8 bytes, and only those take a `to`",
                    "leave `to` out; the receiver of a short message is part of its identifier in the map",
                )
            if j1939.is_pdu1(message.identifier >> 8 & 0x3FFFF):
                out[bus] = to_address(out[bus], name, _address(bridge, maps[bus], rule.receiver))
    return out


def own_names(bridge: BridgeFile, maps: Mapping[str, SignalMap]) -> dict[tuple[str, int], J1939Name]:
    """The NAME of each address (bus, address) that a bridge file states one for.

    Raises
    ------
    BridgeRefused
        A module without an address, or two NAMEs of one address.
    """
    out: dict[tuple[str, int], J1939Name] = {}
    for bus in bridge.buses:
        for written, name in bus.names:
            if bus.name not in maps and not written.text.isdecimal():
                raise bridge.refuse(written.place, f"bus {bus.name} has no map", "write the address as a number")
            address = int(written.text) if written.text.isdecimal() else _address(bridge, maps[bus.name], written)
            if (bus.name, address) in out:
                raise bridge.refuse(written.place, f"address {address} has two NAMEs", "leave one out")
            out[bus.name, address] = name
    return out


def _check_named(bridge: BridgeFile, maps: Mapping[str, SignalMap], options: MessageOptions) -> None:
    """Refuse a source that a NAME can't be followed for."""
    bus, _, name = options.message.text.partition(".")
    message = maps[bus].message(name) if bus in maps else None
    if message is None:  # refused by who needs it
        return
    if not message.is_group:
        raise bridge.refuse(
            options.message.place,
            f"{options.message.text} is not a J1939 group, so it has only one sender",
            "leave `from` out, or mark it with `swapbridge map set --j1939`",
        )
    if message.own_sender:
        raise bridge.refuse(
            options.message.place,
            f"the map has the group of {options.message.text} for several addresses, and a NAME may have any of them",
            "keep one of these messages in the map, or write the address as a number",
        )


def receiver_of(bridge: BridgeFile, signal_map: SignalMap, rule: MessageRule, message: MapMessage) -> int:
    """Address that a message goes to, as the bridge file says it, or as its identifier does where it names one.

    `signal_map` is that of `message` as `addressed` gives it.
    """
    if rule.receiver is not None:
        return _address(bridge, signal_map, rule.receiver)
    found = j1939.Identifier.of(message.word)
    return j1939.EVERYBODY if found is None or not message.is_group else found.to


def _address(bridge: BridgeFile, signal_map: SignalMap, sender: Written) -> int:
    if sender.text.isdecimal():
        return int(sender.text)
    node = signal_map.node(sender.text)
    if node is None or node.address is None:
        having = ", ".join(f"{n.name} ({n.address})" for n in signal_map.nodes if n.address is not None)
        raise bridge.refuse(
            sender.place,
            f"the map has no J1939 address for module {sender.text!r}",
            f"write the address as a number{f'; it knows {having}' if having else ''}",
        )
    return node.address
