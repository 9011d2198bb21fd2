"""Proving room: the judge of form: each sent message is present, and formed like the old sender's recorded ones."""

from __future__ import annotations

import numpy as np

from swapbridge.language.bridge_file import MessageRule
from swapbridge.plan.plan import Send
from swapbridge.proving.bench.frame_rows import Frames, asks_torque, fields_of
from swapbridge.proving.case import Case
from swapbridge.proving.judges.frames.form import (
    MessageForm,
    compare_forms,
    compare_shapes,
    compare_start_up,
    habits,
    measure,
    old_form,
    rules_of_the_map,
)
from swapbridge.proving.judges.frames.key_on import key_on_checks
from swapbridge.proving.reference.reference import Reference
from swapbridge.proving.verdict import Check, check_of
from swapbridge.signalmap.signal_map import MapMessage

GREETING = 20
"""A greeting is at most so many frames after each waking (common practice, no source)."""
OVER_NS = 3_000_000_000
"""A greeting that was not repeated for so long is over."""


def judge_shape(case: Case) -> list[Check]:
    """Every message the plan sends: present, as often, as long, and with the constant bits of the old sender's."""
    out: list[Check] = []
    for send in (s for s in case.plan.sends if s.request is None):
        ours = case.sent.get((send.bus, send.word))
        out.append(
            check_of(
                "form",
                send.name,
                "present",
                ours is not None,
                f"{len(ours) if ours is not None else 0:,} frames",
                "sent while its bus is awake",
                "check its states, and whether its sources are in the capture",
            )
        )
        old, message = case.old(send.bus, send.word), case.maps[case.names[send.bus]].by_word(send.word)
        if ours is None or old is None or len(old) < 2:
            continue
        pattern = old_form(case, send.bus, message, old) if message is not None else measure(old, None)
        out += [*_still_sent(send, pattern), *_as_often(send, old)]
        asks = any(asks_torque(field) for field in fields_of(send))
        form = measure(ours, None)
        rule = _rule(case, send)
        unknown = rule is not None and "rest" in rule.open
        out += compare_shapes(
            send.name, pattern, form, message, periodic=_periodic(send), at_once=asks, rest_is_open=unknown
        )
    return out


def judge_form(case: Case) -> list[Check]:
    """Every message the plan sends, and what is sent before the engine runs; the reference has heard the whole run."""
    return [*_form_checks(case), *key_on_checks(case.bench, case.run, case.maps)]


def judge_rules(case: Case) -> list[Check]:
    """Counters and checksums of what is sent, against the old sender's frames: needs no run."""
    out: list[Check] = []
    for send in (s for s in case.plan.sends if s.request is None):
        message, old = case.maps[case.names[send.bus]].by_word(send.word), case.old(send.bus, send.word)
        if message is not None and old is not None and len(old) > 1:
            out += rules_of_the_map(send.name, old_form(case, send.bus, message, old))
    return out


def _form_checks(case: Case) -> list[Check]:
    reference = case.reference
    out: list[Check] = []
    patterns: dict[int, dict[str, MessageForm]] = {}
    forms: dict[int, dict[str, MessageForm]] = {}
    beyond: dict[str, tuple[list[str], list[str]]] = {}
    for send in (s for s in case.plan.sends if s.request is None):
        rows, old = case.sent.get((send.bus, send.word)), case.old(send.bus, send.word)
        message = case.maps[case.names[send.bus]].by_word(send.word)
        if rows is None:
            continue
        safe = {f.name: frozenset({f.fallback}) for v in send.variants for f in v.fields if f.fallback is not None}
        ours = measure(rows, message, safe, off_ns=[1000 * us for us in reference.switched_off])
        if old is None or len(old) < 2:
            out += _without_pattern(send.name, ours, message, send.period_us / 1000)
            continue
        pattern = old_form(case, send.bus, message, old) if message is not None else measure(old, None)
        out += compare_forms(send.name, pattern, ours, message, periodic=_periodic(send))
        if message is not None and not case.bridge.buses[send.bus].holds_engine:  # what it hears follows the driver
            rule = _rule(case, send)
            further = habits(pattern, ours, message, () if rule is None else rule.open)
            for mine, more in zip(beyond.setdefault(case.names[send.bus], ([], [])), further, strict=True):
                mine += more
        patterns.setdefault(send.bus, {})[send.name] = pattern
        forms.setdefault(send.bus, {})[send.name] = ours
    for bus, found in patterns.items():
        name = case.names[bus]
        # recordings begin a millisecond before their first frame; the translator wakes with the first bus that does
        wakes = min((int(t.start_ns[0]) for t in case.bench.traffic if len(t)), default=0)
        out += compare_start_up(f"bus {name}", found, forms[bus], (0, wakes), key_on_ns(reference, bus))
    return out + [_another_engine(name, *further) for name, further in beyond.items()]


