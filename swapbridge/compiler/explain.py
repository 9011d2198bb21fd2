"""Compiler room: a plan in words that a mechanic can check line by line."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Sequence
from fractions import Fraction

from swapbridge.compiler.expressions.values import show
from swapbridge.compiler.messages.messages import SendDraft
from swapbridge.core import j1939
from swapbridge.core.identifier_words import format_identifier, format_words, split_word
from swapbridge.core.integrity import method_words
from swapbridge.language.bridge_file import BridgeFile
from swapbridge.plan.j1939_node import packets_of
from swapbridge.plan.plan import EXACT_MASK, STATES, Feed, Pass, Plan, Receive, Send

WIDTH = 98
PLACEMENTS = {
    "inline": "the bus is cut here; each half needs its own two terminators",
    "added-node": "this only adds frames; the old sender must be gone",
}


def explain_plan(plan: Plan, bridge: BridgeFile, drafts: Sequence[SendDraft]) -> str:
    """The whole plan as plain text, at most 100 columns wide."""
    out = [f"{plan.name}: what the translator does", ""]
    for bus in plan.buses:
        rate = f"{show(Fraction(bus.bit_rate, 1000))} kbit/s" + (" with CAN FD" if bus.fd else "")
        out += _wrapped(f"Bus {bus.name}, {rate}, {bus.placement}: {PLACEMENTS[bus.placement]}.", "")
    out += _states(plan, bridge)
    for number, bus in enumerate(plan.buses):
        mine = [d for d in drafts if d.send.bus == number and d.send.request is None]
        if mine:
            out += ["", f"Sent on {bus.name}"]
        for draft in mine:
            out += _message(plan, draft)
    answers = [d for d in drafts if d.send.request is not None and d.made]
    if answers:
        out += ["", f"Answered to a scan tool on {answers[0].bus} (service 01, one identifier or up to six a request)"]
        for draft in answers:
            assert draft.send.request is not None
            for made in draft.made:
                asked = f"{draft.send.request.prefix[-1]:02X}"
                out += _wrapped(f"{asked} {made.field.name} = {made.field.expression}", "  ")
                out += _wrapped(f"{made.field.note}; without its source: no answer", "        ")
        out += _wrapped("Readiness and fault codes are left to the engine computer, and nothing clears them.", "  ")
    if plan.passes:
        out += ["", "Passed on and blocked (for each frame the first line that fits decides)"]
        for rule in plan.passes:
            out += _wrapped(_pass(plan, rule), "  ")
    if plan.unreviewed:
        out += ["", "Learned from recordings and not reviewed: not sent to a vehicle, not written for a board"]
        out += [f"  {name}" for name in plan.unreviewed]
    for claim in plan.claims:
        where = f"Address {claim.address} on {plan.buses[claim.bus].name}"
        who = "another node under a lower or the same NAME" if claim.contends else "another node"
        wait = f"; first sent as {_ms(claim.wait_us)} after that" if claim.wait_us else ""
        words = (
            f"claimed after each wake and whenever a node asks{wait}; if {who} claims it, everything sent from it "
            "stops until the translator is started again"
        )
        out += ["", *_wrapped(f"{where}: {words}.", "  ")]
    out += ["", "Listened to"]
    for receive in plan.receives:
        out += _wrapped(_receive(plan, receive), "  ")
    return "\n".join(out) + "\n"


def _wrapped(text: str, indent: str) -> list[str]:
    kept = re.sub(r"(?<=\d) (?=ms|%|[A-Za-z]+/h|rpm|Nm|deg|kPa|psi)", "\xa0", text)  # numbers keep their unit
    lines = textwrap.wrap(kept, WIDTH, initial_indent=indent, subsequent_indent=indent + "    ", break_long_words=False)
    return [line.replace("\xa0", " ") for line in lines]


def _ms(us: int) -> str:
    return f"{show(Fraction(us, 1000))} ms"


def _word(word: int) -> str:
    return format_identifier(*split_word(word))


def _states(plan: Plan, bridge: BridgeFile) -> list[str]:
    rules = bridge.states
    wakes = [b.name for b in plan.buses if b.wakes]
    out = [
        f"Wakes when {' or '.join(wakes)} has traffic; sleeps when {'it has' if len(wakes) == 1 else 'they have'} been "
        f"silent for {_ms(rules.silent_us)}."
    ]
    for name, source in (("key on", rules.key_on), ("crank", rules.crank), ("run", rules.run)):
        if source is not None:
            out.append(f"{name[0].upper()}{name[1:]} while {source.text}.")
    if rules.after_run_us:
        out.append(f"After-run for {_ms(rules.after_run_us)} when these end.")
    return [line for text in out for line in _wrapped(text, "")]


def _message(plan: Plan, draft: SendDraft) -> list[str]:
    send = draft.send
    out = _wrapped(f"{_word(send.word)} {draft.message.name}, {send.length} bytes: {_when(plan, draft)}.", "  ")
    multiplexer = draft.message.multiplexer
    for variant in send.variants:
        if len(send.variants) > 1 and multiplexer is not None:
            out.append(f"    page {multiplexer.name} = {multiplexer.layout.unpack(variant.base)}")
        for field in variant.fields:
            out += _wrapped(f"{field.name} = {field.expression}", "    ")
            out += _wrapped(field.note, "        ")
    if send.order and multiplexer is not None:
        pages = [multiplexer.layout.unpack(send.variants[number].base) for number in send.order]
        out += _wrapped(f"its pages in turn: {', '.join(map(str, pages))}", "    ")
    for counter in send.counters:
        out.append(f"    a counter from {counter.low} to {counter.high}, one step a frame")
    if send.checksum is not None:
        out.append(f"    a checksum: {_method(send)}")
    if draft.rule.rest:
        out.append(f"    everything else: {draft.rule.rest}")
    if draft.rule.when_stale == "stop":
        out.append("    while a source is stale or wrong: not sent at all")
    return out


def _method(send: Send) -> str:
    assert send.checksum is not None
    return method_words(send.checksum.method)


def _when(plan: Plan, draft: SendDraft) -> str:
    send, parts = draft.send, []
    if send.count:
        often = "once" if send.count == 1 else f"{send.count} times, {_ms(send.period_us)} apart,"
        parts.append(f"{often} after each wake" + (f", {_ms(send.delay_us)} after it" if send.delay_us else ""))
    elif send.period_us:
        parts.append(f"every {_ms(send.period_us)}")
    if draft.rule.on_arrival:
        parts.append(f"at once when {' or '.join(s.text for s in draft.rule.on_arrival)} arrives")
    if send.check_us:
        parts.append("when it changes")
    if send.on_request:
        parts.append("when a node asks for its group")
    text = " and ".join(parts)
    if send.is_long:
        to = "everybody" if send.to == j1939.EVERYBODY else f"address {send.to}, which has to permit it"
        text += f", in {packets_of(send.length)} packets to {to}"
    if send.gap_us:
        text += f", at least {_ms(send.gap_us)} apart"
    if send.delay_us and not send.count:
        text += f", first {_ms(send.delay_us)} after its state begins"
    names = [name.replace("_", " ") for n, name in enumerate(STATES) if send.states >> n & 1]
    if len(names) < len(STATES) - 1:
        text += f"; in {', '.join(names)} only"
    if send.with_bus:
        text += f"; while {plan.buses[send.bus].name} is awake"
    if send.linger_us:
        text += f", and {_ms(send.linger_us)} longer"
    return text


def _pass(plan: Plan, rule: Pass) -> str:
    which = format_words(rule.first, rule.last)
    to = "any bus" if rule.to_bus < 0 else plan.buses[rule.to_bus].name
    origin = plan.buses[rule.bus].name
    if rule.block:
        return f"{which} from {origin} is not passed to {to}"
    return f"{which} from {origin} to {to}" + (f" as {_word(rule.new_word)}" if rule.new_word >= 0 else "")


def _heard(receive: Receive) -> str:
    """An identifier, or a J1939 group and who it is heard from."""
    group = j1939.Identifier.of(receive.word)
    if receive.mask == EXACT_MASK or group is None:
        return _word(receive.word)
    origin = "any address, one at a time" if receive.any_sender else f"address {group.source}"
    if receive.sender_name is not None:
        origin = f"the address that a node of this NAME claims: {receive.sender_name.words};"
    return f"group {group.number} from {origin}{', in packets too' if receive.long else ''}:"


def _receive(plan: Plan, receive: Receive) -> str:
    feeds: list[Feed] = [plan.feeds[n] for n in receive.feeds]
    names = [e.name.rsplit(".", 1)[-1] for f in feeds for e in f.extracts]
    checks = [w for w, there in (("counter", receive.counter), ("checksum", receive.checksum)) if there is not None]
    verified = f", {' and '.join(checks)} verified" if checks else ""
    period = f" every {_ms(receive.period_us)}" if receive.period_us else ""
    return (
        f"{_heard(receive)} {receive.name}{period}: {', '.join(names) or 'its arrival'}; stale after "
        f"{_ms(feeds[0].max_age_us)}, good again after {feeds[0].good_again} frames{verified}"
    )
