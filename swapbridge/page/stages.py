"""Page room: how far every line of the needs list has come: unknown, guessed, accepted, mapped, proved, or not CAN."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from swapbridge.core.identifier_words import identifier_word
from swapbridge.core.needs import Need
from swapbridge.plan.plan import Plan
from swapbridge.signalmap.findings import Findings
from swapbridge.signalmap.signal_map import SignalMap
from swapbridge.swapfolder.status import covered

STAGES = ("proved", "mapped", "accepted", "guessed", "unknown", "not CAN")


@dataclass(frozen=True, slots=True)
class FolderEvidence:
    """What the folder holds that brings a need forward."""

    plan: Plan | None
    proved: bool
    maps: tuple[SignalMap, ...]
    findings: tuple[Findings, ...]


def stage_of(need: Need, known: FolderEvidence) -> str:
    """The furthest stage that a need has reached."""
    if need.how != "can":
        return "not CAN"
    if known.plan is not None and covered(need, known.plan):
        return "proved" if known.proved else "mapped"
    if any(_in_map(need, signal_map) for signal_map in known.maps):
        return "accepted"
    if any(_in_findings(need, found) for found in known.findings):
        return "guessed"
    return "unknown"


def count_stages(needs: Iterable[Need], known: FolderEvidence) -> dict[str, int]:
    """How many needs stand at each of `STAGES`."""
    out = dict.fromkeys(STAGES, 0)
    for need in needs:
        out[stage_of(need, known)] += 1
    return out


def _in_map(need: Need, signal_map: SignalMap) -> bool:
    if need.word is not None:
        return signal_map.by_word(need.word) is not None
    name = need.signal.rsplit(".", 1)[-1]
    return any(
        (name and s.name == name) or (need.role and s.role == need.role) for m in signal_map.messages for s in m.signals
    )


def _in_findings(need: Need, found: Findings) -> bool:
    if need.word is None:
        return False
    return any(
        identifier_word(m.identifier, m.extended) == need.word and any(f.kind != "constant" for f in m.fields)
        for m in found.messages
    )