def _another_engine(bus: str, further: list[str], faster: list[str]) -> Check:
    """One line a bus: values and steps well beyond the old sender's, since the engine is another."""
    said = [f"values further: {', '.join(further)}"] if further else []
    said += [f"larger steps from frame to frame: {', '.join(faster)}"] if faster else []
    return check_of(
        "form", f"bus {bus}", "values and steps", not said,
        "; ".join(said) or "about as far and as fast as the old sender's",
        "about what the old sender's modules have met, or modules that take more",
        "compare with what the module that reads it can take; where that is less, use clamp(...) or rate_limit(...), "
        "save for torques, which must not be told too low: there the engine computer needs the limit",
        otherwise="habit",
    )  # fmt: skip


def _rule(case: Case, send: Send) -> MessageRule | None:
    return next((r for r in case.bridge.messages if r.message.text == send.name), None)


def _periodic(send: Send) -> bool:
    return bool(send.period_us) and not send.gap_us


def _still_sent(send: Send, pattern: MessageForm) -> list[Check]:
    """What is sent once after waking is no message that the old sender went on with."""
    often = pattern.count / (pattern.pauses + 1)
    if not send.once or often <= GREETING:
        return []
    return [
        check_of(
            "form", send.name, "goes on", False,
            f"sent once after waking, where the old sender sent {often:,.0f} frames, every {pattern.period_ms:.4g} ms",
            "sent for as long as the old sender did",
            f"take once out of this message in the bridge file, and set period_ms = {pattern.period_ms:.4g}",
        )
    ]  # fmt: skip


def _as_often(send: Send, old: Frames) -> list[Check]:
    """A greeting is repeated as often as by the old sender: a module still starting at the first one hears another."""
    ends = np.flatnonzero(np.diff(old.time_ns) > OVER_NS) + 1
    often = int(np.median(np.diff(np.r_[0, ends, len(old)])))
    if not send.once or often > GREETING:
        return []
    return [
        check_of(
            "form", send.name, "as often as before", send.count >= often,
            f"{send.count} after each waking, the old sender {often}", "as often as the old sender",
            f"set once = {often} in the bridge file, with the old sender's period_ms",
        )
    ]  # fmt: skip


def key_on_ns(reference: Reference, bus: int) -> dict[str, int]:
    """When its states first let each message of a bus be sent, by its name: drives differ in when the key goes on."""
    return {
        f"{reference.bridge.buses[bus].name}.{target.message.name}": target.schedule.began * 1000
        for (number, _), target in reference.targets.items()
        if number == bus and target.schedule.began is not None
    }


def _without_pattern(name: str, ours: MessageForm, message: MapMessage | None, period_ms: float) -> list[Check]:
    """No frames of the old sender: only the map can be compared with."""
    out = []
    wanted = float(message.period_ms) if message is not None and message.period_ms else period_ms
    if wanted and ours.period_ms:
        out.append(
            check_of(
                "form",
                name,
                "period",
                abs(ours.period_ms - wanted) <= 0.02 * wanted,
                f"{ours.period_ms:.2f} ms",
                f"{wanted:g} ms by the map, within 2 % (no old frames to compare with)",
                f"set period_ms = {wanted:g} for this message in the bridge file",
            )
        )
    if ours.counter_bad is not None:
        out.append(
            check_of("form", name, "counter", ours.counter_bad == 0, f"{ours.counter_bad:,} wrong steps", "none", "")
        )
    if ours.checksum_seen:
        wrong = f"{ours.checksum_bad:,} wrong of {ours.checksum_seen:,}"
        out.append(check_of("form", name, "checksum", ours.checksum_bad == 0, wrong, "none", ""))
    return out
