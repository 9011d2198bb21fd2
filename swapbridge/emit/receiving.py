"""Emit room: what a translator does with a received frame, as C: requests, verification, raw values into slots."""

from __future__ import annotations

from collections.abc import Sequence

from swapbridge.core.j1939 import NamePattern
from swapbridge.core.layout import Layout
from swapbridge.emit.bits import raw_type, unpack, unpack_unsigned
from swapbridge.emit.blocks import literal, slot_type
from swapbridge.emit.checksum_functions import checksum_function
from swapbridge.emit.const_tables import ConstTables
from swapbridge.emit.ctext import comment_text, function, indent, names
from swapbridge.plan.j1939_node import REQUEST_MASK, group_number, request_words
from swapbridge.plan.plan import (
    ANY_CLAIM,
    ANY_CLAIM_MASK,
    EXACT_MASK,
    CounterCheck,
    Extract,
    Pass,
    Plan,
    Receive,
)

Forwarding = tuple[int, int]
"""Target bus, and the new identifier word or -1."""


def receive_functions(plan: Plan, tables: ConstTables, prefix: str) -> list[str]:
    """``receive_N``, one a message that is listened to, with the checksum functions they need."""
    out = []
    counters = counter_numbers(plan)
    for number, receive in enumerate(plan.receives):
        if receive.checksum is not None:
            out.append(
                checksum_function(f"receive_{number}_checksum", receive.checksum, receive.minimum_length, tables)
            )
        out.append(_receive_function(plan, number, receive, counters.get(number), prefix))
        if receive.any_sender:
            out.append(_sender_function(plan, number, receive, counters.get(number), prefix))
        if receive.sender_name is not None:
            out.append(_claimed_function(plan, number, receive, receive.sender_name, counters.get(number), prefix))
    return out


def counter_numbers(plan: Plan) -> dict[int, int]:
    """Place of each verified counter in the state, by receive number."""
    return {r: k for k, r in enumerate(r for r, receive in enumerate(plan.receives) if receive.counter is not None)}


def sender_place(plan: Plan, number: int) -> int:
    """Place of the present sender of a receive in the state."""
    return sum(r.any_sender for r in plan.receives[:number])


def named_receives(plan: Plan) -> list[int]:
    """Receives that are followed by the NAME of their sender, by number."""
    return [n for n, receive in enumerate(plan.receives) if receive.sender_name is not None]


def _claimed_function(
    plan: Plan, number: int, receive: Receive, pattern: NamePattern, counter: int | None, prefix: str
) -> str:
    """``claimed_N``: an address was claimed, and this group follows a NAME."""
    place, name = sender_place(plan, number), f"self->sender_names[{named_receives(plan).index(number)}]"
    taken = [f"self->counter_taken[{counter}] = false;"] if counter is not None else []
    body = [
        "const uint16_t sender = (uint16_t)(source + 1U);",
        f"uint16_t present = self->senders[{place}];",
        f"if (present != 0U && name == {name}) {{",
        "    present = (source < 254U) ? sender : 0U;",
        "} else {",
        "    if (present == sender) {",
        "        present = 0U;",
        "    }",
        f"    if ((name & UINT64_C(0x{pattern.mask:X})) == UINT64_C(0x{pattern.value:X})",
        "        && present == 0U && source < 254U) {",
        "        present = sender;",
        f"        {name} = name;",
        "    }",
        "}",
        f"if (present != self->senders[{place}]) {{",
        *indent([f"self->senders[{place}] = present;", *taken]),
        "}",
    ]
    return function(
        f"/* {comment_text(receive.name)} follows the node of its NAME */",
        f"static void claimed_{number}({prefix}_state *self, uint32_t source, uint64_t name)",
        body,
        ("self", "source", "name"),
    )


def _sender_function(plan: Plan, number: int, receive: Receive, counter: int | None, prefix: str) -> str:
    """``receive_N_from``: a group from any address keeps to one sender while what it said is young."""
    place = sender_place(plan, number)
    young = " || ".join(f"feed_is_young(self, {feed}U, now_us)" for feed in receive.feeds)
    inner = [f"if ({young}) {{", f"    return {prefix.upper()}_OK;", "}"] if young else []
    inner.append(f"self->senders[{place}] = sender;")
    if counter is not None:
        inner.append(f"self->counter_taken[{counter}] = false;")
    if receive.sender_name is not None:
        inner = [f"return {prefix.upper()}_OK;"]
    body = [
        "const uint16_t sender = (uint16_t)((word & UINT32_C(0xFF)) + 1U);",
        f"if (self->senders[{place}] != sender) {{",
        *indent(inner),
        "}",
        f"return receive_{number}(self, data, length, now_us);",
    ]
    return function(
        f"/* {comment_text(receive.name)}, from one address at a time */",
        f"static {prefix}_result receive_{number}_from({prefix}_state *self, uint32_t word, const uint8_t *data, "
        "uint8_t length, uint32_t now_us)",
        body,
        ("self", "word", "data", "length", "now_us"),
    )


