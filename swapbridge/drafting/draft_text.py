"""Drafting room: maps, needs list and bridge file of a draft, as text."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from fractions import Fraction
from typing import Any

import numpy as np

from swapbridge.core.identifier_words import format_identifier
from swapbridge.core.needs import LICENSED
from swapbridge.drafting.drafted import Drafted, DraftedMessage, Explained
from swapbridge.drafting.recorded_vehicle import VehicleMessage
from swapbridge.drafting.swap_sources import LEAST_CHANNEL, Swap
from swapbridge.guessing.layout.constant import constant_bits
from swapbridge.signalmap.dbc_read import exact_number
from swapbridge.signalmap.signal_map import BasePayload, MapMessage, MapNode, MapSignal, SignalMap

MARK = "draft:"
"""A line of the bridge file is draft's while its comment begins so."""
ROUND_DIGITS = 7
EVIDENCE_DIGITS = 4
PAGE = "Page"
"""The signal that selects the page of a frame."""
GONE = {"host": "EngineComputer", "donor": "StayedBehind"}
THERE = {"host": "HostModules", "donor": "DonorEngine"}
NAMED_BY_DRAFT = frozenset({*GONE.values(), *THERE.values()})


def claims(drafted: Drafted) -> dict[str, Any]:
    """`draft.json`: what the draft itself thinks of every field that it drafts.

    Parameters
    ----------
    drafted : Drafted
        A draft.

    Returns
    -------
    dict
        Content of `draft.json`, ready for `json.dumps`.
    """
    return {
        "signals": [
            claim for m in drafted.messages if not m.refused for claim in [
                *(f.claim(m.bus, m.message.key.identifier, m.message.key.extended) for f in m.fields), *_page_claim(m),
            ]
        ]
    }  # fmt: skip


def _page_claim(made: DraftedMessage) -> list[dict[str, Any]]:
    """The claim of the bits that select the page of a frame."""
    pages, key = made.message.pages, made.message.key
    if pages is None:
        return []
    one = Explained(pages.layout, PAGE, "page", pages.confidence, "", "")
    return [one.claim(made.bus, key.identifier, key.extended)]


def drawings(drafted: Drafted) -> dict[str, Any]:
    """`draft_drawn.json`: each field's rule with what was recorded and what the rule makes, in the field's unit."""
    return {
        "version": 1,
        "fields": [
            {
                "name": f"{m.bus}.{m.message.name}.{f.name}", "value": f.value, "unit": f.unit,
                "held_out": f.drawn.held_out, "time_s": f.drawn.time_s,
                "recorded": _in_units(f, f.drawn.recorded),
                "made": None if f.drawn.made is None else _in_units(f, f.drawn.made),
            }
            for m in drafted.messages if not m.refused for f in m.fields if f.drawn is not None
        ],
    }  # fmt: skip


def _in_units(one: Explained, raw: Sequence[float]) -> list[float]:
    return [round(value * one.scale + one.offset, ROUND_DIGITS) for value in raw]


def draft_map(swap: Swap, bus: str, whole: Drafted) -> SignalMap:
    """The map of a bus: every bit of every message in a field, in a constant, or open.

    Parameters
    ----------
    swap : Swap
        Both vehicles.
    bus : str
        Name of the bus.
    whole : Drafted
        The draft.

    Returns
    -------
    SignalMap
        The bus's map, as it is written to the swap folder.
    """
    vehicle = swap.vehicle(bus)
    drafted = {(m.message.key.identifier, m.message.key.extended): m for m in whole.messages if m.bus == bus}
    nodes = [
        MapNode(GONE[bus], "engine" if bus == "host" else "unknown", "no longer there"),
        MapNode(THERE[bus], "unknown" if bus == "host" else "engine", "still there"),
    ]
    messages = []
    for key, message in sorted(vehicle.messages.items()):
        made = drafted.get(key)
        sender = THERE[bus] if key in swap.alive(bus) else GONE[bus]
        signals = _signals(swap, message) if made is None else _drafted_signals(made)
        if signals or made is not None:
            period = None
            if message.period_s and (made is None or not made.life.count):
                period = exact_number(f"{made.life.period_ms if made else round(1000 * message.period_s, 1):g}")
            messages.append(
                MapMessage(
                    message.name, key[0], key[1], message.length, tuple(signals), is_fd=message.length > 8,
                    period_ms=period, senders=(sender,), base=None if made is None else _base(message),
                    page_order=() if made is None or message.pages is None else message.pages.order,
                )
            )  # fmt: skip
    return SignalMap(tuple(messages), tuple(nodes))


