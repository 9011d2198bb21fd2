"""Emit room: the J1939 layer of a plan as C: what `text/node.c.in` needs of its addresses and long messages."""

from __future__ import annotations

from swapbridge.emit.ctext import comment_text, indent, names
from swapbridge.emit.receiving import named_receives, sender_place
from swapbridge.plan.j1939_node import (
    asking_buses,
    cannot_claim_delay_us,
    connection,
    group_number,
    has_node,
    keep,
    long_receives,
    long_sends,
    packets_of,
)
from swapbridge.plan.plan import Plan


def node_flags(plan: Plan) -> dict[str, bool]:
    """Which parts of the layer a plan has."""
    hears, asks = bool(long_receives(plan)), bool(asking_buses(plan))
    return {
        "node": has_node(plan),
        "node_asks": asks,
        "node_speaks": asks or bool(plan.claims),
        "node_claims": bool(plan.claims),
        "node_waits": any(claim.wait_us for claim in plan.claims),
        "node_contends": any(claim.contends for claim in plan.claims),
        "node_hears": hears,
        "node_listens": hears or bool(plan.claims),
        "node_connects": hears and bool(plan.claims),
        "node_says": bool(long_sends(plan)),
    }


def node_words(plan: Plan) -> dict[str, str]:
    """Counts, tables and cases for the layer's text."""
    flags = node_flags(plan)
    addresses, incoming, cases, place = [], [], [], 0
    for claim in plan.claims:
        name = ", ".join(f"0x{byte:02X}U" for byte in claim.name.to_bytes(8, "little"))
        row = [f"{cannot_claim_delay_us(claim)}U"]
        row += [f"{claim.wait_us}U"] if flags["node_waits"] else []
        row += ["true" if claim.contends else "false"] if flags["node_contends"] else []
        addresses.append(f"    {{{', '.join(row)}, {claim.bus}U, {claim.address}U, {{{name}}}}},")
    for k, (number, receive) in enumerate(long_receives(plan)):
        named = sender_place(plan, number) + 1 if receive.sender_name is not None else 0
        numbers = f"0x{receive.mask:X}U, 0x{receive.word & receive.mask:X}U, 0x{group_number(receive.word):X}U"
        rest = f"{place}U, {keep(receive)}U, {receive.bus}U, {named}U"
        incoming.append(f"    {{{numbers}, {rest}}}, /* {comment_text(receive.name)} */")
        place += keep(receive)
        call = f"receive_{number}_from(self, word, " if receive.any_sender else f"receive_{number}(self, "
        cases += [f"case {k}:", f"    (void){call}data, length, now_us);", "    break;"]
    outgoing, offset = [], 0
    for number, send in long_sends(plan):
        bus, source, to = connection(send)
        numbers = f"0x{group_number(send.word):X}U, {offset}U, {number}U, {send.length}U, {packets_of(send.length)}U"
        outgoing.append(f"    {{{numbers}, {bus}U, {source}U, {to}U}}, /* {comment_text(send.name)} */")
        offset += send.length
    asking, asked = asking_buses(plan), list[str]()
    for k, bus in enumerate(asking):
        mine = [sender_place(plan, n) for n in named_receives(plan) if plan.receives[n].bus == bus]
        asked += [f"case {k}:", f"    return {' || '.join(f'self->senders[{p}] == 0U' for p in mine)};"]
    return {
        "made_cases": "\n".join(indent(_made_cases(plan))),
        "claim_starts": "\n".join(
            f"    self->node.addresses[{k}].waits = true;" for k, claim in enumerate(plan.claims) if claim.wait_us
        ),
        "asking_count": str(len(asking)),
        "asking_buses": ", ".join(f"{bus}U" for bus in asking),
        "asking_cases": "\n".join(indent(asked)),
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


def _made_cases(plan: Plan) -> list[str]:
    """What is sent as each address, by group."""
    groups: dict[int, list[str]] = {}
    for claim in plan.claims:
        for number in claim.sends:
            send = plan.sends[number]
            test = f"bus == {claim.bus}U && own == {claim.address}U"
            test += f" && self->sends[{number}].active" if send.on_request else ""
            groups.setdefault(group_number(send.word), []).append(test)
    out = []
    for group, tests in sorted(groups.items()):
        each = " || ".join(f"({test})" for test in tests) if len(tests) > 1 else tests[0]
        out += [f"case UINT32_C(0x{group:X}):", f"    return {each};"]
    return out
