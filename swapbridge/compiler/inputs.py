"""Compiler room: what a plan was compiled from, and whether that is what is at hand."""

from __future__ import annotations

from collections.abc import Mapping

from swapbridge.language.model import BridgeFile
from swapbridge.plan.model import Plan
from swapbridge.signalmap.dbc_write import map_digest
from swapbridge.signalmap.model import SignalMap


def compared_inputs(plan: Plan, bridge: BridgeFile, maps: Mapping[str, SignalMap]) -> dict[str, tuple[str, str]]:
    """Digests of bridge file and maps by name ("bridge", "map NAME"): as the plan names them, and of those at hand."""
    now = {"bridge": bridge.digest, **{f"map {name}": map_digest(one) for name, one in maps.items()}}
    return {name: (digest, now[name]) for name, digest in plan.inputs if name in now}