def _signals(swap: Swap, message: VehicleMessage) -> list[MapSignal]:
    out = []
    for one in message.fields:
        # raw numbers wherever the draft reckons in raw numbers
        known = one.channel in swap.quantities and one.channel_confidence >= LEAST_CHANNEL and one.kind == "number"
        words = f"follows {one.channel} ({one.channel_confidence:.2f})" if one.channel else ""
        scale, offset = (_exact(one.scale), _exact(one.offset)) if known else (Fraction(1), Fraction(0))
        unit = one.unit if known else ""
        sure = one.channel_confidence if one.channel else one.layout_confidence
        out.append(MapSignal(one.name, one.layout, scale, offset, unit=unit, comment=words, evidence=_evidence(sure)))
    return out + _integrity(message)


def _integrity(message: VehicleMessage) -> list[MapSignal]:
    out = []
    if message.counter is not None:
        layout, counter, sure = message.counter
        out.append(MapSignal("Counter", layout, counter=counter, evidence=_evidence(sure)))
    if message.checksum is not None:
        checksum, sure = message.checksum
        out.append(MapSignal("Checksum", checksum.layout, checksum=checksum, evidence=_evidence(sure)))
    return out


def _evidence(confidence: float, **more: str) -> dict[str, float | str]:
    """How sure a signal is, in `guess`'s words."""
    return {"confidence": round(confidence, EVIDENCE_DIGITS), **more}


def _drafted_signals(made: DraftedMessage) -> list[MapSignal]:
    out = [
        MapSignal(
            e.name, e.layout, _exact(e.scale), _exact(e.offset), unit=e.unit, comment=e.words[:200],
            evidence=_evidence(e.confidence, how=e.how), mux_signal=None if e.page is None else PAGE,
            mux_values=() if e.page is None else (e.page,),
        )
        for e in made.fields
    ]  # fmt: skip
    pages = made.message.pages
    if pages is not None:
        out.append(MapSignal(PAGE, pages.layout, is_multiplexer=True, evidence=_evidence(pages.confidence, how="page")))
    out += _integrity(made.message)
    return out


def _base(message: VehicleMessage) -> BasePayload:
    """What never moved."""
    lengths = np.full(len(message.payload), message.length, np.uint8)
    found = constant_bits(message.payload, lengths, None if message.pages is None else message.pages.layout)
    pages = tuple((page, BasePayload(bits.payload, bits.mask, bits.frames)) for page, bits in found.pages)
    return BasePayload(found.payload, found.mask, found.frames, pages)


def _exact(value: float) -> Fraction:
    """A scale or offset as it is written: no round number has more than six digits, which fit 64 bits."""
    text = f"{value:.10g}"
    return exact_number(text if len(text.lstrip("-0.").replace(".", "")) <= ROUND_DIGITS else f"{value:.6g}")


def bridge_text(swap: Swap, drafted: Drafted, name: str) -> str:
    """The bridge file of a draft.

    Parameters
    ----------
    swap : Swap
        Both vehicles.
    drafted : Drafted
        The draft.
    name : str
        Name of the swap.

    Returns
    -------
    str
        TOML text of the bridge file.
    """
    times, mine = drafted.times, f"  # {MARK}"
    lines = [
        "# Bridge file, drafted from recordings. A line is draft's while it carries draft's comment: remove the",
        "# comment and the line is yours. Check it with `swapbridge compile`.",
        "",
        "[bridge]",
        f"name = {_quoted(name)}",
        f'needs = "needs.toml"{mine} what must be covered',
        "",
    ]
    for bus in ("host", "donor"):
        lines += [
            f"[buses.{bus}]",
            f'map = "signal_maps/{bus}.dbc"',
            "bit_rate = 500000",
            'placement = "added-node"',
            f"absent = [{', '.join(map(_quoted, (GONE[bus], *drafted.named.get(bus, ()))))}]{mine} whose identifiers "
            "vanished",
            f"holds_engine = {'true' if bus == 'donor' else 'false'}{mine} the donor's computer runs the engine",
            "",
        ]
    lines += ["[states]"]
    for key, text in (("key_on", times.key_on), ("crank", times.crank), ("run", times.run)):
        if text:
            lines.append(f'{key} = "{text}"{mine} from the words of the key and the engine speed')
    if times.after_run_ms:
        lines.append(f"after_run_ms = {times.after_run_ms}{mine} from key-off to the old computer's last frame")
    lines.append(f"sleep_after_ms = {times.sleep_after_ms}{mine} several times the longest pause of an awake bus")
    lines += [f'wake_by = ["host"]{mine} the host wakes both', ""]
    for made in drafted.messages:
        if not made.refused:
            lines += _message_lines(made, bool(times.key_on), bool(times.run))
    return "\n".join(lines)