def _group_lines(plan: Plan, bus: int) -> list[str]:
    """Receives of J1939 groups: by the bits of the identifier that say which group it is."""
    out = []
    for number, receive in enumerate(plan.receives):
        if receive.bus != bus or receive.mask == EXACT_MASK:
            continue
        call = f"receive_{number}(self, data, length, now_us)"
        if receive.any_sender:
            call = f"receive_{number}_from(self, word, data, length, now_us)"
        wanted = receive.word & receive.mask
        out += [
            f"if ((word & UINT32_C(0x{receive.mask:X})) == UINT32_C(0x{wanted:X})) {{",
            f"    return {call};",
            "}",
        ]
    return out


def _claim_lines(plan: Plan, bus: int) -> list[str]:
    """Other nodes' claims, for receives that follow a NAME."""
    out = []
    if named := [n for n in named_receives(plan) if plan.receives[n].bus == bus]:
        fits = f"(word & UINT32_C(0x{ANY_CLAIM_MASK:X})) == UINT32_C(0x{ANY_CLAIM:X}) && length == 8U"
        follows = [f"    claimed_{n}(self, word & UINT32_C(0xFF), name);" for n in named]
        out += [f"if ({fits}) {{", "    const uint64_t name = name_said(data);", *follows, "}"]
    return out


def _request_lines(plan: Plan, bus: int) -> list[str]:
    """Requests for J1939 groups that are sent to whoever asks."""
    out = []
    for number, send in enumerate(plan.sends):
        if send.on_request and send.bus == bus:
            masked = f"(word & UINT32_C(0x{REQUEST_MASK:X}))"
            asks = " || ".join(f"{masked} == UINT32_C(0x{word:X})" for word in dict.fromkeys(request_words(send)))
            group = group_number(send.word).to_bytes(3, "little")
            wanted = " && ".join(f"data[{i}] == {byte}U" for i, byte in enumerate(group))
            out += [f"if (({asks}) && length >= 3U && {wanted}) {{", f"    send_asked_for(self, {number}U);", "}"]
    return out


def _receive_function(plan: Plan, number: int, receive: Receive, counter: int | None, prefix: str) -> str:
    upper = prefix.upper()
    body: list[str] = []
    if receive.minimum_length:
        body.append(f"bool good = length >= {receive.minimum_length}U;")
    else:
        body.append("bool good = true;")
    if receive.checksum is not None:
        stored = unpack_unsigned(receive.checksum.layout, "data")
        body.append(f"good = good && (uint64_t){stored} == (uint64_t)receive_{number}_checksum(data);")
    if receive.counter is not None and counter is not None:
        body += ["if (good) {", *indent(_counter_lines(receive.counter, counter)), "}"]
    if body != ["bool good = true;"]:
        spoiled = [f"self->feeds[{feed}].good = 0U;" for feed in receive.feeds]
        body += ["if (!good) {", *indent([*spoiled, "self->bad_frames++;", f"return {upper}_BAD_FRAME;"]), "}"]
    else:
        body = []
    arrivals = [line for feed in receive.feeds for line in _feed_lines(plan, feed, receive.mux)]
    if receive.mux is not None and names("\n".join(arrivals), "mux"):
        arrivals.insert(0, f"const {raw_type(receive.mux)} mux = {unpack(receive.mux, 'data')};")
        arrivals = ["{", *indent(arrivals), "}"]
    body += arrivals
    body.append(f"return {upper}_OK;")
    return function(
        f"/* {comment_text(receive.name)} */",
        f"static {prefix}_result receive_{number}({prefix}_state *self, const uint8_t *data, uint8_t length, "
        "uint32_t now_us)",
        body,
        ("self", "data", "length", "now_us"),
    )


def _counter_lines(check: CounterCheck, place: int) -> list[str]:
    """Step 4b of the plan's contract: `value` in range, and as many steps on as frames may have been lost."""
    turns = check.high - check.low + 1
    raw = unpack_unsigned(check.layout, "data")
    outside = []
    if check.low > 0:
        outside.append(f"value < UINT32_C({check.low})")
    if check.high < check.layout.raw_range[1]:
        outside.append(f"value > UINT32_C({check.high})")
    difference = "value - previous"
    if turns < 1 << 32:
        difference = f"(value >= previous) ? value - previous : UINT32_C({turns}) - (previous - value)"
    allowed = sorted({(k * check.step) % turns for k in range(1, 2 + check.lost_ok)})
    lines = [f"const uint32_t value = {raw};", f"const uint32_t previous = self->counter_previous[{place}];"]
    step_lines: list[str] = []
    if len(allowed) < turns:
        lines.append(f"const uint32_t steps = {difference};")
        if allowed == list(range(1, len(allowed) + 1)):
            fine = f"steps != 0U && steps <= {len(allowed)}U" if len(allowed) > 1 else "steps == 1U"
        else:
            fine = " || ".join(f"steps == {a}U" for a in allowed)
        step_lines.append(f"good = !self->counter_taken[{place}] || ({fine});")
    else:
        lines.pop()
    step_lines += [f"self->counter_previous[{place}] = value;", f"self->counter_taken[{place}] = true;"]
    if outside:
        return [*lines, f"if ({' || '.join(outside)}) {{", "    good = false;", "} else {", *indent(step_lines), "}"]
    return [*lines, *step_lines]


