"""Proving room: whether a plan comes from the bridge file and maps it is judged by."""

from __future__ import annotations

from collections.abc import Mapping

from swapbridge.language.model import BridgeFile
from swapbridge.plan.model import Plan
from swapbridge.proving.report.verdict import Check, judge
from swapbridge.signalmap.dbc_write import map_digest
from swapbridge.signalmap.model import SignalMap


def source_checks(plan: Plan, bridge: BridgeFile, maps: Mapping[str, SignalMap]) -> list[Check]:
    """The plan names the digests of what it was compiled from; they must be those of the files at hand."""
    now = {"bridge": bridge.digest}
    for name, signal_map in maps.items():
        now[f"map {name}"] = map_digest(signal_map)
    out = []
    for name, digest in plan.inputs:
        if name not in now:
            continue
        same = now[name] == digest
        out.append(
            judge(
                "content",
                f"plan and {name}",
                "belong together",
                same,
                "same" if same else f"the plan was compiled from {digest[:12]}, at hand is {now[name][:12]}",
                "the very files it was compiled from",
                "compile the bridge file again, then prove",
            )
        )
    return out