def _message_lines(made: DraftedMessage, has_key: bool, has_run: bool) -> list[str]:
    message, life, mine = made.message, made.life, f"  # {MARK}"
    lines = ["[[messages]]", f'send = "{made.bus}.{message.name}"{mine} {life.words}']
    if life.count:
        lines.append(f"once = {life.count}{mine} as often as in the recording")
    lines.append(f"period_ms = {life.period_ms:g}{mine} its median in the recording")
    if life.delay_ms:
        lines.append(f"delay_ms = {life.delay_ms}{mine} its first frame came this late each time")
    if life.begin == "key" and has_key:
        after = "" if life.last_ms else ', "after_run"'
        lines.append(f'states = ["key_on", "crank", "run"{after}]{mine} it began with the key')
        if life.last_ms:
            lines.append(f"last_ms = {life.last_ms}{mine} from key-off to its own last frame")
    elif life.begin == "run" and has_run:
        lines.append(f'states = ["run"]{mine} it was silent while the engine stood with the key on')
    elif made.bus == "donor":
        lines.append(f'states = ["wake", "key_on", "crank", "run", "after_run"]{mine} it began with the bus')
    if message.pages is not None:
        order = ", ".join(map(str, message.pages.order))
        lines.append(f"mux = [{order}]{mine} the order in which its pages came")
    opened = [e.name for e in made.fields if e.how == "open"]
    if opened:
        lines.append(f"open = [{', '.join(_quoted(n) for n in opened)}]{mine} nobody knows how these are made")
    if made.unreviewed:
        lines.append(f"unreviewed = true  # {MARK} {made.unreviewed}")
    lines.append(f'rest = "as recorded"  # {MARK} every other bit, none of which ever moved')
    lines.append("[messages.signals]")
    for one in made.fields:
        lines += _rule_lines(one)
    lines.append("")
    return lines


def _quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _rule_lines(one: Explained) -> list[str]:
    parts = [f"value = {_quoted(one.value)}", f"fallback = {_quoted(one.fallback)}", f'role = "{one.role}"']
    if one.hold_ms and one.how != "open":
        parts.append(f"hold_ms = {one.hold_ms}")
    if one.limits:
        parts.append(f"limits = [{_quoted(one.limits[0])}, {_quoted(one.limits[1])}]")
    if one.seen:
        inner = ", ".join(f"{_quoted(n)} = [{_quoted(a)}, {_quoted(b)}]" for n, a, b in one.seen)
        parts.append(f"seen = {{ {inner} }}")
    if one.unreviewed:
        parts.append("unreviewed = true")
    comment = f"{one.how}, {one.confidence:.0%} sure: {one.words}"
    if one.runner_up:
        comment += f"; runner-up: {one.runner_up}"
    if one.closes:
        comment += f"; would close it: {one.closes}"
    comment = textwrap.shorten(comment.replace("\n", " "), 400)
    return [f"{one.name} = {{ {', '.join(parts)} }}  # {MARK} {comment}"]


def needs_text(swap: Swap, drafted: Drafted) -> str:
    """Both directions: what vanished from the host, and what the donor's computer will not hear any more.

    Parameters
    ----------
    swap : Swap
        Both vehicles.
    drafted : Drafted
        The draft.

    Returns
    -------
    str
        TOML text of the needs list.
    """
    lines = ["# What each side waits for, drafted from recordings.", ""]
    for made in drafted.messages:
        identifier = format_identifier(made.message.key.identifier, made.message.key.extended)
        module = "host modules" if made.bus == "host" else "engine computer"
        need = ["[[need]]", f'module = "{module}"', f'bus = "{made.bus}"', f'id = "{identifier}"']
        if made.refused:  # how it is met is a person's to say, and a verdict asks for it
            lines += [f"# {made.refused}", "# Once somebody licensed has seen to it, take the # away from these lines:"]
            lines += [f"# {line}" for line in (*need, f'how = "{LICENSED}"')] + [""]
            continue
        lines += need
        if not made.life.count and made.life.period_ms:
            lines.append(f"period_ms = {made.life.period_ms:g}")
        lines.append(f"length = {made.message.length}")
        lines.append('how = "can"')
        lines.append("")
    return "\n".join(lines)