def _feed_lines(plan: Plan, number: int, mux: Layout | None) -> list[str]:
    feed = plan.feeds[number]
    lines = [f"feed_arrives(self, {number}U, now_us);"]
    for extract in feed.extracts:
        lines += _extract_lines(plan, extract)
    if feed.triggers:
        lines.append(f"if (self->feeds[{number}].fresh) {{")
        lines += [f"    send_asked_for(self, {send}U);" for send in feed.triggers]
        lines.append("}")
    if mux is None or not feed.mux_values:
        return lines
    low, high = mux.raw_range
    wanted = [f"mux == {literal(v, raw_type(mux))}" for v in feed.mux_values if low <= v <= high]
    return [f"if ({' || '.join(wanted)}) {{", *indent(lines), "}"] if wanted else []


def _extract_lines(plan: Plan, extract: Extract) -> list[str]:
    slot = plan.slots[extract.slot]
    kind, stored = raw_type(extract.layout), slot_type(slot.low, slot.high)
    lines = [
        f"const {kind} raw = {unpack(extract.layout, 'data')};",
        f"self->slot_{extract.slot} = " + ("raw;" if stored == kind else f"({stored})raw;"),
    ]
    if extract.valid_slot >= 0:
        lines.append(f"self->slot_{extract.valid_slot} = {_validity(extract, kind)};")
    return [f"{{ /* {comment_text(extract.name)} */", *indent(lines), "}"]


def _validity(extract: Extract, kind: str) -> str:
    low, high = extract.layout.raw_range
    inside = []
    for first, last in extract.invalid:
        a, b = max(first, low), min(last, high)
        if a > b:
            continue
        if (a, b) == (low, high):
            return "0"
        if a == b:
            inside.append(f"raw == {literal(a, kind)}")
        elif a == low:
            inside.append(f"raw <= {literal(b, kind)}")
        elif b == high:
            inside.append(f"raw >= {literal(a, kind)}")
        else:
            inside.append(f"(raw >= {literal(a, kind)} && raw <= {literal(b, kind)})")
    return f"({' || '.join(inside)}) ? 0 : 1" if inside else "1"


def dispatch_lines(plan: Plan, prefix: str) -> list[str]:
    """The cases of ``switch (bus)`` in on_frame: passing, then requests, then the receive."""
    upper = prefix.upper()
    out: list[str] = []
    for bus in range(len(plan.buses)):
        words: dict[int, list[str]] = {}
        for number, send in enumerate(plan.sends):
            if send.request is not None and send.request.bus == bus:
                prefixed = [f"length >= {len(send.request.prefix)}U"]
                prefixed += [f"data[{i}] == {b}U" for i, b in enumerate(send.request.prefix)]
                ask = [f"if ({' && '.join(prefixed)}) {{", f"    send_asked_for(self, {number}U);", "}"]
                for word in dict.fromkeys(send.request.words):
                    words.setdefault(word, []).extend(ask)
        for number, receive in enumerate(plan.receives):
            if receive.bus == bus and receive.mask == EXACT_MASK:
                words.setdefault(receive.word, []).append(f"return receive_{number}(self, data, length, now_us);")
        body = []
        groups = _group_lines(plan, bus)
        ranges = pass_ranges(plan.passes, bus, len(plan.buses))
        if any(actions for _, actions in ranges):
            body.append(f"pass_on(self, pass_ranges_{bus}, {len(ranges)}U, word, data, length);")
        body += _claim_lines(plan, bus) + _request_lines(plan, bus)
        if words:
            body.append("switch (word) {")
            for word, lines in sorted(words.items()):
                body += [f"case UINT32_C(0x{word:X}):", *indent(lines)]
                if not lines[-1].startswith("return"):
                    body.append("    break;" if groups else f"    return {upper}_OK;")
            body += ["default:", "    break;" if groups else f"    return {upper}_OK;", "}"]
        body += groups
        if groups or not words:
            body.append(f"return {upper}_OK;")
        out += [f"case {bus}:", *indent(body)]
    return out


def pass_ranges(rules: Sequence[Pass], bus: int, buses: int) -> list[tuple[int, tuple[Forwarding, ...]]]:
    """The rules of one bus flattened: first identifier word of each range, ascending from 0, and what is done there.

    The first matching rule decides for each target bus, so each range between two rule borders has one answer.
    """
    own = [r for r in rules if r.bus == bus]
    borders = sorted({0, *(r.first for r in own), *(r.last + 1 for r in own if r.last < 0xFFFF_FFFF)})
    out: list[tuple[int, tuple[Forwarding, ...]]] = []
    for first in borders:
        decided: set[int] = set()
        actions: list[Forwarding] = []
        for rule in own:
            if not rule.first <= first <= rule.last:
                continue
            targets = set(range(buses)) if rule.to_bus < 0 else {rule.to_bus}
            if not rule.block and rule.to_bus not in decided:
                actions.append((rule.to_bus, rule.new_word))
            decided |= targets
        if not out or out[-1][1] != tuple(actions):
            out.append((first, tuple(actions)))
    return out
