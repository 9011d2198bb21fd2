"""Proving room: compares the content of every sent frame with the exact reference, signal by signal."""

from __future__ import annotations

from swapbridge.core.identifier_words import format_identifier, split_word
from swapbridge.core.obd import PIDS
from swapbridge.plan.j1939_node import asking_buses
from swapbridge.plan.plan import Plan
from swapbridge.proving.reference.j1939_node import LAYER
from swapbridge.proving.reference.reference import Reference
from swapbridge.proving.trace import JOINED, Contents, Tally
from swapbridge.proving.verdict import Check, check_of


def content_checks(plan: Plan, contents: Contents, reference: Reference) -> list[Check]:
    """One check a sent signal, one a message where something else is wrong or nothing came, one an answer.

    Parameters
    ----------
    plan : Plan
    contents : Contents
        What was judged.
    reference : Reference
        Says which answers there must be, and the maps.
    """
    out = []
    for send in (s for s in plan.sends if s.request is None):
        tally = contents.tallies.get((send.bus, send.word), Tally())
        label = send.name
        if not tally.frames and not tally.when_words():
            continue  # whether it should have been sent is a matter of form
        out.append(
            check_of(
                "content",
                label,
                "sent when due",
                not tally.when_words(),
                tally.when_words()
                or f"{tally.frames:,} frames, each at a time that its period, source and state require",
                "at the times and in the states that the bridge file gives",
                "compile the plan again from its bridge file; if it still differs, this is a defect of the plan",
            )
        )
        names = {f.name for v in send.variants for f in v.fields} | set(tally.signals_wrong)
        message = reference.maps[plan.buses[send.bus].name].by_word(send.word)
        if message is not None:
            names |= {s.name for s in message.signals if s.counter is not None or s.checksum is not None}
        for name in sorted(names):
            wrong = tally.signals_wrong.get(name, 0)
            out.append(
                check_of(
                    "content",
                    f"{label}.{name}" if name != "other bits" else label,
                    "equal to the exact reference",
                    wrong == 0,
                    f"{wrong:,} of {tally.frames:,} frames differ: {tally.example.get(name, '')}"
                    if wrong
                    else f"{tally.frames:,} frames, all equal",
                    "every frame, bit for bit",
                    "compile the plan again from its bridge file; if it still differs, this is a defect of the plan",
                )
            )
    out += _layer_checks(plan, contents) + _answer_checks(contents, reference)
    for (bus, word), count in contents.strangers.items():
        out.append(
            check_of(
                "content",
                f"{plan.buses[bus].name} {format_identifier(*split_word(word))}",
                "asked for",
                False,
                f"{count:,} frames",
                "only identifiers of the bridge file, or frames passed unchanged",
                "compile the plan again from its bridge file",
            )
        )
    return out


def _layer_checks(plan: Plan, contents: Contents) -> list[Check]:
    """What a bus's J1939 addresses claim and send in packets: each frame when it is due, as the standard has it."""
    out = []
    for number in sorted({claim.bus for claim in plan.claims}.union(asking_buses(plan))):
        tally = contents.tallies.get((number, LAYER.word), Tally())
        problems = [tally.when_words(), f"{tally.wrong:,} of {tally.frames:,} differ" if tally.wrong else ""]
        problems += [f"{name}: {text}" for name, text in tally.example.items()]
        out.append(
            check_of(
                "content",
                plan.buses[number].name,
                "J1939 addresses and packets",
                not tally.problems,
                "; ".join(filter(None, problems)) or f"{tally.frames:,} frames, all equal",
                "every frame when SAE J1939-21 and J1939-81 want it, bit for bit",
                "compile the plan again from its bridge file; if it still differs, this is a defect of the plan",
            )
        )
    return out


def _answer_checks(contents: Contents, reference: Reference) -> list[Check]:
    """One check for each identifier of service 01 that the bridge file answers."""
    out = []
    targets = dict(reference.answers)
    if targets:
        targets[JOINED] = next(iter(targets.values()))
    for number, target in targets.items():
        tally = contents.answers.get(number, Tally())
        bus, word = reference.bridge.buses[target.bus_number].name, target.message.word
        named = PIDS[number].words if number in PIDS else "list of identifiers answered"
        wrong = f"{tally.wrong:,} of {tally.frames:,} differ" if tally.wrong else ""
        problems = [t for t in (tally.when_words(), wrong, *tally.example.values()) if t]
        fine = (
            f"{tally.frames:,} answers, all equal" if tally.frames else "no answer: its source is not in the captures"
        )
        again = "compile the plan again from its bridge file; if it still differs, this is a defect of the plan"
        out.append(
            check_of(
                "content",
                f"{bus} {format_identifier(*split_word(word))}",
                "answers to several at once" if number == JOINED else f"answer {number:02X}: {named}",
                tally.frames > 0 and not problems,
                "; ".join(problems) or fine,
                "each request answered once, with the exact reference's value",
                again if problems else "prove with a capture that has its source",
                warn=not problems,
            )
        )
    return out
