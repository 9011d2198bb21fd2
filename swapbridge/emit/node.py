"""Emit room: the J1939 layer of a plan as C: what `text/node.c.in` needs of its addresses and long messages."""

from __future__ import annotations

from swapbridge.emit.ctext import comment_text, indent, names
from swapbridge.plan.j1939_node import (
    cannot_claim_delay_us,
    connection,
    group_number,
    has_node,
    keep,
    long_receives,
    long_sends,
    packets_of,
)
from swapbridge.plan.model import Plan


def node_flags(plan: Plan) -> dict[str, bool]:
    """Which parts of the layer a plan has."""
    hears = bool(long_receives(plan))
    return {
        "node": has_node(plan),
        "node_claims": bool(plan.claims),
        "node_hears": hears,
        "node_connects": hears and bool(plan.claims),
        "node_says": bool(long_sends(plan)),
    }


def node_words(plan: Plan) -> dict[str, str]:
    """Counts, tables and cases for the layer's text."""
    addresses, incoming, cases, place = [], [], [], 0
    for claim in plan.claims:
        name = ", ".join(f"0x{byte:02X}U" for byte in claim.name.to_bytes(8, "little"))
        addresses.append(f"    {{{cannot_claim_delay_us(claim)}U, {claim.bus}U, {claim.address}U, {{{name}}}}},")
    for k, (number, receive) in enumerate(long_receives(plan)):
        numbers = f"0x{receive.mask:X}U, 0x{receive.word & receive.mask:X}U, 0x{group_number(receive.word):X}U"
        incoming.append(
            f"    {{{numbers}, {place}U, {keep(receive)}U, {receive.bus}U}}, /* {comment_text(receive.name)} */"
        )
        place += keep(receive)
        call = f"receive_{number}_from(self, word, " if receive.any_sender else f"receive_{number}(self, "
        cases += [f"case {k}:", f"    (void){call}data, length, now_us);", "    break;"]
    outgoing, offset = [], 0
    for number, send in long_sends(plan):
        bus, source, to = connection(send)
        numbers = f"0x{group_number(send.word):X}U, {offset}U, {number}U, {send.length}U, {packets_of(send.length)}U"
        outgoing.append(f"    {{{numbers}, {bus}U, {source}U, {to}U}}, /* {comment_text(send.name)} */")
        offset += send.length
    return {
        "address_count": str(len(plan.claims)),
        "address_rows": "\n".join(addresses),
        "incoming_count": str(len(incoming)),
        "incoming_rows": "\n".join(incoming),
        "incoming_bytes": str(max(1, place)),
        "deliver_cases": "\n".join(indent(cases)),
        "node_unused_word": "" if names("\n".join(cases), "word") else "    (void)word;",
        "outgoing_count": str(len(outgoing)),
        "outgoing_rows": "\n".join(outgoing),
        "outgoing_bytes": str(max(1, offset)),
    }
